package scenarios

import (
	"cmp"

	"stuntcell/model/quantity"
)

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

// or takes another's limits for what e does not set.
func (e Expect) or(other Expect) Expect {
	e.Charge, e.Energy = cmp.Or(e.Charge, other.Charge), cmp.Or(e.Energy, other.Energy)
	e.Elapsed, e.Interval = cmp.Or(e.Elapsed, other.Elapsed), cmp.Or(e.Interval, other.Interval)
	e.Clock, e.Cutoff = cmp.Or(e.Clock, other.Clock), cmp.Or(e.Cutoff, other.Cutoff)
	e.Total, e.Standard = cmp.Or(e.Total, other.Total), cmp.Or(e.Standard, other.Standard)
	e.Pulses = e.Pulses || other.Pulses
	return e
}
