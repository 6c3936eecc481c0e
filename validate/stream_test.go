package validate_test

import (
	"context"
	"fmt"
	"strings"
	"testing"
	"time"

	"stuntcell/emulator"
	"stuntcell/emulator/link"
	"stuntcell/scenarios"
	"stuntcell/validate"
	"stuntcell/validate/loggers"
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
			rec := whole(t, sc, build)
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

// TestTimesThatPlaceWholeLogs: a time of day of any zone, without a date, and microseconds that count from the first reading, of which any whole number of
// even readings later fits as well.
func TestTimesThatPlaceWholeLogs(t *testing.T) {
	hms := func(l *habitual, _ *link.Reading) string {
		s := int(l.up + 1e-9)
		return fmt.Sprintf("%d:%02d:%02d", s/3600, s/60%60, s%60)
	}
	for name, tc := range map[string]struct {
		header, scenario string
		when             func(l *habitual, r *link.Reading) string
	}{
		"three hours and a half east": {"time,V,A,Ah,Wh", "charge-to-taper", func(_ *habitual, r *link.Reading) string {
			return time.Unix(r.Clock+12600, 0).UTC().Format(time.TimeOnly)
		}},
		"... and a year and its day before it": {"year,day of year,time,V,A,Ah,Wh", "load-steps", func(_ *habitual, r *link.Reading) string {
			return time.Unix(r.Clock+12600, 0).UTC().Format("2006,002,15:04:05")
		}},
		"whole seconds since the first reading, of a counter that is fast": {"elapsed,V,A,Ah,Wh", "rig-tick-rate", hms},
		"... of ten readings each": {"elapsed,V,A,Ah,Wh", "second-locked-load", hms},
		"microseconds": {"t_us,V,A,Ah,Wh", "pulses-rows-70s", func(l *habitual, _ *link.Reading) string {
			return fmt.Sprintf("%.0f", 1e6*l.up)
		}},
	} {
		sc := named(t, tc.scenario)
		sc.Setup.Settings.Log = 10e9
		build := func(link.Store) link.Logger {
			return &habitual{habit: habit{header: tc.header, row: func(l *habitual, r *link.Reading) string {
				return fmt.Sprintf("%s,%.3f,%.4f,%.5f,%.4f", tc.when(l, r), l.v, l.i, l.q/3600, l.e/3600)
			}}}
		}
		rec := whole(t, sc, build)
		if v := validate.Judge(sc, rec, validate.Options{Tool: "test"}); !*v.Pass {
			t.Errorf("%s: %s", name, complaint(v))
		}
	}
}

// whole is the record of a run whose log came at its end, all at once.
func whole(t *testing.T, sc *scenarios.Scenario, build loggers.Build) *emulator.Record {
	t.Helper()
	rec, err := emulator.Run(context.Background(), sc.Setup, link.NewInProcess(build, sc.Setup.Seed))
	if err != nil {
		t.Fatal(err)
	}
	rec.Stream = true
	for i := range rec.Rows {
		rec.Rows[i].After = len(rec.Readings.T) - 1
	}
	return rec
}

// TestNoRowInWholeLog: where each row is broken, here by a decimal comma of its own, no time places any.
func TestNoRowInWholeLog(t *testing.T) {
	sc := named(t, "tiny-total")
	build := func(link.Store) link.Logger {
		return &habitual{habit: habit{header: "s,V,A,Ah,Wh", row: func(l *habitual, r *link.Reading) string {
			return fmt.Sprintf("%.3f,\"%s\",%.4f,%.5f,%.4f", l.up, strings.Replace(fmt.Sprintf("%.2f", l.v), ".", ",", 1), l.i, l.q/3600, l.e/3600)
		}}}
	}
	rec := whole(t, sc, build)
	if v := validate.Judge(sc, rec, validate.Options{Tool: "test"}); *v.Pass || v.Findings[0].Cause != "broken-row" {
		t.Errorf("pass %v, want broken-row: %s", *v.Pass, complaint(v))
	}
}

// TestElapsedFromTheLoad: seconds that count from the instant at which the load is closed are below zero before it.
func TestElapsedFromTheLoad(t *testing.T) {
	sc := named(t, "deep-discharge")
	build := func(link.Store) link.Logger {
		return &habitual{habit: habit{header: "s,V,A,Ah,Wh", row: func(l *habitual, r *link.Reading) string {
			return fmt.Sprintf("%.3f,%.3f,%.4f,%.5f,%.4f", l.up-300, l.v, l.i, l.q/3600, l.e/3600)
		}}}
	}
	rec := whole(t, sc, build)
	if v := validate.Judge(sc, rec, validate.Options{Tool: "test"}); complaint(v) != "" || !*v.Pass {
		t.Error(complaint(v))
	}
}
