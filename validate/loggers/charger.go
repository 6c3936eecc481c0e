package loggers

import "stuntcell/emulator/link"

// charger opens the charger's contact when the battery is full.
type charger interface {
	powerUp(resumed, full bool, a *link.Answer)
	watch(m *meter, s *sample, a *link.Answer) bool
	full() bool
}

// fullStop ends the charge at the third reading in a row that has the end voltage, within 1 % (the charger's own regulation and
// the front end's gain), and a current that has fallen to the taper. Before that it must have seen a current that is clearly one:
// a full battery at rest stands near the end voltage too, and the front end's offset is not always zero. A discharge arms it again.
type fullStop struct {
	charging bool
	seen     int
	done     bool
	// taper takes over the setting charge_taper_ma; nil: as it is.
	taper func(int64) int64
	// wait is how long to go on after that [ms].
	wait  int64
	since uint64 // ticks of uptime at the third reading
}

func (c *fullStop) powerUp(_, full bool, a *link.Answer) {
	c.done = full
	if full {
		a.Do(link.ChargeOff)
	}
}

func (c *fullStop) watch(m *meter, s *sample, a *link.Answer) bool {
	g := &m.g
	if !s.good || g.ChargeEndMV == 0 || g.ChargeTaperMA == 0 {
		return false
	}
	if s.amps < -8*m.count {
		armed := c.done
		c.charging, c.done, c.seen = false, false, 0
		return armed
	}
	c.charging = c.charging || s.amps > 8*m.count
	tapered := c.charging && s.amps*1000 <= float64(taken(c.taper, g.ChargeTaperMA))
	if c.done || !tapered || s.volts*1000 < 0.99*float64(g.ChargeEndMV) {
		c.seen = 0
		return false
	}
	if c.seen++; c.seen == 3 {
		c.since = s.up
	}
	if c.seen < 3 || !heldFor(m, s.up-c.since, c.wait) {
		return false
	}
	c.done = true
	a.Do(link.ChargeOff)
	return true
}

func (c *fullStop) full() bool { return c.done }

// noFullStop leaves the charger alone; such a logger does not say that it can.
type noFullStop struct{}

func (noFullStop) powerUp(_, _ bool, _ *link.Answer)              {}
func (noFullStop) watch(_ *meter, _ *sample, _ *link.Answer) bool { return false }
func (noFullStop) full() bool                                     { return false }
