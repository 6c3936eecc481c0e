package lesson

import (
	"context"
	"fmt"
	"math"
	"slices"
	"strconv"

	"stuntcell/emulator"
	"stuntcell/model/quantity"
)

// Figure is a figure of a lesson as a run gave it.
type Figure struct {
	// Name is that of the file, Label what it is called in a table; a figure without a label only serves others.
	Name, Label string
	// SI is its value, of the kind Kind; NaN never.
	Kind quantity.Kind
	SI   float64
	// Unit and Digits say how it is shown: so many decimals of the unit.
	Unit   string
	Digits int
}

// Number is the value in the figure's unit.
func (f Figure) Number() float64 { return f.SI / unitSize(f.Unit) }

// String shows the figure with its unit: "87.06 Ah".
func (f Figure) String() string { return show(f.SI, f.Unit, f.Digits) }

// show writes an SI value in a unit with so many decimals.
func show(si float64, unit string, digits int) string {
	s := strconv.FormatFloat(si/unitSize(unit), 'f', digits, 64)
	if negated := s[0] == '-'; negated && isZero(s[1:]) {
		s = s[1:]
	}
	switch unit {
	case "":
		return s
	case "x":
		return s + " times"
	}
	return s + " " + unit
}

func isZero(s string) bool {
	for _, c := range s {
		if c != '0' && c != '.' {
			return false
		}
	}
	return true
}

// unitSize is the SI value of one unit; the empty unit counts.
func unitSize(unit string) float64 {
	if unit == "" {
		return 1
	}
	v, err := quantity.Parse("1 " + unit)
	if err != nil {
		return 1
	}
	return v.SI
}

// figure is how a figure is made.
type figure struct {
	name, label, unit string
	kind              quantity.Kind
	digits            int
	make              maker
	unmeasured        bool // its unit could not be read
	line, col         int  // where it stands in the file
}

// maker makes a figure's values: one, or one a drawn rig.
type maker func(*bench) ([]float64, error)

// bench holds what a lesson's runs gave while its figures are made.
type bench struct {
	ctx     context.Context
	lesson  *Lesson
	plans   []runPlan
	records map[string]played
	tallies map[string][]*tally
	values  map[string][]float64
}

func newBench(ctx context.Context, l *Lesson) *bench {
	return &bench{ctx: ctx, lesson: l, records: map[string]played{}, tallies: map[string][]*tally{}, values: map[string][]float64{}}
}

// tally returns what the meter of a name has counted.
func (b *bench) tally(name string) []*tally {
	if t, ok := b.tallies[name]; ok {
		return t
	}
	i := slices.IndexFunc(b.lesson.meters, func(m meter) bool { return m.name == name })
	m := &b.lesson.meters[i]
	var all []*tally
	for _, rec := range b.records[m.run] {
		all = append(all, m.of(rec))
	}
	b.tallies[name] = all
	return all
}

// plan returns the run of a name.
func (b *bench) plan(name string) *runPlan {
	return &b.plans[slices.IndexFunc(b.plans, func(r runPlan) bool { return r.name == name })]
}

// makeFigures makes all figures in order; each may use those before it.
func (b *bench) makeFigures() ([]Figure, error) {
	var out []Figure
	for i := range b.lesson.figures {
		f := &b.lesson.figures[i]
		x, err := f.make(b)
		if err != nil {
			return nil, quantity.Diagnostic{File: b.lesson.File, Line: f.line, Col: f.col, Message: fmt.Sprintf("figure %s: %v", f.name, err)}
		}
		for _, v := range x {
			if math.IsNaN(v) || math.IsInf(v, 0) {
				return nil, quantity.Diagnostic{File: b.lesson.File, Line: f.line, Col: f.col, Message: fmt.Sprintf("figure %s is no number", f.name),
					Expected: "no division by zero, no root of a negative figure"}
			}
		}
		b.values[f.name] = x
		if len(x) == 1 {
			out = append(out, Figure{f.name, f.label, f.kind, x[0], f.unit, f.digits})
		}
	}
	return out, nil
}

// take is something that a run or a meter can be asked for.
type take struct {
	name string
	kind quantity.Kind
	// Exactly one is set.
	run   func(rec *emulator.Record, step int, at int64) (float64, error)
	meter func(t *tally) (float64, error)
}

// The takes of runs (truth) and of meters. step is an executed step from 1, 0 the whole run; at is an instant [ns], -1 if none was given.
var takes = []take{
	{name: "charge", kind: quantity.Charge, run: ofSteps(func(s *emulator.StepRun) float64 { return s.Charge })},
	{name: "energy", kind: quantity.Energy, run: ofSteps(func(s *emulator.StepRun) float64 { return s.Energy })},
	{name: "time", kind: quantity.Time, run: ofSteps(func(s *emulator.StepRun) float64 { return float64(s.End-s.Begin) * 1e-9 })},
	{name: "end-voltage", kind: quantity.Voltage, run: ofLast(func(s *emulator.StepRun) float64 { return s.EndV })},
	{name: "end-current", kind: quantity.Current, run: ofLast(func(s *emulator.StepRun) float64 { return s.EndI })},
	{name: "lowest-voltage", kind: quantity.Voltage, run: ofLast(func(s *emulator.StepRun) float64 { return s.MinV })},
	{name: "highest-voltage", kind: quantity.Voltage, run: ofLast(func(s *emulator.StepRun) float64 { return s.MaxV })},
	{name: "voltage", kind: quantity.Voltage, run: ofInstant(func(r *emulator.Readings) []float64 { return r.MeanV })},
	{name: "current", kind: quantity.Current, run: ofInstant(func(r *emulator.Readings) []float64 { return r.MeanI })},
	{name: "openings", kind: count, run: openings},

	{name: "charge", kind: quantity.Charge, meter: ofTally(func(t *tally, n int) float64 { return t.charge[n] })},
	{name: "energy", kind: quantity.Energy, meter: ofTally(func(t *tally, n int) float64 { return t.energy[n] })},
	{name: "time", kind: quantity.Time, meter: ofTally(func(t *tally, n int) float64 { return t.time[n] })},
	{name: "current", kind: quantity.Current, meter: ofTally(func(t *tally, _ int) float64 { i, _ := t.mean(); return i })},
	{name: "voltage", kind: quantity.Voltage, meter: ofTally(func(t *tally, _ int) float64 { _, v := t.mean(); return v })},
	{name: "first-current", kind: quantity.Current, meter: ofTally(func(t *tally, _ int) float64 { i, _ := t.reading(int(t.at[0])); return i })},
	{name: "last-current", kind: quantity.Current, meter: ofTally(func(t *tally, n int) float64 { i, _ := t.reading(int(t.at[n])); return i })},
	{name: "readings", kind: count, meter: ofTally(func(t *tally, n int) float64 { return float64(n + 1) })},
	{name: "true-charge", kind: quantity.Charge, meter: ofTally(func(t *tally, n int) float64 { q, _, _ := t.true(n); return q })},
	{name: "true-energy", kind: quantity.Energy, meter: ofTally(func(t *tally, n int) float64 { _, e, _ := t.true(n); return e })},
	{name: "true-time", kind: quantity.Time, meter: ofTally(func(t *tally, n int) float64 { _, _, s := t.true(n); return s })},
	{name: "charge-error", kind: quantity.Charge, meter: ofTally(func(t *tally, n int) float64 { q, _, _ := t.true(n); return t.charge[n] - q })},
	{name: "energy-error", kind: quantity.Energy, meter: ofTally(func(t *tally, n int) float64 { _, e, _ := t.true(n); return t.energy[n] - e })},
	{name: "time-error", kind: quantity.Time, meter: ofTally(func(t *tally, n int) float64 { _, _, s := t.true(n); return t.time[n] - s })},
}

// count is the kind of a plain number.
const count = quantity.Kind(0)

// takeNames lists what runs, or meters, can be asked for.
func takeNames(ofMeter bool) []string {
	var names []string
	for _, t := range takes {
		if (t.meter != nil) == ofMeter {
			names = append(names, t.name)
		}
	}
	return names
}

func findTake(name string, ofMeter bool) *take {
	for i := range takes {
		if t := &takes[i]; t.name == name && (t.meter != nil) == ofMeter {
			return t
		}
	}
	return nil
}

// steps returns one executed step, or all.
func steps(rec *emulator.Record, step int) ([]emulator.StepRun, error) {
	if step == 0 {
		return rec.Steps, nil
	}
	if step > len(rec.Steps) {
		return nil, fmt.Errorf("the run has %d steps, not %d", len(rec.Steps), step)
	}
	return rec.Steps[step-1 : step], nil
}

// ofSteps sums over a step, or over all.
func ofSteps(of func(*emulator.StepRun) float64) func(*emulator.Record, int, int64) (float64, error) {
	return func(rec *emulator.Record, step int, _ int64) (float64, error) {
		list, err := steps(rec, step)
		sum := 0.0
		for i := range list {
			sum += of(&list[i])
		}
		return sum, err
	}
}

// ofLast is of a step, or of the last.
func ofLast(of func(*emulator.StepRun) float64) func(*emulator.Record, int, int64) (float64, error) {
	return func(rec *emulator.Record, step int, _ int64) (float64, error) {
		list, err := steps(rec, step)
		if err != nil || len(list) == 0 {
			return 0, err
		}
		return of(&list[len(list)-1]), nil
	}
}

// ofInstant is the truth of the window of the last reading at or before an instant, counted from the beginning of a step, or of the plan.
func ofInstant(of func(*emulator.Readings) []float64) func(*emulator.Record, int, int64) (float64, error) {
	return func(rec *emulator.Record, step int, at int64) (float64, error) {
		if step > 0 {
			list, err := steps(rec, step)
			if err != nil {
				return 0, err
			}
			at += list[0].Begin
		}
		k, found := slices.BinarySearch(rec.Readings.T, at)
		if !found {
			k--
		}
		if k < 0 {
			return 0, fmt.Errorf("no reading at or before %g s", float64(at)*1e-9)
		}
		return of(&rec.Readings)[k], nil
	}
}

// openings counts how often the load's contact opened before its step was over.
func openings(rec *emulator.Record, _ int, _ int64) (float64, error) {
	n := 0.0
	for i := range rec.Events {
		if e := &rec.Events[i]; e.Kind == emulator.LoadMoves && e.Value == 0 {
			n++
		}
	}
	return n, nil
}

func ofTally(of func(t *tally, last int) float64) func(*tally) (float64, error) {
	return func(t *tally) (float64, error) {
		if len(t.at) == 0 {
			return 0, fmt.Errorf("its meter has no good reading")
		}
		return of(t, len(t.at)-1), nil
	}
}

// mean is the plain mean of the meter's readings [A], [V].
func (t *tally) mean() (i, v float64) {
	for _, k := range t.at {
		a, b := t.reading(int(k))
		i, v = i+a, v+b
	}
	n := float64(len(t.at))
	return i / n, v / n
}

// combine makes a value of two, one by one where there are several.
func combine(of func(a, b float64) float64, a, b string) maker {
	return func(bench *bench) ([]float64, error) {
		x, y := bench.values[a], bench.values[b]
		if len(x) != len(y) && len(x) != 1 && len(y) != 1 {
			return nil, fmt.Errorf("%s has %d values and %s has %d", a, len(x), b, len(y))
		}
		out := make([]float64, max(len(x), len(y)))
		for i := range out {
			out[i] = of(x[min(i, len(x)-1)], y[min(i, len(y)-1)])
		}
		return out, nil
	}
}

// halfWidth is half of the interval that holds the middle share of several values: what plus or minus it says of them.
func halfWidth(x []float64, share float64) float64 {
	sorted := slices.Clone(x)
	slices.Sort(sorted)
	return (percentile(sorted, (1+share)/2) - percentile(sorted, (1-share)/2)) / 2
}

// percentile interpolates between sorted values.
func percentile(sorted []float64, p float64) float64 {
	at := p * float64(len(sorted)-1)
	i := min(int(at), len(sorted)-2)
	if i < 0 {
		return sorted[0]
	}
	return sorted[i] + (at-float64(i))*(sorted[i+1]-sorted[i])
}

// dimension is a kind as powers of A, V, s and K, so that what is combined can be checked. ok is false for a kind that lessons do not use.
func dimension(k quantity.Kind) (d [4]int, ok bool) {
	switch k {
	case count, quantity.Ratio:
		return [4]int{}, true
	case quantity.Current:
		return [4]int{1}, true
	case quantity.Voltage:
		return [4]int{0, 1}, true
	case quantity.Resistance:
		return [4]int{-1, 1}, true
	case quantity.Power:
		return [4]int{1, 1}, true
	case quantity.Time:
		return [4]int{0, 0, 1}, true
	case quantity.Frequency:
		return [4]int{0, 0, -1}, true
	case quantity.Charge:
		return [4]int{1, 0, 1}, true
	case quantity.Energy:
		return [4]int{1, 1, 1}, true
	case quantity.Difference:
		return [4]int{0, 0, 0, 1}, true
	}
	return d, false
}
