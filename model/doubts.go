package model

import (
	"fmt"
	"math"
)

// Doubts lists where a run has left the range in which the pack's figures mean anything, one line each; nil if there is
// none. plan is what was run, ended its steps. What harms the pack is for [Pack.CheckRun] to say.
func (p *Pack) Doubts(plan Plan, ended []StepEnd) []string {
	var out []string
	add := func(i int, format string, args ...any) {
		out = append(out, fmt.Sprintf("step %d: ", i+1)+fmt.Sprintf(format, args...))
	}
	for i, e := range ended {
		if e.Plan < 0 || e.Plan >= len(plan) || e.End == e.Begin {
			continue
		}
		seconds := float64(e.End-e.Begin) * 1e-9
		celsius := func(T float64) float64 { return T - 273.15 }
		if plan[e.Plan].Kind == Discharge {
			if p.Limits.ColdestDischarge > 0 && e.MinTemperature < p.Limits.ColdestDischarge {
				add(i, "the cells were at %.1f degC, below %.1f degC", celsius(e.MinTemperature), celsius(p.Limits.ColdestDischarge))
			}
			if mean := e.Throughput / seconds; mean > 20*p.Rated.Current() && p.Rate.Model != NoRate && mean > p.Amps(1.5) {
				add(i, "%.3g A are more than 20 times the rated current, where the rate law was not held against anything", mean)
			}
			if e.LowestCell < 0 {
				add(i, "cell %d of string %d was reversed to %.2f V; what reversal does to it is not modelled", e.Cell, e.String, e.LowestCell)
			}
			if e.Why == ByEmpty {
				add(i, "the pack was emptied; below that its voltage is a guess")
			}
		}
		if math.Abs(e.MaxTemperature-p.Cell.Reference) > 40 || math.Abs(e.MinTemperature-p.Cell.Reference) > 50 {
			add(i, "%.1f to %.1f degC are far from the %.1f degC of the figures", celsius(e.MinTemperature), celsius(e.MaxTemperature), celsius(p.Cell.Reference))
		}
	}
	return out
}
