package loggers

import (
	"context"
	"errors"
	"fmt"
	"strconv"
	"strings"

	"stuntcell/emulator/link"
)

// action is one thing that happens to a logger: a reading, a setting, or a power cut (power comes back at once).
type action struct {
	read  link.Reading
	key   string
	value int64
	cut   bool
	// ms is the true time of a reading since the first, for the integrals that totals are checked against.
	ms int64
}

// situation is a hand-made course: what a logger is greeted with and what then happens.
type situation struct {
	name     string
	greeting link.Greeting
	actions  []action
}

// workshop is the greeting that situations start from: shunt 1.5 mohm, 6 uV and 3 mV a count, so 4 mA and 3 mV.
func workshop() link.Greeting {
	return link.Greeting{TickBits: 32, TickHz: 1000, ShuntNohm: 1_500_000, ShuntStepNV: 6000, BusStepUV: 3000,
		ShuntMax: 12500, BusMax: 20000, Channels: 1, ReadMS: 1000, LogMS: 10_000, ChargeEndMV: 14_400, ChargeTaperMA: 140, ZoneMin: 60}
}

// Counts at the workshop's rig.
const (
	amp  = 250           // counts of 1 A
	volt = 1000. / 3     // counts of 1 V
	noon = 1_780_315_200 // 2026-06-01 12:00:00 UTC
	day  = int64(86_400) // [s]
	wrap = uint64(1) << 32
)

// course makes readings. The defaults are a reading a second at -1.4 A and 12.6 V.
type course struct {
	n       int                          // readings
	step    func(k int) int64            // ms before reading k; nil: the greeting's read_ms
	start   uint64                       // tick at the first
	clock   func(k int, ms int64) int64  // nil: noon plus ms
	current func(k int, ms int64) int32  // counts; nil: -1.4 A
	bus     func(k int, ms int64) int32  // counts; nil: 12.6 V
	change  func(k int, r *link.Reading) // anything else
	before  map[int]action               // what comes before reading k
}

func (c course) in(name string, g link.Greeting) situation {
	s := situation{name: name, greeting: g}
	mask := tickMask(g.TickBits)
	ms, base := int64(0), int64(0)
	for k := range c.n {
		if k > 0 {
			if c.step != nil {
				ms += c.step(k)
			} else {
				ms += g.ReadMS
			}
		}
		if a, ok := c.before[k]; ok {
			s.actions = append(s.actions, a)
			if a.cut {
				c.start, base = 0, ms
			}
		}
		r := link.Reading{Tick: (c.start + uint64((ms-base)*g.TickHz/1000)) & mask, Shunt: -350, Bus: 4200, Clock: noon + ms/1000}
		if c.clock != nil {
			r.Clock = c.clock(k, ms)
		}
		if c.current != nil {
			r.Shunt = c.current(k, ms)
		}
		if c.bus != nil {
			r.Bus = c.bus(k, ms)
		}
		if c.change != nil {
			c.change(k, &r)
		}
		s.actions = append(s.actions, action{read: r, ms: ms})
	}
	return s
}

// said is something that a logger said while reading number at was answered.
type said struct {
	at   int
	word link.Word
	text string
}

// transcript is all that a logger said, rows apart from other words, and how it failed.
type transcript struct {
	rows  []said
	words []said
	end   string
}

// fataler is what play needs of a test, be it testing's or rapid's.
type fataler interface{ Fatal(...any) }

// play runs a logger through a situation, in process, as the bench does.
func play(t fataler, b Build, s situation) transcript {
	p := link.NewInProcess(b, 1)
	ctx := context.Background()
	if err := p.Start(ctx); err != nil {
		t.Fatal(err)
	}
	var out transcript
	k := -1
	ask := func(m *link.Message) bool {
		if err := p.Send(m); err != nil {
			t.Fatal(err)
		}
		a, err := p.Receive(ctx)
		var f *link.Failure
		if errors.As(err, &f) {
			out.end = string(f.Kind)
			return false
		}
		if err != nil {
			t.Fatal(err)
		}
		for _, x := range a.Said {
			if x.Word == link.Row {
				out.rows = append(out.rows, said{k, x.Word, x.Text})
			} else {
				out.words = append(out.words, said{k, x.Word, x.Text})
			}
		}
		return true
	}
	var m link.Message
	greet := func() bool {
		m = link.Message{Kind: link.Greet, Greeting: s.greeting}
		return ask(&m)
	}
	if !greet() {
		return out
	}
	for i := range s.actions {
		a := &s.actions[i]
		ok := true
		switch {
		case a.cut:
			if err := p.Cut(false); err != nil {
				t.Fatal(err)
			}
			if err := p.Start(ctx); err != nil {
				t.Fatal(err)
			}
			ok = greet()
		case a.key != "":
			m = link.Message{Kind: link.Set, Key: a.key, Value: a.value}
			ok = ask(&m)
		default:
			k++
			m = link.Message{Kind: link.Read, Reading: a.read}
			ok = ask(&m)
		}
		if !ok {
			return out
		}
	}
	k++
	m = link.Message{Kind: link.End}
	ask(&m)
	return out
}

// differs says how two transcripts differ, "" if they do not: numbers may be apart by 1e-4 of the larger and two printed
// units of the coarser, since single precision and rounding alone are no difference. Rows may come at other readings, as
// a buffer brings about.
func differs(a, b transcript) string {
	if a.end != b.end {
		return fmt.Sprintf("ends %q, %q", a.end, b.end)
	}
	for i := range max(len(a.words), len(b.words)) {
		if i >= len(a.words) || i >= len(b.words) || a.words[i] != b.words[i] {
			return fmt.Sprintf("words %v, %v", a.words, b.words)
		}
	}
	if len(a.rows) != len(b.rows) {
		return fmt.Sprintf("%d and %d rows", len(a.rows), len(b.rows))
	}
	for i := range a.rows {
		x, y := strings.Split(a.rows[i].text, ","), strings.Split(b.rows[i].text, ",")
		if len(x) != len(y) {
			return fmt.Sprintf("row %d: %q, %q", i, a.rows[i].text, b.rows[i].text)
		}
		for j := range x {
			if !near(x[j], y[j]) {
				return fmt.Sprintf("row %d: %q, %q", i, a.rows[i].text, b.rows[i].text)
			}
		}
	}
	return ""
}

func near(a, b string) bool {
	x, errX := strconv.ParseFloat(a, 64)
	y, errY := strconv.ParseFloat(b, 64)
	if errX != nil || errY != nil || !strings.Contains(a, ".") || !strings.Contains(b, ".") {
		return a == b
	}
	return abs(x-y) <= 1e-4*max(abs(x), abs(y))+2*max(unit(a), unit(b))
}

func abs(x float64) float64 { return max(x, -x) }

// unit is one in the last place of a printed number.
func unit(s string) float64 {
	u := 1.0
	if _, places, ok := strings.Cut(s, "."); ok {
		for range places {
			u /= 10
		}
	}
	return u
}

// situations has one for each cause, and a plain one in which nothing special happens. Totals stay below 0.59 Ah and 5.9 Wh
// but in the two that are called large, and rows below fifty but in "half an hour"; only that, "large, then small" and
// "charge to taper" last so long.
func situations() []situation {
	set := func(key string, value int64) action { return action{key: key, value: value} }
	with := func(change func(g *link.Greeting)) link.Greeting {
		g := workshop()
		change(&g)
		return g
	}
	from := func(unix int64) func(int, int64) int64 {
		return func(_ int, ms int64) int64 { return unix + ms/1000 }
	}
	cutoff := with(func(g *link.Greeting) { g.CutoffMV, g.CutoffHoldMS = 10_500, 10_000 })
	// ramp falls by a count a second from 10.65 V, so that it is below 10.5 V from reading 51 on.
	ramp := func(k int, _ int64) int32 { return int32(3550 - k) }
	return []situation{
		course{n: 450}.in("plain", workshop()),
		course{n: 450, current: func(k int, _ int64) int32 {
			switch {
			case k < 150:
				return -350
			case k < 200:
				return 0
			}
			return 350
		}}.in("charge", workshop()),
		course{n: 450, current: func(k int, _ int64) int32 { return int32(-80 + 160*(k/200)) }}.in("below 1 A", workshop()),
		course{n: 450, start: wrap - 205_500}.in("wrap", workshop()),
		course{n: 450, start: wrap/2 - 205_500}.in("half range", workshop()),
		course{n: 450, start: 1_000_000_000}.in("large tick", workshop()),
		course{n: 450}.in("rows of 40 s", with(func(g *link.Greeting) { g.LogMS = 40_000 })),
		course{n: 450}.in("rows of 70 s", with(func(g *link.Greeting) { g.LogMS = 70_000 })),
		course{n: 300, step: func(k int) int64 {
			if k == 155 {
				return 40_000
			}
			return 1000
		}}.in("stall of 40 s", workshop()),
		course{n: 300, step: func(k int) int64 {
			if k == 155 {
				return 90_000
			}
			return 1000
		}}.in("stall of 90 s", workshop()),
		course{n: 450}.in("loop of 0.7 s", with(func(g *link.Greeting) { g.ReadMS = 700 })),
		course{n: 300, step: func(k int) int64 { return 1350 + int64(k*7919%1001) - 500 }}.in("uneven", workshop()),
		course{n: 300, step: func(k int) int64 { return 1000 + int64(k*37%101) - 50 }}.in("jitter", workshop()),
		course{n: 4000, current: func(_ int, ms int64) int32 {
			if ms%1000 < 300 {
				return -700
			}
			return 0
		}}.in("locked load", with(func(g *link.Greeting) { g.ReadMS = 100 })),
		course{n: 450, clock: func(k int, ms int64) int64 {
			if k >= 200 {
				return noon + ms/1000 - 3600
			}
			return noon + ms/1000
		}}.in("clock set back", workshop()),
		course{n: 450, current: func(int, int64) int32 { return -5 }}.in("20 mA", workshop()),
		course{n: 450}.in("odd shunt", with(func(g *link.Greeting) { g.ShuntNohm = 1_503_000 })),
		course{n: 20_000, current: func(k int, _ int64) int32 {
			if k < 1600 {
				return -12500
			}
			return -1
		}}.in("large, then small", with(func(g *link.Greeting) { g.ReadMS, g.LogMS = 100, 100_000 })),
		course{n: 250, current: func(int, int64) int32 { return -12500 }}.in("large", workshop()),
		course{n: 450, current: func(k int, _ int64) int32 { return int32(-700 * (k / 5 % 2)) }, bus: func(k int, _ int64) int32 {
			return int32(4200 - 400*(k/5%2))
		}}.in("pulses", with(func(g *link.Greeting) { g.LogMS = 70_000 })),
		course{n: 300, current: func(k int, _ int64) int32 {
			if k >= 149 {
				return -700
			}
			return -350
		}}.in("load step", workshop()),
		course{n: 300, before: map[int]action{155: set("log_ms", 20_000)}}.in("setting", workshop()),
		course{n: 300, clock: from(noon + 11*3600 - 155)}.in("midnight", workshop()),
		course{n: 300, change: func(k int, r *link.Reading) {
			if k >= 143 && k < 147 {
				r.Shunt, r.Bus = link.Failed, link.Failed
			}
		}}.in("failed readings", workshop()),
		course{n: 300, change: func(k int, r *link.Reading) {
			if k >= 143 && k < 147 {
				r.Bus = link.Failed
			}
		}}.in("failed bus", workshop()),
		course{n: 300, change: func(k int, r *link.Reading) {
			if k >= 143 && k < 147 {
				r.Shunt = link.Failed
			}
		}}.in("failed shunt", workshop()),
		course{n: 300, change: func(k int, r *link.Reading) { r.CardFail = k >= 145 && k < 175 }}.in("card fails", workshop()),
		course{n: 300, before: map[int]action{155: {cut: true}}}.in("power cut", workshop()),
		course{n: 200, bus: ramp, current: func(k int, _ int64) int32 {
			if k > 61 {
				return 0
			}
			return -350
		}, before: map[int]action{105: {cut: true}}}.in("power cut after the stop", cutoff),
		course{n: 170, bus: ramp}.in("end voltage", cutoff),
		course{n: 170, bus: func(k int, _ int64) int32 {
			if k < 65 {
				return 3550 - int32(k)
			}
			return 3900
		}}.in("rebound", cutoff),
		course{n: 170, bus: func(k int, _ int64) int32 {
			if k == 5 || k == 6 {
				return 3300
			}
			return 3700
		}}.in("start pulse", cutoff),
		course{n: 170, bus: ramp, change: func(k int, r *link.Reading) {
			if k >= 55 {
				r.Shunt, r.Bus = link.Failed, link.Failed
			}
		}}.in("sensor dies below the level", cutoff),
		course{n: 2600, bus: func(k int, _ int64) int32 { return int32(min(4500+k, 4800)) }, current: func(k int, _ int64) int32 {
			return int32(max(350-max(k-300, 0), 30))
		}}.in("charge to taper", with(func(g *link.Greeting) { g.LogMS = 60_000 })),
		course{n: 300, clock: from(1_792_890_000 - 155)}.in("end of summer time", workshop()), // 2026-10-25 01:00 UTC
		course{n: 300, clock: from(1_835_391_600 - 155)}.in("29 February", workshop()),        // 2028-02-29 00:00 at +01:00
		course{n: 300, clock: from(1_788_130_800 - 155)}.in("31 August", workshop()),          // 2026-08-31 00:00 at +01:00
		course{n: 300, clock: from(1_798_758_000 - 155)}.in("new year", workshop()),           // 2027-01-01 00:00 at +01:00
		course{n: 300, clock: from(1<<31 - 155)}.in("2038", workshop()),
		course{n: 2000, current: func(int, int64) int32 { return -100 }}.in("half an hour", workshop()),
		course{n: 300, clock: func(int, int64) int64 { return link.NoClock }}.in("no clock", workshop()),
	}
}
