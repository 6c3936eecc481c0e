package campaign_test

import (
	"context"
	"math"
	"strings"
	"testing"

	"stuntcell/emulator"
	"stuntcell/emulator/link"
	"stuntcell/scenarios"
	"stuntcell/validate"
	"stuntcell/validate/campaign"
	"stuntcell/validate/loggers"
	"stuntcell/validate/verdict"
)

// steady is a scenario whose whole error is that of the rig's parts: a steady current, counts so fine that rounding is nothing, a row at
// one of the last two readings whatever the counter does.
func steady(t *testing.T, total, tolerance string) *scenarios.Scenario {
	t.Helper()
	sc, err := scenarios.Parse("steady.yaml", []byte(`
scenario: steady
summary: A steady current.
start: {isothermal: true}
plan: [{discharge: 0.2 C, ends: {time: 3602 s}}]
rig:
  shunt: {tempco: 0 ppm/K, rise: 0 K/W}
  front: {shunt_step: 10 nV, shunt_max: 10000000, shunt_noise: 0 V, bus_step: 1 uV, bus_max: 60000000, bus_noise: 0 V}
  tick: {error: 0 ppm, rate: 1000000 Hz}
  tolerance: `+tolerance+`
expect: {total: `+total+`}
`), scenarios.Env{})
	if err != nil {
		t.Fatal(err)
	}
	return sc
}

// cornered judges a built-in logger over the corners.
func cornered(t *testing.T, sc *scenarios.Scenario, build loggers.Build, sample int) *verdict.Verdict {
	t.Helper()
	prove := func(ctx context.Context, sc *scenarios.Scenario) (*verdict.Verdict, error) {
		rec, err := emulator.Run(ctx, sc.Setup, link.NewInProcess(build, sc.Setup.Seed))
		if err != nil {
			return nil, err
		}
		return validate.Judge(sc, rec, validate.Options{Logger: "built-in"}), nil
	}
	v, err := prove(context.Background(), sc)
	if err != nil {
		t.Fatal(err)
	}
	c := campaign.Corners{Sample: sample, Seed: 1, Prove: prove}
	if err := c.Judge(context.Background(), sc, v); err != nil {
		t.Fatal(err)
	}
	return v
}

func cornersCheck(t *testing.T, v *verdict.Verdict) verdict.Check {
	t.Helper()
	c := v.Checks[len(v.Checks)-1]
	if c.Name != "corners" {
		t.Fatalf("the last check is %s", c.Name)
	}
	return c
}

// TestCornersFindTheWorst: with a steady current the errors of the parts multiply: shunt, gain and counter for the charge, the gain of
// the voltage too for the energy, and an offset adds its share of the shunt's voltage. The worst corner is known without a run.
func TestCornersFindTheWorst(t *testing.T) {
	sc := steady(t, "1 %", "{shunt: 0.5 %, shunt_gain: 0.2 %, shunt_offset: 4 uV, tick: 50 ppm, bus_gain: 0.3 %}")
	v := cornered(t, sc, loggers.Good(), 12)
	const drop = 1.4 * 1.5e-3 // [V] across the shunt at the true current
	factor := func(way float64) float64 {
		// A discharge is negative, so an offset that makes it look smaller is positive.
		return ((1+0.005*way)*drop + 4e-6*way) / drop * (1 + 0.002*way) * (1 + 50e-6*way)
	}
	near := func(what string, got, want float64) {
		if math.Abs(got-want) > 2e-5 {
			t.Errorf("%s: %.6f, want %.6f", what, got, want)
		}
	}
	c := v.Corners
	if c == nil {
		t.Fatalf("no corners: %+v", v.Checks)
	}
	near("charge, least", c.Charge[0], 1-factor(1))
	near("charge, most", c.Charge[1], 1-factor(-1))
	near("energy, least", c.Energy[0], 1-factor(1)*1.003)
	near("energy, most", c.Energy[1], 1-factor(-1)*0.997)
	near("worst", c.Worst.Value, 1-factor(1)*1.003)
	if c.Worst.Of != "energy" || c.Worst.At != "shunt +, shunt_gain +, shunt_offset -, bus_gain +, tick +" {
		t.Errorf("worst: %+v", c.Worst)
	}
	var parts []string
	for _, p := range c.Parts {
		parts = append(parts, p.Name)
	}
	if got := strings.Join(parts, " "); got != "shunt bus_gain shunt_gain shunt_offset tick" {
		t.Errorf("by what each does: %s", got)
	}
	// 10 ends, 4 corners of which those of charge and energy differ, 12 of the sample, the middle.
	if c.Sampled != 12 || c.Runs != 1+10+4+12 {
		t.Errorf("%d runs, %d sampled", c.Runs, c.Sampled)
	}
	check := cornersCheck(t, v)
	if check.Pass == nil || *check.Pass || *v.Pass || v.Findings[0].Cause != "shunt-gain" || v.Findings[0].Severity != verdict.Failure {
		t.Errorf("%+v, %+v", check, v.Findings)
	}
}

// TestCornersWithinTheLimit: what is allowed holds, and says so.
func TestCornersWithinTheLimit(t *testing.T) {
	v := cornered(t, steady(t, "1 %", "{shunt: 0.5 %, tick: 50 ppm}"), loggers.Good(), 5)
	check := cornersCheck(t, v)
	if check.Pass == nil || !*check.Pass || !*v.Pass || v.Corners.Outside != 0 || len(v.Findings) != 0 {
		t.Errorf("%+v, %+v", check, v.Findings)
	}
	if again := cornered(t, steady(t, "1 %", "{shunt: 0.5 %, tick: 50 ppm}"), loggers.Good(), 5); *cornersCheck(t, again).Value != *check.Value {
		t.Error("the same seed gave another figure")
	}
}

// TestCornersNameTheDominantPart: what does the harm is what is named.
func TestCornersNameTheDominantPart(t *testing.T) {
	for tolerance, cause := range map[string]string{
		"{shunt_offset: 60 uV, shunt: 0.1 %}": "zero-offset",
		"{tick: 3 %, shunt: 0.1 %}":           "tick-rate",
		"{draw: 100 mA, shunt: 0.1 %}":        "own-draw",
	} {
		v := cornered(t, steady(t, "1 %", tolerance), loggers.Good(), 0)
		if *v.Pass || v.Findings[0].Cause != cause {
			t.Errorf("%s: %+v", tolerance, v.Findings)
		}
	}
}

// TestCornersSkipped: where nothing can be said it is said why.
func TestCornersSkipped(t *testing.T) {
	none := steady(t, "1 %", "{shunt: 0.5 %}")
	none.Setup.Rig.Tolerance.Shunt = 0
	unasked := steady(t, "1 %", "{shunt: 0.5 %}")
	unasked.Expect.Total = 0
	gain, _ := loggers.ByName("gain")
	silent, _ := loggers.ByName("cannot-totals")
	for name, c := range map[string]struct {
		sc    *scenarios.Scenario
		build loggers.Build
		want  string
	}{
		"no tolerance": {none, loggers.Good(), "states no tolerance"},
		"no limit":     {unasked, loggers.Good(), "expects no total"},
		"wrong logger": {steady(t, "5 %", "{shunt: 0.5 %}"), gain.New, "fails with the rig as its file says"},
		"no totals":    {steady(t, "1 %", "{shunt: 0.5 %}"), silent.New, "no totals"},
	} {
		v := cornered(t, c.sc, c.build, 3)
		if check := cornersCheck(t, v); check.Pass != nil || !strings.Contains(check.Skipped, c.want) || v.Corners != nil {
			t.Errorf("%s: %+v", name, check)
		}
	}
}
