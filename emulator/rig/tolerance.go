package rig

import "stuntcell/model/quantity"

// Tolerance is how far the parts of a real rig may lie from what its file says, to either side: the labels and data sheets that its
// owner knows. 0 is not stated. A simulation takes no notice of it; an uncertainty budget does.
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
