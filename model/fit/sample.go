package fit

import "math"

// Sample describes a list of numbers.
type Sample struct {
	N int
	// Mean is NaN for no values; SD (denominator n - 1) is NaN for fewer than two; Lag1, the autocorrelation between neighbours, is
	// NaN where all values are equal.
	Mean, SD, Lag1 float64
}

// Summarise computes mean, standard deviation and lag-1 autocorrelation in two passes. Deviations are taken from the mean before they are
// squared: the one-pass formula loses every digit of NumAcc4.
func Summarise(x []float64) Sample {
	s := Sample{N: len(x), Mean: math.NaN(), SD: math.NaN(), Lag1: math.NaN()}
	n := float64(len(x))
	if n == 0 {
		return s
	}
	s.Mean = sum(x, 0) / n
	// The mean itself is rounded; low is what it lacks.
	low := sum(x, s.Mean) / n
	var ss, lag float64
	last := 0.0
	for i, v := range x {
		d := (v - s.Mean) - low
		ss += d * d
		if i > 0 {
			lag += d * last
		}
		last = d
	}
	s.Mean += low
	if n > 1 {
		s.SD = math.Sqrt(ss / (n - 1))
	}
	if ss > 0 {
		s.Lag1 = lag / ss
	}
	return s
}

// sum adds x - from with the rounding errors carried along.
func sum(x []float64, from float64) float64 {
	s, lost := 0.0, 0.0
	for _, v := range x {
		var e float64
		s, e = twoSum(s, v-from)
		lost += e
	}
	return s + lost
}

// twoSum returns a + b and its rounding error.
func twoSum(a, b float64) (s, e float64) {
	s = a + b
	z := s - a
	return s, (a - (s - z)) + (b - z)
}
