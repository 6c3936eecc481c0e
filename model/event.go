package model

import "math"

// eventKind is what stands at the end of a stretch.
type eventKind uint8

const (
	goOn        eventKind = iota // nothing: the solution is renewed
	endOfStep                    // the step ends for reason
	belowBegin                   // the voltage end's condition begins to hold
	belowEnd                     // ... ceases to hold
	inverterOff                  // the load's inverter gives up
	inverterOn                   // ... starts again
	boardTimer                   // a delay of the protection board has passed
)

type event struct {
	kind   eventKind
	reason Reason
}

// startsPast returns the reason for which the step ends at this instant, before any time passes; empty if it goes on. It also
// starts or stops the count of the voltage end where a switching moved the voltage across it.
func (c *Course) startsPast(v, i0 float64, cutOff bool) Reason {
	step, s := &c.plan[c.idx], &c.step
	e := &step.Ends
	if e.Voltage > 0 && !cutOff {
		past := v <= e.Voltage
		if step.Kind == Charge {
			past = v >= e.Voltage
		}
		switch {
		case math.Abs(v-e.Voltage) < 1e-9*e.Voltage && c.now > s.end.Begin: // a crossing that was located: the flag stands
		case past && s.below < 0:
			s.below = c.now
			if e.VoltageFor == 0 {
				return ByVoltage
			}
		case !past:
			s.below = -1
		}
	}
	if inv := step.Load.Inverter; inv != nil && step.Kind == Discharge && c.loadOn && !cutOff {
		// A jump of the load may carry the voltage across a level of the inverter.
		switch {
		case !s.locked && inv.Lockout > 0 && v <= inv.Lockout*(1-1e-9):
			s.locked, s.lockedAt, c.renew = true, c.now, true
		case s.locked && inv.Restart > 0 && c.now >= s.lockedAt+inv.delay() && v >= inv.Restart*(1+1e-9):
			s.locked, c.renew = false, true
		}
	}
	switch {
	case step.Store && step.Kind == Discharge && c.store.Level >= c.opts.Store.Capacity*(1-1e-12) && i0 < 0:
		return ByStore
	case step.Store && step.Kind == Charge && c.store.Level <= c.opts.Store.Capacity*1e-12 && i0 > 0:
		return ByStore
	case step.Kind == Discharge && e.Floor > 0 && v <= e.Floor && !cutOff:
		return ByFloor
	case e.Temperature > 0 && c.T >= e.Temperature:
		return ByTemperature
	case step.Kind == Charge && c.chargeOn && e.Current > 0 && s.regime != constantCurrent && math.Max(i0, c.heldNow()) <= e.Current:
		return ByTaper
	case i0 < 0 && c.meanLevel() <= 1e-9:
		return ByEmpty
	}
	return ""
}

// meanLevel is the mean charge fraction that the cells' voltages follow.
func (c *Course) meanLevel() float64 {
	y := 0.0
	for j := range c.units {
		y += c.units[j].st.z - c.units[j].st.u
	}
	return y / float64(len(c.units))
}

// heldNow is the current below which the charger's is held up in its constant-voltage phase.
func (c *Course) heldNow() float64 {
	if c.step.regime == constantVoltage {
		return c.held
	}
	return 0
}

// locate finds the first event within the stretch of h seconds and ends it there.
func (c *Course) locate(l law, regime regime, h float64, cutOff bool) {
	w, step, s := c.w, &c.plan[c.idx], &c.step
	e := &step.Ends
	first := math.Min(h, w.seconds(c.stop))
	found := false
	take := func(at float64, kind eventKind, why Reason) {
		// Ends win over what happens at the same instant.
		if at < first || at == first && !found && kind == endOfStep && c.what.kind != endOfStep {
			first, found, c.what = at, true, event{kind, why}
		}
	}
	if e.Charge > 0 {
		moved := func(t float64) float64 { return math.Abs(s.end.Charge+w.charge(0, t)) - e.Charge }
		if moved(first) >= 0 {
			take(bisect(moved, 0, first), endOfStep, ByCharge)
		}
	}
	if w.m != 0 {
		zero := -w.i0 / w.m
		if zero > 0 && zero < first && w.i0 != 0 {
			// The ohmic part has another curve on the other side of zero.
			take(zero, goOn, "")
		}
	}
	if regime == constantVoltage {
		c.locateTaper(l, take, &first)
	}
	if step.Kind == Charge && c.chargeOn && step.Voltage > 0 && !cutOff {
		switch regime {
		case constantCurrent:
			if at, ok := w.crosses(step.Voltage, false, first); ok {
				take(at, goOn, "")
			}
		case idling:
			if at, ok := w.crosses(step.Voltage, true, first); ok {
				take(at, goOn, "")
			}
		}
	}
	c.locateBoard(take, &first)
	if v := step.Load.Inverter; v != nil && step.Kind == Discharge && c.loadOn && v.Lockout > 0 && !cutOff {
		level, kind := v.Lockout, inverterOff
		if s.locked {
			level, kind = v.Restart, inverterOn
		}
		if level > 0 && (!s.locked || c.now >= s.lockedAt+v.delay()) {
			if at, ok := w.crosses(level, !s.locked, first); ok {
				take(at, kind, "")
			}
		}
	}
	if step.Store {
		c.locateStore(take, &first)
	}
	if e.Voltage > 0 && !cutOff {
		down := step.Kind != Charge
		if s.below < 0 {
			if at, ok := w.crosses(e.Voltage, down, first); ok {
				if e.VoltageFor == 0 {
					take(at, endOfStep, ByVoltage)
				} else {
					take(at, belowBegin, "")
				}
			}
		} else if at, ok := w.crosses(e.Voltage, !down, first); ok {
			take(at, belowEnd, "")
		}
	}
	if step.Kind == Discharge && e.Floor > 0 && !cutOff {
		if at, ok := w.crosses(e.Floor, true, first); ok {
			take(at, endOfStep, ByFloor)
		}
	}
	if step.Kind == Charge && e.Slope > 0 && c.chargeOn && !cutOff {
		if at, ok := w.falls(&s.peak, e.Slope, first); ok {
			take(at, endOfStep, BySlope)
		}
	}
	if e.Temperature > 0 {
		over := func(t float64) float64 { return w.heat.at(t, tone{}) - e.Temperature }
		if over(first) >= 0 {
			take(bisect(over, 0, first), endOfStep, ByTemperature)
		}
	}
	if w.current(first/2) < 0 && w.level(first) <= 0 {
		at := bisect(func(t float64) float64 { return -w.level(t) }, 0, first)
		if step.Kind == Discharge {
			take(at, endOfStep, ByEmpty)
		} else {
			take(at, goOn, "")
		}
	}
	if found {
		c.stop = min(c.stop, max(c.now+1, w.origin+int64(math.Ceil(first*1e9))))
	}
}

// locateTaper handles the current of the constant-voltage phase: a taper that is held up, and the end by taper.
func (c *Course) locateTaper(l law, take func(float64, eventKind, Reason), first *float64) {
	w, e := c.w, &c.plan[c.idx].Ends
	crossing := func(level float64) (float64, bool) {
		if w.m >= 0 {
			return 0, false
		}
		at := (level - w.i0) / w.m
		return at, at > 0 && at < *first
	}
	if c.held > 0 {
		if at, ok := crossing(c.held); ok {
			take(at, goOn, "")
		} else if w.i0 <= c.held && w.i0+w.m**first <= c.held {
			w.past0, w.pastm = c.held-w.i0, -w.m
		}
	}
	if e.Current > c.held {
		if at, ok := crossing(e.Current); ok {
			take(at, endOfStep, ByTaper)
		}
	}
	// The charger comes to its current again.
	if at := (c.step.full - w.i0) / w.m; w.m > 0 && at > 0 && at < *first {
		take(at, goOn, "")
	}
	// A pack that would push current back: the charger only idles.
	if at, ok := crossing(-l.draw); ok {
		take(at, goOn, "")
	}
}

// crosses finds the first instant in (0, h] at which the terminals cross the level, downwards or upwards.
func (w *wave) crosses(level float64, down bool, h float64) (float64, bool) {
	sign := 1.0 // f rises through 0 where the event is
	if down {
		sign = -1
	}
	from := 0.0
	if w.tone.amp != 0 {
		// Search the envelope first: a day at 100 Hz has too many periods to look at.
		plain := *w
		plain.tone = tone{}
		near := level - sign*math.Max(w.swing(0), w.swing(h))
		if sign*(plain.voltage(0)-near) < 0 {
			at, ok := plain.crossesLine(near, sign, 0, h, h)
			if !ok {
				return 0, false
			}
			from = math.Max(0, at-2*math.Pi/w.tone.omega)
		}
		return w.crossesLine(level, sign, from, h, math.Pi/4/w.tone.omega)
	}
	return w.crossesLine(level, sign, from, h, h)
}

// crossesLine looks for a crossing in (from, to] with steps of at most most, shorter while a transient lives.
func (w *wave) crossesLine(level, sign, from, to, most float64) (float64, bool) {
	f := func(s float64) float64 { return sign * (w.voltage(s) - level) }
	slope := func(s float64) float64 { return sign * w.slope(s) }
	a, fa := from, f(from)
	da := math.NaN() // the slope at a, where it is known
	for a < to {
		b := math.Min(to, a+math.Min(most, w.stride(a, to-from)))
		fb := f(b)
		if fa < 0 && fb >= 0 {
			return bisect(f, a, b), true
		}
		db := math.NaN()
		if fa < 0 {
			if math.IsNaN(da) {
				da = slope(a)
			}
			if da > 0 {
				db = slope(b)
			}
			if db < 0 {
				// A summit lies between; it may reach over the level.
				top := bisect(func(s float64) float64 { return -slope(s) }, a, b)
				if f(top) >= 0 {
					return bisect(f, a, top), true
				}
			}
		}
		a, fa, da = b, fb, db
	}
	return 0, false
}

// stride is a step over which the slope of the voltage changes its sign at most once: half a time constant of the fastest transient that
// still lives, an eighth of the way when none does.
func (w *wave) stride(s, way float64) float64 {
	step := math.Max(way/8, 1e-6)
	for k := range w.pairs {
		l := &w.pair[k]
		if l.c != 0 && math.Abs(l.c)*math.Exp(-l.k*s) > 1e-8 {
			step = math.Min(step, 0.5/l.k)
		}
	}
	if w.u.c != 0 && w.u.k > 0 && math.Abs(w.u.c)*math.Exp(-w.u.k*s) > 1e-9 {
		step = math.Min(step, 0.5/w.u.k)
	}
	return step
}

// falls looks for the first instant at which the voltage has fallen by drop from its peak, and keeps the peak.
func (w *wave) falls(peak *float64, drop, h float64) (float64, bool) {
	const looks = 16
	from := 0.0
	for n := 1; n <= looks; n++ {
		s := h * float64(n) / looks
		v := w.voltage(s)
		if v <= *peak-drop {
			level := *peak - drop
			return bisect(func(t float64) float64 { return level - w.voltage(t) }, from, s), true
		}
		*peak = math.Max(*peak, v)
		from = s
	}
	return 0, false
}
