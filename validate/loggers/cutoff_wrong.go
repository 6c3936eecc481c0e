package loggers

import "stuntcell/emulator/link"

// restless sets the start of the hold at each reading below the level, not at the first: it is always just beginning.
type restless struct{ lowStop }

func (c *restless) watch(m *meter, s *sample, a *link.Answer) bool {
	if m.g.CutoffHoldMS > 0 {
		c.below = false
	}
	return c.lowStop.watch(m, s, a)
}

// filtered compares a voltage that a slow filter has smoothed over a minute's readings, and comes too late for it.
type filtered struct {
	lowStop
	volts float64
	any   bool
}

func (c *filtered) watch(m *meter, s *sample, a *link.Answer) bool {
	at := *s
	if s.good {
		if !c.any {
			c.volts, c.any = s.volts, true
		}
		c.volts += (s.volts - c.volts) / 64
		at.volts = c.volts
	}
	return c.lowStop.watch(m, &at, a)
}

// thermostat closes the load again 0.1 V above the level. A battery without its load is always that much higher.
type thermostat struct{ lowStop }

func (c *thermostat) watch(m *meter, s *sample, a *link.Answer) bool {
	if c.open && s.good && !isBelow(s.volts, m.g.CutoffMV+100) {
		c.open, c.below = false, false
		a.Do(link.LoadOn)
		return true
	}
	return c.lowStop.watch(m, s, a)
}

// sensorBound takes a failed reading for one that is not below the level: if the sensor dies, nothing opens the load.
type sensorBound struct{ lowStop }

func (c *sensorBound) watch(m *meter, s *sample, a *link.Answer) bool {
	if !s.good {
		c.below = false
		return false
	}
	return c.lowStop.watch(m, s, a)
}

// forgetfulStop goes on with a test after a restart by closing the load; that the test was over, it has not kept.
type forgetfulStop struct{ lowStop }

func (c *forgetfulStop) powerUp(resumed, _ bool, a *link.Answer) {
	if resumed {
		a.Do(link.LoadOn)
	}
}
