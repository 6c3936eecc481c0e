package audit

import (
	"fmt"
	"math"
	"strings"
	"testing"
	"time"
)

// TestLogsThatContradictNothing: logs in which the audit once found a failure, or said something that is not so.
func TestLogsThatContradictNothing(t *testing.T) {
	var gap, lost, pulsed, lagging, trimmed strings.Builder
	head := func(b *strings.Builder) { b.WriteString("t (s),U (V),I (A),Q (Ah),E (Wh)\n") }

	// Two power cuts, the second 25 s after the first; each is counted at the last current, and only the header tells of it.
	q := 0.0
	life := func(b *strings.Builder, rows int) {
		head(b)
		for k := range rows {
			fmt.Fprintf(b, "%d,12.5,-2.8,%.5f,%.4f\n", 10*k, -q/3600, -q*12.5/3600)
			q += 28
		}
	}
	life(&gap, 200)
	q += 2.8 * 40
	life(&gap, 3)
	q += 2.8 * 40
	life(&gap, 200)

	// Eight rows were in memory when the power failed.
	q = 0
	life(&lost, 200)
	q += 28 * 8
	life(&lost, 200)

	// A load of 3 s a minute, which every sixth row meets.
	head(&pulsed)
	q, e := 0.0, 0.0
	for k := range 600 {
		i, v := 2.1, 12.4
		if k%6 == 0 {
			i, v = 8.4, 11.9
		}
		fmt.Fprintf(&pulsed, "%d,%.1f,%.1f,%.5f,%.4f\n", 10*k, v, -i, -q/3600, -e/3600)
		q, e = q+2.1*10, e+2.1*12.4*10
		if k%6 == 0 {
			q, e = q+6.3*3, e+(8.4*11.9-2.1*12.4)*3
		}
	}

	// The current shown is the median of the latest five readings, a row each second: the total is ahead of it.
	head(&lagging)
	q = 0
	for k := range 1000 {
		if k > 100 && k <= 900 {
			q += 1.4
		}
		shown := 0.0
		if k > 102 && k <= 902 {
			shown = -1.4
		}
		fmt.Fprintf(&lagging, "%d,%.3f,%.4f,%.5f,%.4f\n", k, 12.8+shown/10, shown, -q/3600, -q*12.66/3600)
	}

	// Numbers without the zeros at their end: 8.4 is 8.400 and says nothing of the count.
	head(&trimmed)
	q = 0
	for k := range 1000 {
		i := 0.0
		if k > 100 && k <= 900 {
			i = 8.4
		}
		q += i
		fmt.Fprintf(&trimmed, "%d,%g,%g,%g,%g\n", k, 12.8-i/20, -i, -q/3600, -q*(12.8-8.4/20)/3600)
	}

	// A net total that a word calls "used", and one beside a current without a sign.
	// Amounts that begin anew with each direction.
	var used, unsigned, parted, anew, ways, tester strings.Builder
	tester.WriteString("t (s),U (V),I (A),capacity (Ah)\n")     // counts what is drawn only
	ways.WriteString("t (s),U (V),I in (A),I out (A),Q (Ah)\n") // a column of current for each direction
	anew.WriteString("t (s),U (V),I (A),phase capacity (Ah)\n")
	amount, was := 0.0, 0.0
	used.WriteString("t (s),U (V),I (A),used (Ah)\n")
	unsigned.WriteString("t (s),U (V),I (A),Q (Ah)\n")
	parted.WriteString("t (s),U (V),I (A),in (Ah),out (Ah)\n")
	q, i, v := 0.0, 0.0, 12.8
	in, out := 0.0, 0.0
	for k := range 1500 {
		q += i * 10 // the reading before stands until this one
		fmt.Fprintf(&used, "%d,%.3f,%.3f,%.5f\n", 10*k, v, i, -q/3600)
		fmt.Fprintf(&unsigned, "%d,%.3f,%.3f,%.5f\n", 10*k, v, math.Abs(i), q/3600)
		fmt.Fprintf(&ways, "%d,%.3f,%.3f,%.3f,%.5f\n", 10*k, v, max(i, 0), max(-i, 0), q/3600)
		in, out = in+10*max(i, 0), out+10*max(-i, 0)
		fmt.Fprintf(&tester, "%d,%.3f,%.3f,%.5f\n", 10*k, v, math.Abs(i), out/3600)
		if i*was < 0 {
			amount = 0
		}
		if i != 0 {
			was = i
		}
		amount += 10 * math.Abs(i)
		fmt.Fprintf(&anew, "%d,%.3f,%.3f,%.5f\n", 10*k, v, i, amount/3600)
		fmt.Fprintf(&parted, "%d,%.3f,%.3f,%.5f,%.5f\n", 10*k, v, math.Abs(i), in/3600, out/3600)
		switch k + 1 {
		case 50:
			i, v = -3.525, 12.5
		case 600, 1400:
			i, v = 0, 12.3
		case 700:
			i, v = 2.815, 13.1
		}
		v += i * 2e-4
	}

	for name, log := range map[string]string{"used": used.String(), "unsigned": unsigned.String(), "parted": parted.String(), "anew": anew.String(), "ways": ways.String(), "tester": tester.String(), "gap counted": gap.String(), "rows lost": lost.String(), "pulsed": pulsed.String(), "lagging": lagging.String(),
		"trimmed": trimmed.String()} {
		for _, f := range run(t, strings.NewReader(log), Options{}).Findings {
			if f.Severity == "failure" || f.Cause == "coarse-count" && name == "trimmed" {
				t.Errorf("%s: %s: %s", name, f.Cause, f.Evidence)
			}
		}
	}
}

// TestTickRateOverWraps: a counter of unknown rate that wraps several times within the first rows, beside a clock of whole seconds.
func TestTickRateOverWraps(t *testing.T) {
	for every, rows := range map[float64]int{10: 300, 0.5: 3000} {
		var b strings.Builder
		b.WriteString("clock,tick,V,A,Ah\n")
		for k := range rows {
			at := every * float64(k)
			fmt.Fprintf(&b, "2026-03-02 %02d:%02d:%02d,%d,12.5,-3.5,%.6f\n", 8+int(at)/3600, int(at)/60%60, int(at)%60, (int(1000*at)+62000)%65536, -3.5*at/3600)
		}
		r := run(t, strings.NewReader(b.String()), Options{})
		if want := every * float64(rows-1); math.Abs(r.Duration-want) > 0.02*want || len(r.Findings) > 0 && r.Findings[0].Severity == "failure" {
			t.Errorf("rows of %g s: %g s, want %g s; %v", every, r.Duration, want, r.Findings)
		}
	}
}

// TestClockSetForward: a clock that is set forward is no time without power: the totals move by an interval as always.
func TestClockSetForward(t *testing.T) {
	for name, kept := range map[string]float64{"set": 35, "cut": 0} {
		var b strings.Builder
		b.WriteString("clock,V,A,Ah\n")
		q, at := 0.0, 0
		for k := range 300 {
			if k == 150 {
				at, q = at+1200, q-35+kept
			}
			fmt.Fprintf(&b, "2026-03-02 %02d:%02d:%02d,12.5,-3.5,%.6f\n", 8+at/3600, at/60%60, at%60, -q/3600)
			at, q = at+10, q+35
		}
		want := map[string]string{"set": "rtc-step", "cut": "restart"}[name]
		found := ""
		for _, f := range run(t, strings.NewReader(b.String()), Options{}).Findings {
			if f.Cause == "rtc-step" || f.Cause == "restart" || f.Severity == "failure" {
				found += f.Cause
			}
		}
		if found != want {
			t.Errorf("%s: found %s, want %s", name, found, want)
		}
	}
}

// TestClockSetForwardWithoutTotals: of a clock that was set back before nothing tells whether rows are missing where it goes forward; of one that was
// not, a gap is one.
func TestClockSetForwardWithoutTotals(t *testing.T) {
	for _, back := range []int{3000, 0} {
		var b strings.Builder
		b.WriteString("clock,V,A\n")
		for k, at := 0, 0; k < 500; k++ {
			switch k {
			case 150:
				at -= back
			case 300:
				at += 1200
			}
			fmt.Fprintf(&b, "2026-03-02 %02d:%02d:%02d,12.5,-3.5\n", 8+(at+3600)/3600, (at+3600)/60%60, (at+3600)%60)
			at += 10
		}
		failed := false
		for _, f := range run(t, strings.NewReader(b.String()), Options{}).Findings {
			failed = failed || f.Severity == "failure"
		}
		if failed == (back > 0) {
			t.Errorf("set back by %d s: fails %t", back, failed)
		}
	}
}

// TestPartedTotalsOfUnsignedCurrent: what two totals hold of a current without a sign must be all that flowed, each in its direction.
func TestPartedTotalsOfUnsignedCurrent(t *testing.T) {
	for name, weight := range map[string][4]float64{ // in and out of a charge, in and out of a discharge
		"right": {1, 0, 0, 1}, "in grows both ways": {1, 0, 1, 1}, "out is dropped": {1, 0, 0, 0},
	} {
		var b strings.Builder
		b.WriteString("t (s),U (V),I (A),in (Ah),out (Ah)\n")
		in, out, v := 0.0, 0.0, 12.8
		for k := range 1500 {
			i := 0.0
			switch {
			case k > 50 && k <= 600:
				i, in, out = -3.5, in+35*weight[2], out+35*weight[3]
			case k > 700 && k <= 1400:
				i, in, out = 2.8, in+28*weight[0], out+28*weight[1]
			}
			v += i * 2e-4
			fmt.Fprintf(&b, "%d,%.3f,%.3f,%.5f,%.5f\n", 10*k, v+i/20, math.Abs(i), in/3600, out/3600)
		}
		failed := false
		for _, f := range run(t, strings.NewReader(b.String()), Options{}).Findings {
			failed = failed || f.Severity == "failure"
		}
		if failed != (name != "right") {
			t.Errorf("%s: fails %t", name, failed)
		}
	}
}

// TestSwitchWithinAPrintedMinute: dates without seconds over rows of ten: in which of them the load was switched is not printed. What is lost
// at once is told all the same.
func TestSwitchWithinAPrintedMinute(t *testing.T) {
	for name, lost := range map[string]float64{"switched": 0, "lost": 0.1 * 3600} {
		var b strings.Builder
		b.WriteString("Date/time,V,A,Ah\n")
		q := 0.0
		for k := range 600 {
			i := 0.0
			if k > 64 && k <= 425 {
				i = -2.8
			}
			if q += i * 10; k == 300 {
				q += lost
			}
			fmt.Fprintf(&b, "2026-03-02 %02d:%02d,%.3f,%.3f,%.5f\n", 8+k/360, k/6%60, 12.8+i/10, i, q/3600)
		}
		failures := 0
		for _, f := range run(t, strings.NewReader(b.String()), Options{}).Findings {
			if f.Severity == "failure" {
				failures++
			}
		}
		if (failures > 0) != (lost > 0) {
			t.Errorf("%s: %d failures", name, failures)
		}
	}
}

// TestAdviceThatIsSo: energy that falls behind the product of a row's means, while the charge agrees, comes of no counter that runs fast; noise
// about zero is no load that was left on, nor a test for which the current is printed too coarsely.
func TestAdviceThatIsSo(t *testing.T) {
	var means, noise strings.Builder
	means.WriteString("time,U mean (V),I mean (A),Q (Ah),E (Wh)\n")
	noise.WriteString("time,U (V),I (A),Q (Ah)\n")
	when := func(s int) string { return fmt.Sprintf("2026-03-02 %02d:%02d:%02d", 8+s/3600, s/60%60, s%60) }
	q, e := 0.0, 0.0
	for k := range 200 { // 20 s in 70 s at 8.4 A, where the voltage sags by 0.1 V
		fmt.Fprintf(&means, "%s,%.4f,%.4f,%.5f,%.5f\n", when(70*k), (20*12.5+50*12.6)/70, -8.4*20/70, -q/3600, -e/3600)
		q, e = q+8.4*20, e+8.4*12.5*20
	}
	means.WriteString(when(70*200) + fmt.Sprintf(",12.6,0,%.5f,%.5f\n", -q/3600, -e/3600))
	q = 0
	for k := range 600 {
		i := 0.004 * []float64{1, -1, 0, 2, -1, -1, 1}[k*k%7]
		q += i * 10
		fmt.Fprintf(&noise, "%s,12.88,%.4f,%.6f\n", when(10*k), i, q/3600)
	}
	noise.WriteString(when(6000) + ",12.88,-0.0080,0.000000\n")
	// Round amperes beside volts from which zeros at the end are left out; the mean power of each row, where the load begins within it; the other
	// direction's amperes.
	var round, power, ways strings.Builder
	round.WriteString("t (s),U (V),I (A)\n")
	power.WriteString("t (s),U (V),I (A),P avg (W)\n")
	ways.WriteString("t (s),U (V),I charge (A),I discharge (A)\n")
	for k := range 200 {
		i, p := 0.0, 0.0
		switch {
		case k == 20:
			i, p = 3.5, 0.7*3.5*12.5
		case k > 20 && k < 180:
			i, p = 3.5, 3.5*12.5
		}
		fmt.Fprintf(&round, "%d,%g,%.1f\n", 10*k, 12.5-0.01*float64(k%7), -i)
		fmt.Fprintf(&power, "%d,12.5,%.3f,%.3f\n", 10*k, -i, -p)
		fmt.Fprintf(&ways, "%d,12.50,0.000,%.3f\n", 10*k, i)
	}
	for name, log := range map[string]string{"means": means.String(), "noise": noise.String(), "round": round.String(), "power": power.String(), "ways": ways.String()} {
		r := run(t, strings.NewReader(log), Options{})
		for _, f := range r.Findings {
			if f.Severity == "failure" || f.Cause == "tick-rate" || f.Cause == "unsafe-end" || f.Cause == "coarse-count" || f.Cause == "power-not-product" {
				t.Errorf("%s: %s: %s", name, f.Cause, f.Evidence)
			}
		}
		if notes := strings.Join(r.Notes, " "); strings.Contains(notes, "both hold") {
			t.Errorf("%s: %s", name, notes)
		}
	}
}

// testLog is a log of rests and a discharge: rows each 10 s from a second on, their totals from q on [A·s].
type testLog struct {
	strings.Builder
	began time.Time
}

// discharge writes a rest of ten minutes or more, a discharge at 1.4 A from a voltage on that falls by 2 V, and a rest.
func (l *testLog) discharge(at, rest, load int, from float64, row func(s int, v, i, q float64) string) {
	q := 0.0
	for k := range 2*rest + load {
		v, i := from, 0.0
		switch {
		case k >= rest+load:
			v = from - 1.8
		case k >= rest:
			v, i = from-0.1-2*float64(k-rest)/float64(load), -1.4
		}
		fmt.Fprintln(l, row(at+10*k, v, i, q))
		q += i * 10
	}
}

func (l *testLog) plain(s int, v, i, q float64) string {
	return fmt.Sprintf("%s,%.3f,%.3f,%.5f", l.began.Add(time.Duration(s)*time.Second).Format(time.DateTime), v, i, q/3600)
}

// TestSeveralTestsInOneLog: where a voltage comes back that no rest brings back, another test begins, and its totals do too. A power cut is none.
func TestSeveralTestsInOneLog(t *testing.T) {
	const two = 2 * 86400
	for name, tc := range map[string]struct {
		log  func(l *testLog)
		want string
	}{
		"charged meanwhile": {func(l *testLog) {
			l.discharge(0, 100, 1000, 12.8, l.plain)
			l.discharge(two, 100, 1000, 12.8, l.plain)
		}, ""},
		"without a rest behind the stop": {func(l *testLog) {
			l.discharge(0, 0, 1000, 12.8, l.plain)
			l.discharge(two, 0, 1000, 12.8, l.plain)
		}, ""},
		"another pack between two rows": {func(l *testLog) {
			l.discharge(0, 100, 1000, 12.8, l.plain)
			l.discharge(12000, 100, 1000, 12.8, l.plain)
		}, ""},
		"totals lost at rest, the pack the same": {func(l *testLog) {
			l.discharge(0, 100, 1000, 12.8, l.plain)
			for k := range 200 {
				fmt.Fprintln(l, l.plain(12000+10*k, 11.05, 0, 0))
			}
		}, "total-reset"},
		"without totals": {func(l *testLog) {
			short := func(s int, v, i, q float64) string {
				p := l.plain(s, v, i, q)
				return p[:strings.LastIndex(p, ",")] + ","
			}
			l.discharge(0, 100, 1000, 12.8, short)
			l.discharge(two, 100, 1000, 12.8, short)
		}, ""},
		"seconds of each test": {func(l *testLog) {
			l.Reset()
			l.WriteString("s,U (V),I (A),Q (Ah)\n")
			for range 2 {
				l.discharge(0, 100, 1000, 12.8, func(s int, v, i, q float64) string { return fmt.Sprintf("%d,%.3f,%.3f,%.5f", s, v, i, q/3600) })
			}
		}, ""},
		"a power cut right behind the stop": {func(l *testLog) {
			l.discharge(0, 10, 1000, 12.8, l.plain)
			for k := range 400 {
				fmt.Fprintln(l, l.plain(10200+700+10*k, 11.8, 0, 0))
			}
		}, "restart-loss"},
		"a power cut while the voltage recovers": {func(l *testLog) {
			l.discharge(0, 100, 1000, 12.8, l.plain)
			for k := range 400 {
				fmt.Fprintln(l, l.plain(12000+86400+10*k, 11.7, 0, 0))
			}
		}, "restart-loss"},
		"a power cut under load": {func(l *testLog) {
			l.discharge(0, 0, 500, 12.8, l.plain)
			l.discharge(5700, 0, 500, 11.9, l.plain)
		}, "restart-loss"},
	} {
		l := &testLog{began: time.Date(2026, 11, 25, 8, 0, 0, 0, time.UTC)}
		l.WriteString("time,U (V),I (A),Q (Ah)\n")
		tc.log(l)
		got := ""
		for _, f := range run(t, strings.NewReader(l.String()), Options{}).Findings {
			if f.Severity == "failure" && got == "" {
				got = f.Cause
			}
		}
		if got != tc.want {
			t.Errorf("%s: %q, want %q", name, got, tc.want)
		}
	}
}

// TestNotesThatAreSo: what is said of logs in which nothing is wrong.
func TestNotesThatAreSo(t *testing.T) {
	var unset, events, power, house, daily, turned, steps, amounts, float, rowMeans strings.Builder
	rowMeans.WriteString("time,avg V,avg A,Q (Ah),E (Wh)\n")
	float.WriteString("time,U (V),I (A),Q (Ah)\n")
	unset.WriteString("time,U (V),I (A),Q (Ah)\n")
	events.WriteString("time,U (V),I (A),Q (Ah),note\n")
	power.WriteString("time,U (V),P (W),E (Wh)\n")
	house.WriteString("time,U (V),I (A),Q (Ah)\n")
	daily.WriteString("time,U (V),I mean (A),Ah in today,Ah out today\n")
	turned.WriteString("time,U (V),I (A),Q (Ah)\n")
	steps.WriteString("step,step time (s),U (V),I (A),step Ah\n")
	amounts.WriteString("time,step,U (V),I (A),Ah\n")
	began := time.Date(2026, 11, 25, 8, 0, 0, 0, time.UTC)
	when := func(s int) string { return began.Add(time.Duration(s) * time.Second).Format(time.DateTime) }
	q, e := 0.0, 0.0
	for k := range 1000 {
		i := 0.0
		if k >= 50 && k < 950 {
			i = -1.4
		}
		v := 12.8 + 0.1*i - float64(k)*1e-3
		at := when(10 * k)
		if k < 12 {
			at = time.Date(2000, 1, 1, 0, 0, 10*k, 0, time.UTC).Format(time.DateTime)
		}
		fmt.Fprintf(&unset, "%s,%.3f,%.4f,%.5f\n", at, v, i, q/3600)
		if k == 50 {
			fmt.Fprintf(&events, "%s,,,,load on\n", when(10*k))
		}
		fmt.Fprintf(&events, "%s,%.3f,%.4f,%.5f,\n", when(10*k), v, i, q/3600)
		fmt.Fprintf(&power, "%s,%.3f,%.3f,%.4f\n", when(10*k), v, v*i, e/3600)
		fmt.Fprintf(&float, "%s,13.60,0.00,%.4f\n", when(600*k), 0.003*float64(k)/6)
		q, e = q+10*i, e+10*v*i
	}
	q = 0
	for k := range 1000 { // newest first
		fmt.Fprintf(&turned, "%s,%.3f,%.4f,%.5f\n", when(10*(1000-k)), 12.0+float64(k)*1e-3, -1.4, -float64(1000-k)*14/3600)
	}
	// Ten days of sun and of use at night; the charger goes on and off by the minute once the pack is full.
	q, in, out := 0.0, 0.0, 0.0
	for k := range 10 * 288 {
		i, full := -0.8, false
		switch h := k / 12 % 24; {
		case h >= 9 && h < 12:
			i = 4
		case h >= 12 && h < 16:
			i, full = []float64{3.3, -0.8, -0.8, -0.8, -0.8}[k%5], true
		}
		v := 12.6 + 0.05*i
		if k%288 == 0 {
			in, out = 0, 0
		}
		fmt.Fprintf(&house, "%s,%.2f,%.2f,%.2f\n", when(300*k), v, i, q/3600)
		mean := i
		if full {
			mean = 0
			in, out = in+2.4*150, out+2.4*150
		} else {
			in, out = in+max(i, 0)*300, out+max(-i, 0)*300
		}
		fmt.Fprintf(&daily, "%s,%.2f,%.2f,%.2f,%.2f\n", when(300*k-8*3600), v, mean, in/3600, out/3600)
		q += i * 300
	}
	// A third of each row at 3 A, the rest at -1.5 A, which nothing shows but the energy: 13.0 V and 12.55 V.
	for k := range 400 {
		fmt.Fprintf(&rowMeans, "%s,12.700,%.3f,%.4f,%.3f\n", when(600*k), []float64{0, -1.5}[min(k/300, 1)], -1.5/6*float64(max(0, k-300)),
			float64(min(k, 300))*(200*3*13-400*1.5*12.55)/3600-1.5/6*12.7*float64(max(0, k-300)))
	}
	// A tester prints the time and the amount of each step, the amount without a sign.
	at := 0
	for step, i := range []float64{0, -1.4, 0, 1.4, 0} {
		q = 0.0
		for k := range 600 {
			q += math.Abs(i) * 10
			fmt.Fprintf(&steps, "%d,%d,%.3f,%.4f,%.5f\n", step+1, 10*k, 12.6+i/10, i, q/3600)
			fmt.Fprintf(&amounts, "%s,%d,%.3f,%.4f,%.5f\n", when(at), step+1, 12.6+i/10, i+[]float64{0, 0.0004, -0.0003}[k%3], q/3600)
			at += 10
		}
	}
	for name, tc := range map[string]struct{ log, cause, note, not string }{
		"clock set from 2000":           {unset.String(), "rtc-step", "", "missing"},
		"rows of events":                {events.String(), "", "a time and no value", "bridged"},
		"watts without amperes":         {power.String(), "", "power over voltage", ""},
		"a float charge below one unit": {float.String(), "", "totals were not judged", "no totals"},
		"energy of rows of means":       {rowMeans.String(), "total-departs", "rows of means", "prove: with known"},
		"a house":                       {house.String(), "", "", "flickers"},
		"totals of each day":            {daily.String(), "", "", "midnight"},
		"newest first":                  {turned.String(), "disordered-rows", "", "total"},
		"time of each step":             {steps.String(), "", "time is that in each step", "supply"},
		"amount of each step, unsigned": {amounts.String(), "", "", "both-add"},
	} {
		r := run(t, strings.NewReader(tc.log), Options{})
		said, cause := strings.Join(r.Notes, " "), ""
		for _, f := range r.Findings {
			if f.Cause != "unsafe-end" {
				cause, said = f.Cause, said+" "+f.Cause+" "+f.Evidence+" "+f.Mend
			}
		}
		if cause != tc.cause || !strings.Contains(said, tc.note) || tc.not != "" && strings.Contains(said, tc.not) {
			t.Errorf("%s: %q, want %q: %s", name, cause, tc.cause, said)
		}
	}
}

// TestCapacityOfAPausedDischarge: what a discharge gave that did not begin full is no capacity, unless the pack was charged or another test begins.
func TestCapacityOfAPausedDischarge(t *testing.T) {
	for name, tc := range map[string]struct {
		second  func(l *testLog)
		level   float64
		atLeast bool
	}{
		"goes on where it was": {func(l *testLog) {
			l.discharge(6000+1800, 100, 700, 11.0, l.plain)
		}, 8.9, true},
		"another test": {func(l *testLog) {
			l.discharge(6000+86400, 100, 1000, 12.8, l.plain)
		}, 10.7, false},
	} {
		l := &testLog{began: time.Date(2026, 11, 25, 8, 0, 0, 0, time.UTC)}
		l.WriteString("time,U (V),I (A),Q (Ah)\n")
		l.discharge(0, 100, 400, 12.8, l.plain)
		tc.second(l)
		r := run(t, strings.NewReader(l.String()), Options{Cutoff: tc.level})
		if _, atLeast := r.Capacity(); atLeast != tc.atLeast {
			t.Errorf("%s: at least %v: %v", name, atLeast, r.Notes)
		}
	}
}

// TestCounterThatSaysItWraps: a total that ends at 2^16 units does so by a mistake, unless its header says it.
func TestCounterThatSaysItWraps(t *testing.T) {
	for header, want := range map[string]string{"mAh": "total-overflow", "mAh (wraps at 65536)": ""} {
		var b strings.Builder
		fmt.Fprintf(&b, "s,U (V),I (A),%s\n", header)
		q := 0.0
		for k := range 1500 {
			i := 0.0
			if k >= 50 && k < 1450 {
				i = 20
			}
			fmt.Fprintf(&b, "%d,%.3f,%.2f,%d\n", 10*k, 12.8-0.001*float64(k)-i/100, i, int(q)%65536)
			q += i * 10 / 3.6
		}
		got := ""
		for _, f := range run(t, strings.NewReader(b.String()), Options{}).Findings {
			if f.Severity == "failure" {
				got = f.Cause
			}
		}
		if got != want {
			t.Errorf("%s: %q, want %q", header, got, want)
		}
	}
}
