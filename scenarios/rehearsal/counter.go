package rehearsal

import (
	"fmt"
	"math"

	"stuntcell/emulator"
)

// shown is how many instants of a counter are listed.
const shown = 10

// counters lists the counts that a logger may keep and that run out within a test.
func counters(s *emulator.Setup, c *Course, t *Total) []Counter {
	var out []Counter
	out = append(out, tickCounters(s, c)...)
	add := func(name string, at float64, mend string) {
		if at > 0 && at <= seconds(c.End) {
			out = append(out, Counter{name, []float64{at}, 1, mend})
		}
	}
	if !s.Rig.Clock.Absent {
		add("seconds since 1970 in a signed 32-bit number", float64(int64(1)<<31-s.Rig.Clock.Start), "Keep them in 64 bits.")
	}
	add("seconds since the start in an unsigned 16-bit number", 1<<16, "Keep them in 32 bits: 18 h 12 min is not long.")
	if s.Settings.Log >= 1<<15*1e6 {
		out = append(out, Counter{fmt.Sprintf("the log interval of %d ms in 16 bits", s.Settings.Log/1e6), []float64{0}, 1,
			"A signed one holds 32,767 ms, an unsigned one 65,535 ms: keep it in 32 bits."})
	}
	// Sums grow with the throughput; the instant is where it would pass, at the mean pace of the step in which it does.
	for _, sum := range []struct {
		name string
		amph float64
		mend string
	}{
		{"mA·ms of one direction in a signed 32-bit sum", (1 << 31) / 3.6e9, "Use 64 bits, or carry whole mA·s over."},
		{"mA·s of one direction in a signed 32-bit sum", (1 << 31) / 3.6e6, "Use 64 bits."},
		{"uAh of one direction in a signed 32-bit sum", (1 << 31) / 1e6, "Use 64 bits."},
	} {
		if times := math.Floor(math.Max(t.In, t.Out) / sum.amph); times >= 1 {
			out = append(out, Counter{sum.name, []float64{reached(c, sum.amph, t.Out >= t.In)}, int64(times), sum.mend})
		}
	}
	if step := smallest(s, c); step > 0 {
		if at := reached(c, step, t.Out >= t.In); at > 0 {
			out = append(out, Counter{"Ah in a single-precision sum, where one reading's step is lost to rounding by more than 1 %", []float64{at}, 1,
				"Sum in double precision, or in integers."})
		}
	}
	return out
}

// tickCounters lists where the counter wraps and where it passes its middle.
func tickCounters(s *emulator.Setup, c *Course) []Counter {
	t := s.Rig.Tick
	if t.Bits >= 63 {
		return nil
	}
	period := math.Ldexp(1, t.Bits)
	rate := float64(t.Hz) * (1 + t.PPM*1e-6)
	start := math.Mod(float64(t.Start)+period, period)
	list := func(what string, first float64, mend string) []Counter {
		n := Counter{What: what, Mend: mend}
		for at := first; at <= seconds(c.End); at += period / rate {
			if n.Times++; len(n.At) < shown {
				n.At = append(n.At, at)
			}
			if n.Times > 1e7 { // a counter that wraps faster than it can be read
				break
			}
		}
		if n.Times == 0 {
			return nil
		}
		return []Counter{n}
	}
	half := math.Mod(period/2-start+period, period)
	name := fmt.Sprintf("the counter, %d bits at %d Hz", t.Bits, t.Hz)
	return append(list(name+", wraps", (period-start)/rate, "Take differences in an unsigned type of exactly its width."),
		list(name+", passes its middle", half/rate, "Do not keep it in a signed type.")...)
}

// reached is when the charge moved one way passes so many Ah, 0 if it does not.
func reached(c *Course, amph float64, outward bool) float64 {
	sum := 0.0
	for _, e := range c.Steps {
		part := (e.Throughput + e.Charge) / 2 / hours
		if outward {
			part = (e.Throughput - e.Charge) / 2 / hours
		}
		if part > 0 && sum+part >= amph {
			return seconds(e.Begin) + (amph-sum)/part*seconds(e.End-e.Begin)
		}
		sum += part
	}
	return 0
}

// smallest is the sum [Ah] from which on adding the smallest step of a reading loses more than a hundredth of it in single precision:
// where half a unit in the last place of the sum, 2^-24 of it at most, is a hundredth of the step.
func smallest(s *emulator.Setup, c *Course) float64 {
	least := math.Inf(1)
	for _, e := range c.Steps {
		if d := seconds(e.End - e.Begin); e.Throughput > 0 && d > 0 {
			least = math.Min(least, e.Throughput/d*seconds(s.Rig.Readings.Interval())/hours)
		}
	}
	if math.IsInf(least, 1) {
		return 0
	}
	return math.Ldexp(least*0.02, 23)
}
