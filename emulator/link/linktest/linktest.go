// Package linktest is the conformance suite that every link passes, and the logger that is at its other end.
package linktest

import (
	"context"
	"errors"
	"fmt"
	"os"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"stuntcell/emulator/link"
)

// What a reading's aux1 makes the suite's logger do beside its echo.
const (
	everyWord = 1 + iota
	manyRows
)

// Logger is the logger that the suite expects at the other end of a link. It writes each message that it gets, in the
// words of the wire, as a row, keeps how many readings it got under "count" in its store, and says at each greeting what it found there.
type Logger struct {
	store link.Store
	count int
}

// NewLogger returns the suite's logger.
func NewLogger(s link.Store) link.Logger { return &Logger{store: s} }

func echo(m link.Message) string { return strings.TrimSuffix(string(m.Append(nil)), "\n") }

// Greet implements [link.Logger].
func (l *Logger) Greet(g *link.Greeting, a *link.Answer) {
	a.Row(echo(link.Message{Kind: link.Greet, Greeting: *g}))
	a.Tell(link.Say, "found "+string(l.store.Load("count")))
}

// Read implements [link.Logger].
func (l *Logger) Read(r *link.Reading, a *link.Answer) {
	a.Row(echo(link.Message{Kind: link.Read, Reading: *r}))
	l.count++
	l.store.Save("count", []byte(strings.Repeat("I", l.count)))
	switch r.Aux1 {
	case everyWord:
		a.Said = append(a.Said, words().Said...)
	case manyRows:
		for i := range 5000 {
			a.Row(fmt.Sprintf("row %d of many, so that no buffer of a pipe holds them all", i))
		}
	}
}

// Set implements [link.Logger].
func (l *Logger) Set(key string, value int64, a *link.Answer) {
	a.Row(echo(link.Message{Kind: link.Set, Key: key, Value: value}))
}

// End implements [link.Logger].
func (l *Logger) End(a *link.Answer) { a.Row("end") }

// words is an answer with every word of a logger.
func words() *link.Answer {
	var a link.Answer
	a.Row("")
	a.Row("  1.234, µV ; \"x\"\t ")
	a.Do(link.LoadOn)
	a.Do(link.LoadOff)
	a.Do(link.ChargeOn)
	a.Do(link.ChargeOff)
	a.Tell(link.File, "LOG00001.CSV")
	a.State(link.Clock, "", 1<<40)
	a.State(link.Clock, "", -1)
	a.Tell(link.Say, "lost 3 größe")
	a.State(link.Mine, "tick_bits", 16)
	for _, name := range link.Abilities() {
		a.Tell(link.Cannot, name)
	}
	for _, name := range link.Extras() {
		a.Tell(link.Can, name)
	}
	return &a
}

// Directory is a [link.Store] of files in a directory, for a logger in a process of its own.
type Directory string

// Load implements [link.Store].
func (d Directory) Load(name string) []byte {
	b, err := os.ReadFile(string(d) + "/" + name)
	if err != nil && !errors.Is(err, os.ErrNotExist) {
		panic(err)
	}
	return b
}

// Save implements [link.Store].
func (d Directory) Save(name string, b []byte) {
	if err := os.WriteFile(string(d)+"/"+name, b, 0o666); err != nil {
		panic(err)
	}
}

func greeting() link.Greeting {
	var g link.Greeting
	for i, key := range link.Keys() {
		*g.Field(key) = int64(i + 1)
	}
	g.TickBits, g.BusAt, g.Channels, g.ZoneMin = 32, 1, 4, -210
	return g
}

// Run runs the suite. connect returns a new link, not started, to the suite's logger; whatever must be ended is ended by
// Close or by the test's cleanup.
func Run(t *testing.T, connect func(t *testing.T) link.Link) { run(t, connect, []bool{false, true}) }

// RunBoard runs the suite on a link whose logger's files are out of the bench's reach: none is torn.
func RunBoard(t *testing.T, connect func(t *testing.T) link.Link) { run(t, connect, []bool{false}) }

func run(t *testing.T, connect func(t *testing.T) link.Link, cuts []bool) {
	ctx := context.Background()
	start := func(t *testing.T) link.Link {
		t.Helper()
		l := connect(t)
		if err := l.Start(ctx); err != nil {
			t.Fatal(err)
		}
		t.Cleanup(func() {
			if err := l.Close(); err != nil {
				t.Errorf("close: %v", err)
			}
		})
		return l
	}
	ask := func(t *testing.T, l link.Link, m link.Message) []link.Said {
		t.Helper()
		if err := l.Send(&m); err != nil {
			t.Fatalf("send %s: %v", echo(m), err)
		}
		a, err := l.Receive(ctx)
		if err != nil {
			t.Fatalf("receive: %v", err)
		}
		if len(a.Said) == 0 || a.Said[0].Word != link.Row {
			t.Fatalf("answer %+v: expected an echo", a.Said)
		}
		if want := echo(m); a.Said[0].Text != want {
			t.Fatalf("the logger got %q, want %q", a.Said[0].Text, want)
		}
		return a.Said[1:]
	}
	greet := link.Message{Kind: link.Greet, Greeting: greeting()}

	t.Run("whole run", func(t *testing.T) {
		l := start(t)
		ask(t, l, greet)
		ask(t, l, link.Message{Kind: link.Read, Reading: link.Reading{Tick: 1}})
		ask(t, l, link.Message{Kind: link.Set, Key: "log_ms", Value: 70000})
		ask(t, l, link.Message{Kind: link.End})
		if err := l.Close(); err != nil {
			t.Errorf("close after end: %v", err)
		}
	})

	t.Run("every reading arrives", func(t *testing.T) {
		l := start(t)
		ask(t, l, greet)
		rapid.Check(t, func(rt *rapid.T) { ask(t, l, link.Message{Kind: link.Read, Reading: Readings().Draw(rt, "reading")}) })
	})

	t.Run("every word arrives", func(t *testing.T) {
		l := start(t)
		ask(t, l, greet)
		got := ask(t, l, link.Message{Kind: link.Read, Reading: link.Reading{HasAux1: true, Aux1: everyWord}})
		want := words().Said
		if len(got) != len(want) {
			t.Fatalf("%d words, want %d", len(got), len(want))
		}
		for i, s := range got {
			if s != want[i] {
				t.Errorf("word %d: %+v, want %+v", i, s, want[i])
			}
		}
	})

	t.Run("many rows in one answer", func(t *testing.T) {
		l := start(t)
		ask(t, l, greet)
		if got := ask(t, l, link.Message{Kind: link.Read, Reading: link.Reading{HasAux1: true, Aux1: manyRows}}); len(got) != 5000 {
			t.Errorf("%d rows, want 5000", len(got))
		}
		ask(t, l, link.Message{Kind: link.End})
	})

	t.Run("sent ahead", func(t *testing.T) {
		l := start(t)
		ask(t, l, greet)
		n := l.Ahead()
		if n < 1 {
			t.Fatalf("Ahead() = %d", n)
		}
		ms := make([]link.Message, n+1)
		for i := range ms {
			ms[i] = link.Message{Kind: link.Read, Reading: link.Reading{Tick: uint64(i)}}
			// An answer of many rows while others are still to be read: neither side may wait for the other.
			if i%50 == 3 {
				ms[i].Reading.HasAux1, ms[i].Reading.Aux1 = true, manyRows
			}
			err := l.Send(&ms[i])
			if i < n && err != nil {
				t.Fatalf("message %d of %d ahead: %v", i, n, err)
			}
			if i == n && err == nil {
				t.Fatalf("%d messages could be sent ahead, Ahead() is %d", i+1, n)
			}
		}
		for i := range n {
			a, err := l.Receive(ctx)
			if err != nil {
				t.Fatal(err)
			}
			if want := echo(ms[i]); a.Said[0].Text != want {
				t.Fatalf("answer %d is to %q, want %q", i, a.Said[0].Text, want)
			}
		}
		if _, err := l.Receive(ctx); err == nil {
			t.Error("received an answer to nothing")
		}
	})

	t.Run("power cut", func(t *testing.T) {
		l := start(t)
		if found := ask(t, l, greet)[0].Text; found != "found " {
			t.Errorf("a new logger %s", found)
		}
		read := link.Message{Kind: link.Read}
		for range 20 {
			ask(t, l, read)
		}
		for _, torn := range cuts {
			if err := l.Send(&read); err != nil { // what was sent and not received is lost
				t.Fatal(err)
			}
			if err := l.Cut(torn); err != nil {
				t.Fatal(err)
			}
			if err := l.Start(ctx); err != nil {
				t.Fatal(err)
			}
			kept := len(ask(t, l, greet)[0].Text) - len("found ")
			if !torn && (kept < 20 || kept > 21) {
				t.Errorf("files were not kept over a cut: %d of 20", kept)
			}
			if torn && kept >= 20 {
				t.Errorf("the file was not torn: %d of 20", kept)
			}
		}
		ask(t, l, link.Message{Kind: link.End})
	})

	t.Run("cancelled", func(t *testing.T) {
		l := start(t)
		ask(t, l, greet)
		if err := l.Send(&link.Message{Kind: link.Read}); err != nil {
			t.Fatal(err)
		}
		done, cancel := context.WithCancel(ctx)
		cancel()
		// A link may have the answer already, but it must not wait.
		if _, err := l.Receive(done); err != nil && !errors.Is(err, context.Canceled) {
			t.Errorf("cancelled receive: %v", err)
		}
	})

	t.Run("closed at any time", func(t *testing.T) {
		l := connect(t)
		if err := l.Close(); err != nil {
			t.Errorf("never started: %v", err)
		}
		l = start(t)
		if err := l.Close(); err != nil {
			t.Errorf("never greeted: %v", err)
		}
		if err := l.Close(); err != nil {
			t.Errorf("closed twice: %v", err)
		}
		if err := l.Send(&greet); err == nil {
			t.Error("sent to a closed link")
		}
	})
}

// Readings generates any reading that the link can carry.
func Readings() *rapid.Generator[link.Reading] {
	count := rapid.OneOf(rapid.Just(int32(link.Failed)), rapid.Int32())
	return rapid.Custom(func(t *rapid.T) link.Reading {
		r := link.Reading{
			Tick:  rapid.Uint64().Draw(t, "tick"),
			Shunt: count.Draw(t, "shunt"), Bus: count.Draw(t, "bus"),
			Clock:    rapid.OneOf(rapid.Just(int64(link.NoClock)), rapid.Int64()).Draw(t, "clock"),
			Load:     link.Contact(rapid.IntRange(0, 2).Draw(t, "load")),
			Charge:   link.Contact(rapid.IntRange(0, 2).Draw(t, "charge")),
			CardFail: rapid.Bool().Draw(t, "card"),
		}
		for range rapid.IntRange(0, 3).Draw(t, "more") {
			r.More = append(r.More, link.Channel{Shunt: count.Draw(t, "shuntN"), Bus: count.Draw(t, "busN")})
		}
		if r.HasTemp = rapid.Bool().Draw(t, "has temp"); r.HasTemp {
			r.Temp = rapid.Int32().Draw(t, "temp")
		}
		if r.HasAux1 = rapid.Bool().Draw(t, "has aux"); r.HasAux1 {
			r.Aux1 = rapid.Int32Range(-1<<31, 0).Draw(t, "aux")
		}
		return r
	})
}
