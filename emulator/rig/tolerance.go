package rig

import "stuntcell/model/quantity"

// Tolerance is how far the parts of a real rig may lie from what its file says, to either side: the labels and data sheets that its
// owner knows. 0 is not stated. A simulation takes no notice of it; an uncertainty budget does, and so does [Rig.Spreads].
type Tolerance struct {
	Shunt     float64 // of the shunt's value, relative: its label, or what a calibration left
	TempCo    float64 // of its temperature coefficient, relative a kelvin
	Ambient   float64 // its surroundings in the test against those in which it was calibrated [K]
	Gain      float64 // of the shunt channel, relative
	Offset    float64 // of the shunt channel [V]
	Drift     float64 // of that offset [V/s]
	Thermal   float64 // thermal voltages at the shunt's joints [V]
	BusGain   float64 // of the voltage channel, relative
	BusOffset float64 // of the voltage channel [V]
	Tick      float64 // of the counter's rate, relative
	Lead      float64 // of the lead's resistance [ohm]
	Draw      float64 // of the rig's own draw [A]
	Bypass    float64 // of the share that goes around the shunt
	// Reference is the correlation of the two gains, 0 to 1, if both hang on one voltage reference.
	Reference float64
}

func (t *Tolerance) read(m *quantity.Map) {
	of := func(key string, k quantity.Kind, most float64, to *float64) {
		*to = m.QuantityOr(key, k, quantity.Above(0, most), *to)
	}
	of("shunt", quantity.Ratio, 0.5, &t.Shunt)
	of("tempco", quantity.RatioPerKelvin, 0.01, &t.TempCo)
	of("ambient", quantity.Difference, 100, &t.Ambient)
	of("shunt_gain", quantity.Ratio, 0.5, &t.Gain)
	of("shunt_offset", quantity.Voltage, 10, &t.Offset)
	of("drift", quantity.VoltagePerTime, 1e-3, &t.Drift)
	of("thermal", quantity.Voltage, 0.1, &t.Thermal)
	of("bus_gain", quantity.Ratio, 0.5, &t.BusGain)
	of("bus_offset", quantity.Voltage, 10, &t.BusOffset)
	of("tick", quantity.Ratio, 0.1, &t.Tick)
	of("lead", quantity.Resistance, 10, &t.Lead)
	of("draw", quantity.Current, 10, &t.Draw)
	of("bypass", quantity.Ratio, 0.9, &t.Bypass)
	if f, ok := m.Find("reference"); ok {
		t.Reference = f.Number(quantity.Between(0, 1))
	}
}

// Spread is one stated tolerance of a rig, as something that can be tried.
type Spread struct {
	Name string // its key in a rig file
	move func(r *Rig, share float64)
}

// Move brings a rig to a share of the tolerance, -1 to 1. A lead, a draw and a bypass end at zero.
func (s Spread) Move(r *Rig, share float64) { s.move(r, share) }

// Spreads lists the tolerances that the rig states and that can act on its readings: one of a bypass acts around a low-side shunt only.
func (r *Rig) Spreads() []Spread {
	t := r.Tolerance
	var out []Spread
	add := func(name string, half float64, move func(r *Rig, d float64)) {
		if half > 0 {
			out = append(out, Spread{name, func(r *Rig, share float64) { move(r, share*half) }})
		}
	}
	add("shunt", t.Shunt, func(r *Rig, d float64) { r.Shunt.Error += d })
	add("tempco", t.TempCo, func(r *Rig, d float64) { r.Shunt.TempCo += d })
	// Other surroundings are another resistance of the shunt; the pack stays as warm as the scenario has it.
	add("ambient", t.Ambient, func(r *Rig, d float64) { r.Shunt.Error += r.Shunt.TempCo * d })
	add("shunt_gain", t.Gain, func(r *Rig, d float64) { r.Front.ShuntGain += d })
	add("shunt_offset", t.Offset, func(r *Rig, d float64) { r.Front.ShuntOffset += d })
	add("drift", t.Drift, func(r *Rig, d float64) { r.Front.DriftPerDay += 86400 * d })
	add("thermal", t.Thermal, func(r *Rig, d float64) { r.Front.ShuntOffset += d })
	add("bus_gain", t.BusGain, func(r *Rig, d float64) { r.Front.BusGain += d })
	add("bus_offset", t.BusOffset, func(r *Rig, d float64) { r.Front.BusOffset += d })
	add("tick", t.Tick, func(r *Rig, d float64) { r.Tick.PPM += 1e6 * d })
	add("lead", t.Lead, func(r *Rig, d float64) { r.Wiring.Lead = max(r.Wiring.Lead+d, 0) })
	add("draw", t.Draw, func(r *Rig, d float64) { r.Wiring.Draw = max(r.Wiring.Draw+d, 0) })
	if r.Shunt.Low {
		add("bypass", t.Bypass, func(r *Rig, d float64) { r.Wiring.Bypass = min(max(r.Wiring.Bypass+d, 0), 0.9) })
	}
	return out
}
