package loggers

import "stuntcell/emulator/link"

// timer tells how long it is since the reading before.
type timer interface {
	start(g *link.Greeting)
	// lap returns the seconds since the lap before; 0 at the first.
	lap(tick uint64, clock int64) float64
}

// tickMask has a one for each bit of a counter of that width.
func tickMask(bits int64) uint64 {
	if bits >= 64 {
		return 1<<64 - 1
	}
	return 1<<uint(bits) - 1
}

// uptime unwraps the counter: ticks since power-up.
type uptime struct {
	mask, last, ticks uint64
	running           bool
}

func (u *uptime) at(tick uint64) uint64 {
	if u.running {
		u.ticks += (tick - u.last) & u.mask
	}
	u.last, u.running = tick, true
	return u.ticks
}

// wrappedTimer subtracts unsigned at the counter's own width, so that a wrap cancels out.
type wrappedTimer struct {
	mask, last uint64
	hz         float64
	running    bool
}

func (t *wrappedTimer) start(g *link.Greeting) {
	t.mask, t.hz, t.running = tickMask(g.TickBits), float64(g.TickHz), false
}

func (t *wrappedTimer) lap(tick uint64, _ int64) float64 {
	if !t.running {
		t.last, t.running = tick, true
		return 0
	}
	d := (tick - t.last) & t.mask
	t.last = tick
	return float64(d) / t.hz
}
