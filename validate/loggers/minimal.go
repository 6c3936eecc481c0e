package loggers

import (
	"strconv"

	"stuntcell/emulator/link"
)

// minimal is the smallest logger that is complete: it knows `r`, `row` and `ok`, has the constants of its board built in and
// says which, and leaves the load alone. A right rectangle over a 32-bit millisecond counter.
type minimal struct {
	last, next     uint32 // [ms]
	running        bool
	charge, energy float64 // [A·s], [W·s]
}

// The board's constants.
const (
	minimalShuntNohm   = 1_500_000
	minimalShuntStepNV = 6_000
	minimalBusStepUV   = 3_000
	minimalLogMS       = 10_000
)

// Greet implements [link.Logger].
func (l *minimal) Greet(_ *link.Greeting, a *link.Answer) {
	a.State(link.Mine, "tick_bits", 32)
	a.State(link.Mine, "tick_hz", 1000)
	a.State(link.Mine, "shunt_nohm", minimalShuntNohm)
	a.State(link.Mine, "shunt_step_nv", minimalShuntStepNV)
	a.State(link.Mine, "bus_step_uv", minimalBusStepUV)
	a.State(link.Mine, "log_ms", minimalLogMS)
	for _, name := range [...]string{"load", "set", "restore", "clock"} {
		a.Tell(link.Cannot, name)
	}
	a.Row("ms,V,A,Ah,Wh")
}

// Read implements [link.Logger].
func (l *minimal) Read(r *link.Reading, a *link.Answer) {
	if r.Shunt == link.Failed || r.Bus == link.Failed {
		return
	}
	now := uint32(r.Tick)
	if !l.running {
		l.last, l.next, l.running = now, now, true
	}
	dt := float64(now-l.last) / 1000
	l.last = now
	amps := float64(r.Shunt) * minimalShuntStepNV / minimalShuntNohm
	volts := float64(r.Bus) * minimalBusStepUV * 1e-6
	l.charge += amps * dt
	l.energy += amps * volts * dt
	if int32(now-l.next) < 0 {
		return
	}
	for int32(now-l.next) >= 0 {
		l.next += minimalLogMS
	}
	b := strconv.AppendUint(nil, uint64(now), 10)
	for _, x := range [...]float64{volts, amps, l.charge / 3600, l.energy / 3600} {
		b = fixed(append(b, ','), x, 6)
	}
	a.Row(string(b))
}

// Set implements [link.Logger]: it has no settings.
func (l *minimal) Set(string, int64, *link.Answer) {}

// End implements [link.Logger]: nothing is held back.
func (l *minimal) End(*link.Answer) {}
