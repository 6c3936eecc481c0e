package audit

import (
	"fmt"
	"math"

	"stuntcell/validate/budget"
)

// UsualLambda is the temperature coefficient of capacity where no pack is named: that of lead-acid over 10 to 20 h (confirmed indirectly, a
// battery maker's support page) [1/K].
const UsualLambda = 0.006

// Usual returns the conditions with what is not said: [UsualLambda], uncertainties of the
// coefficients to match, and the cell's temperature from the log if it has one.
func (c Conditions) Usual(p *Phase) Conditions {
	if c.Lambda == 0 {
		c.Lambda = UsualLambda
	}
	if c.LambdaU == 0 {
		c.LambdaU = 0.002 / math.Sqrt(3)
	}
	if c.KU == 0 {
		c.KU = 0.05 / math.Sqrt(3)
	}
	if c.Cell == 0 && p.TempHigh > 0 {
		c.Cell = (p.TempLow + p.TempHigh) / 2
	}
	return c
}

// FigureUnder puts a phase into the form that a budget takes, to be brought to the conditions.
func (r *Report) FigureUnder(p *Phase, c Conditions) budget.Figure {
	f := r.Figure(p, r.Interval)
	f.Cell, f.Reference, f.Lambda = c.Cell, c.Reference, c.Lambda
	if c.Reference == 0 {
		// Not brought to another temperature, but it was only known so well.
		f.Reference = c.Cell
	}
	f.RatedCurrent, f.Exponent = c.RatedCurrent, c.K
	return f
}

// Grading words how a capacity stands to the limit of replacement, [ReplaceBelow]. stated is nil if nobody knows its uncertainty; atLeast says
// that the discharge did not end as intended.
func Grading(b Brought, stated *budget.Stated, atLeast bool, rated float64) string {
	least := ""
	if atLeast {
		least = "at least "
	}
	if stated == nil {
		if atLeast && float64(b.Share) < ReplaceBelow {
			return "not told: the discharge did not begin full, or did not end as intended"
		}
		return fmt.Sprintf("%s%.1f %% of rated; without a rig its uncertainty is not known, so nothing is graded", least, 100*float64(b.Share))
	}
	share, u, dof := stated.Charge.Y*3600/rated, stated.Charge.U1*3600/rated, stated.Charge.DOF
	g, p := Judge(share, u, dof, ReplaceBelow)
	text := fmt.Sprintf("%s%.1f ± %.1f %% of rated (k = %.2f): ", least, 100*share, 100*stated.Charge.K*u, stated.Charge.K)
	guard := fmt.Sprintf("the guard band of %.2g %% (5 %% risk)", 100*Guard(u, dof))
	switch {
	case g == Above:
		text += "above the limit of 80 % by more than " + guard
	case atLeast:
		text += "not graded: the discharge did not begin full, or did not end as intended; the capacity is at least this"
	case g == Under:
		text += "below the limit of 80 % by more than " + guard + ": replace"
	default:
		text += fmt.Sprintf("too near the limit of 80 %% to say, inside %s (probability to be above %.0f %%)", guard, 100*p)
	}
	return text
}
