package model

import (
	"strings"
	"testing"
)

func TestHarmThatShowsInTheRun(t *testing.T) {
	p := mustPack(t, "lfp-12v8-12ah")
	plan := Plan{
		{Kind: Charge, Load: Load{Current: 2}, Voltage: 14.2, Ends: Ends{Time: hour}},
		{Kind: Discharge, Load: Load{Current: 2}, Ends: Ends{Time: hour, Floor: 9}},
	}
	for _, x := range []struct {
		name string
		o    Options
		want string
	}{
		{"inside the range", Options{Start: 0.5}, ""},
		{"cold cells", Options{Start: 0.5, Ambient: 268.15}, "step 1: charging cells at -5.0 degC (limit: 0 degC, of the cells)"},
		// Warm air, cells still cold: the cells count.
		{"cold cells in warm air", Options{Start: 0.5, Ambient: 290, Cell: 268.15}, "step 1: charging cells at -5.0 degC"},
		{"discharged too far", Options{Empty: true}, "step 1: charging a pack that rests at"},
	} {
		c := play(t, p, plan, x.o)
		var all []string
		for _, h := range p.CheckRun(plan, c.Ended()) {
			all = append(all, h.Error())
		}
		if got := strings.Join(all, "\n"); x.want == "" && got != "" || !strings.Contains(got, x.want) {
			t.Errorf("%s: got %q, want %q", x.name, got, x.want)
		}
	}
}

func TestDoubtsAreSaid(t *testing.T) {
	p := mustPack(t, "agm-12v-7ah")
	for _, x := range []struct {
		name string
		step Step
		o    Options
		want string
	}{
		{"inside the range", Step{Kind: Discharge, Load: Load{Current: 1}, Ends: Ends{Time: hour, Floor: 9}}, Options{}, ""},
		{"too fast", Step{Kind: Discharge, Load: Load{Current: 30}, Ends: Ends{Time: 60 * second, Floor: 5}}, Options{}, "more than 20 times the rated current"},
		{"empty", Step{Kind: Discharge, Load: Load{Current: 1}, Ends: Ends{Floor: 1}}, Options{}, "the pack was emptied"},
		{"hot", Step{Kind: Discharge, Load: Load{Current: 1}, Ends: Ends{Time: hour, Floor: 9}}, Options{Ambient: 345}, "far from the 25.0 degC"},
		{"reversed", Step{Kind: Discharge, Load: Load{Current: 1}, Ends: Ends{Floor: 7}}, Options{Defects: []Defect{{Cell: 4, Capacity: 0.5}, {Cell: 4, Charge: -0.2}}}, "cell 4 of string 1 was reversed"},
	} {
		plan := Plan{x.step}
		c := play(t, p, plan, x.o)
		if got := strings.Join(p.Doubts(plan, c.Ended()), "\n"); x.want == "" && got != "" || !strings.Contains(got, x.want) {
			t.Errorf("%s: got %q, want %q (ended by %s, lowest cell %g V)", x.name, got, x.want, c.Ended()[0].Why, c.Ended()[0].LowestCell)
		}
	}
}
