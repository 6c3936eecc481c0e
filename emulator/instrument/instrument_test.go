package instrument_test

import (
	"errors"
	"math"
	"testing"

	"pgregory.net/rapid"

	"stuntcell/emulator/dialect/dialecttest"
	"stuntcell/emulator/instrument"
	"stuntcell/model"
)

func bench(t rapid.TB, pace instrument.Pace, plan ...model.Step) *instrument.Bench {
	t.Helper()
	c := dialecttest.Config(t, pace, plan...)
	c.Options.Start = 0.5
	b, err := instrument.New(c)
	if err != nil {
		t.Fatal(err)
	}
	return b
}

// TestChargeIsCurrentTimesTime: whatever is switched and however often the bench is looked at, charge is the sum of the currents that were
// set times their times, as long as the load does not trip and the source does not reach its voltage.
func TestChargeIsCurrentTimesTime(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		b := bench(t, instrument.Stepped)
		if err := b.SetSource(instrument.Source{Volts: 14.4, Amps: 1}); err != nil {
			t.Fatal(err)
		}
		want, moved := 0.0, 0.0
		for range rapid.IntRange(1, 12).Draw(t, "turns") {
			amps := rapid.Float64Range(0.01, 2).Draw(t, "amps")
			load, source := rapid.Bool().Draw(t, "load"), rapid.Bool().Draw(t, "source")
			seconds := rapid.Int64Range(1, 60).Draw(t, "seconds")
			if err := b.Turn(instrument.Source{Volts: 14.4, Amps: 1, On: source}, instrument.Load{Level: amps, On: load}); err != nil {
				t.Fatal(err)
			}
			if rapid.Bool().Draw(t, "look") {
				b.Look()
			}
			now := 0.0
			if load {
				now -= amps
			}
			if source {
				now++
			}
			for range rapid.IntRange(1, 3).Draw(t, "pieces") {
				if err := b.Step(seconds * 1e9); err != nil {
					t.Fatal(err)
				}
				want += now * float64(seconds)
				moved += math.Abs(now) * float64(seconds)
			}
			if got := b.Look().Amps; math.Abs(got-now) > 1e-9 {
				t.Fatalf("%g A, want %g A", got, now)
			}
		}
		// Each look after a switching is one nanosecond long.
		if got := b.Look().Charge; math.Abs(got-want) > 1e-9*moved+1e-7 {
			t.Fatalf("%g A·s, want %g A·s", got, want)
		}
	})
}

func TestPaces(t *testing.T) {
	b := bench(t, instrument.Max)
	b.Ask()
	b.Ask()
	if b.Now() != 2*b.Interval() {
		t.Errorf("two questions at most speed: %d ns", b.Now())
	}
	if err := b.Step(1e9); err != nil || b.Now() != 2*b.Interval()+1e9 || b.Skipped() != 0 {
		t.Errorf("stepped at most speed: %v, %d ns", err, b.Now())
	}
	b = bench(t, instrument.Real)
	b.Ask()
	if b.Now() != 0 {
		t.Error("a question moves real time")
	}
	if err := b.Step(1e9); err != nil || b.Now() != 1e9 || b.Skipped() != 1e9 {
		t.Errorf("real time that was skipped: %v, %d ns, %d ns of them skipped", err, b.Now(), b.Skipped())
	}
	b = bench(t, instrument.Stepped)
	if err := b.Step(-1); !errors.Is(err, instrument.ErrRange) {
		t.Errorf("a step back: %v", err)
	}
	b.Advance(math.MaxInt64)
	if b.Now() != instrument.Latest {
		t.Errorf("the end of time is %d ns", b.Now())
	}
	b.Step(1e9)
	b.Look()
}

// TestPlanUntilSomebodySwitches: knobs that are off change nothing; the first contact ends the plan, and the pack goes on as it is.
func TestPlanUntilSomebodySwitches(t *testing.T) {
	step := model.Step{Kind: model.Discharge, Load: model.Load{Current: 1.4}, Ends: model.Ends{Time: 3600e9}}
	b := bench(t, instrument.Stepped, step)
	b.Step(60e9)
	if err := b.SetLoad(instrument.Load{Level: 3}); err != nil {
		t.Fatal(err)
	}
	if s := b.Look(); !b.Planned() || s.Amps != -1.4 {
		t.Errorf("a knob that is turned while it is off: planned %v, %g A", b.Planned(), s.Amps)
	}
	before := b.Look()
	if err := b.SetLoad(instrument.Load{Level: 3, On: true}); err != nil {
		t.Fatal(err)
	}
	after := b.Look()
	if b.Planned() || after.Amps != -3 || math.Abs(after.Left-before.Left) > 1e-6 || after.Volts >= before.Volts {
		t.Errorf("switched over: planned %v, %+v after %+v", b.Planned(), after, before)
	}
	b = bench(t, instrument.Stepped, step)
	b.Step(7200e9)
	if s := b.Look(); b.Planned() || s.Amps != 0 || math.Abs(s.Charge+1.4*3600) > 1e-6 {
		t.Errorf("after the plan: planned %v, %+v", b.Planned(), s)
	}
}

func TestKnobs(t *testing.T) {
	b := bench(t, instrument.Stepped)
	for _, c := range []struct {
		s    instrument.Source
		l    instrument.Load
		want error
	}{
		{instrument.Source{Volts: -1}, instrument.Load{}, instrument.ErrRange},
		{instrument.Source{Volts: math.NaN()}, instrument.Load{}, instrument.ErrRange},
		{instrument.Source{Amps: math.Inf(1)}, instrument.Load{}, instrument.ErrRange},
		{instrument.Source{Volts: 14, On: true}, instrument.Load{}, instrument.ErrRange},
		{instrument.Source{}, instrument.Load{Mode: instrument.Resistance, On: true}, instrument.ErrRange},
		{instrument.Source{}, instrument.Load{Mode: 9}, instrument.ErrRange},
		{instrument.Source{}, instrument.Load{Level: math.NaN(), On: true}, instrument.ErrRange},
		{instrument.Source{Volts: 14, Amps: 1, On: true}, instrument.Load{Mode: instrument.Power, Level: 1, On: true}, instrument.ErrConflict},
		{instrument.Source{Volts: 20, Amps: 1, On: true}, instrument.Load{}, instrument.ErrConflict},
		{instrument.Source{Volts: 14, Amps: 1, On: true}, instrument.Load{Level: 1, On: true}, nil},
	} {
		before, held := b.Source(), b.Load()
		if err := b.Turn(c.s, c.l); !errors.Is(err, c.want) || c.want == nil && err != nil {
			t.Errorf("%+v %+v: %v, want %v", c.s, c.l, err, c.want)
		}
		if c.want != nil && (b.Source() != before || b.Load() != held) {
			t.Errorf("%+v %+v: refused, and turned all the same", c.s, c.l)
		}
	}
	b.Restart()
	if b.Source().On || b.Load().On || b.Look().Charge != 0 {
		t.Error("a restart leaves something on")
	}
}

// TestLoadTrips: in each mode a load empties the pack, trips, and the pack rests; time goes on.
func TestLoadTrips(t *testing.T) {
	for mode, level := range map[instrument.Mode]float64{instrument.Current: 7, instrument.Power: 80, instrument.Resistance: 1.5} {
		b := bench(t, instrument.Stepped)
		if err := b.SetLoad(instrument.Load{Mode: mode, Level: level, On: true}); err != nil {
			t.Fatal(err)
		}
		b.Step(1e9)
		s := b.Look()
		watts := map[instrument.Mode]float64{instrument.Current: 7 * s.Volts, instrument.Power: 80, instrument.Resistance: s.Volts * s.Volts / 1.5}[mode]
		if math.Abs(-s.Amps*s.Volts-watts) > 1e-3*watts {
			t.Errorf("mode %d: %g W, want %g W", mode, -s.Amps*s.Volts, watts)
		}
		b.Step(100 * 3600e9)
		if s := b.Look(); !b.Tripped() || b.Load().On || math.Abs(s.Amps) > 1e-9 || b.Now() < 100*3600e9 {
			t.Errorf("mode %d: tripped %v, on %v, %+v", mode, b.Tripped(), b.Load().On, s)
		}
		// More power than the pack can give trips at once.
		if err := b.SetLoad(instrument.Load{Mode: instrument.Power, Level: 90e3, On: true}); err != nil {
			t.Fatal(err)
		}
		b.Step(1e9)
		if !b.Tripped() {
			t.Error("90 kW are drawn from an empty pack")
		}
	}
}
