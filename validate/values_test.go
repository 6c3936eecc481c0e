package validate

import (
	"math"
	"testing"

	"pgregory.net/rapid"

	"stuntcell/emulator"
	"stuntcell/validate/replay"
)

// The least and the greatest of a stretch are those of its readings one by one.
func TestExtrema(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		v := rapid.SliceOfN(rapid.Float64Range(-1, 1), 1, 700).Draw(t, "readings")
		x := newExtrema(len(v), func(k int) (lo, hi float64) { return v[k], 2 * v[k] })
		for range 20 {
			a := rapid.IntRange(0, len(v)-1).Draw(t, "from")
			b := rapid.IntRange(a, len(v)-1).Draw(t, "to")
			lo, hi := math.Inf(1), math.Inf(-1)
			for _, y := range v[a : b+1] {
				lo, hi = min(lo, y), max(hi, 2*y)
			}
			if gotLo, gotHi := x.over(a, b); gotLo != lo || gotHi != hi {
				t.Fatalf("%d to %d of %d: %g to %g, want %g to %g", a, b, len(v), gotLo, gotHi, lo, hi)
			}
		}
	})
}

// A window goes back reading by reading until it holds enough time and enough good readings, or the power came.
func TestWindowStart(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		n := rapid.IntRange(1, 120).Draw(t, "n")
		rec := &emulator.Record{}
		s := &replay.Series{}
		now, life := int64(0), int16(0)
		for k := range n {
			now += rapid.Int64Range(1, 3).Draw(t, "step") * 1e9
			i := 1.0
			if rapid.IntRange(0, 9).Draw(t, "fails") == 0 {
				i, s.HasFailed = math.NaN(), true
			}
			if k > 0 && rapid.IntRange(0, 40).Draw(t, "cut") == 0 {
				life++
			}
			rec.Readings.T = append(rec.Readings.T, now)
			s.I, s.Life = append(s.I, i), append(s.Life, life)
		}
		j := &judge{rec: rec, series: s}
		good := j.goodBefore()
		k := rapid.IntRange(0, n-1).Draw(t, "k")
		seconds := rapid.IntRange(0, 60).Draw(t, "seconds")
		readings := rapid.IntRange(1, 30).Draw(t, "readings")
		want, have := k, 0
		for ; ; want-- {
			if s.Good(want) {
				have++
			}
			long := rec.Readings.T[want] < rec.Readings.T[k]-int64(seconds)*1e9
			if want == 0 || s.Life[want-1] != s.Life[k] || long && have >= readings {
				break
			}
		}
		if got := j.windowStart(good, k, float64(seconds), readings); got != want {
			t.Fatalf("reading %d, %d s, %d readings: from %d, want %d", k, seconds, readings, got, want)
		}
	})
}
