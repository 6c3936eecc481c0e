package validate_test

import (
	"context"
	"fmt"
	"testing"
	"time"

	"stuntcell/emulator"
	"stuntcell/emulator/link"
	"stuntcell/validate"
)

// TestWallClocksOfWholeLogs: a log that came whole has nothing but its own times to place its rows. Where these turn with summer time, or
// are none at all, the other rows tell the place, and no total is held against it.
func TestWallClocksOfWholeLogs(t *testing.T) {
	berlin, err := time.LoadLocation("Europe/Berlin")
	if err != nil {
		t.Skip("no zones on this machine")
	}
	wall := func(format string) func(*link.Reading) string {
		return func(r *link.Reading) string { return time.Unix(r.Clock, 0).In(berlin).Format(format) }
	}
	for name, tc := range map[string]struct {
		when           func(*link.Reading) string
		scenario, want string
	}{
		"an hour comes twice":                 {wall(time.DateTime), "summer-time-ends", "local-time"},
		"an hour comes twice, without a date": {wall(time.TimeOnly), "summer-time-ends", "local-time"},
		"an hour is left out":                 {wall(time.DateTime), "summer-time-begins", "local-time"},
		"one zone all along": {func(r *link.Reading) string {
			return time.Unix(r.Clock+3600, 0).UTC().Format(time.DateTime)
		}, "summer-time-ends", ""},
		"the clock was set": {func(r *link.Reading) string { return time.Unix(r.Clock, 0).UTC().Format(time.DateTime) }, "clock-set-back", ""},
		"a 31st of September": {func(r *link.Reading) string {
			if d := time.Unix(r.Clock, 0).UTC(); d.Month() == time.October {
				return "2026-09-31 " + d.Format(time.TimeOnly)
			}
			return time.Unix(r.Clock, 0).UTC().Format(time.DateTime)
		}, "month-end", "wrong-date"},
	} {
		t.Run(name, func(t *testing.T) {
			sc := named(t, tc.scenario)
			build := func(link.Store) link.Logger {
				return &habitual{habit: habit{header: "time,V,A,Ah,Wh", row: func(l *habitual, r *link.Reading) string {
					return fmt.Sprintf("%s,%.3f,%.4f,%.5f,%.4f", tc.when(r), l.v, l.i, l.q/3600, l.e/3600)
				}}}
			}
			rec, err := emulator.Run(context.Background(), sc.Setup, link.NewInProcess(build, sc.Setup.Seed))
			if err != nil {
				t.Fatal(err)
			}
			rec.Stream = true
			for i := range rec.Rows { // all of it came at the end
				rec.Rows[i].After = len(rec.Readings.T) - 1
			}
			v := validate.Judge(sc, rec, validate.Options{Tool: "test"})
			if tc.want == "" && !*v.Pass || tc.want != "" && (*v.Pass || v.Findings[0].Cause != tc.want) {
				t.Errorf("pass %v, want %q: %s", *v.Pass, tc.want, complaint(v))
			}
			for _, f := range v.Findings {
				if f.Severity == "failure" && f.Cause != tc.want {
					t.Errorf("also %s: %s", f.Cause, f.Evidence)
				}
			}
		})
	}
}
