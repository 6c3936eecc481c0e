package lesson_test

import (
	"context"
	"encoding/json"
	"fmt"
	"math"
	"os"
	"slices"
	"strconv"
	"strings"
	"testing"

	"stuntcell/model/outside"
	"stuntcell/scenarios"
	"stuntcell/scenarios/lesson"
)

// ran keeps what each lesson gave, so that it is run once in all tests.
var ran = map[string]*lesson.Outcome{}

// outcome runs a lesson, or with /try behind its name its variation.
func outcome(t *testing.T, name string) *lesson.Outcome {
	t.Helper()
	if out, ok := ran[name]; ok {
		return out
	}
	base, tried := strings.CutSuffix(name, "/try")
	l, err := scenarios.Lesson(base)
	if err != nil {
		t.Fatal(err)
	}
	run := l.Run
	if tried {
		run = l.RunVariation
	}
	out, err := run(context.Background())
	if err != nil {
		t.Fatal(err)
	}
	ran[name] = out
	return out
}

// figure is a figure in its own unit.
func figure(t *testing.T, o *lesson.Outcome, name string) float64 {
	t.Helper()
	i := slices.IndexFunc(o.Figures, func(f lesson.Figure) bool { return f.Name == name })
	if i < 0 {
		t.Fatalf("%s has no figure %s", o.Lesson.Name, name)
	}
	return o.Figures[i].Number()
}

// row returns the row of a table whose columns have these values.
func row(t *testing.T, file string, where map[string]string) map[string]string {
	t.Helper()
	rows, header := outside.Table(t, file)
	for _, r := range rows {
		named := map[string]string{}
		for i, h := range header {
			named[h] = r[i]
		}
		fits := true
		for k, v := range where {
			fits = fits && named[k] == v
		}
		if fits {
			return named
		}
	}
	t.Fatalf("%s has no row %v", file, where)
	return nil
}

func number(t *testing.T, text string) float64 {
	t.Helper()
	x, err := strconv.ParseFloat(text, 64)
	if err != nil {
		t.Fatal(err)
	}
	return x
}

const (
	published = "../../testdata/published/"
	modelData = "../../model/testdata/"
	rigData   = "../../emulator/rig/testdata/"
)

// What the lessons cite is read from the tables that they name, or recomputed, and their simulations give it.
func TestCitations(t *testing.T) {
	peukert := func(amps string) float64 {
		return number(t, row(t, modelData+"peukert_examples.csv", map[string]string{"H_h": "20", "C_Ah": "100", "I_A": amps, "k": "1.1"})["delivered_Ah"])
	}
	wrap := number(t, strings.TrimSuffix(strings.Split(row(t, rigData+"clock_facts.csv", map[string]string{"fact": "2^32 ms"})["value"], " = ")[1], " s"))
	resonator := number(t, strings.TrimSuffix(strings.Split(row(t, rigData+"clock_facts.csv", map[string]string{"fact": "ceramic resonator"})["value"], " = ")[1], " s/day"))
	ppm := number(t, strings.Split(row(t, rigData+"clock_facts.csv", map[string]string{"fact": "1 ppm"})["value"], " ")[0])
	single := number(t, row(t, "../../emulator/testdata/float32_accumulation.csv", map[string]string{"case": "0.1 A at 0.1 s in Ah for 20 h"})["float32_sum"])
	lambda := number(t, strings.Split(row(t, modelData+"capacity_test_rules.csv", map[string]string{"rule": "temperature factor lambda (per K)"})["value"], " ")[0])
	for _, c := range []struct {
		lesson, figure string
		want, within   float64
	}{
		{"rate", "share", peukert("20"), 0.1},
		{"rate/try", "share", peukert("50"), 0.1},
		{"rest-returns", "again", 7 * (100 - peukert("20")) / 100, 0.02},
		{"end-voltage", "full", 100, 0.1},
		{"pulsed-load", "factor", number(t, row(t, rigData+"integration_aliasing.csv", map[string]string{"f_Hz": "1", "fs_Hz": "1"})["mean"]) / 0.25, 0.01},
		{"ripple", "share", 30 * alias(100, 1000, 4), 0.02},
		{"ripple/try", "share", 30 * alias(100, 1000, 10), 0.02},
		{"counter-wrap", "lost-time", -wrap, 1e-3},
		{"counter-wrap", "error", 1.4 * wrap / 3600, 0.01},
		{"counter-wrap/try", "error", 2 * 1.4 * wrap / 1000 / 3600, 0.001},
		{"two-clocks", "tick-late", resonator * 20 / 24, 0.1},
		{"two-clocks", "face-late", -20 * ppm * 20 / 24, 1},
		{"small-steps", "single", single, 1e-8},
		{"temperature", "share", 100 * (1 + lambda*(5-25)), 1},
		{"temperature/try", "share", 100 * (1 + lambda*(-10-25)), 1},
		{"plus-or-minus", "half", rectangular(t) / math.Sqrt(3) * 0.5, 0.05},
	} {
		got := figure(t, outcome(t, c.lesson), c.figure)
		t.Logf("%s %s: %.6g, reference %.6g", c.lesson, c.figure, got, c.want)
		if math.Abs(got-c.want) > c.within {
			t.Errorf("%s: %s is %v, the reference says %v +- %v", c.lesson, c.figure, got, c.want, c.within)
		}
	}
}

// alias is the mean of sin(2·pi·f·n/fs) over the n samples that end at a whole wave, from the closed form of integration_aliasing.csv.
func alias(f, fs float64, n int) float64 {
	a := math.Pi * f / fs
	return math.Sin(float64(n)*a) / (float64(n) * math.Sin(a)) * math.Sin(-float64(n-1)*a)
}

// The closed form that the lesson on ripple uses gives the tabled means.
func TestAliasingTable(t *testing.T) {
	rows, _ := outside.Table(t, rigData+"integration_aliasing.csv")
	for _, r := range rows {
		f, fs, n := number(t, r[0]), number(t, r[1]), number(t, r[2])
		a := math.Pi * f / fs
		want := number(t, r[3])
		got := math.Sin(n*a) / (n * math.Sin(a)) * math.Cos((n-1)*a)
		if f == fs || f == 50*fs { // the limit
			got = 1
		}
		if math.Abs(got-want) > 1e-11 {
			t.Errorf("f %v fs %v n %v: %v, tabled %v", f, fs, n, got, want)
		}
	}
}

// rectangular is half of the 95 % interval of a sum of four rectangular quantities of standard deviation 1.
func rectangular(t *testing.T) float64 {
	t.Helper()
	data, err := os.ReadFile("../../testdata/gum/gum_s1.json")
	if err != nil {
		t.Fatal(err)
	}
	var all map[string]json.RawMessage
	if err := json.Unmarshal(data, &all); err != nil {
		t.Fatal(err)
	}
	var of struct{ Exact float64 }
	if err := json.Unmarshal(all["9.2.3_four_rect_sd1"], &of); err != nil || of.Exact == 0 {
		t.Fatalf("no exact value: %v", err)
	}
	if closed := 2 * math.Sqrt(3) * (2 - math.Pow(0.6, 0.25)); math.Abs(closed-of.Exact) > 1e-8 {
		t.Errorf("the closed form gives %v, the table %v", closed, of.Exact)
	}
	return of.Exact
}

// Figures that stand in the texts of lessons as words are those of the tables that they come from.
func TestWordsAgreeWithTables(t *testing.T) {
	says := func(name string, phrases ...string) {
		t.Helper()
		source := strings.Join(strings.Fields(string(lesson.Source(name))), " ")
		for _, p := range phrases {
			if !strings.Contains(source, p) {
				t.Errorf("%s does not say %q", name, p)
			}
		}
	}
	exponential := row(t, published+"integration_exponential.csv", map[string]string{"x": "0.1"})
	says("rectangle",
		fmt.Sprintf("the left rectangle is %.2f %% high", 100*(number(t, exponential["left"])-1)),
		fmt.Sprintf("the right one %.2f %% low", 100*(1-number(t, exponential["right"]))),
		fmt.Sprintf("the trapezoid %.3f %% high", 100*(number(t, exponential["trapezoid"])-1)))

	// Two wells, Jongerden and others 2009, battery B1: the closed form, piece by piece, against the table, and the table in the text.
	steady := number(t, row(t, modelData+"two_well_lifetimes_2009.csv", map[string]string{"battery": "B1", "load": "CL_500"})["computed_min"])
	pulsed := number(t, row(t, modelData+"two_well_lifetimes_2009.csv", map[string]string{"battery": "B1", "load": "ILs_500"})["computed_min"])
	if got := lifetime(func(float64) float64 { return 0.5 }); math.Abs(got-steady) > 1e-5 {
		t.Errorf("steady: %v min, tabled %v", got, steady)
	}
	onOff := func(minute float64) float64 { return 0.5 * float64((int(minute)+1)%2) }
	if got := lifetime(onOff); math.Abs(got-pulsed) > 1e-5 {
		t.Errorf("on and off: %v min, tabled %v", got, pulsed)
	}
	says("rest-returns", fmt.Sprintf("in %.2f minutes", steady), fmt.Sprintf("until minute %.2f, with %.2f minutes of them under load", pulsed, pulsed-2))

	rule := row(t, modelData+"capacity_test_rules.csv", map[string]string{"rule": "US Navy worked example"})["value"]
	if rule != "6 V 100 Ah: 10 A for 10 h ends at 5.25 V (3 x 1.75)" {
		t.Errorf("the navy's example is %q", rule)
	}
	says("end-voltage", "a 6 V battery of three cells and 100 Ah is discharged with 10 A, and the test ends at 1.75 V a cell, 5.25 V")

	clause := row(t, published+"instrument_accuracy.csv", map[string]string{"standard": "IEC 62660-2 (via identical national edition 2014)"})
	says("two-clocks", fmt.Sprintf("time within %s (IEC 62660-2, %s)", clause["time"], clause["clause"]))
	says("counter-wrap", "49 d 17 h 2 min 47.296 s")
	if d := 4294967.296 - (49*86400 + 17*3600 + 2*60 + 47.296); math.Abs(d) > 1e-6 {
		t.Errorf("2^32 ms are off by %v s", d)
	}
}

// lifetime is when a battery of two wells is empty [min]: 5.5 A·min, c = 0.166, k' = 0.122/min, under a load [A] that may change at whole minutes.
func lifetime(load func(minute float64) float64) float64 {
	const c, k = 0.166, 0.122
	y1, y2 := c*5.5, (1-c)*5.5
	at := func(amps, t float64) (float64, float64) {
		e, y0 := math.Exp(-k*t), y1+y2
		return y1*e + (y0*k*c-amps)*(1-e)/k - amps*c*(k*t-1+e)/k, y2*e + y0*(1-c)*(1-e) - amps*(1-c)*(k*t-1+e)/k
	}
	for minute := 0.0; ; minute++ {
		amps := load(minute)
		if a, _ := at(amps, 1); a <= 0 {
			low, high := 0.0, 1.0
			for range 60 {
				if a, _ := at(amps, (low+high)/2); a > 0 {
					low = (low + high) / 2
				} else {
					high = (low + high) / 2
				}
			}
			return minute + low
		}
		y1, y2 = at(amps, 1)
	}
}
