package validate_test

import (
	"fmt"
	"slices"
	"testing"

	"stuntcell/emulator/link"
	"stuntcell/scenarios"
)

// stepMeans is a logger that multiplies the means of a step's two readings, where the trapezoid takes the mean of their products.
type stepMeans struct {
	g                           *link.Greeting
	n                           int
	tick                        uint64
	amps, volts, charge, energy float64
}

func (l *stepMeans) Greet(g *link.Greeting, a *link.Answer) {
	l.g = g
	a.Tell(link.Cannot, "load")
	a.Row("tick,V,A,Ah,Wh")
}

func (l *stepMeans) Read(r *link.Reading, a *link.Answer) {
	amps, volts := float64(r.Shunt)*float64(l.g.ShuntStepNV)/float64(l.g.ShuntNohm), float64(r.Bus)*float64(l.g.BusStepUV)*1e-6
	if l.n > 0 {
		dt := float64(uint32(r.Tick-l.tick)) / float64(l.g.TickHz)
		l.charge += (l.amps + amps) / 2 * dt
		l.energy += (l.amps + amps) / 2 * (l.volts + volts) / 2 * dt
	}
	l.tick, l.amps, l.volts = r.Tick, amps, volts
	if l.n%10 == 0 {
		a.Row(fmt.Sprintf("%d,%.3f,%.4f,%.6f,%.6f", r.Tick, volts, amps, l.charge/3600, l.energy/3600))
	}
	l.n++
}

func (l *stepMeans) Set(string, int64, *link.Answer) {}
func (l *stepMeans) End(*link.Answer)                {}

// The product of two means is not the mean of the products where a load is switched from reading to reading. It is named; at the
// usual limit of 0.3 % it is not held against a logger.
func TestMeansOfAStepAreNamed(t *testing.T) {
	for limit, pass := range map[string]bool{"0.3 %": true, "0.05 %": false} {
		sc, err := scenarios.Parse("pulses.yaml", []byte(`scenario: pulses
summary: A load that is switched between readings.
plan:
  - {rest: 1 min}
  - {discharge: 0.8 C, pulse: {every: 7 s, on: 2 s, low: 5 %}, ends: {time: 30 min}}
expect: {energy: `+limit+`}
`), scenarios.Env{})
		if err != nil {
			t.Fatal(err)
		}
		v, _ := judged(t, sc, func(link.Store) link.Logger { return &stepMeans{} })
		if *v.Pass != pass {
			t.Errorf("%s: pass %v, want %v: %s", limit, *v.Pass, pass, complaint(v))
		}
		names := []string{}
		for _, f := range v.Findings {
			if f.Severity == "failure" {
				names = append(names, f.Cause)
			}
		}
		if !pass && !slices.Equal(names, []string{"mean-energy"}) {
			t.Errorf("%s: named %v, want mean-energy: %s", limit, names, complaint(v))
		}
	}
}
