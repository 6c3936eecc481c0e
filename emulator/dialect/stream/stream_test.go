package stream_test

import (
	"math"
	"strconv"
	"strings"
	"testing"

	"stuntcell/emulator/dialect"
	"stuntcell/emulator/dialect/dialecttest"
	"stuntcell/emulator/dialect/stream"
	"stuntcell/emulator/instrument"
	"stuntcell/model"
)

func talk(o stream.Options) func(testing.TB, *instrument.Bench) dialect.Dialect {
	return func(t testing.TB, b *instrument.Bench) dialect.Dialect {
		s, err := stream.New(b, o)
		if err != nil {
			t.Fatal(err)
		}
		return s
	}
}

func TestConforms(t *testing.T) {
	plain := stream.Options{Columns: []string{"ms", "mA"}, NoHeader: true}
	dialecttest.Run(t, instrument.Stepped, talk(plain), dialecttest.Sample{Request: "nonsense\n", Answer: ""},
		dialecttest.Sample{Request: "0\n-1\n1001\n99999999999999999999999\n", Answer: ""})
	dialecttest.Run(t, instrument.Real, talk(plain), dialecttest.Sample{Request: "1\n\n\n", Answer: ""})
}

// TestLateClient: who is late gets the lines of its own time, not those that it has missed.
func TestLateClient(t *testing.T) {
	b := dialecttest.Bench(t, instrument.Real)
	d := talk(stream.Options{})(t, b)
	d.Speak(nil)
	b.Advance(b.Now() + 100*b.Interval())
	if next := d.Next(); next < b.Now()-b.Interval() {
		t.Errorf("a late client gets what was at %d ns, it is %d ns", next, b.Now())
	}
}

func FuzzHear(f *testing.F) {
	dialecttest.Fuzz(f, instrument.Stepped, talk(stream.Options{}), "\n\n", "3\n", "1000\r\n", "x")
}

// lines runs a stream so many lines long and returns them.
func lines(t *testing.T, b *instrument.Bench, o stream.Options, n int) []string {
	t.Helper()
	d := talk(o)(t, b)
	var out []byte
	for range n {
		b.Advance(d.Next())
		out = d.Speak(out)
	}
	return strings.Split(strings.TrimRight(string(out), "\n"), "\n")
}

// TestDischargeSaysWhatIsTrue: 1.4 A for an hour are -1.4 Ah, and the columns agree with one another in all their units.
func TestDischargeSaysWhatIsTrue(t *testing.T) {
	plan := model.Step{Kind: model.Discharge, Load: model.Load{Current: 1.4}, Ends: model.Ends{Time: 3600e9}}
	o := stream.Options{Columns: []string{"s", "ms", "min", "h", "V", "mV", "A", "mA", "W", "mW", "Ah", "mAh", "Wh", "mWh", "degC", "tick", "unix"}}
	got := lines(t, dialecttest.Bench(t, instrument.Real, plan), o, 3601)
	if want := strings.Join(o.Columns, ","); got[0] != want {
		t.Errorf("header %q, want %q", got[0], want)
	}
	v := map[string]float64{}
	for i, word := range strings.Split(got[3601], ",") {
		x, err := strconv.ParseFloat(word, 64)
		if err != nil {
			t.Fatal(err)
		}
		v[o.Columns[i]] = x
	}
	for _, c := range []struct {
		name           string
		want, tolerant float64
	}{
		{"s", 3600, 0}, {"ms", 3.6e6, 0}, {"min", 60, 0}, {"h", 1, 0},
		{"Ah", -1.4, 1e-5}, {"mAh", -1400, 0.01}, {"A", -1.4, 0.006}, {"mA", 1000 * v["A"], 0.51}, {"mV", 1000 * v["V"], 0.51},
		{"W", v["A"] * v["V"], 0.01}, {"mW", 1000 * v["A"] * v["V"], 10}, {"mWh", 1000 * v["Wh"], 0.1},
		{"Wh", -1.4 * 12.4, 0.5}, {"degC", 25, 3}, {"tick", 3600*1000 + 1500, 50}, {"unix", 1772438400 + 3600, 1},
	} {
		if math.Abs(v[c.name]-c.want) > c.tolerant+1e-9 {
			t.Errorf("%s: %v, want %v within %v", c.name, v[c.name], c.want, c.tolerant)
		}
	}
}

func TestStyles(t *testing.T) {
	plan := model.Step{Kind: model.Discharge, Load: model.Load{Current: 1}, Ends: model.Ends{Time: 3600e9}}
	for _, c := range []struct {
		o    stream.Options
		want string
	}{
		{stream.Options{Columns: []string{"s", "Ah"}}, "s,Ah\n0.000,0.00000\n1.000,-0.00028\n"},
		{stream.Options{Columns: []string{"s", "Ah"}, NoHeader: true, Inverted: true, Separator: "\t"}, "0.000\t0.00000\n1.000\t0.00028\n"},
		{stream.Options{Columns: []string{"s", "mAh"}, Comma: true, CRLF: true}, "s;mAh\r\n0,000;0,00\r\n1,000;-0,28\r\n"},
	} {
		b := dialecttest.Bench(t, instrument.Real, plan)
		d := talk(c.o)(t, b)
		out := d.Speak(nil)
		b.Advance(1e9)
		if out = d.Speak(out); string(out) != c.want {
			t.Errorf("%+v: %q, want %q", c.o, out, c.want)
		}
	}
	for _, c := range []struct {
		o    stream.Options
		want string
	}{
		{stream.Options{Columns: []string{"volts"}}, `no column "volts"`},
		{stream.Options{Columns: []string{"mah"}}, "mAh?"},
		{stream.Options{Separator: "."}, "separator"},
		{stream.Options{Separator: ",", Comma: true}, "another separator"},
	} {
		if _, err := stream.New(dialecttest.Bench(t, instrument.Real), c.o); err == nil || !strings.Contains(err.Error(), c.want) {
			t.Errorf("%+v: %v, want %q", c.o, err, c.want)
		}
	}
}

func TestSteppedByTheClient(t *testing.T) {
	b := dialecttest.Bench(t, instrument.Stepped)
	d := talk(stream.Options{Columns: []string{"s"}})(t, b)
	if got, want := string(d.Hear([]byte("\n3\r\n"), nil)), "s\n0.000\n1.000\n2.000\n3.000\n"; got != want {
		t.Errorf("%q, want %q", got, want)
	}
	if b.Now()/1e9 != 3 {
		t.Errorf("the bench stands at %d ns", b.Now())
	}
}

func BenchmarkLines(b *testing.B) {
	d := talk(stream.Options{})(b, dialecttest.Bench(b, instrument.Max))
	var out []byte
	for b.Loop() {
		out = d.Speak(out[:0])
	}
}
