package campaign

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"slices"

	"stuntcell/validate/verdict"
)

// Joined is the verdicts of one logger with one seed over a suite, in the suite's order.
type Joined struct {
	Identity
	Verdicts []*verdict.Verdict
	Missing  []int // scenarios of the suite, from 0, that no file had
}

// Join puts the verdicts of shards together, whatever their order. Runs of different loggers or seeds are kept apart, in the
// order in which they first appear; all must be of one suite and one version. A verdict that is there twice counts once if both
// are the same. Each thing that does not fit is named with its place.
func Join(verdicts []Placed) ([]Joined, error) {
	if len(verdicts) == 0 {
		return nil, errors.New("no verdict in these files; expected what `prove --json` writes")
	}
	type run struct {
		Joined
		at map[int]Placed
	}
	var runs []*run
	var problems []error
	first := verdicts[0]
	for _, v := range verdicts {
		if v.Suite == nil {
			problems = append(problems, fmt.Errorf("%s: the verdict does not say of which suite it is one; expected what `prove --json` writes", v.Place()))
			continue
		}
		id := IdentityOf(v.Verdict)
		suite, reference := id, IdentityOf(first.Verdict)
		suite.Logger, suite.LoggerHash, suite.Seed = reference.Logger, reference.LoggerHash, reference.Seed
		if d := reference.Differs(suite); d != "" {
			problems = append(problems, fmt.Errorf("%s: cannot be joined with %s; different: %s", v.Place(), first.Place(), d))
			continue
		}
		i := slices.IndexFunc(runs, func(r *run) bool { return r.Identity == id })
		if i < 0 {
			i = len(runs)
			runs = append(runs, &run{Joined: Joined{Identity: id}, at: map[int]Placed{}})
		}
		r := runs[i]
		if other, twice := r.at[v.Suite.Index]; twice {
			if !same(other.Verdict, v.Verdict) {
				problems = append(problems, fmt.Errorf("%s: %s has another verdict of %s with the same logger and seed", v.Place(), other.Place(), v.Scenario))
			}
			continue
		}
		r.at[v.Suite.Index] = v
	}
	if len(problems) > 0 {
		return nil, errors.Join(first10(problems)...)
	}
	joined := make([]Joined, len(runs))
	for n, r := range runs {
		for i := range r.Of {
			if v, ok := r.at[i]; ok {
				r.Verdicts = append(r.Verdicts, v.Verdict)
			} else {
				r.Missing = append(r.Missing, i)
			}
		}
		joined[n] = r.Joined
	}
	return joined, nil
}

// same compares verdicts by what they say. The processor may differ.
func same(a, b *verdict.Verdict) bool {
	x, y := *a, *b
	x.GoArch, y.GoArch = "", ""
	s, err1 := json.Marshal(x)
	t, err2 := json.Marshal(y)
	return err1 == nil && err2 == nil && bytes.Equal(s, t)
}

// first10 keeps a file of thousands of wrong lines from becoming as many messages.
func first10(problems []error) []error {
	const most = 10
	if len(problems) <= most {
		return problems
	}
	return append(problems[:most:most], fmt.Errorf("and %d more of the kind", len(problems)-most))
}
