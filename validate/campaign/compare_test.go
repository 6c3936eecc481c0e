package campaign_test

import (
	"slices"
	"testing"

	"stuntcell/validate/campaign"
	"stuntcell/validate/verdict"
)

// about makes a verdict on a scenario: skipped with pass nil; failing for causes, or for the charge check if there are none.
func about(index int, logger string, seed uint64, pass *bool, charge float64, causes ...string) *verdict.Verdict {
	low, high := -0.002, 0.002
	holds := charge >= low && charge <= high
	v := &verdict.Verdict{Schema: verdict.Schema, Tool: "1", Scenario: string(rune('a' + index)), Logger: logger, Pass: pass,
		Suite: &verdict.Suite{Hash: "h", Index: index, Of: 3, Seed: seed}}
	if pass != nil {
		v.Checks = []verdict.Check{{Name: "charge", Value: &charge, LimitLow: &low, LimitHigh: &high, Unit: "1", Pass: &holds}}
	}
	for _, c := range causes {
		v.Findings = append(v.Findings, verdict.Finding{Cause: c, Severity: verdict.Failure})
	}
	return v
}

func TestCompare(t *testing.T) {
	yes, no := true, false
	for name, c := range map[string]struct {
		was, is *verdict.Verdict
		want    campaign.Kind
		gained  []string
		lost    []string
	}{
		"same":                {about(0, "old", 0, &yes, 0.001), about(0, "new", 0, &yes, 0.001), campaign.Same, nil, nil},
		"moved":               {about(0, "old", 0, &yes, 0.001), about(0, "new", 0, &yes, -0.001), campaign.Moved, nil, nil},
		"fails now":           {about(0, "old", 0, &yes, 0), about(0, "new", 0, &no, 0.1, "gain"), campaign.Worse, []string{"gain"}, nil},
		"fails without cause": {about(0, "old", 0, &yes, 0), about(0, "new", 0, &no, 0.1), campaign.Worse, []string{"check charge"}, nil},
		"fails for more":      {about(0, "old", 0, &no, 0.1, "gain"), about(0, "new", 0, &no, 0.1, "gain", "sign"), campaign.Worse, []string{"sign"}, nil},
		"fails for less":      {about(0, "old", 0, &no, 0.1, "gain", "sign"), about(0, "new", 0, &no, 0.1, "gain"), campaign.Better, nil, []string{"sign"}},
		"fails otherwise":     {about(0, "old", 0, &no, 0.1, "gain"), about(0, "new", 0, &no, 0.1, "sign"), campaign.Other, []string{"sign"}, []string{"gain"}},
		"holds again":         {about(0, "old", 0, &no, 0.1, "gain"), about(0, "new", 0, &yes, 0), campaign.Better, nil, []string{"gain"}},
		"no longer judged":    {about(0, "old", 0, &yes, 0), about(0, "new", 0, nil, 0), campaign.Worse, nil, nil},
		"judged now, holds":   {about(0, "old", 0, nil, 0), about(0, "new", 0, &yes, 0), campaign.Better, nil, nil},
		"judged now, fails":   {about(0, "old", 0, nil, 0), about(0, "new", 0, &no, 0.1, "gain"), campaign.Worse, []string{"gain"}, nil},
		"never judged":        {about(0, "old", 0, nil, 0), about(0, "new", 0, nil, 0), campaign.Unjudged, nil, nil},
	} {
		t.Run(name, func(t *testing.T) {
			runs, err := campaign.Join([]campaign.Placed{{Verdict: c.was}, {Verdict: c.is}})
			if err != nil {
				t.Fatal(err)
			}
			got, err := campaign.Compare(runs)
			if err != nil || len(got.Changes) != 1 || got.Missing != 0 {
				t.Fatalf("%+v, %v", got, err)
			}
			ch := got.Changes[0]
			if ch.Kind != c.want || !slices.Equal(ch.Gained, c.gained) || !slices.Equal(ch.Lost, c.lost) {
				t.Errorf("%s, gained %v, lost %v; want %s, %v, %v", ch.Kind, ch.Gained, ch.Lost, c.want, c.gained, c.lost)
			}
		})
	}
}

// TestCompareOverSeeds: runs of one build that differ in their seeds are one side; what only one side has is counted.
func TestCompareOverSeeds(t *testing.T) {
	yes, no := true, false
	runs, err := campaign.Join([]campaign.Placed{
		{Verdict: about(0, "old", 1, &yes, 0)}, {Verdict: about(1, "old", 1, &yes, 0)}, {Verdict: about(0, "old", 2, &yes, 0)},
		{Verdict: about(0, "new", 2, &no, 0.004, "gain")}, {Verdict: about(0, "new", 1, &yes, 0.0005)}, {Verdict: about(0, "new", 3, &yes, 0)},
	})
	if err != nil {
		t.Fatal(err)
	}
	c, err := campaign.Compare(runs)
	if err != nil {
		t.Fatal(err)
	}
	if c.Old.Logger != "old" || c.New.Logger != "new" || c.Missing != 2 || len(c.Changes) != 2 {
		t.Fatalf("%+v", c)
	}
	if a, b := c.Changes[0], c.Changes[1]; a.Seed != 1 || a.Kind != campaign.Moved || b.Seed != 2 || b.Kind != campaign.Worse {
		t.Errorf("%+v %+v", a, b)
	}
	if m := c.Changes[1].Moved[0]; m.Check != "charge" || m.Share != 2 {
		t.Errorf("a value that moved by twice its limit: %+v", m)
	}
}
