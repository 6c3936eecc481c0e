package model

import (
	"math"
	"testing"
)

// warmReference is the whole model of a uniform cell by Runge-Kutta of the fourth order in small steps, temperature, Peukert's unavailable
// charge and self-discharge included: written from the equations, without closed forms.
func warmReference(p *Pack, current func(v float64) float64, start, ambient, seconds, h float64) (v, T, z float64) {
	k := &p.Cell
	type state [7]float64 // z, u, v1..v3, T
	volts := func(s state, i float64) float64 {
		y := s[0] - s[1]
		v := k.OCV.At(y) + k.OCVPerKelvin*(s[5]-k.Reference) + k.Resistance*k.warmth(s[5])*k.factor(i > 0).At(y)*i
		return v + s[2] + s[3] + s[4]
	}
	solve := func(s state) float64 {
		low, high := -60.0, 60.0
		for range 60 {
			i := (low + high) / 2
			if i > current(volts(s, i)) {
				high = i
			} else {
				low = i
			}
		}
		return low
	}
	rate := func(s state) state {
		i := solve(s)
		var d state
		side := k.leakage(s[5]) * s[0] * k.Capacity
		d[0] = (i - side) / k.Capacity
		g := p.gain(-i, s[5])
		d[1] = g*-i/k.Capacity + (g*(1-s[0])-s[1])/p.Rate.Recovery
		warm := k.warmth(s[5])
		y := s[0] - s[1]
		heat := i*i*k.Resistance*warm*k.factor(i > 0).At(y) + side*k.OCV.At(y)
		for n, pair := range k.Pairs {
			d[2+n] = (i*pair.Resistance*warm - s[2+n]) / pair.Tau
			heat += s[2+n] * s[2+n] / (pair.Resistance * warm)
		}
		d[5] = (heat - (s[5]-ambient)/p.Heat.Resistance) / p.Heat.Capacity
		return d
	}
	plus := func(s, d state, h float64) state {
		for n := range s {
			s[n] += h * d[n]
		}
		return s
	}
	s := state{start, 0, 0, 0, 0, ambient}
	for n := 0; n < int(math.Round(seconds/h)); n++ {
		k1 := rate(s)
		k2 := rate(plus(s, k1, h/2))
		k3 := rate(plus(s, k2, h/2))
		k4 := rate(plus(s, k3, h))
		s = plus(plus(plus(plus(s, k1, h/6), k2, h/3), k3, h/3), k4, h/6)
	}
	return volts(s, solve(s)), s[5], s[0]
}

// coupled is a cell in which everything depends on everything.
func coupled() *Pack {
	p := plainPack()
	p.Rate = Rate{Model: Peukert, K: 1.12, Recovery: 900}
	p.CapacityPerKelvin, p.CapacityPerKelvinFast = 0.006, 0.01
	p.Cell.ResistancePerKelvin, p.Cell.OCVPerKelvin, p.Cell.SelfDischarge = 0.02, 0.0005, 1e-7
	p.Cell.Capacity *= 1.15
	p.Heat = Heat{60, 6}
	return p
}

// TestCoupledCaseAgainstSmallSteps: current, power and resistance with self-heating, in the cold.
func TestCoupledCaseAgainstSmallSteps(t *testing.T) {
	for _, x := range []struct {
		name string
		load Load
		law  func(v float64) float64
	}{
		{"current", Load{Current: 3}, func(float64) float64 { return -3 }},
		{"power", Load{Power: 10}, func(v float64) float64 { return -10 / v }},
		{"resistance", Load{Resistance: 1.3}, func(v float64) float64 { return -v / 1.3 }},
	} {
		p := coupled()
		c := play(t, p, Plan{{Kind: Discharge, Load: x.load, Ends: Ends{Time: 1500 * second}}}, Options{Ambient: 283.15})
		v, T, z := warmReference(p, x.law, 1, 283.15, 1500, 0.5)
		e := c.Ended()[0]
		t.Logf("%s: %.6f V and %.4f K, small steps %.6f V and %.4f K", x.name, e.EndV, c.T, v, T)
		near(t, x.name+" voltage", e.EndV, v, 3e-4)
		near(t, x.name+" temperature", c.T, T, 5e-3)
		near(t, x.name+" charge", c.StateOfCharge(), z, 1e-5)
	}
}

// TestOrderOfConvergence: halving the stretches divides the error of the coupled case by about four.
func TestOrderOfConvergence(t *testing.T) {
	p := coupled()
	run := func(most float64) float64 {
		c := play(t, p, Plan{{Kind: Discharge, Load: Load{Current: 3}, Ends: Ends{Time: 1280 * second}}}, Options{Ambient: 283.15, most: most})
		return c.Ended()[0].EndV
	}
	exact := run(0.05)
	coarse, fine := math.Abs(run(2)-exact), math.Abs(run(1)-exact)
	order := math.Log2(coarse / fine)
	t.Logf("errors %.3g V and %.3g V: order %.2f", coarse, fine, order)
	if order < 1.7 {
		t.Errorf("order %.2f, want about 2", order)
	}
}
