package cause

import (
	"fmt"
	"math"

	"stuntcell/validate/replay"
	"stuntcell/validate/verdict"
)

// beginAnew names totals that hold nothing of what was before: each shows what flowed in its last step alone, or since the row before. Nothing
// is wrong with those amounts, they are put in the place of the total that they should be added to.
func (c *Case) beginAnew(wrong []*Column) []verdict.Finding {
	var out []verdict.Finding
	for _, col := range wrong {
		how, mend := "", ""
		for _, rule := range []replay.Rule{c.Meter.Rule, replay.Trapezoid, replay.Left, replay.Right} {
			total := col.Role.Of(c.healthy(rule))
			switch {
			case c.showsEach(col, func(r int) float64 { return c.lastStep(col, rule, c.At[r]) }):
				how, mend = "what flowed in the last step alone", "Add each step to the total (+=) where it is put in its place (=)."
			case c.showsEach(col, func(r int) float64 {
				if r == 0 {
					return total[c.Marks.Row[0]]
				}
				return total[c.Marks.Row[r]] - total[c.Marks.Row[r-1]]
			}):
				how = "what flowed since the row before"
				mend = "Keep the total when a row is written; if it is meant to begin anew there, say so in the header, as dAh. A total that is rounded at each row to more than a row adds looks the same."
			default:
				continue
			}
			break
		}
		if how == "" {
			return nil
		}
		row := firstBad([]*Column{col})
		f := c.finding("unexplained", ofFirmware, 0.5, row)
		f.Evidence = fmt.Sprintf("column %q shows %s, to the last digit: the total is lost each time", col.Header, how)
		f.Mend = mend
		c.quote(&f, col, row)
		out = append(out, f)
	}
	return merge(out)
}

// showsEach says that a column shows the amounts that of gives for its rows, in size and to the last digit, in all but a few rows and in enough that
// are not about nothing.
func (c *Case) showsEach(col *Column, of func(r int) float64) bool {
	const (
		fewest = 8 // rows that tell something
		little = 3 // printed units that tell nothing
	)
	n, right, telling := 0, 0, 0
	for r, v := range col.Printed.Value {
		x, unit := math.Abs(of(r)), col.Printed.Unit[r]
		if math.IsNaN(v) || math.IsNaN(x) || r > 0 && c.Marks.Life[r] != c.Marks.Life[r-1] {
			continue
		}
		n++
		switch {
		case math.Abs(math.Abs(v)-x) <= 1.01*unit:
			right++
			if x > little*unit {
				telling++
			}
		case col.Role.Splits() && v == 0: // it flowed the other way
			right++
		}
	}
	return telling >= fewest && 20*right >= 19*n
}

// lastStep is what flowed between a reading and the one before it [A·s, W·s]; NaN where that is not known.
func (c *Case) lastStep(col *Column, rule replay.Rule, k int) float64 {
	s := c.Series
	if k == 0 || s.Life[k] != s.Life[k-1] {
		return math.NaN()
	}
	at := func(k int) float64 {
		if col.Role.IsEnergy() {
			return s.I[k] * s.V[k]
		}
		return s.I[k]
	}
	a, b := at(k-1), at(k)
	switch rule {
	case replay.Left:
		b = a
	case replay.Right:
		a = b
	}
	return (a + b) / 2 * s.TickDt[k]
}
