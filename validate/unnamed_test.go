package validate_test

import (
	"context"
	"slices"
	"testing"
	"unicode"

	"stuntcell/emulator"
	"stuntcell/emulator/link"
	"stuntcell/scenarios"
	"stuntcell/validate"
	"stuntcell/validate/loggers"
)

// nameless runs a logger and takes away the lines that begin with a letter, which name the columns.
func nameless(t *testing.T, build loggers.Build, sc *scenarios.Scenario) *emulator.Record {
	t.Helper()
	rec, err := emulator.Run(context.Background(), sc.Setup, link.NewInProcess(build, sc.Setup.Seed))
	if err != nil {
		t.Fatal(err)
	}
	rec.Rows = slices.DeleteFunc(rec.Rows, func(r emulator.Row) bool { return r.Text != "" && unicode.IsLetter([]rune(r.Text)[0]) })
	return rec
}

// told is what a run that was made for it tells of a logger's columns.
func told(t *testing.T, build loggers.Build) map[string]string {
	t.Helper()
	sc, err := scenarios.Parse("telling-columns", []byte(validate.Telling), scenarios.Env{})
	if err != nil {
		t.Fatal(err)
	}
	columns := validate.TellColumns(sc, nameless(t, build, sc))
	if columns == nil {
		t.Fatal("the columns cannot be told")
	}
	return columns
}

func scenario(t *testing.T, name string) *scenarios.Scenario {
	t.Helper()
	sc, err := scenarios.ByName(name, scenarios.Env{})
	if err != nil {
		t.Fatal(err)
	}
	return sc
}

// TestNoHeader: a log without a header is judged as the same log with one, healthy or not.
func TestNoHeader(t *testing.T) {
	for _, name := range []string{"left-rectangle", "right-rectangle", "integer-counts", "zeroed", "burden-added", "row-means", "smoothed", "charge-negative", "mixed-signs",
		"split-totals", "milli-units", "german", "unix-time", "iso-offset", "elapsed", "bare-tick", "buffer-8", "row-on-switch", "cannot-energy", "cannot-totals", "minimal"} {
		t.Run(name, func(t *testing.T) {
			d, ok := loggers.ByName(name)
			if !ok {
				t.Fatal("no such logger")
			}
			columns := told(t, d.New)
			for _, name := range []string{"load-steps", "charge-then-discharge", "rest-with-noise", "energy-of-two-loads", "tick-wrap-mid-discharge", "pulses-rows-70s",
				"readings-fail-mid-discharge", "power-cut-mid-discharge", "logger-ends-slowly"} {
				sc := scenario(t, name)
				v := validate.Judge(sc, nameless(t, d.New, sc), validate.Options{Unnamed: func() map[string]string { return columns }})
				if v.Pass != nil && !*v.Pass {
					t.Errorf("%s: %s", sc.Name, complaint(v))
				}
			}
		})
	}
	for name, shows := range map[string]string{"tick-wrap": "tick-wrap-mid-discharge", "mean-energy": "pulses-rows-70s", "midnight-reset": "midnight-mid-discharge",
		"restart-loss": "power-cut-mid-discharge", "dead-band": "drip"} {
		t.Run(name, func(t *testing.T) {
			d, ok := loggers.ByName(name)
			if !ok {
				t.Fatal("no such logger")
			}
			columns, sc := told(t, d.New), scenario(t, shows)
			v := validate.Judge(sc, nameless(t, d.New, sc), validate.Options{Unnamed: func() map[string]string { return columns }})
			if v.Pass == nil || *v.Pass || len(v.Findings) == 0 || v.Findings[0].Cause != d.Cause {
				t.Errorf("%s: %s, want %s", shows, complaint(v), d.Cause)
			}
		})
	}
}

// TestNoHeaderAlone: a log that was written elsewhere is told by itself alone, or not at all: never wrongly.
func TestNoHeaderAlone(t *testing.T) {
	for _, name := range []string{"left-rectangle", "split-totals", "milli-units", "iso-offset", "minimal"} {
		d, _ := loggers.ByName(name)
		for _, c := range []struct {
			scenario string
			told     bool
		}{{"charge-then-discharge", true}, {"charge-to-taper", true}, {"rig-shunt-off", true}, {"discharge-two-rates", true}, {"rest-with-noise", false}} {
			sc := scenario(t, c.scenario)
			rec := nameless(t, d.New, sc)
			columns := validate.TellColumns(sc, rec)
			if (columns != nil) != c.told {
				t.Errorf("%s, %s: told %v", name, c.scenario, columns)
			}
			if v := validate.Judge(sc, rec, validate.Options{}); c.told && v.Pass != nil && !*v.Pass {
				t.Errorf("%s, %s: %s", name, c.scenario, complaint(v))
			}
		}
	}
}

// TestNamedColumnsAreNotTold: what a header says is never guessed at.
func TestNamedColumnsAreNotTold(t *testing.T) {
	sc := scenario(t, "load-steps")
	rec, err := emulator.Run(context.Background(), sc.Setup, link.NewInProcess(loggers.Good(), 1))
	if err != nil {
		t.Fatal(err)
	}
	if columns := validate.TellColumns(sc, rec); columns != nil {
		t.Errorf("told %v", columns)
	}
}

// TestNoHeaderWhole: a log that came whole and does not name its columns is placed by the time that tells itself, Unix time or a date; no current that
// rises through a discharge is taken for it.
func TestNoHeaderWhole(t *testing.T) {
	for _, name := range []string{"unix-time", "iso-offset", "elapsed"} {
		d, ok := loggers.ByName(name)
		if !ok {
			t.Fatal("no such logger")
		}
		for _, scenarioName := range []string{"load-steps", "deep-discharge", "charge-then-discharge"} {
			sc := scenario(t, scenarioName)
			rec := nameless(t, d.New, sc)
			rec.Stream = true
			for i := range rec.Rows {
				rec.Rows[i].After = len(rec.Readings.T) - 1
			}
			if v := validate.Judge(sc, rec, validate.Options{}); v.Pass == nil || !*v.Pass {
				t.Errorf("%s, %s: %s", name, scenarioName, complaint(v))
			}
		}
	}
}
