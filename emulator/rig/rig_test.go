package rig_test

import (
	"encoding/csv"
	"math"
	"os"
	"strconv"
	"strings"
	"testing"
	"time"

	"pgregory.net/rapid"

	"stuntcell/emulator/rig"
)

func shop(t testing.TB, overrides string) rig.Rig {
	t.Helper()
	r, err := rig.ByName("shop-50a")
	if err == nil && overrides != "" {
		r, err = rig.Parse("over.yaml", []byte(overrides), r)
	}
	if err != nil {
		t.Fatal(err)
	}
	return r
}

// facts reads the second column of testdata/clock_facts.csv (sources in its fourth) by the first.
func facts(t *testing.T) map[string]string {
	f, err := os.Open("testdata/clock_facts.csv")
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	rows, err := csv.NewReader(f).ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	m := map[string]string{}
	for _, r := range rows {
		m[r[0]] = r[1]
	}
	return m
}

func TestCounterWrapsWhenItsWidthSays(t *testing.T) {
	published := facts(t)
	for _, tc := range []struct {
		fact string
		bits int
		hz   int64
		wrap int64  // [ns]
		says string // what the fact says of it
	}{
		{"2^32 ms", 32, 1000, 4294967296e6, "4294967.296 s"},
		{"2^32 us", 32, 1e6, 4294967296e3, "4294.967296 s"},
		{"2^16 ms", 16, 1000, 65536e6, "65.536 s"},
		{"2^32 ticks of 32768 Hz", 32, 32768, 131072e9, "131072 s"},
		{"2^24 ticks of 32768 Hz", 24, 32768, 512e9, "512 s"},
	} {
		if !strings.Contains(published[tc.fact], tc.says) {
			t.Errorf("%s: the table says %q, not %q", tc.fact, published[tc.fact], tc.says)
		}
		c := rig.NewCounter(rig.Tick{Bits: tc.bits, Hz: tc.hz}, rig.Reference)
		last := uint64(1)<<tc.bits - 1
		if got := c.Wrap(c.At(tc.wrap - 1)); got != last {
			t.Errorf("%s: %d 1 ns before the wrap, want %d", tc.fact, got, last)
		}
		if got := c.Wrap(c.At(tc.wrap)); got != 0 {
			t.Errorf("%s: %d at the wrap, want 0", tc.fact, got)
		}
		if got := c.At(tc.wrap); got != int64(last)+1 {
			t.Errorf("%s: unwrapped %d at the wrap", tc.fact, got)
		}
	}
	// 2^31 ms: 24 d 20:31:23.648 (arithmetic)
	c := rig.NewCounter(rig.Tick{Bits: 32, Hz: 1000}, rig.Reference)
	half := (24*24*time.Hour + 20*time.Hour + 31*time.Minute + 23648*time.Millisecond).Nanoseconds()
	if a, b := c.At(half-1), c.At(half); a != 1<<31-1 || b != 1<<31 {
		t.Errorf("half range: %d then %d", a, b)
	}
}

func TestCounterStartsBeforeItsWrap(t *testing.T) {
	c := rig.NewCounter(rig.Tick{Bits: 32, Hz: 1000, Start: -2}, rig.Reference)
	if a, b, d := c.Wrap(c.At(0)), c.Wrap(c.At(2e6-1)), c.Wrap(c.At(2e6)); a != 1<<32-2 || b != 1<<32-1 || d != 0 {
		t.Errorf("%d, %d, %d", a, b, d)
	}
}

func TestCounterOf64Bits(t *testing.T) {
	c := rig.NewCounter(rig.Tick{Bits: 64, Hz: 1000, Start: -2}, rig.Reference)
	if a, b := c.Wrap(c.At(1e6)), c.Wrap(c.At(2e6)); a != math.MaxUint64 || b != 0 {
		t.Errorf("%d, %d", a, b)
	}
}

func TestErrorOfCrystals(t *testing.T) {
	const day = 86400e9
	// 1 ppm: 0.0864 s/day, 31.536 s in 365 d (arithmetic); 5.8 ppm: 0.5 s/day, confirmed (clock_facts.csv names the source).
	// The parabola: k = -0.030 ppm/K², T0 = 25 degC, at 45 degC -12.0 ppm, confirmed from a data sheet of a 32.768 kHz crystal.
	// 20 ppm + (k = -0.04, T0 = 20 degC at 45 degC: -25 ppm) = 45 ppm slow: 120.528 s in 31 d, example from memory, every step recomputed.
	for _, tc := range []struct {
		name        string
		ppm, k, t0  float64 // t0 and ambient in degC
		ambient     float64
		days, drift float64 // [s]
		tol         float64
	}{
		{"1 ppm a day", 1, 0, 0, 25, 1, 0.0864, 1e-6},
		{"1 ppm a year", 1, 0, 0, 25, 365, 31.536, 1e-5},
		{"5.8 ppm a day", 5.8, 0, 0, 25, 1, 0.5, 0.002},
		{"5.8 ppm a year", 5.8, 0, 0, 25, 365, 3.05 * 60, 0.2},
		{"data sheet", 0, -0.030, 25, 45, 1, -12e-6 * 86400, 1e-6},
		{"worst case", -20, -0.04, 20, 45, 31, -120.528, 1e-5},
	} {
		clock := rig.Clock{Start: 1e9, PPM: tc.ppm, Parabola: tc.k, Turnover: tc.t0 + 273.15}
		f := rig.NewFace(clock, tc.ambient+273.15)
		if got := f.Rate(int64(tc.days*day)) - tc.days*86400; math.Abs(got-tc.drift) > tc.tol {
			t.Errorf("%s: clock off by %v s, want %v", tc.name, got, tc.drift)
		}
		if got, want := f.At(int64(tc.days*day)), int64(math.Floor(1e9+tc.days*86400+tc.drift)); math.Abs(float64(got-want)) > math.Ceil(tc.tol) {
			t.Errorf("%s: face %d, want %d", tc.name, got, want)
		}
		c := rig.NewCounter(rig.Tick{Bits: 64, Hz: 1e6, PPM: tc.ppm, Parabola: tc.k, Turnover: tc.t0 + 273.15}, tc.ambient+273.15)
		if got := float64(c.At(int64(tc.days*day)))*1e-6 - tc.days*86400; math.Abs(got-tc.drift) > tc.tol+1e-6 {
			t.Errorf("%s: counter off by %v s, want %v", tc.name, got, tc.drift)
		}
	}
}

func TestFaceShowsWholeSeconds(t *testing.T) {
	f := rig.NewFace(rig.Clock{Start: 100, Frac: 0.25}, rig.Reference)
	for _, tc := range []struct{ t, want int64 }{{0, 100}, {749999999, 100}, {750000000, 101}, {10e9, 110}} {
		if got := f.At(tc.t); got != tc.want {
			t.Errorf("at %d ns: %d, want %d", tc.t, got, tc.want)
		}
	}
	f.Move(0, -3600)
	if got := f.At(10e9); got != -3490 {
		t.Errorf("moved back: %d", got)
	}
	f.Set(20e9, 1<<31)
	if a, b := f.At(21e9-1), f.At(21e9); a != 1<<31 || b != 1<<31+1 {
		t.Errorf("set: %d then %d", a, b)
	}
	if got := f.Rate(50e9); got != 50 {
		t.Errorf("the rate knows of being set: %v", got)
	}
}

func TestCounterAndClockNeverGoBack(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		ppm := rapid.Float64Range(-5000, 5000).Draw(t, "ppm")
		c := rig.NewCounter(rig.Tick{Bits: 32, Hz: rapid.Int64Range(1, 1e8).Draw(t, "hz"), PPM: ppm}, rig.Reference)
		f := rig.NewFace(rig.Clock{PPM: ppm}, rig.Reference)
		a := rapid.Int64Range(0, 4e15).Draw(t, "a")
		b := a + rapid.Int64Range(0, 2e9).Draw(t, "step")
		if c.At(a) > c.At(b) || f.At(a) > f.At(b) {
			t.Fatal("went back")
		}
	})
}

// sine is a current cos(2·π·f·t) seen backwards from an instant, and no voltage.
type sine struct {
	hz float64
	t0 int64
}

func (s sine) Current(t int64) float64 {
	return math.Cos(2 * math.Pi * s.hz * float64(s.t0-t) * 1e-9)
}
func (s sine) Voltage(int64) float64 { return 0 }

// The mean of N points of a sine, a sampling frequency apart: testdata/integration_aliasing.csv (computed outside by direct sum and
// in closed form). A frequency that is a multiple of the sampling frequency looks like a steady current.
func TestAliasingIsReal(t *testing.T) {
	b, err := os.ReadFile("testdata/integration_aliasing.csv")
	if err != nil {
		t.Fatal(err)
	}
	lines := strings.Split(strings.TrimSpace(string(b)), "\n")
	if len(lines) < 8 {
		t.Fatal("no table")
	}
	for _, line := range lines[2:] {
		var x [4]float64
		for i, s := range strings.Split(strings.TrimSpace(line), ",") {
			if x[i], err = strconv.ParseFloat(s, 64); err != nil {
				t.Fatal(err)
			}
		}
		r := shop(t, "")
		r.Front.Conversions, r.Front.Spacing = int(x[2]), int64(1e9/x[1])
		const end = 1000e9
		s := rig.NewSensor(r, rig.Reference, 1)
		volts, _ := s.Sample(sine{x[0], end}, end)
		if got := volts / r.Shunt.Nominal; math.Abs(got-x[3]) > 1e-10 {
			t.Errorf("%s: mean %.12f", line, got)
		}
	}
}

type flat struct{ i, v float64 }

func (f flat) Current(int64) float64 { return f.i }
func (f flat) Voltage(int64) float64 { return f.v }

func TestFromTruthToCounts(t *testing.T) {
	for _, tc := range []struct {
		name, rig  string
		i, v       float64
		shunt, bus int32
	}{
		{"nominal", "", -1.44, 12.6, -360, 4200}, // 1.44 A · 1.5 mohm / 6 uV; 12.6 V / 3 mV
		{"nearest", "", 0.0061, 12.0016, 2, 4001},
		{"saturated", "", -60, 70, -13653, 20000},
		{"below ground", "", 60, -1, 13653, 0},
		{"shunt error", "shunt: {error: 1 %}", -10, 12, -2525, 4000},
		{"shunt hot", "shunt: {tempco: 100 ppm/K, rise: 20 K/W}", -40, 12, -10048, 4000}, // 2.4 W: 48 K, 0.48 %
		{"gain", "front: {shunt_gain: -1 %, bus_gain: 0.5 %}", 10, 12, 2475, 4020},
		{"offset", "front: {shunt_offset: 60 uV, bus_offset: -30 mV}", 10, 12, 2510, 3990},
		{"drifted", "front: {drift: 5184 uV/day}", 10, 12, 2510, 4000},        // 60 uV in 1000 s
		{"behind the shunt", "wiring: {bus_at: load}", -40, 12, -10000, 3980}, // 60 mV of burden
		{"lead", "wiring: {lead: 30 mohm}", -10, 12, -2500, 3900},
		{"bypass", "{shunt: {side: low}, wiring: {bypass: 10 %}}", -10, 12, -2250, 4000},
		{"draw beside the shunt", "wiring: {draw: 400 mA}", -10.4, 12, -2500, 4000},
		{"draw through the shunt", "wiring: {draw: 400 mA, draw_through_shunt: true}", -10.4, 12, -2600, 4000},
	} {
		r := shop(t, tc.rig)
		r.Front.ShuntNoise, r.Front.BusNoise = 0, 0
		s := rig.NewSensor(r, rig.Reference, 1)
		shunt, bus := s.Counts(s.Sample(flat{tc.i, tc.v}, 1e12))
		if shunt != tc.shunt || bus != tc.bus {
			t.Errorf("%s: %d, %d; want %d, %d", tc.name, shunt, bus, tc.shunt, tc.bus)
		}
	}
}

// TestEachConversionSaturates: a pulse beyond the range is cut before it is averaged with what lies beside it.
func TestEachConversionSaturates(t *testing.T) {
	r := shop(t, "front: {conversions: 2, spacing: 1 ms}")
	r.Front.ShuntNoise, r.Front.BusNoise = 0, 0
	s := rig.NewSensor(r, rig.Reference, 1)
	pulse := pulsed{from: 1e12 - 5e5, i: -100}
	if shunt, _ := s.Counts(s.Sample(pulse, 1e12)); shunt != -13653/2 && shunt != -13654/2 {
		t.Errorf("%d counts, want half of the range", shunt)
	}
}

// pulsed carries no current before an instant [ns].
type pulsed struct {
	from int64
	i    float64
}

func (p pulsed) Current(t int64) float64 {
	if t < p.from {
		return 0
	}
	return p.i
}
func (pulsed) Voltage(int64) float64 { return 12 }

// TestSpreads: each stated tolerance moves what it is about, by as much as it says, and what cannot be below zero stays there.
func TestSpreads(t *testing.T) {
	r := shop(t, "{shunt: {side: low, tempco: 100 ppm/K}, wiring: {lead: 1 mohm}, tolerance: {shunt: 0.5 %, tempco: 50 ppm/K, ambient: 10 K, shunt_gain: 0.2 %, "+
		"shunt_offset: 10 uV, drift: 5 uV/day, thermal: 3 uV, bus_gain: 0.1 %, bus_offset: 5 mV, tick: 50 ppm, lead: 2 mohm, draw: 5 mA, bypass: 1 %}}")
	want := map[string]struct {
		of        func(r *rig.Rig) float64
		low, high float64
	}{
		"shunt":        {func(r *rig.Rig) float64 { return r.Shunt.Error }, -0.005, 0.005},
		"tempco":       {func(r *rig.Rig) float64 { return r.Shunt.TempCo }, 50e-6, 150e-6},
		"ambient":      {func(r *rig.Rig) float64 { return r.Shunt.Error }, -0.001, 0.001}, // 10 K at 100 ppm/K
		"shunt_gain":   {func(r *rig.Rig) float64 { return r.Front.ShuntGain }, -0.002, 0.002},
		"shunt_offset": {func(r *rig.Rig) float64 { return r.Front.ShuntOffset }, -10e-6, 10e-6},
		"drift":        {func(r *rig.Rig) float64 { return r.Front.DriftPerDay }, -5e-6, 5e-6},
		"thermal":      {func(r *rig.Rig) float64 { return r.Front.ShuntOffset }, -3e-6, 3e-6},
		"bus_gain":     {func(r *rig.Rig) float64 { return r.Front.BusGain }, -0.001, 0.001},
		"bus_offset":   {func(r *rig.Rig) float64 { return r.Front.BusOffset }, -0.005, 0.005},
		"tick":         {func(r *rig.Rig) float64 { return r.Tick.PPM }, 12 - 50, 12 + 50},
		"lead":         {func(r *rig.Rig) float64 { return r.Wiring.Lead }, 0, 0.003},
		"draw":         {func(r *rig.Rig) float64 { return r.Wiring.Draw }, 0, 0.005},
		"bypass":       {func(r *rig.Rig) float64 { return r.Wiring.Bypass }, 0, 0.01},
	}
	for _, s := range r.Spreads() {
		w, ok := want[s.Name]
		if !ok {
			t.Errorf("%s was not stated", s.Name)
			continue
		}
		delete(want, s.Name)
		for share, end := range map[float64]float64{-1: w.low, 1: w.high} {
			moved := r
			s.Move(&moved, share)
			if got := w.of(&moved); math.Abs(got-end) > 1e-9*math.Abs(end)+1e-15 {
				t.Errorf("%s at %+g: %g, want %g", s.Name, share, got, end)
			}
		}
	}
	for name := range want {
		t.Errorf("%s is not there", name)
	}
	r.Shunt.Low = false
	for _, s := range r.Spreads() {
		if s.Name == "bypass" {
			t.Error("a bypass around a shunt in the positive lead")
		}
	}
}

func TestNoiseOfTheMeanFallsWithTheRoot(t *testing.T) {
	for _, n := range []int{1, 4, 64} {
		r := shop(t, "")
		r.Front.Conversions, r.Front.Spacing = n, 1e6
		r.Front.ShuntNoise, r.Front.ShuntStep = 1e-3, 1e-9
		r.Front.ShuntMax = math.MaxInt32
		s := rig.NewSensor(r, rig.Reference, 7)
		var sum, squares float64
		const draws = 20000
		for range draws {
			c, _ := s.Counts(0, 0)
			sum += float64(c) * 1e-9
			squares += float64(c) * 1e-9 * float64(c) * 1e-9
		}
		want := 1e-3 / math.Sqrt(float64(n))
		// The relative standard error of a standard deviation is 1/sqrt(2·draws) = 0.5 %; five of them.
		if got := math.Sqrt(squares / draws); math.Abs(got/want-1) > 0.025 {
			t.Errorf("%d conversions: %.4g V, want %.4g", n, got, want)
		}
		if mean := sum / draws; math.Abs(mean) > 5*want/math.Sqrt(draws) {
			t.Errorf("%d conversions: mean %.3g V", n, mean)
		}
	}
}

func TestRigsOnBoard(t *testing.T) {
	for _, name := range rig.Names() {
		r, err := rig.ByName(name)
		if err != nil {
			t.Errorf("%s: %v", name, err)
			continue
		}
		if r.Name != name || r.Summary == "" {
			t.Errorf("%s says that it is %q, %q", name, r.Name, r.Summary)
		}
	}
	r := shop(t, "")
	if r.Shunt.Nominal*r.Shunt.RatedAmps != 0.075 {
		t.Errorf("drop at the rating: %v V, want 75 mV", r.Shunt.Nominal*r.Shunt.RatedAmps)
	}
	if _, err := rig.ByName("shop-50"); err == nil || !strings.Contains(err.Error(), "shop-50a?") {
		t.Errorf("a name that is near: %v", err)
	}
}

func TestOverridesKeepTheRest(t *testing.T) {
	base := shop(t, "")
	got := shop(t, "{tick: {start: -40 min}, clock: {error: -40 ppm}}")
	want := base
	want.Tick.Start, want.Clock.PPM = -2400000, -40
	if got != want {
		t.Errorf("got %+v\nwant %+v", got, want)
	}
}

func TestRigFilesThatAreWrong(t *testing.T) {
	base := shop(t, "")
	for _, tc := range []struct {
		yaml string
		base rig.Rig
		want string
	}{
		{"shunt: {nominal: -1 mohm}", base, "x.yaml:1:18:"},
		{"shunt: {nominal: 1.5}", base, "x.yaml:1:18:"},
		{"front: {shunt_step: 6.0000001 uV}", base, "whole number of nV"},
		{"front: {conversions: 500, spacing: 10 ms}", base, "longer than the shortest time"},
		{"tick: {strat: 5}", base, "start?"},
		{"tick: {start: -60 d}", base, "beyond what 32 bits"},
		{"tick: {bits: 16}\nreadings: {jitter: 1 s}", base, "jitter"},
		{"tick: {start: 4294967296}", base, "4294967295"},
		{"tick: {rate: 32768.5 Hz}", base, "whole ticks"},
		{"clock: {start: tomorrow}", base, "2026-03-02T08:00:00Z"},
		{"clock: {fraction: 1}", base, "below 1"},
		{"wiring: {bypass: 5 %}", base, "side: low"},
		{"wiring: {dropout: 9 V}", base, "on_pack"},
		{"wiring: {bus_at: middle}", base, "pack, load"},
		{"channels: 5", base, "1 to 4"},
		{"rig: a", rig.Rig{}, `"shunt" is missing`},
		{"shunt: 5", rig.Rig{}, "keys with values"},
		{"", rig.Rig{}, "empty"},
	} {
		_, err := rig.Parse("x.yaml", []byte(tc.yaml), tc.base)
		if err == nil || !strings.Contains(err.Error(), tc.want) || !strings.HasPrefix(err.Error(), "x.yaml:") {
			t.Errorf("%q: %v; want %q", tc.yaml, err, tc.want)
		}
	}
}

func FuzzParse(f *testing.F) {
	for _, name := range rig.Names() {
		f.Add(rig.Source(name))
	}
	for _, s := range []string{"tick: {start: -40 min}", "tick: {bits: 64, start: -5}", "clock: {start: 1970-01-01T00:00:00Z}", "[1]", "a: &b"} {
		f.Add([]byte(s))
	}
	base := shop(f, "")
	f.Fuzz(func(t *testing.T, data []byte) {
		r, err := rig.Parse("x.yaml", data, base)
		if err != nil {
			if !strings.HasPrefix(err.Error(), "x.yaml:") {
				t.Fatalf("an error without its place: %v", err)
			}
			return
		}
		// A rig that was accepted works.
		c, face := rig.NewCounter(r.Tick, rig.Reference), rig.NewFace(r.Clock, rig.Reference)
		s := rig.NewSensor(r, rig.Reference, 1)
		shunt, bus := s.Counts(s.Sample(flat{-1, 12}, 1e12))
		if shunt < -r.Front.ShuntMax || shunt > r.Front.ShuntMax || bus < 0 || bus > r.Front.BusMax {
			t.Fatalf("counts out of range: %d, %d", shunt, bus)
		}
		if c.At(2e12) < c.At(1e12) || face.At(2e12) < face.At(1e12) {
			t.Fatal("time goes back")
		}
	})
}
