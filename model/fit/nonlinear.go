package fit

import (
	"errors"
	"fmt"
	"math"

	"gonum.org/v1/gonum/mat"
)

// Errors that a fit can end with. Test with errors.Is.
var (
	// ErrData: fewer data than parameters, lengths that differ, NaN or infinity among the data.
	ErrData = errors.New("data cannot be fitted")
	// ErrStart: the model is not finite at the starting values.
	ErrStart = errors.New("the model is not finite at the starting values")
	// ErrNoConvergence: the iteration limit was reached before the sum of squares stopped falling.
	ErrNoConvergence = errors.New("the fit did not converge")
)

// Settings steer Nonlinear. The zero value is the default.
type Settings struct {
	// Iterations is the most that are tried; 0 is 2000.
	Iterations int
	// Tolerance is the relative change of every parameter at which the fit stops; 0 is 1e-11.
	Tolerance float64
}

// Problem is a least-squares problem with N residuals.
type Problem struct {
	N int
	// Residual writes the N residuals at p to r: (observed - model), each over its standard deviation if that is known.
	Residual func(p, r []float64)
	// Jacobian, if not nil, writes the derivatives of the residuals by the parameters, N rows and len(p) columns.
	// Without it they are formed by central differences, improved once by extrapolation.
	Jacobian func(p []float64, j *mat.Dense)
}

// Fitted is the outcome of a fit.
type Fitted struct {
	// Value is each parameter at the minimum, Error its standard error. An Error is +Inf for a parameter that the data do not determine.
	Value, Error []float64
	// Cov is the covariance of the parameters, including the factor s². Nil if the data leave a parameter undetermined.
	Cov *mat.SymDense
	// RSS is the residual sum of squares, SD the residual standard deviation sqrt(RSS/DOF), DOF is n - p.
	RSS, SD float64
	DOF     int
	// Residual is what remains at the minimum.
	Residual []float64
	// Condition is the condition number of the Jacobian with columns scaled to length one. Above about 1e7 some combination of the
	// parameters is not told by the data, whatever their standard errors say.
	Condition float64
	// Weak are the parameters that take part in the least determined combination (share above 0.3), if Condition is above 1e3.
	Weak       []int
	Iterations int
}

// undetermined is the condition number above which a combination of parameters counts as not determined at all.
const undetermined = 1e13

// Correlation returns the correlation coefficient of parameters a and b, NaN if the covariance is not known.
func (f *Fitted) Correlation(a, b int) float64 {
	if f.Cov == nil {
		return math.NaN()
	}
	return f.Cov.At(a, b) / math.Sqrt(f.Cov.At(a, a)*f.Cov.At(b, b))
}

// Inflated returns the factor by which the standard errors should be multiplied for the lag-1 correlation r of the residuals:
// sqrt((1+r)/(1-r)), the large-sample factor of a first-order autoregressive series (from memory), at least 1.
// The residuals must be in order of time and about evenly spaced.
func (f *Fitted) Inflated() float64 {
	s := Summarise(f.Residual)
	r := math.Min(s.Lag1, 0.999)
	if !(r > 0) {
		return 1
	}
	return math.Sqrt((1 + r) / (1 - r))
}

// Nonlinear minimises the sum of squared residuals from the starting values.
func Nonlinear(pr Problem, start []float64, set Settings) (*Fitted, error) {
	n, m := pr.N, len(start)
	if m == 0 || n < m {
		return nil, fmt.Errorf("%w: %d residuals for %d parameters", ErrData, n, m)
	}
	if set.Iterations == 0 {
		set.Iterations = 2000
	}
	if set.Tolerance == 0 {
		set.Tolerance = 1e-11
	}
	w := newDescent(pr, start)
	if !finite(w.rss) {
		return nil, ErrStart
	}
	var err error = ErrNoConvergence
	it := 0
	for ; it < set.Iterations; it++ {
		if w.step(set.Tolerance) {
			err = nil
			break
		}
	}
	if err != nil {
		return nil, fmt.Errorf("%w after %d iterations (sum of squares %.6g)", err, it, w.rss)
	}
	w.polish()
	f := &Fitted{Value: w.p, RSS: w.rss, DOF: n - m, Residual: w.r, Iterations: it + 1}
	w.jacobian()
	spread(f, w.j)
	return f, nil
}

// descent is the state of one Levenberg-Marquardt run; its slices are reused from step to step.
type descent struct {
	pr       Problem
	n, m     int
	p, trial []float64
	r, rt    []float64
	rss      float64
	j        *mat.Dense
	scale    []float64 // largest column norm of j so far
	mu, up   float64
	fresh    bool // j belongs to p
	lo, hi   []float64
	stack    *mat.Dense
	rhs      *mat.VecDense
}

func newDescent(pr Problem, start []float64) *descent {
	n, m := pr.N, len(start)
	w := &descent{
		pr: pr, n: n, m: m,
		p: append([]float64(nil), start...), trial: make([]float64, m),
		r: make([]float64, n), rt: make([]float64, n),
		j: mat.NewDense(n, m, nil), scale: make([]float64, m),
		mu: 1e-3, up: 2,
		lo: make([]float64, n), hi: make([]float64, n),
		stack: mat.NewDense(n+m, m, nil), rhs: mat.NewVecDense(n+m, nil),
	}
	pr.Residual(w.p, w.r)
	w.rss = sumSquares(w.r)
	return w
}

// step tries one step and reports whether the minimum has been reached.
func (w *descent) step(tol float64) bool {
	if !w.fresh {
		w.jacobian()
		w.fresh = true
		for c := 0; c < w.m; c++ {
			s := 0.0
			for i := 0; i < w.n; i++ {
				s = math.Hypot(s, w.j.At(i, c))
			}
			w.scale[c] = math.Max(w.scale[c], s)
		}
	}
	d, ok := w.solve(w.mu, w.r)
	if ok && !w.bend(d) {
		ok = false
	}
	if !ok {
		w.refuse()
		return w.mu > 1e60
	}
	small := true
	for c := range d {
		w.trial[c] = w.p[c] + d[c]
		if math.Abs(d[c]) > tol*(math.Abs(w.p[c])+tol) {
			small = false
		}
	}
	w.pr.Residual(w.trial, w.rt)
	rss := sumSquares(w.rt)
	// What a linear model promises: |r|² - |r + J d|².
	promised := 0.0
	for i := 0; i < w.n; i++ {
		s := w.r[i]
		for c := 0; c < w.m; c++ {
			s += w.j.At(i, c) * d[c]
		}
		promised += (w.r[i] - s) * (w.r[i] + s)
	}
	if !finite(rss) || rss > w.rss {
		w.refuse()
		// Uphill by a step too small to matter, or with nothing to gain beyond rounding: this is the bottom.
		return small || w.mu > 1e60 || (finite(rss) && promised <= 1e-15*w.rss && rss <= w.rss*(1+1e-12))
	}
	ratio := 0.0
	if promised > 0 {
		ratio = (w.rss - rss) / promised
	}
	flat := w.rss-rss <= 1e-15*w.rss && promised <= 1e-15*w.rss
	copy(w.p, w.trial)
	copy(w.r, w.rt)
	w.rss = rss
	w.fresh = false
	w.mu *= math.Max(1.0/3, 1-math.Pow(2*ratio-1, 3))
	w.mu = math.Max(w.mu, 1e-30)
	w.up = 2
	return small || flat || rss == 0
}

func (w *descent) refuse() {
	w.mu *= w.up
	w.up = math.Min(2*w.up, 1e6)
}

// bend adds the second-order correction to the step d, from the second derivative of the residuals along it. It reports false where that
// correction is not small beside the step: the linear model does not hold that far, and a step taken all the same can run out onto a
// plateau where a parameter no longer changes anything (Transtrum and Sethna 2012, "geodesic acceleration": from memory).
func (w *descent) bend(d []float64) bool {
	const h = 0.1
	for c := range d {
		w.trial[c] = w.p[c] + h*d[c]
	}
	w.pr.Residual(w.trial, w.hi)
	for i := range w.lo {
		slope := 0.0
		for c := range d {
			slope += w.j.At(i, c) * d[c]
		}
		w.lo[i] = 2 / h * ((w.hi[i]-w.r[i])/h - slope)
	}
	a, ok := w.solve(w.mu, w.lo)
	if !ok {
		return false
	}
	var size, bent float64
	for c := range d {
		size = math.Hypot(size, w.scale[c]*d[c])
		bent = math.Hypot(bent, w.scale[c]*a[c]/2)
	}
	// Near the minimum the difference is all rounding: d alone is right.
	if rounding := 1e-7 * math.Sqrt(w.rss); size < rounding {
		return true
	}
	if bent > 0.375*size {
		return false
	}
	for c := range d {
		d[c] += a[c] / 2
	}
	return true
}

// solve returns the damped step at the present Jacobian that takes the residuals r away.
func (w *descent) solve(mu float64, r []float64) ([]float64, bool) {
	w.stack.Zero()
	for i := 0; i < w.n; i++ {
		for c := 0; c < w.m; c++ {
			v := w.j.At(i, c)
			if !finite(v) {
				return nil, false
			}
			w.stack.Set(i, c, v)
		}
		w.rhs.SetVec(i, -r[i])
	}
	for c := 0; c < w.m; c++ {
		s := w.scale[c]
		if s == 0 {
			s = 1
		}
		w.stack.Set(w.n+c, c, math.Sqrt(mu)*s)
		w.rhs.SetVec(w.n+c, 0)
	}
	var qr mat.QR
	qr.Factorize(w.stack)
	var d mat.VecDense
	if err := qr.SolveVecTo(&d, false, w.rhs); err != nil {
		var c mat.Condition
		if !errors.As(err, &c) || math.IsInf(float64(c), 1) {
			return nil, false
		}
	}
	out := make([]float64, w.m)
	for c := range out {
		out[c] = d.AtVec(c)
		if !finite(out[c]) {
			return nil, false
		}
	}
	return out, true
}

// polish takes undamped steps while they lower the sum of squares or hold it within rounding and grow shorter: the damped ones
// stop a little short of the minimum.
func (w *descent) polish() {
	last := math.Inf(1)
	for k := 0; k < 10; k++ {
		w.jacobian()
		d, ok := w.solve(0, w.r)
		if !ok {
			return
		}
		size := 0.0
		for c := range d {
			w.trial[c] = w.p[c] + d[c]
			size = math.Max(size, math.Abs(d[c])/(math.Abs(w.p[c])+1e-300))
		}
		w.pr.Residual(w.trial, w.rt)
		rss := sumSquares(w.rt)
		if !finite(rss) || rss > w.rss*(1+1e-12) || size >= last {
			return
		}
		copy(w.p, w.trial)
		copy(w.r, w.rt)
		w.rss = rss
		last = size
		if size < 1e-15 {
			return
		}
	}
}

// jacobian fills w.j at w.p.
func (w *descent) jacobian() {
	if w.pr.Jacobian != nil {
		w.pr.Jacobian(w.p, w.j)
		return
	}
	copy(w.trial, w.p)
	for c := 0; c < w.m; c++ {
		// Fifth root of the rounding error: right for an error of fourth order.
		h := 7e-4 * math.Abs(w.p[c])
		if h == 0 {
			h = 7e-4
		}
		w.difference(c, h, 1)
		w.difference(c, h/2, 2)
		w.trial[c] = w.p[c]
	}
}

// difference adds the central difference of column c with half-width h; pass 1 stores it, pass 2 extrapolates with the stored one.
func (w *descent) difference(c int, h float64, pass int) {
	up, down := w.p[c]+h, w.p[c]-h
	w.trial[c] = up
	w.pr.Residual(w.trial, w.hi)
	w.trial[c] = down
	w.pr.Residual(w.trial, w.lo)
	for i := 0; i < w.n; i++ {
		d := (w.hi[i] - w.lo[i]) / (up - down)
		if pass == 2 {
			d = (4*d - w.j.At(i, c)) / 3
		}
		w.j.Set(i, c, d)
	}
}

// spread fills covariance, standard errors, condition and weak parameters of f from the Jacobian at the minimum.
func spread(f *Fitted, j *mat.Dense) {
	n, m := j.Dims()
	f.Error = make([]float64, m)
	for c := range f.Error {
		f.Error[c] = math.Inf(1)
	}
	f.Condition = math.Inf(1)
	f.SD = math.NaN()
	if f.DOF > 0 {
		f.SD = math.Sqrt(f.RSS / float64(f.DOF))
	}
	norm := make([]float64, m)
	a := mat.NewDense(n, m, nil)
	for c := 0; c < m; c++ {
		for i := 0; i < n; i++ {
			norm[c] = math.Hypot(norm[c], j.At(i, c))
		}
		if !finite(norm[c]) {
			return
		}
		if norm[c] == 0 {
			f.Weak = append(f.Weak, c)
		}
		for i := 0; norm[c] > 0 && i < n; i++ {
			a.Set(i, c, j.At(i, c)/norm[c])
		}
	}
	var svd mat.SVD
	if !svd.Factorize(a, mat.SVDThin) {
		return
	}
	s := svd.Values(nil)
	var v mat.Dense
	svd.VTo(&v)
	f.Condition = s[0] / s[m-1]
	if !(f.Condition < undetermined) {
		f.Condition = math.Inf(1)
	}
	if f.Condition > 1e3 {
		f.Weak = nil
		for c := 0; c < m; c++ {
			if math.Abs(v.At(c, m-1)) > 0.3 || norm[c] == 0 {
				f.Weak = append(f.Weak, c)
			}
		}
	}
	if f.DOF <= 0 {
		return
	}
	if math.IsInf(f.Condition, 1) {
		// Parameters outside the undetermined directions still have errors.
		for c := 0; c < m; c++ {
			sum, lost := 0.0, 0.0
			for k := 0; k < m; k++ {
				if s[k] > s[0]/undetermined {
					sum += sq(v.At(c, k) / s[k])
				} else {
					lost += sq(v.At(c, k))
				}
			}
			if lost < 1e-8 && norm[c] > 0 {
				f.Error[c] = f.SD * math.Sqrt(sum) / norm[c]
			}
		}
		return
	}
	f.Cov = mat.NewSymDense(m, nil)
	for c := 0; c < m; c++ {
		for e := c; e < m; e++ {
			sum := 0.0
			for k := 0; k < m; k++ {
				sum += v.At(c, k) * v.At(e, k) / sq(s[k])
			}
			f.Cov.SetSym(c, e, sum*sq(f.SD)/norm[c]/norm[e])
		}
		f.Error[c] = math.Sqrt(f.Cov.At(c, c))
	}
}

func sumSquares(r []float64) float64 {
	s := 0.0
	for _, x := range r {
		s += x * x
	}
	return s
}

func finite(x float64) bool { return !math.IsNaN(x) && !math.IsInf(x, 0) }

func sq(x float64) float64 { return x * x }
