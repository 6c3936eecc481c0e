package model

import "math"

// bisect finds where f changes its sign in [a, b], to a tenth of a nanosecond.
func bisect(f func(float64) float64, a, b float64) float64 {
	low := f(a) < 0
	for i := 0; i < 200 && b-a > math.Max(1e-10, 1e-15*math.Abs(b)); i++ {
		c := a + (b-a)/2
		if (f(c) < 0) == low {
			a = c
		} else {
			b = c
		}
	}
	return b
}

// root finds where f, which rises from a to b, is zero; f returns its value and slope. Where it has no zero between them the nearer end is
// returned. Newton's steps are kept inside a bracket that halves where they do not help.
func root(a, b float64, f func(float64) (value, slope float64)) float64 {
	if v, _ := f(a); v >= 0 {
		return a
	}
	if v, _ := f(b); v <= 0 {
		return b
	}
	x := (a + b) / 2
	for range 200 {
		v, d := f(x)
		if v == 0 {
			return x
		}
		if v < 0 {
			a = x
		} else {
			b = x
		}
		next := x - v/d
		if !(next > a && next < b) {
			next = a + (b-a)/2
		}
		if math.Abs(next-x) <= 1e-16*math.Abs(x) || next == a || next == b {
			return next
		}
		x = next
	}
	return x
}
