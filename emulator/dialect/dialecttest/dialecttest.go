// Package dialecttest is the conformance suite that every dialect passes.
package dialecttest

import (
	"bytes"
	"math/rand/v2"
	"runtime"
	"testing"

	"stuntcell/emulator/dialect"
	"stuntcell/emulator/instrument"
	"stuntcell/emulator/rig"
	"stuntcell/model"
)

// Bench returns a bench with the default pack and rig, full and at rest.
func Bench(t testing.TB, pace instrument.Pace, plan ...model.Step) *instrument.Bench {
	t.Helper()
	b, err := instrument.New(Config(t, pace, plan...))
	if err != nil {
		t.Fatal(err)
	}
	return b
}

// Config describes a bench with the default pack and rig, for any kind of test.
func Config(t interface{ Fatal(...any) }, pace instrument.Pace, plan ...model.Step) instrument.Config {
	pack, err := model.PackByName("agm-12v-7ah")
	if err != nil {
		t.Fatal(err)
	}
	r, err := rig.ByName("shop-50a")
	if err != nil {
		t.Fatal(err)
	}
	return instrument.Config{Pack: pack, Plan: plan, Rig: r, Seed: 1, Pace: pace}
}

// Sample is a request and the answer to it on a [Bench] at instant 0.
type Sample struct{ Request, Answer string }

// MostAnswer is how much may be answered to one piece of [MostPiece] bytes, whatever is in it.
const (
	MostPiece  = 256
	MostAnswer = 32 << 20
)

// Run runs the suite. talk makes a conversation on a bench; the samples must be answered as they say, each on a new bench.
func Run(t *testing.T, pace instrument.Pace, talk func(testing.TB, *instrument.Bench) dialect.Dialect, samples ...Sample) {
	t.Run("samples", func(t *testing.T) {
		for _, s := range samples {
			d := talk(t, Bench(t, pace))
			if got := d.Hear([]byte(s.Request), nil); string(got) != s.Answer {
				t.Errorf("%q: answered %q, want %q", s.Request, got, s.Answer)
			}
		}
	})
	t.Run("in pieces", func(t *testing.T) {
		for _, s := range samples {
			d := talk(t, Bench(t, pace))
			var got []byte
			for i := range len(s.Request) {
				got = d.Hear([]byte{s.Request[i]}, got)
			}
			if string(got) != s.Answer {
				t.Errorf("%q byte by byte: answered %q, want %q", s.Request, got, s.Answer)
			}
		}
	})
	t.Run("appends", func(t *testing.T) {
		for _, s := range samples {
			d := talk(t, Bench(t, pace))
			if got := d.Hear([]byte(s.Request), []byte("before")); string(got) != "before"+s.Answer {
				t.Errorf("%q: %q", s.Request, got)
			}
		}
	})
	t.Run("half a request, then a restart", func(t *testing.T) {
		for _, s := range samples {
			if s.Answer == "" || len(s.Request) < 2 {
				continue
			}
			b := Bench(t, pace)
			d := talk(t, b)
			d.Hear([]byte(s.Request[:len(s.Request)/2]), nil)
			d.Restart()
			b.Restart()
			if got := d.Hear([]byte(s.Request), nil); string(got) != s.Answer {
				t.Errorf("%q after half of it and a restart: answered %q, want %q", s.Request, got, s.Answer)
			}
		}
	})
	t.Run("same bytes, same answers", func(t *testing.T) {
		var before []byte
		for range 2 {
			b := Bench(t, pace)
			d := talk(t, b)
			var got []byte
			for i := range 20 {
				b.Advance(int64(i) * 1e9)
				for _, s := range samples {
					got = d.Hear([]byte(s.Request), got)
				}
			}
			if before != nil && !bytes.Equal(before, got) {
				t.Error("two runs differ")
			}
			before = got
		}
	})
	t.Run("random bytes", func(t *testing.T) {
		draw := rand.New(rand.NewPCG(1, 2))
		d := talk(t, Bench(t, pace))
		var alphabet []byte
		for _, s := range samples {
			alphabet = append(alphabet, s.Request...)
		}
		var m runtime.MemStats
		runtime.ReadMemStats(&m)
		before := int64(m.Sys)
		piece := make([]byte, MostPiece)
		var out []byte
		for n := range 4000 {
			for i := range piece {
				piece[i] = byte(draw.Uint32())
				if n%2 == 1 && len(alphabet) > 0 {
					piece[i] = alphabet[draw.IntN(len(alphabet))]
				}
			}
			if n%500 < 100 { // lines without an end
				piece = bytes.ReplaceAll(piece, []byte{'\n'}, []byte{' '})
			}
			out = d.Hear(piece, out[:0])
			if len(out) > MostAnswer {
				t.Fatalf("%d bytes are answered to %d", len(out), len(piece))
			}
			out = d.Quiet(out[:0])
		}
		runtime.ReadMemStats(&m)
		if grown := int64(m.Sys) - before; grown > 200<<20 {
			t.Errorf("%d MiB are held", grown>>20)
		}
	})
	t.Run("a speaker goes forward", func(t *testing.T) {
		b := Bench(t, instrument.Real)
		d := talk(t, b)
		for range 100 {
			next := d.Next()
			if next == dialect.Never {
				return
			}
			b.Advance(next)
			if out := d.Speak(nil); len(out) == 0 {
				t.Fatal("it spoke and said nothing")
			}
			if after := d.Next(); after <= next {
				t.Fatalf("after %d ns it speaks at %d ns", next, after)
			}
		}
	})
}

// Fuzz lets anything be said to a conversation.
func Fuzz(f *testing.F, pace instrument.Pace, talk func(testing.TB, *instrument.Bench) dialect.Dialect, seeds ...string) {
	for _, s := range seeds {
		f.Add([]byte(s), uint8(7))
	}
	f.Fuzz(func(t *testing.T, in []byte, piece uint8) {
		d := talk(t, Bench(t, pace))
		n := int(piece) + 1
		var out []byte
		for len(in) > 0 {
			k := min(n, len(in))
			if out = d.Hear(in[:k], out[:0]); len(out) > MostAnswer {
				t.Fatalf("%d bytes are answered to %d", len(out), k)
			}
			in = in[k:]
		}
		d.Quiet(nil)
		d.Restart()
	})
}
