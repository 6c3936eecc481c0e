package model

import (
	"math"
	"testing"
)

// hour and second in ns.
const (
	hour   = 3600 * second
	second = int64(1e9)
)

// mustPack returns a pack on board.
func mustPack(t testing.TB, name string) *Pack {
	t.Helper()
	p, err := PackByName(name)
	if err != nil {
		t.Fatal(err)
	}
	return p
}

// mustCurve is a curve through points that are known to be good.
func mustCurve(x, y []float64) Curve {
	k, err := NewCurve(x, y)
	if err != nil {
		panic(err)
	}
	return k
}

// plainPack is one cell without rate effect, temperature or side currents: the bare circuit. Its OCV bends, its R0 depends on charge and
// sign.
func plainPack() *Pack {
	return &Pack{
		Name: "plain", Series: 1, Parallel: 1, Health: 1, Rate: Rate{Model: NoRate},
		Rated: Rating{Charge: 3 * 3600, Hours: 20 * 3600, End: 3.0},
		Cell: Cell{
			OCV:        mustCurve([]float64{0, 0.05, 0.1, 0.3, 0.6, 0.9, 1}, []float64{2.5, 3.2, 3.4, 3.6, 3.75, 4.0, 4.2}),
			Capacity:   3 * 3600,
			Resistance: 0.02, Discharging: mustCurve([]float64{0, 0.2, 1}, []float64{2, 1.1, 1}), Charging: mustCurve([]float64{0, 0.8, 1}, []float64{1, 1.2, 2}),
			Pairs:     []Pair{{0.015, 8}, {0.03, 300}},
			Reference: 298.15,
		},
	}
}

// play runs the plan to its end without polling.
func play(t testing.TB, p *Pack, plan Plan, o Options) *Course {
	t.Helper()
	c, err := NewCourse(p, plan, o)
	if err != nil {
		t.Fatal(err)
	}
	for n := 0; !c.Done(); n++ {
		if n > 300000 {
			t.Fatalf("no end in sight after %d spans at %d ns", n, c.Now())
		}
		before := c.Now()
		s := c.Next(never)
		if !c.Done() && s.T1 <= before {
			t.Fatalf("no progress at %d ns", before)
		}
	}
	return c
}

// near fails unless got is within tol of want.
func near(t testing.TB, what string, got, want, tol float64) {
	t.Helper()
	if !(math.Abs(got-want) <= tol) {
		t.Errorf("%s: %.12g, want %.12g within %g", what, got, want, tol)
	}
}
