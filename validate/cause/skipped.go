package cause

import (
	"fmt"
	"math"

	"stuntcell/validate/replay"
	"stuntcell/validate/verdict"
)

// Skipped finds a meter that drops the one step in which its counter wraps, or passes half range: too little to fail a
// check, but a sign that nobody watched it. It is advice.
func Skipped(c *Case) []verdict.Finding {
	var right []*Column
	for _, col := range c.Column {
		if col.Role == Charge && col.OK {
			right = append(right, col)
		}
	}
	if len(right) == 0 {
		return nil
	}
	wraps, halves := c.crossings()
	for _, v := range []struct {
		is    bool
		cause string
		clock replay.Clocking
		what  string
	}{
		{wraps, "tick-wrap", replay.WrapSkip, "wrapped"},
		{halves, "signed-tick", replay.HalfSkip, "passed half range"},
	} {
		if !v.is || !c.carries(right, v.clock) {
			continue
		}
		for _, rule := range []replay.Rule{replay.Trapezoid, replay.Left, replay.Right} {
			// The rule was fitted with the lost step in the log and may be another.
			good, bad := c.healthy(rule), c.Series.Run(replay.Meter{Rule: rule, Bad: c.Meter.Bad, Clocking: v.clock}, c.Index)
			for _, col := range right {
				u := replay.Unroll(col.Printed, good.Charge, c.Marks, col.Limit)
				if row, lost := c.dropped(col, u, good.Charge, bad.Charge); row >= 0 && !c.explained(col) {
					f := c.finding(v.cause, ofFirmware, 0.85, row)
					f.Severity = verdict.Advice
					f.Evidence = fmt.Sprintf("the step in which the counter %s is missing from column %q: %.3g %s, within the limit this time", v.what,
						col.Header, lost/col.Display, unitOr(col))
					return []verdict.Finding{f}
				}
			}
		}
	}
	return nil
}

// carries says whether the steps that such a meter drops carry three printed units between two rows of any column: fewer are hidden by print,
// and there is no need to replay anything.
func (c *Case) carries(cols []*Column, clock replay.Clocking) bool {
	s := c.Series
	mask, shift := int64(1)<<uint(s.Bits)-1, int64(0)
	if clock == replay.HalfSkip {
		shift = int64(1) << uint(s.Bits-1)
	}
	most := make([]float64, len(c.Index)) // the charge of such steps up to each marked reading, at most [A·s]
	sum, k := 0.0, 1
	for i, at := range c.Index {
		for ; k <= at; k++ {
			if s.Life[k] != s.Life[k-1] || (s.Tick[k]+shift)&^mask == (s.Tick[k-1]+shift)&^mask {
				continue
			}
			amps := max(math.Abs(s.I[k-1]), math.Abs(s.I[k]))
			if math.IsNaN(amps) {
				amps = float64(s.ShuntMax) * s.Amp
			}
			sum += amps * s.TickDt[k]
		}
		most[i] = sum
	}
	for _, col := range cols {
		for r := 1; r < len(c.Marks.Row); r++ {
			if d := most[c.Marks.Row[r]] - most[c.Marks.Row[r-1]]; math.Abs(d)*1.001 >= 3*col.Printed.Unit[r] {
				return true
			}
		}
	}
	return false
}

// explained says that a healthy rule gives every row of a column to within what its printed units hide: nothing is missing from it. Another
// rule, with a step left out, may come as near where the current changed within the row of the wrap.
func (c *Case) explained(col *Column) bool {
	hidden := 0.0
	for _, u := range col.Printed.Unit {
		if 3*u > hidden { // NaN is not
			hidden = 3 * u
		}
	}
	for _, rule := range []replay.Rule{replay.Trapezoid, replay.Left, replay.Right} {
		if replay.Unroll(col.Printed, c.healthy(rule).Charge, c.Marks, col.Limit).Raw < hidden {
			return true
		}
	}
	return false
}

// dropped says at which row a column falls behind its readings by just what the mistaken totals fall behind the healthy ones
// there, and by how much; row is -1 if it does not. Printed units hide less than three of them.
func (c *Case) dropped(col *Column, u *replay.Unrolled, healthy, mistaken []float64) (row int, lost float64) {
	const side = 20 // rows looked at before and after
	n := len(u.Residual)
	for r := 1; r < n; r++ {
		before, after := c.Marks.Row[r-1], c.Marks.Row[r]
		d := (mistaken[after] - healthy[after]) - (mistaken[before] - healthy[before])
		if math.Abs(d) < 3*col.Printed.Unit[r] || math.IsNaN(col.Printed.Unit[r]) {
			continue
		}
		mean := func(from, to int) (m, spread float64, k int) {
			lo, hi := math.Inf(1), math.Inf(-1)
			for q := max(from, 0); q < min(to, n); q++ {
				if x := u.Residual[q]; !math.IsNaN(x) {
					m, k = m+x, k+1
					lo, hi = min(lo, x), max(hi, x)
				}
			}
			return m / float64(max(k, 1)), hi - lo, k
		}
		a, sa, na := mean(r-side, r)
		b, sb, nb := mean(r, r+side)
		if na > 0 && nb > 2 && math.Abs(b-a-d) < 0.25*math.Abs(d) && sa < math.Abs(d)/2 && sb < math.Abs(d)/2 {
			return r, d
		}
	}
	return -1, 0
}
