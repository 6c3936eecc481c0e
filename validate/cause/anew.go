package cause

import (
	"fmt"
	"math"

	"stuntcell/validate/logfile"
	"stuntcell/validate/replay"
	"stuntcell/validate/verdict"
)

// beginAnew names totals that are no sums of their steps: each shows what flowed in its last step alone, or since the row before, put in the
// place of the total that it should be added to; or steps that all begin at the start, since no reading's time is kept.
func (c *Case) beginAnew(wrong []*Column) []verdict.Finding {
	var out []verdict.Finding
	for _, col := range wrong {
		how, mend := "", ""
		for _, rule := range []replay.Rule{c.Meter.Rule, replay.Trapezoid, replay.Left, replay.Right} {
			total := col.Role.Of(c.healthy(rule))
			switch {
			case c.showsEach(col, func(r int) float64 { return c.lastStep(col, rule, c.At[r]) }):
				how = "what flowed in the last step alone, no total"
				mend = "Add each step to the total (+=) where it is put in its place (=)."
			case c.showsEach(col, func(r int) float64 {
				if r == 0 {
					return total[c.Marks.Row[0]]
				}
				return total[c.Marks.Row[r]] - total[c.Marks.Row[r-1]]
			}):
				how = "what flowed since the row before, no total"
				mend = "Keep the total when a row is written; if it is meant to begin anew there, say so in the header, as dAh. A total that is rounded at each row to more than a row adds looks the same."
			case c.showsEach(col, c.sinceStart(col, rule, 0)), c.showsEach(col, c.sinceStart(col, rule, c.Series.FirstTick)):
				how = "each reading times all the time since the start, not since the reading before"
				mend = "Keep the time of each reading, as last = now, when its step has been added."
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
		f.Evidence = fmt.Sprintf("column %q shows %s, to the last digit", col.Header, how)
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
	return c.flow(col, rule, k-1, k) * s.TickDt[k]
}

// flow is the current or the power that a rule takes for the time between two readings [A], [W].
func (c *Case) flow(col *Column, rule replay.Rule, before, k int) float64 {
	get := c.reading(logfile.Current)
	if col.Role.IsEnergy() {
		get = c.reading(logfile.Power)
	}
	switch rule {
	case replay.Left:
		return get(before)
	case replay.Right:
		return get(k)
	}
	return (get(before) + get(k)) / 2
}

// sinceStart gives, for the rows of the first power-up, the sum of all readings times the time since the first one, which was zero so many
// seconds before it.
func (c *Case) sinceStart(col *Column, rule replay.Rule, zero float64) func(r int) float64 {
	s := c.Series
	sum, t, last := make([]float64, s.Len()), zero, -1
	for k := range sum {
		if k > 0 {
			sum[k] = sum[k-1]
		}
		switch t += s.TickDt[k]; {
		case s.Life[k] != 0:
			sum[k] = math.NaN()
		case s.Good(k):
			if last >= 0 {
				sum[k] += c.flow(col, rule, last, k) * t
			}
			last = k
		}
	}
	return func(r int) float64 { return sum[c.At[r]] }
}
