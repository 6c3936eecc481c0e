package logfile

import (
	"encoding/csv"
	"math"
	"os"
	"regexp"
	"testing"
	"time"

	"pgregory.net/rapid"
)

// unixOf reads a date and time whose order is known.
func unixOf(text string, o dateOrder) (float64, bool) {
	s, ok := parseStamp([]byte(text))
	if !ok || s.impossible || !s.hasDate {
		return math.NaN(), false
	}
	d, ok := s.settle(o)
	return float64(d)*day + s.seconds - float64(s.offset), ok
}

func TestStamps(t *testing.T) {
	for _, c := range []struct {
		text string
		unix float64
		step float64
	}{
		// RFC 3339 5.8, as in clock_facts.csv; Unix times by the system's date.
		{"1985-04-12T23:20:50.52Z", 482196050.52, 0.01}, {"1996-12-19T16:39:57-08:00", 851042397, 1}, {"1990-12-31T23:59:60Z", 662688000, 1},
		{"1990-12-31T15:59:60-08:00", 662688000, 1}, {"1937-01-01T12:00:27.87+00:20", -1041337172.13, 0.01},
		{"2016-12-31T23:59:60Z", 1483228800, 1}, // the last leap second so far
		// clock_facts.csv: the first seconds that overflow
		{"2038-01-19T03:14:08Z", 1 << 31, 1}, {"2106-02-07T06:28:16Z", 1 << 32, 1}, {"2036-02-07T06:28:16Z", 2085978496, 1}, {"1970-01-01 00:00:00", 0, 1}, {"2000-02-29 00:00", 951782400, 60},
		{"2026-03-02", 1772409600, day}, {"2026/03/02 10:00:00", 1772445600, 1}, {"2026.03.02 10:00:00", 1772445600, 1}, {"20260302T100000Z", 1772445600, 1}, {"20260302 1000", 1772445600, 60},
		{"2026-03-02t10:00:00z", 1772445600, 1}, {"2026-03-02 10:00:00 +0100", 1772442000, 1}, {"2026-03-02 10:00:00 UTC", 1772445600, 1}, {"2026-03-02T10:00:00UTC+01:00", 1772442000, 1}, {"2026-03-02T10:00:00+01", 1772442000, 1},
		{"2026-03-02_10:00:00", 1772445600, 1}, {"2026-3-2 9:05", 1772442300, 60}, {"2026-03-02 10:00:00,250", 1772445600.25, 0.001}, {"2026-03-02 24:00:00", 1772496000, 1},
		{"2 Mar 2026 10:00:00", 1772445600, 1}, {"02-Mar-2026 10:00:00", 1772445600, 1}, {"02-Mar-26 10:00:00", 1772445600, 1}, {"Mar 2, 2026 10:00 AM", 1772445600, 60}, {"2. März 2026 10:00:00", 1772445600, 1},
		{"2 mars 2026 10:00:00", 1772445600, 1}, {"2026-Mar-02 10:00:00", 1772445600, 1}, {"2 déc. 2026 12:00:00 AM", 1796169600, 1}, {"1 août 2026 12:00 pm", 1785585600, 60},
	} {
		got, ok := unixOf(c.text, unsettled)
		s, _ := parseStamp([]byte(c.text))
		if !ok || math.Abs(got-c.unix) > 1e-6 || math.Abs(s.step-c.step) > 1e-12 {
			t.Errorf("%q: %.3f by %v (%v), want %.3f by %v", c.text, got, s.step, ok, c.unix, c.step)
		}
	}
	for _, c := range []struct {
		text string
		unix [4]float64 // unsettled, day first, month first, year first; NaN if there is no such day
	}{
		{"02/03/2026 10:00:00", [4]float64{math.NaN(), 1772445600, 1770112800, math.NaN()}},
		{"13/03/2026 10:00:00", [4]float64{math.NaN(), 1773396000, math.NaN(), math.NaN()}},
		{"02-03-26 10:00:00", [4]float64{math.NaN(), 1772445600, 1770112800, 1017136800}}, // the last is 2002-03-26
	} {
		for o := unsettled; o <= yearMonthDay; o++ {
			if got, _ := unixOf(c.text, o); got != c.unix[o] && !(math.IsNaN(c.unix[o]) && (math.IsNaN(got) || !ok(c.text, o))) {
				t.Errorf("%q %s: %.0f, want %.0f", c.text, o, got, c.unix[o])
			}
		}
	}
	for _, c := range []struct {
		text    string
		seconds float64
		step    float64
	}{{"00:00:10", 10, 1}, {"100:00:00.5", 360000.5, 0.1}, {"1d 02:03:04", 93784, 1}, {"2 days, 3:04:05", 183845, 1}, {"12:34", 45240, 60}, {"11:59:50 PM", 86390, 1}, {"12:00:00 a.m.", 0, 1}, {"999999:59:59", 3599999999, 1}} {
		if s, ok := parseStamp([]byte(c.text)); !ok || s.hasDate || s.seconds != c.seconds || s.step != c.step {
			t.Errorf("%q: %+v, %v", c.text, s, ok)
		}
	}
	for _, text := range []string{"2026-02-30 10:00:00", "2026-13-01", "1900-02-29", "2026-03-02 25:00:00", "2026-03-02 24:00:01", "2026-03-02 10:60:00", "2026-03-02 10:05:60", "0000-00-00 00:00:00", "31/02/2026"} {
		if s, ok := parseStamp([]byte(text)); !ok || !s.impossible {
			t.Errorf("%q: %+v, %v, want an impossible date", text, s, ok)
		}
	}
	for _, text := range []string{"", "12", "12.6", "-10:00", "2026-03", "10:0:0", "10:00:00:00", "2026-03-02T", "2026-03-02 x", "hello", "2165-165-165 165:165:85", "1.2.3", "2026-03-02 10:00:00 +99:00", "10:00:00x", "Mon 10:00"} {
		if s, ok := parseStamp([]byte(text)); ok {
			t.Errorf("%q: %+v, want none", text, s)
		}
	}
}

func ok(text string, o dateOrder) bool { _, ok := unixOf(text, o); return ok }

// clock_facts.csv (its sources stand in it) names instants; each that stands there in RFC 3339 must agree with package time.
func TestClockFacts(t *testing.T) {
	f, err := os.Open("testdata/clock_facts.csv")
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	rows, err := csv.NewReader(f).ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	n := 0
	form := regexp.MustCompile(`\d{4}-\d\d-\d\dT[\d:.]+(Z|[+-]\d\d:\d\d)`)
	for _, row := range rows {
		for _, text := range form.FindAllString(row[1], -1) {
			want, err := time.Parse(time.RFC3339, text)
			if err != nil { // a leap second, which package time refuses
				if want, err = time.Parse(time.RFC3339, regexp.MustCompile(`:60`).ReplaceAllString(text, ":59")); err != nil {
					t.Fatal(err)
				}
				want = want.Add(time.Second)
			}
			n++
			if got, ok := unixOf(text, unsettled); !ok || math.Abs(got-float64(want.UnixNano())/1e9) > 1e-6 {
				t.Errorf("%s: %q is %.3f, want %.3f", row[0], text, got, float64(want.UnixNano())/1e9)
			}
		}
	}
	if n < 5 {
		t.Errorf("%d instants", n)
	}
}

// Days and printed forms agree with package time over four centuries.
func TestStampsAgree(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		at := time.Unix(rapid.Int64Range(-6e9, 1e10).Draw(t, "unix"), 0).UTC()
		for _, layout := range []string{time.RFC3339, "2006-01-02 15:04:05", "2006/01/02 15:04:05", "2 Jan 2006 15:04:05", "Jan 2, 2006 3:04:05 PM", "20060102T150405Z", "02-Jan-2006 15:04:05"} {
			if got, ok := unixOf(at.Format(layout), unsettled); !ok || got != float64(at.Unix()) {
				t.Fatalf("%q: %v, want %d", at.Format(layout), got, at.Unix())
			}
		}
		if got, ok := unixOf(at.Format("02/01/2006 15:04:05"), dayMonth); !ok || got != float64(at.Unix()) {
			t.Fatalf("%v: %v", at, got)
		}
		if got, ok := unixOf(at.Format("1/2/2006 15:04:05"), monthDay); !ok || got != float64(at.Unix()) {
			t.Fatalf("%v: %v", at, got)
		}
		if text := dayText(int(math.Floor(float64(at.Unix()) / day))); text != at.Format("2 January 2006") {
			t.Fatalf("%v: %s", at, text)
		}
		minutes := rapid.IntRange(-14*60, 14*60).Draw(t, "offset")
		if got, ok := unixOf(at.In(time.FixedZone("", minutes*60)).Format(time.RFC3339), unsettled); !ok || got != float64(at.Unix()) {
			t.Fatalf("%v in %d: %v", at, minutes, got)
		}
	})
}

// FuzzStamp feeds any cell: no panic, and what is read lies in its ranges.
func FuzzStamp(f *testing.F) {
	for _, s := range []string{"2026-03-02T10:00:00.250+01:00", "25. Nov. 2026 10:00", "1d 02:03:04", "12:00:00 a.m.", "31/02/2026", "20260302T100000Z"} {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, text string) {
		s, ok := parseStamp([]byte(text))
		if !ok {
			return
		}
		if !(s.hasDate || s.hasTime) || s.step <= 0 || s.seconds < 0 || s.offset <= -86400 || s.offset >= 86400 || math.IsNaN(s.seconds) {
			t.Errorf("%q: %+v", text, s)
		}
		if s.hasDate && !s.impossible && s.hasTime && s.seconds > day {
			t.Errorf("%q: %+v", text, s)
		}
	})
}

// TestYearsOfTwoDigits: the C library's strptime takes 69 to 99 as 1969 to 1999 and 00 to 68 as 2000 to 2068 (POSIX, %y).
func TestYearsOfTwoDigits(t *testing.T) {
	for text, want := range map[string]int{"1-Jan-70": 0, "01-Jan-69": -365, "31-Dec-68": daysSince1970(2068, 12, 31), "02-Mar-26": daysSince1970(2026, 3, 2)} {
		s, ok := parseStamp([]byte(text))
		if day, settled := s.settle(dayMonth); !ok || !settled || day != want {
			t.Errorf("%s: day %d, %v, %v, want %d", text, day, ok, settled, want)
		}
	}
}

// TestDaysThatAreKnown: where it is known of which days a log can be, they settle which number is the day.
func TestDaysThatAreKnown(t *testing.T) {
	lines := []string{"time,V,A", "03/02/2026 08:40:01 AM,12.6,-1.4", "03/02/2026 08:40:11 AM,12.6,-1.4"}
	for want := range map[int]bool{daysSince1970(2026, 3, 2): true, daysSince1970(2026, 2, 3): true} {
		table, err := ParseLines(lines, Options{Day: func(d int) bool { return d == want }})
		if err != nil {
			t.Fatal(err)
		}
		if got := table.Find(Clock, 1).Value[0]; got != float64(want)*day+8*hour+40*60+1 {
			t.Errorf("%.0f, want day %d", got, want)
		}
	}
	// A log of none of them has a wrong date in any order.
	if _, err := ParseLines(lines, Options{Day: func(int) bool { return false }}); err != nil {
		t.Error(err)
	}
}
