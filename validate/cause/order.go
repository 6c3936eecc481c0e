package cause

import (
	"cmp"
	"slices"

	"stuntcell/validate/verdict"
)

// process causes stand before all others: what a logger wrote before it stopped is the lesser news.
var process = []string{"hang", "crash", "garbled-output"}

// followers lists, for a mistake, what it brings about or what it is taken for: beside it these are no news of their own.
var followers = map[string][]string{
	"broken-row":   {"missing-rows", "schedule-creep", "nominal-dt", "narrow-interval", "epoch-2038"},
	"missing-rows": {"nominal-dt"},
	"gain":         switching,
	"offset":       switching,
	"unit-factor":  switching,
	"sign":         switching,
}

// switching are the mistakes of a logger that stops at a reading; one that reads wrongly stops wrongly.
var switching = []string{"cutoff-late", "cutoff-early", "cutoff-never", "cutoff-wrong-level", "charge-late", "charge-never", "charge-wrong-level"}

// followed is the confidence in what may well come of another mistake: measured, hardly any of it is a mistake of its own.
const followed = 0.2

// follow lowers the confidence in failures that may well come of another one that is surer than even. Volts that are shown as they were read
// stop nothing wrongly, whatever else is.
func follow(fs []verdict.Finding, voltsRight bool) {
	const even = 0.5
	for _, f := range fs {
		if f.Severity != verdict.Failure || f.Confidence <= even {
			continue
		}
		for i := range fs {
			g := &fs[i]
			if voltsRight && slices.Contains(switching, g.Cause) {
				continue
			}
			if g.Severity == verdict.Failure && g.Confidence > followed && g.Confidence <= f.Confidence && slices.Contains(followers[f.Cause], g.Cause) {
				g.Confidence = followed
				g.Evidence += "; it may come of " + f.Cause
			}
		}
	}
}

// Order merges findings of one cause and sorts them: failures before advice, failed processes first, then by confidence.
// Unexplained deviations come after named ones, since what is named may be their cause. voltsRight says that the log shows the volts of
// its readings.
func Order(fs []verdict.Finding, voltsRight bool) []verdict.Finding {
	fs = merge(fs)
	follow(fs, voltsRight)
	rank := func(f *verdict.Finding) int {
		switch {
		case f.Severity != verdict.Failure:
			return 3
		case slices.Contains(process, f.Cause):
			return 0
		case f.Cause == "unexplained":
			return 2
		}
		return 1
	}
	slices.SortStableFunc(fs, func(a, b verdict.Finding) int {
		return cmp.Or(cmp.Compare(rank(&a), rank(&b)), cmp.Compare(b.Confidence, a.Confidence))
	})
	if fs == nil {
		fs = []verdict.Finding{}
	}
	return fs
}
