package fit

import (
	"math"

	"gonum.org/v1/gonum/mat"
)

// Delivery is what one discharge from full to the end voltage gave.
type Delivery struct {
	Charge  float64 // [A·s]
	Current float64 // [A]
	Temp    float64 // [K]; NaN if not known
}

// Rates are the constants of
//
//	ln Q = ln Q0 - (k - 1)·ln(I/I0) + lambda·(T - T0)
//
// k is Peukert's exponent, lambda the temperature coefficient of capacity [1/K]. What the deliveries do not tell is nil: k if
// their currents differ by less than a tenth, lambda if a temperature is missing or all lie within 5 K.
type Rates struct {
	K, PerKelvin *Value
	Correlation  *float64 // of the two; nil without both
}

// FitRates finds the constants. u is the relative standard uncertainty of each charge: errors are those that it makes, or those that the
// residuals show where these are larger.
func FitRates(all []Delivery, u float64) Rates {
	var out Rates
	n := len(all)
	if n < 2 {
		return out
	}
	x, T, y := make([]float64, n), make([]float64, n), make([]float64, n)
	for i, d := range all {
		x[i], T[i], y[i] = math.Log(d.Current/all[0].Current), d.Temp-all[0].Temp, math.Log(d.Charge)
		if !finite(x[i]) || !finite(y[i]) {
			return out
		}
	}
	rates, temperatures := span(x) > math.Log(1.1), span(T) >= 5
	for {
		a := mat.NewDense(n, 1, nil)
		for i := range n {
			a.Set(i, 0, 1)
		}
		k, lambda := -1, -1
		add := func(v []float64) int {
			_, c := a.Dims()
			a = a.Grow(0, 1).(*mat.Dense)
			a.SetCol(c, v)
			return c
		}
		if rates {
			k = add(x)
		}
		if temperatures {
			lambda = add(T)
		}
		if _, c := a.Dims(); c == 1 {
			return out
		}
		var gram, inverse mat.Dense
		gram.Mul(a.T(), a)
		f, err := Linear(a, y)
		if err != nil || inverse.Inverse(&gram) != nil {
			if !rates || !temperatures {
				return out
			}
			temperatures = false // the runs at other temperatures were at other currents too: the two do not part
			continue
		}
		scale := u
		if f.DOF > 0 {
			scale = math.Max(u, f.SD)
		}
		value := func(c int, sign, offset float64) *Value {
			if c < 0 {
				return nil
			}
			return &Value{offset + sign*f.Value[c], scale * math.Sqrt(inverse.At(c, c))}
		}
		out.K, out.PerKelvin = value(k, -1, 1), value(lambda, 1, 0)
		if k > 0 && lambda > 0 {
			r := -inverse.At(k, lambda) / math.Sqrt(inverse.At(k, k)*inverse.At(lambda, lambda))
			out.Correlation = &r
		}
		return out
	}
}

// span is the largest less the smallest; NaN if one is.
func span(x []float64) float64 {
	lo, hi := math.Inf(1), math.Inf(-1)
	for _, v := range x {
		lo, hi = min(lo, v), max(hi, v)
	}
	return hi - lo
}
