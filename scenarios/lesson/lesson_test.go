package lesson_test

import (
	"context"
	"path/filepath"
	"testing"

	"stuntcell/scenarios"
	"stuntcell/scenarios/lesson"
)

// Each lesson on board, and its variation, gives what it states; the label of a choice is what the simulation makes right.
func TestLessonsOnBoard(t *testing.T) {
	for _, l := range scenarios.Lessons() {
		t.Run(l.Name, func(t *testing.T) {
			out, err := l.Run(context.Background())
			if err != nil {
				t.Fatal(err)
			}
			report(t, out)
			if len(l.Predict.Choices) > 0 && out.Right == "" {
				t.Errorf("no choice is right for %v", out.Answer)
			}
			if l.Try.Ask == "" {
				t.Fatal("no variation to try")
			}
			tried, err := l.RunVariation(context.Background())
			if err != nil {
				t.Fatal(err)
			}
			report(t, tried)
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
