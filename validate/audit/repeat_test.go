package audit

import (
	"fmt"
	"math"
	"strings"
	"testing"
)

// causes are the names found, and how much charge the log is said to hold [A·s].
func causes(t *testing.T, log string) (names string, out float64) {
	t.Helper()
	r := run(t, strings.NewReader(log), Options{})
	for _, f := range r.Findings {
		names += f.Cause + " "
	}
	return names, r.In + r.Out
}

// TestRowsWrittenAgain: a block of rows that is in the file twice, as after a download that began again too early, is left out of the sums.
// A clock that was set back shows its seconds again too; those rows are others.
func TestRowsWrittenAgain(t *testing.T) {
	rows := func(format string, set int) (all []string) {
		q, at := 0.0, 0
		for k := range 400 {
			i := 0.0
			if k >= 200 {
				i = -3.5
			}
			q += i * 10
			if k == 150 {
				at -= set
			}
			all = append(all, fmt.Sprintf(format, 8+at/3600, at/60%60, at%60, 10000*k, 12.8-q/-1e5, i, q/3600))
			at += 10
		}
		return all
	}
	const clock, both = "2026-03-02 %02d:%02d:%02d,%[5]f,%[6]f,%.6[7]f", "2026-03-02 %02d:%02d:%02d,%d,%f,%f,%.6f"
	for name, c := range map[string]struct {
		head, format string
		set          int
		again        [2]int // this block is written once more, behind its end
		want         string
	}{
		"tick":       {"clock,tick,V,A,Ah", both, 0, [2]int{250, 280}, "duplicate-rows "},
		"clock":      {"clock,V,A,Ah", clock, 0, [2]int{250, 280}, "duplicate-rows "},
		"rest, tick": {"clock,tick,V,A,Ah", both, 0, [2]int{50, 80}, "duplicate-rows "},
		"to rest":    {"clock,V,A,Ah", clock, 0, [2]int{100, 300}, "duplicate-rows "},
		"set back":   {"clock,V,A,Ah", clock, 1200, [2]int{}, "rtc-step "},
	} {
		all := rows(c.format, c.set)
		text := append(append(append([]string{c.head}, all[:c.again[1]]...), all[c.again[0]:c.again[1]]...), all[c.again[1]:]...)
		found, out := causes(t, strings.Join(text, "\n")+"\n")
		found = strings.ReplaceAll(found, "unsafe-end ", "") // the load is still on in the last row
		if found != c.want || math.Abs(out-200*35) > 36 {
			t.Errorf("%s: found %s and %.0f A·s, want %s and %d", name, found, out, c.want, 200*35)
		}
	}
}

// TestEnergyOfBothDirections: energy that grows both ways beside a charge that is a net total; beside one that grows both ways it is meant.
func TestEnergyOfBothDirections(t *testing.T) {
	for head, want := range map[string]string{"t (s),U (V),I (A),Q (Ah),E (Wh)": "both-add ", "t (s),U (V),I (A),E (Wh)": ""} {
		var b strings.Builder
		b.WriteString(head + "\n")
		q, e, v := 0.0, 0.0, 12.5
		for k := range 1000 {
			i := 0.0
			switch {
			case k > 50 && k < 500:
				i = -2.5
			case k > 550 && k < 900:
				i = 2.5
			}
			q, e = q+i*10, e+math.Abs(i*v*10)
			fmt.Fprintf(&b, "%d,%.3f,%.3f", 10*k, v, i)
			if strings.Contains(head, "Q") {
				fmt.Fprintf(&b, ",%.5f", q/3600)
			}
			fmt.Fprintf(&b, ",%.4f\n", e/3600)
		}
		found, _ := causes(t, b.String())
		if strings.Contains(found, "both-add") != (want != "") {
			t.Errorf("%s: found %q, want %q", head, found, want)
		}
	}
}

// TestResetAtMidnight: the same fall of the totals has a name of its own in the first row of a day.
func TestResetAtMidnight(t *testing.T) {
	for start, want := range map[int]string{86400 - 1500: "midnight-reset", 43200 - 1500: "total-reset"} {
		var b strings.Builder
		b.WriteString("clock,V,A,Ah\n")
		q := 0.0
		for k := range 300 {
			if k == 150 {
				q = 0
			}
			at := start + 10*k
			fmt.Fprintf(&b, "2026-03-%02d %02d:%02d:%02d,12.5,-3.5,%.6f\n", 2+at/86400, at/3600%24, at/60%60, at%60, -q/3600)
			q += 35
		}
		if found, _ := causes(t, b.String()); !strings.Contains(found, want) {
			t.Errorf("reset at %d s of the day: found %s, want %s", (start+1500)%86400, found, want)
		}
	}
}

// TestSecondsInThirtyTwoBits: a date that falls by 2^32 s is no clock that somebody set.
func TestSecondsInThirtyTwoBits(t *testing.T) {
	for by, want := range map[int64]string{1 << 32: "epoch-2038", 1 << 31: "rtc-step"} {
		var b strings.Builder
		b.WriteString("unix,tick,V,A,Ah\n")
		for k := range int64(300) {
			clock := 1<<31 - 1500 + 10*k
			if clock >= 1<<31 {
				clock -= by
			}
			fmt.Fprintf(&b, "%d,%d,12.5,-3.5,%.6f\n", clock, 10000*k, -35*float64(k)/3600)
		}
		if found, _ := causes(t, b.String()); !strings.Contains(found, want) || strings.Contains(found, "epoch-2038") != (want == "epoch-2038") {
			t.Errorf("clock falls by %d s: found %s, want %s", by, found, want)
		}
	}
}

// TestRowsOfNothing: 0 V and 0 A in the middle of a load. At the end of a discharge they are a pack that switched itself off.
func TestRowsOfNothing(t *testing.T) {
	for name, back := range map[string]int{"goes on": 160, "switched off": 400} {
		var b strings.Builder
		b.WriteString("t (s),V,A,Ah\n")
		q := 0.0
		for k := range 300 {
			v, i := 12.5-float64(k)*1e-3, -3.5
			if k >= 150 && k < back {
				v, i = 0, 0
			}
			q += i * 10
			fmt.Fprintf(&b, "%d,%.3f,%.3f,%.6f\n", 10*k, v, i, q/3600)
		}
		if found, _ := causes(t, b.String()); strings.Contains(found, "failed-reading") != (name == "goes on") {
			t.Errorf("%s: found %s", name, found)
		}
	}
}

// TestDatesThatNoCalendarHas: they are no broken rows, and the sums go on over them.
func TestDatesThatNoCalendarHas(t *testing.T) {
	var b strings.Builder
	b.WriteString("clock,V,A,Ah\n")
	for k := range 360 {
		at := 86400 - 1200 + 10*k
		day := "2026-09-30"
		if at >= 86400 {
			if day = "2026-09-31"; k >= 240 {
				day = "2026-10-01"
			}
		}
		fmt.Fprintf(&b, "%s %02d:%02d:%02d,12.5,-3.5,%.6f\n", day, at/3600%24, at/60%60, at%60, -35*float64(k)/3600)
	}
	if found, _ := causes(t, b.String()); !strings.HasPrefix(found, "wrong-date coarse") {
		t.Errorf("found %q", found)
	}
}

// TestJumpOfAWrap: what flows in 2^32 ms is added at a wrap; the ratio of energy and charge across it is no nominal voltage.
func TestJumpOfAWrap(t *testing.T) {
	for seconds, want := range map[float64]string{4294967.296: "tick-wrap tick-wrap ", 4000000: "total-jumps total-jumps "} {
		var b strings.Builder
		b.WriteString("clock,V,A,Ah,Wh\n")
		q, e := 0.0, 0.0
		for k := range 1000 {
			v := 12.8 - 2e-3*float64(k)
			if k == 300 {
				q, e = q+3.5*seconds, e+3.5*v*seconds
			}
			fmt.Fprintf(&b, "2026-03-02 %02d:%02d:%02d,%.3f,-3.5,%.5f,%.4f\n", 8+k/360, k/6%60, k*10%60, v, -q/3600, -e/3600)
			q, e = q+35, e+35*v
		}
		if found, _ := causes(t, b.String()); !strings.HasPrefix(found, want) {
			t.Errorf("%.0f s more: found %q, want %q", seconds, found, want)
		}
	}
}

// TestTotalThatStandsStill: a float of 24 bits loses steps beside a large total, a threshold at any.
func TestTotalThatStandsStill(t *testing.T) {
	for at, want := range map[float64]string{0: "dead-band ", 2000: "float32-stall "} {
		var b strings.Builder
		b.WriteString("t (s),V,A,Ah\n")
		for k := range 2000 {
			i, q := 0.02, at
			if k >= 1500 {
				i, q = 2, at+float64(k-1500)*20/3600
			}
			fmt.Fprintf(&b, "%d,12.5,%.3f,%.5f\n", 10*k, -i, -q)
		}
		if found, _ := causes(t, b.String()); !strings.HasPrefix(found, want) {
			t.Errorf("still at %g Ah: found %q, want %q", at, found, want)
		}
	}
}

// TestTotalsBehindAGap: rows are missing for as long as a board needs to start again, and the totals begin anew, or twice.
func TestTotalsBehindAGap(t *testing.T) {
	for factor, want := range map[float64]string{0: "restart-loss missing-rows ", 1: "missing-rows ", 2: "restart-double missing-rows "} {
		var b strings.Builder
		b.WriteString("clock,V,A,Ah\n")
		q := 0.0
		for k := range 400 {
			if k == 200 {
				q *= factor
			}
			if k < 200 || k > 204 {
				fmt.Fprintf(&b, "2026-03-02 %02d:%02d:%02d,12.5,-3.5,%.6f\n", 8+k/360, k/6%60, k*10%60, -q/3600)
			}
			q += 35
		}
		if found, _ := causes(t, b.String()); !strings.HasPrefix(found, want) {
			t.Errorf("times %g: found %q, want %q", factor, found, want)
		}
	}
}

// TestMistakesThatShowInALog: each beside the same log without it, in which nothing is found.
func TestMistakesThatShowInALog(t *testing.T) {
	for name, tc := range map[string]struct {
		row  func(k int, date, q, e string, x [2]float64, meanV float64) string
		want string
	}{
		"none": {nil, ""},
		"a calendar without 29 Feb": {func(k int, date, q, e string, x [2]float64, v float64) string {
			return strings.Replace(date, "02-29", "03-01", 1)
		}, "wrong-date"},
		"a year that goes on": {func(k int, date, q, e string, x [2]float64, v float64) string {
			return strings.Replace(date, "2028-02-29", "2027-02-28", 1)
		}, "wrong-date"},
		"no energy in some rows": {func(k int, date, q, e string, x [2]float64, v float64) string {
			if k%60 == 7 {
				return date + q + ","
			}
			return ""
		}, "broken-row"},
		"milliwatt-hours": {func(k int, date, q, e string, x [2]float64, v float64) string {
			return fmt.Sprintf("%s%s,%.6f", date, q, x[1]/1000)
		}, "unit-factor"},
		"15 bits": {func(k int, date, q, e string, x [2]float64, v float64) string {
			return fmt.Sprintf("%s%s,%.3f", date, q, math.Mod(x[1], 32.768))
		}, "total-overflow"},
		"the mean of all volts": {func(k int, date, q, e string, x [2]float64, v float64) string {
			return fmt.Sprintf("%s%s,%.3f", date, q, x[0]*v)
		},
			"mean-energy"},
		"tenths of an ampere-hour": {func(k int, date, q, e string, x [2]float64, v float64) string {
			return fmt.Sprintf("%s%.1f,%s", date, x[0], e)
		}, "clumsy-number"},
	} {
		var b strings.Builder
		b.WriteString("clock,V,A,Ah,Wh\n")
		var x [2]float64
		sum := 0.0
		for k := range 720 {
			at := 86400 - 1800 + 10*k
			i, v := 3.5, 12.8-math.Sqrt(float64(k))/15
			if k > 300 {
				i = 1
			}
			if k == 0 || k == 719 {
				i = 0
			}
			sum += v
			date := fmt.Sprintf("2028-02-%02d %02d:%02d:%02d,%.3f,%.3f,", 28+at/86400, at/3600%24, at/60%60, at%60, v, i)
			q, e := fmt.Sprintf("%.5f", x[0]), fmt.Sprintf("%.4f", x[1])
			line := date + q + "," + e
			if tc.row != nil {
				if l := tc.row(k, date, q, e, x, sum/float64(k+1)); l != "" {
					if line = l; strings.HasSuffix(l, v2(i)) {
						line += q + "," + e
					}
				}
			}
			b.WriteString(line + "\n")
			x[0], x[1] = x[0]+i*10/3600, x[1]+i*v*10/3600
		}
		found, _ := causes(t, b.String())
		if tc.want == "" && found != "" || !strings.Contains(found, tc.want) {
			t.Errorf("%s: found %q, want %q", name, found, tc.want)
		}
	}
}

// v2 is how a row's date, volts and amperes end.
func v2(i float64) string { return fmt.Sprintf(",%.3f,", i) }
