package loggers

import (
	"math"

	"stuntcell/emulator/link"
)

// cutoff opens the load at the end voltage.
type cutoff interface {
	// powerUp is told whether a test goes on and whether its load was opened for good.
	powerUp(resumed, stopped bool, a *link.Answer)
	// watch looks at each sample, failed ones too; true if what stopped says has changed.
	watch(m *meter, s *sample, a *link.Answer) bool
	stopped() bool
}

// lowStop opens the load when the bus has been below the level for the hold time, and keeps it open, over a restart too.
// A failed reading does not interrupt the hold: if the sensor dies below the level, the load opens all the same.
// A charge arms it again.
type lowStop struct {
	below bool
	since uint64 // ticks of uptime at which the bus fell below
	open  bool
	// level and hold take over the settings cutoff_mv and cutoff_hold_ms; nil: as they are.
	level, hold func(int64) int64
}

func (c *lowStop) powerUp(_, stopped bool, a *link.Answer) {
	c.open = stopped
	if stopped {
		a.Do(link.LoadOff)
	}
}

func (c *lowStop) watch(m *meter, s *sample, a *link.Answer) bool {
	if m.g.CutoffMV == 0 {
		return false
	}
	if s.good && charging(m, s) {
		armed := c.open
		c.open, c.below = false, false
		return armed
	}
	if c.open {
		return false
	}
	if s.good {
		below := isBelow(s.volts, taken(c.level, m.g.CutoffMV))
		if below && !c.below {
			c.since = s.up
		}
		c.below = below
	}
	if !c.below || !heldFor(m, s.up-c.since, taken(c.hold, m.g.CutoffHoldMS)) {
		return false
	}
	c.open = true
	a.Do(link.LoadOff)
	return true
}

// taken is a setting as it is taken over.
func taken(over func(int64) int64, value int64) int64 {
	if over == nil {
		return value
	}
	return over(value)
}

func (c *lowStop) stopped() bool { return c.open }

// isBelow compares in whole microvolts, so that a reading of exactly the level is not below it.
func isBelow(volts float64, levelMV int64) bool { return math.Round(volts*1e6) < float64(levelMV)*1000 }

// heldFor says whether so many ticks are the hold time or more.
func heldFor(m *meter, ticks uint64, holdMS int64) bool {
	return float64(ticks)*1000 >= float64(holdMS)*float64(m.g.TickHz)
}

// charging says that charge flows in: more than noise and offset of a few counts.
func charging(m *meter, s *sample) bool { return s.amps > 8*m.count }

// byReadings counts the hold in readings, hold/read_ms + 1 of them.
type byReadings struct {
	lowStop
	seen int64
}

func (c *byReadings) watch(m *meter, s *sample, a *link.Answer) bool {
	if m.g.CutoffMV == 0 || c.open {
		return false
	}
	switch {
	case !s.good && c.seen == 0:
	case s.good && (!isBelow(s.volts, m.g.CutoffMV) || charging(m, s)):
		c.seen = 0
	default:
		c.seen++
	}
	if c.seen == 0 || c.seen < m.g.CutoffHoldMS/max(m.g.ReadMS, 1)+1 {
		return false
	}
	c.open = true
	a.Do(link.LoadOff)
	return true
}

// leadStop adds the drop of the leads back before it compares.
type leadStop struct {
	lowStop
	ohm float64
}

func (c *leadStop) watch(m *meter, s *sample, a *link.Answer) bool {
	at := *s
	at.volts -= s.amps * c.ohm
	return c.lowStop.watch(m, &at, a)
}

// noStop leaves the load alone; healthy for a logger that says that it cannot.
type noStop struct{}

func (noStop) powerUp(_, _ bool, _ *link.Answer)              {}
func (noStop) watch(_ *meter, _ *sample, _ *link.Answer) bool { return false }
func (noStop) stopped() bool                                  { return false }
