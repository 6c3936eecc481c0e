package cause

import (
	"fmt"
	"math"
	"slices"

	"stuntcell/validate/logfile"
	"stuntcell/validate/replay"
)

// smoothed are the filters whose lag is that of the totals: by the time that a filter lags, a current that has changed is not yet counted, or still
// is, whatever the form of the filter.
func (c *Case) smoothed(wrong []*Column, meter func(how, mend string, change func(*replay.Meter))) {
	s := c.Series
	i := slices.IndexFunc(wrong, func(col *Column) bool { return col.Role == Charge || col.Role == Energy })
	if i < 0 || s.Period <= 0 {
		return
	}
	col, get := wrong[i], c.reading(logfile.Current)
	if col.Role == Energy {
		get = c.reading(logfile.Power)
	}
	// lagBy is by which lag [s] the rows fit whose current has settled, if it was so much at the begin.
	lagBy := func(begin float64) (lag float64, fits bool) {
		xy, xx, yy := 0.0, 0.0, 0.0
		for r, y := range col.Unrolled.Residual {
			if r < 2 {
				continue
			}
			x, before := get(c.At[r]), get(c.At[r-2])
			if math.Abs(x-before) <= 0.05*math.Abs(x) && y == y { // NaN has not settled
				x -= begin
				xy, xx, yy = xy+x*y, xx+x*x, yy+y*y
			}
		}
		lag = math.Abs(xy) / xx
		return lag, lag > s.Period/4 && xy*xy > 0.5*xx*yy
	}
	lag, fits := lagBy(get(0))
	if !fits {
		if lag, fits = lagBy(0); !fits {
			return
		}
	}
	const mend = "Add the readings as they come; smooth only what is shown, or what a decision goes by."
	shares := []float64{0.9, 0.8, 0.75, 0.7, 0.6, 0.5, 0.4, 0.3, 0.25, 0.2, 0.15, 0.125, 0.1, 0.0625, 0.05, 0.03125, 0.02, 0.015625, 0.01, 0.005, 0.001}
	share := s.Period / (lag + s.Period)
	slices.SortStableFunc(shares, func(a, b float64) int {
		return int(math.Copysign(1, math.Abs(math.Log(a/share))-math.Abs(math.Log(b/share))))
	})
	for _, a := range shares[:4] {
		for _, zero := range []bool{false, true} {
			from := ""
			if zero {
				from = ", from zero on"
			}
			meter(fmt.Sprintf("what is integrated is not the current but a smoothed one, which goes %.4g of the way to each reading%s", a, from), mend,
				func(m *replay.Meter) { m.Smooth, m.SmoothZero = a, zero })
		}
	}
	// The rule that looks healthy may hide up to two readings of the lag.
	for n := int(math.Round(2*lag/s.Period)) - 1; n <= int(math.Round(2*lag/s.Period))+5 && n <= mostMeaned; n++ {
		if n > 1 {
			meter(fmt.Sprintf("what is integrated is not the current but the mean of the last %d readings", n), mend, func(m *replay.Meter) { m.MeanOf = n })
		}
	}
}

// mostMeaned is how many readings a mean is tried of.
const mostMeaned = 500
