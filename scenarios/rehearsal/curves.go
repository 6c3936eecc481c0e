package rehearsal

import (
	"math"
	"strconv"

	"stuntcell/model"
	"stuntcell/scenarios/picture"
)

// curves keep the course of a plan for a picture.
type curves struct {
	voltage, current, charge, celsius picture.Envelope
	moved                             float64 // since the plan began [A·s]
}

// Between two instants at which something changes the course is smooth: so many points of it make a curve.
const (
	pointsPerSpan = 200
	closest       = int64(1e9) // two points of one span [ns]
)

// see takes a span.
func (c *curves) see(s *model.Span) {
	every := max((s.T1-s.T0)/pointsPerSpan, closest)
	for t := s.T0; ; t = min(t+every, s.T1) {
		x := seconds(t)
		c.voltage.Add(x, s.Voltage(t))
		c.current.Add(x, s.Current(t))
		c.charge.Add(x, (c.moved+s.Charge(s.T0, t))/hours)
		c.celsius.Add(x, s.Temperature(t)-kelvin)
		if t == s.T1 {
			break
		}
	}
	c.moved += s.Charge(s.T0, s.T1)
}

// mostMarks is how many steps a picture can name.
const mostMarks = 12

// Picture draws the truth of the plan: voltage with the level that ends a discharge, current, charge and the temperature of the cells.
func (r *Rehearsal) Picture() *picture.Picture {
	panel := func(label string, e *picture.Envelope) picture.Panel {
		return picture.Panel{Label: label, Curves: []picture.Curve{{Points: e.Points(1)}}}
	}
	c := &r.curves
	p := &picture.Picture{Title: r.Scenario + ", " + r.Pack.Name + ": a simulation", Panels: []picture.Panel{
		panel("voltage [V]", &c.voltage), panel("current [A], + in", &c.current), panel("charge [Ah]", &c.charge), panel("cells [degC]", &c.celsius),
	}}
	// Levels near to each other, as those of several steps, are one line.
	var last float64
	for _, s := range r.Steps {
		if s.level > 0 && math.Abs(s.level-last) > 1e-3*s.level {
			p.Panels[0].Levels = append(p.Panels[0].Levels, picture.Level{Name: "end " + strconv.FormatFloat(s.level, 'f', 2, 64) + " V", Y: s.level})
			last = s.level
		}
	}
	if len(r.Steps) <= mostMarks {
		for _, s := range r.Steps[min(1, len(r.Steps)):] {
			p.Marks = append(p.Marks, picture.Mark{X: s.Begin, Name: s.Kind})
		}
	}
	return p
}
