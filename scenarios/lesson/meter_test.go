package lesson

import (
	"math"
	"slices"
	"testing"

	"pgregory.net/rapid"

	"stuntcell/emulator"
	"stuntcell/emulator/link"
)

// readings makes a record of readings a second apart, of 1 mA and 1 mV a count, whose counter starts so many ms before its wrap.
func readings(shunt []int32, start int64) *emulator.Record {
	rec := &emulator.Record{Greeting: link.Greeting{TickBits: 32, TickHz: 1000, ShuntNohm: 1e6, ShuntStepNV: 1000, BusStepUV: 1000, ReadMS: 1000}}
	rd := &rec.Readings
	for k, c := range shunt {
		bus := int32(12000)
		if c == link.Failed {
			bus = link.Failed
		}
		rd.T = append(rd.T, int64(k)*1e9)
		rd.Tick = append(rd.Tick, start+int64(k)*1000)
		rd.Shunt, rd.Bus = append(rd.Shunt, c), append(rd.Bus, bus)
		rd.Clock = append(rd.Clock, int64(k))
		rd.Charge, rd.Energy = append(rd.Charge, 0), append(rd.Energy, 0)
	}
	rec.Steps = []emulator.StepRun{{First: 0, Last: len(shunt) - 1}}
	return rec
}

// total is what a meter has at the end [A·s].
func total(m meter, rec *emulator.Record) float64 {
	if m.every == 0 {
		m.every = 1
	}
	t := m.of(rec)
	return t.charge[len(t.charge)-1]
}

// The laws that lessons state: the trapezoid is the mean of both rectangles, which differ by the step times the fall; the right difference of
// a counter does not know where it started; a wide one is short by a whole turn where the counter wraps.
func TestMeterLaws(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		counts := rapid.SliceOfN(rapid.Int32Range(-30000, 30000), 2, 40).Draw(t, "counts")
		start := rapid.Int64Range(-100_000, 1<<32).Draw(t, "start")
		rec := readings(counts, start)
		l, r, trap := total(meter{rule: left, timing: counter}, rec), total(meter{rule: right, timing: counter}, rec), total(meter{rule: trapezoid, timing: counter}, rec)
		near := func(what string, a, b float64) {
			if math.Abs(a-b) > 1e-9*(1+math.Abs(a)+math.Abs(b)) {
				t.Errorf("%s: %v and %v", what, a, b)
			}
		}
		near("trapezoid and the mean of rectangles", trap, (l+r)/2)
		near("left less right and the step times the fall", l-r, float64(counts[0]-counts[len(counts)-1])*1e-3)
		near("counter and nominal step", trap, total(meter{rule: trapezoid, timing: nominal}, rec))
		near("counter and clock", trap, total(meter{rule: trapezoid, timing: clock}, rec))
		want := trap
		for k := 1; k < len(counts); k++ {
			before, now := start+int64(k-1)*1000, start+int64(k)*1000
			if wrapped(now, 1<<32) < wrapped(before, 1<<32) {
				want -= float64(counts[k-1]+counts[k]) / 2 * 1e-3 * (1 << 32) / 1000
			}
		}
		near("wide difference", total(meter{rule: trapezoid, timing: counterWide}, rec), want)
		near("the zero of a step whose mean is the offset", total(meter{rule: left, timing: counter, zero: 1}, readings(slices.Repeat(counts[:1], len(counts)), start)), 0)
	})
}

// Failed readings are bridged, every n-th reading is every n-th, single precision keeps 24 bits of Ah.
func TestMeterReadings(t *testing.T) {
	rec := readings([]int32{1000, link.Failed, 3000, link.Failed}, 0)
	m := meter{rule: trapezoid, timing: counter, every: 1}
	if got := m.of(rec); len(got.at) != 2 || got.charge[1] != 4 {
		t.Errorf("%d readings, %v A·s, want 2 and 4", len(got.at), got.charge)
	}
	m.every = 2
	if got := total(m, readings([]int32{1000, 9000, 1000, 9000, 1000}, 0)); got != 4 {
		t.Errorf("every second reading: %v A·s, want 4", got)
	}
	one := meter{rule: left, timing: counter, single: true}
	counts := slices.Repeat([]int32{1000}, 100)
	sum := float32(0)
	for range 99 {
		sum += float32(1.0 / 3600)
	}
	if got := total(one, readings(counts, 0)); got != float64(sum)*3600 {
		t.Errorf("single precision: %v, want %v", got, float64(sum)*3600)
	}
	if got := (&meter{every: 1, step: 2}).of(rec); len(got.at) != 0 {
		t.Errorf("a step that was not there has %d readings", len(got.at))
	}
}

// A thinned curve has the ends, the lowest and the highest of the whole, and no more points than a picture can show.
func TestThin(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		n := rapid.IntRange(1, 5000).Draw(t, "n")
		x, y := make([]float64, n), make([]float64, n)
		at := 0.0
		seed := rapid.Float64Range(0.1, 10).Draw(t, "seed")
		for i := range x {
			at += math.Abs(math.Sin(float64(i) * seed))
			x[i], y[i] = at, math.Cos(float64(i)*seed*1.7)
		}
		a, b := thin(x, y)
		if len(a) != len(b) || len(a) > 4*buckets || !slices.IsSorted(a) {
			t.Fatalf("%d of %d points", len(a), n)
		}
		if a[0] != x[0] || a[len(a)-1] != x[n-1] || slices.Max(b) != slices.Max(y) || slices.Min(b) != slices.Min(y) {
			t.Error("an end or an extreme is lost")
		}
	})
}

func TestHalfWidth(t *testing.T) {
	var uniform []float64
	for i := range 10001 {
		uniform = append(uniform, float64(i)/5000-1)
	}
	if got := halfWidth(uniform, 0.95); math.Abs(got-0.95) > 1e-9 {
		t.Errorf("half width %v of -1 to 1, want 0.95", got)
	}
	if got := halfWidth([]float64{7}, 0.95); got != 0 {
		t.Errorf("half width of one value %v", got)
	}
}

func TestShow(t *testing.T) {
	for _, c := range []struct {
		si     float64
		unit   string
		digits int
		want   string
	}{
		{3600, "Ah", 2, "1.00 Ah"}, {-0.0001, "A", 2, "0.00 A"}, {-0.5, "%", 0, "-50 %"}, {4, "x", 1, "4.0 times"}, {1033, "", 0, "1033"}, {-1e-9, "", 0, "0"},
	} {
		if got := show(c.si, c.unit, c.digits); got != c.want {
			t.Errorf("%v %s is shown as %q, want %q", c.si, c.unit, got, c.want)
		}
	}
}
