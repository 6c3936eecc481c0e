package lesson

import (
	"fmt"

	"stuntcell/model/quantity"
	"stuntcell/scenarios/picture"
)

func (p *parser) picture(m *quantity.Map) {
	out := &p.l.picture
	out.over = overTime
	if f, ok := m.Find("over"); ok {
		out.over = f.Word(overTime, overCharge, overRigs)
	}
	unit, hasUnit := m.Find("unit")
	switch {
	case out.over == overTime && hasUnit:
		unit.Fail("time has its own unit", "unit only over charge or rigs", "")
	case out.over == overCharge:
		out.unit = p.unit(m.Get("unit"), quantity.Charge)
	case out.over == overRigs:
		out.unit = p.unit(m.Get("unit"), quantity.Ratio)
	}
	out.from = m.NanosecondsOr("from", quantity.Between(0, 10*365*86400), 0)
	out.to = m.NanosecondsOr("to", quantity.Above(0, 10*365*86400), 0)
	if out.to != 0 && out.to <= out.from {
		m.Fail("to", "the picture ends before it begins", "a later instant than from", "")
	}
	for _, item := range m.List("marks") {
		k := item.Map()
		at := k.Get("at").Nanoseconds(quantity.Between(0, 10*365*86400))
		out.marks = append(out.marks, picture.Mark{X: float64(at) * 1e-9, Name: p.line(k.Get("say"), 30)})
		k.Done()
		if out.over != overTime {
			item.Fail("a mark is an instant", "marks only over time", "")
		}
	}
	panels := m.Get("panels")
	list := panels.List()
	if panels.IsList() && (len(list) == 0 || len(list) > maxPanels) {
		panels.Fail(fmt.Sprintf("a picture of %d panels", len(list)), fmt.Sprintf("1 to %d", maxPanels), "")
		list = nil
	}
	for _, item := range list {
		p.panel(item.Map())
	}
	m.Done()
}

func (p *parser) panel(m *quantity.Map) {
	var out panelPlan
	if y := m.Get("y"); y.Present() {
		if pair := y.List(); len(pair) == 2 {
			out.label, out.unit = p.line(pair[0], 30), p.unit(pair[1], axisUnits...)
		} else if y.IsList() {
			y.Fail("y is not two texts", "label and unit, such as [voltage, V]", "")
		}
	}
	for _, item := range m.List("levels") {
		k := item.Map()
		if v, ok := k.Get("at").Value(axisUnits...); ok && out.unit != "" {
			if unit, err := quantity.Parse("1 "+out.unit, axisUnits...); err == nil && unit.Kind != v.Kind {
				item.Fail("a level that is not of the kind of its axis", "a quantity in "+out.unit, "")
			}
			out.levels = append(out.levels, picture.Level{Y: v.SI / unitSize(out.unit), Name: p.line(k.Get("say"), 30)})
		}
		k.Done()
	}
	curves := m.Get("curves")
	list := curves.List()
	if curves.IsList() && (len(list) == 0 || len(list) > maxCurves) {
		curves.Fail(fmt.Sprintf("a panel of %d curves", len(list)), fmt.Sprintf("1 to %d", maxCurves), "")
		list = nil
	}
	for _, item := range list {
		out.curves = append(out.curves, p.curve(item.Map(), out.unit))
	}
	m.Done()
	p.l.picture.panels = append(p.l.picture.panels, out)
}

// axisUnits are the kinds that an axis may have.
var axisUnits = []quantity.Kind{quantity.Current, quantity.Voltage, quantity.Charge, quantity.Energy, quantity.Time, quantity.Ratio}

func (p *parser) unit(f quantity.Field, kinds ...quantity.Kind) string {
	s := f.Text()
	if f.IsText() {
		if _, err := quantity.Parse("1 "+s, kinds...); err != nil {
			f.FailWith(err)
		}
	}
	return s
}

// curve reads a curve of a panel whose vertical axis has the unit.
func (p *parser) curve(m *quantity.Map, unit string) curvePlan {
	c := curvePlan{name: p.line(m.Get("say"), 40), dots: m.Bool("dots")}
	if p.l.picture.over == overRigs {
		var drawn []string
		for _, name := range p.figureNames() {
			if p.many[name] {
				drawn = append(drawn, name)
			}
		}
		c.figure = p.known(m.Get("figure"), "figure of drawn rigs", drawn)
		m.Done()
		return c
	}
	run, isRun := m.Find("run")
	meter, isMeter := m.Find("meter")
	of := m.Get("of")
	switch {
	case isRun == isMeter:
		m.Fail("", "a curve of neither or both of a run and a meter", "exactly one of run, meter", "")
	case isRun:
		if c.run = p.known(run, "run", p.runNames()); p.isMany(c.run) {
			run.Fail("a curve of drawn rigs", "a run of one rig", "")
		}
		c.of = of.Word(runCurves...)
	default:
		if c.meter = p.known(meter, "meter", p.meterNames()); p.meterIsMany(c.meter) {
			meter.Fail("a curve of drawn rigs", "a meter of one rig", "")
		}
		c.of = of.Word(meterCurves...)
	}
	m.Done()
	if c.of != "" && unit != "" {
		if v, err := quantity.Parse("1 "+unit, axisUnits...); err == nil && v.Kind != curveKind(c.of) {
			of.Fail(fmt.Sprintf("%s is not measured in %s", c.of, unit), "curves of the kind of their axis", "")
		}
	}
	return c
}

// curveKind is what a curve measures.
func curveKind(of string) quantity.Kind {
	switch of {
	case "current", "current-error":
		return quantity.Current
	case "voltage", "voltage-error":
		return quantity.Voltage
	case "charge", "charge-error":
		return quantity.Charge
	case "energy", "energy-error":
		return quantity.Energy
	}
	return quantity.Time
}
