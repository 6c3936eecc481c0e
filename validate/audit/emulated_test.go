package audit

import (
	"context"
	"os"
	"slices"
	"strings"
	"testing"

	"stuntcell/emulator"
	"stuntcell/emulator/link"
	"stuntcell/scenarios"
	"stuntcell/validate/logfile"
	"stuntcell/validate/loggers"
)

// emulated audits the log that a built-in logger writes in a scenario: as if it were a real log, without its truth.
func emulated(t *testing.T, name string, build loggers.Build) (*Report, *emulator.Record) {
	t.Helper()
	sc, err := scenarios.ByName(name, scenarios.Env{})
	if err != nil {
		t.Fatal(err)
	}
	rec, err := emulator.Run(context.Background(), sc.Setup, link.NewInProcess(build, sc.Setup.Seed))
	if err != nil {
		t.Fatal(name, err)
	}
	var lines []string
	for _, r := range rec.Rows {
		lines = append(lines, r.Text)
	}
	if len(lines) < 5 {
		return &Report{}, rec // it writes too few rows here
	}
	table, err := logfile.ParseLines(lines, logfile.Options{})
	if err != nil {
		t.Fatal(name, err)
	}
	a := New(Options{Cutoff: sc.Setup.Settings.Cutoff})
	if err := a.Add(table); err != nil {
		// A bare tick: its length is for the user to say, as the message asks.
		tick := table.Find(logfile.Tick, 1)
		if tick == nil {
			t.Fatal(name, err)
		}
		table, err = logfile.ParseLines(lines, logfile.Options{Columns: map[string]string{tick.Header: "tick ms"}})
		if err != nil {
			t.Fatal(name, err)
		}
		if err := a.Add(table); err != nil {
			t.Fatal(name, err)
		}
	}
	return a.Finish(), rec
}

// Loggers that the audit was not tuned to, healthy in many styles, are left alone where the bench does nothing to them: no failure may be found.
func TestEmulatedHealthyLoggers(t *testing.T) {
	logs, alarms := 0, 0
	names := []string{"charge-then-discharge", "load-steps", "rest-with-noise", "tick-wrap-mid-discharge", "power-cuts-twice", "tick-16-bit", "pulses-rows-70s"}
	if os.Getenv("STUNTCELL_REQUIRE") == "all" {
		names = names[:0]
		for _, n := range scenarios.Names() {
			if n != "ten-readings-a-second-for-20h" {
				names = append(names, n)
			}
		}
	}
	// What a log does not say to be healthy, though it is: totals that were never to outlast a power cut, readings that failed, held over
	// the level, and gaps that no total bridges.
	told := map[string]string{"cannot-restore": "restart-loss", "minimal": "restart-loss", "cannot-totals": "missing-rows", "hold-last": "cutoff-late", "hold-half": "cutoff-late"}
	for _, scenario := range names {
		for _, h := range loggers.Healthy() {
			if strings.HasPrefix(h.Name, "cannot-count") {
				continue // it counts one direction only and says so to the bench; a log does not show that it was said
			}
			if h.Name == "bare-tick" && scenario == "tick-microseconds" {
				continue // emulated calls its ticks milliseconds
			}
			r, _ := emulated(t, scenario, h.New)
			logs++
			for _, f := range r.Findings {
				if f.Severity == "failure" && f.Cause != told[h.Name] {
					alarms++
					t.Errorf("%s, %s: %s: %s", scenario, h.Name, f.Cause, f.Evidence)
				}
			}
		}
	}
	t.Logf("%d logs, %d alarms", logs, alarms)
}

// Built-in defective loggers whose mistake a log shows by itself: what the audit, which does not know the truth, calls it.
func TestEmulatedDefects(t *testing.T) {
	for _, c := range []struct{ defect, scenario, want string }{
		{"unit-factor", "charge-then-discharge", "unit-factor"},
		{"both-add", "charge-then-discharge", "both-add"},
		{"one-way", "charge-then-discharge", "one-way"},
		{"offset-quiescent", "charge-then-discharge", "offset"},
		{"nominal-voltage", "deep-discharge", "nominal-voltage"},
		{"total-overflow", "out-and-in-again", "total-overflow"},
		{"setting-jump", "setting-changed", "setting-jump"},
		{"setting-jump-reset", "setting-changed", "total-reset"},
		{"nominal-dt", "readings-slow-and-uneven", "gain"},
		{"truncated-dt", "readings-jittered", "gain"},
		{"duplicate-rows", "card-fails-mid-run", "duplicate-rows"},
		{"disordered-rows", "rows-to-the-last", "disordered-rows"},
		{"broken-row", "rows-to-the-last", "broken-row"},
		{"restart-double", "power-cut-mid-discharge", "restart-double"},
		{"restart-loss", "clock-set-to-build-time", "restart-loss"},
		{"cutoff-late", "logger-ends-after-start-pulse", "cutoff-late"},
		{"local-time", "summer-time-begins", "local-time"},
		{"local-time", "summer-time-ends", "local-time"},
	} {
		d, ok := loggers.ByName(c.defect)
		if !ok {
			t.Fatal("no defect", c.defect)
		}
		r, _ := emulated(t, c.scenario, d.New)
		var got []string
		for _, f := range r.Findings {
			got = append(got, f.Cause)
		}
		if !slices.Contains(got, c.want) {
			t.Errorf("%s in %s: found %v, want %s", c.defect, c.scenario, got, c.want)
		}
	}
}
