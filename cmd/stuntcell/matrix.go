package main

import (
	"context"
	"encoding/json"
	"fmt"
	"io"
	"slices"
	"strings"

	"stuntcell/emulator"
	"stuntcell/emulator/link"
	"stuntcell/scenarios"
	"stuntcell/validate"
	"stuntcell/validate/campaign"
	"stuntcell/validate/loggers"
	"stuntcell/validate/verdict"
)

// cell is one built-in logger in one scenario.
type cell struct {
	Logger   string   `json:"logger"`
	Cause    string   `json:"cause"` // that it has; empty: healthy
	Scenario string   `json:"scenario"`
	Pass     *bool    `json:"pass"`
	Found    []string `json:"found"` // causes, in the order of the verdict
}

// runMatrix runs every built-in logger with a mistake, and the good one, through every scenario on board, and says in which its cause is
// found; with names, only the loggers of these names or causes. It is measured each time: what a scenario declares to show is not looked at.
func runMatrix(ctx context.Context, std streams, jobs int, asJSON bool, names []string) error {
	contenders := append([]loggers.Defect{{Name: "good", New: loggers.Good()}}, loggers.Defects()...)
	if len(names) > 0 {
		contenders = slices.DeleteFunc(contenders, func(d loggers.Defect) bool {
			return !slices.Contains(names, d.Name) && !slices.Contains(names, d.Cause)
		})
	}
	if len(contenders) == 0 {
		return usagef("stuntcell list defects shows them", "no built-in logger has the name or the cause %s", strings.Join(names, " or "))
	}
	suite, refused := scenarios.Library(scenarios.Env{})
	if len(refused) > 0 {
		return refused[0].Err
	}
	healthy, err := playAll(ctx, suite, jobs)
	if err != nil {
		return err
	}
	progress := newBar(std.err, len(contenders))
	var tally matrixTally
	err = campaign.Each(ctx, len(contenders), jobs, func(ctx context.Context, i int) ([]cell, error) {
		return runAll(ctx, contenders[i], suite, healthy)
	}, func(i int, cells []cell) error {
		progress.clear()
		defer progress.step()
		tally.add(contenders[i], cells)
		if asJSON {
			e := json.NewEncoder(std.out)
			for _, c := range cells {
				if err := e.Encode(c); err != nil {
					return err
				}
			}
			return nil
		}
		return writeCells(std.out, contenders[i], cells)
	})
	progress.clear()
	if err != nil || asJSON {
		return err
	}
	return tally.write(std.out)
}

// judged is a run with its verdict.
type judged struct {
	rec     *emulator.Record
	verdict *verdict.Verdict
}

// playAll runs the good logger through all scenarios.
func playAll(ctx context.Context, suite []*scenarios.Scenario, jobs int) ([]judged, error) {
	out := make([]judged, len(suite))
	return out, campaign.Each(ctx, len(suite), jobs, func(ctx context.Context, i int) (judged, error) {
		sc := suite[i]
		rec, err := emulator.Run(ctx, sc.Setup, link.NewInProcess(loggers.Good(), sc.Setup.Seed))
		if err != nil {
			return judged{}, fmt.Errorf("good in %s: %w", sc.Name, err)
		}
		return judged{rec, judge(sc, rec)}, nil
	}, func(i int, j judged) error {
		out[i] = j
		return nil
	})
}

func judge(sc *scenarios.Scenario, rec *emulator.Record) *verdict.Verdict {
	return validate.Judge(sc, rec, validate.Options{Tool: version})
}

// runAll runs one logger through all scenarios. Where nothing comes out differently than with the good logger, the verdict is that one's.
func runAll(ctx context.Context, d loggers.Defect, suite []*scenarios.Scenario, healthy []judged) ([]cell, error) {
	cells := make([]cell, 0, len(suite))
	for i, sc := range suite {
		rec, err := emulator.Again(ctx, healthy[i].rec, sc.Setup, func() link.Link { return link.NewInProcess(d.New, sc.Setup.Seed) })
		if err != nil {
			return nil, fmt.Errorf("%s in %s: %w", d.Name, sc.Name, err)
		}
		v := healthy[i].verdict
		if !rec.Equal(healthy[i].rec) {
			v = judge(sc, rec)
		}
		c := cell{Logger: d.Name, Cause: d.Cause, Scenario: sc.Name, Pass: v.Pass, Found: []string{}}
		for _, f := range v.Findings {
			// The rig's share is the scenario's, whoever the logger is.
			if f.Of == "firmware" || f.Severity == verdict.Failure {
				c.Found = append(c.Found, f.Cause)
			}
		}
		cells = append(cells, c)
	}
	return cells, nil
}

func (c cell) fails() bool      { return c.Pass != nil && !*c.Pass }
func (c cell) named() bool      { return slices.Contains(c.Found, c.Cause) }
func (c cell) namedRight() bool { return len(c.Found) > 0 && c.Found[0] == c.Cause }

// writeCells writes where one logger's cause was found, and where something else was.
func writeCells(w io.Writer, d loggers.Defect, cells []cell) error {
	var right, other []string
	failed := 0
	for _, c := range cells {
		switch {
		case c.fails():
			failed++
		case !c.named():
			continue
		}
		if c.namedRight() {
			right = append(right, c.Scenario)
		} else {
			other = append(other, fmt.Sprintf("%s (%s)", c.Scenario, strings.Join(c.Found, ", ")))
		}
	}
	what := d.Cause
	if what == "" {
		what = "healthy"
	}
	if _, err := fmt.Fprintf(w, "%-28s %-20s fails in %2d, named first in %2d\n", d.Name, what, failed, len(right)); err != nil {
		return err
	}
	for _, line := range []struct{ head, text string }{{"", strings.Join(right, ", ")}, {"else: ", strings.Join(other, ", ")}} {
		if line.text == "" {
			continue
		}
		if err := writeWrapped(w, "    "+line.head, line.text); err != nil {
			return err
		}
	}
	return nil
}

// matrixTally counts over all loggers.
type matrixTally struct {
	defects, caught, first int
	missed                 []string
	alarms                 []string // scenarios in which the good logger failed
}

func (t *matrixTally) add(d loggers.Defect, cells []cell) {
	if d.Cause == "" {
		for _, c := range cells {
			if c.fails() {
				t.alarms = append(t.alarms, c.Scenario)
			}
		}
		return
	}
	t.defects++
	if slices.ContainsFunc(cells, cell.named) {
		t.caught++
	} else {
		t.missed = append(t.missed, d.Name)
	}
	if slices.ContainsFunc(cells, cell.namedRight) {
		t.first++
	}
}

func (t *matrixTally) write(w io.Writer) error {
	_, err := fmt.Fprintf(w, "\n%d built-in mistakes: %d found by name, %d as the first finding of a scenario.\n", t.defects, t.caught, t.first)
	if err == nil && len(t.missed) > 0 {
		err = writeWrapped(w, "missed: ", strings.Join(t.missed, ", "))
	}
	if err == nil && len(t.alarms) > 0 {
		err = writeWrapped(w, "the good logger fails in: ", strings.Join(t.alarms, ", "))
	}
	return err
}
