package validate_test

import (
	"math"
	"testing"

	"stuntcell/emulator/link"
)

// keeping is a habitual logger whose totals outlast a power cut, as kept makes them.
type keeping struct {
	habitual
	totals *[2]float64
	kept   func(float64) float64
}

func (l *keeping) Greet(g *link.Greeting, a *link.Answer) {
	l.g, l.below = g, -1
	l.q, l.e = l.totals[0], l.totals[1]
	a.Tell(link.Cannot, "load")
	a.Row("time,s,V,A,Ah,Wh")
}

func (l *keeping) Read(r *link.Reading, a *link.Answer) {
	l.habitual.Read(r, a)
	l.totals[0], l.totals[1] = l.kept(l.q), l.kept(l.e)
}

// TestTotalsThatComeBackWithoutSign: after the restart a total goes on from the other side of zero.
func TestTotalsThatComeBackWithoutSign(t *testing.T) {
	for name, tc := range map[string]struct {
		kept func(float64) float64
		want string
	}{
		"as they were": {func(x float64) float64 { return x }, ""},
		"without sign": {math.Abs, "restart-loss"},
	} {
		var totals [2]float64
		v, _ := judged(t, named(t, "power-cut-mid-discharge"), func(link.Store) link.Logger { return &keeping{totals: &totals, kept: tc.kept} })
		got := ""
		if !*v.Pass && len(v.Findings) > 0 {
			got = v.Findings[0].Cause
		}
		if got != tc.want {
			t.Errorf("%s: named %q, want %q", name, got, tc.want)
		}
	}
}
