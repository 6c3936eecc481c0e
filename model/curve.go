package model

import (
	"fmt"
	"math"

	"gonum.org/v1/gonum/interp"
)

// Curve is a smooth function through the points of a table: piecewise cubic with the slopes of Fritsch and Butland, so that it
// is monotone wherever the table is and has no wiggles of its own. Beyond the table it goes on as a straight line. The zero
// Curve is 1 everywhere.
type Curve struct {
	x     []float64
	c     [][4]float64 // value = c0 + c1·d + c2·d² + c3·d³, d = x - x[i]
	first []int32      // first[j] is the piece in which bucket j begins
	scale float64      // buckets per unit of x
	low   float64      // slope below the table
	high  float64      // slope above it
	last  float64      // value at the table's end
}

// buckets of the index that finds the piece of an x without a search.
const buckets = 64

// NewCurve fits a curve through the points; x must rise strictly, all must be finite, there must be two or more.
func NewCurve(x, y []float64) (Curve, error) {
	if len(x) != len(y) || len(x) < 2 {
		return Curve{}, fmt.Errorf("a curve of %d and %d numbers (expected two points or more)", len(x), len(y))
	}
	for i := range x {
		if math.IsNaN(x[i]) || math.IsInf(x[i], 0) || math.IsNaN(y[i]) || math.IsInf(y[i], 0) {
			return Curve{}, fmt.Errorf("point %d of the curve is not finite", i+1)
		}
		if i > 0 && !(x[i] > x[i-1]) {
			return Curve{}, fmt.Errorf("point %d of the curve is at %g, not above %g", i+1, x[i], x[i-1])
		}
	}
	slope := make([]float64, len(x))
	if len(x) == 2 {
		slope[0] = (y[1] - y[0]) / (x[1] - x[0])
		slope[1] = slope[0]
	} else {
		var fb interp.FritschButland
		if err := fb.Fit(x, y); err != nil {
			return Curve{}, err
		}
		for i := range x {
			slope[i] = fb.PredictDerivative(x[i])
		}
	}
	n := len(x) - 1
	k := Curve{x: append([]float64(nil), x...), c: make([][4]float64, n), low: slope[0], high: slope[n], last: y[n]}
	for i := range n {
		h := x[i+1] - x[i]
		chord := (y[i+1] - y[i]) / h
		k.c[i] = [4]float64{y[i], slope[i], (3*chord - 2*slope[i] - slope[i+1]) / h, (slope[i] + slope[i+1] - 2*chord) / (h * h)}
	}
	k.scale = buckets / (x[n] - x[0])
	k.first = make([]int32, buckets+1)
	for j, i := 0, 0; j <= buckets; j++ {
		at := x[0] + float64(j)/k.scale
		for i < n-1 && x[i+1] <= at {
			i++
		}
		k.first[j] = int32(i)
	}
	return k, nil
}

// IsZero reports whether the curve is the zero Curve, 1 everywhere.
func (k *Curve) IsZero() bool { return len(k.x) == 0 }

// piece is the index of the cubic that holds x, -1 below the table, len(k.c) above it.
func (k *Curve) piece(x float64) int {
	d := x - k.x[0]
	if !(d >= 0) {
		return -1
	}
	j := d * k.scale
	if j >= buckets {
		if x >= k.x[len(k.x)-1] {
			return len(k.c)
		}
		j = buckets
	}
	i := int(k.first[int(j)])
	for i < len(k.c) && x >= k.x[i+1] {
		i++
	}
	return i
}

// At is the curve's value at x.
func (k *Curve) At(x float64) float64 {
	v, _ := k.Both(x)
	return v
}

// Both returns value and slope at x.
func (k *Curve) Both(x float64) (value, slope float64) {
	if len(k.x) == 0 {
		return 1, 0
	}
	i := k.piece(x)
	if i < 0 {
		return k.c[0][0] + k.low*(x-k.x[0]), k.low
	}
	if i == len(k.c) {
		return k.last + k.high*(x-k.x[i]), k.high
	}
	c, d := &k.c[i], x-k.x[i]
	return c[0] + d*(c[1]+d*(c[2]+d*c[3])), c[1] + d*(2*c[2]+3*d*c[3])
}

// bounds are the knots below and above x, infinite where there is none.
func (k *Curve) bounds(x float64) (low, high float64) {
	low, high = math.Inf(-1), math.Inf(1)
	if len(k.x) == 0 {
		return low, high
	}
	i := k.piece(x)
	if i >= 0 {
		low = k.x[i]
	}
	if i < len(k.c) {
		high = k.x[i+1]
	}
	return low, high
}

// rises reports whether the table's values rise strictly: an OCV must, or a voltage would not tell a state of charge.
func (k *Curve) rises() bool {
	for i := range k.c {
		next := k.last
		if i+1 < len(k.c) {
			next = k.c[i+1][0]
		}
		if !(next > k.c[i][0]) {
			return false
		}
	}
	return true
}
