package lesson

import (
	"context"
	"fmt"
	"math"
	"slices"
	"strconv"
	"strings"

	"stuntcell/model/quantity"
	"stuntcell/scenarios/picture"
)

// Outcome is what a lesson's runs gave.
type Outcome struct {
	Lesson *Lesson
	// Tried says that the runs were those of the variation.
	Tried bool
	// Figures are all figures that are one number, in the order of the file.
	Figures []Figure
	// Answer is the figure that the prediction asked for; Right is the letter of the choice that it makes right, "" for a number.
	Answer Figure
	Right  string
	// Picture shows what happened.
	Picture *picture.Picture
	// Why is the reason, in paragraphs, with its figures filled in; of a variation what it shows.
	Why []string
	// Checks compares the simulation with what is stated elsewhere.
	Checks []Checked
}

// Checked is a stated value beside what the simulation gave.
type Checked struct {
	// Label is what was compared, Stated and Got both with their unit, Within the tolerance.
	Label  string `json:"label"`
	Stated string `json:"stated"`
	Got    string `json:"got"`
	Within string `json:"within"`
	// Source is where the stated value comes from.
	Source string `json:"source"`
	OK     bool   `json:"ok"`
}

// stated is a value from elsewhere that a figure must have.
type stated struct {
	figure string
	value  float64 // [SI]
	// The larger of both counts; share is of the stated value.
	within, share float64
	source        string
}

// Run plays the lesson's runs and makes its figures and curves. The error is the context's, or of a lesson of
// one's own whose figures cannot be made a quantity.Diagnostic.
func (l *Lesson) Run(ctx context.Context) (*Outcome, error) { return l.run(ctx, l.runs, false) }

// RunVariation is Run with the runs of the variation in place of those of the same names.
func (l *Lesson) RunVariation(ctx context.Context) (*Outcome, error) {
	runs := slices.Clone(l.runs)
	for _, r := range l.Try.runs {
		i := slices.IndexFunc(runs, func(x runPlan) bool { return x.name == r.name })
		runs[i] = r
	}
	return l.run(ctx, runs, true)
}

func (l *Lesson) run(ctx context.Context, runs []runPlan, tried bool) (*Outcome, error) {
	b := newBench(ctx, l)
	b.plans = runs
	for i := range runs {
		p, err := runs[i].play(ctx)
		if err != nil {
			return nil, fmt.Errorf("%s: run %s: %w", l.File, runs[i].name, err)
		}
		b.records[runs[i].name] = p
	}
	out := &Outcome{Lesson: l, Tried: tried}
	var err error
	if out.Figures, err = b.makeFigures(); err != nil {
		return nil, err
	}
	if out.Picture, err = l.picture.draw(b, l.Title+", a simulation"); err != nil {
		return nil, fmt.Errorf("%s: picture: %w", l.File, err)
	}
	out.Answer = *out.figure(l.Predict.Figure)
	out.Right = l.Predict.right(out.Answer.SI)
	text, checks := l.why, l.checks
	if tried {
		text, checks = l.Try.tells, l.Try.checks
	}
	out.Why = paragraphs(out.fill(text))
	for _, c := range checks {
		out.Checks = append(out.Checks, out.check(c))
	}
	return out, nil
}

// Shown are the figures that have a label: what a learner is shown.
func (o *Outcome) Shown() []Figure {
	return slices.DeleteFunc(slices.Clone(o.Figures), func(f Figure) bool { return f.Label == "" })
}

// RightChoice is the choice that the simulation makes right, nil if a number was asked for.
func (o *Outcome) RightChoice() *Choice {
	p := &o.Lesson.Predict
	i := slices.IndexFunc(p.Choices, func(c Choice) bool { return c.Letter == o.Right })
	if i < 0 {
		return nil
	}
	return &p.Choices[i]
}

func (o *Outcome) figure(name string) *Figure {
	i := slices.IndexFunc(o.Figures, func(f Figure) bool { return f.Name == name })
	if i < 0 {
		return nil
	}
	return &o.Figures[i]
}

// fill puts figures in the place of their names.
func (o *Outcome) fill(text string) string {
	var b strings.Builder
	for {
		before, rest, found := strings.Cut(text, "{")
		b.WriteString(before)
		if !found {
			return b.String()
		}
		name, after, _ := strings.Cut(rest, "}")
		b.WriteString(o.figure(name).String())
		text = after
	}
}

// paragraphs parts a text at its empty lines; lines of a paragraph are joined.
func paragraphs(text string) []string {
	var out []string
	for _, p := range strings.Split(text, "\n\n") {
		if p = strings.Join(strings.Fields(p), " "); p != "" {
			out = append(out, p)
		}
	}
	return out
}

func (o *Outcome) check(c stated) Checked {
	f := o.figure(c.figure)
	within := math.Max(c.within, c.share*math.Abs(c.value))
	shown := strings.TrimSpace(fmt.Sprintf("within %.3g %s", within/unitSize(f.Unit), f.Unit))
	if c.within == 0 {
		shown = fmt.Sprintf("within %.3g %%", c.share*100)
	}
	label := f.Label
	if label == "" {
		label = f.Name
	}
	return Checked{
		Label: label, Stated: show(c.value, f.Unit, f.Digits), Got: f.String(), Within: shown, Source: c.source,
		OK: math.Abs(f.SI-c.value) <= within,
	}
}

// right is the letter of the choice that a value makes right.
func (p *Prediction) right(si float64) string {
	for _, c := range p.Choices {
		if si > c.Low && si <= c.High {
			return c.Letter
		}
	}
	return ""
}

// Answer is what a learner predicted.
type Answer struct {
	Letter string  // of a choice
	SI     float64 // of a number
	// Text is the answer as it is shown: the choice, or the number with its unit.
	Text string
}

// Read reads an answer: the letter of a choice, or a number, with or without a unit. The error says what was expected.
func (p *Prediction) Read(text string) (Answer, error) {
	text = strings.TrimSpace(text)
	if len(p.Choices) > 0 {
		letters := make([]string, len(p.Choices))
		for i, c := range p.Choices {
			if strings.EqualFold(text, c.Letter) {
				return Answer{Letter: c.Letter, Text: c.Letter}, nil
			}
			letters[i] = c.Letter
		}
		return Answer{}, fmt.Errorf("%q is none of the choices (expected one of %s)", clip(text), strings.Join(letters, ", "))
	}
	v, err := p.number(text)
	if err != nil {
		return Answer{}, fmt.Errorf("%q is no such number (expected one like %s)", clip(text), strings.TrimSpace("12.5 "+p.Unit))
	}
	shown := strconv.FormatFloat(v/unitSize(p.Unit), 'g', 6, 64)
	return Answer{SI: v, Text: strings.TrimSpace(shown + " " + p.Unit)}, nil
}

// number reads a number [SI], with its unit or without.
func (p *Prediction) number(text string) (float64, error) {
	kind, unit := p.Kind, p.Unit
	if unit == "" { // a count has none, and reads as a ratio does
		kind, unit = quantity.Ratio, "x"
	}
	v, err := quantity.Parse(text+" "+unit, kind)
	if err != nil && p.Unit != "" {
		v, err = quantity.Parse(text, kind)
	}
	return v.SI, err
}

func clip(s string) string {
	if len(s) > 40 {
		return s[:37] + "..."
	}
	return s
}

// Tolerance says within what a number counts as right: "5 %", "0.2 mA". It is empty for a choice.
func (p *Prediction) Tolerance() string {
	switch {
	case len(p.Choices) > 0:
		return ""
	case p.WithinShare > 0:
		return fmt.Sprintf("%.3g %%", 100*p.WithinShare)
	}
	return strings.TrimSpace(fmt.Sprintf("%.3g %s", p.Within/unitSize(p.Unit), p.Unit))
}

// Holds says whether an answer is right: the right choice, or a number within the tolerance of the prediction.
func (o *Outcome) Holds(a Answer) bool {
	p := &o.Lesson.Predict
	if len(p.Choices) > 0 {
		return a.Letter == o.Right
	}
	return math.Abs(a.SI-o.Answer.SI) <= math.Max(p.Within, p.WithinShare*math.Abs(o.Answer.SI))
}
