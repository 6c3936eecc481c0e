package report

import (
	"fmt"
	"strings"

	"stuntcell/validate/verdict"
)

// wholeRig is the heading over what corners showed.
const wholeRig = "The whole rig over its tolerances"

// overTolerances says of each verdict with corners what the whole rig's figures are worth.
func overTolerances(verdicts []*verdict.Verdict) []string {
	var lines []string
	for _, v := range verdicts {
		if v.Corners != nil {
			lines = append(lines, v.Scenario+": "+cornersIn(v.Corners))
		}
	}
	return lines
}

// cornersIn says in a few sentences what corners showed.
func cornersIn(c *verdict.Corners) string {
	var ranges, parts []string
	for _, r := range []struct {
		name string
		off  []float64
	}{{"Ah", c.Charge}, {"Wh", c.Energy}} {
		if len(r.off) == 2 {
			ranges = append(ranges, fmt.Sprintf("%s off by %+.3g %% to %+.3g %%", r.name, 100*r.off[0], 100*r.off[1]))
		}
	}
	for _, p := range c.Parts {
		if most := max(p.Charge, p.Energy); most > 0 {
			parts = append(parts, fmt.Sprintf("%s %.2g %%", p.Name, 100*most))
		}
	}
	text := fmt.Sprintf("%s, where %.3g %% is allowed. Worst: %s %+.3g %%, with %s. Each by itself: %s.", strings.Join(ranges, ", "), 100*c.Limit,
		c.Worst.Of, 100*c.Worst.Value, c.Worst.At, some(parts, 6))
	if c.Sampled > 0 {
		text += fmt.Sprintf(" Of %d rigs drawn within the tolerances %d are beyond it.", c.Sampled, c.Outside)
	}
	return text
}
