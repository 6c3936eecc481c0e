package model

import "math"

// point is how terminals answer at an instant: v = open + ohm·i, with what the direction of i makes of ohm.
type point struct{ open, ohmIn, ohmOut float64 }

func (p point) ohm(i float64) float64 {
	if i > 0 {
		return p.ohmIn
	}
	return p.ohmOut
}

func (p point) volts(i float64) float64 { return p.open + p.ohm(i)*i }

// amps solves the law at the point; ok is false if it has no solution: more power than E²/4R.
func (p point) amps(l law) (i float64, ok bool) {
	switch l.kind {
	case fixedVoltage:
		return (l.value - p.open) / p.ohm(l.value-p.open), true
	case fixedPower:
		// (E + R·i)·(i + draw) = P with the root that goes to zero with P.
		for _, R := range [...]float64{p.ohm(l.value), p.ohm(-l.value)} {
			b := p.open + R*l.draw
			d := b*b - 4*R*(p.open*l.draw-l.value)
			if d < 0 || p.open <= 0 {
				return 0, false
			}
			i = -2 * (p.open*l.draw - l.value) / (b + math.Sqrt(d))
			if (i > 0) == (R == p.ohmIn) || p.ohmIn == p.ohmOut {
				return i, true
			}
		}
		return i, true
	case fixedResistance:
		return -(p.open + l.draw*l.value) / (p.ohmOut + l.value), true
	}
	return l.value - l.draw, true
}

// wants is the current that the law wants at voltage v, and how fast it changes with v.
func (l *law) wants(v float64) (i, slope float64) {
	switch l.kind {
	case fixedPower:
		return l.value/v - l.draw, -l.value / (v * v)
	case fixedResistance:
		return -v/l.value - l.draw, -1 / l.value
	}
	return l.value - l.draw, 0
}
