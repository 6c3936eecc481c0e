package budget

import (
	"fmt"
	"math"

	"gonum.org/v1/gonum/stat/distuv"
)

// Propagated is the outcome of the law of propagation for all results of a model.
type Propagated struct {
	// Y is the results at the inputs' values, U their combined standard uncertainties.
	Y, U []float64
	// Cov is the covariance of the results.
	Cov [][]float64
	// Sensitivity is dy/dx by result, then input.
	Sensitivity [][]float64
	// Share is each input's part of u²(y), by result, then input. Shares sum to 1 (0 where u is 0); a part can be negative where inputs are correlated.
	Share [][]float64
	// DOF is the effective degrees of freedom of each result, +Inf if no input's are finite.
	DOF []float64
}

// Correlation returns the correlation coefficient of results a and b.
func (p *Propagated) Correlation(a, b int) float64 {
	return p.Cov[a][b] / (p.U[a] * p.U[b])
}

// Propagate applies the law of propagation of uncertainty (JCGM 100, 5.1 and 5.2) with the first derivatives of f.
//
// Welch-Satterthwaite (JCGM 100, G.4.1) holds for independent inputs. Inputs that are correlated with each other are therefore taken
// together as one contribution with the fewest degrees of freedom among them, which errs to the safe side.
func Propagate(m Model) (*Propagated, error) {
	if _, err := m.check(); err != nil {
		return nil, err
	}
	n, k := len(m.Inputs), m.Outputs
	x := make([]float64, n)
	for i, in := range m.Inputs {
		x[i] = in.Value
	}
	p := &Propagated{Y: make([]float64, k), U: make([]float64, k), DOF: make([]float64, k)}
	m.F(x, p.Y)
	for _, y := range p.Y {
		if !finite(y) {
			return nil, fmt.Errorf("%w: the result is %v at the inputs' values", ErrModel, y)
		}
	}
	p.Sensitivity = make([][]float64, k)
	p.Share = make([][]float64, k)
	p.Cov = make([][]float64, k)
	for o := range p.Sensitivity {
		p.Sensitivity[o] = make([]float64, n)
		p.Share[o] = make([]float64, n)
		p.Cov[o] = make([]float64, k)
	}
	for i := range x {
		if err := derive(m, x, i, p.Sensitivity); err != nil {
			return nil, err
		}
	}
	r := make([][]float64, n)
	for i := range r {
		r[i] = make([]float64, n)
		r[i][i] = 1
	}
	for _, c := range m.Correlations {
		r[c.A][c.B], r[c.B][c.A] = c.R, c.R
	}
	group := groups(m)
	for o := range p.Y {
		var part = make([]float64, n)
		for i := range x {
			for j := range x {
				part[i] += p.Sensitivity[o][i] * m.Inputs[i].U * p.Sensitivity[o][j] * m.Inputs[j].U * r[i][j]
			}
		}
		u2 := 0.0
		for _, v := range part {
			u2 += v
		}
		u2 = math.Max(0, u2)
		p.U[o] = math.Sqrt(u2)
		var by = map[int]float64{}
		var dof = map[int]float64{}
		for i, v := range part {
			if u2 > 0 {
				p.Share[o][i] = v / u2
			}
			by[group[i]] += v
			if d := m.Inputs[i].DOF; d > 0 && p.Sensitivity[o][i]*m.Inputs[i].U != 0 {
				if old := dof[group[i]]; old == 0 || d < old {
					dof[group[i]] = d
				}
			}
		}
		sum := 0.0
		for i := range part {
			// Each group once, in order, so that sums do not depend on a map.
			if group[i] == i && dof[i] > 0 && !math.IsInf(dof[i], 1) {
				sum += sq(by[i]) / dof[i]
			}
		}
		p.DOF[o] = math.Inf(1)
		if sum > 0 {
			p.DOF[o] = sq(u2) / sum
		}
	}
	for a := range p.Y {
		for b := range p.Y {
			for i := range x {
				for j := range x {
					p.Cov[a][b] += p.Sensitivity[a][i] * m.Inputs[i].U * p.Sensitivity[b][j] * m.Inputs[j].U * r[i][j]
				}
			}
		}
	}
	return p, nil
}

// groups returns, for each input, the lowest index of those that it hangs together with by correlations.
func groups(m Model) []int {
	g := make([]int, len(m.Inputs))
	for i := range g {
		g[i] = i
	}
	for again := true; again; {
		again = false
		for _, c := range m.Correlations {
			if c.R == 0 || g[c.A] == g[c.B] {
				continue
			}
			low := min(g[c.A], g[c.B])
			g[c.A], g[c.B], again = low, low, true
		}
	}
	return g
}

// derive writes df/dx_i to column i of c: central differences over a hundredth of the standard uncertainty, improved by extrapolation.
func derive(m Model, x []float64, i int, c [][]float64) error {
	h := m.Inputs[i].U / 100
	if h == 0 {
		return nil
	}
	if least := 1e-6 * math.Abs(x[i]); h < least {
		h = least
	}
	up, down := make([]float64, m.Outputs), make([]float64, m.Outputs)
	at := func(h float64, o int) float64 {
		return (up[o] - down[o]) / (2 * h)
	}
	first := make([]float64, m.Outputs)
	x0 := x[i]
	defer func() { x[i] = x0 }()
	for pass, h := range []float64{h, h / 2} {
		x[i] = x0 + h
		m.F(x, up)
		x[i] = x0 - h
		m.F(x, down)
		for o := range first {
			d := at(h, o)
			if pass == 0 {
				first[o] = d
				continue
			}
			c[o][i] = (4*d - first[o]) / 3
			if !finite(c[o][i]) {
				return fmt.Errorf("%w: the result is not finite beside the value of %s", ErrModel, m.Inputs[i].Name)
			}
		}
	}
	return nil
}

// Coverage returns the factor k for coverage probability p (0 < p < 1) with so many degrees of freedom: Student's t, two-sided. Degrees of
// freedom are cut to the next whole number below (JCGM 100, G.4.1), at least 1; above 1e6 the normal distribution serves.
func Coverage(p, dof float64) float64 {
	if !(dof < 1e6) {
		return distuv.UnitNormal.Quantile((1 + p) / 2)
	}
	return distuv.StudentsT{Mu: 0, Sigma: 1, Nu: math.Max(1, math.Floor(dof))}.Quantile((1 + p) / 2)
}
