package budget

import (
	"fmt"
	"math"

	"stuntcell/emulator/rig"
	"stuntcell/model"
)

// Rehearsed is the figure of a discharge that was only simulated: a full pack at amps [A] (0: its rated current) to end [V at the
// terminals] (0: its end voltage at that current), read by the rig. A discharge that would harm the pack is refused.
func Rehearsed(p *model.Pack, r rig.Rig, amps, end float64) (Figure, error) {
	if amps == 0 {
		amps = p.Rated.Current()
	}
	if !(amps > 0) {
		return Figure{}, fmt.Errorf("%w: a discharge at %v A (expected above 0)", ErrFigure, amps)
	}
	if end == 0 {
		var err error
		if end, err = p.Level("end", amps); err != nil {
			return Figure{}, err
		}
	}
	if harms := p.CheckPlan(model.DischargePlan(amps, end), p.Cell.Reference); len(harms) > 0 {
		return Figure{}, harms[0]
	}
	done, slope, err := p.DischargeTo(amps, end)
	if err != nil {
		return Figure{}, err
	}
	if done.Why != model.ByVoltage {
		return Figure{}, fmt.Errorf("%s at %.3g A: the discharge ended by %s, not by the level of %.3f V: no capacity to make a budget for", p.Name, amps, done.Why, end)
	}
	f := Figure{Charge: -done.Charge, Energy: -done.Energy, Duration: float64(done.End-done.Begin) / 1e9, Current: amps, End: end,
		Every: float64(r.Readings.Interval()) / 1e9, From: fmt.Sprintf("a rehearsed discharge of %s at %.3g A to %.3f V (a simulation, not a measurement)", p.Name, amps, end)}
	f.Voltage = f.Energy / f.Charge
	f.EndSlope, f.Late = math.Max(0, -slope), f.Every
	f.Cell, f.Lambda = p.Cell.Reference, p.PerKelvinAt(amps)
	return f, nil
}
