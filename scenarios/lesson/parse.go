package lesson

import (
	"fmt"
	"math"
	"slices"
	"strings"

	"stuntcell/emulator"
	"stuntcell/emulator/rig"
	"stuntcell/model"
	"stuntcell/model/quantity"
	"stuntcell/scenarios/picture"
)

// Bounds of a lesson file.
const (
	maxMeters  = 20
	maxFigures = 60
	maxPanels  = 4
	maxCurves  = 6
	maxChoices = 6
)

// Runs reads what a run of a lesson plays, as scenario files say it. Package scenarios, which stands above this one, has it.
type Runs struct {
	// Within reads a setup from the keys of a mapping of doc, and records there what is wrong.
	Within func(doc *quantity.Document, m *quantity.Map) emulator.Setup
	// Names are the scenarios on board, ByName returns what one of them plays.
	Names  []string
	ByName func(name string) (emulator.Setup, error)
	// Causes are the names that a verdict can give.
	Causes []string
}

// Parse reads a lesson file. file is only a name for messages. The error is quantity.Diagnostics, all that is wrong in order of place.
//
// The keys, those in brackets optional:
//
//	lesson    its name: small letters, digits, hyphens
//	title     one line
//	question  the situation, in paragraphs
//	predict   {figure: NAME, ask: SENTENCE, within: 5 %} or {figure:, ask:, choices: [{say: TEXT, up_to: 1 %}, ..., {say: TEXT}]}, the choices in
//	          order of the figure, each up to its bound and the last without one; within may also be of the figure's own unit
//	runs      mapping of names to what is played: {scenario: NAME} of one on board, or the keys of a scenario file that say what is run
//	          (pack, start, store, plan, rig, settings, faults, seed); beside them [logger: silent, latching or forgetful] and
//	          [rigs: N], so many drawn from the rig's tolerances
//	[meters]  mapping of names to {run: NAME, [rule: trapezoid, left, right], [time: counter, counter-wide, clock, nominal], [sum: double, single],
//	          [every: N], [step: N], [zero: N]}
//	figures   mapping of names to {[say: LABEL], unit: UNIT or none, digits: N}, shown to the learner if it has a label, and one of
//	          take: WORD with run: or meter:, [step: N], [at: 10 min]    what a run really did, or what a meter made of it
//	          value: 5.25 V                                              a constant
//	          plus, minus, times, over: [A, B]                           of two figures above it
//	          size: A                                                    without its sign
//	          root: A                                                    its square root
//	          spread: A, share: 95 %                                     of a figure of drawn rigs: half the width of the middle share
//	picture   {[over: time], [from:, to: instants], [marks: list of {at: INSTANT, say: TEXT}], panels: [...]}, or over charge or rigs with unit:
//	          each panel {y: [LABEL, UNIT], [levels: list of {at: 9.6 V, say: TEXT}], curves: [...]}, each curve
//	          {say: NAME, of: WORD, run: or meter: NAME, [dots: true]}, or {say: NAME, figure: NAME} over rigs
//	why       the reason, in paragraphs, with figures as {name}
//	formula   list of lines
//	sources   list of lines
//	[check]   list of {figure: NAME, is: 87.06 Ah, within: 0.1 %, source: TEXT}
//	[try]     {ask: TEXT, runs: {those that differ}, tells: TEXT with figures, [check]}
//	[cautions] list of lines
//	[causes]  names of causes that the lesson is about, as a verdict names them
func Parse(file string, data []byte, runs Runs) (*Lesson, error) {
	doc := quantity.Read(file, data)
	p := parser{doc: doc, from: runs, l: &Lesson{File: file, Source: append([]byte(nil), data...)}}
	p.file(doc.Root())
	if err := doc.Err(); err != nil {
		return nil, err
	}
	return p.l, nil
}

// Words that a lesson file may use, for its schema: loggers of a run, rules and timings of a meter, what runs and meters can be asked for,
// and what their curves can be of.
func Loggers() []string { return slices.Clone(loggerKinds) }

// Rules are the words of a meter's rule.
func Rules() []string { return slices.Clone(rules) }

// Timings are the words of a meter's time.
func Timings() []string { return slices.Clone(timings) }

// Takes are the words that runs and meters can be asked for.
func Takes() []string { return unique(append(takeNames(false), takeNames(true)...)) }

// Curves are the words of curves.
func Curves() []string { return unique(append(slices.Clone(runCurves), meterCurves...)) }

// Kinds are the kinds of quantity that a figure may have.
func Kinds() []quantity.Kind { return slices.Clone(figureUnits) }

func unique(words []string) []string {
	slices.Sort(words)
	return slices.Compact(words)
}

// parser reads one file into a lesson.
type parser struct {
	doc  *quantity.Document
	from Runs
	l    *Lesson
	// many names the figures that have one value a drawn rig.
	many map[string]bool
}

func (p *parser) file(m *quantity.Map) {
	l := p.l
	if f := m.Get("lesson"); f.Present() {
		if l.Name = f.Text(); f.IsText() && !quantity.IsName(l.Name) {
			f.Fail(fmt.Sprintf("%q is no name for a lesson", clip(l.Name)), "small letters, digits and hyphens, beginning with a letter, at most 64", "")
		}
	}
	l.Title = p.line(m.Get("title"), 70)
	l.Question = p.prose(m.Get("question"))
	l.runs = p.runs(m.Get("runs"))
	p.meters(m)
	p.figures(m.Get("figures"))
	p.predict(m.Get("predict"))
	p.picture(m.Get("picture").Map())
	l.why = p.told(m.Get("why"))
	l.Formula, l.Sources = p.lines(m.Get("formula")), p.lines(m.Get("sources"))
	if f, ok := m.Find("cautions"); ok {
		l.Cautions = p.lines(f)
	}
	l.Causes = m.Words("causes", p.from.Causes...)
	l.checks = p.checks(m)
	if f, ok := m.Find("try"); ok {
		p.variation(f.Map())
	}
	m.Done()
}

// line reads a text of one line of at most so many characters.
func (p *parser) line(f quantity.Field, most int) string {
	s := f.Text()
	if f.IsText() && (strings.TrimSpace(s) == "" || strings.ContainsAny(s, "\n\r") || len([]rune(s)) > most) {
		f.Fail(f.Name()+" is no single line", fmt.Sprintf("one line of at most %d characters", most), "")
	}
	return s
}

// prose reads a text of any length.
func (p *parser) prose(f quantity.Field) string {
	s := f.Text()
	if f.IsText() && strings.TrimSpace(s) == "" {
		f.Fail(f.Name()+" is empty", "a text", "")
	}
	return s
}

func (p *parser) lines(f quantity.Field) []string {
	var out []string
	for _, item := range f.List() {
		out = append(out, strings.TrimRight(p.prose(item), " \n"))
	}
	return out
}

// names reads the keys of a mapping whose keys are names.
func (p *parser) names(f quantity.Field, most int) (*quantity.Map, []string) {
	m := f.Map()
	keys := m.Keys()
	if f.IsMap() && len(keys) == 0 {
		f.Fail(f.Name()+" is empty", "at least one", "")
	}
	if len(keys) > most {
		f.Fail(fmt.Sprintf("%s has %d entries", f.Name(), len(keys)), fmt.Sprintf("at most %d", most), "")
		return m, nil
	}
	for _, k := range keys {
		if !quantity.IsName(k) {
			m.Fail(k, fmt.Sprintf("%q is no name", clip(k)), "small letters, digits and hyphens, beginning with a letter", "")
		}
	}
	return m, keys
}

// known reads the name of something that stands further up.
func (p *parser) known(f quantity.Field, what string, names []string) string {
	if len(names) == 0 {
		if f.Present() {
			f.Fail(fmt.Sprintf("%s: there is no %s above it", f.Name(), what), "the name of a "+what, "")
		}
		return ""
	}
	return f.Word(names...)
}

func (p *parser) runs(f quantity.Field) []runPlan {
	m, names := p.names(f, maxRuns)
	var out []runPlan
	total := 0.0
	defer func() { p.l.readings = max(p.l.readings, total) }()
	for _, name := range names {
		field, _ := m.Find(name)
		r := p.run(field)
		r.name = name
		if p.doc.Err() == nil {
			n := p.length(field, &r)
			if total += n; total > maxReadings {
				field.Fail(fmt.Sprintf("the runs take %.0f readings up to here", total), fmt.Sprintf("at most %d in all", maxReadings), "readings further apart, or a shorter plan")
			}
		}
		out = append(out, r)
	}
	return out
}

// run reads one run.
func (p *parser) run(f quantity.Field) runPlan {
	m := f.Map()
	out := runPlan{logger: silent}
	loggerField, hasLogger := m.Find("logger")
	if hasLogger {
		out.logger = loggerKind(loggerField.Word(loggerKinds...))
	}
	out.rigs = int(m.IntOr("rigs", 2, MostRigs, 0))
	if name, ok := m.Find("scenario"); ok {
		word := name.Word(p.from.Names...)
		m.Done()
		if p.doc.Err() != nil || word == "" {
			return out
		}
		var err error
		if out.setup, err = p.from.ByName(word); err != nil {
			name.FailWith(err)
			return out
		}
	} else {
		out.setup = p.from.Within(p.doc, m)
	}
	if p.doc.Err() != nil {
		return out
	}
	s := &out.setup
	if (s.Settings.Cutoff != 0) != (out.logger != silent) {
		f.Fail("a logger that switches goes with a discharge that the logger ends, and the other way round", "both or neither",
			"logger: latching beside the plan, ends: {logger: end, floor: floor} in it")
	}
	if s.Settings.ChargeEnd != 0 {
		f.Fail("a charge that the logger ends", "a charge with an end of its own", "current: taper")
	}
	for _, fault := range s.Faults {
		if fault.Kind == emulator.FaultPowerCut {
			f.Fail("a power cut in a lesson", "a run that goes through", "a meter does not outlive a power cut")
		}
	}
	if out.rigs == 0 {
		return out
	}
	if s.Rig.Tolerance == (rig.Tolerance{}) {
		f.Fail("rigs are drawn, but the rig has no tolerance to draw from", "rig: {tolerance: {shunt: 0.5 %}}", "")
	} else if name := undrawn(s.Rig.Tolerance); name != "" {
		f.Fail("the tolerance "+name+" is not drawn in lessons", "shunt, shunt_gain, shunt_offset, thermal, bus_gain, bus_offset, tick", "")
	}
	return out
}

// length is how many readings a run takes, by its plan. Too long a plan has been refused when it was examined.
func (p *parser) length(f quantity.Field, r *runPlan) float64 {
	end := 0.0
	for _, s := range r.setup.Plan {
		end += longest(s, r.setup.Pack)
	}
	n := end*1e9/float64(r.setup.Rig.Readings.Interval()) + 1
	if r.rigs == 0 {
		return n
	}
	if n > maxDrawReadings {
		f.Fail(fmt.Sprintf("a run with drawn rigs of %.0f readings", n), fmt.Sprintf("at most %d", maxDrawReadings), "readings further apart")
	}
	return n * float64(r.rigs)
}

// chattering is what a discharge may take that a logger ends and does not: as the bench does, half a day and twice what the charge lasts [s].
func chattering(s model.Step, charge, amps float64) float64 {
	if s.Ends.Logger == 0 {
		return charge / amps
	}
	return 43200 + 2*charge/amps
}

// longest bounds the length of a step [s]: a lesson's steps end by time, or when their charge has flowed.
func longest(s model.Step, pack *model.Pack) float64 {
	out := math.Inf(1)
	if s.Ends.Time > 0 {
		out = float64(s.Ends.Time) * 1e-9
	}
	if amps := s.Load.Mean(pack.Nominal()); s.Kind == model.Discharge && amps > 0 {
		charge := pack.Cell.Capacity * float64(pack.Parallel)
		if s.Ends.Charge > 0 {
			charge = math.Min(charge, s.Ends.Charge)
		}
		out = math.Min(out, chattering(s, charge, amps))
	}
	return out
}

func (p *parser) meters(m *quantity.Map) {
	f, ok := m.Find("meters")
	if !ok {
		return
	}
	all, names := p.names(f, maxMeters)
	runs := p.runNames()
	for _, name := range names {
		field, _ := all.Find(name)
		k := field.Map()
		x := meter{name: name, rule: trapezoid, timing: counter}
		x.run = p.known(k.Get("run"), "run", runs)
		if f, ok := k.Find("rule"); ok {
			x.rule = rule(f.Word(rules...))
		}
		if f, ok := k.Find("time"); ok {
			x.timing = timing(f.Word(timings...))
			if i := slices.Index(runs, x.run); i >= 0 && x.timing == clock && p.l.runs[i].setup.Rig.Clock.Absent {
				f.Fail("the rig of this run has no clock", "another time", "")
			}
		}
		if f, ok := k.Find("sum"); ok {
			x.single = f.Word("double", "single") == "single"
		}
		x.every = int(k.IntOr("every", 1, 1e6, 1))
		x.step = int(k.IntOr("step", 1, 1000, 0))
		x.zero = int(k.IntOr("zero", 1, 1000, 0))
		k.Done()
		p.l.meters = append(p.l.meters, x)
	}
}

func (p *parser) runNames() []string {
	var names []string
	for _, r := range p.l.runs {
		names = append(names, r.name)
	}
	return names
}

func (p *parser) meterNames() []string {
	var names []string
	for _, m := range p.l.meters {
		names = append(names, m.name)
	}
	return names
}

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

// isMany says that a run is played with drawn rigs.
func (p *parser) isMany(run string) bool {
	return slices.ContainsFunc(p.l.runs, func(r runPlan) bool { return r.name == run && r.rigs > 0 })
}

func (p *parser) meterIsMany(name string) bool {
	return slices.ContainsFunc(p.l.meters, func(m meter) bool { return m.name == name && p.isMany(m.run) })
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

func (p *parser) predict(f quantity.Field) {
	m, out := f.Map(), &p.l.Predict
	out.Ask = p.line(m.Get("ask"), 160)
	out.Figure = p.known(m.Get("figure"), "figure", p.single())
	fig := p.find(out.Figure)
	within, isNumber := m.Find("within")
	choices, isChoice := m.Find("choices")
	switch {
	case !f.IsMap(): // it has been said
	case isNumber == isChoice:
		m.Fail("", "a prediction that is neither or both of a number and a choice", "exactly one of within, choices", "")
	case fig == nil:
	case isNumber:
		out.Unit, out.Kind = fig.unit, fig.kind
		out.Within, out.WithinShare = p.tolerance(within, fig)
	default:
		p.choices(choices, fig)
	}
	m.Done()
}

// tolerance reads an absolute or a relative tolerance of a figure.
func (p *parser) tolerance(f quantity.Field, fig *figure) (within, share float64) {
	if fig.kind == count {
		return f.Number(quantity.NotNegative()), 0
	}
	v, ok := f.Value(fig.kind, quantity.Ratio)
	if !ok {
		return 0, 0
	}
	if err := quantity.NotNegative().Check(v); err != nil {
		f.FailWith(err)
	}
	if v.Kind == quantity.Ratio && fig.kind != quantity.Ratio {
		return 0, v.SI
	}
	return v.SI, 0
}

// valueOf reads a value of a figure's kind [SI].
func (p *parser) valueOf(f quantity.Field, fig *figure) float64 {
	if fig.kind == count {
		return f.Number(quantity.Any())
	}
	v, _ := f.Value(fig.kind)
	return v.SI
}

func (p *parser) choices(f quantity.Field, fig *figure) {
	list := f.List()
	if f.IsList() && (len(list) < 2 || len(list) > maxChoices) {
		f.Fail(fmt.Sprintf("%d choices", len(list)), fmt.Sprintf("2 to %d", maxChoices), "")
		return
	}
	low := math.Inf(-1)
	for i, item := range list {
		m := item.Map()
		c := Choice{Letter: string(rune('a' + i)), Text: p.line(m.Get("say"), 160), Low: low, High: math.Inf(1)}
		bound, bounded := m.Find("up_to")
		switch {
		case bounded == (i == len(list)-1):
			m.Fail("up_to", "the choices stand in the order of the figure, each up to its bound", "up_to in each but the last", "")
		case bounded:
			if c.High = p.valueOf(bound, fig); c.High <= low {
				bound.Fail("the bounds do not rise", "more than in the choice above", "")
			}
			low = c.High
		}
		m.Done()
		p.l.Predict.Choices = append(p.l.Predict.Choices, c)
	}
}

func (p *parser) checks(m *quantity.Map) []stated {
	var out []stated
	for _, item := range m.List("check") {
		k := item.Map()
		name := p.known(k.Get("figure"), "figure", p.single())
		is, within := k.Get("is"), k.Get("within")
		c := stated{figure: name, source: p.prose(k.Get("source"))}
		if fig := p.find(name); fig != nil {
			c.value = p.valueOf(is, fig)
			c.within, c.share = p.tolerance(within, fig)
		}
		k.Done()
		out = append(out, c)
	}
	return out
}

// told reads a text with figures in braces.
func (p *parser) told(f quantity.Field) string {
	text := p.prose(f)
	for rest := text; ; {
		_, after, found := strings.Cut(rest, "{")
		if !found {
			if strings.Contains(rest, "}") {
				f.Fail("a closing brace without an opening one", "figures as {name}", "")
			}
			return text
		}
		name, more, closed := strings.Cut(after, "}")
		if !closed || !slices.Contains(p.single(), name) {
			hint := quantity.Nearest(name, p.single())
			if hint != "" {
				hint += "?"
			}
			expected := "one of " + strings.Join(p.single(), ", ")
			if len(p.single()) == 0 {
				expected = "a figure that is one number"
			}
			f.Fail(fmt.Sprintf("{%s} is no figure that can be told", clip(name)), expected, hint)
			return text
		}
		rest = more
	}
}

func (p *parser) variation(m *quantity.Map) {
	v := &p.l.Try
	v.Ask = p.prose(m.Get("ask"))
	field := m.Get("runs")
	v.runs = p.runs(field)
	for _, r := range v.runs {
		i := slices.IndexFunc(p.l.runs, func(x runPlan) bool { return x.name == r.name })
		if i < 0 {
			field.Fail("no run "+r.name+" to replace", "one of "+strings.Join(p.runNames(), ", "), "")
		} else if (p.l.runs[i].rigs > 0) != (r.rigs > 0) {
			field.Fail("run "+r.name+" draws rigs in one place and not in the other", "both or neither", "")
		}
	}
	v.tells = p.told(m.Get("tells"))
	v.checks = p.checks(m)
	m.Done()
}

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
