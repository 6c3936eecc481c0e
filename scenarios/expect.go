package scenarios

import "stuntcell/model/quantity"

// readExpect reads limits: the name of a standard, or a mapping.
func readExpect(f quantity.Field) Expect {
	var e Expect
	names := make([]string, 0, len(Standards()))
	for _, s := range Standards() {
		names = append(names, string(s))
	}
	if f.IsText() {
		e.Standard = Standard(f.Word(names...))
		return e
	}
	m := f.Map()
	if f, ok := m.Find("standard"); ok {
		e.Standard = Standard(f.Word(names...))
	}
	ratio := quantity.Above(0, 1)
	e.Charge = m.QuantityOr("charge", quantity.Ratio, ratio, 0)
	e.Energy = m.QuantityOr("energy", quantity.Ratio, ratio, 0)
	e.Elapsed = m.QuantityOr("elapsed", quantity.Ratio, ratio, 0)
	e.Interval = m.QuantityOr("interval", quantity.Ratio, ratio, 0)
	e.Cutoff = m.QuantityOr("cutoff", quantity.Ratio, ratio, 0)
	e.Total = m.QuantityOr("total", quantity.Ratio, ratio, 0)
	e.Clock = m.NanosecondsOr("clock", quantity.Above(0, 86400), 0)
	e.Pulses = m.Bool("pulses")
	m.Done()
	return e
}
