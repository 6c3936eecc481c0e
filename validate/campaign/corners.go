package campaign

import (
	"cmp"
	"context"
	"fmt"
	"math"
	"math/rand/v2"
	"slices"
	"strings"

	"stuntcell/emulator/rig"
	"stuntcell/scenarios"
	"stuntcell/validate/verdict"
)

// Corners asks what the figures of a whole rig, logger and all, are worth when each of its parts may lie anywhere within its stated
// tolerance. Each tolerance is tried at both ends by itself; from the signs of what that does follow the corners in which all parts
// push the charge, or the energy, to one side; these are run as well. Where the errors add, as they nearly do while they are small,
// no rig within the tolerances is worse than the worst of these corners. A seeded sample of rigs drawn evenly from within the
// tolerances shows that nothing between them is, and how many of such rigs would be beyond the limit.
type Corners struct {
	Sample int    // rigs to draw
	Seed   uint64 // of the drawing
	// Prove runs the logger through a scenario and judges it. An error is ours, not the logger's.
	Prove func(ctx context.Context, sc *scenarios.Scenario) (*verdict.Verdict, error)
}

// errors of charge and energy, logged less true over what passed.
type errorPair [2]float64

// errorNames names the two.
var errorNames = [2]string{"charge", "energy"}

// errorsOf reads the errors of a verdict; NaN where the log has no such total.
func errorsOf(v *verdict.Verdict) errorPair {
	e := errorPair{math.NaN(), math.NaN()}
	for _, c := range v.Checks {
		if i := slices.Index(errorNames[:], c.Name); i >= 0 && c.Total != nil {
			e[i] = *c.Total
		}
	}
	return e
}

// tried is one rig and what came of it.
type tried struct {
	at    string
	share []float64
	off   errorPair
}

// Judge adds the check corners to a verdict on a scenario that expects a total; base is the verdict with the rig as its file says. The
// check is skipped where nothing can be said: without a limit, without tolerances, without totals, or if the logger fails already.
func (c *Corners) Judge(ctx context.Context, sc *scenarios.Scenario, base *verdict.Verdict) error {
	limit := sc.Expect.Total
	spreads := sc.Setup.Rig.Spreads()
	middle := tried{at: "the rig as its file says", share: make([]float64, len(spreads)), off: errorsOf(base)}
	skip := ""
	switch {
	case base.Pass == nil:
		return nil
	case limit == 0:
		skip = "the scenario expects no total"
	case len(spreads) == 0:
		skip = "the rig states no tolerance"
	case !*base.Pass:
		skip = "it fails with the rig as its file says"
	case math.IsNaN(middle.off[0]) && math.IsNaN(middle.off[1]):
		skip = "the log has no totals"
	}
	if skip != "" {
		base.Checks = append(base.Checks, verdict.Check{Name: "corners", Skipped: skip})
		return nil
	}
	all := []tried{middle}
	try := func(at string, share []float64) (errorPair, error) {
		moved := *sc
		for i, s := range spreads {
			s.Move(&moved.Setup.Rig, share[i])
		}
		v, err := c.Prove(ctx, &moved)
		if err != nil {
			return errorPair{}, err
		}
		all = append(all, tried{at, share, errorsOf(v)})
		return all[len(all)-1].off, nil
	}
	parts := make([]verdict.CornerPart, len(spreads))
	worseEnd := make([][2]float64, len(spreads)) // the end that raises charge, and energy
	for i, s := range spreads {
		var ends [2]errorPair
		for e, sign := range []float64{-1, 1} {
			share := make([]float64, len(spreads))
			share[i] = sign
			off, err := try(cornerName(spreads, share, nil), share)
			if err != nil {
				return err
			}
			ends[e] = off
		}
		parts[i].Name = s.Name
		for k, effect := range []*float64{&parts[i].Charge, &parts[i].Energy} {
			low, high := ends[0][k]-middle.off[k], ends[1][k]-middle.off[k]
			worseEnd[i][k] = math.Copysign(1, high-low)
			if worst := max(math.Abs(low), math.Abs(high)); !math.IsNaN(worst) {
				*effect = worst
			}
		}
	}
	seen := map[string]bool{}
	for k := range errorNames {
		for _, way := range []float64{1, -1} {
			share := make([]float64, len(spreads))
			for i := range share {
				share[i] = way * worseEnd[i][k]
			}
			if name := cornerName(spreads, share, parts); !math.IsNaN(middle.off[k]) && !seen[name] {
				seen[name] = true
				if _, err := try(name, share); err != nil {
					return err
				}
			}
		}
	}
	out := &verdict.Corners{Limit: limit, Parts: parts, Sampled: c.Sample}
	r := rand.New(rand.NewPCG(c.Seed, 0x636f726e))
	for n := range c.Sample {
		off, err := try(fmt.Sprintf("rig %d of the sample", n+1), within(r, spreads, sc.Setup.Rig.Tolerance.Reference))
		if err != nil {
			return err
		}
		if math.Abs(off[0]) > limit || math.Abs(off[1]) > limit {
			out.Outside++
		}
	}
	out.Runs = len(all)
	slices.SortStableFunc(parts, func(a, b verdict.CornerPart) int {
		return -cmp.Compare(max(a.Charge, a.Energy), max(b.Charge, b.Energy))
	})
	c.settle(base, out, all)
	return nil
}

// settle finds the extremes and the worst, and makes the check and its finding of them.
func (c *Corners) settle(base *verdict.Verdict, out *verdict.Corners, all []tried) {
	for k, name := range errorNames {
		low, high := math.Inf(1), math.Inf(-1)
		for _, t := range all {
			if x := t.off[k]; !math.IsNaN(x) {
				low, high = min(low, x), max(high, x)
				if math.Abs(x) > math.Abs(out.Worst.Value) || out.Worst.Of == "" {
					out.Worst = verdict.CornerCase{Of: name, Value: x, At: t.at}
				}
			}
		}
		if low <= high {
			*[2]*[]float64{&out.Charge, &out.Energy}[k] = []float64{low, high}
		}
	}
	value, low, high := out.Worst.Value, -out.Limit, out.Limit
	pass := math.Abs(value) <= out.Limit
	base.Corners = out
	base.Checks = append(base.Checks, verdict.Check{Name: "corners", Unit: "1", Value: &value, LimitLow: &low, LimitHigh: &high, Pass: &pass,
		Detail: fmt.Sprintf("%s at worst: %s", out.Worst.Of, out.Worst.At)})
	if pass {
		return
	}
	base.Pass = &pass
	worst := out.Parts[0]
	base.Findings = append([]verdict.Finding{{
		Cause: cornerCause(worst.Name), Severity: verdict.Failure, Of: "rig", Confidence: 0.95,
		Evidence: fmt.Sprintf("the logger is right, but within the rig's tolerances the %s can be off by %+.3g %%, with %s; %s alone can do %.3g %%",
			out.Worst.Of, 100*value, out.Worst.At, worst.Name, 100*max(worst.Charge, worst.Energy)),
		Mend: fmt.Sprintf("Calibrate the rig against a meter (stuntcell calibrate), or take a part with a closer tolerance, %s first; then state what is left in the rig file.", worst.Name),
	}}, base.Findings...)
}

// cornerCause is the cause of the catalogue that a tolerance makes.
func cornerCause(part string) string {
	switch part {
	case "shunt_offset", "drift", "thermal", "bus_offset":
		return "zero-offset"
	case "tick":
		return "tick-rate"
	case "lead":
		return "lead-drop"
	case "draw":
		return "own-draw"
	case "bypass":
		return "bypass"
	}
	return "shunt-gain"
}

// cornerName says which end of which tolerance a rig is at. With their effects given, those that do next to nothing are left out.
func cornerName(spreads []rig.Spread, share []float64, parts []verdict.CornerPart) string {
	greatest := 0.0
	for _, p := range parts {
		greatest = max(greatest, p.Charge, p.Energy)
	}
	var names []string
	for i, s := range spreads {
		if share[i] == 0 || parts != nil && max(parts[i].Charge, parts[i].Energy) < greatest/1000 {
			continue
		}
		names = append(names, s.Name+map[bool]string{true: " +", false: " -"}[share[i] > 0])
	}
	return strings.Join(names, ", ")
}

// within draws a rig evenly from within the tolerances. Two gains that hang on one reference are alike in that share of the draws.
func within(r *rand.Rand, spreads []rig.Spread, alike float64) []float64 {
	share := make([]float64, len(spreads))
	gain := 2*r.Float64() - 1
	for i, s := range spreads {
		share[i] = 2*r.Float64() - 1
		if (s.Name == "shunt_gain" || s.Name == "bus_gain") && alike > 0 && r.Float64() < math.Sqrt(alike) {
			share[i] = gain
		}
	}
	return share
}
