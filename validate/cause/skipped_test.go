package cause

import (
	"math"
	"testing"

	"pgregory.net/rapid"

	"stuntcell/validate/replay"
)

// What a meter loses that drops the steps of a wrap, or of half range, is what its replay falls behind by.
func TestSkipped(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		n := rapid.IntRange(1, 60).Draw(t, "n")
		s := &replay.Series{Hz: 1000, Bits: int64(rapid.IntRange(10, 16).Draw(t, "bits")), Amp: 0.004, Volt: 0.003, Period: 1}
		tick, life := rapid.Int64Range(0, 1<<16).Draw(t, "start"), int16(0)
		c := &Case{Series: s}
		for k := range n {
			step := rapid.Int64Range(1, 1<<uint(s.Bits)).Draw(t, "step")
			dt := float64(step) / s.Hz
			if k > 0 && rapid.IntRange(0, 15).Draw(t, "cut") == 0 {
				life++
				dt = 0
			}
			tick += step
			i := rapid.Float64Range(-5, 5).Draw(t, "amps")
			if rapid.IntRange(0, 4).Draw(t, "fails") == 0 {
				i = math.NaN()
			}
			s.I, s.V, s.Tick, s.Life = append(s.I, i), append(s.V, 12+i), append(s.Tick, tick), append(s.Life, life)
			s.TickDt = append(s.TickDt, dt)
			c.Index = append(c.Index, k)
		}
		s.TickDt[0] = 0
		c.Meter.Bad = rapid.SampledFrom([]replay.Bad{replay.Bridge, replay.Hold}).Draw(t, "bad")
		rule := rapid.SampledFrom([]replay.Rule{replay.Trapezoid, replay.Left, replay.Right}).Draw(t, "rule")
		clock := rapid.SampledFrom([]replay.Clocking{replay.WrapSkip, replay.HalfSkip}).Draw(t, "clock")
		lost := c.skipped(rule, clock)
		good, bad := c.healthy(rule), s.Run(replay.Meter{Rule: rule, Bad: c.Meter.Bad, Clocking: clock}, c.Index)
		for k := range n {
			// The charge of a bridge over failed readings is counted at its end.
			if !s.Good(k) && c.Meter.Bad == replay.Bridge {
				continue
			}
			if want := bad.Charge[k] - good.Charge[k]; math.Abs(lost[k]-want) > 1e-9 {
				t.Fatalf("reading %d: %g, want %g", k, lost[k], want)
			}
		}
	})
}
