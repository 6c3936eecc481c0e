package replay

import (
	"math"
	"strconv"
	"testing"

	"gonum.org/v1/gonum/integrate"
	"pgregory.net/rapid"

	"stuntcell/emulator"
	"stuntcell/emulator/link"
	"stuntcell/model/outside"
)

// record makes a record of readings every dt seconds whose shunt counts are given; one count is 1 mA, one bus count 1 mV.
func record(dt float64, shunt []int32, bus int32) *emulator.Record {
	n := len(shunt)
	rec := &emulator.Record{Greeting: link.Greeting{TickBits: 32, TickHz: 1000, ShuntNohm: 1e6, ShuntStepNV: 1000, BusStepUV: 1000,
		ShuntMax: 1 << 30, BusMax: 1 << 30, ReadMS: int64(dt * 1000), LogMS: 10000}}
	r := &rec.Readings
	for k := range n {
		t := int64(float64(k) * dt * 1e9)
		r.T = append(r.T, t)
		r.Tick = append(r.Tick, int64(math.Round(float64(t)*1e-6)))
		r.Shunt = append(r.Shunt, shunt[k])
		r.Bus = append(r.Bus, bus)
		r.Clock = append(r.Clock, 1_700_000_000+t/1e9)
		r.ClockRate = append(r.ClockRate, float64(t)*1e-9)
		r.MeanI = append(r.MeanI, float64(shunt[k])/1000)
		r.MeanV = append(r.MeanV, float64(bus)/1000)
		r.Step, r.Life, r.Flags = append(r.Step, 0), append(r.Life, 0), append(r.Flags, 0)
	}
	r.Charge, r.Energy, r.Throughput = make([]float64, n), make([]float64, n), make([]float64, n)
	return rec
}

// TestPublishedExponential compares the rules with the closed forms for exp(-t/tau) of testdata/published/integration_exponential.csv
// (computed there from the series x/(1-exp(-x)) and so on).
func TestPublishedExponential(t *testing.T) {
	rows, _ := outside.Table(t, "../../testdata/published/integration_exponential.csv")
	for _, row := range rows {
		x, _ := strconv.ParseFloat(row[0], 64)
		n := 9 // steps
		counts := make([]int32, n+1)
		for k := range counts {
			counts[k] = int32(math.Round(1e9 * math.Exp(-x*float64(k))))
		}
		exact := 1e6 * (1 - math.Exp(-x*float64(n))) / x // A·s with a step of 1 s
		s := NewSeries(record(1, counts, 1000))
		for col, rule := range []Rule{Left, Right, Trapezoid} {
			want, _ := strconv.ParseFloat(row[1+col], 64)
			got := s.Run(Meter{Rule: rule}, []int{n}).Charge[0] / exact
			if math.Abs(got-want) > 2e-8*want { // counts are rounded to 1e-9 of full scale
				t.Errorf("x = %g, %v: ratio %.12f, published %.12f", x, rule, got, want)
			}
		}
	}
}

// TestTrapezoidEqualsGonum: the healthy meter is gonum's trapezoid over the same points.
func TestTrapezoidEqualsGonum(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		counts := rapid.SliceOfN(rapid.Int32Range(-50000, 50000), 2, 200).Draw(t, "counts")
		s := NewSeries(record(1.35, counts, 12000))
		x, y := make([]float64, len(counts)), make([]float64, len(counts))
		for k := range counts {
			x[k] = float64(s.Tick[k]) / s.Hz
			y[k] = s.I[k]
		}
		want := integrate.Trapezoidal(x, y)
		got := s.Run(Meter{}, []int{len(counts) - 1}).Charge[0]
		if math.Abs(got-want) > 1e-9*(1+math.Abs(want)) {
			t.Fatalf("meter %.12g, gonum %.12g", got, want)
		}
	})
}

// TestInLessOutIsNet: split totals differ by the net total, whatever the rule.
func TestInLessOutIsNet(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		counts := rapid.SliceOfN(rapid.Int32Range(-3000, 3000), 2, 100).Draw(t, "counts")
		m := Meter{Rule: Rule(rapid.IntRange(0, 2).Draw(t, "rule")), Bad: Bridge}
		s := NewSeries(record(1, counts, 12000))
		tt := s.Run(m, []int{len(counts) - 1})
		if d := tt.In[0] - tt.Out[0] - tt.Charge[0]; math.Abs(d) > 1e-9 {
			t.Fatalf("in %g less out %g is not net %g", tt.In[0], tt.Out[0], tt.Charge[0])
		}
	})
}

// TestEachMistakeShows: every mistaken meter differs from the healthy one on readings that show it, and only there.
func TestEachMistakeShows(t *testing.T) {
	counts := make([]int32, 4000)
	for k := range counts {
		counts[k] = int32(-1400 + 37*(k%11))
		if k > 2000 {
			counts[k] = -counts[k]
		}
	}
	rec := record(1.35, counts, 12345)
	for k := range rec.Readings.Tick {
		rec.Readings.Tick[k] += 1<<32 - 2_000_000
		rec.Readings.Bus[k] -= int32(k / 4)
	}
	rec.Greeting.ReadMS = 1000
	rec.Readings.Shunt[700], rec.Readings.Shunt[701] = link.Failed, link.Failed
	rec.Events = []emulator.Event{{Reading: 900, Kind: emulator.Setting, Text: "log_ms"}}
	for k := 1000; k < 1100; k++ {
		rec.Readings.Flags[k] |= emulator.CardFails
	}
	for k := 1200; k < len(counts); k++ {
		rec.Readings.Clock[k] -= 3600
	}
	s := NewSeries(rec)
	rows := []int{}
	for k := 0; k < len(counts); k += 10 {
		rows = append(rows, k)
	}
	good := s.Run(Meter{}, rows)
	for name, m := range map[string]Meter{
		"wrap negative": {Clocking: WrapNegative}, "wrap skip": {Clocking: WrapSkip}, "wrap stop": {Clocking: WrapStop},
		"wrap floor": {Clocking: WrapFloor}, "nominal": {Clocking: Nominal}, "whole": {Clocking: Whole},
		"face": {Clocking: FaceSeconds}, "narrow": {Clocking: FloatTimeMS}, "magnitude": {Side: Magnitude},
		"charge only": {Side: ChargeOnly}, "row rate": {RowRate: true}, "zero": {Bad: Zero}, "full scale": {Bad: FullScale},
		"setting": {ResetSetting: true}, "card": {SkipCard: true}, "freeze": {FreezeCard: true}, "dead band": {DeadBand: 1.2},
		"cut": {CutCurrent: 0.1}, "cut step": {CutStep: 0.1}, "float": {Float32: 3600}, "flip": {FlipCharge: 1},
		"wrapped": {Wrap: 4000, WrapSigned: true}, "stale": {Stale: 3}, "row mean": {Energy: RunMean}, "step mean": {Energy: StepMean},
		"first zero": {ZeroFirst: true}, "row length": {RowLength: 10}, "half clamp": {Clocking: HalfClamp}, "across": {Clocking: Narrow16, Across: true, CutTime: 1},
		"lost": {Bad: Lost}, "dead power": {DeadPower: 12}, "dead step": {DeadStep: 1.2}, "dead mean": {DeadStep: 1.2, DeadMean: true},
		"power turns": {WrapPower: 10}, "step turns": {WrapStep: 10}, "charge turns": {WrapCharge: 1}, "no sign": {WrapCharge: 4294, WrapPositive: true}, "unsigned": {Unsigned: 65}, "charge of one way": {Side: ChargeOnly, SideOf: OfCharge},
		"energy of one way": {Side: ChargeOnly, SideOf: OfEnergy}, "burden": {Burden: 0.01}, "burden turned": {Burden: -0.01}, "day": {Clocking: FaceDay}, "day forward": {Clocking: FaceDayForward},
		"fold": {Fold: FoldBack, Factor: 1_000_000}, "fold onward": {Fold: FoldOnward, Factor: 1_000_000}, "fold to zero": {Fold: FoldZero, Factor: 1_000_000, FoldSigned: true},
		"time at rows": {TimeAtRow: true}, "time of load": {TimeBand: 1.2}, "dead volts": {DeadVolt: 12.3}, "smooth": {Smooth: 0.1}, "smooth from zero": {Smooth: 0.1, SmoothZero: true},
		"mean of": {MeanOf: 20}, "row lost": {RowLost: true}, "row forgets": {RowForgets: true}, "modulo": {Modulo: 0.9}, "cut mean": {CutPower: 1, CutMean: true},
		"no step": {CutTime: math.Inf(1)},
	} {
		bad := s.Run(m, rows)
		last := len(rows) - 1
		if bad.Charge[last] == good.Charge[last] && bad.Energy[last] == good.Energy[last] {
			t.Errorf("%s: the same totals as a healthy meter", name)
		}
	}
}

// BenchmarkRun is a healthy meter over a day at 1 Hz.
func BenchmarkRun(b *testing.B) {
	s := NewSeries(record(1, make([]int32, 86400), 12000))
	rows := []int{86399}
	for b.Loop() {
		s.Run(Meter{}, rows)
	}
	b.ReportMetric(float64(b.Elapsed().Nanoseconds())/float64(b.N)/86400, "ns/reading")
}
