package cause

import (
	"fmt"
	"math"
	"slices"
	"time"

	"stuntcell/emulator"
	"stuntcell/validate/logfile"
	"stuntcell/validate/verdict"
)

// Clock names why printed dates or times are not what the clock showed. dev is printed less shown, by data row [s].
//
// impossible is the first row with a date that no calendar has, "" if there is none, and line its index in Record.Rows.
func Clock(c *Case, dev []float64, row int, impossible string, line int) []verdict.Finding {
	if impossible != "" {
		f := c.finding("wrong-date", ofFirmware, 0.95, -1)
		f.Evidence = fmt.Sprintf("the row %q shows a date that no calendar has", impossible)
		if c.since2038(line) {
			f = c.finding("epoch-2038", ofFirmware, 0.93, -1)
			f.Evidence = fmt.Sprintf("the row %q shows a date that no calendar has, the first one written since the clock passed 2^31 s after 1970", impossible)
		}
		f.Wrote = impossible
		if line < len(c.Record.Rows) {
			f.AtS = c.Seconds(c.Record.Rows[line].After)
		}
		return []verdict.Finding{f}
	}
	if row < 0 {
		return nil
	}
	var bad []float64
	var rows []int
	for r, d := range dev {
		if !math.IsNaN(d) && math.Abs(d) > 1 {
			bad = append(bad, d)
			rows = append(rows, r)
		}
	}
	if len(bad) == 0 {
		return nil
	}
	found := func(name string, conf float64, ev string) []verdict.Finding {
		f := c.finding(name, ofFirmware, conf, row)
		f.Evidence = ev
		f.Wrote = c.text(row)
		return []verdict.Finding{f}
	}
	all := func(is func(d float64, r int) bool) bool {
		for i, d := range bad {
			if !is(d, rows[i]) {
				return false
			}
		}
		return true
	}
	face := func(r int) int64 { return c.Record.Readings.Clock[c.At[r]] }
	// Seconds of the wall clock end at another moment than those since 1970.
	ends := 1<<31 - 1 - max(0, c.Zone, c.Series.Zone)
	if all(func(d float64, r int) bool { return face(r) >= ends }) {
		return found("epoch-2038", 0.95, fmt.Sprintf("printed times are off by %.0f s once the clock passes 2^31 s after 1970", bad[0]))
	}
	if all(func(d float64, r int) bool { return near2(math.Abs(d), math.Ldexp(1, 32), 2) }) {
		return found("epoch-2038", 0.9, "printed times are off by 2^32 s")
	}
	if all(func(d float64, r int) bool {
		return near2(math.Abs(d), 3600, 1.5) || near2(math.Abs(d), 7200, 1.5) || near2(math.Abs(d), 1800, 1.5)
	}) {
		return found("local-time", 0.95, fmt.Sprintf("from row %d on printed times are off by %+.0f s: the zone changed in the middle of the log", row+1, bad[0]))
	}
	const twelve = "a clock of twelve hours without its half of the day, so that each hour comes twice"
	if c.twelveHours(dev) {
		return found("local-time", 0.93, "printed times are those of "+twelve)
	}
	if all(func(d float64, r int) bool { return math.Abs(math.Remainder(d, 86400)) <= 1.5 }) {
		return found("wrong-date", 0.95, fmt.Sprintf("from row %d on the printed date is off by %+.0f days while the time of day is right", row+1, math.Round(bad[0]/86400)))
	}
	if all(func(d float64, r int) bool { return math.Abs(math.Remainder(d, 43200)) <= 1.5 }) {
		return found("local-time", 0.9, "printed times are off by half days: "+twelve)
	}
	if f := c.field(dev); f != "" {
		return found("wrong-date", 0.9, f)
	}
	// From a setting of the clock on: firmware that keeps its own time.
	for _, e := range c.Record.Events {
		if e.Kind == emulator.ClockIsSet && c.At[row] >= e.Reading {
			return found("rtc-trusting", 0.6, fmt.Sprintf("printed times no longer follow the clock after it was set by %+d s", e.Value))
		}
	}
	if all(func(d float64, r int) bool { return math.Abs(math.Remainder(d, 900)) <= 1.5 && math.Abs(d) <= 14*3600 }) {
		return found("local-time", 0.9, fmt.Sprintf("printed times are off by %+.0f s: what is meant as seconds since 1970 runs by the wall clock of a zone", bad[0]))
	}
	if all(func(d float64, r int) bool { return math.Abs(d) > 20*86400 }) {
		return found("wrong-date", 0.7, fmt.Sprintf("printed dates are off by %.0f days", bad[0]/86400))
	}
	if len(bad) == len(dev) && all(func(d float64, _ int) bool { return near2(d, bad[0], 1.5) }) {
		return found("local-time", 0.6, fmt.Sprintf("printed times are off by %+.0f s in every row, as no zone is: minutes of the zone may be taken for another unit", bad[0]))
	}
	return found("unexplained", 0.4, fmt.Sprintf("printed times differ from the clock's face by up to %.0f s", maxAbs(bad)))
}

// field says which one part of the printed time is wrong while all others are right in every row, and what it shows instead; "" if there is none.
func (c *Case) field(dev []float64) string {
	names := [...]string{"year", "month", "day", "hour", "minute", "second"}
	parts := func(s float64) [6]int {
		t := time.Unix(int64(s), 0).UTC()
		return [...]int{t.Year(), int(t.Month()), t.Day(), t.Hour(), t.Minute(), t.Second()}
	}
	for _, zone := range []int64{c.Zone, c.Series.Zone, 0} {
		var right [6]bool
		var same [6][6]bool // the wrong part always shows that other part
		var stands [6]bool  // ... the same number
		var first [6]int
		for i := range right {
			right[i], stands[i] = true, true
			for k := range same[i] {
				same[i][k] = true
			}
		}
		n := 0
		for r, d := range dev {
			if math.IsNaN(d) {
				continue
			}
			// Deviations are taken in the zone that was found, which the mistake may have made.
			face := c.Record.Readings.Clock[c.At[r]]
			want, got := parts(float64(face+zone)), parts(d+float64(face+c.Zone))
			if n++; n == 1 {
				first = got
			}
			for i := range right {
				right[i] = right[i] && got[i] == want[i]
				stands[i] = stands[i] && got[i] == first[i]
				for k := range same[i] {
					same[i][k] = same[i][k] && got[i] == want[k]
				}
			}
		}
		wrong := -1
		for i, ok := range right {
			if !ok && wrong >= 0 {
				wrong = -2
			}
			if !ok && wrong == -1 {
				wrong = i
			}
		}
		if wrong < 0 || n < 10 {
			continue
		}
		text := fmt.Sprintf("the %s of the printed times is wrong, and all else of them right", names[wrong])
		for k, is := range same[wrong] {
			if is && k != wrong {
				return fmt.Sprintf("%s: it shows the %s in every row, as where a letter of the format stands for the other", text, names[k])
			}
		}
		if stands[wrong] {
			return fmt.Sprintf("%s: it shows %02d in every row", text, first[wrong])
		}
		return text
	}
	return ""
}

// twelveHours says that every row shows its date and the hour of a clock that knows twelve, in the user's zone or in UTC.
func (c *Case) twelveHours(dev []float64) bool {
	dateless := slices.ContainsFunc(c.Table.Columns, func(col logfile.Column) bool { return col.Kind == logfile.Clock && col.NoDate })
	for _, zone := range []int64{c.Series.Zone, 0} {
		all, n := true, 0
		for r, d := range dev {
			if math.IsNaN(d) {
				continue
			}
			face := c.Record.Readings.Clock[c.At[r]]
			day, second := floorDay(face+zone), (face+zone)-floorDay(face+zone)*86400
			shown := day*86400 + second%43200
			if second%43200 < 3600 { // twelve stands where nought would
				shown += 43200
			}
			printed := d + float64(c.Zone+face)
			off := printed - float64(shown)
			if dateless {
				off = math.Remainder(off, 86400)
			}
			all = all && math.Abs(off) <= 1.5
			n++
		}
		if all && n > 0 {
			return true
		}
	}
	return false
}

// since2038 says that a line of the log is the first row that was written after the clock had passed 2^31 s after 1970.
func (c *Case) since2038(line int) bool {
	isClock := func(col logfile.Column) bool { return col.Kind == logfile.Clock }
	if line <= 0 || line >= len(c.Record.Rows) || c.Table == nil || !slices.ContainsFunc(c.Table.Columns, isClock) {
		return false
	}
	for _, h := range c.happenings() {
		if h.cause == "epoch-2038" && h.from > c.Record.Rows[line-1].After && h.from <= c.Record.Rows[line].After {
			return true
		}
	}
	return false
}

func maxAbs(v []float64) float64 {
	m := 0.0
	for _, x := range v {
		m = max(m, math.Abs(x))
	}
	return m
}
