// Package lesson holds the lessons: why a capacity figure is what it is, or is not what it should be.
//
// A lesson asks a question, takes a prediction, plays its runs in simulation, shows a picture and tells why. It is a YAML
// file ([Parse] lists its keys); those on board are in lessons/. Nothing that a lesson says about a run is written down in advance: every
// figure is computed from what was simulated, its texts hold the names of figures in braces, and a choice is right because the
// figure lies where that choice says. What the lesson states beside it (a published value, or what a formula gives) is in its check, with
// the source, and [Outcome.Checks] compares the two.
//
// # What is computed
//
// A run is played by package emulator. Its truth is the pack's own. A [meter] makes its figures from the readings of a run, as a logger
// would, with one rule and at most a few mistakes:
//
//	i = shunt counts · volts of a count / nominal shunt      v = bus counts · volts of a count
//	left, right:  Q = Σ i_k-1·Δt, Σ i_k·Δt                   trapezoid:  Q = Σ (i_k-1 + i_k)/2·Δt, likewise v·i for the energy
//
// with Δt from the counter (modulo its range, or wrongly from a wider difference), from the clock's whole seconds, or the nominal
// step; sums in double or, for a lesson on it, in single precision of Ah.
//
// Units: SI in float64 inside (A, V, s, A·s, W·s); each figure names the unit in which it is shown. Instants are int64 ns since the plan
// began. Current into the battery is positive. Validity is that of the models: consistent with their ratings, no prediction about a
// real battery, which may be worse.
package lesson

import (
	"embed"
	"slices"

	"stuntcell/model/quantity"
)

// Lesson is one lesson, ready to run. It is not changed by running it and may be shared.
type Lesson struct {
	// Name identifies it: small letters, digits and hyphens.
	Name string
	// Title says in one line what it is about.
	Title string
	// Question is the situation: paragraphs, parted by empty lines; see Asked.
	Question string
	// Predict is what the learner is asked.
	Predict Prediction
	// Formula holds the equations that the reason leans on, one line each.
	Formula []string
	// Sources says where formulas and stated values come from.
	Sources []string
	// Cautions are what belongs to doing this on a bench.
	Cautions []string
	// Causes names what a verdict would call what the lesson is about.
	Causes []string
	// Try is the variation.
	Try Variation
	// File is where it came from, as it was given to Parse, and Source its text.
	File   string
	Source []byte

	why      string // with figures in braces
	readings float64
	runs     []runPlan
	meters   []meter
	figures  []figure
	picture  picturePlan
	checks   []stated
}

// Variation is the same lesson with other runs: what the learner tries next.
type Variation struct {
	// Ask says what is changed and what to look for.
	Ask string

	tells  string // with figures in braces
	runs   []runPlan
	checks []stated
}

// Prediction is what the learner is asked before anything is shown: a number with a unit, or one of the choices.
type Prediction struct {
	// Ask is the question in one sentence.
	Ask string
	// Figure names the figure that is asked for.
	Figure string
	// Unit is that of the number ("Ah"), Kind what it measures. Not used by a choice.
	Unit string
	Kind quantity.Kind
	// A number counts as right within the larger of Within [SI, absolute] and WithinShare of the figure.
	Within, WithinShare float64
	// Choices are what there is to choose from; none: a number is asked for.
	Choices []Choice
}

// Choice is one of several answers. It is right if the figure is above Low and at most High [SI]; the choices of a lesson part the
// numbers among them without gap.
type Choice struct {
	Letter string // "a", "b" ...
	Text   string
	// Low and High are infinite where the choice has no bound.
	Low, High float64
}

//go:embed lessons/*.yaml
var files embed.FS

// order is the order in which the lessons on board are meant to be taken: the battery, the readings, the sums, the figure.
var order = [...]string{
	"rate", "rest-returns", "end-voltage", "rectangle", "pulsed-load", "ripple", "counter-wrap", "two-clocks", "small-steps",
	"offset", "coarse-shunt", "gain-offset", "in-and-out", "temperature", "plus-or-minus", "cutoff-rebound", "first-connection",
}

// Names lists the lessons on board in the order in which they are meant to be taken.
func Names() []string { return append([]string(nil), order[:]...) }

// Source returns the file of a lesson on board, nil if there is none of that name.
func Source(name string) []byte {
	b, err := files.ReadFile("lessons/" + name + ".yaml")
	if err != nil {
		return nil
	}
	return b
}

// TitleOf returns the title of a lesson on board without reading the rest of it, "" if there is none of that name.
func TitleOf(name string) string {
	b := Source(name)
	if b == nil {
		return ""
	}
	return quantity.Read(name, b).Root().Text("title")
}

// About lists the lessons on board that are about a cause.
func About(cause string) []string {
	var out []string
	for _, name := range Names() {
		if slices.Contains(quantity.Read(name, Source(name)).Root().Words("causes"), cause) {
			out = append(out, name)
		}
	}
	return out
}

// Asked is the question in paragraphs.
func (l *Lesson) Asked() []string { return paragraphs(l.Question) }

// Readings is how many readings its runs take at most, or those of its variation if they are more: what a run costs.
func (l *Lesson) Readings() float64 { return l.readings }

// Varies says that the lesson has a variation to try.
func (l *Lesson) Varies() bool { return l.Try.Ask != "" }
