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
		if !v.is {
			continue
		}
		for _, rule := range []replay.Rule{replay.Trapezoid, replay.Left, replay.Right} {
			// The rule was fitted with the lost step in the log and may be another.
			lost := c.skipped(rule, v.clock)
			for _, col := range right {
				if !c.printed(col, lost) {
					continue
				}
				u := replay.Unroll(col.Printed, c.healthy(rule).Charge, c.Marks, col.Limit)
				if row, lost := c.dropped(col, u, lost); row >= 0 && !c.explained(col) {
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

// skipped is how far such a meter is ahead of a healthy one at each marked reading [A·s]: by the charge of the steps that it drops, taken away.
func (c *Case) skipped(rule replay.Rule, clock replay.Clocking) []float64 {
	s := c.Series
	mask, shift := int64(1)<<uint(s.Bits)-1, int64(0)
	if clock == replay.HalfSkip {
		shift = int64(1) << uint(s.Bits-1)
	}
	out := make([]float64, len(c.Index))
	sum, k := 0.0, 1
	for i, at := range c.Index {
		for ; k <= at; k++ {
			if s.Life[k] == s.Life[k-1] && (s.Tick[k]+shift)&^mask != (s.Tick[k-1]+shift)&^mask {
				sum -= c.meanOver(rule, k) * s.TickDt[k]
			}
		}
		out[i] = sum
	}
	return out
}

// meanOver is the current that a healthy meter counts between the good readings around the step to reading k [A].
func (c *Case) meanOver(rule replay.Rule, k int) float64 {
	s := c.Series
	before, after := k-1, k
	for before >= 0 && !s.Good(before) {
		before--
	}
	for (c.Meter.Bad == replay.Bridge || c.Meter.Bad == replay.BridgeEach) && after < s.Len() && !s.Good(after) {
		after++
	}
	if before < 0 || after == s.Len() || s.Life[before] != s.Life[k] || s.Life[after] != s.Life[k] {
		return 0 // no step is counted there
	}
	i, j := s.I[before], s.I[after]
	if !s.Good(after) {
		j = i // held
	}
	switch rule {
	case replay.Left:
		return i
	case replay.Right:
		return j
	}
	return (i + j) / 2
}

// printed says whether a column shows what such a meter lost between two of its rows.
func (c *Case) printed(col *Column, lost []float64) bool {
	for r := 1; r < len(c.Marks.Row); r++ {
		if c.shows(col, r, lost[c.Marks.Row[r]]-lost[c.Marks.Row[r-1]]) {
			return true
		}
	}
	return false
}

// shows says whether a loss stands out in row r: printed units hide less than three of them.
func (c *Case) shows(col *Column, r int, lost float64) bool {
	return math.Abs(lost) >= 3*col.Printed.Unit[r]
}

// dropped says at which row a column falls behind its readings by just what such a meter loses there, and by how much; row is -1 if it does
// not.
func (c *Case) dropped(col *Column, u *replay.Unrolled, lost []float64) (row int, d float64) {
	const side = 20 // rows looked at before and after
	n := len(u.Residual)
	for r := 1; r < n; r++ {
		d := lost[c.Marks.Row[r]] - lost[c.Marks.Row[r-1]]
		if !c.shows(col, r, d) {
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
