package cause

import (
	"fmt"
	"math"
	"sort"

	"stuntcell/validate/replay"
	"stuntcell/validate/verdict"
)

// fold is a product of the counter in 32 bits that turns over.
type fold struct {
	factor int64
	signed bool
	how    string
	at     []int      // readings before which it does
	steps  []foldStep // what may become of the step in which it does
}

// foldStep is what becomes of a step in which a product turns over.
type foldStep struct {
	fold replay.Fold
	how  string
}

// folds lists the products that turn over between two readings: with a thousand, as milliseconds are got from any rate, and with a million, as
// microseconds are.
func (c *Case) folds() []fold {
	s := c.Series
	mask := s.Mask()
	var out []fold
	for _, factor := range []int64{1000, 1_000_000} {
		for _, signed := range []bool{false, true} {
			shift, sign := int64(0), "without"
			if signed {
				shift, sign = 1<<31, "with"
			}
			f := fold{factor: factor, signed: signed}
			for k := 1; k < len(s.Tick); k++ {
				a, b := s.Tick[k-1], s.Tick[k]
				if s.Life[k] == s.Life[k-1] && a&^mask == b&^mask && (a&mask*factor+shift)>>32 != (b&mask*factor+shift)>>32 {
					f.at = append(f.at, k)
				}
			}
			if len(f.at) > 0 {
				f.how = fmt.Sprintf("the counter is multiplied by %d in 32 bits %s a sign before it is divided, which turns over each %.7g s", factor, sign,
					math.Ldexp(1, 32)/float64(factor)/s.Hz)
				out = append(out, f)
			}
		}
	}
	return out
}

// foldsThatMatter are those, and what becomes of their steps, that would put the totals off by no more than they are.
func (c *Case) foldsThatMatter() []fold {
	charge, energy := c.off()
	s := c.Series
	var out []fold
	for _, f := range c.folds() {
		// matters says of a time that is added wherever the product turns over whether the totals may be off by it.
		matters := func(extra func(k int) float64) bool {
			q, e, mostQ, mostE := 0.0, 0.0, 0.0, 0.0
			for _, k := range f.at {
				if s.Good(k) {
					q, e = q+s.I[k]*extra(k), e+s.I[k]*s.V[k]*extra(k)
					mostQ, mostE = max(mostQ, math.Abs(q)), max(mostE, math.Abs(e))
				}
			}
			// By the trapezoid it is the mean with the current before.
			return charge > 0.3*mostQ || energy > 0.3*mostE || charge == 0 && energy == 0
		}
		turn := math.Ldexp(1, 32) / float64(f.factor)
		for _, v := range []struct {
			foldStep
			extra func(k int) float64
		}{
			{foldStep{replay.FoldBack, "the step over that is short by a whole turn"}, func(int) float64 { return -turn / s.Hz }},
			{foldStep{replay.FoldOnward, "the step over that, taken without a sign, is wrong by a whole turn"}, func(int) float64 { return turn - turn/s.Hz }},
			{foldStep{replay.FoldZero, "the step over that is dropped"}, func(k int) float64 { return -s.TickDt[k] }},
		} {
			if matters(v.extra) {
				f.steps = append(f.steps, v.foldStep)
			}
		}
		if f.steps != nil {
			out = append(out, f)
		}
	}
	return out
}

// outOfTurn finds that rows come when they are not due, or fail to, where a product of the counter turns over, and nowhere else.
func (c *Case) outOfTurn(s *Spacing) *verdict.Finding {
	var off []int // rows behind a spacing that is none of the interval's
	for r := 1; r < len(c.At); r++ {
		d := c.Seconds(c.At[r]) - c.Seconds(c.At[r-1])
		if math.Abs(d-s.Log) > 1.5*c.Series.Period {
			off = append(off, r)
		}
	}
	if len(off) < 2 || len(off) > len(c.At)/4 {
		return nil
	}
	for _, f := range c.folds() {
		met := map[int]bool{}
		for _, r := range off {
			for n := sort.SearchInts(f.at, c.At[r-1]); n < len(f.at) && f.at[n] <= c.At[r]; n++ {
				met[f.at[n]] = true
			}
		}
		// Each that turns over brings one row out of turn and, where the next is counted from it, a spacing or two that are off.
		if len(met) < 2 || 2*len(met) < len(off) || len(met) < len(f.at)-1 {
			continue
		}
		g := c.finding("tick-wrap", ofFirmware, 0.85, off[0])
		g.Evidence = fmt.Sprintf("rows come out of turn %d times, each time where the counter times %d turns over in 32 bits", len(met), f.factor)
		return &g
	}
	return nil
}

// ProductPrint names a column that shows the counter by way of a product of 32 bits; counts is what a row shows. Row is the first that does
// not show its reading's tick.
func ProductPrint(c *Case, row int, counts func(row int) (int64, bool)) []verdict.Finding {
	for _, f := range c.folds() {
		alike := true
		for r := range c.At {
			n, ok := counts(r)
			alike = alike && (!ok || n == int64(c.Series.Product(c.Series.Tick[c.At[r]], f.factor, f.signed)))
		}
		if alike {
			g := c.finding("tick-wrap", ofFirmware, 0.95, row)
			g.Evidence = "the column of the counter shows what comes of this, to the last count: " + f.how
			g.Wrote = c.text(row)
			return []verdict.Finding{g}
		}
	}
	return nil
}

// SignedPrint names a counter that is printed as a signed number.
func SignedPrint(c *Case, row int) []verdict.Finding {
	f := c.finding("signed-tick", ofFirmware, 0.7, row)
	f.Evidence = "the counter is printed as a negative number past half range"
	f.Wrote = c.text(row)
	return []verdict.Finding{f}
}
