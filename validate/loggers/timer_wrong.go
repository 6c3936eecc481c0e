package loggers

import (
	"math"

	"stuntcell/emulator/link"
)

// rawTimer is what the mistaken timers share: the lap before and the rate.
type rawTimer struct {
	last    uint64
	hz      float64
	bits    uint
	running bool
}

func (t *rawTimer) start(g *link.Greeting) {
	*t = rawTimer{hz: float64(g.TickHz), bits: uint(min(g.TickBits, 64))}
}

// before returns the lap before and makes this one the last; at the first lap both are the same.
func (t *rawTimer) before(tick uint64) uint64 {
	last := t.last
	if !t.running {
		last = tick
	}
	t.last, t.running = tick, true
	return last
}

// signed reads a tick as a signed number of the counter's width.
func (t *rawTimer) signed(tick uint64) int64 {
	return int64(tick<<(64-t.bits)) >> (64 - t.bits)
}

// widened subtracts in 64 bits: "int64 is large enough for any time". The counter is not: at its wrap the step is short
// by a whole turn of the counter.
type widened struct{ rawTimer }

func (t *widened) lap(tick uint64, _ int64) float64 {
	last := t.before(tick)
	return float64(int64(tick)-int64(last)) / t.hz
}

// floated turns both ticks into seconds first and subtracts those: the same mistake in floating point.
type floated struct{ rawTimer }

func (t *floated) lap(tick uint64, _ int64) float64 {
	last := t.before(tick)
	return float64(tick)/t.hz - float64(last)/t.hz
}

// rescaled keeps hundredths of a second in a uint32 and subtracts unsigned, as one should. But the hundredths turn over
// where the counter does, not at 2^32, so the trick does not work any more.
type rescaled struct{ rawTimer }

func (t *rescaled) lap(tick uint64, _ int64) float64 {
	last := t.before(tick)
	perHundredth := max(uint64(t.hz)/100, 1)
	d := uint32(tick/perHundredth) - uint32(last/perHundredth)
	return float64(d) * float64(perHundredth) / t.hz
}

// multiplied gets milliseconds from any rate, multiplying in 32 bits before it divides: the product turns over each 2^32/1000 ticks, and the
// milliseconds fall back there.
type multiplied struct{ rawTimer }

func (t *multiplied) lap(tick uint64, _ int64) float64 {
	last := t.before(tick)
	ms := func(tick uint64) int64 { return int64(uint32(tick) * 1000 / uint32(t.hz)) }
	return float64(ms(tick)-ms(last)) / 1000
}

// guarded adds only if time went forward: somebody saw a huge negative step once and put an `if` around it. It costs one step.
type guarded struct{ rawTimer }

func (t *guarded) lap(tick uint64, _ int64) float64 {
	last := t.before(tick)
	if tick < last {
		return 0
	}
	return float64(tick-last) / t.hz
}

// frozen has the same `if`, but the last tick is kept inside it: after the wrap no tick is ever large enough.
type frozen struct{ rawTimer }

func (t *frozen) lap(tick uint64, _ int64) float64 {
	if !t.running {
		t.last, t.running = tick, true
	}
	if tick < t.last {
		return 0
	}
	d := tick - t.last
	t.last = tick
	return float64(d) / t.hz
}

// signedWide keeps the tick in an int and subtracts in a wider type: at half range the step is short by a whole turn.
type signedWide struct{ rawTimer }

func (t *signedWide) lap(tick uint64, _ int64) float64 {
	last := t.before(tick)
	return float64(t.signed(tick)-t.signed(last)) / t.hz
}

// signedFrozen compares ticks as signed numbers before it adds: above half range none is larger than the last.
type signedFrozen struct{ rawTimer }

func (t *signedFrozen) lap(tick uint64, _ int64) float64 {
	if !t.running {
		t.last, t.running = tick, true
	}
	if t.signed(tick) < t.signed(t.last) {
		return 0
	}
	d := t.signed(tick) - t.signed(t.last)
	t.last = tick
	return float64(d) / t.hz
}

// signedGuarded is the signed comparison that moves on: it costs the one step that crosses half range.
type signedGuarded struct{ rawTimer }

func (t *signedGuarded) lap(tick uint64, _ int64) float64 {
	last := t.before(tick)
	if t.signed(tick) < t.signed(last) {
		return 0
	}
	return float64(t.signed(tick)-t.signed(last)) / t.hz
}

// saturated reads the tick with a function that gives the largest signed number for what is larger.
type saturated struct{ wrappedTimer }

func (t *saturated) lap(tick uint64, clock int64) float64 {
	return t.wrappedTimer.lap(min(tick, t.mask>>1), clock)
}

// narrowTenths keeps a step in a byte of tenths of a second, and the rest beside it, so that it is exact up to 25.6 s.
type narrowTenths struct{ wrappedTimer }

func (t *narrowTenths) lap(tick uint64, clock int64) float64 {
	return math.Mod(t.wrappedTimer.lap(tick, clock), 25.6)
}

// fromZero has `last = 0` where it is declared and nowhere else: the first step is all that the counter ever counted.
type fromZero struct{ wrappedTimer }

func (t *fromZero) start(g *link.Greeting) {
	t.wrappedTimer.start(g)
	t.last, t.running = 0, true
}

// narrow keeps the step's milliseconds in 16 bits, since a step is a second or so. A stall of the card is not.
type narrow struct {
	wrappedTimer
	signed bool
}

func (t *narrow) lap(tick uint64, clock int64) float64 {
	ms := int64(t.wrappedTimer.lap(tick, clock)*1000 + 0.5)
	if t.signed {
		return float64(int16(ms)) / 1000
	}
	return float64(uint16(ms)) / 1000
}

// nominal adds the loop's nominal period: "it runs once a second anyway".
type nominal struct {
	period  float64
	running bool
}

func (t *nominal) start(g *link.Greeting) { *t = nominal{period: float64(g.ReadMS) / 1000} }

func (t *nominal) lap(uint64, int64) float64 {
	if !t.running {
		t.running = true
		return 0
	}
	return t.period
}

// truncated divides integers: (now - last) / 1000 is 0 for 999 ms. perSecond 10 does the same in tenths.
type truncated struct {
	mask, last, hz uint64
	perSecond      uint64
	running        bool
}

func (t *truncated) start(g *link.Greeting) {
	t.mask, t.hz, t.running = tickMask(g.TickBits), uint64(g.TickHz), false
}

func (t *truncated) lap(tick uint64, _ int64) float64 {
	if !t.running {
		t.last, t.running = tick, true
	}
	units := ((tick - t.last) & t.mask) / max(t.hz/t.perSecond, 1)
	t.last = tick
	return float64(units) / float64(t.perSecond)
}

// faceTimer takes the step from the clock's face, which shows whole seconds and can be set. A guarded one ignores steps back.
type faceTimer struct {
	last    int64
	running bool
	guarded bool
}

func (t *faceTimer) start(*link.Greeting) { t.running = false }

func (t *faceTimer) lap(_ uint64, clock int64) float64 {
	if clock == link.NoClock {
		return 0
	}
	if !t.running {
		t.last, t.running = clock, true
	}
	d := clock - t.last
	t.last = clock
	if t.guarded && d < 0 {
		d = 0
	}
	return float64(d)
}

// newerOnly takes the step from the counter, but only for readings whose clock is not older than the newest seen:
// meant against readings out of order. When the clock is set back, all are older until it catches up.
type newerOnly struct {
	wrappedTimer
	newest int64
	seen   bool
}

func (t *newerOnly) lap(tick uint64, clock int64) float64 {
	dt := t.wrappedTimer.lap(tick, clock)
	if clock == link.NoClock {
		return dt
	}
	if t.seen && clock < t.newest {
		return 0
	}
	t.newest, t.seen = clock, true
	return dt
}
