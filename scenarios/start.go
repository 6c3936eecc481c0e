package scenarios

import (
	"fmt"

	"stuntcell/model"
	"stuntcell/model/quantity"
)

const maxOdd = 100

// readStart reads how full and how warm the pack is at the beginning, which of its cells differ, and the store beside it.
func readStart(m *quantity.Map, pack *model.Pack) model.Options {
	var o model.Options
	if f, ok := m.Find("start"); ok {
		start := f.Map()
		if f, ok := start.Find("charge"); ok {
			o.Start = f.Quantity(quantity.Ratio, quantity.Between(0, 1))
			o.Empty = o.Start == 0
		}
		celsius := quantity.Between(233.15, 343.15)
		if f, ok := start.Find("ambient"); ok {
			o.Ambient = f.Quantity(quantity.Temperature, celsius)
		}
		if f, ok := start.Find("cells"); ok {
			o.Cell = f.Quantity(quantity.Temperature, celsius)
		}
		o.Isothermal = start.Bool("isothermal")
		for i, item := range start.List("odd") {
			if i >= maxOdd {
				item.Fail("too many odd cells", fmt.Sprintf("at most %d", maxOdd), "")
				break
			}
			o.Defects = append(o.Defects, readOdd(item.Map(), pack))
		}
		start.Done()
	}
	if f, ok := m.Find("store"); ok {
		o.Store = readStore(f.Map(), pack)
	}
	return o
}

// readOdd reads a cell that differs from the others of its pack.
func readOdd(m *quantity.Map, pack *model.Pack) model.Defect {
	factor := quantity.Between(0.01, 100)
	d := model.Defect{
		String: int(m.IntOr("string", 0, int64(pack.Parallel), 1)), Cell: int(m.Int("cell", 0, int64(pack.Series))),
		Capacity:   m.QuantityOr("capacity", quantity.Ratio, quantity.Between(0.01, 1), 0),
		Resistance: m.QuantityOr("resistance", quantity.Ratio, factor, 0),
		Charge:     m.QuantityOr("charge", quantity.Ratio, quantity.Between(-1, 0), 0),
		Short:      m.QuantityOr("short", quantity.Resistance, quantity.Above(0, 1e6), 0),
	}
	m.Done()
	return d
}

// readStore reads the store that takes the energy of a discharge and gives it back; its energies may be shares of the pack's rated
// energy, rated charge times nominal voltage.
func readStore(m *quantity.Map, pack *model.Pack) *model.Store {
	energy := func(f quantity.Field, r quantity.Range) float64 {
		v, ok := f.Value(quantity.Energy, quantity.Ratio)
		if !ok {
			return 0
		}
		if err := r.Check(v); err != nil {
			f.FailWith(err)
			return 0
		}
		if v.Kind == quantity.Ratio {
			return v.SI * pack.Rated.Charge * pack.Nominal()
		}
		return v.SI
	}
	s := &model.Store{Capacity: energy(m.Get("capacity"), quantity.Positive())}
	if f, ok := m.Find("level"); ok {
		s.Level = energy(f, quantity.NotNegative())
		if s.Level > s.Capacity {
			f.Fail("the store begins with more than it holds", "no more than its capacity", "")
		}
	}
	share := quantity.Above(0, 1)
	s.In = m.QuantityOr("in", quantity.Ratio, share, 1)
	s.Out = m.QuantityOr("out", quantity.Ratio, share, 1)
	s.Own = m.QuantityOr("own", quantity.Power, quantity.NotNegative(), 0)
	if f, ok := m.Find("grain"); ok {
		if v, ok := f.Value(quantity.Rate, quantity.Current); ok {
			if err := quantity.NotNegative().Check(v); err != nil {
				f.FailWith(err)
			}
			s.Grain = amperes(pack, v)
		}
	}
	m.Done()
	return s
}
