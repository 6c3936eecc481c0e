package audit

import "stuntcell/scenarios/picture"

// Sketch keeps the course of a log for a picture, in memory that does not grow with it. Give its Row method to Options.Row.
type Sketch struct {
	voltage, current, charge picture.Envelope
}

// Row takes a row.
func (s *Sketch) Row(r Row) {
	if r.Out || r.Time < 0 {
		return
	}
	s.voltage.Add(r.Time, r.Voltage)
	s.current.Add(r.Time, r.Current)
	s.charge.Add(r.Time, r.Charge)
}

// Picture draws voltage, current and charge over time, one above the other. sign makes charge positive (Report.Sign).
func (s *Sketch) Picture(title string, sign int8) *picture.Picture {
	panel := func(label string, e *picture.Envelope, scale float64) picture.Panel {
		return picture.Panel{Label: label, Curves: []picture.Curve{{Points: e.Points(scale)}}}
	}
	into := float64(sign)
	return &picture.Picture{Title: title, Panels: []picture.Panel{
		panel("voltage [V]", &s.voltage, 1),
		panel("current [A], + in", &s.current, into),
		panel("charge [Ah]", &s.charge, into/3600),
	}}
}
