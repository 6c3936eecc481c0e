package cause_test

import (
	"fmt"
	"math"
	"strconv"
	"strings"
	"testing"
	"time"

	"stuntcell/model/outside"
	"stuntcell/validate/cause"
)

// Constants of the default rig shop-50a: one count, and the last one.
const (
	count   = 6e-6 / 1.5e-3 // [A]
	lastOne = 13653
)

// TestCostsAreComputed recomputes every number of every page's costs. What is left of a text when the computed phrases are
// taken out may hold no digit, so that no number stands there unchecked.
func TestCostsAreComputed(t *testing.T) {
	fact := column(t, "../../emulator/rig/testdata/clock_facts.csv", 1)
	sum := column(t, "../loggers/testdata/float32_accumulation.csv", 2)
	off := column(t, "../loggers/testdata/float32_accumulation.csv", 4)
	mean := column(t, "../../emulator/rig/testdata/integration_aliasing.csv", 3)
	const wrap = 4294967296e-3 // of a 32-bit millisecond counter [s]
	const hour, day = 3600.0, 86400.0
	ah := func(amps, seconds float64) float64 { return amps * seconds / hour }
	percent := func(part, whole float64) float64 { return 100 * part / whole }
	f := fmt.Sprintf
	small := -350 // [mA]
	computed := map[string][]string{
		"tick-wrap": {
			"A 32-bit", f("after %s.", before(fact["2^32 ms"], " = ")), f("5 A x %.3f s = %.0f Ah", wrap, ah(5, wrap)),
			f("after %s and costs %.3f Ah", before(fact["2^32 us"], " = "), ah(5, wrap/1000)), f("5 A for 1 s, %.3f mAh", 1e3*ah(5, 1))},
		"signed-tick": {
			f("2^31 ms are %s.", fact["2^31 ms"]), f("1.4 A x %.3f s = %.0f Ah", wrap, ah(1.4, wrap))},
		"first-interval": {
			"running for 35 d", f("3.5 A x 35 d = %.0f Ah", ah(3.5, 35*day)), f("1.5 s ago, adds %.3f mAh", 1e3*ah(3.5, 1.5))},
		"narrow-interval": {
			f("70 s are 70000 ms and become %d ms", low16(70_000)), f("1 h becomes %d ms", low16(3_600_000)),
			f("40 s with a sign become %d ms", int16(low16(40_000))), f("90 s counts as %d ms", low16(90_000)),
			f("3.5 A loses %.1f mAh", 1e3*ah(3.5, 90-float64(low16(90_000))/1000))},
		"schedule-creep": {
			f("A loop of 0.7 s first passes 10 s at %.1f s", math.Ceil(10/0.7)*0.7),
			f("Of %.0f rows in 8 h, %.0f are", 8*hour/10, 8*hour/10-8*hour/10.5), f("%.1f %% are left", percent(10, 10.5)), "below 98 %"},
		"nominal-dt": {
			f("1.35 s that counts as 1 s loses %.1f %%", percent(0.35, 1.35)), f("90 s that counts as 1 s at 3.5 A loses %.1f mAh", 1e3*ah(3.5, 89))},
		"truncated-dt": {
			f("1.9 s count as 1 s and lose %.1f %%", percent(0.9, 1.9)),
			f("1 s give or take 50 ms count as 1 s or as 0 s in turn and lose %.1f %%", 100*(1-truncatedMean(0.95, 1.05)))},
		"rtc-as-dt": {
			f("0.3 s of each second at 7 A draws %.1f A", 0.3*7), f("as 7 A, %.2f times", 1/0.3)},
		"rtc-trusting": {
			f("back by 50 min takes 2.8 A x 50 min = %.3f Ah", ah(2.8, 50*60)), f("for %.0f rows of 10 s", 50*60/10.0)},
		"gain": {
			f("1.5 mohm and has 1.53 mohm makes each current %.1f %%", percent(1.53-1.5, 1.5)), f("6.3 Ah read %.3f Ah", 6.3*1.53/1.5)},
		"offset": {
			f("5 counts of %.0f mA are %.0f mA", 1e3*count, 5e3*count), f("In 20 h they make %.1f Ah, which is %.1f %% of a 7 Ah", ah(5*count, 20*hour), percent(ah(5*count, 20*hour), 7))},
		"unit-factor": {
			f("7 Ah are %.0f A s", 7*hour), f("by 60 they read %.0f Ah", 7*hour/60), f("by 1000 they read %.1f Ah", 7*hour/1000), f("is %.1f times", hour/1000)},
		"sign": {
			f("14.0 Wh out and 14.6 Wh in, the net is %.1f Wh", 14.6-14), f("reads %.1f Wh", 14.6+14),
			f("-0.350 A as %d.%03d A", small/1000, -small%1000)},
		"both-add": {
			f("3.5 A out for 20 min and 1.75 A in for 40 min leave %.0f Ah", ah(1.75, 2400)-ah(3.5, 1200)), f("reads %.3f Ah", ah(1.75, 2400)+ah(3.5, 1200))},
		"one-way":   {f("6.3 Ah out and 6.9 Ah in, the net is %.1f Ah", 6.9-6.3), f("still reads %.1f Ah", -6.3)},
		"dead-band": {f("20 mA under a threshold of 30 mA for 8 h are %.2f Ah", ah(0.02, 8*hour))},
		"truncated-sum": {
			f("1.4 A for 1 s are %.2f uAh, of which %.0f count: %.2f %% is lost", ah(1.4, 1)*1e6, math.Floor(ah(1.4, 1)*1e6), percent(frac(ah(1.4, 1)*1e6), ah(1.4, 1)*1e6)),
			f("20 mA, %.2f uAh a second, %.0f count: %.1f %% is lost", ah(0.02, 1)*1e6, math.Floor(ah(0.02, 1)*1e6), percent(frac(ah(0.02, 1)*1e6), ah(0.02, 1)*1e6))},
		"float32-stall": {
			f("0.1 A at 0.1 s for 20 h read %.4f Ah instead of 2 Ah (%.2f %%)", number(t, sum, "0.1 A at 0.1 s in Ah for 20 h"), 100*number(t, off, "0.1 A at 0.1 s in Ah for 20 h")),
			f("1 A at 0.01 s for 10 h read %.2f Ah (%+.2f %%)", number(t, sum, "1 A at 0.01 s in Ah for 10 h"), 100*number(t, off, "1 A at 0.01 s in Ah for 10 h")),
			f("5 A at 1 s for 20 h are off by %.3f %%", 100*number(t, off, "5 A at 1 s in Ah for 20 h")),
			f("1 A at 1 s stops for good at %.0f Ah", number(t, sum, "1 A at 1 s in Ah until it stagnates"))},
		"rounded-sum": {
			f("0.35 A for 2 s are %.4f mAh. Kept in 0.1 mAh that is %.1f mAh each time, %.1f %%", 1e3*ah(0.35, 2), math.Round(1e4*ah(0.35, 2))/10, percent(math.Round(1e4*ah(0.35, 2))/10, 1e3*ah(0.35, 2))-100),
			f("0.15 A for 1 s are %.4f mAh and count as %.1f mAh", 1e3*ah(0.15, 1), math.Round(1e4*ah(0.15, 1))/10)},
		"total-overflow": {
			f("%.0f mA times milliseconds fill 32 bits with a sign at %.3f Ah", 1e3*count, ah(math.Exp2(31)*count/1000, 1)),
			f("uA s at %.4f Ah", ah(math.Exp2(31)/1e6, 1)), f("10 mW times milliseconds at %.3f Wh", math.Exp2(31)*0.01/1000/hour),
			f("At 5 A the first is reached after %.0f s", math.Exp2(31)*count/1000/5)},
		"row-rate-sum": {
			f("5.6 A for 2 s of each 7 s and 0.28 A for the rest are %.1f A", pulse(5.6, 0.28, 2, 7)),
			f("Rows of 70 s fall at the same place of each pulse and count 5.6 A, %.2f times too much, or 0.28 A, %.3f times", 5.6/pulse(5.6, 0.28, 2, 7), 0.28/pulse(5.6, 0.28, 2, 7))},
		"mean-energy": {
			f("2 s at 5.6 A and 11.9 V and 5 s at 0.28 A and 12.5 V are %.2f W", pulse(5.6*11.9, 0.28*12.5, 2, 7)),
			f("%.2f V and %.2f A, is %.2f W, %.1f %%", pulse(11.9, 12.5, 2, 7), pulse(5.6, 0.28, 2, 7), pulse(11.9, 12.5, 2, 7)*pulse(5.6, 0.28, 2, 7),
				percent(pulse(11.9, 12.5, 2, 7)*pulse(5.6, 0.28, 2, 7), pulse(5.6*11.9, 0.28*12.5, 2, 7))-100)},
		"nominal-voltage": {
			f("7 Ah at a mean of 11.8 V are %.1f Wh; at 12 V they would be %.1f Wh, %.1f %%", 7*11.8, 7*12.0, percent(12, 11.8)-100),
			f("at 10.5 V, each step is %.1f %%", percent(12, 10.5)-100)},
		"stale-reading": {f("2 readings of 1 s late at a step from 1.4 A to 6.3 A put %.2f mAh", 1e3*ah(6.3-1.4, 2)), "2 s late"},
		"setting-jump": {
			f("After 20 min at 3.5 A, %.3f Ah", ah(3.5, 1200)), f("a row of 10 s and read with rows of 4 s, they become %.3f Ah", ah(3.5, 1200)*4/10)},
		"midnight-reset": {
			f("20 h that begins at 10:00 loses the %d h", 24-10), f("at 0.35 A, %.1f Ah of %.0f Ah", ah(0.35, 14*hour), ah(0.35, 20*hour))},
		"failed-reading": {
			f("120 s that count as zero at 3.5 A lose %.3f Ah", ah(3.5, 120)), f("%d counts of %.0f mA, they put %.3f Ah", lastOne, 1e3*count, ah(lastOne*count, 120))},
		"missing-rows":    {f("10 rows of 10 s that is not written at the end hides the last %d s; at 3.5 A those are %.1f mAh", 10*10, 1e3*ah(3.5, 100))},
		"duplicate-rows":  {f("10 rows that begins with the last of the one before writes %.1f %%", percent(10, 9)-100)},
		"disordered-rows": {f("Of 8 rows 10 s apart, written four and four in the wrong turn, the steps from row to row add up to %.0f s instead of 80 s if their sign is dropped: %.2f times", disorder(), disorder()/80)},
		"broken-row":      {f("55 bytes cut at each end of a 512-byte sector spoil one row in %.1f", 512/55.0)},
		"clumsy-number": {
			f("0.01 Ah is %.2f %% of 7 Ah", percent(0.01, 7)), f("%.1f %% of the %.1f mAh that 0.7 A make in 4 min", percent(0.01, ah(0.7, 240)), 1e3*ah(0.7, 240))},
		"card-loss":        {f("6 min at 3.5 A while nothing is counted costs %.2f Ah, %.1f %% of a 7 Ah", ah(3.5, 360), percent(ah(3.5, 360), 7))},
		"silent-card-loss": {f("6 min of rows every 10 s are %d rows", 360/10)},
		"restart-loss":     {f("30 min at 2.8 A loses %.1f Ah", ah(2.8, 1800)), f("may be %.1f Ah", ah(2.8, hour))},
		"restart-double":   {f("1.4 Ah at the cut become %.1f Ah", 2*1.4), f("ends at %.1f Ah instead of %.1f Ah, %.0f %%", 3*1.4, 2*1.4, percent(3*1.4, 2*1.4)-100)},
		"latch-lost":       {f("7 A for 10 min are %.3f Ah", ah(7, 600))},
		"local-time":       {f("holds %.0f rows of 10 s", hour/10), f("1.75 A x 1 h = %.2f Ah", ah(1.75, hour))},
		"wrong-date":       {"of 20 h", "missing 29 February", f("make it %d h", 20+24)},
		"epoch-2038": {
			f("%s, is printed as %s: %.0f s or %.1f years", before(fact["2^31 s after 1970"], " is"), time.Unix(-1<<31, 0).UTC().Format(time.RFC3339), math.Exp2(32), math.Exp2(32)/(365.25*day))},
		"cutoff-late":  {f("90 s at 7 A take %.0f mAh below the end of the test, %.1f %% of a 7 Ah", 1e3*ah(7, 90), percent(ah(7, 90), 7))},
		"cutoff-early": {f("7 Ah pack at 45 %% makes a capacity of %.2f Ah", 0.45*7)},
		"cutoff-never": {f("10.5 V over 6 cells are %.2f V a cell", 10.5/6), f("At 7 A each further minute takes %.0f mAh", 1e3*ah(7, 60))},
		"cutoff-chatter": {
			f("On for 5 s of each 30 s at 7 A, it takes %.2f Ah", ah(7*5/30.0, hour))},
		"cutoff-wrong-level": {f("4 %% applied to a level of 10.5 V makes it %.2f V, %.2f V", 10.5*1.04, 10.5*0.04)},
		"charge-late":        {f("140 mA adds %.0f mAh", 1e3*ah(0.14, 1800))},
		"charge-never":       {f("0.42 A for a day are %.1f Ah into a full 7 Ah", ah(0.42, day))},
		"charge-wrong-level": {
			f("From 1.75 A to a taper of 0.14 A with a time constant of 1 h, the tail holds %.2f Ah, %.0f %% of a 7 Ah", ah(1.75-0.14, hour), percent(ah(1.75-0.14, hour), 7))},
		"load-left-on":   {f("3.5 A for a night of 8 h are %.0f Ah, from a pack that holds 7 Ah", ah(3.5, 8*hour))},
		"hang":           {f("100 rows of 10 s that nobody empties is full after %d s", 100*10), f("at 7 A, a night of 8 h takes %.0f Ah", ah(7, 8*hour))},
		"crash":          {"a minute and 30 min", f("the %dst", 30+1)},
		"garbled-output": {f("40 bytes takes %.1f ms of each second at 9600 baud", 1e3*40*10/9600.0)}, // a start bit, eight and a stop bit
		"shunt-gain":     {f("1.5 %% above its label makes 6.3 Ah read %.2f Ah", 6.3*1.015)},
		"zero-offset":    {f("18 uV across 1.5 mohm are %.0f mA", 18e-3/1.5e-3), f("In 20 h they make %.2f Ah, %.1f %% of a 7 Ah", ah(0.012, 20*hour), percent(ah(0.012, 20*hour), 7))},
		"clipped": {
			f("3000 counts of %.0f mA is %.0f A", 1e3*count, 3000*count), f("21 A for 10 s in each minute, %.0f mAh", 1e3*ah(21-12, 10)),
			f("2.1 A in between, %.1f %%", percent((21-12)*10/60.0, pulse(21, 2.1, 10, 60)))},
		"aliased": {
			f("%.3f of it, for good: of 30 %% ripple on 5.6 A, that is %.2f A", number(t, mean, "1"), 0.3*5.6*number(t, mean, "1")),
			f("At 1.1 periods a reading the mean of 60 readings is %.3f of it", number(t, mean, "1.1"))},
		"lead-drop": {f("60 mohm at 7 A are %.2f V, %.1f %% of 12 V", 0.06*7, percent(0.06*7, 12))},
		"burden": {
			f("20 mohm at 7 A are %.2f V, %.1f %% of 12 V", 0.02*7, percent(0.02*7, 12)), f("1.5 mohm at 7 A are %.1f mV, %.2f %% of 12 V", 1.5*7, percent(0.0015*7, 12))},
		"own-draw": {f("45 mA beside a test current of 700 mA are %.1f %%", percent(45, 700)), f("in 20 h they take %.1f Ah", ah(0.045, 20*hour))},
		"bypass":   {f("2 %% of 6.3 Ah around the shunt leave %.3f Ah", 6.3*0.98)},
		"tick-rate": {
			f("%s a day, and %.0f mAh of 7 Ah", strings.NewReplacer(" % = ", " % off is ", "/day", "").Replace(strings.TrimSuffix(fact["ceramic resonator"], "/day")), 7e3*0.005),
			f("30 ppm off is %.2f s a day, and %.2f mAh", 30*perDay(t, fact), 7e3*30e-6)},
		"rtc-rate": {
			f("1 ppm is %g s a day", perDay(t, fact)), f("900 ppm are %.1f s a day", 900*perDay(t, fact)),
			f("the 45 ppm of a usual clock in the heat are %s", strings.Replace(after(fact["worked example: 20 ppm initial + k=-0.04 with T0=20 at 45 C"], "45 ppm total; "), "31 d", "31 d", 1))},
		"rtc-step":     {f("4 s makes rows of 10 s stand %d s and %d s apart", 10-4, 10+4), f("%.2f mAh at 2.8 A", 1e3*ah(2.8, 4))},
		"coarse-count": {f("At 0.12 A one count of %.0f mA is %.1f %%", 1e3*count, percent(count, 0.12)), f("half a count, %.1f %%", percent(count/2, 0.12))},
		"too-slow-to-see": {
			f("7 A for 130 ms of each 370 ms and 0.35 A for the rest are %.2f A", pulse(7, 0.35, 130, 370)),
			f("After 2400 readings at random places the mean is still off by %.1f %%", percent((7-0.35)*math.Sqrt(130/370.0*240/370.0/2400), pulse(7, 0.35, 130, 370)))},
		"unsafe-end": {f("1.4 A empty a 7 Ah pack in %.0f h; 3 h later %.1f Ah", 7/1.4, 1.4*3)},
	}
	for _, p := range cause.Pages() {
		left := p.Costs
		for _, phrase := range computed[p.Name] {
			if !strings.Contains(left, phrase) {
				t.Errorf("%s: the costs should say %q:\n%s", p.Name, phrase, p.Costs)
			}
			left = strings.Replace(left, phrase, "", 1)
		}
		if strings.ContainsAny(left, "0123456789") {
			t.Errorf("%s: a number that nobody computed: %q", p.Name, left)
		}
		if len(computed[p.Name]) == 0 {
			t.Errorf("%s: the costs have no worked number", p.Name)
		}
	}
}

// column reads a column of a table of published or independently computed values (their sources stand in the files) by the first.
func column(t *testing.T, file string, n int) map[string]string {
	t.Helper()
	rows, _ := outside.Table(t, file)
	m := map[string]string{}
	for _, row := range rows {
		if _, twice := m[row[0]]; !twice {
			m[row[0]] = row[n]
		}
	}
	return m
}

func number(t *testing.T, m map[string]string, key string) float64 {
	t.Helper()
	x, err := strconv.ParseFloat(m[key], 64)
	if err != nil {
		t.Fatalf("%s: %v", key, err)
	}
	return x
}

// perDay is what one ppm is in seconds a day.
func perDay(t *testing.T, fact map[string]string) float64 {
	t.Helper()
	return number(t, map[string]string{"": before(fact["1 ppm"], " s/day")}, "")
}

func before(s, sep string) string { s, _, _ = strings.Cut(s, sep); return s }

func after(s, sep string) string { _, s, _ = strings.Cut(s, sep); return s }

func low16(ms int64) uint16 { return uint16(ms) }

func frac(x float64) float64 { return x - math.Floor(x) }

// pulse is the mean of a where a pulse is on, and b for the rest of its period.
func pulse(a, b, on, period float64) float64 { return (a*on + b*(period-on)) / period }

// truncatedMean is what steps spread evenly from lo to hi [s] count for on average when cut to whole seconds.
func truncatedMean(lo, hi float64) float64 {
	const n = 10000
	sum := 0.0
	for k := range n {
		sum += math.Floor(lo + (hi-lo)*(float64(k)+0.5)/n)
	}
	return sum / n / ((lo + hi) / 2)
}

// disorder adds up the magnitudes of the steps between rows 10 s apart that are written 5 6 7 8 1 2 3 4, up to the next such eight.
func disorder() float64 {
	order := []float64{5, 6, 7, 8, 1, 2, 3, 4, 13}
	sum := 0.0
	for k := 1; k < len(order); k++ {
		sum += 10 * math.Abs(order[k]-order[k-1])
	}
	return sum
}
