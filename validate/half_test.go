package validate_test

import (
	"fmt"
	"slices"
	"testing"

	"stuntcell/emulator/link"
	"stuntcell/scenarios"
)

// halfway is a logger by the trapezoid that does one thing or another where half of a reading failed.
type halfway struct {
	way      string // "hold", "each" (charge goes by good shunts, energy by whole readings), else: it leaves the reading out
	g        *link.Greeting
	any      bool
	now, due float64
	i, v     float64 // as a row shows them
	charge   trapezoid
	energy   trapezoid
	last     uint64
}

// trapezoid is a sum and its last point.
type trapezoid struct {
	begun       bool
	t, y, total float64
}

func (s *trapezoid) add(t, y float64) {
	if s.begun {
		s.total += (s.y + y) / 2 * (t - s.t)
	}
	s.begun, s.t, s.y = true, t, y
}

func (l *halfway) Greet(g *link.Greeting, a *link.Answer) {
	l.g = g
	a.Tell(link.Cannot, "restore")
	a.Tell(link.Cannot, "load")
	a.Row("s,V,A,W,Ah,Wh")
}

func (l *halfway) Read(r *link.Reading, a *link.Answer) {
	if l.any {
		l.now += float64((r.Tick-l.last)&(1<<uint(l.g.TickBits)-1)) / float64(l.g.TickHz)
	}
	l.any, l.last = true, r.Tick
	shunt, bus := r.Shunt != link.Failed, r.Bus != link.Failed
	if l.way == "" && !(shunt && bus) {
		return
	}
	if l.way == "rows" && !(shunt && bus) {
		l.row(a)
		return
	}
	if shunt {
		l.i = float64(r.Shunt) * float64(l.g.ShuntStepNV) / float64(l.g.ShuntNohm)
	}
	if bus {
		l.v = float64(r.Bus) * float64(l.g.BusStepUV) * 1e-6
	}
	if shunt || l.way == "hold" {
		l.charge.add(l.now, l.i)
	}
	if shunt && bus || l.way == "hold" {
		l.energy.add(l.now, l.i*l.v)
	}
	l.row(a)
}

func (l *halfway) row(a *link.Answer) {
	if l.now < l.due-1e-9 {
		return
	}
	a.Row(fmt.Sprintf("%.3f,%.3f,%.4f,%.4f,%.6f,%.5f", l.now, l.v, l.i, l.i*l.v, l.charge.total/3600, l.energy.total/3600))
	for l.due <= l.now+1e-9 {
		l.due += float64(l.g.LogMS) / 1000
	}
}

func (l *halfway) Set(string, int64, *link.Answer) {}
func (l *halfway) End(*link.Answer)                {}

// TestHalfOfAReadingFails: where a load comes and goes while one half of the readings fails, what a healthy logger makes of the other half
// is seen in its totals, and each way is healthy.
func TestHalfOfAReadingFails(t *testing.T) {
	sc, err := scenarios.Parse("halves.yaml", []byte(`scenario: halves
summary: Pulses, and each half of the readings fails for minutes.
plan:
  - {discharge: 0.5 C, pulse: {every: 70 s, on: 30 s, low: 10 %}, ends: {time: 30 min}}
faults:
  - {at: 6 min, fault: failed-read, only: bus, for: 200 s}
  - {at: 20 min, fault: failed-read, only: shunt, for: 200 s}
`), scenarios.Env{})
	if err != nil {
		t.Fatal(err)
	}
	for way, note := range map[string]string{
		"":     "",
		"rows": "",
		"hold": "holds the last value of the half of a reading that failed",
		"each": "bridges failed readings, and counts charge where only the bus failed",
	} {
		v, _ := judged(t, sc, func(link.Store) link.Logger { return &halfway{way: way} })
		if !*v.Pass {
			t.Errorf("%q: %s", way, complaint(v))
		}
		if note != "" && !slices.Contains(v.Notes, note) {
			t.Errorf("%q: %q is not noted: %q", way, note, v.Notes)
		}
	}
}
