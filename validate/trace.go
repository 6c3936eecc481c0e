package validate

import (
	"math"
	"sort"
	"strconv"

	"stuntcell/emulator"
	"stuntcell/validate/cause"
	"stuntcell/validate/verdict"
)

// How much of a run a failing verdict carries for pictures. A picture of the least and the greatest value of each bucket looks
// the same as one of all points.
const (
	traceBuckets = 100
	nearFindings = 3  // findings with a picture of their own
	nearRows     = 15 // rows of it on either side
	quotedRows   = 3  // rows that are quoted on either side
)

// trace adds to a failing verdict what pictures of it show: the whole run, and the run around its first failures.
func (j *judge) trace(v *verdict.Verdict) {
	if *v.Pass || len(j.rec.Readings.T) < 2 {
		return
	}
	logged := j.loggedCharge()
	last := len(j.rec.Readings.T) - 1
	v.Trace = j.stretch(0, last, logged)
	left := nearFindings
	for i := range v.Findings {
		f := &v.Findings[i]
		if f.Severity != verdict.Failure || f.Row < 0 || f.Row >= len(j.at) || left == 0 {
			continue
		}
		left--
		from, to := max(f.Row-nearRows, 0), min(f.Row+nearRows, len(j.at)-1)
		a, b := j.at[from], j.at[to]
		if f.Row < nearRows {
			a = 0
		}
		if f.Row+nearRows >= len(j.at) {
			b = last
		}
		if a < b {
			f.Near = j.stretch(a, b, logged)
		}
		for r := max(f.Row-quotedRows, 0); r <= min(f.Row+quotedRows, len(j.at)-1); r++ {
			f.Rows = append(f.Rows, verdict.LogRow{Row: r, AtS: short(seconds(j.rec, j.at[r])), Text: clip(j.rec.Rows[j.table.Rows[r]].Text)})
		}
	}
}

// clip keeps a quoted row to a length that can be looked at.
func clip(s string) string {
	const most = 200
	if len(s) > most {
		s = s[:most-3] + "..."
	}
	return s
}

// loggedCharge is the log's net charge at each data row [A·s], NaN where it has none; nil if the log keeps no charge.
func (j *judge) loggedCharge() []float64 {
	var in, out *cause.Column
	for _, c := range j.columns {
		switch c.Role {
		case cause.Charge:
			return c.Unrolled.Value
		case cause.ChargeIn:
			in = c
		case cause.ChargeOut:
			out = c
		}
	}
	if in == nil || out == nil {
		return nil
	}
	net := make([]float64, len(j.at))
	for r := range net {
		net[r] = in.Unrolled.Value[r] - out.Unrolled.Value[r]
	}
	return net
}

// stretch is the run from reading a to reading b.
func (j *judge) stretch(a, b int, logged []float64) *verdict.Trace {
	r := &j.rec.Readings
	at := func(k int) float64 { return seconds(j.rec, k) }
	tr := &verdict.Trace{
		Charge:  thin(a, b, at, func(k int) float64 { return r.Charge[k] }),
		Current: thin(a, b, at, func(k int) float64 { return r.MeanI[k] }),
		Voltage: thin(a, b, at, func(k int) float64 { return r.MeanV[k] }),
	}
	if logged != nil {
		first := 0
		for first < len(j.at) && j.at[first] < a {
			first++
		}
		end := first
		for end < len(j.at) && j.at[end] <= b {
			end++
		}
		tr.Logged = thin(first, end-1, func(k int) float64 { return at(j.at[k]) }, func(k int) float64 { return logged[k] })
	}
	return tr
}

// thin keeps of the points a to b the least and the greatest of each bucket, in order.
func thin(a, b int, t, y func(int) float64) verdict.Series {
	s := verdict.Series{T: []float64{}, Y: []float64{}}
	n := b - a + 1
	for bucket := range min(traceBuckets, n) {
		from, to := a+bucket*n/min(traceBuckets, n), a+(bucket+1)*n/min(traceBuckets, n)
		low, high := -1, -1
		for k := from; k < to; k++ {
			v := y(k)
			if math.IsNaN(v) || math.IsInf(v, 0) {
				continue
			}
			if low < 0 || v < y(low) {
				low = k
			}
			if high < 0 || v > y(high) {
				high = k
			}
		}
		if low < 0 {
			continue
		}
		keep := []int{low, high}
		sort.Ints(keep)
		for i, k := range keep {
			if i == 1 && k == keep[0] {
				continue
			}
			s.T, s.Y = append(s.T, short(t(k))), append(s.Y, short(y(k)))
		}
	}
	return s
}

// seconds is the true time of a reading [s].
func seconds(rec *emulator.Record, k int) float64 { return float64(rec.Readings.T[k]) * 1e-9 }

// short keeps seven figures, more than a picture shows, so that verdicts stay small.
func short(x float64) float64 {
	y, err := strconv.ParseFloat(strconv.FormatFloat(x, 'g', 7, 64), 64)
	if err != nil {
		return x
	}
	return y
}
