package validate_test

import (
	"fmt"
	"testing"

	"stuntcell/emulator/link"
	"stuntcell/scenarios"
	"stuntcell/validate/verdict"
)

// Limits of JUDGING.md whose size the built-in mistakes do not feel: each is approached from both sides.

// TestElapsedLimit: an elapsed column may run off by 0.05 % of what it shows, and by no more.
func TestElapsedLimit(t *testing.T) {
	for ppm, want := range map[float64]bool{0: true, 300: true, -300: true, 1000: false, -1000: false} {
		c := checked(t, named(t, "discharge-20h"), "elapsed", habit{row: func(l *habitual, r *link.Reading) string {
			return fmt.Sprintf("%.3f,%.3f,%.4f,%.5f,%.4f", l.up*(1+ppm*1e-6), l.v, l.i, l.q/3600, l.e/3600)
		}, header: "s,V,A,Ah,Wh"})
		if c.Pass == nil || *c.Pass != want {
			t.Errorf("off by %g ppm: %+v, want it to pass: %v", ppm, c, want)
		}
	}
}

// TestEnvelope: what a row shows may be as old as 30 s. A reading of 20 s before is healthy there, one of 3 minutes before is not. With ten
// readings a second and a row a second, neither the log interval nor the least number of readings reaches so far back.
func TestEnvelope(t *testing.T) {
	sc, err := scenarios.Parse("steps.yaml", []byte(`scenario: steps
summary: A load that changes each minute, read ten times a second.
plan:
  - {discharge: 0.1 C, pulse: {every: 2 min, on: 1 min, low: 20 %}, ends: {time: 30 min}}
settings: {log: 1 s}
rig: {readings: {nominal: 100 ms}}
`), scenarios.Env{})
	if err != nil {
		t.Fatal(err)
	}
	for readings, want := range map[int]bool{0: true, 200: true, 1800: false} {
		var amps, volts []float64
		c := checked(t, sc, "values", habit{read: func(l *habitual, r *link.Reading) {
			amps, volts = append(amps, l.i), append(volts, l.v)
		}, row: func(l *habitual, r *link.Reading) string {
			k := max(len(amps)-1-readings, 0)
			return fmt.Sprintf("%.3f,%.3f,%.4f,%.5f,%.4f", l.up, volts[k], amps[k], l.q/3600, l.e/3600)
		}, header: "s,V,A,Ah,Wh"})
		if c.Pass == nil || *c.Pass != want {
			t.Errorf("values of %d readings before: %+v, want it to pass: %v", readings, c, want)
		}
	}
}

// checked is one of the checks of a logger of this habit.
func checked(t *testing.T, sc *scenarios.Scenario, name string, h habit) verdict.Check {
	t.Helper()
	v, _ := judged(t, sc, func(link.Store) link.Logger { return &habitual{habit: h} })
	for _, c := range v.Checks {
		if c.Name == name {
			return c
		}
	}
	t.Fatalf("no check %s", name)
	return verdict.Check{}
}
