package model

import (
	"math"
	"math/rand/v2"
	"testing"
)

// TestBriefPanels: the short rule for brief panels agrees with the long one, over every pack, charged, at rest and discharged.
func TestBriefPanels(t *testing.T) {
	draw := rand.New(rand.NewPCG(1, 2))
	for _, name := range PackNames() {
		p := mustPack(t, name)
		c, err := NewCourse(p, Plan{
			{Kind: Discharge, Load: Load{Current: p.Amps(0.7)}, Ends: Ends{Time: 2000 * second}},
			{Kind: Rest, Ends: Ends{Time: 2000 * second}},
			{Kind: Charge, Load: Load{Current: p.Amps(0.1)}, Voltage: p.Volts(p.Levels.Absorb), Ends: Ends{Time: 14000 * second}},
			{Kind: Discharge, Load: Load{Power: p.Nominal() * p.Amps(0.3)}, Ends: Ends{Time: 2000 * second}},
		}, Options{})
		if err != nil {
			t.Fatal(err)
		}
		brief, all := 0, 0
		for !c.Done() {
			s := c.Next(c.Now() + 200e9)
			a := s.seconds(s.T0 + draw.Int64N(s.T1-s.T0))
			b := math.Min(s.seconds(s.T1), a+10*draw.Float64())
			if s.mixed || s.series == 0 || !(b > a) {
				continue
			}
			all++
			if end, is := s.panel(a, b); end == b && is {
				brief++
			}
			v, e := s.quadrature(a, b)
			v1, e1 := longRule(s.wave, a, b)
			near(t, name+" mean voltage", v/(b-a), v1/(b-a), 1e-12*math.Abs(v1)/(b-a))
			near(t, name+" mean power", e/(b-a), e1/(b-a), 1e-12*math.Abs(e1)/(b-a))
		}
		if p.Spread == (Spread{}) && 2*brief < all {
			t.Errorf("%s: %d of %d panels were brief", name, brief, all)
		}
	}
}

// longRule integrates by the five-point rule alone.
func longRule(w *wave, a, b float64) (volts, energy float64) {
	for s := a; s < b; {
		next, _ := w.panel(s, b)
		half, mid := (next-s)/2, (next+s)/2
		for _, g := range gauss {
			at := mid + half*g[0]
			x := w.core(at)
			volts += g[1] * half * x
			energy += g[1] * half * x * w.current(at)
		}
		s = next
	}
	return volts, energy
}

// TestPhi against the closed forms in more digits than they lose.
func TestPhi(t *testing.T) {
	for _, x := range []float64{-0.49, -0.099, -1e-9, 0, 1e-12, 0.0099, 0.01, 0.0999, 0.1, 0.3, 0.4999, 0.5, 3} {
		want1, want2, term := 0.0, 0.0, 1.0
		for n := range 60 { // far beyond what is needed
			want1 += term / float64(n+1)
			want2 += term / float64(n+2)
			term *= -x / float64(n+1)
		}
		p1, p2 := phi(x)
		near(t, "(1-e^-x)/x", p1, want1, 1e-15)
		near(t, "(1-(1+x)e^-x)/x^2", p2, want2, 1e-15)
	}
}

// TestLagIntegral: the closed form of a solution's integral against its parts by hand, and its moment against a fine sum.
func TestLagIntegral(t *testing.T) {
	l := lag{a: 1, b: 2, q: 3, c: 0.7, k: 0.5}
	from, d := 1.5, 2.0
	to := from + d
	plain, moment := l.integral(from, d)
	want := d + 2*(to*to-from*from)/2 + 3*(to*to*to-from*from*from)/3 + 0.7/0.5*(math.Exp(-0.5*from)-math.Exp(-0.5*to))
	near(t, "integral", plain, want, 1e-12)
	sum, n := 0.0, 20000
	for i := range n {
		s := from + d*(float64(i)+0.5)/float64(n)
		sum += (1 + 2*s + 3*s*s + 0.7*math.Exp(-0.5*s)) * (s - from) * d / float64(n)
	}
	near(t, "moment", moment, sum, 1e-7)
}

// TestPulsePhase: the phase is how far into its pulse a load is when its step begins.
func TestPulsePhase(t *testing.T) {
	l := Load{Current: 1, Period: 1000, On: 250, Phase: 100}
	for _, x := range []struct {
		t     int64
		share float64
		until int64
	}{{0, 1, 150}, {149, 1, 150}, {150, 0, 900}, {900, 1, 1150}} {
		if share, until := l.at(x.t); share != x.share || until != x.until {
			t.Errorf("at %d: %g until %d, want %g until %d", x.t, share, until, x.share, x.until)
		}
	}
}
