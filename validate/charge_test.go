package validate_test

import (
	"strings"
	"testing"

	"stuntcell/scenarios"
	"stuntcell/validate/loggers"
)

// TestChargeEndIsJudgedByReadings: a noisy front end, or one that reads a little low behind a lead, moves the instant at which a
// logger can see that a charge is over. None of that is the logger's.
func TestChargeEndIsJudgedByReadings(t *testing.T) {
	plain := string(scenarios.Source("charge-to-taper"))
	for name, rig := range map[string]string{
		"noisy":     "{readings: {nominal: 4 s}, front: {shunt_noise: 60 uV, bus_noise: 12 mV, conversions: 4}}",
		"reads-low": "{readings: {nominal: 4 s}, front: {bus_gain: -0.2 %}, wiring: {lead: 20 mohm}}",
	} {
		var b strings.Builder
		for line := range strings.Lines(plain) {
			if strings.HasPrefix(line, "rig:") {
				line = "rig: " + rig + "\n"
			}
			b.WriteString(line)
		}
		if b.String() == plain {
			t.Fatal("the scenario names its rig in another way: the test shows nothing")
		}
		sc, err := scenarios.Parse(name+".yaml", []byte(b.String()), scenarios.Env{})
		if err != nil {
			t.Fatal(err)
		}
		if v, _ := judged(t, sc, loggers.Good()); complaint(v) != "" {
			t.Errorf("%s: %s", name, complaint(v))
		}
	}
}
