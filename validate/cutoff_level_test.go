package validate_test

import (
	"testing"

	"stuntcell/emulator/link"
)

// TestLevelAfterStartPulses: dips that are shorter than the hold say nothing of the level at which a logger stops in the end.
func TestLevelAfterStartPulses(t *testing.T) {
	v, _ := judged(t, named(t, "logger-ends-after-start-pulse"), func(link.Store) link.Logger {
		since := -1.0
		return &habitual{habit: habit{stops: func(l *habitual, good bool) bool {
			whole := float64(l.g.CutoffMV / 1000) // whole volts
			switch {
			case good && l.v >= whole:
				since = -1
			case good && since < 0:
				since = l.now
			}
			return since >= 0 && l.now-since >= float64(l.g.CutoffHoldMS)/1000
		}}}
	})
	if *v.Pass || v.Findings[0].Cause != "cutoff-wrong-level" {
		t.Errorf("pass %v, want cutoff-wrong-level: %s", *v.Pass, complaint(v))
	}
}
