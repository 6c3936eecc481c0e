package fit

import (
	"math"
	"slices"

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
//	Q = Q0·(I/I0)^(1-k)·(1 + lambda·(T - 25 degC))
//
// k is Peukert's exponent, lambda the temperature coefficient of capacity [1/K], a share of the capacity at 25 degC as in the battery standards and in
// package model. What the deliveries do not tell is nil: k if
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
		x[i], T[i], y[i] = math.Log(d.Current/all[0].Current), d.Temp-reference, math.Log(d.Charge)
		if !finite(x[i]) || !finite(y[i]) {
			return out
		}
	}
	rates, temperatures := span(x) > math.Log(1.1), span(T) >= 5
	for rates || temperatures {
		f, inverse, k, lambda := fitRates(x, T, y, rates, temperatures)
		if f == nil {
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
			if c == 0 {
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
	return out
}

// reference is the temperature of the capacity that lambda is a share of [K].
const reference = 298.15

// fitRates fits ln Q, linear in all but lambda, which is found in a few turns. It returns the columns of 1 - k and lambda, 0 where they are not
// fitted, and a nil fit where the deliveries do not tell them apart.
func fitRates(x, T, y []float64, rates, temperatures bool) (f *Fitted, inverse mat.Dense, k, lambda int) {
	at := 0.0
	for range 50 {
		columns := [][]float64{slices.Repeat([]float64{1}, len(x))}
		if rates {
			k = len(columns)
			columns = append(columns, x)
		}
		left := slices.Clone(y)
		if temperatures {
			lambda = len(columns)
			slope := make([]float64, len(T))
			for i := range T {
				factor := math.Max(0.05, 1+at*T[i])
				slope[i] = T[i] / factor
				left[i] -= math.Log(factor) - at*slope[i]
			}
			columns = append(columns, slope)
		}
		a := mat.NewDense(len(x), len(columns), nil)
		for c, v := range columns {
			a.SetCol(c, v)
		}
		var gram mat.Dense
		gram.Mul(a.T(), a)
		var err error
		if f, err = Linear(a, left); err != nil || inverse.Inverse(&gram) != nil {
			return nil, inverse, 0, 0
		}
		if !temperatures || math.Abs(f.Value[lambda]-at) < 1e-12 {
			break
		}
		at = f.Value[lambda]
	}
	return f, inverse, k, lambda
}

// span is the largest less the smallest; NaN if one is.
func span(x []float64) float64 {
	lo, hi := math.Inf(1), math.Inf(-1)
	for _, v := range x {
		lo, hi = min(lo, v), max(hi, v)
	}
	return hi - lo
}
