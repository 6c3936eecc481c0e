package lesson

import (
	"fmt"
	"math"
	"slices"
	"strings"

	"stuntcell/emulator"
	"stuntcell/model/quantity"
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
