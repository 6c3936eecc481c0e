package scenarios

import (
	"errors"
	"fmt"
	"math"

	"stuntcell/emulator"
	"stuntcell/model"
	"stuntcell/model/quantity"
	"stuntcell/scenarios/rehearsal"
)

// patience is how many readings after the hold a logger may take to stop before the floor must not be reached.
const patience = 12

// examine runs the plan in simulation, resolves the instants of the faults and records what must be refused.
func examine(s *emulator.Setup, steps []plannedStep, faults []pendingFault, file *quantity.Map) {
	logger := -1
	for i, p := range steps {
		if p.step.Ends.Logger == 0 {
			continue
		}
		if logger >= 0 {
			p.ends.Fail("logger", "a second step is handed to the logger", "one at most: the greeting has one level", fmt.Sprintf("step %d has it already", logger+1))
			return
		}
		logger = i
		if p.step.Kind == model.Charge {
			s.Settings.ChargeEnd, s.Settings.ChargeTaper = p.step.Voltage, p.taper
		} else {
			s.Settings.Cutoff = p.step.Ends.Logger
		}
	}
	if !harmless(s, steps) || !readable(s, steps, logger) {
		return
	}
	if !affordable(s, steps) {
		return
	}
	if solved, err := s.Options.Matched(s.Pack); err == nil { // else the course says so
		s.Options = solved
	}
	seen, err := rehearsal.Play(s, rehearsal.Options{})
	if !played(err, file) {
		return
	}
	for _, h := range s.Pack.CheckRun(s.Plan, seen.Steps) {
		steps[h.Step].at.Fail("", "this would harm "+s.Pack.Name+": "+h.What, "within the limit of "+h.Limit, h.Caution+" "+model.Deference())
		return
	}
	if n := seen.End / s.Rig.Readings.Interval(); n > MaxReadings {
		file.Fail("plan", fmt.Sprintf("the plan takes %d readings", n), fmt.Sprintf("at most %d", MaxReadings), "readings further apart under rig: {readings: {nominal: ...}}")
		return
	}
	for i := range faults {
		if f, ok := faults[i].resolve(seen); ok {
			s.Faults = append(s.Faults, f)
		}
	}
	if logger < 0 || steps[logger].step.Kind != model.Discharge {
		return
	}
	level := steps[logger].step.Ends.Logger
	for i, end := range seen.Steps {
		if i >= logger {
			break
		}
		if end.MinV < level {
			steps[i].at.Fail("", fmt.Sprintf("this step falls to %.3f V, below the %.3f V at which the logger is to stop a later one", end.MinV, level),
				"steps that stay above the level until it is the logger's turn", "a logger that stops here would be right")
			return
		}
	}
	late, err := rehearsal.Play(s, rehearsal.Options{Late: patience * s.Rig.Readings.Interval()})
	if !played(err, file) {
		return
	}
	if len(late.Steps) > logger && late.Steps[logger].Why == model.ByFloor {
		steps[logger].ends.Fail("floor", fmt.Sprintf("the floor is reached within the hold and %d readings of the level", patience),
			"a slower end: a lower current, a shorter hold or readings closer together", "the bench would stop before a good logger can")
	}
}

// readable records a level that the rig cannot read: no logger could act on it.
func readable(s *emulator.Setup, steps []plannedStep, logger int) bool {
	last := s.Rig.Front.BusStep * float64(s.Rig.Front.BusMax)
	if logger < 0 || steps[logger].step.Ends.Logger < last {
		return true
	}
	steps[logger].ends.Fail("logger", fmt.Sprintf("the level of %.4g V lies beyond the rig's last count, %.4g V", steps[logger].step.Ends.Logger, last),
		"a level that the rig can read", "a rig of a larger bus range for this pack")
	return false
}

// played records why a plan could not be played.
func played(err error, file *quantity.Map) bool {
	switch {
	case err == nil:
		return true
	case errors.Is(err, rehearsal.ErrTooLong):
		file.Fail("plan", err.Error(), "a shorter plan or slower pulses", "")
	default:
		file.Fail("plan", err.Error(), "a plan that can be played", "")
	}
	return false
}

// harmless records what the plan would do to its pack.
func harmless(s *emulator.Setup, steps []plannedStep) bool {
	harms := s.Pack.CheckPlan(s.Plan, s.Options.Ambient)
	for _, h := range harms {
		steps[h.Step].at.Fail("", "this would harm "+s.Pack.Name+": "+h.What, "within the limit of "+h.Limit, h.Caution+" "+model.Deference())
	}
	return len(harms) == 0
}

// maxSwitchings bounds how often a step's load may switch or ripple: the truth follows each edge.
const maxSwitchings = 1_000_000

// affordable records steps that would take too long to play, by the longest that they can last.
func affordable(s *emulator.Setup, steps []plannedStep) bool {
	var readings, switchings float64
	for _, p := range steps {
		longest := longestOf(p.step, s.Pack)
		if p.step.Load.Period > 0 {
			switchings += longest / seconds(p.step.Load.Period)
		}
		if p.step.Load.Ripple > 0 {
			switchings += longest * p.step.Load.RippleHz
		}
		if p.step.Ends.Logger > 0 {
			readings += longest / seconds(s.Rig.Readings.Interval())
		}
		if switchings > maxSwitchings {
			p.at.Fail("", "the load of this step, or of those up to it, switches too often for its length", fmt.Sprintf("at most %d times", maxSwitchings),
				"a shorter step or slower pulses")
			return false
		}
		if readings > MaxReadings {
			p.at.Fail("", "this step may take too many readings", fmt.Sprintf("at most %d", MaxReadings), "readings further apart, or a shorter step")
			return false
		}
	}
	return true
}

// longestOf bounds the length of a step [s]: by its time, by its charge, and for a discharge by all that the pack holds.
func longestOf(p model.Step, pack *model.Pack) float64 {
	longest := math.Inf(1)
	if p.Ends.Time > 0 {
		longest = seconds(p.Ends.Time)
	}
	amps := p.Load.Mean(pack.Nominal())
	if amps <= 0 || p.Kind == model.Rest {
		return longest
	}
	charge := p.Ends.Charge
	if whole := pack.Cell.Capacity * float64(pack.Parallel); p.Kind == model.Discharge && (charge == 0 || charge > whole) {
		charge = whole
	}
	if charge > 0 && p.Kind == model.Discharge {
		longest = math.Min(longest, charge/amps)
	}
	return longest
}

func seconds(ns int64) float64 { return float64(ns) * 1e-9 }
