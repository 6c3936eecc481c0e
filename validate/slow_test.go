package validate_test

import (
	"testing"

	"stuntcell/emulator/link"
	"stuntcell/validate/report"
	"stuntcell/validate/verdict"
)

// TestStopsOverASuite: in one run a slow mean of the volts, a longer wait and a lower level look alike. What each would have to be in the other
// runs, those included in which the load was not switched off, tells them apart.
func TestStopsOverASuite(t *testing.T) {
	held := func(l *habitual, below bool) bool {
		if !below {
			l.clock = 0
		} else if l.clock == 0 {
			l.clock = l.now
		}
		return below && l.now-l.clock >= float64(l.g.CutoffHoldMS)/1000
	}
	var mean float64
	for name, tc := range map[string]struct {
		habit habit
		want  string
	}{
		"smoothed over 90 readings": {habit{stops: func(l *habitual, good bool) bool {
			if l.n == 1 {
				mean = l.v
			}
			mean += (l.v - mean) / 90
			return held(l, mean < float64(l.g.CutoffMV)/1000)
		}}, "cutoff-late"},
		"0.39 V below": {habit{stops: func(l *habitual, good bool) bool { return held(l, l.v < float64(l.g.CutoffMV)/1000-0.39) }}, "cutoff-wrong-level"},
		"95 s later": {habit{stops: func(l *habitual, good bool) bool {
			return l.below >= 0 && l.now-l.below >= float64(l.g.CutoffHoldMS)/1000+95
		}}, "cutoff-late"},
	} {
		var all []*verdict.Verdict
		for _, s := range []string{"logger-ends-after-start-pulse", "tick-wrap-mid-discharge", "weak-cell-in-string", "logger-ends-with-rebound", "logger-ends-slowly"} {
			v, _ := judged(t, named(t, s), func(link.Store) link.Logger { return &habitual{habit: tc.habit} })
			all = append(all, v)
		}
		if most := report.Count(all).MostLikely(); most == nil || most.Cause != tc.want {
			t.Errorf("%s: most likely %+v, want %s", name, most, tc.want)
		}
	}
}
