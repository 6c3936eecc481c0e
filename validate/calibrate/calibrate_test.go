package calibrate

import (
	"errors"
	"fmt"
	"math"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"pgregory.net/rapid"

	"stuntcell/emulator/rig"
	"stuntcell/model/quantity"
)

// JCGM 100:2008, H.3: calibration of a thermometer by a straight line through eleven points; t0 = 20 degC. Data and results from
// memory (data of table H.6; y1 = -0.1712 degC with 0.0029, y2 = 0.00218 with 0.00067, r = -0.930, s = 0.0035, prediction at 30 degC -0.1494 with 0.0041).
func TestGUMH3(t *testing.T) {
	t.Log("source: JCGM 100:2008, H.3 (calibration of a thermometer; data and results from memory)")
	x := []float64{21.521, 22.012, 22.512, 23.003, 23.507, 23.999, 24.513, 25.002, 25.503, 26.010, 26.511}
	y := []float64{-0.171, -0.169, -0.166, -0.159, -0.164, -0.165, -0.156, -0.157, -0.159, -0.161, -0.160}
	s := Series{Meter: Meter{Quantity: quantity.Voltage}}
	for i := range x {
		s.Pairs = append(s.Pairs, Pair{Rig: x[i] - 20, Meter: y[i]})
	}
	l, err := Fit(s, Options{})
	if err != nil {
		t.Fatal(err)
	}
	_, u, _ := l.At(10)
	at, _, _ := l.At(10)
	t.Logf("H.3: %.4f ± %.4f, %.5f ± %.5f, r %.3f, s %.4f, at 30 degC %.4f ± %.4f", l.Offset, l.OffsetError, l.Gain, l.GainError, l.GainOffset, l.Residual, at, u)
	for _, c := range []struct {
		name           string
		got, want, tol float64
	}{
		{"y1", l.Offset, -0.1712, 0.00005}, {"u(y1)", l.OffsetError, 0.0029, 0.00005}, {"y2", l.Gain, 0.00218, 0.000005}, {"u(y2)", l.GainError, 0.00067, 0.000005},
		{"r", l.GainOffset, -0.930, 0.0005}, {"s", l.Residual, 0.0035, 0.00005}, {"b(30)", at, -0.1494, 0.00005}, {"u(b(30))", u, 0.0041, 0.00005},
	} {
		if math.Abs(c.got-c.want) > c.tol {
			t.Errorf("%s: %.6g, want %.6g", c.name, c.got, c.want)
		}
	}
}

func example(t *testing.T) []*Line {
	t.Helper()
	data, err := os.ReadFile("../../testdata/pairs.csv")
	if err != nil {
		t.Fatal(err)
	}
	series, err := Parse("pairs.csv", data)
	if err != nil {
		t.Fatal(err)
	}
	var lines []*Line
	for _, s := range series {
		l, err := Fit(s, Options{To: map[bool]float64{true: 50}[s.Meter.Quantity == quantity.Current]})
		if err != nil {
			t.Fatal(err)
		}
		lines = append(lines, l)
	}
	return lines
}

func TestExample(t *testing.T) {
	lines := example(t)
	if len(lines) != 3 {
		t.Fatalf("%d series, want 3", len(lines))
	}
	bench, clamp, volts := lines[0], lines[1], lines[2]
	if math.Abs(bench.Gain-1.004) > 3*bench.GainError || math.Abs(bench.Offset+0.015) > 3*bench.OffsetError {
		t.Errorf("bench: gain %v ± %v, offset %v ± %v; made with 1.004 and -0.015", bench.Gain, bench.GainError, bench.Offset, bench.OffsetError)
	}
	if !bench.Adjust || !strings.Contains(bench.Why, "4 to 1") {
		t.Errorf("bench: %s", bench.Why)
	}
	if clamp.Adjust || !strings.Contains(clamp.Why, "weaker") {
		t.Errorf("a clamp of 1.5 %% would correct a 0.5 %% shunt: %s", clamp.Why)
	}
	if volts.Unit != "V" || volts.Quantity != "voltage" {
		t.Errorf("volts: %+v", volts)
	}
	agree := Compare(lines)
	if len(agree) != 1 || agree[0].En > 1 {
		t.Errorf("the two current meters agree within the clamp's accuracy: %+v", agree)
	}
	beyond := false
	for _, w := range bench.Warnings {
		beyond = beyond || strings.Contains(w, "extrapolation")
	}
	if !beyond {
		t.Errorf("use to 50 A from pairs to 10 A is extrapolation: %v", bench.Warnings)
	}
	r, err := rig.ByName("shop-50a")
	if err != nil {
		t.Fatal(err)
	}
	var all []Constants
	for _, q := range []string{"current", "voltage"} {
		l, err := Choose(lines, q, "")
		if err != nil {
			t.Fatal(err)
		}
		c, err := l.Integers(r)
		if err != nil {
			t.Fatal(err)
		}
		all = append(all, c)
	}
	if all[0].Meter != "bench" {
		t.Errorf("constants against %s, want the better meter", all[0].Meter)
	}
	var text strings.Builder
	if err := WriteText(&text, lines, agree, all); err != nil {
		t.Fatal(err)
	}
	t.Log("\n" + text.String())
	for n, line := range strings.Split(text.String(), "\n") {
		if len([]rune(line)) > 80 {
			t.Errorf("line %d is %d wide: %s", n+1, len([]rune(line)), line)
		}
	}
}

// The header compiles as C99 without warnings, and its integer arithmetic is the line to within a millionth of the unit and 1 ppm.
func TestHeaderInC(t *testing.T) {
	cc, err := exec.LookPath("cc")
	if err != nil {
		if os.Getenv("STUNTCELL_REQUIRE") == "all" {
			t.Fatal("cc is missing")
		}
		t.Skip("cc is missing")
	}
	l := example(t)[0]
	r, err := rig.ByName("shop-50a")
	if err != nil {
		t.Fatal(err)
	}
	c, err := l.Integers(r)
	if err != nil {
		t.Fatal(err)
	}
	dir := t.TempDir()
	header := Header(r, "pairs */ int evil; /* .csv", []Constants{c})
	if err := os.WriteFile(filepath.Join(dir, "rig.h"), []byte(header), 0o644); err != nil {
		t.Fatal(err)
	}
	main := `#include "rig.h"
#include <stdio.h>
int main(void){ for (int64_t x = -50000000; x <= 50000000; x += 9999991) printf("%lld %lld\n", (long long)x, (long long)rig_true_current_ua(x)); return 0; }
`
	if err := os.WriteFile(filepath.Join(dir, "main.c"), []byte(main), 0o644); err != nil {
		t.Fatal(err)
	}
	bin := filepath.Join(dir, "main")
	if out, err := exec.Command(cc, "-std=c99", "-Wall", "-Wextra", "-Werror", "-o", bin, filepath.Join(dir, "main.c")).CombinedOutput(); err != nil {
		t.Fatalf("%v\n%s\n%s", err, out, header)
	}
	out, err := exec.Command(bin).Output()
	if err != nil {
		t.Fatal(err)
	}
	n := 0
	for _, line := range strings.Split(strings.TrimSpace(string(out)), "\n") {
		var x, y float64
		if _, err := fmt.Sscan(line, &x, &y); err != nil {
			t.Fatal(err)
		}
		want := l.Gain*x + l.Offset*1e6
		if math.Abs(y-want) > 1.5+1e-6*math.Abs(x) {
			t.Errorf("%v uA becomes %v, the line says %v", x, y, want)
		}
		n++
	}
	if n < 10 {
		t.Errorf("only %d lines", n)
	}
}

// Coverage as a law: lines drawn with known gain and offset are found within three combined uncertainties, whatever they are.
func TestFitFindsTheLine(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		gain := rapid.Float64Range(0.9, 1.1).Draw(t, "gain")
		offset := rapid.Float64Range(-0.1, 0.1).Draw(t, "offset")
		top := rapid.Float64Range(1, 50).Draw(t, "top")
		noise := rapid.Float64Range(0, 0.01).Draw(t, "noise")
		n := rapid.IntRange(5, 30).Draw(t, "n")
		s := Series{Meter: Meter{Quantity: quantity.Current, Stated: true, Reading: 1e-4, Fixed: 1e-3, Range: 60}}
		for i := 0; i < n; i++ {
			x := top * (2*float64(i)/float64(n-1) - 1)
			s.Pairs = append(s.Pairs, Pair{Rig: x, Meter: offset + gain*x + noise*math.Sin(float64(i)*2.399963)})
		}
		l, err := Fit(s, Options{})
		if err != nil {
			t.Fatal(err)
		}
		if math.Abs(l.Gain-gain) > 4*l.GainError+1e-12 || math.Abs(l.Offset-offset) > 4*l.OffsetError+1e-12 {
			t.Fatalf("gain %v ± %v for %v, offset %v ± %v for %v", l.Gain, l.GainError, gain, l.Offset, l.OffsetError, offset)
		}
		for _, p := range l.Band {
			if !(p.U >= 0) || p.New < p.Statistic-1e-15 {
				t.Fatalf("band %+v", p)
			}
		}
	})
}

func TestMoreKeepsItsPromise(t *testing.T) {
	s := Series{Meter: Meter{Quantity: quantity.Current, Stated: true, Reading: 2e-4, Range: 20}}
	noise := []float64{3, -2, -4, 3, 1, -1}
	for i, x := range []float64{-10, -5, -1, 1, 5, 10} {
		s.Pairs = append(s.Pairs, Pair{Rig: x, Meter: x + 0.0004*noise[i]})
	}
	l, err := Fit(s, Options{})
	if err != nil {
		t.Fatal(err)
	}
	if l.More.Pairs <= 0 {
		t.Fatalf("more: %+v", l.More)
	}
	want := l.meter.Limit(10) / 4
	// With so many more, with the same residual, the scatter's U at the ends falls below the aim; with two fewer it does not.
	u := func(k int) float64 {
		m := *l
		n := float64(len(l.x))
		sum, sxx := 0.0, 0.0
		for _, x := range l.x {
			sxx += x * x
			sum += x
		}
		for i := 0; i < k; i++ {
			x := map[bool]float64{true: l.More.High, false: l.More.Low}[i%2 == 0]
			sum += x
			sxx += x * x
			n++
		}
		m.Pairs, m.mean, m.DOF = int(n), sum/n, int(n)-2
		m.sxx = sxx - n*m.mean*m.mean
		return math.Max(m.point(10).Statistic, m.point(-10).Statistic)
	}
	if u(l.More.Pairs) > want || u(l.More.Pairs-1) <= want {
		t.Errorf("%d more give %v, one fewer %v; aim %v", l.More.Pairs, u(l.More.Pairs), u(l.More.Pairs-1), want)
	}
	none, err := Fit(s, Options{Aim: 1e-5})
	if err != nil {
		t.Fatal(err)
	}
	if !strings.Contains(none.More.Text, "No number of pairs") {
		t.Errorf("an aim below the meter's accuracy: %s", none.More.Text)
	}
}

func TestBentAndUnequalSigns(t *testing.T) {
	bent := Series{Meter: Meter{Quantity: quantity.Current, Stated: true, Reading: 1e-4, Range: 20}}
	signs := bent
	for i := -10; i <= 10; i++ {
		x := float64(i)
		n := 1e-4 * math.Sin(float64(i)*2.4)
		bent.Pairs = append(bent.Pairs, Pair{Rig: x, Meter: x + 1e-4*x*x + n})
		signs.Pairs = append(signs.Pairs, Pair{Rig: x, Meter: x + 0.002*math.Max(x, 0) + n})
	}
	l, err := Fit(bent, Options{})
	if err != nil {
		t.Fatal(err)
	}
	if l.Linearity.P > 1e-6 || math.Abs(l.Linearity.Bend-0.01) > 0.001 {
		t.Errorf("a bend of 10 mA: %+v", l.Linearity)
	}
	l, err = Fit(signs, Options{})
	if err != nil {
		t.Fatal(err)
	}
	if l.Linearity.StepP > 1e-6 || math.Abs(float64(l.Linearity.Step)-0.002) > 1e-4 {
		t.Errorf("signs that differ by 0.2 %%: %+v", l.Linearity)
	}
	if !strings.Contains(strings.Join(l.Warnings, " "), "Charge and discharge") {
		t.Errorf("warnings: %v", l.Warnings)
	}
}

func TestMetersThatDisagree(t *testing.T) {
	data := `meter: a, 0.1 %, range 20 A
meter: b, 0.1 %, range 20 A
rig_A, meter_A, meter
-10, -10.001, a
0, 0.001, a
10, 10.000, a
-10, -10.101, b
0, 0.001, b
10, 10.099, b
`
	series, err := Parse("p.csv", []byte(data))
	if err != nil {
		t.Fatal(err)
	}
	var lines []*Line
	for _, s := range series {
		l, err := Fit(s, Options{})
		if err != nil {
			t.Fatal(err)
		}
		lines = append(lines, l)
	}
	agree := Compare(lines)
	if len(agree) != 1 || agree[0].En < 1 || !strings.Contains(agree[0].Text, "both are kept") {
		t.Errorf("%+v", agree)
	}
	if _, err := Choose(lines, "current", ""); err == nil {
		t.Error("a meter was chosen between two that disagree")
	}
	if l, err := Choose(lines, "current", "b"); err != nil || l.Meter != "b" {
		t.Errorf("by name: %v %v", l, err)
	}
	if l, err := Choose(lines, "voltage", ""); l != nil || err != nil {
		t.Errorf("no voltage: %v %v", l, err)
	}
}

func TestParseSaysWhatIsWrong(t *testing.T) {
	for _, c := range []struct{ name, in, want string }{
		{"empty", "", "p.csv:1:1: no pairs"},
		{"header only", "rig_A,meter_A\n", "no pairs"},
		{"two pairs", "rig_A,meter_A\n1,1\n2,2\n", "p.csv:2:1: 2 pairs against the meter (expected 3"},
		{"one point", "rig_A,meter_A\n1,1\n1,2\n1,3\n", "all readings of the rig are equal"},
		{"no header", "1,2\n", "p.csv:1:1: a row \"1\" before any header"},
		{"word", "rig_A,meter_A\n1,x\n", "p.csv:2:3: \"x\" is no number"},
		{"NaN", "rig_A,meter_A\nNaN,1\n", "p.csv:2:1: \"NaN\" is no number"},
		{"hex", "rig_A,meter_A\n0x10,1\n", "is no number"},
		{"huge", "rig_A,meter_A\n1e9,1\n", "out of range"},
		{"decimal comma", "rig_A,meter_A\n1,5,1,5\n", "4 cells (expected 2"},
		{"semicolons", "rig_A;meter_A\n", "not parted by commas"},
		{"mixed units", "rig_A,meter_V\n", "p.csv:1:7: meter_V beside another quantity"},
		{"unknown column", "rig_A,meter_A,foo\n", "p.csv:1:15: column \"foo\""},
		{"one side", "rig_A\n", "a header without both sides"},
		{"no range", "meter: m, 0.5 %\n", "has no range"},
		{"bad term", "meter: m, five percent, range 20 A\n", "p.csv:1:7:"},
		{"range of nothing", "meter: m, 0.5 %, range 0 A\n", "a range of"},
		{"twice", "meter: m, 1 %, range 20 A\nmeter: m, 2 %, range 20 A\n", "stated twice"},
		{"unstated", "meter: bench, 1 %, range 20 A\nrig_A,meter_A,meter\n1,1,bensh\n", "hint: bench?"},
		{"which", "meter: a, 1 %, range 20 A\nmeter: b, 2 %, range 20 A\nrig_A,meter_A\n1,1\n", "does not say which"},
		{"UTF-16", "\xff\xfer\x00i\x00g\x00", "no text"},
	} {
		_, err := Parse("p.csv", []byte(c.in))
		var d quantity.Diagnostics
		if !errors.As(err, &d) || !strings.Contains(err.Error(), c.want) {
			t.Errorf("%s: %v, want %q", c.name, err, c.want)
		}
	}
}

func TestMeterTerms(t *testing.T) {
	s, err := Parse("p.csv", []byte("meter: m, 0.5 % of reading + 3 digits of 10 mA + 0.2 % of range + 0.05 A, range 20 A\nrig_mA, meter_A\n1000,1\r\n2000,2\r3000,3\n"))
	if err != nil {
		t.Fatal(err)
	}
	m := s[0].Meter
	if m.Reading != 0.005 || math.Abs(m.Fixed-(0.03+0.04+0.05)) > 1e-12 || m.Range != 20 {
		t.Errorf("%+v", m)
	}
	if s[0].Pairs[2].Rig != 3 || s[0].Pairs[2].Line != 5 {
		t.Errorf("%+v", s[0].Pairs)
	}
}

func FuzzParse(f *testing.F) {
	f.Add([]byte("meter: a, 0.5 % + 3 digits of 0.01 A, range 20 A\nrig_A,meter_A,meter\n1,1,a\n2,2,a\n3,3.1,a\n"))
	f.Add([]byte("rig_mV, meter_V\n1,1\n2,2\n4,4\n"))
	f.Fuzz(func(t *testing.T, b []byte) {
		s, err := Parse("f", b)
		if err != nil {
			return
		}
		for _, x := range s {
			if l, err := Fit(x, Options{}); err == nil {
				var text strings.Builder
				if err := WriteText(&text, []*Line{l}, nil, nil); err != nil {
					t.Fatal(err)
				}
			}
		}
	})
}

func FuzzParseHistory(f *testing.F) {
	f.Add([]byte("date,reading,nominal\n2026-01-01,1.001,1\n2026-02-01,1.002,1\n2026-03-01,1.001,1\n"))
	f.Fuzz(func(t *testing.T, b []byte) {
		if c, err := ParseHistory("f", b); err == nil {
			Watch(c, 0.005)
		}
	})
}

func TestHistory(t *testing.T) {
	make := func(drift float64, last float64) []Check {
		var c []Check
		noise := []float64{2, -1, 1, -2, 0, 1, -1, 2, -2, 1, 0, -1}
		for i, n := range noise {
			d := 0.0001*n + drift*float64(i)/12
			if i == len(noise)-1 {
				d += last
			}
			c = append(c, Check{Day: time.Date(2025, time.Month(1+i), 1, 0, 0, 0, 0, time.UTC), Reading: 2 * (1 + d), Nominal: 2, Line: i + 2})
		}
		return c
	}
	if h := Watch(make(0, 0), 0.005); len(h.Out) != 0 || !strings.Contains(h.Text, "In control") {
		t.Errorf("steady: %+v", h)
	}
	if h := Watch(make(0.003, 0), 0.005); !(math.Abs(float64(h.Drift)-0.003) < 0.0005) || !strings.Contains(h.Text, "drifts") {
		t.Errorf("drift: %+v", h)
	}
	if h := Watch(make(0, 0.004), 0.005); len(h.Out) == 0 || !strings.Contains(h.Text, "something changed") {
		t.Errorf("jump: %+v", h)
	}
	// One of six is off: it alone is out of control, not those from which it has pulled the mean away.
	var six []Check
	for i, d := range []float64{0.0002, -0.0002, 0.0001, -0.0001, 0.0001, 0.0052} {
		six = append(six, Check{Day: time.Date(2025, time.Month(1+2*i), 1, 0, 0, 0, 0, time.UTC), Reading: 1 + d, Nominal: 1, Line: i + 2})
	}
	if h := Watch(six, 0.01); len(h.Out) != 1 || h.Out[0] != 7 {
		t.Errorf("one of six: %+v", h)
	}
	_, err := ParseHistory("h.csv", []byte("date,reading,nominal\n2026-02-30,1,1\n2026-01-01,x,1\n2025-01-01,1,0\n"))
	if err == nil || !strings.Contains(err.Error(), "h.csv:2:1") || !strings.Contains(err.Error(), "h.csv:3:12") {
		t.Errorf("bad history: %v", err)
	}
	if _, err := ParseHistory("h.csv", []byte("date,reading,nominal\n2026-01-01,1,1\n")); err == nil {
		t.Error("one check makes no history")
	}
}
