package fit

import (
	"fmt"
	"math"

	"gonum.org/v1/gonum/mat"
)

// Linear solves min |A·b - y|². The rows of a are the observations. To weight an observation, multiply its row and its y by one over
// its standard deviation.
func Linear(a *mat.Dense, y []float64) (*Fitted, error) {
	n, m := a.Dims()
	if len(y) != n {
		return nil, fmt.Errorf("%w: %d rows, %d values", ErrData, n, len(y))
	}
	if n < m {
		return nil, fmt.Errorf("%w: %d rows for %d parameters", ErrData, n, m)
	}
	scaled := mat.NewDense(n, m, nil)
	norm := make([]float64, m)
	for c := 0; c < m; c++ {
		for i := 0; i < n; i++ {
			norm[c] = math.Hypot(norm[c], a.At(i, c))
		}
		if !finite(norm[c]) {
			return nil, fmt.Errorf("%w: column %d is not finite", ErrData, c+1)
		}
		for i := 0; norm[c] > 0 && i < n; i++ {
			scaled.Set(i, c, a.At(i, c)/norm[c])
		}
	}
	for i, v := range y {
		if !finite(v) {
			return nil, fmt.Errorf("%w: value %d is not finite", ErrData, i+1)
		}
	}
	f := &Fitted{Value: make([]float64, m), Residual: append([]float64(nil), y...), DOF: n - m, Iterations: 1}
	var svd mat.SVD
	if !svd.Factorize(scaled, mat.SVDThin) {
		return nil, fmt.Errorf("%w: no singular values", ErrData)
	}
	if s := svd.Values(nil); s[m-1] <= s[0]/undetermined {
		// The shortest of all solutions; spread says which parameters it leaves open.
		var b mat.Dense
		svd.SolveTo(&b, mat.NewDense(n, 1, append([]float64(nil), y...)), rank(s))
		for c := range f.Value {
			f.Value[c] = b.At(c, 0)
		}
	} else if err := solve(scaled, y, f.Value, f.Residual); err != nil {
		return nil, err
	}
	left(f.Residual, scaled, f.Value, y)
	f.RSS = sumSquares(f.Residual)
	for c := range f.Value {
		if norm[c] > 0 {
			f.Value[c] /= norm[c]
		}
	}
	spread(f, a)
	return f, nil
}

// solve writes the solution of min |A·b - y| to b and y - A·b to r, by QR. The columns of A should be of one length.
func solve(a *mat.Dense, y, b, r []float64) error {
	var qr mat.QR
	qr.Factorize(a)
	copy(r, y)
	for c := range b {
		b[c] = 0
	}
	// The second pass solves for what the first left over, which removes most of its rounding.
	for pass := 0; pass < 2; pass++ {
		var d mat.VecDense
		if err := qr.SolveVecTo(&d, false, mat.NewVecDense(len(r), append([]float64(nil), r...))); err != nil {
			if _, ok := err.(mat.Condition); !ok || d.Len() != len(b) {
				return fmt.Errorf("%w: %v", ErrData, err)
			}
		}
		for c := range b {
			b[c] += d.AtVec(c)
		}
		left(r, a, b, y)
	}
	return nil
}

// left writes y - A·b to r, each row accumulated with fused products so that small residuals keep their digits.
func left(r []float64, a *mat.Dense, b, y []float64) {
	for i := range r {
		s, lost := y[i], 0.0
		for c, v := range b {
			p := -a.At(i, c) * v
			low := math.FMA(-a.At(i, c), v, -p)
			var e float64
			s, e = twoSum(s, p)
			lost += e + low
		}
		r[i] = s + lost
	}
}

func rank(s []float64) int {
	k := 0
	for k < len(s) && s[k] > s[0]/undetermined {
		k++
	}
	return k
}

// Polynomial fits y = b0 + b1·x + ... + bd·x^d. Parameter k is the coefficient of x^k.
func Polynomial(x, y []float64, degree int) (*Fitted, error) {
	n := len(x)
	if degree < 0 || n != len(y) || n <= degree {
		return nil, fmt.Errorf("%w: degree %d with %d and %d values", ErrData, degree, n, len(y))
	}
	lo, hi := math.Inf(1), math.Inf(-1)
	for i, v := range x {
		if !finite(v) {
			return nil, fmt.Errorf("%w: x of row %d is not finite", ErrData, i+1)
		}
		lo, hi = math.Min(lo, v), math.Max(hi, v)
	}
	// u = (x - mid)/half runs over [-1, 1].
	mid, half := (lo+hi)/2, (hi-lo)/2
	if half == 0 {
		half = 1
	}
	m := degree + 1
	a := mat.NewDense(n, m, nil)
	for i, v := range x {
		u := (v - mid) / half
		t0, t1 := 1.0, u
		for c := 0; c < m; c++ {
			a.Set(i, c, t0)
			t0, t1 = t1, 2*u*t1-t0
		}
	}
	f, err := Linear(a, y)
	if err != nil {
		return nil, err
	}
	// t.At(k, c) is the coefficient of x^k in the Chebyshev polynomial T_c(u(x)).
	t := mat.NewDense(m, m, nil)
	t.Set(0, 0, 1)
	for c := 1; c < m; c++ {
		for k := 0; k <= c; k++ {
			s := -mid / half * t.At(k, c-1)
			if k > 0 {
				s += t.At(k-1, c-1) / half
			}
			if c > 1 {
				s = 2*s - t.At(k, c-2)
			}
			t.Set(k, c, s)
		}
	}
	b := make([]float64, m)
	for k := range b {
		lost := 0.0
		for c := 0; c < m; c++ {
			p := t.At(k, c) * f.Value[c]
			var e float64
			b[k], e = twoSum(b[k], p)
			lost += e + math.FMA(t.At(k, c), f.Value[c], -p)
		}
		b[k] += lost
	}
	f.Value = b
	if f.Cov == nil {
		for k := range f.Error {
			f.Error[k] = math.Inf(1)
		}
		return f, nil
	}
	var tc, cov mat.Dense
	tc.Mul(t, f.Cov)
	cov.Mul(&tc, t.T())
	for k := range b {
		for c := k; c < m; c++ {
			f.Cov.SetSym(k, c, cov.At(k, c))
		}
		f.Error[k] = math.Sqrt(math.Max(0, cov.At(k, k)))
	}
	return f, nil
}
