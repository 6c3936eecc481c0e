package validate_test

import (
	"fmt"
	"math"
	"testing"
	"time"

	"stuntcell/emulator/link"
	"stuntcell/validate/loggers"
	"stuntcell/validate/verdict"
)

// TestNothingElseIsNamed: of a logger with one mistake no other failure is told by its side, whatever else would look like it there.
func TestNothingElseIsNamed(t *testing.T) {
	ofHabit := func(h habit) loggers.Build { return func(link.Store) link.Logger { return &habitual{habit: h} } }
	twice := habit{amps: func(i float64) float64 { return 2 * i }}
	always := func(s float64) habit { return habit{dt: func(uint64, float64) float64 { return s }} }
	for name, tc := range map[string]struct {
		build          loggers.Build
		scenario, want string
	}{
		"a factor of the noise is no sign":         {ofHabit(twice), "rest-with-noise", "gain"},
		"a factor that amperes show is no period":  {ofHabit(twice), "logger-ends-with-rebound", "gain"},
		"a period, where readings fail":            {ofHabit(always(1)), "readings-fail-mid-discharge", "nominal-dt"},
		"a period that is right, and the counter":  {ofHabit(always(2)), "rig-tick-rate", ""},
		"too much of everything, after a cut":      {defect(t, "unit-factor"), "power-cut-torn-file", "unit-factor"},
		"rows counted in seconds of one reading":   {countedRows(), "bench", "nominal-dt"},
		"a signed counter takes from what flowed":  {signedSplit(false), "tick-past-half", "signed-tick"},
		"a signed counter turns what flowed round": {signedSplit(true), "tick-past-half", "signed-tick"},
		"the values of two rows before":            {rowsBefore(2), "rows-1h", "stale-reading"},
		"a constant while current flows":           {ofHabit(habit{amps: whileFlowing(false)}), "discharge-two-rates", "offset"},
		"... at a few counts":                      {ofHabit(habit{amps: whileFlowing(false)}), "drip", "offset"},
		"... either way":                           {ofHabit(habit{amps: whileFlowing(true)}), "store-and-return", "offset"},
		"... in split totals":                      {splitTotals(whileFlowing(false), true), "store-and-return", "offset"},
		"the first volts and the present":          {endsOfRun(), "deep-discharge", "mean-energy"},
		"the interval and what the loop takes":     {later(10500 * time.Millisecond), "leap-day", "schedule-creep"},
		"fifteen bits of the interval":             {fifteenBits(), "rows-40s", "narrow-interval"},
		"all into one total of a pair":             {splitTotals(nil, false), "drip", "both-add"},
		"... where readings fail":                  {splitTotals(nil, false), "readings-fail-mid-discharge", "both-add"},
		"... at one small current":                 {splitTotals(nil, false), "rows-1h", "both-add"},
		"... where other sums would be nothing":    {splitTotals(nil, false), "logger-ends-with-rebound", "both-add"},
		"a width that is reached after a cut":      {narrowSum(), "power-cut-mid-discharge", "total-overflow"},
		"a row in two lines, and a wrap":           {twoLines(), "tick-wrap-mid-discharge", "broken-row"},
		"twelve hours from noon on":                {twelveHours(), "leap-day", "local-time"},
		"twelve hours in the evening, elsewhere":   {twelveHours(), "midnight-mid-discharge", "local-time"},
		"volts through a slow filter":              {filteredVolts(256), "discharge-two-rates", "stale-reading"},
		"nothing left at each write that fails":    {zeroedByCard(), "card-fails-mid-run", "card-loss"},
		"whole volts in the energy":                {ofHabit(habit{read: wholeVolts()}), "discharge-two-rates", "truncated-sum"},
		"volts and amperes in the other order":     {exchanged(), "leap-day", "unit-factor"},
		"years since 1900":                         {years1900(), "leap-day", "wrong-date"},
		"whole milliamperes of a step's mean":      {wholeMilli(), "rows-2h-for-two-days", "truncated-sum"},
	} {
		t.Run(name, func(t *testing.T) {
			v, _ := judged(t, named(t, tc.scenario), tc.build)
			if *v.Pass != (tc.want == "") || tc.want != "" && v.Findings[0].Cause != tc.want {
				t.Errorf("pass %v, want %q: %s", *v.Pass, tc.want, complaint(v))
			}
			for _, f := range v.Findings {
				if f.Severity == verdict.Failure && f.Confidence >= 0.5 && f.Cause != tc.want {
					t.Errorf("also %s: %s", f.Cause, f.Evidence)
				}
			}
		})
	}
}

// whileFlowing adds 15 mA to what is not zero, or to its size.
func whileFlowing(size bool) func(float64) float64 {
	return func(i float64) float64 {
		switch {
		case i == 0:
			return 0
		case size && i < 0:
			return i - 0.015
		}
		return i + 0.015
	}
}

// splitTotals has a total for each direction; one that does not part its energy takes the size of a power before it asks for its direction.
func splitTotals(amps func(float64) float64, partsEnergy bool) loggers.Build {
	return func(link.Store) link.Logger {
		var sum [4]float64 // Ah in and out, Wh in and out
		last := 0.0
		return &habitual{habit: habit{header: "time,V,A,Ah in,Ah out,Wh in,Wh out", amps: amps, read: func(l *habitual, _ *link.Reading) {
			h := (l.up - last) / 3600
			last = l.up
			side := 0
			if l.i < 0 {
				side = 1
			}
			sum[side] += math.Abs(l.i) * h
			if !partsEnergy {
				side = 0
			}
			sum[2+side] += math.Abs(l.i) * l.v * h
		}, row: func(l *habitual, r *link.Reading) string {
			return fmt.Sprintf("%s,%.3f,%.4f,%.5f,%.5f,%.4f,%.4f", time.Unix(r.Clock, 0).UTC().Format(time.DateTime), l.v, l.i, sum[0], sum[1], sum[2], sum[3])
		}}}
	}
}

// TestOneWayOfAPair: totals of a pair that both stay at nothing are no pair of which one takes all, one in each column.
func TestOneWayOfAPair(t *testing.T) {
	v, _ := judged(t, named(t, "rest-with-noise"), splitTotals(func(float64) float64 { return 0 }, true))
	if *v.Pass || v.Findings[0].Cause == "both-add" || v.Findings[0].Cause == "one-way" {
		t.Errorf("pass %v: %s", *v.Pass, complaint(v))
	}
}

// TestStopBesideAWrongSum: energy in the wrong unit stops nothing too early, so that both are told.
func TestStopBesideAWrongSum(t *testing.T) {
	v, _ := judged(t, named(t, "logger-ends-after-start-pulse"), func(link.Store) link.Logger {
		return &habitual{habit: habit{watts: func(p float64) float64 { return 1000 * p }, stops: func(l *habitual, _ bool) bool { return l.below >= 0 }}}
	})
	sure := map[string]bool{}
	for _, f := range v.Findings {
		sure[f.Cause] = f.Severity == verdict.Failure && f.Confidence >= 0.9
	}
	if !sure["unit-factor"] || !sure["cutoff-early"] {
		t.Errorf("want unit-factor and cutoff-early: %s", complaint(v))
	}
}

func defect(t *testing.T, name string) loggers.Build {
	t.Helper()
	d, ok := loggers.ByName(name)
	if !ok {
		t.Fatalf("no logger %s", name)
	}
	return d.New
}

// endsOfRun takes the mean of the first volts and the present ones for that of the whole run.
func endsOfRun() loggers.Build {
	return func(link.Store) link.Logger {
		first := 0.0
		return &habitual{habit: habit{read: func(l *habitual, _ *link.Reading) {
			if l.n == 1 {
				first = l.v
			}
			l.e = l.q * (first + l.v) / 2
		}}}
	}
}

// later writes its next row at the first reading that is so much later than the last.
func later(wait time.Duration) loggers.Build {
	return func(link.Store) link.Logger {
		next := 0.0
		return &habitual{habit: habit{read: func(l *habitual, _ *link.Reading) {
			if l.due = math.Inf(1); l.up >= next {
				l.due, next = l.up, l.up+wait.Seconds()
			}
		}}}
	}
}

// fifteenBits has masked off the sign of an interval in 16 bits.
func fifteenBits() loggers.Build {
	return func(link.Store) link.Logger {
		next := 0.0
		return &habitual{habit: habit{read: func(l *habitual, _ *link.Reading) {
			if l.due = math.Inf(1); l.up >= next {
				l.due, next = l.up, next+float64(l.g.LogMS&0x7fff)/1000
			}
		}}}
	}
}

// narrowSum keeps its charge of a minute ago over a power cut, in 32 bits of 4 uA·s.
func narrowSum() loggers.Build {
	kept := 0.0
	return func(link.Store) link.Logger {
		return &habitual{habit: habit{read: func(l *habitual, _ *link.Reading) {
			if l.n == 1 {
				l.q = kept
			}
			if l.n%60 == 0 {
				kept = l.q
			}
		}, row: func(l *habitual, r *link.Reading) string {
			sum := float64(int32(int64(l.q/4e-6))) * 4e-6
			return fmt.Sprintf("%s,%.3f,%.3f,%.4f,%.5f,%.4f", time.Unix(r.Clock, 0).UTC().Format(time.DateTime), l.up, l.v, l.i, sum/3600, l.e/3600)
		}}}
	}
}

// twoLines ends some rows behind their time, those after the counter's wrap.
func twoLines() loggers.Build {
	return func(link.Store) link.Logger {
		return &habitual{habit: habit{row: func(l *habitual, r *link.Reading) string {
			when := time.Unix(r.Clock, 0).UTC().Format(time.DateTime)
			if l.up > 2395 && l.up < 2500 {
				return when
			}
			return l.plain(when)
		}}}
	}
}

// twelveHours has no half of the day in its format.
func twelveHours() loggers.Build {
	return func(link.Store) link.Logger {
		return &habitual{habit: habit{row: func(l *habitual, r *link.Reading) string {
			return l.plain(time.Unix(r.Clock+int64(l.g.ZoneMin)*60, 0).UTC().Format("2006-01-02 03:04:05"))
		}}}
	}
}

// filteredVolts shows a running mean of its voltage.
func filteredVolts(n float64) loggers.Build {
	return func(link.Store) link.Logger {
		level := 0.0
		return &habitual{habit: habit{read: func(l *habitual, _ *link.Reading) {
			if level += (l.v - level) / n; l.n == 1 {
				level = l.v
			}
		}, row: func(l *habitual, r *link.Reading) string {
			return fmt.Sprintf("%s,%.3f,%.3f,%.4f,%.5f,%.4f", time.Unix(r.Clock, 0).UTC().Format(time.DateTime), l.up, level, l.i, l.q/3600, l.e/3600)
		}}}
	}
}

// zeroedByCard begins its totals anew with each row that the card does not take.
func zeroedByCard() loggers.Build {
	return func(link.Store) link.Logger {
		fails := false
		return &habitual{habit: habit{read: func(_ *habitual, r *link.Reading) { fails = r.CardFail }, row: func(l *habitual, r *link.Reading) string {
			if fails {
				l.q, l.e = 0, 0
			}
			return l.plain(time.Unix(r.Clock, 0).UTC().Format(time.DateTime))
		}}}
	}
}

// wholeVolts multiplies by whole volts.
func wholeVolts() func(l *habitual, _ *link.Reading) {
	last, sum := 0.0, 0.0
	return func(l *habitual, _ *link.Reading) {
		sum += l.i * math.Floor(l.v) * (l.up - last)
		last, l.e = l.up, sum
	}
}

// exchanged writes amperes before volts, and its header the other way round.
func exchanged() loggers.Build {
	return func(link.Store) link.Logger {
		return &habitual{habit: habit{row: func(l *habitual, r *link.Reading) string {
			return fmt.Sprintf("%s,%.3f,%.4f,%.3f,%.5f,%.4f", time.Unix(r.Clock, 0).UTC().Format(time.DateTime), l.up, l.i, l.v, l.q/3600, l.e/3600)
		}}}
	}
}

// years1900 prints the year of a struct tm as it is.
func years1900() loggers.Build {
	return func(link.Store) link.Logger {
		return &habitual{habit: habit{header: "time,V,A,Ah,Wh", row: func(l *habitual, r *link.Reading) string {
			t := time.Unix(r.Clock, 0).UTC()
			return fmt.Sprintf("%d-%s,%.3f,%.4f,%.5f,%.4f", t.Year()-1900, t.Format("01-02 15:04:05"), l.v, l.i, l.q/3600, l.e/3600)
		}}}
	}
}

// countedRows writes a row after as many readings as its interval has seconds.
func countedRows() loggers.Build {
	return func(link.Store) link.Logger {
		n := 0
		return &habitual{habit: habit{header: "time,V,A,Ah,Wh", read: func(l *habitual, _ *link.Reading) {
			if l.due = l.up + 1; n%int(l.g.LogMS/1000) == 0 {
				l.due = l.up
			}
			n++
		}, wrote: func(*habitual) {}, row: func(l *habitual, r *link.Reading) string {
			return fmt.Sprintf("%s,%.3f,%.4f,%.5f,%.4f", time.Unix(r.Clock, 0).UTC().Format(time.DateTime), l.v, l.i, l.q/3600, l.e/3600)
		}}}
	}
}

// signedSplit takes its counter for a signed number, so that one step of it is negative. By the sign of the current it is taken from the
// total of that side; by that of the product it is added to the other.
func signedSplit(product bool) loggers.Build {
	return func(link.Store) link.Logger {
		var last int32
		var sum [4]float64 // Ah in and out, Wh in and out
		return &habitual{habit: habit{header: "time,V,A,Ah in,Ah out,Wh in,Wh out", read: func(l *habitual, r *link.Reading) {
			dt := float64(int64(int32(r.Tick))-int64(last)) / 1000 / 3600
			if last = int32(r.Tick); l.n == 1 {
				return
			}
			q, e, side := l.i*dt, l.i*l.v*dt, 0
			if l.i < 0 && !product || q < 0 && product {
				q, e, side = -q, -e, 1
			}
			sum[side] += q
			sum[2+side] += e
		}, row: func(l *habitual, r *link.Reading) string {
			return fmt.Sprintf("%s,%.3f,%.4f,%.5f,%.5f,%.4f,%.4f", time.Unix(r.Clock, 0).UTC().Format(time.DateTime), l.v, l.i, sum[0], sum[1], sum[2], sum[3])
		}}}
	}
}

// rowsBefore shows volts and amperes that it read for an earlier row.
func rowsBefore(rows int) loggers.Build {
	return func(link.Store) link.Logger {
		var shown [][2]float64
		return &habitual{habit: habit{header: "time,V,A,Ah,Wh", row: func(l *habitual, r *link.Reading) string {
			shown = append(shown, [2]float64{l.v, l.i})
			x := shown[max(len(shown)-1-rows, 0)]
			return fmt.Sprintf("%s,%.3f,%.4f,%.5f,%.4f", time.Unix(r.Clock, 0).UTC().Format(time.DateTime), x[0], x[1], l.q/3600, l.e/3600)
		}}}
	}
}

// wholeMilli sums whole milliampere seconds of whole milliamperes, the mean of a step's two readings.
func wholeMilli() loggers.Build {
	return func(link.Store) link.Logger {
		var sum, last int64
		var before float64
		return &habitual{habit: habit{header: "time,V,A,Ah", read: func(l *habitual, r *link.Reading) {
			now := int64(l.up * 1e6)
			if l.n > 1 {
				sum += int64((l.i+before)/2*1e3*(1+1e-12)) * (now - last) / 1000000
			}
			before, last = l.i, now
		}, row: func(l *habitual, r *link.Reading) string {
			return fmt.Sprintf("%s,%.3f,%.4f,%.5f", time.Unix(r.Clock, 0).UTC().Format(time.DateTime), l.v, l.i, float64(sum)/3.6e6)
		}}}
	}
}
