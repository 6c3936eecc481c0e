package rehearsal

import (
	"math"

	"stuntcell/emulator"
	"stuntcell/model"
)

// correct sets what a discharge would have given at the rated current and the reference temperature. That can be told of the first discharge of a full pack
// with a constant current to the end voltage of that current; of any other it is left out.
func correct(step *Step, s *emulator.Setup, ended []model.StepEnd, n int) error {
	e, p := ended[n], s.Plan[ended[n].Plan]
	if p.Kind != model.Discharge || s.Options.Start != 0 || s.Options.Empty || !steady(&p.Load) {
		return nil
	}
	for _, before := range ended[:n] {
		if s.Plan[before.Plan].Kind != model.Rest {
			return nil
		}
	}
	end, err := s.Pack.Level("end", p.Load.Current)
	// A protection board that opens first is the pack's own end, in the discharge of the rating as well.
	its := e.Why == model.ByVoltage || e.Why == model.ByLogger || e.Why == model.ByProtection
	if err != nil || math.Abs(levelOf(p)-end) > 1e-3*end || !its {
		return err
	}
	// The cells are taken at the middle of where they were.
	rated, err := s.Pack.ToRated(-e.Charge, p.Load.Current, (e.MinTemperature+e.MaxTemperature)/2)
	if err != nil {
		return err
	}
	step.Corrected, step.OfRated = rated/hours, rated/s.Pack.Rated.Charge
	return nil
}

// steady reports whether a load is a constant current.
func steady(l *model.Load) bool {
	return l.Current > 0 && l.Power == 0 && l.Resistance == 0 && l.Period == 0 && l.Ripple == 0 && len(l.Table) == 0
}

// levelOf is the voltage at which a discharge is to end, 0 if none is [V].
func levelOf(p model.Step) float64 {
	if p.Kind != model.Discharge {
		return 0
	}
	return math.Max(p.Ends.Voltage, p.Ends.Logger)
}
