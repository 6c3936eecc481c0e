package validate_test

import (
	"testing"

	"stuntcell/scenarios"
	"stuntcell/validate/loggers"
	"stuntcell/validate/verdict"
)

// check finds a check by name.
func check(t *testing.T, v *verdict.Verdict, name string) verdict.Check {
	t.Helper()
	for _, c := range v.Checks {
		if c.Name == name {
			return c
		}
	}
	t.Fatalf("no check %q in %v", name, v.Checks)
	return verdict.Check{}
}

// TestGoal: a total against the truth is judged where it is asked for, and the firmware is none the worse for a shunt that is 3 % off.
func TestGoal(t *testing.T) {
	const text = "scenario: goal\nsummary: A shunt that is 3 % off.\npurpose: The whole rig.\nplan: [{discharge: 0.5 C, ends: {time: 20 min}}]\nrig: {shunt: {error: 3 %}}\n"
	for _, x := range []struct {
		expect string
		asked  bool
		pass   bool
	}{{"", false, true}, {"expect: {total: 1 %}\n", true, false}, {"expect: {total: 5 %}\n", true, true}} {
		sc, err := scenarios.Parse("goal.yaml", []byte(text+x.expect), scenarios.Env{})
		if err != nil {
			t.Fatal(err)
		}
		v, _ := judged(t, sc, loggers.Good())
		c := check(t, v, "total")
		if (c.Pass != nil) != x.asked || c.Pass != nil && *c.Pass != x.pass || *v.Pass != x.pass {
			t.Errorf("%q: total %+v, pass %v", x.expect, c, *v.Pass)
		}
		if c := check(t, v, "charge"); c.Pass == nil || !*c.Pass {
			t.Errorf("%q: charge %+v", x.expect, c)
		}
	}
}

// TestNothingIsHeldAgainstTheDead: rows that are not written after a crash are not missing ones (JUDGING: "after hang or crash later checks are null").
func TestNothingIsHeldAgainstTheDead(t *testing.T) {
	d, ok := loggers.ByName("crash")
	if !ok {
		t.Fatal("no such logger")
	}
	crashed := 0
	for _, sc := range library(t) {
		if sc.Name == "ten-readings-a-second-for-20h" {
			continue
		}
		v, rec := judged(t, sc, d.New)
		if rec.Outcome.Failure == nil {
			continue
		}
		crashed++
		for _, name := range []string{"interval", "rows"} {
			if c := check(t, v, name); c.Pass != nil {
				t.Errorf("%s: %s is judged: %+v", sc.Name, name, c)
			}
		}
		if len(v.Findings) == 0 || v.Findings[0].Cause != "crash" || *v.Pass {
			t.Errorf("%s: %s", sc.Name, complaint(v))
		}
	}
	if crashed == 0 {
		t.Error("it never crashed")
	}
}
