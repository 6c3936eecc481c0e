package report

import (
	"cmp"
	"slices"
	"strings"

	"stuntcell/validate/verdict"
)

// Tally counts what came of a suite and ranks the causes over it.
type Tally struct {
	Held, Failed, Skipped int
	Causes                []CauseTally // failures first, then advice; the likeliest first
}

// CauseTally is one cause over a suite.
type CauseTally struct {
	Cause, Of, Severity string
	Scenarios           []string // where it was found, in the suite's order, each once
	// Weight is the sum of the confidences with which it was found, one finding a scenario.
	Weight float64
	// Best is the finding with the highest confidence, the first of equals, and In the verdict that has it.
	Best verdict.Finding
	In   *verdict.Verdict
}

// unexplained is the name of a deviation whose cause is not known. However often it is seen, a known cause says more.
const unexplained = "unexplained"

// settled renames the failures of a verdict that could not be told from another cause, where that one was surely seen elsewhere and the
// one that was named nowhere: one logger has hardly both. Where neither was, that one is meant whose constant is the same in all verdicts.
func settled(fs []verdict.Finding, sure map[string]float64, same map[string]bool) []verdict.Finding {
	out := slices.Clone(fs)
	for i := range out {
		f := &out[i]
		if f.Severity != verdict.Failure || sure[f.Cause] >= surely {
			continue
		}
		for _, rival := range f.Rivals {
			_, spans := same[f.Cause]
			if sure[rival] >= surely || spans && !same[f.Cause] && same[rival] {
				f.Cause = rival
				break
			}
		}
	}
	return out
}

// sameConstants says of causes whose findings tell between which values a constant lies whether one value is in all of them; of those that
// were seen twice.
func sameConstants(verdicts []*verdict.Verdict) map[string]bool {
	all, seen := map[string][2]float64{}, map[string]int{}
	for _, v := range verdicts {
		for _, f := range v.Findings {
			for name, s := range f.Spans {
				if old, ok := all[name]; ok {
					s = [2]float64{max(s[0], old[0]), min(s[1], old[1])}
				}
				all[name] = s
				seen[name]++
			}
		}
	}
	same := map[string]bool{}
	for name, s := range all {
		if cause, _, _ := strings.Cut(name, ":"); seen[name] > 1 {
			same[cause] = same[cause] || s[0] <= s[1]
		}
	}
	return same
}

// surely is the confidence from which on next to all findings hold.
const surely = 0.9

// Count tallies verdicts. A cause ranks by the sum of its confidences: what is seen in many scenarios is likelier than what
// explains one of them as well.
func Count(verdicts []*verdict.Verdict) Tally {
	sure := map[string]float64{}
	for _, v := range verdicts {
		for _, f := range v.Findings {
			if f.Severity == verdict.Failure {
				sure[f.Cause] = max(sure[f.Cause], f.Confidence)
			}
		}
	}
	same := sameConstants(verdicts)
	var t Tally
	type key struct{ cause, severity string }
	at := map[key]int{}
	for _, v := range verdicts {
		switch {
		case v.Pass == nil:
			t.Skipped++
		case *v.Pass:
			t.Held++
		default:
			t.Failed++
		}
		for _, f := range settled(v.Findings, sure, same) {
			k := key{f.Cause, f.Severity}
			i, known := at[k]
			if !known {
				i = len(t.Causes)
				at[k] = i
				t.Causes = append(t.Causes, CauseTally{Cause: f.Cause, Of: f.Of, Severity: f.Severity, Best: f, In: v})
			}
			c := &t.Causes[i]
			if n := len(c.Scenarios); n > 0 && c.Scenarios[n-1] == v.Scenario {
				continue
			}
			c.Scenarios = append(c.Scenarios, v.Scenario)
			c.Weight += f.Confidence
			if f.Confidence > c.Best.Confidence {
				c.Best, c.In = f, v
			}
		}
	}
	slices.SortStableFunc(t.Causes, func(a, b CauseTally) int {
		return cmp.Or(
			-compareBool(a.Severity == verdict.Failure, b.Severity == verdict.Failure),
			compareBool(a.Cause == unexplained, b.Cause == unexplained),
			-cmp.Compare(a.Weight, b.Weight),
		)
	})
	return t
}

// MostLikely returns the failure that ranks first, or nil.
func (t Tally) MostLikely() *CauseTally {
	if len(t.Causes) > 0 && t.Causes[0].Severity == verdict.Failure {
		return &t.Causes[0]
	}
	return nil
}

func compareBool(a, b bool) int {
	switch {
	case a == b:
		return 0
	case a:
		return 1
	}
	return -1
}

// failures returns the failures of a verdict, in its order.
func failures(v *verdict.Verdict) []verdict.Finding {
	var fs []verdict.Finding
	for _, f := range v.Findings {
		if f.Severity == verdict.Failure {
			fs = append(fs, f)
		}
	}
	return fs
}

// failedChecks returns the checks of a verdict that do not hold.
func failedChecks(v *verdict.Verdict) []verdict.Check {
	var cs []verdict.Check
	for _, c := range v.Checks {
		if c.Pass != nil && !*c.Pass {
			cs = append(cs, c)
		}
	}
	return cs
}
