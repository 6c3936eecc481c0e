package cause

import (
	"fmt"
	"math"
	"regexp"
	"slices"
	"sort"
	"strconv"
	"time"

	"stuntcell/emulator"
	"stuntcell/emulator/link"
	"stuntcell/validate/verdict"
)

// Rows names why rows do not come when they are due, or come twice, in disorder or broken.
func Rows(c *Case, s *Spacing, pattern, rowsFailed bool) []verdict.Finding {
	var out []verdict.Finding
	if pattern {
		out = append(out, c.cadence(s)...)
	} else if f := c.creep(s); f != nil {
		f.Severity = verdict.Advice
		out = append(out, *f)
	}
	if !rowsFailed {
		return out
	}
	if s.Broken >= 0 && ImpossibleDate(s.BrokenText) {
		// Rows that cannot be read for their date are not missing.
		out = nil
	}
	if s.Duplicate >= 0 {
		f := c.finding("duplicate-rows", ofFirmware, 0.97, s.Duplicate)
		f.Evidence = fmt.Sprintf("%d rows stand in the log twice, the first at row %d", s.Duplicates, s.Duplicate+1)
		f.Wrote = c.text(s.Duplicate)
		out = append(out, f)
	}
	if s.Disordered >= 0 {
		f := c.finding("disordered-rows", ofFirmware, 0.97, s.Disordered)
		f.Evidence = fmt.Sprintf("%d rows come after later ones, the first at row %d", s.Disorders, s.Disordered+1)
		f.Wrote = c.text(s.Disordered)
		out = append(out, f)
	}
	if s.Broken >= 0 {
		name := "broken-row"
		if ImpossibleDate(s.BrokenText) {
			name = "wrong-date"
		}
		since := ""
		if c.since2038(s.Broken) {
			name, since = "epoch-2038", ", since the clock passed 2^31 s after 1970"
		}
		f := c.finding(name, ofFirmware, 0.95, -1)
		f.Evidence = fmt.Sprintf("%d malformed rows, the first: %q%s", s.Brokens, s.BrokenText, since)
		f.Wrote, f.ShouldBe = s.BrokenText, s.BrokenExpected
		if s.Broken < len(c.Record.Rows) {
			f.AtS = c.Seconds(c.Record.Rows[s.Broken].After)
		}
		out = append(out, f)
	}
	if s.NotNumber >= 0 {
		name, since := "broken-row", ""
		from := 0
		if s.NotNumber > 0 {
			from = c.At[s.NotNumber-1]
		}
		if h := c.happened(from, c.At[s.NotNumber]); h != nil {
			name, since = h.cause, ", since "+h.what
		}
		f := c.finding(name, ofFirmware, 0.96, s.NotNumber)
		f.Evidence = fmt.Sprintf("%d rows have no number where one was due, the first in column %q%s", s.NotNumbers, s.NotNumberColumn, since)
		f.Wrote = c.text(s.NotNumber)
		out = append(out, f)
	}
	if s.Barren {
		f := c.finding("broken-row", ofFirmware, 0.9, 0)
		f.Evidence = "no column of volts, amperes, watts, Ah or Wh can be read in any row"
		f.Wrote = c.text(0)
		out = append(out, f)
	}
	if s.Missing >= 0 && s.MissingRows > 0 && !pattern {
		if h := c.stops(s.MissingFrom, s.MissingTo); h != nil && s.Brokens < s.MissingRows { // else they came, broken
			f := c.finding(h.cause, ofFirmware, 0.85, max(s.Missing-1, 0))
			f.Evidence = fmt.Sprintf("%d rows are missing from the moment on at which %s", s.MissingRows, h.what)
			f.AtS = c.Seconds(s.MissingFrom)
			out = append(out, f)
		} else {
			f := c.finding("missing-rows", ofFirmware, 0.95, max(s.Missing-1, 0))
			f.AtS = c.Seconds(s.MissingFrom)
			f.Evidence = fmt.Sprintf("%d rows are missing, the first after row %d", s.MissingRows, s.Missing)
			if s.Tail > 0 && s.Tail == s.MissingRows {
				f.Evidence = fmt.Sprintf("the last %d rows before the end never came: a buffer that is not written out at the end", s.Tail)
			}
			out = append(out, f)
		}
	}
	return out
}

// cadence names a pattern of rows that come too seldom or too often.
func (c *Case) cadence(s *Spacing) []verdict.Finding {
	row := max(s.FirstBad, 0)
	logMS := int64(math.Round(s.Log * 1000))
	period := c.Series.Period
	long := max(c.longestUsual(), period)
	if logMS >= 1<<15 {
		short := float64(uint16(logMS)) / 1000
		signed := float64(int16(uint16(logMS))) / 1000
		mean := s.Log * float64(s.Due) / float64(max(s.Written, 1))
		// No row comes before its interval has passed: an interval that is longer than the mean between the rows is not theirs.
		between := s.Median
		if n := len(c.At) - 1; n > 0 {
			between = (c.Seconds(c.At[n]) - c.Seconds(c.At[0])) / float64(n)
		}
		kept := func(interval float64) bool { return near2(s.Median, interval, long) && between >= 0.99*interval }
		stopsAt := func(most float64) bool { return most < s.Log && near2(mean, most, most/50) }
		var how string
		confidence := 0.95
		switch {
		case logMS >= 1<<16 && kept(short):
			how = fmt.Sprintf("rows come every %.4g s: %d ms kept in 16 bits is %d", s.Median, logMS, uint16(logMS))
		case signed < 0 && s.Median < 3*long && mean < 6*long && c.mostReadings():
			how = fmt.Sprintf("rows come at every reading: %d ms kept in 16 bits with a sign is %d, or no interval is kept at all", logMS, int16(uint16(logMS)))
		case signed < 0 && kept(-signed):
			how = fmt.Sprintf("rows come every %.4g s: %d ms kept in 16 bits with a sign is %d", s.Median, logMS, int16(uint16(logMS)))
		case signed > 0 && kept(signed):
			how = fmt.Sprintf("rows come every %.4g s: %d ms kept in 16 bits with a sign is %d", s.Median, logMS, int16(uint16(logMS)))
		case kept(float64(logMS%(1<<15)) / 1000):
			how = fmt.Sprintf("rows come every %.4g s: of %d ms 15 bits are kept, %d", s.Median, logMS, logMS%(1<<15))
		case logMS%1000 == 0 && logMS >= 256000 && kept(float64(uint8(logMS/1000))):
			how = fmt.Sprintf("rows come every %.4g s: %d s kept in 8 bits is %d", s.Median, logMS/1000, uint8(logMS/1000))
		case signed < 0 && s.Written <= 1:
			how = fmt.Sprintf("no rows come: %d ms kept in 16 bits with a sign is %d", logMS, int16(uint16(logMS)))
			confidence = 0.8 // nor do they for any other reason
		case logMS >= 1<<16 && s.Written <= 1:
			how = fmt.Sprintf("no second row comes: the time since the last one, in 16 bits, never gets to %d ms", logMS)
		case stopsAt(32.767) || stopsAt(65.535):
			how = fmt.Sprintf("rows come every %.4g s: the interval stops at what 16 bits hold", mean)
		}
		if long > s.Median/3 || isRound(between) {
			confidence = 0.6 // readings come so seldom that an interval of its own would look the same
		}
		if how != "" {
			f := c.finding("narrow-interval", ofFirmware, confidence, row)
			f.Evidence = how
			if confidence < 0.9 {
				f.Mend += " " + sayInterval(s.Median)
			}
			return []verdict.Finding{f}
		}
	}
	if f := c.countsReadings(s); f != nil {
		return []verdict.Finding{*f}
	}
	if f := c.outOfTurn(s); f != nil {
		return []verdict.Finding{*f}
	}
	if s.Missing >= 0 || s.TooFew {
		from, to := s.MissingFrom, s.MissingTo
		if s.Missing < 0 {
			from, to = s.BadFrom, s.BadTo
		}
		if h := c.stops(from, to); h != nil && (s.Missing >= 0 || s.FirstBad >= 0) {
			f := c.finding(h.cause, ofFirmware, 0.88, max(row-1, 0))
			f.AtS = c.Seconds(from)
			f.Evidence = fmt.Sprintf("rows stop coming at the interval at the moment at which %s", h.what)
			return []verdict.Finding{f}
		}
	}
	if f := c.silentEnd(s); f != nil {
		return []verdict.Finding{*f}
	}
	if f := c.creep(s); f != nil {
		return []verdict.Finding{*f}
	}
	if s.TooOff && s.FirstBad >= 0 && s.BadFrom > 0 {
		// A burst of rows may come before what it belongs to, or after the row at which it begins, which came when it was due.
		from := s.BadFrom
		if s.FirstBad >= 2 && c.At[s.FirstBad-2] < from {
			from = c.At[s.FirstBad-2]
		}
		if h := c.stops(from, c.Series.Len()-1); h != nil {
			f := c.finding(h.cause, ofFirmware, 0.8, row)
			f.Evidence = fmt.Sprintf("rows stop coming at the interval at the moment at which %s", h.what)
			return []verdict.Finding{f}
		}
	}
	if n := int64(math.Round(s.Log)); c.atMultiples(n) {
		name := "missing-rows"
		if s.Written > s.Due {
			name = "duplicate-rows"
		}
		f := c.finding(name, ofFirmware, 0.9, row)
		f.Evidence = fmt.Sprintf("rows come at each reading at which the clock's second is a multiple of %d: none where the loop misses that second, several where it sees it twice", n)
		return []verdict.Finding{f}
	}
	if n := c.writtenAgain(s); n > 0 {
		f := c.finding("duplicate-rows", ofFirmware, 0.85, row)
		f.Evidence = fmt.Sprintf("%d rows come one reading after one that came when it was due: the due time was not moved on with that", n)
		return []verdict.Finding{f}
	}
	// An interval, but another, and from the begin.
	own := math.Abs(s.Median-s.Log) > long && (s.FirstBad < 0 || c.Seconds(s.BadTo) < 4*max(s.Median, s.Log))
	f := c.finding("missing-rows", ofFirmware, 0.4, row)
	f.Evidence = fmt.Sprintf("%d rows of %d that were due", s.Written, s.Due)
	if !s.TooFew {
		f = c.finding("unexplained", ofFirmware, 0.4, row)
		f.Evidence = fmt.Sprintf("%d of %d rows do not come when they are due", s.Off, s.Total)
		f.Mend = "Look at what moves the time of the next row from the row named on."
	}
	if own {
		f.Evidence = fmt.Sprintf("rows come every %.4g s instead of every %.4g s", s.Median, s.Log)
		f.Mend = sayInterval(s.Median)
	}
	return []verdict.Finding{f}
}

// sayInterval is for a logger that keeps to an interval, but to its own [s].
func sayInterval(own float64) string {
	ms := twoDigits(max(own*1000, 1)) // the rest is the loop's
	return fmt.Sprintf("If the interval is built in, say so in answer to the greeting, as `mine log_ms=%.0f` for %.4g s; else take it from log_ms.", ms, ms/1000)
}

// writtenAgain is how many rows come at the reading next to that of a row before, where all others come at the interval; 0 where those are few
// or the others do not.
func (c *Case) writtenAgain(s *Spacing) int {
	again, off, last := 0, 0, -1
	for r, k := range c.At {
		if r > 0 && k == c.At[r-1]+1 {
			again++
			continue
		}
		if last >= 0 {
			if d := c.Seconds(k) - c.Seconds(last); math.Abs(d-math.Round(d/s.Log)*s.Log) > 1.5*c.Series.Period {
				off++
			}
		}
		last = k
	}
	if again < 3 || s.Log < 4*c.Series.Period || 20*off > len(c.At) {
		return 0
	}
	return again
}

// silentEnd recognises a log that ends before the run does: all rows that are missing were due after the last one.
func (c *Case) silentEnd(s *Spacing) *verdict.Finding {
	if s.Tail < 2 || len(c.At) == 0 || 10*s.Tail < 9*(s.Due-s.Written) {
		return nil
	}
	last := len(c.At) - 1
	f := c.finding("missing-rows", ofFirmware, 0.9, last)
	f.Evidence = fmt.Sprintf("no row comes after row %d, though %d more were due before the end", last+1, s.Tail)
	for _, e := range c.Record.Events {
		if e.Kind == emulator.SaidLoad && e.Value == 0 && e.Reading >= c.At[last] && c.Seconds(e.Reading)-c.Seconds(c.At[last]) <= 2*s.Log {
			f.Evidence = fmt.Sprintf("no row comes after the load was switched off, though %d more were due before the end", s.Tail)
			f.Mend = "Go on writing rows after the stop: that the voltage comes back, and that nothing flows any more, belongs to the log."
		}
	}
	return &f
}

// mostReadings says that four good readings in five have a row.
func (c *Case) mostReadings() bool {
	good := 0
	for k := range c.Series.Len() {
		if c.Series.Good(k) {
			good++
		}
	}
	return 5*len(c.At) >= 4*good
}

// isRound says that a time is one that people choose for an interval, within a hundredth [s].
func isRound(t float64) bool {
	for _, x := range []float64{1, 2, 5, 10, 15, 20, 30, 60, 120, 300, 600, 900, 1800, 3600} {
		if near2(t, x, x/100) {
			return true
		}
	}
	return false
}

func near2(x, want, slack float64) bool { return math.Abs(x-want) <= slack*1.01+1e-6 }

// creep recognises rows that come a little later than due each time, so that fewer come than were due.
func (c *Case) creep(s *Spacing) *verdict.Finding {
	if s.Total < 5 || s.Written == 0 || s.Due-s.Written < 2 || s.Missing >= 0 {
		return nil
	}
	mean := s.Log * float64(s.Due) / float64(s.Written)
	if float64(s.Written+1) >= 0.995*float64(s.Due) || mean > s.Log+1.05*max(c.longestUsual(), c.Series.Period) || !c.creeps(float64(s.Due-s.Written)*s.Log) {
		return nil
	}
	f := c.finding("schedule-creep", ofFirmware, 0.92, 0)
	f.Evidence = fmt.Sprintf("%d of %d due rows: each comes a reading late or less and the next is counted from there", s.Written, s.Due)
	return &f
}

// creeps replays the schedule: nine rows in ten are those of a logger that waits one interval from each row that it wrote, or longer
// than one, and what they come late adds up to the intervals that have no row [s]. On a fixed grid they are missing for another reason.
func (c *Case) creeps(missing float64) bool {
	if c.waits(c.Log-1e-9, missing/2) || c.waits(c.Log+1e-9, missing/2) {
		return true
	}
	// What it does between two rows comes on top, up to the time of a reading.
	for _, share := range []float64{0.25, 0.5, 0.75, 1} {
		if c.waits(c.Log+share*c.Series.Period-1e-6, missing/2) {
			return true
		}
	}
	return false
}

// waits says that nine rows in ten are the first after at least so many seconds since the row before, and come late by so many in all.
func (c *Case) waits(least, late float64) bool {
	next, same, lateness := 1, 0, 0.0
	for ; next < len(c.At); next++ {
		k, waited := c.At[next-1], 0.0
		for waited < least && k+1 < c.Series.Len() {
			k++
			waited += c.Series.TickDt[k]
		}
		if c.At[next] == k {
			same++
			lateness += waited - c.Log
		}
	}
	return 10*same >= 9*(next-1) && lateness > late
}

// atMultiples says that the rows are those readings at which the clock shows a multiple of so many seconds.
func (c *Case) atMultiples(n int64) bool {
	if n < 3 || !c.Series.HasClock || len(c.At) < 10 {
		return false
	}
	multiple := func(k int) bool { return c.Series.Face[k] != link.NoClock && c.Series.Face[k]%n == 0 }
	readings, rows := 0, 0
	for k := range c.Series.Face {
		if c.Series.Good(k) && multiple(k) {
			readings++
		}
	}
	for _, k := range c.At {
		if multiple(k) {
			rows++
		}
	}
	return 20*rows >= 19*len(c.At) && 20*len(c.At) >= 19*readings && 20*readings >= 19*len(c.At)
}

// countsReadings recognises an interval counted in readings, each taken to last the nominal period, or a second, which it does not.
func (c *Case) countsReadings(s *Spacing) *verdict.Finding {
	for _, each := range []float64{c.Series.Period, 1} {
		n := math.Round(s.Log / each)
		if n < 2 || len(c.At) < 5 || math.Abs(c.meanStep()/each-1) <= 0.05 || each == c.Series.Period && !c.Series.Uneven || !c.everySo(int(n)) {
			continue
		}
		f := c.finding("nominal-dt", ofFirmware, 0.9, max(s.FirstBad, 0))
		f.Evidence = fmt.Sprintf("rows come every %.0f readings, %.4g s, as if each reading lasted %.4g s", n, s.Median, each)
		if c.timesWell() {
			f.Confidence = 0.5
			f.Evidence += ", but its totals know how long they last: rows that are missing at that rate look the same"
		}
		return &f
	}
	return nil
}

// timesWell says that a total that moved is right: its steps have the lengths that they had.
func (c *Case) timesWell() bool {
	return slices.ContainsFunc(c.Column, func(col *Column) bool {
		last := lastOf(col.Printed.Value)
		return col.Role != Elapsed && col.OK && math.Abs(col.Printed.Value[last]) > 100*col.Printed.Unit[last]
	})
}

// everySo says that nine rows in ten come so many readings after the one before.
func (c *Case) everySo(readings int) bool {
	same := 0
	for r := 1; r < len(c.At); r++ {
		if c.At[r]-c.At[r-1] == readings {
			same++
		}
	}
	return 10*same >= 9*(len(c.At)-1)
}

// stops finds the happening with which rows stop: in the interval after the last good row.
func (c *Case) stops(from, to int) *happening {
	// The happening lies between the last row that came and the next that was due.
	t := 0.0
	k := from
	for k < min(to, c.Series.Len()-1) && t <= c.Log+2*c.Series.Period {
		k++
		t += c.Series.Dt[k]
	}
	all := c.happenings()
	for _, h := range all {
		if h.to > from && h.from <= k {
			// One wrap is as another: rows that came on after the first do not stop at the tenth.
			if c.survived(all, h.cause, from, to) {
				continue
			}
			switch h.cause {
			case "midnight-reset", "restart-loss":
				// Rows that stop at midnight or after a restart have other causes.
				continue
			}
			return &h
		}
	}
	return nil
}

// survived says that rows came on after an earlier happening of the counter, or over a later one.
func (c *Case) survived(all []happening, name string, from, to int) bool {
	if name != "tick-wrap" && name != "signed-tick" {
		return false
	}
	for _, h := range all {
		if h.cause != name {
			continue
		}
		if h.to < from {
			return true
		}
		r := sort.SearchInts(c.At, h.from) // the first row behind it
		if h.from > to && r > 0 && r < len(c.At) && c.Seconds(c.At[r])-c.Seconds(c.At[r-1]) <= c.Log+2*c.longestUsual() {
			return true
		}
	}
	return false
}

// longestUsual is the longest time between two readings, stalls aside [s].
func (c *Case) longestUsual() float64 {
	m := 0.0
	for k, d := range c.Series.Dt {
		if c.Series.Flags[k]&emulator.Stalled == 0 {
			m = max(m, d)
		}
	}
	return m
}

// meanStep is the mean true time between readings [s].
func (c *Case) meanStep() float64 {
	t, n := 0.0, 0
	for _, d := range c.Series.Dt {
		if d > 0 {
			t += d
			n++
		}
	}
	return t / float64(max(n, 1))
}

// dates recognises year-month-day and day.month.year in a row.
var dates = regexp.MustCompile(`\b(\d{4})[-/.](\d{1,2})[-/.](\d{1,2})\b|\b(\d{1,2})[-/.](\d{1,2})[-/.](\d{4})\b`)

// oddYears recognises a date before a time of day whose year has three digits: years since 1900, printed as they are kept.
var oddYears = regexp.MustCompile(`(\b\d{3}[-/.]\d{1,2}[-/.]\d{1,2}|\b\d{1,2}[-/.]\d{1,2}[-/.]\d{3})[T ,;\t]+\d{1,2}:\d{2}`)

// ImpossibleDate says that a row shows a date that no calendar has.
func ImpossibleDate(row string) bool {
	if oddYears.MatchString(row) {
		return true
	}
	m := dates.FindStringSubmatch(row)
	if m == nil {
		return false
	}
	y, mo, d := m[1], m[2], m[3]
	if y == "" {
		y, mo, d = m[6], m[5], m[4]
	}
	n := [3]int{}
	for i, s := range [3]string{y, mo, d} {
		n[i], _ = strconv.Atoi(s)
	}
	t := time.Date(n[0], time.Month(n[1]), n[2], 0, 0, 0, 0, time.UTC)
	return int(t.Month()) != n[1] || t.Day() != n[2]
}
