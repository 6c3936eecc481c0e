package lesson

import (
	"fmt"
	"math"
	"slices"

	"stuntcell/model/quantity"
)

func (p *parser) figureNames() []string {
	var names []string
	for _, f := range p.l.figures {
		names = append(names, f.name)
	}
	return names
}

// single lists the figures that are one number.
func (p *parser) single() []string {
	return slices.DeleteFunc(p.figureNames(), func(name string) bool { return p.many[name] })
}

func (p *parser) figures(f quantity.Field) {
	p.many = map[string]bool{}
	all, names := p.names(f, maxFigures)
	for _, name := range names {
		field, _ := all.Find(name)
		p.figure(name, field)
	}
}

// figureUnits are the kinds that a figure may have.
var figureUnits = []quantity.Kind{quantity.Current, quantity.Voltage, quantity.Resistance, quantity.Time, quantity.Charge, quantity.Energy, quantity.Power,
	quantity.Frequency, quantity.Difference, quantity.Ratio}

// figure reads how one figure is made.
func (p *parser) figure(name string, f quantity.Field) {
	m := f.Map()
	x := figure{name: name, digits: int(m.Int("digits", 0, 9))}
	x.line, x.col = f.Place()
	if f, ok := m.Find("say"); ok {
		x.label = p.line(f, 60)
	}
	unit := m.Get("unit")
	if x.unit = unit.Text(); x.unit == "none" {
		x.unit = ""
	} else if v, err := quantity.Parse("1 "+x.unit, figureUnits...); err != nil {
		if x.unmeasured = true; unit.IsText() {
			unit.FailWith(err)
		}
	} else {
		x.kind = v.Kind
	}
	have, ok := p.maker(m, &x)
	m.Done()
	if want, _ := dimension(x.kind); ok && p.doc.Err() == nil && have != want {
		unit.Fail(fmt.Sprintf("%s is not measured in %s", name, unit.Text()), "a unit of what it is", "")
	}
	p.l.figures = append(p.l.figures, x)
}

// maker reads what makes a figure and returns its dimension.
func (p *parser) maker(m *quantity.Map, x *figure) (dim [4]int, ok bool) {
	above, single := p.figureNames(), p.single()
	var ways int
	find := func(key string) (quantity.Field, bool) {
		f, ok := m.Find(key)
		if ok {
			ways++
		}
		return f, ok && ways == 1
	}
	if f, is := find("take"); is {
		dim, ok = p.take(f, m, x)
	}
	if f, is := find("value"); is {
		if v, good := f.Value(figureUnits...); good {
			dim, ok = dimension(v.Kind)
			x.make = func(*bench) ([]float64, error) { return []float64{v.SI}, nil }
		}
	}
	for _, op := range operations {
		if f, is := find(op.name); is {
			dim, ok = p.operation(op, f, x)
		}
	}
	if f, is := find("size"); is {
		of := p.known(f, "figure", above)
		dim, ok = p.dimensionOf(of)
		p.many[x.name] = p.many[of]
		x.make = each(of, math.Abs)
	}
	if f, is := find("root"); is {
		of := p.known(f, "figure", above)
		dim, ok = p.dimensionOf(of)
		for i := range dim {
			if dim[i]%2 != 0 {
				f.Fail(fmt.Sprintf("the square root of %s has no unit", of), "a figure of a squared unit, or a ratio", "")
				return dim, false
			}
			dim[i] /= 2
		}
		p.many[x.name] = p.many[of]
		x.make = each(of, math.Sqrt)
	}
	if f, is := find("spread"); is {
		var drawn []string
		for _, name := range above {
			if !slices.Contains(single, name) {
				drawn = append(drawn, name)
			}
		}
		of := p.known(f, "figure of drawn rigs", drawn)
		share := m.Quantity("share", quantity.Ratio, quantity.Between(0.01, 1))
		dim, ok = p.dimensionOf(of)
		x.make = func(b *bench) ([]float64, error) { return []float64{halfWidth(b.values[of], share)}, nil }
	}
	if ways != 1 {
		m.Fail("", fmt.Sprintf("figure %s is made in %d ways", x.name, ways), "exactly one of take, value, plus, minus, times, over, size, root, spread", "")
		for _, key := range [...]string{"run", "meter", "step", "at", "share"} {
			m.Find(key) // known, so that one mistake is one message
		}
		return dim, false
	}
	return dim, ok
}

// each makes a figure of every value of another.
func each(of string, f func(float64) float64) maker {
	return func(b *bench) ([]float64, error) {
		out := make([]float64, len(b.values[of]))
		for i, v := range b.values[of] {
			out[i] = f(v)
		}
		return out, nil
	}
}

// dimensionOf is that of a figure which has been read.
func (p *parser) dimensionOf(name string) ([4]int, bool) {
	for _, f := range p.l.figures {
		if f.name == name {
			return dimension(f.kind)
		}
	}
	return [4]int{}, false
}

// take reads a figure that a run or a meter gives.
func (p *parser) take(f quantity.Field, m *quantity.Map, x *figure) (dim [4]int, ok bool) {
	runField, isRun := m.Find("run")
	meterField, isMeter := m.Find("meter")
	if isRun == isMeter {
		f.Fail("take is of one run or of one meter", "exactly one of run, meter beside it", "")
		m.Find("step")
		m.Find("at")
		return dim, false
	}
	word := f.Word(takeNames(isMeter)...)
	t := findTake(word, isMeter)
	if isMeter {
		name := p.known(meterField, "meter", p.meterNames())
		p.many[x.name] = p.meterIsMany(name)
		if t == nil {
			return dim, false
		}
		x.make = func(b *bench) ([]float64, error) {
			var out []float64
			for _, tally := range b.tally(name) {
				v, err := t.meter(tally)
				if err != nil {
					return nil, err
				}
				out = append(out, v)
			}
			return out, nil
		}
		return dimension(t.kind)
	}
	name := p.known(runField, "run", p.runNames())
	p.many[x.name] = p.isMany(name)
	step := int(m.IntOr("step", 1, 1000, 0))
	at, hasAt := m.Find("at")
	instant := int64(0)
	if hasAt {
		instant = at.Nanoseconds(quantity.Between(0, 10*365*86400))
	}
	if t == nil {
		return dim, false
	}
	if instantaneous := word == "voltage" || word == "current"; instantaneous != hasAt {
		f.Fail("at goes with voltage and current, which are those of an instant", "take: voltage with at: 10 min", "end-voltage, lowest-voltage and the like need none")
	}
	x.make = func(b *bench) ([]float64, error) {
		var out []float64
		for _, rec := range b.records[name] {
			v, err := t.run(rec, step, instant)
			if err != nil {
				return nil, err
			}
			out = append(out, v)
		}
		return out, nil
	}
	return dimension(t.kind)
}

// operation is a way to make a figure of two.
type operation struct {
	name string
	do   func(a, b float64) float64
	// powers is by what the dimension of the second counts; 0: both must be the same.
	powers int
}

var operations = []operation{
	{"plus", func(a, b float64) float64 { return a + b }, 0},
	{"minus", func(a, b float64) float64 { return a - b }, 0},
	{"times", func(a, b float64) float64 { return a * b }, 1},
	{"over", func(a, b float64) float64 { return a / b }, -1},
}

func (p *parser) operation(op operation, f quantity.Field, x *figure) (dim [4]int, ok bool) {
	pair := f.List()
	if len(pair) != 2 {
		if f.IsList() {
			f.Fail(fmt.Sprintf("%s of %d figures", op.name, len(pair)), "two figures above it, such as [fast, slow]", "")
		}
		return dim, false
	}
	a, b := p.known(pair[0], "figure", p.figureNames()), p.known(pair[1], "figure", p.figureNames())
	da, okA := p.dimensionOf(a)
	db, okB := p.dimensionOf(b)
	if !okA || !okB {
		return dim, false
	}
	if op.powers == 0 && da != db {
		f.Fail(fmt.Sprintf("%s and %s are not of one kind", a, b), "two figures of one kind", "")
		return dim, false
	}
	for i := range da {
		dim[i] = da[i] + op.powers*db[i]
	}
	p.many[x.name] = p.many[a] || p.many[b]
	x.make = combine(op.do, a, b)
	return dim, true
}

// find returns a figure that has been read, nil if there is none or nobody knows what it measures.
func (p *parser) find(name string) *figure {
	for i := range p.l.figures {
		if p.l.figures[i].name == name && !p.l.figures[i].unmeasured {
			return &p.l.figures[i]
		}
	}
	return nil
}
