package budget

import (
	"fmt"
	"math"
	"strconv"
)

// Quote is a result ready to be stated.
type Quote struct {
	// Y ± U with coverage factor K, and the interval.
	Y, U, K   float64
	Low, High float64
	P, DOF    float64
	// ByMonteCarlo says that the interval comes from MonteCarlo, since the law of propagation does not hold well enough.
	ByMonteCarlo bool
	// Why says why, in a sentence.
	Why string
}

// Compare decides which of the two to quote (JCGM 101, 8.1): the law of propagation if both ends of its interval agree with Monte Carlo within the
// tolerance of so many significant digits of u, otherwise Monte Carlo with its shortest interval. prob is the coverage probability.
func Compare(p *Propagated, s []Sampled, result int, prob float64, digits int) Quote {
	k := Coverage(prob, p.DOF[result])
	q := Quote{Y: p.Y[result], K: k, U: k * p.U[result], P: prob, DOF: p.DOF[result]}
	q.Low, q.High = q.Y-q.U, q.Y+q.U
	mc := s[result]
	tol := Tolerance(p.U[result], digits)
	low, high := math.Abs(q.Low-mc.Low), math.Abs(q.High-mc.High)
	if low <= tol && high <= tol {
		q.Why = fmt.Sprintf("the law of propagation: Monte Carlo finds the same interval within %.2g, half of the last of %s of u", tol, figures(digits))
		if !mc.Stable {
			q.Why += " (Monte Carlo itself was not yet stable)"
		}
		return q
	}
	q.ByMonteCarlo = true
	q.Y, q.Low, q.High = mc.Y, mc.ShortLow, mc.ShortHigh
	q.U = (mc.ShortHigh - mc.ShortLow) / 2
	q.K = math.NaN()
	if mc.U > 0 {
		q.K = q.U / mc.U
	}
	q.Why = fmt.Sprintf("Monte Carlo: the ends of the two intervals differ by %.2g, more than half of the last of %s of u (%.2g), so the law of propagation does not hold well enough here",
		math.Max(low, high), figures(digits), tol)
	return q
}

func figures(n int) string {
	if n == 1 {
		return "one significant digit"
	}
	return fmt.Sprintf("%d significant digits", n)
}

// Round writes y and its uncertainty u with so many significant digits of u (JCGM 100, 7.2.6: at most two), and y to the same place.
// u is rounded up where what is cut is more than a twentieth of it. u 0 or not finite leaves y with six significant digits.
func Round(y, u float64, digits int) (ys, us string) {
	if u == 0 || !finite(u) || !finite(y) {
		return strconv.FormatFloat(y, 'g', 6, 64), strconv.FormatFloat(u, 'g', 2, 64)
	}
	l := place(u, digits)
	unit := math.Pow(10, float64(l))
	n := math.Round(u / unit)
	if u/unit-n > 0.05*n {
		n++
	}
	if l >= 0 {
		// Zeros stand for digits that are not claimed.
		return strconv.FormatFloat(math.Round(y/unit)*unit, 'f', 0, 64), strconv.FormatFloat(n*unit, 'f', 0, 64)
	}
	return strconv.FormatFloat(y, 'f', -l, 64), strconv.FormatFloat(n*unit, 'f', -l, 64)
}
