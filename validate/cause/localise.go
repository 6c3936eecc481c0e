package cause

import (
	"fmt"
	"math"

	"stuntcell/emulator"
	"stuntcell/emulator/link"
	"stuntcell/validate/verdict"
)

// happening is something in the run to which a sudden deviation may belong.
type happening struct {
	cause string
	from  int // first and last reading whose step it touches
	to    int
	what  string
}

// happenings lists what happened in the run that firmware is known to stumble over, the most particular first.
func (c *Case) happenings() []happening {
	var out []happening
	s := c.Series
	add := func(cause string, from, to int, what string) {
		out = append(out, happening{cause, from, to, what})
	}
	if s.Bits < 63 {
		mask := s.Mask()
		half := int64(1) << uint(s.Bits-1)
		for k := 1; k < len(s.Tick); k++ {
			if s.Life[k] != s.Life[k-1] {
				continue
			}
			a, b := s.Tick[k-1], s.Tick[k]
			if a&^mask != b&^mask {
				add("tick-wrap", k, k, fmt.Sprintf("the %d-bit counter wrapped", s.Bits))
			} else if (a+half)&^mask != (b+half)&^mask {
				add("signed-tick", k, k, fmt.Sprintf("the counter passed half range, 2^%d", s.Bits-1))
			}
		}
	}
	for _, e := range c.Record.Events {
		switch e.Kind {
		case emulator.Setting:
			add("setting-jump", e.Reading, e.Reading, fmt.Sprintf("the setting %s was changed", e.Text))
		case emulator.ClockIsSet:
			add("rtc-trusting", e.Reading, e.Reading, fmt.Sprintf("the clock was set by %+d s", e.Value))
		case emulator.PowerBack:
			add("restart-loss", e.Reading, e.Reading, "the power came back")
		}
	}
	add2 := func(name, what string, is func(k int) bool) {
		for k := 0; k < s.Len(); k++ {
			if !is(k) {
				continue
			}
			from := k
			for k < s.Len() && is(k) {
				k++
			}
			add(name, from, min(k, s.Len()-1), what)
		}
	}
	add2("failed-reading", "readings failed", func(k int) bool { return !s.Good(k) })
	add2("card-loss", "writes failed", func(k int) bool { return s.Flags[k]&emulator.CardFails != 0 })
	if s.HasClock {
		for k := 1; k < s.Len(); k++ {
			a, b := s.Face[k-1], s.Face[k]
			if a == link.NoClock || b == link.NoClock || s.Life[k] != s.Life[k-1] {
				continue
			}
			if a < 1<<31 && b >= 1<<31 {
				add("epoch-2038", k, k, "the clock passed 2^31 s after 1970")
			}
			for _, z := range []int64{s.Zone, 0} {
				if floorDay(a+z) != floorDay(b+z) {
					add("midnight-reset", k, k, "midnight passed")
					break
				}
			}
		}
	}
	for k := 1; k < s.Len(); k++ {
		if s.Flags[k]&emulator.Stalled != 0 && s.Dt[k] > 3*s.Period {
			add("nominal-dt", k, k, fmt.Sprintf("no reading came for %.4g s", s.Dt[k]))
		}
	}
	return out
}

func floorDay(t int64) int64 {
	if t < 0 {
		return (t - 86399) / 86400
	}
	return t / 86400
}

func (c *Case) clockIsSet() bool {
	for _, e := range c.Record.Events {
		if e.Kind == emulator.ClockIsSet {
			return true
		}
	}
	return false
}

func (c *Case) hasSettings() bool {
	for _, e := range c.Record.Events {
		if e.Kind == emulator.Setting {
			return true
		}
	}
	return false
}

func (c *Case) cardFails() bool {
	for _, f := range c.Series.Flags {
		if f&emulator.CardFails != 0 {
			return true
		}
	}
	return false
}

// happened returns the happening that falls into the readings (from, to], nil if none does.
func (c *Case) happened(from, to int) *happening {
	for _, h := range c.happenings() {
		if h.to > from && h.from <= to {
			return &h
		}
	}
	return nil
}

// localise names a deviation that no replay explains by where it begins: what happened in the row in which most of it
// arose. Where nothing did, it says how the deviation grows, without a name that it cannot answer for.
func (c *Case) localise(wrong []*Column) []verdict.Finding {
	var out []verdict.Finding
	for _, col := range wrong {
		res := col.Unrolled.Residual
		total, biggest, at := 0.0, 0.0, -1
		before := 0.0
		for r, x := range res {
			if math.IsNaN(x) {
				continue
			}
			d := math.Abs(x - before)
			total += d
			if d > biggest {
				biggest, at = d, r
			}
			before = x
		}
		first := firstBad([]*Column{col})
		if f := c.startsAgain(col); f != nil && c.happened(c.At[max(f.Row-2, 0)], c.At[f.Row-1]) == nil {
			out = append(out, *f)
			continue
		}
		if f := c.standsFrom(col); f != nil && c.happened(c.At[max(f.Row-2, 0)], c.At[f.Row-1]) == nil {
			out = append(out, *f)
			continue
		}
		if f := c.comesToItsEnd(col, first); f != nil {
			out = append(out, *f)
			continue
		}
		if at >= 0 && biggest > 0.5*total {
			from := 0
			if at > 0 {
				from = c.At[at-1]
			}
			if h := c.happened(from, c.At[at]); h != nil {
				f := c.finding(h.cause, ofFirmware, 0.75, at)
				f.Evidence = fmt.Sprintf("column %q jumps by %.4g %s in the row in which %s, and nowhere else as much", col.Header,
					biggest/col.Display, unitOr(col), h.what)
				c.quote(&f, col, at)
				out = append(out, f)
				continue
			}
		}
		if f := c.forgets(col, first); f != nil {
			out = append(out, *f)
			continue
		}
		// A deviation that begins with a happening and grows from there.
		if h := c.begins(col, first); h != nil {
			f := c.finding(h.cause, ofFirmware, 0.6, first)
			f.Evidence = fmt.Sprintf("column %q follows its readings until %s and departs from there on", col.Header, h.what)
			c.quote(&f, col, first)
			out = append(out, f)
			continue
		}
		f := c.finding("unexplained", ofFirmware, 0.5, first)
		from := fmt.Sprintf("its readings (%s rule)", c.Meter.Rule)
		if col.Role == Elapsed {
			from = "the time that passed"
		}
		f.Evidence = fmt.Sprintf("column %q departs from %s from row %d on and ends %.4g %s off; no mistake that is known here gives these rows",
			col.Header, from, first+1, col.Unrolled.Raw/col.Display, unitOr(col))
		c.quote(&f, col, first)
		out = append(out, f)
	}
	return out
}

// ends are where a time since the start is used up.
var ends = []struct {
	s    float64
	what string
}{{86400, "the hours begin again at 24"}, {43200, "the hours begin again at 12"}, {3600, "the minutes begin again at 60 and no hours are written"}, {360000, "the hours have two digits"},
	{65536, "seconds are kept in 16 bits"}, {32768, "seconds are kept in 15 bits"}, {65.536, "milliseconds are kept in 16 bits"},
	{4294967.296, "milliseconds are kept in 32 bits"}, {4294.967296, "microseconds, or milliseconds times 1000, are kept in 32 bits"},
	{2147.483648, "microseconds, or milliseconds times 1000, are kept in 31 bits"}}

// turnsOf returns the length of which a time since the start lacks whole turns, and why it does; 0 if there is none.
func turnsOf(col *Column) (length float64, what string) {
	for _, end := range ends {
		fits, most := true, 0.0
		for r, x := range col.Unrolled.Residual {
			if math.IsNaN(x) {
				continue
			}
			n := math.Round(x / end.s)
			fits = fits && n <= 0 && math.Abs(x-n*end.s) <= min(col.Limit, end.s/20)+2*col.Printed.Unit[r]
			most = max(most, -n)
		}
		if fits && most > 0 {
			return end.s, end.what
		}
	}
	return 0, ""
}

// ComesToItsEnd says that a column of time is right but for whole turns of a number that is too narrow for it.
func ComesToItsEnd(col *Column) bool {
	length, _ := turnsOf(col)
	return length > 0
}

// comesToItsEnd names a time since the start that begins anew at its end: seconds in 16 bits, hours up to 24.
func (c *Case) comesToItsEnd(col *Column, row int) *verdict.Finding {
	if col.Role != Elapsed {
		return nil
	}
	length, what := turnsOf(col)
	if length == 0 {
		return nil
	}
	f := c.finding("tick-wrap", ofFirmware, 0.85, row)
	f.Evidence = fmt.Sprintf("column %q falls back by %.7g s from row %d on, as where %s", col.Header, length, row+1, what)
	f.Mend = "Keep the time since the start in a wider number, and write days, or as many hours as there are."
	c.quote(&f, col, row)
	return &f
}

// forgets names a total that is right in the first row after a power cut and without what was stored, or with it twice, in the next: what is
// printed was restored, what is added to was not.
func (c *Case) forgets(col *Column, at int) *verdict.Finding {
	first := at
	for first > 0 && c.Marks.Life[first-1] == c.Marks.Life[at] {
		first--
	}
	stored, cut := col.Unrolled.Anchor[first]
	if !cut || first == at {
		return nil
	}
	jump := col.Unrolled.Residual[at] - col.Unrolled.Residual[first]
	near := func(x float64) bool { return math.Abs(jump-x) <= col.Limit/10+2*col.Printed.Unit[at] }
	if math.Abs(stored) <= col.Limit {
		return nil // about nothing
	}
	name, what := "restart-loss", "without it"
	switch {
	case near(-stored):
	case near(stored):
		name, what = "restart-double", "with it twice"
	default:
		return nil
	}
	f := c.finding(name, ofFirmware, 0.9, at)
	f.Evidence = fmt.Sprintf("column %q shows the stored total in row %d, the first after the power cut, and goes on %s from row %d", col.Header, first+1, what, at+1)
	c.quote(&f, col, at)
	return &f
}

// begins finds the happening at which a column's deviation starts to grow: before it the deviation stays under a tenth of
// the limit.
func (c *Case) begins(col *Column, first int) *happening {
	start := -1
	for r, x := range col.Unrolled.Residual {
		if math.IsNaN(x) {
			continue
		}
		if math.Abs(x) > col.Limit/10+col.Printed.Unit[r] {
			start = r
			break
		}
	}
	if start < 0 || start > first {
		start = first
	}
	from := 0
	if start > 0 {
		from = c.At[start-1]
	}
	return c.happened(from, c.At[min(start, len(c.At)-1)])
}
