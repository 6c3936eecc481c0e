package campaign

import (
	"cmp"
	"errors"
	"fmt"
	"math"
	"slices"

	"stuntcell/validate/verdict"
)

// Change is what became of one scenario from one build of a logger to another.
type Change struct {
	Schema   string `json:"schema"` // ChangeSchema
	Scenario string `json:"scenario"`
	Seed     uint64 `json:"seed,omitempty"` // that replaced the scenario's own; 0: none did
	Kind     Kind   `json:"change"`
	// Gained and Lost are the failures, by cause or by check where no cause was named, that only the newer and only the older build has.
	Gained []string `json:"gained,omitempty"`
	Lost   []string `json:"lost,omitempty"`
	// Moved are the checks whose measured values differ, the most first.
	Moved []Move `json:"moved,omitempty"`
	// Was and Is are the two verdicts.
	Was *verdict.Verdict `json:"-"`
	Is  *verdict.Verdict `json:"-"`
}

// ChangeSchema is the value of Change.Schema.
const ChangeSchema = "stuntcell.change/1"

// Move is a check that measures something else than before.
type Move struct {
	Check string   `json:"check"`
	Unit  string   `json:"unit,omitempty"`
	Was   *float64 `json:"was"` // nil: not judged
	Is    *float64 `json:"is"`
	// Share is how far it moved, over what is allowed; 0 where either is unknown.
	Share float64 `json:"share,omitempty"`
}

// Kind says whether a change is for the better.
type Kind string

// The kinds of change, the worst first.
const (
	Worse    Kind = "worse"    // it fails what it did not fail before, or is no longer judged
	Better   Kind = "better"   // it fails less, and nothing new
	Other    Kind = "other"    // it fails for something else than before
	Moved    Kind = "moved"    // the same failures or none; measured values differ
	Same     Kind = "same"     // the same
	Unjudged Kind = "unjudged" // neither build was judged
)

// Kinds lists the kinds of change, the worst first.
func Kinds() []Kind { return []Kind{Worse, Other, Better, Moved, Same, Unjudged} }

// Comparison is two builds side by side.
type Comparison struct {
	Old, New Identity // Seed is of the first run
	Changes  []Change // in the suite's order, seed by seed
	// Missing counts scenarios that only one of the builds has.
	Missing int
}

// Compare sets two builds of one logger side by side, scenario by scenario; the one that comes first is the older. Runs that differ in
// their seeds only are of one build. If all runs are of one build, Changes is nil.
func Compare(runs []Joined) (*Comparison, error) {
	build := func(id Identity) Identity { id.Seed = 0; return id }
	builds := []Identity{}
	for _, r := range runs {
		if b := build(r.Identity); !slices.Contains(builds, b) {
			builds = append(builds, b)
		}
	}
	c := &Comparison{}
	switch len(builds) {
	case 0:
		return nil, errors.New("nothing to compare: no run")
	case 1:
		c.Old, c.New = runs[0].Identity, runs[0].Identity
		return c, nil
	case 2:
	default:
		return nil, fmt.Errorf("%d builds of loggers in these files; expected two to compare, the older first", len(builds))
	}
	of := func(b Identity) []Joined {
		return slices.DeleteFunc(slices.Clone(runs), func(r Joined) bool { return build(r.Identity) != b })
	}
	older, newer := of(builds[0]), of(builds[1])
	c.Old, c.New = older[0].Identity, newer[0].Identity
	paired := 0
	for _, was := range older {
		i := slices.IndexFunc(newer, func(r Joined) bool { return r.Seed == was.Seed })
		if i < 0 {
			c.Missing += len(was.Verdicts)
			continue
		}
		paired++
		c.pair(was, newer[i])
	}
	for _, is := range newer {
		if !slices.ContainsFunc(older, func(r Joined) bool { return r.Seed == is.Seed }) {
			c.Missing += len(is.Verdicts)
		}
	}
	if paired == 0 {
		return nil, errors.New("the two builds have no seed in common; expected runs of one seed")
	}
	return c, nil
}

// pair compares two runs of one suite with one seed.
func (c *Comparison) pair(older, newer Joined) {
	is := map[int]*verdict.Verdict{}
	for _, v := range newer.Verdicts {
		is[v.Suite.Index] = v
	}
	for _, was := range older.Verdicts {
		now, ok := is[was.Suite.Index]
		if !ok {
			c.Missing++
			continue
		}
		delete(is, was.Suite.Index)
		change := compare(was, now)
		change.Seed = older.Seed
		c.Changes = append(c.Changes, change)
	}
	c.Missing += len(is)
}

// compare compares two verdicts on one scenario.
func compare(was, is *verdict.Verdict) Change {
	ch := Change{Schema: ChangeSchema, Scenario: is.Scenario, Was: was, Is: is}
	before, after := failing(was), failing(is)
	ch.Gained, ch.Lost = without(after, before), without(before, after)
	ch.Moved = moves(was, is)
	switch {
	case was.Pass == nil && is.Pass == nil:
		ch.Kind = Unjudged
	case is.Pass == nil:
		ch.Kind = Worse // what is no longer judged may hide anything
	case was.Pass == nil && *is.Pass, *is.Pass && !*was.Pass:
		ch.Kind = Better
	case was.Pass == nil, *was.Pass && !*is.Pass, len(ch.Gained) > 0 && len(ch.Lost) == 0:
		ch.Kind = Worse
	case len(ch.Gained) > 0:
		ch.Kind = Other
	case len(ch.Lost) > 0:
		ch.Kind = Better
	case len(ch.Moved) > 0:
		ch.Kind = Moved
	default:
		ch.Kind = Same
	}
	return ch
}

// failing lists what a verdict fails for: causes, and checks if no cause was named.
func failing(v *verdict.Verdict) []string {
	var names []string
	for _, f := range v.Findings {
		if f.Severity == verdict.Failure {
			names = append(names, f.Cause)
		}
	}
	if len(names) > 0 {
		return names
	}
	for _, c := range v.Checks {
		if c.Pass != nil && !*c.Pass {
			names = append(names, "check "+c.Name)
		}
	}
	return names
}

// without lists what is in a and not in b.
func without(a, b []string) []string {
	var out []string
	for _, x := range a {
		if !slices.Contains(b, x) && !slices.Contains(out, x) {
			out = append(out, x)
		}
	}
	return out
}

// moves lists the checks whose values differ.
func moves(was, is *verdict.Verdict) []Move {
	var out []Move
	for _, c := range is.Checks {
		i := slices.IndexFunc(was.Checks, func(o verdict.Check) bool { return o.Name == c.Name })
		m := Move{Check: c.Name, Unit: c.Unit, Is: c.Value}
		if i >= 0 {
			m.Was = was.Checks[i].Value
		}
		switch {
		case m.Was == nil && m.Is == nil, m.Was != nil && m.Is != nil && *m.Was == *m.Is:
			continue
		case m.Was != nil && m.Is != nil:
			if limit := allowance(c); limit > 0 {
				m.Share = math.Abs(*m.Is-*m.Was) / limit
			}
		}
		out = append(out, m)
	}
	slices.SortStableFunc(out, func(a, b Move) int { return -cmp.Compare(a.Share, b.Share) })
	return out
}

// allowance is how far a check's value may lie from zero, 0 if it has no limits.
func allowance(c verdict.Check) float64 {
	most := 0.0
	for _, limit := range []*float64{c.LimitLow, c.LimitHigh} {
		if limit != nil {
			most = max(most, math.Abs(*limit))
		}
	}
	return most
}
