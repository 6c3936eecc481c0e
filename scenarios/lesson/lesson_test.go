package lesson_test

import (
	"math"
	"path/filepath"
	"testing"

	"stuntcell/scenarios"
	"stuntcell/scenarios/lesson"
)

// Each lesson on board, and its variation, gives what it states, and a choice is right because its figure lies there.
func TestLessonsOnBoard(t *testing.T) {
	for _, name := range lesson.Names() {
		t.Run(name, func(t *testing.T) {
			out := outcome(t, name)
			report(t, out)
			if choice := out.RightChoice(); len(out.Lesson.Predict.Choices) > 0 &&
				(choice == nil || out.Answer.SI <= choice.Low || out.Answer.SI > choice.High) {
				t.Errorf("%v makes %v right", out.Answer, choice)
			}
			if !out.Lesson.Varies() {
				t.Fatal("no variation to try")
			}
			report(t, outcome(t, name+"/try"))
		})
	}
}

func report(t *testing.T, o *lesson.Outcome) {
	t.Helper()
	if len(o.Checks) == 0 && !o.Tried {
		t.Error("nothing is checked against a stated value")
	}
	for _, c := range o.Checks {
		t.Logf("%s: %s, stated %s %s (%s)", c.Label, c.Got, c.Stated, c.Within, c.Source)
		if !c.OK {
			t.Errorf("%s is %s, stated %s %s (%s)", c.Label, c.Got, c.Stated, c.Within, c.Source)
		}
	}
	for _, f := range o.Figures {
		t.Logf("%-14s %-40s %v", f.Name, f.Label, f)
	}
	for _, p := range o.Why {
		t.Log(p)
	}
	for _, p := range o.Picture.Panels {
		for _, c := range p.Curves {
			if len(c.Points) < 2 && !c.Dots || len(c.Points) == 0 || len(c.Points) > 1000 {
				t.Errorf("curve %q of panel %q has %d points", c.Name, p.Label, len(c.Points))
			}
		}
	}
}

// Every file is in the order in which lessons are taken, once, and bears its own name.
func TestOrder(t *testing.T) {
	files, err := filepath.Glob("lessons/*.yaml")
	if err != nil || len(files) != len(lesson.Names()) {
		t.Errorf("%d files for %d names, %v", len(files), len(lesson.Names()), err)
	}
	if len(lesson.Names()) < 17 {
		t.Errorf("%d lessons", len(lesson.Names()))
	}
	for _, l := range scenarios.Lessons() {
		if l.File != l.Name+".yaml" || l.Title != lesson.TitleOf(l.Name) {
			t.Errorf("%s is named %s", l.File, l.Name)
		}
		for _, line := range l.Formula {
			if n := len([]rune(line)); n > 76 {
				t.Errorf("%s: a formula of %d characters does not fit a terminal: %s", l.Name, n, line)
			}
		}
	}
}

// What a prediction shows of an answer reads as the same answer.
func FuzzAnswer(f *testing.F) {
	for _, text := range []string{"6 min", "360 s", "6", "-2.5e-3 h", "a", "B", "1 Ah", "", "nan", "1e400 min", "6 min 30 s"} {
		f.Add(text)
	}
	number, err := scenarios.Lesson("two-clocks")
	if err != nil {
		f.Fatal(err)
	}
	choice, err := scenarios.Lesson("ripple")
	if err != nil {
		f.Fatal(err)
	}
	f.Fuzz(func(t *testing.T, text string) {
		for _, p := range []*lesson.Prediction{&number.Predict, &choice.Predict} {
			a, err := p.Read(text)
			if err != nil {
				continue
			}
			again, err := p.Read(a.Text)
			if err != nil || again.Letter != a.Letter || math.Abs(again.SI-a.SI) > 1e-5*math.Abs(a.SI) {
				t.Errorf("%q is shown as %q, which reads as %v, %v", text, a.Text, again, err)
			}
		}
	})
}
