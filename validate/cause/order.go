package cause

import (
	"cmp"
	"slices"

	"stuntcell/validate/verdict"
)

// process causes stand before all others: what a logger wrote before it stopped is the lesser news.
var process = []string{"hang", "crash", "garbled-output"}

// Order merges findings of one cause and sorts them: failures before advice, failed processes first, then by confidence.
// Unexplained deviations come after named ones, since what is named may be their cause.
func Order(fs []verdict.Finding) []verdict.Finding {
	fs = merge(fs)
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
