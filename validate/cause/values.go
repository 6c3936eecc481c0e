package cause

import (
	"fmt"
	"math"

	"stuntcell/validate/logfile"
	"stuntcell/validate/verdict"
)

// Values names why printed volts, amperes or watts are not what the readings were.
func Values(c *Case, vs []Value, stale bool, lag, staleRow int) []verdict.Finding {
	var out []verdict.Finding
	if stale {
		f := c.finding("stale-reading", ofFirmware, 0.95, staleRow)
		f.Evidence = fmt.Sprintf("after load steps the rows show the reading %d before, never the newest", lag)
		f.Wrote = c.text(staleRow)
		out = append(out, f)
	}
	if f := c.exchanged(vs); f != nil {
		return append(out, *f)
	}
	named := false
	for _, power := range []bool{false, true} {
		for i := range vs {
			v := &vs[i]
			// Watts are the product of the other two: what is wrong with one of those is not said of them as well.
			if is := v.Column.Kind == logfile.Power; v.OK || stale || is != power || is && named {
				continue
			}
			fs := c.look(v).named()
			named = named || len(fs) > 0 && fs[0].Cause != "unexplained"
			out = append(out, fs...)
		}
	}
	return merge(out)
}

// exchanged recognises columns of volts and amperes of which each holds what the other one's header says.
func (c *Case) exchanged(vs []Value) *verdict.Finding {
	var volts, amps *Value
	for i := range vs {
		switch v := &vs[i]; {
		case v.OK:
		case v.Column.Kind == logfile.Voltage && volts == nil:
			volts = v
		case v.Column.Kind == logfile.Current && amps == nil:
			amps = v
		}
	}
	if volts == nil || amps == nil {
		return nil
	}
	holds := func(v *Value, get func(int) float64, count float64) bool {
		right, n := 0, 0
		for r, y := range v.Column.Value {
			if k := c.At[r]; !math.IsNaN(y) && c.Series.Good(k) {
				if n++; math.Abs(math.Abs(y)-math.Abs(get(k))) <= 2*count+v.Column.Step[r] {
					right++
				}
			}
		}
		return n > 0 && 20*right >= 19*n
	}
	if !holds(volts, c.reading(logfile.Current), c.Series.Amp) || !holds(amps, c.reading(logfile.Voltage), c.Series.Volt) {
		return nil
	}
	f := c.finding("unit-factor", ofFirmware, 0.95, 0)
	f.Evidence = fmt.Sprintf("column %q holds the amperes of its readings and column %q the volts: they are written in another order than the header says", volts.Column.Header, amps.Column.Header)
	f.Wrote = c.text(0)
	return &f
}

func direction(way float64) string {
	if way > 0 {
		return "into the battery"
	}
	return "out of the battery"
}

// reading gives the reading that a column of a kind should show.
func (c *Case) reading(k logfile.Kind) func(k int) float64 {
	s := c.Series
	switch k {
	case logfile.Voltage:
		return func(k int) float64 { return s.V[k] }
	case logfile.Power:
		return func(k int) float64 { return s.I[k] * s.V[k] }
	}
	return func(k int) float64 { return s.I[k] }
}

// bothWays says that current flows into and out of the battery by more than a few counts.
func (c *Case) bothWays() bool {
	in, out := false, false
	for _, x := range c.Series.I {
		in = in || x > 8*c.Series.Amp
		out = out || x < -8*c.Series.Amp
	}
	return in && out
}

func (c *Case) showsMinus(col *logfile.Column) bool {
	for _, v := range col.Value {
		if v < 0 {
			return true
		}
	}
	return false
}

// nearFailed says that one of the readings of the row's interval failed.
func (c *Case) nearFailed(k int) bool {
	t := 0.0
	for q := k; q >= 0 && t <= max(c.Log, 30)+2*c.Series.Period; q-- {
		if !c.Series.Good(q) {
			return true
		}
		t += c.Series.Dt[q]
	}
	return false
}
