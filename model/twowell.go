package model

import (
	"fmt"
	"math"

	"gonum.org/v1/gonum/optimize"
)

// twoWells finds Well and Flow with which the pack delivers, at 1 to 20 times its rated current, what Peukert's law with p.Rate.K says,
// each to the end voltage of its rate, and the whole charge with which the rated current delivers the rated charge. It returns the
// largest relative error.
func (p *Pack) twoWells() (misfit float64, err error) {
	if p.Rate.Well > 0 {
		return p.wellMisfit(), p.fillWells()
	}
	rates := [...]float64{1, 1.5, 2, 3, 5, 8, 12, 16, 20}
	cost := func(x []float64) float64 {
		q := *p
		q.Rate.Well, q.Rate.Flow = 1/(1+math.Exp(-x[0])), math.Exp(x[1])
		if q.fillWells() != nil {
			return 1e3
		}
		sum := 0.0
		for _, r := range rates[1:] {
			e := q.wellError(r)
			// The sixth power: the worst rate counts most.
			sum += e * e * e * e * e * e
		}
		return sum
	}
	best := math.Inf(1)
	for _, start := range [...][]float64{{0, math.Log(2 / p.Rated.Hours)}, {1.5, math.Log(20 / p.Rated.Hours)}, {-1, math.Log(60 / p.Rated.Hours)}} {
		r, err := optimize.Minimize(optimize.Problem{Func: cost}, start, &optimize.Settings{FuncEvaluations: 400, Converger: &optimize.FunctionConverge{Absolute: 1e-16, Iterations: 60}}, &optimize.NelderMead{})
		if r == nil || err != nil && r.X == nil {
			continue
		}
		if r.F < best {
			best = r.F
			p.Rate.Well, p.Rate.Flow = 1/(1+math.Exp(-r.X[0])), math.Exp(r.X[1])
		}
	}
	if math.IsInf(best, 1) || best >= 1e3 {
		return 0, fmt.Errorf("no two wells follow an exponent of %.3g", p.Rate.K)
	}
	return p.wellMisfit(), p.fillWells()
}

// fillWells solves the whole charge for the rating: y(H) = levelAt(end).
func (p *Pack) fillWells() error {
	amps := p.Rated.Current() / float64(p.Parallel)
	c, k, H := p.Rate.Well, p.Rate.Flow, p.Rated.Hours
	y := p.levelAt(p.Rated.End/float64(p.Series), amps, H, p.Cell.Reference)
	p.Cell.Capacity = (amps*H + amps*(1-c)/(c*k)*-math.Expm1(-k*H)) / (1 - y)
	p.Cell.Capacity += p.lost(amps*H, amps, p.Cell.Reference) / (1 - y)
	if !(p.Cell.Capacity < 3*amps*H) {
		return fmt.Errorf("two wells with %.3g of the charge available and a flow of %.3g/s hold %.3g times the rated charge (expected less than 3)",
			c, k, p.Cell.Capacity/(amps*H))
	}
	return nil
}

// wellError is how far the charge delivered at r times the rated current is from Peukert's law, relative.
func (p *Pack) wellError(r float64) float64 {
	amps := r * p.Rated.Current() / float64(p.Parallel)
	end := p.endOf(amps*float64(p.Parallel)) / float64(p.Series)
	c, k, Q := p.Rate.Well, p.Rate.Flow, p.Cell.Capacity
	// What is left of y over the level at which the end voltage shows falls with time.
	t := root(0, Q/amps, func(t float64) (float64, float64) {
		y := 1 - amps*t/Q - amps*(1-c)/(c*Q*k)*-math.Expm1(-k*t)
		return p.levelAt(end, amps, t, p.Cell.Reference) - y, amps/Q + amps*(1-c)/(c*Q)*math.Exp(-k*t)
	})
	want := p.Rated.Charge / float64(p.Parallel) * math.Pow(r, 1-p.Rate.K)
	return amps*t/want - 1
}

func (p *Pack) wellMisfit() float64 {
	worst := 0.0
	for _, r := range [...]float64{1, 1.5, 2, 3, 5, 7, 10, 14, 20} {
		worst = math.Max(worst, math.Abs(p.wellError(r)))
	}
	return worst
}

// RatedRow is one row of a rating table, with how far the pack is from it.
type RatedRow struct {
	Hours, Charge, End float64 // [s], [A·s], [V]
	Misfit             float64 // delivered over claimed, less 1
}

// fitTable finds the exponent that a rating table means, by least squares of the logarithms through the rated row, and lets the end voltages
// of the levels pass through the rows.
func (p *Pack) fitTable() error {
	var top, bottom float64
	for _, r := range p.Table {
		x := math.Log(r.Charge / r.Hours / p.Rated.Current())
		top += x * math.Log(r.Charge/p.Rated.Charge)
		bottom += x * x
	}
	if bottom == 0 {
		return fmt.Errorf("the rating table has the rated time only (expected another)")
	}
	k := 1 - top/bottom
	if !(k >= 1 && k <= 2) {
		return fmt.Errorf("the rating table means an exponent of %.3f: more current would deliver %s (expected 1 to 2, less charge at shorter times)", k,
			map[bool]string{true: "more", false: "next to nothing"}[k < 1])
	}
	p.Rate.K = k
	rows := append([]RatedRow{{p.Rated.Hours, p.Rated.Charge, p.Rated.End, 0}}, p.Table...)
	var x, y []float64
	for {
		// The slowest row that is not yet taken.
		next := -1
		for i, r := range rows {
			if l := math.Log(r.Charge / r.Hours / p.Amps(1)); (len(x) == 0 || l > x[len(x)-1]+1e-9) && (next < 0 || r.Charge/r.Hours < rows[next].Charge/rows[next].Hours) {
				next = i
			}
		}
		if next < 0 {
			break
		}
		x = append(x, math.Log(rows[next].Charge/rows[next].Hours/p.Amps(1)))
		y = append(y, rows[next].End/float64(p.Series))
	}
	if len(x) < 2 {
		return nil
	}
	curve, err := NewCurve(x, y)
	p.Levels.End = curve
	return err
}
