package calibrate

import (
	"fmt"
	"math"

	"stuntcell/validate/budget"
)

// Agreement is how two meters agree on one quantity.
type Agreement struct {
	Quantity string `json:"quantity"`
	A        string `json:"a"`
	B        string `json:"b"`
	// At is the reading where they differ most beside their uncertainty, Difference what A corrects more than B there [Unit], En that over the root of both expanded uncertainties
	// squared: at most 1 is agreement (ISO 13528: from memory).
	At         budget.Maybe `json:"at"`
	Difference budget.Maybe `json:"difference"`
	En         budget.Maybe `json:"En"`
	Text       string       `json:"text"`
}

// Compare holds every two lines of one quantity against each other, where both have pairs. Lines that disagree are both kept: which meter is right is not told by them.
func Compare(lines []*Line) []Agreement {
	var out []Agreement
	for i, a := range lines {
		for _, b := range lines[i+1:] {
			if a.Quantity != b.Quantity {
				continue
			}
			low, high := math.Max(a.Low, b.Low), math.Min(a.High, b.High)
			g := Agreement{Quantity: a.Quantity, A: a.Meter, B: b.Meter}
			if !(low <= high) {
				g.Text = "no range in common: they cannot be compared"
				unknown := budget.Maybe(math.NaN())
				g.At, g.Difference, g.En = unknown, unknown, unknown
				out = append(out, g)
				continue
			}
			for _, x := range []float64{low, (low + high) / 2, high} {
				pa, pb := a.point(x), b.point(x)
				d := pa.Corrected - pb.Corrected
				en := 0.0
				if d != 0 {
					en = math.Abs(d) / math.Hypot(pa.U, pb.U)
				}
				if budget.Maybe(en) >= g.En {
					g.At, g.Difference, g.En = budget.Maybe(x), budget.Maybe(d), budget.Maybe(en)
				}
			}
			unit := a.Unit
			if g.En <= 1 {
				g.Text = fmt.Sprintf("agree: at %.4g %s they differ by %.2g %s, E_n %.2f", g.At, unit, g.Difference, unit, g.En)
			} else {
				g.Text = fmt.Sprintf("disagree: at %.4g %s they differ by %.2g %s, E_n %.2f; both are kept and no mean is taken, since one meter at least, or its pairs, is further off than it states", g.At, unit, g.Difference, unit, g.En)
			}
			out = append(out, g)
		}
	}
	return out
}
