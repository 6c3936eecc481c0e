package model

import "math"

// Bounds of the stretches of time that are solved at once.
const (
	longest  = 30 * 86400.0 // [s]
	shortest = 1e-7         // [s]: below it a law that has no solution is an event, not a matter of the step
	// tolerance of a law (constant voltage, power, resistance) in mid stretch [V of one cell].
	tolerance = 2e-6
	// toleranceHeat is how far a stretch may warm the cells beyond what a heat that changes along a line would [K].
	toleranceHeat = 2e-4
)

// outside returns what the outside wants from now on.
func (c *Course) outside() law {
	if c.Done() {
		return law{until: never}
	}
	step, t := &c.plan[c.idx], c.now-c.step.end.Begin
	l := law{until: never}
	switch {
	case step.Kind == Discharge && c.loadOn:
		l = step.Load.law(t, -1, c.step.locked)
	case step.Kind == Discharge:
		l.value = -c.leak
	case step.Kind == Charge && c.chargeOn:
		l = step.Load.law(t, 1, false)
		if step.Store && l.kind == fixedCurrent {
			l.value = c.grains(l.value)
		}
	}
	if l.until < never {
		l.until += c.step.end.Begin
	}
	l.draw = c.draw
	if c.dead {
		l.draw = 0
	}
	if l.draw > 0 && c.board.noOut {
		l.draw = 0
	}
	return l
}

// prepare solves the next stretch from now on, ending steps whose end is already there, until a stretch of some length stands.
func (c *Course) prepare() {
	for !c.Done() && !c.playing {
		c.solveStretch(c.outside())
	}
}

// schedule is the next instant that the step's clocks fix, and the reason if it ends the step there.
func (c *Course) schedule() (int64, Reason) {
	e, s := &c.plan[c.idx].Ends, &c.step
	limit, reason := int64(never), Reason("")
	take := func(t int64, why Reason) {
		if t < limit {
			limit, reason = t, why
		}
	}
	if e.Time > 0 {
		take(s.end.Begin+e.Time, ByTime)
	}
	if s.below >= 0 {
		take(s.below+e.VoltageFor, ByVoltage)
	}
	if e.Logger > 0 && s.openSince >= 0 {
		take(s.openSince+e.Hold-s.open, ByLogger)
	}
	if s.cut >= 0 && e.Logger > 0 {
		// The logger is given its hold and a minute to see that the pack has gone.
		take(s.cut+e.Hold+60e9, ByProtection)
	}
	if v := c.plan[c.idx].Load.Inverter; v != nil && s.locked && v.Restart > 0 && c.now < s.lockedAt+v.delay() {
		take(s.lockedAt+v.delay(), "")
	}
	if t := c.boardDue(); t < limit {
		limit, reason = t, ""
	}
	return limit, reason
}

// solveStretch solves one stretch from now on and finds the first event in it, or ends the step where its end is already there.
func (c *Course) solveStretch(l law) {
	step := &c.plan[c.idx]
	c.respond()
	charger := step.Kind == Charge && c.chargeOn && step.Voltage > 0 && !c.dead
	regime := constantCurrent
	if charger {
		full, v, ok := c.settle(l)
		c.step.full = full
		past := ok && v >= step.Voltage*(1-1e-12)
		if past && step.Store && c.opts.Store.Grain > 0 && full > 0 {
			// It cannot hold a voltage, only take a grain less.
			c.step.fewer++
			if c.grains(step.Load.Current) == 0 {
				c.endStep(ByTaper)
			}
			return
		}
		if past {
			l = law{kind: fixedVoltage, value: step.Voltage, draw: l.draw, until: l.until}
			regime = constantVoltage
			if _, v, _ := c.settle(law{value: -l.draw}); v > step.Voltage*(1+1e-12) {
				l.kind, l.value, regime = fixedCurrent, 0, idling
			}
		}
	}
	i0, v0, ok := c.settle(l)
	if c.step.end.BeginV == 0 {
		_, c.step.end.BeginV, _ = c.settle(law{})
		i0, v0, ok = c.settle(l)
	}
	if l.share > 0 {
		l.tone.amp = l.share * (i0 + l.draw)
	}
	l, cutOff := c.boardAllows(l, i0)
	if cutOff {
		i0, v0, ok = c.settle(l)
		regime = constantCurrent
		if step.Kind == Discharge && c.loadOn && c.step.cut < 0 {
			if step.Ends.Logger == 0 {
				c.endStep(ByProtection)
				return
			}
			c.step.cut = c.now
		}
	}
	c.step.regime = regime
	if why := c.startsPast(v0, i0, cutOff); ok && why != "" {
		c.endsNow(why)
		return
	}
	if c.renew {
		c.renew = false
		return // the load has changed: from the beginning
	}
	if ok {
		c.boardWatches(i0)
	}
	limit, reason := c.schedule()
	if limit <= c.now {
		if reason == "" {
			c.boardActs()
		} else {
			c.endStep(reason)
		}
		return
	}
	if !ok {
		c.endsNow(ByPower)
		return
	}
	whole := min(limit, l.until)
	w, h, ok := c.trial(l, i0, math.Min(c.opts.most, float64(whole-c.now)*1e-9))
	if !ok {
		c.endsNow(ByPower)
		return
	}
	if cutOff {
		w.series, w.cut = 0, 0
		if step.Kind == Charge && c.chargeOn && c.board.noIn {
			w.cut = step.Voltage
		}
	}
	stop := c.now + int64(math.Round(h*1e9))
	if stop > whole || float64(whole-c.now)*1e-9 <= h {
		stop = whole
	}
	c.w, c.stop, c.what, c.playing = &w, max(stop, c.now+1), event{}, true
	if c.stop == limit {
		c.what = event{kind: boardTimer}
		if reason != "" {
			c.what = event{kind: endOfStep, reason: reason}
		}
	}
	c.locate(l, regime, h, cutOff)
}

// endsNow ends the step; where the pack is only dead (a rest, a charge) it goes on without current instead.
func (c *Course) endsNow(why Reason) {
	if why == ByEmpty && c.plan[c.idx].Kind != Discharge {
		c.dead = true
		return
	}
	c.endStep(why)
}

// trial solves a stretch of at most h seconds under the law and shortens it until the law holds in mid stretch.
func (c *Course) trial(l law, i0, h float64) (wave, float64, bool) {
	if c.warming(i0) {
		h = math.Min(h, c.pack.Heat.Capacity*c.pack.Heat.Resistance/16)
	}
	if l.tone.amp != 0 {
		// So many periods can be searched for an event one by one.
		h = math.Min(h, 2e4*2*math.Pi/l.tone.omega)
	}
	if l.kind == fixedCurrent && !c.bench.mixed && !c.sides(i0) {
		c.bench.s0[0], c.bench.s1[0], c.bench.i1[0] = 0, 0, i0
		return c.line(l, i0, h), h, true
	}
	full := h
	if c.hint > 0 && c.hint < h {
		h = c.hint
	} else if c.hint == 0 {
		h = math.Min(h, c.firstTry(l))
	}
	for {
		w, miss, ok := c.tryOnce(l, i0, h)
		if ok && miss <= 1 {
			grow := 2.0
			if miss > 0 {
				grow = math.Min(2, 0.9/math.Sqrt(miss))
			}
			if h < full {
				c.hint = h * grow
			} else {
				c.hint = math.Max(c.hint, h)
			}
			return w, h, true
		}
		if h <= shortest {
			return w, h, ok
		}
		shrink := 0.25
		if ok {
			shrink = math.Max(0.1, math.Min(0.7, 0.9/math.Sqrt(miss)))
		}
		h = math.Max(shortest, h*shrink)
	}
}

// firstTry is a first length for a stretch whose solution is not a closed form.
func (c *Course) firstTry(l law) float64 {
	if l.kind == fixedCurrent && c.bench.strings == 1 {
		return 600
	}
	h := 60.0
	for _, p := range c.pack.Cell.Pairs {
		h = math.Min(h, p.Tau/8)
	}
	return h
}

// sides reports whether any current flows that is not stored.
func (c *Course) sides(i0 float64) bool {
	k := &c.pack.Cell
	return c.bench.mixed || k.SelfDischarge != 0 || i0 > 0 && (k.Gassing.Current != 0 || !k.Acceptance.IsZero())
}

// side is the current of a unit that is not stored [A]: gassing, self-discharge, a short, and what is not accepted of a charging current i.
func (u *unit) side(v, z, T, i float64) float64 {
	k := u.cell
	s := k.leakage(T)*z*k.Capacity + v*u.short
	if i > 0 {
		// At rest and below, what gassing takes is in the self-discharge.
		s += k.Gassing.at(v, T-k.Reference)
		if !k.Acceptance.IsZero() {
			s += i * (1 - math.Min(1, math.Max(0, k.Acceptance.At(z))))
		}
	}
	return s
}

// tryOnce solves the law at the end of a stretch of h seconds by Newton's method on string currents and side currents. miss is the error in
// mid stretch over what is allowed.
func (c *Course) tryOnce(l law, i0, h float64) (w wave, miss float64, ok bool) {
	b := &c.bench
	copy(b.i1, b.i0)
	for s := range b.points {
		v := b.points[s].volts(b.i0[s]) // of the string; its cells share it closely enough for a first side current
		for j := s * b.series; j < (s+1)*b.series; j++ {
			u := &c.units[j]
			if b.mixed {
				v = c.cellNow(j, b.i0[s])
			}
			b.s0[j] = u.side(v/b.each, u.st.z, c.T, b.i0[s]*b.share)
			b.s1[j] = b.s0[j]
		}
	}
	c.guessHeat(h)
	for n := 0; ; n++ {
		if n == 40 {
			return w, 0, false
		}
		c.buildAll(h)
		var total, conduct, mean float64
		for s := range b.i1 {
			c.stringEnd(s, h)
			total += b.i1[s]
			conduct += 1 / b.gain[s]
			mean += b.volts[s] / b.gain[s]
		}
		// The strings together: at the voltage mean they carry total between them.
		mean /= conduct
		var v float64
		switch l.kind {
		case fixedVoltage:
			v = l.value
		default:
			if mean <= 0 && l.kind != fixedCurrent {
				return w, 0, false
			}
			want, slope := l.wants(mean)
			d := 1 - slope/conduct
			if d <= 0.02 {
				return w, 0, false // beyond the most power that the pack can give
			}
			v = mean + (want-total)/d/conduct
		}
		done := true
		for s := range b.i1 {
			next := b.i1[s] + (v-b.volts[s])/b.gain[s]
			if l.kind == fixedCurrent && b.strings == 1 {
				next = i0
			}
			if math.IsNaN(next) || math.IsInf(next, 0) {
				return w, 0, false
			}
			done = done && math.Abs(next-b.i1[s])*b.gain[s] <= 1e-12*float64(c.pack.Series)
			b.i1[s] = next
			for j := s * b.series; j < (s+1)*b.series; j++ {
				uw := &b.waves[j]
				side := c.units[j].side(uw.voltage(h)/b.each, uw.z.at(h, tone{}), b.T1, next*b.share)
				if math.IsNaN(side) || math.IsInf(side, 0) {
					return w, 0, false
				}
				done = done && math.Abs(side-b.s1[j]) <= 1e-11*math.Abs(next)*b.share+1e-15*c.pack.Cell.Capacity/3600
				b.s1[j] = side
			}
		}
		if done {
			break
		}
	}
	// The law holds for the smooth part; the tone rides on it.
	plain := l
	plain.tone = tone{}
	w = c.assemble(plain, i0, h)
	miss = c.misses(l, &w, h)
	if l.tone.amp != 0 {
		w = c.assemble(l, i0, h)
	}
	return w, miss, true
}

// stringEnd sums a string's voltage at the end of the stretch and how it answers to the string's end current.
func (c *Course) stringEnd(s int, h float64) {
	b := &c.bench
	b.volts[s], b.gain[s] = 0, 0
	for j := s * b.series; j < (s+1)*b.series; j++ {
		w := &b.waves[j]
		y := w.level(h)
		_, ocv := w.cell.OCV.Both(y)
		r, dr := w.cell.factor(w.charging).Both(y)
		ohm := w.rho + w.rhs*h
		g := (ocv+ohm*dr*b.i1[s]*b.share)*b.share*h/2/w.cell.Capacity + ohm*r*b.share
		for k := range w.pairs {
			p1, p2 := phi(w.pair[k].k * h)
			g += w.pair[k].g * h * (p1 - p2)
		}
		b.volts[s] += w.voltage(h)
		b.gain[s] += g * b.each
	}
}

// misses is the largest error of the lines in mid stretch over what is allowed.
func (c *Course) misses(l law, w *wave, h float64) float64 {
	b, k := &c.bench, &c.pack.Cell
	cells := float64(c.pack.Series)
	mid := h / 2
	v, i := w.voltage(mid), w.current(mid)
	miss := 0.0
	switch l.kind {
	case fixedVoltage:
		miss = math.Abs(v-l.value) / cells / tolerance
	case fixedPower, fixedResistance:
		want, _ := l.wants(v)
		miss = math.Abs(want-i) * k.Total() / float64(c.pack.Parallel) / tolerance
		miss = math.Max(miss, math.Abs(w.m*h/w.i0)/0.02)
	}
	if !c.isothermal() {
		bend := c.heatAt(0.5, h) - (c.heatNow()+c.heatAt(1, h))/2
		miss = math.Max(miss, math.Abs(bend)*h/c.pack.Heat.Capacity/toleranceHeat)
	}
	for s := range b.i1 {
		is := (b.i0[s] + b.i1[s]) / 2
		volts := 0.0
		for j := s * b.series; j < (s+1)*b.series; j++ {
			uw := &b.waves[j]
			vj := uw.voltage(mid)
			volts += vj
			side := c.units[j].side(vj/b.each, uw.z.at(mid, tone{}), c.T, is*b.share)
			// A hundred-thousandth of the current, or of a C/1000 current.
			allowed := 1e-5 * math.Max(math.Abs(is)*b.share, k.Capacity/3.6e6)
			miss = math.Max(miss, math.Abs(side-(b.s0[j]+b.s1[j])/2)/allowed)
		}
		if b.mixed {
			// The cubic, and the strings beside each other, against the cells themselves.
			miss = math.Max(miss, math.Abs(volts-v)/cells/tolerance)
		}
	}
	return miss
}

// line solves the stretch for a current that is known: i0 throughout.
func (c *Course) line(l law, i0, h float64) wave {
	b := &c.bench
	copy(b.i1, b.i0)
	if b.strings == 1 {
		b.i0[0], b.i1[0] = i0, i0
	}
	copy(b.s1, b.s0)
	c.guessHeat(h)
	c.buildAll(h)
	return c.assemble(l, i0, h)
}
