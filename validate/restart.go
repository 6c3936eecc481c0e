package validate

import (
	"fmt"
	"math"

	"stuntcell/emulator"
	"stuntcell/validate/cause"
	"stuntcell/validate/verdict"
)

// checkRestart makes the check restart: the first total after a power cut must equal the readings' integral at some instant
// from one log interval before the last row received to the cut, plus at most the gap at the last current.
func (j *judge) checkRestart() {
	cuts := 0
	for _, e := range j.rec.Events {
		if e.Kind == emulator.PowerBack {
			cuts++
		}
	}
	if cuts == 0 {
		return
	}
	chk := verdict.Check{Name: "restart", Unit: "1"}
	if j.rec.Cannot["restore"] {
		j.checks = append(j.checks, verdict.Check{Name: "restart", Skipped: "cannot restore"})
		return
	}
	worst, seen, ok := math.Inf(-1), false, true
	n := len(j.rec.Readings.T)
	all := make([]int, n)
	for k := range all {
		all[k] = k
	}
	every := j.series.Run(j.meter, all)
	for _, c := range j.columns {
		if c.Role == cause.Elapsed || c.Unrolled.Anchor == nil {
			continue
		}
		p := c.Role.Of(every)
		for r := range j.at {
			first, is := c.Unrolled.Anchor[r]
			if !is {
				continue
			}
			seen = true
			re := j.restart(c, p, r, first)
			if re.Bad {
				ok = false
			}
			j.restarts = append(j.restarts, re)
			d := 0.0
			if first < re.Low {
				d = first - re.Low
			} else if first > re.High {
				d = first - re.High
			}
			if math.Abs(d)/c.Scale > worst {
				worst = math.Abs(d) / c.Scale
				v, lim, row := d/c.Scale, c.Printed.Unit[r]/c.Scale, r+1
				low := -lim
				chk.Value, chk.LimitLow, chk.LimitHigh, chk.Row = &v, &low, &lim, &row
				chk.Detail = fmt.Sprintf("column %q", c.Header)
			}
		}
	}
	if !seen {
		j.checks = append(j.checks, verdict.Check{Name: "restart", Skipped: "no row after the power cut"})
		return
	}
	chk.Pass = &ok
	j.checks = append(j.checks, chk)
}

// restart compares what column c went on from at row r with what it may go on from.
func (j *judge) restart(c *cause.Column, p []float64, r int, first float64) cause.Restart {
	s := j.series
	k := j.at[r]
	boot := k
	for boot > 0 && s.Life[boot-1] == s.Life[k] {
		boot--
	}
	cut := boot - 1 // last reading before the cut
	before := math.NaN()
	lastRow := -1
	for q := r - 1; q >= 0; q-- {
		if !math.IsNaN(c.Unrolled.Value[q]) {
			before, lastRow = c.Unrolled.Value[q], q
			break
		}
	}
	from := 0
	if lastRow >= 0 {
		from = j.at[lastRow]
	}
	for t := 0.0; from > 0 && s.Life[from] == s.Life[max(cut, 0)] && t < j.log*(1+1e-9)+s.Period; from-- {
		t += s.Dt[from]
	}
	// Where the log stood before the cut it may have been off already; that is the charge check's business.
	shift := 0.0
	if lastRow >= 0 {
		shift = c.Unrolled.Residual[lastRow]
	}
	lo, hi := math.Inf(1), math.Inf(-1)
	for q := from; q <= max(cut, from); q++ {
		lo, hi = min(lo, p[q]+shift), max(hi, p[q]+shift)
	}
	// A log that counts too much of everything loses as much more in an interval.
	if g := j.pace(c, p, lastRow); g > 1 {
		at := p[j.at[lastRow]] + shift
		lo, hi = at+g*(lo-at), at+g*(hi-at)
	}
	// The row shows what came since the restart on top.
	since := p[k] - p[max(boot, 0)]
	// The gap is what no good reading was in, and its current is whichever of those at both ends is larger.
	begin, to := max(cut, 0), boot
	for begin > 0 && !s.Good(begin) && s.Life[begin-1] == s.Life[begin] {
		begin--
	}
	for to < k && !s.Good(to) {
		to++
	}
	gapT := float64(j.rec.Readings.T[to]-j.rec.Readings.T[begin])*1e-9 + s.Period
	rate := 0.0
	for _, q := range []int{begin, to} {
		at := s.I[q]
		if c.Role.IsEnergy() {
			at *= s.V[q]
		}
		if s.Good(q) && math.Abs(at) > math.Abs(rate) {
			rate = at
		}
	}
	if c.Role == cause.ChargeOut || c.Role == cause.EnergyOut {
		rate = -rate
	}
	lo, hi = lo+min(0, since), hi+max(0, since)
	lo, hi = min(lo, lo+rate*gapT), max(hi, hi+rate*gapT)
	slack := c.Printed.Unit[r] + c.Limit/10
	re := cause.Restart{Life: s.Life[k], Row: r, Column: c, First: first, Low: lo - slack, High: hi + slack, Before: before}
	re.Bad = first < re.Low || first > re.High
	// Totals that start anew with a step go on from where they stood in it.
	bases := []float64{}
	if lastRow >= 0 {
		bases = append(bases, c.Unrolled.Base[lastRow])
	}
	for _, st := range j.rec.Steps {
		if st.First > from && st.First <= k {
			bases = append(bases, p[max(st.First-1, 0)])
		}
	}
	for _, base := range bases {
		for _, sign := range []float64{1, -1} {
			if x := sign*first + base; x >= re.Low && x <= re.High && (sign > 0 || j.goesOn(c, p, r) <= 0) {
				re.Bad = false
			}
		}
	}
	return re
}

// goesOn says whether a column goes on from row r in the direction of what flows (+1) or against it (-1), as a total does that is printed
// without its sign; 0 where too little flows to say.
func (j *judge) goesOn(c *cause.Column, p []float64, r int) int {
	for q := r + 1; q < len(j.at) && j.lifeOfRow(q) == j.lifeOfRow(r); q++ {
		flows, goes := p[j.at[q]]-p[j.at[r]], c.Unrolled.Value[q]-c.Unrolled.Value[r]
		if math.Abs(flows) > 10*c.Printed.Unit[r] && math.Abs(goes) > 5*c.Printed.Unit[r] {
			if flows*goes > 0 {
				return 1
			}
			return -1
		}
	}
	return 0
}

// pace is how much a column counted of what its readings give, over the ten rows up to row r; 1 where these give too little to say.
func (j *judge) pace(c *cause.Column, p []float64, r int) float64 {
	q := r
	for n := 0; q > 0 && n < 10 && !math.IsNaN(c.Unrolled.Value[q-1]) && j.lifeOfRow(q-1) == j.lifeOfRow(r); n++ {
		q--
	}
	if r < 0 || q == r {
		return 1
	}
	meant := p[j.at[r]] - p[j.at[q]]
	if math.Abs(meant) < 10*c.Printed.Unit[r] {
		return 1
	}
	return math.Abs((c.Unrolled.Value[r] - c.Unrolled.Value[q]) / meant)
}

// checkCard makes the check card: totals over a failed write.
func (j *judge) checkCard() {
	begin := -1
	for k, f := range j.series.Flags {
		if f&emulator.CardFails != 0 {
			begin = k
			break
		}
	}
	if begin < 0 {
		return
	}
	chk := verdict.Check{Name: "card", Unit: "1"}
	end := begin
	for end < len(j.series.Flags) && j.series.Flags[end]&emulator.CardFails != 0 {
		end++
	}
	j.cardBegin, j.cardEnd = begin, end
	ok, seen, after := true, false, 0
	worst := math.Inf(-1)
	for r := range j.at {
		if j.at[r] >= end {
			after++
		}
	}
	for _, c := range j.columns {
		if c.Role == cause.Elapsed {
			continue
		}
		before := 0.0
		for r, k := range j.at {
			if math.IsNaN(c.Unrolled.Value[r]) {
				continue
			}
			if k < begin {
				before = c.Unrolled.Residual[r]
				continue
			}
			if math.Abs(before) > c.Limit+c.Printed.Unit[r] {
				break // off before the card failed: no news of the card
			}
			d := c.Unrolled.Residual[r] - before
			seen = true
			excess := (math.Abs(d) - c.Printed.Unit[r] - c.Limit) / c.Scale
			if excess > worst {
				worst = excess
				v, lim, row := d/c.Scale, (c.Limit+c.Printed.Unit[r])/c.Scale, r+1
				low := -lim
				chk.Value, chk.LimitLow, chk.LimitHigh, chk.Row = &v, &low, &lim, &row
			}
			if excess > 0 {
				ok = false
			}
		}
	}
	// Rows must come again once the card takes them.
	left := 0.0
	for k := end + 1; k < len(j.series.Dt); k++ {
		left += j.series.Dt[k]
	}
	if after == 0 && left > 3*j.log+2*j.series.Period {
		ok = false
		j.cardDead = true
		chk.Detail = "no row after the card took writes again"
	}
	if !seen && !j.cardDead {
		j.checks = append(j.checks, verdict.Check{Name: "card", Skipped: "no totals after the failed write"})
		return
	}
	chk.Pass = &ok
	j.checks = append(j.checks, chk)
}
