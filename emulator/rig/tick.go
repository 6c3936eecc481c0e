package rig

import (
	"math"
	"math/bits"
)

// turnoverError is the rate error of a crystal at an ambient temperature [K]: ppm + k·(T - T0)².
func turnoverError(ppm, k, turnover, ambient float64) float64 {
	if k == 0 {
		return ppm
	}
	return ppm + k*(ambient-turnover)*(ambient-turnover)
}

// Counter is the running tick counter of a rig.
type Counter struct {
	bits int
	hz   uint64
	ppm  float64
	zero int64 // instant at which it stood at base [ns]
	base int64
}

// NewCounter returns the counter as it stands at the plan's begin, at an ambient temperature [K].
func NewCounter(t Tick, ambient float64) Counter {
	c := Counter{bits: t.Bits, hz: uint64(t.Hz), ppm: turnoverError(t.PPM, t.Parabola, t.Turnover, ambient), base: t.Start}
	if t.Start < 0 && t.Bits < 63 {
		c.base += 1 << t.Bits
	}
	return c
}

// At is the count at an instant [ns] as if it never wrapped. With 63 or 64 bits a start before the wrap is negative.
func (c *Counter) At(t int64) int64 {
	since := t - c.zero
	// t·Hz/1e9 in 128 bits, so that a counter without error is exact after any time.
	high, low := bits.Mul64(uint64(since), c.hz)
	whole, rest := bits.Div64(high, low, 1e9)
	drift := float64(since) * 1e-9 * float64(c.hz) * c.ppm * 1e-6
	return c.base + int64(whole) + int64(math.Floor(float64(rest)*1e-9+drift))
}

// Wrap is what firmware reads of a count: its low bits.
func (c *Counter) Wrap(count int64) uint64 { return uint64(count) & (1<<c.bits - 1) }

// Restart sets the counter to 0 at an instant, as a power-up does.
func (c *Counter) Restart(t int64) { c.zero, c.base = t, 0 }
