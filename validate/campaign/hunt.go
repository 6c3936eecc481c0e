package campaign

import (
	"context"
	"errors"
	"fmt"

	"stuntcell/scenarios"
	"stuntcell/validate/verdict"
)

// Hunt says how to look for a scenario that a logger fails.
type Hunt struct {
	Seed  uint64 // of the first draw; draw n has Seed+n
	Draws int    // at most so many, 0: until ctx ends
	Jobs  int    // draws side by side
	Env   scenarios.Env
	// Prove runs the logger through a scenario and judges it. An error is ours, not the logger's.
	Prove func(ctx context.Context, sc *scenarios.Scenario) (*verdict.Verdict, error)
	// Progress is told of each draw that was judged; nil: nobody is.
	Progress func(drawn, refused int)
}

// Quarry is what a hunt brought.
type Quarry struct {
	Drawn   int // draws that were judged
	Refused int // draws that no scenario can be made of: a plan that the pack cannot follow
	Skipped int // draws that vary what the logger has built in
	// Found is the smallest scenario that still fails for the same cause; nil if none failed.
	Found *scenarios.Scenario
	// First is the scenario as it was drawn, and Seed its seed.
	First   *scenarios.Scenario
	Seed    uint64
	Verdict *verdict.Verdict // on Found
	Steps   int              // tries of the shrinking
}

// maxShrinks bounds the tries of a shrinking.
const maxShrinks = 400

// Name is the name of the scenario of a draw.
func (d *Draw) Name() string { return fmt.Sprintf("hunt-%d", d.Seed) }

// Parse makes a scenario of the draw, by way of the file that it is written as.
func (d *Draw) Parse(env scenarios.Env) (*scenarios.Scenario, error) {
	return scenarios.Parse(d.Name()+".yaml", d.YAML(d.Name(), "Drawn by a hunt."), env)
}

// failedFor is what a verdict fails for first, "" if it passes.
func failedFor(v *verdict.Verdict) string {
	if v.Pass == nil || *v.Pass {
		return ""
	}
	for _, f := range v.Findings {
		if f.Severity == verdict.Failure {
			return f.Cause
		}
	}
	for _, c := range v.Checks {
		if c.Pass != nil && !*c.Pass {
			return "check " + c.Name
		}
	}
	return "failed"
}

// errFound ends the drawing.
var errFound = errors.New("found")

// drawn is one judged draw.
type drawn struct {
	draw    Draw
	sc      *scenarios.Scenario
	verdict *verdict.Verdict
	refused bool
}

// Run draws scenarios until one fails, then shrinks it. The result does not depend on Jobs: the failing draw with the
// lowest seed is taken. When ctx ends, what was drawn so far is returned without an error.
func (h *Hunt) Run(ctx context.Context) (*Quarry, error) {
	q := &Quarry{}
	n := h.Draws
	if n <= 0 {
		n = int(^uint(0) >> 1)
	}
	var hit *drawn
	err := Each(ctx, n, h.Jobs, func(ctx context.Context, i int) (*drawn, error) {
		d := &drawn{draw: NewDraw(h.Seed+uint64(i), h.Env)}
		sc, err := d.draw.Parse(h.Env)
		if err != nil {
			d.refused = true
			return d, nil
		}
		d.sc = sc
		d.verdict, err = h.Prove(ctx, sc)
		return d, err
	}, func(_ int, d *drawn) error {
		switch {
		case d.refused:
			q.Refused++
		case d.verdict.Pass == nil:
			q.Skipped++
		default:
			q.Drawn++
		}
		if h.Progress != nil {
			h.Progress(q.Drawn, q.Refused)
		}
		if !d.refused && failedFor(d.verdict) != "" {
			hit = d
			return errFound
		}
		return nil
	})
	if hit == nil {
		if err != nil && ctx.Err() == nil {
			return q, err
		}
		return q, nil
	}
	q.First, q.Found, q.Seed, q.Verdict = hit.sc, hit.sc, hit.draw.Seed, hit.verdict
	return q, h.shrink(ctx, q, hit)
}

// shrink looks for simpler draws that fail for the same cause until none does.
func (h *Hunt) shrink(ctx context.Context, q *Quarry, hit *drawn) error {
	want := failedFor(hit.verdict)
	best := hit.draw
	for again := true; again; {
		again = false
		for _, c := range best.Simpler() {
			if q.Steps >= maxShrinks || ctx.Err() != nil {
				return nil
			}
			q.Steps++
			sc, err := c.Parse(h.Env)
			if err != nil {
				continue
			}
			v, err := h.Prove(ctx, sc)
			if err != nil {
				if ctx.Err() != nil {
					return nil
				}
				return err
			}
			if failedFor(v) == want {
				best, again = c, true
				q.Found, q.Verdict = sc, v
				break
			}
		}
	}
	return nil
}
