package model

import (
	"strings"
	"testing"
)

func TestHarmfulPlansAreNamed(t *testing.T) {
	p := mustPack(t, "agm-12v-7ah")
	good := Step{Kind: Charge, Load: Load{Current: 1}, Voltage: 14.4, Ends: Ends{Time: 20 * hour, Charge: 9 * 3600, Current: 0.07}}
	with := func(change func(*Step)) Plan {
		s := good
		change(&s)
		return Plan{{Kind: Rest, Ends: Ends{Time: second}}, s}
	}
	cases := []struct {
		name    string
		plan    Plan
		ambient float64
		what    string
	}{
		{"harmless", with(func(*Step) {}), 0, ""},
		{"overvoltage", with(func(s *Step) { s.Voltage = 16 }), 0, "charging to 16 V (limit: 15 V)"},
		{"no voltage limit", with(func(s *Step) { s.Voltage = 0 }), 0, "without a voltage limit"},
		{"overcurrent", with(func(s *Step) { s.Load.Current = 5 }), 0, "charging with 5 A (limit: 2.1 A)"},
		{"no Ah backstop", with(func(s *Step) { s.Ends.Charge = 0 }), 0, "without an Ah backstop"},
		{"a backstop that is none", with(func(s *Step) { s.Ends.Charge = 1e6 }), 0, "an Ah backstop of"},
		{"no time", with(func(s *Step) { s.Ends.Time = 0 }), 0, "nothing is sure to end this charge"},
		{"cold", with(func(*Step) {}), 250, "charging at"},
		{"hot", with(func(*Step) {}), 330, "charging at"},
		{"too deep", Plan{{Kind: Discharge, Load: Load{Current: 1.4}, Ends: Ends{Voltage: 8}}}, 0, "discharging to 8 V"},
		{"logger alone", Plan{{Kind: Discharge, Load: Load{Current: 1.4}, Ends: Ends{Logger: 10.2}}}, 0, "only the logger decides"},
		{"logger too deep", Plan{{Kind: Discharge, Load: Load{Current: 1.4}, Ends: Ends{Logger: 8, Floor: 9.5}}}, 0, "a logger that stops at 8 V"},
		{"too long", Plan{{Kind: Discharge, Load: Load{Current: 1.4}, Ends: Ends{Time: 20 * hour}}}, 0, "with no voltage to stop at"},
		{"fuse", Plan{{Kind: Discharge, Load: Load{Current: 20}, Ends: Ends{Voltage: 9.6}}}, 0, "the fuse at the pack"},
		{"endless", Plan{{Kind: Discharge, Load: Load{Current: 1}}}, 0, "nothing would end this discharge"},
		{"discharge overcurrent", Plan{{Kind: Discharge, Load: Load{Current: 50}, Ends: Ends{Voltage: 9.6}}}, 0, "discharging with 50 A (limit: 35 A)"},
	}
	for _, c := range cases {
		var all []string
		for _, h := range p.CheckPlan(c.plan, c.ambient) {
			all = append(all, h.Error())
			if !strings.Contains(h.Error(), deference) || h.Caution == "" {
				t.Errorf("%s: no caution: %v", c.name, h)
			}
		}
		text := strings.Join(all, "\n")
		if c.what == "" && text != "" || !strings.Contains(text, c.what) {
			t.Errorf("%s: got %q, want %q", c.name, text, c.what)
		}
	}
}

func TestNickelIsNotChargedInParallel(t *testing.T) {
	p := *mustPack(t, "nimh-7v2-3ah")
	if h := p.CheckPlan(Plan(p.ChargeSteps(0, 0, 0)), 0); h != nil {
		t.Errorf("one string: %v", h)
	}
	p.Parallel = 2
	if h := p.CheckPlan(Plan(p.ChargeSteps(0, 0, 0)), 0); len(h) != 1 || h[0].What != "charging strings in parallel" {
		t.Errorf("two strings: %v", h)
	}
}

func TestLevelsFollowTheRate(t *testing.T) {
	p := mustPack(t, "agm-12v-7ah")
	for _, c := range []struct {
		word string
		amps float64
		want float64
	}{
		{"end", 0.35, 10.5}, {"end", 1.4, 10.2}, {"end", 7, 9.6}, {"end", 70, 9.6}, {"end", 0.001, 10.8}, {"end", 0, 10.5},
		{"floor", 7, 8.4}, {"absorb", 0, 14.52}, {"float", 0, 13.62},
	} {
		got, err := p.Level(c.word, c.amps)
		if err != nil {
			t.Error(err)
		}
		near(t, c.word, got, c.want, 1e-9)
	}
	for _, word := range []string{"taper", "top", ""} {
		if _, err := p.Level(word, 1); err == nil {
			t.Errorf("level %q was accepted", word)
		}
	}
	near(t, "taper", p.Taper(), 0.07, 1e-12)
}
