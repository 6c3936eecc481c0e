package model

import "math"

// beginStep starts the next step of the plan.
func (c *Course) beginStep() {
	c.idx++
	c.hint = 0
	if c.Done() {
		return
	}
	kind := c.plan[c.idx].Kind
	c.loadOn, c.chargeOn = kind == Discharge, kind == Charge
	if kind == Charge {
		c.dead = false
	}
	c.step = stepState{
		end:   StepEnd{Plan: c.idx, Begin: c.now, End: c.now, MinV: math.Inf(1), MaxV: math.Inf(-1), MaxTemperature: c.T, MinTemperature: c.T, LowestCell: math.Inf(1)},
		below: -1, cut: -1, openSince: -1, peak: math.Inf(-1),
	}
}

// endStep closes the account of the running step and begins the next.
func (c *Course) endStep(why Reason) {
	e := c.step.end
	e.Why, e.End = why, c.now
	if e.End == e.Begin {
		// It ended before any time passed: what the terminals would have shown.
		c.respond()
		_, e.EndV, _ = c.settle(c.outside())
		e.MinV, e.MaxV, e.EndI = e.EndV, e.EndV, 0
		e.LowestCell = e.EndV / float64(c.pack.Series)
	}
	c.ended = append(c.ended, e)
	c.beginStep()
}

// account adds the played stretch from its origin to now to the step and takes over the state.
func (c *Course) account() {
	w := c.w
	s := w.seconds(c.now)
	e := &c.step.end
	if s > 0 {
		_, energy := w.integrals(0, s)
		e.Charge += w.charge(0, s)
		e.Throughput += w.throughput(0, s)
		e.Energy += energy
		if c.plan[c.idx].Store {
			c.book(energy, s)
		}
		for _, at := range [...]float64{0, s / 2, s} {
			v, swing := w.voltage(at), w.swing(at)
			e.MinV, e.MaxV = math.Min(e.MinV, v-swing), math.Max(e.MaxV, v+swing)
		}
		e.EndV, e.EndI = w.voltage(s), w.current(s)
		c.T = w.heat.at(s, tone{})
		e.MaxTemperature, e.MinTemperature = math.Max(e.MaxTemperature, c.T), math.Min(e.MinTemperature, c.T)
		for j := range c.units {
			uw, u := &c.bench.waves[j], &c.units[j]
			if v := uw.voltage(s) / c.bench.each; v < e.LowestCell {
				e.LowestCell = v
				if c.bench.mixed && c.step.cut < 0 {
					e.String, e.Cell = j/c.bench.series+1, j%c.bench.series+1
				}
			}
			u.take(uw, s)
		}
	}
	c.playing = false
}

// take reads the unit's state from its wave.
func (u *unit) take(w *wave, s float64) {
	st := &u.st
	st.z, st.u = w.z.at(s, w.tone), w.u.at(s, tone{})
	for k := range w.pairs {
		st.v[k] = w.pair[k].at(s, w.tone)
	}
	if u.cell.Hysteresis.Volts != 0 {
		st.h = w.hyst.at(s, tone{})
	}
}

// cut ends the stretch now because something outside changes.
func (c *Course) cut() {
	if c.playing {
		c.account()
		c.hint = 0
	}
}

// finish is called when the stretch was played to its end.
func (c *Course) finish() {
	what := c.what
	c.account()
	switch what.kind {
	case endOfStep:
		c.endStep(what.reason)
	case belowBegin:
		c.step.below = c.now
	case belowEnd:
		c.step.below = -1
	case inverterOff:
		c.step.locked, c.step.lockedAt = true, c.now
	case inverterOn:
		c.step.locked = false
	}
}

// countOpen keeps the count of the powered time for which the logger's contact has been open.
func (c *Course) countOpen() {
	if c.Done() || c.plan[c.idx].Ends.Logger == 0 {
		return
	}
	s := &c.step
	closed := c.loadOn
	if c.plan[c.idx].Kind == Charge {
		closed = c.chargeOn
	}
	if s.openSince >= 0 {
		s.open += c.now - s.openSince
		s.openSince = -1
	}
	switch {
	case closed:
		s.open = 0
	case c.powered:
		s.openSince = c.now
	}
}
