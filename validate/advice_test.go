package validate_test

import (
	"testing"

	"stuntcell/scenarios"
	"stuntcell/validate/loggers"
)

// TestAdviceIsTrue: scenarios in which a healthy logger once was told something of its firmware that is not so.
func TestAdviceIsTrue(t *testing.T) {
	for _, alarm := range []struct{ logger, why, scenario string }{
		{"left-rectangle", "the current changes within the row of a wrap: a step less by another rule comes to the same", `
scenario: wrap-in-the-row-of-an-edge
summary: A counter of microseconds wraps in each row of two hours, and one of them has the edge.
plan:
  - {rest: 3 h}
  - {discharge: 0.02 C, ends: {time: 9 h}}
settings: {log: 2 h}
rig: {tick: {bits: 32, rate: 1 MHz}, readings: {nominal: 20 s}, front: {shunt_step: 1 uV}}
`},
	} {
		t.Run(alarm.logger+": "+alarm.why, func(t *testing.T) {
			sc, err := scenarios.Parse("scenario.yaml", []byte(alarm.scenario), scenarios.Env{})
			if err != nil {
				t.Fatal(err)
			}
			h, ok := loggers.ByName(alarm.logger)
			if !ok {
				t.Fatal("no such logger")
			}
			v, _ := judged(t, sc, h.New)
			if c := complaint(v); c != "" {
				t.Error(c)
			}
			for _, f := range v.Findings {
				if f.Of == "firmware" {
					t.Errorf("%s: %s", f.Cause, f.Evidence)
				}
			}
		})
	}
}
