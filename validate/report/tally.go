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

// unexplained is the name of a deviation whose cause is not known. A known cause says more, unless it is faint beside it: seen surely nowhere,
// and with less than half of its weight. It then came near by chance.
const unexplained = "unexplained"

// faint says that a cause says less than that most is unexplained, to so much weight.
func (c *CauseTally) faint(beside float64) bool {
	return c.Cause != unexplained && c.Best.Confidence < surely && 2*c.Weight < beside
}

// settled renames the failures of a verdict that could not be told from another cause, where that one was surely seen elsewhere and the
// one that was named nowhere: one logger has hardly both. Where neither was, that one is meant whose constant is the same in all verdicts, or
// that comes into question in more of them.
func settled(fs []verdict.Finding, sure map[string]float64, same map[string]bool, fits map[string]int) []verdict.Finding {
	out := slices.Clone(fs)
	for i := range out {
		f := &out[i]
		if f.Severity != verdict.Failure || sure[f.Cause] >= surely {
			continue
		}
		named := f.Cause
		for _, rival := range f.Rivals {
			_, spans := same[named]
			if sure[rival] >= surely || spans && !same[named] && same[rival] {
				f.Cause = rival
				break
			}
			if fits[rival] > fits[f.Cause] && !spans {
				f.Cause = rival
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
	sure, fits := map[string]float64{}, map[string]int{} // fits: in how many verdicts it comes into question
	for _, v := range verdicts {
		question := map[string]bool{}
		for _, f := range v.Findings {
			if f.Severity == verdict.Failure {
				sure[f.Cause] = max(sure[f.Cause], f.Confidence)
				for _, name := range append(f.Rivals[:len(f.Rivals):len(f.Rivals)], f.Cause) {
					question[name] = true
				}
			}
		}
		for name := range question {
			fits[name]++
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
		for _, f := range settled(v.Findings, sure, same, fits) {
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
	unknown := 0.0
	if i, is := at[key{unexplained, verdict.Failure}]; is {
		unknown = t.Causes[i].Weight
	}
	class := func(c *CauseTally) int {
		switch {
		case c.Severity != verdict.Failure:
			return 3
		case c.Cause == unexplained:
			return 1
		case c.faint(unknown):
			return 2
		}
		return 0
	}
	slices.SortStableFunc(t.Causes, func(a, b CauseTally) int {
		return cmp.Or(cmp.Compare(class(&a), class(&b)), -cmp.Compare(a.Weight, b.Weight))
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
