package model

import "math"

// Bounds of the stretches of time that are solved at once.
const (
	longest  = 30 * 86400.0 // [s]
	shortest = 1e-7         // [s]: below it a law that has no solution is an event, not a matter of the step
	// tolerance of a law (constant voltage, power, resistance) in mid stretch [V of one cell].
	tolerance = 2e-6
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
		l = step.Load.law(t, -1)
	case step.Kind == Discharge:
		l.value = -c.leak
	case step.Kind == Charge && c.chargeOn:
		l = step.Load.law(t, 1)
	}
	if l.until < never {
		l.until += c.step.end.Begin
	}
	l.draw = c.draw
	if c.dead {
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
	return limit, reason
}

// point is the pack's response at an instant: v = open + ohm·i, with what the direction of i makes of ohm.
type point struct{ open, ohmIn, ohmOut float64 }

// respond is the pack's terminals now.
func (c *Course) respond() point {
	p, st := c.pack, &c.cell
	k := &p.Cell
	y := st.z - st.u
	v := k.OCV.At(y) + k.OCVPerKelvin*(st.T-k.Reference) + k.Hysteresis.Volts*st.h
	for i := range k.Pairs {
		v += st.v[i]
	}
	ohm := k.Resistance * k.warmth(st.T) * float64(p.Series) / float64(p.Parallel)
	return point{v * float64(p.Series), ohm * k.Charging.At(y), ohm * k.Discharging.At(y)}
}

func (p point) ohm(i float64) float64 {
	if i > 0 {
		return p.ohmIn
	}
	return p.ohmOut
}

func (p point) volts(i float64) float64 { return p.open + p.ohm(i)*i }

// amps solves the law at the point; ok is false if it has no solution: more power than E²/4R.
func (p point) amps(l law) (i float64, ok bool) {
	switch l.kind {
	case fixedVoltage:
		return (l.value - p.open) / p.ohm(l.value-p.open), true
	case fixedPower:
		// (E + R·i)·(i + draw) = P with the root that goes to zero with P.
		for _, R := range [...]float64{p.ohm(l.value), p.ohm(-l.value)} {
			b := p.open + R*l.draw
			d := b*b - 4*R*(p.open*l.draw-l.value)
			if d < 0 || p.open <= 0 {
				return 0, false
			}
			i = -2 * (p.open*l.draw - l.value) / (b + math.Sqrt(d))
			if (i > 0) == (R == p.ohmIn) || p.ohmIn == p.ohmOut {
				return i, true
			}
		}
		return i, true
	case fixedResistance:
		return -(p.open + l.draw*l.value) / (p.ohmOut + l.value), true
	}
	return l.value - l.draw, true
}

// wants is the current that the law wants at voltage v, and how fast it changes with v.
func (l *law) wants(v float64) (i, slope float64) {
	switch l.kind {
	case fixedPower:
		return l.value/v - l.draw, -l.value / (v * v)
	case fixedResistance:
		return -v/l.value - l.draw, -1 / l.value
	}
	return l.value - l.draw, 0
}

// solveStretch solves one stretch from now on and finds the first event in it, or ends the step where its end is already there.
func (c *Course) solveStretch(l law) {
	step := &c.plan[c.idx]
	at := c.respond()
	charger := step.Kind == Charge && c.chargeOn && step.Voltage > 0 && !c.dead
	regime := constantCurrent
	if charger {
		full, ok := at.amps(l)
		c.step.full = full
		if ok && at.volts(full) >= step.Voltage*(1-1e-12) {
			l = law{kind: fixedVoltage, value: step.Voltage, draw: c.draw, until: l.until}
			regime = constantVoltage
			if at.volts(-c.draw) > step.Voltage*(1+1e-12) {
				l.kind, l.value, regime = fixedCurrent, 0, idling
			}
		}
	}
	i0, ok := at.amps(l)
	c.step.regime = regime
	if why := c.startsPast(at, i0); ok && why != "" {
		c.endsNow(why)
		return
	}
	limit, reason := c.schedule()
	if limit <= c.now {
		c.endStep(reason)
		return
	}
	if !ok {
		c.endsNow(ByPower)
		return
	}
	h := math.Min(longest, float64(min(limit, l.until)-c.now)*1e-9)
	whole := min(limit, l.until)
	w, h, ok := c.trial(l, i0, h)
	if !ok {
		c.endsNow(ByPower)
		return
	}
	stop := c.now + int64(math.Round(h*1e9))
	if stop > whole || float64(whole-c.now)*1e-9 <= h {
		stop = whole
	}
	c.w, c.stop, c.what, c.playing = w, max(stop, c.now+1), event{}, true
	if c.stop == limit && reason != "" {
		c.what = event{kind: endOfStep, reason: reason}
	}
	c.locate(l, regime, h)
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
	k := &c.pack.Cell
	sides := k.SelfDischarge != 0 || i0 > 0 && (k.Gassing.Current != 0 || !k.Acceptance.IsZero())
	steady := l.kind == fixedCurrent && !sides
	if c.warming(i0) {
		h = math.Min(h, c.pack.Heat.Capacity*c.pack.Heat.Resistance/16)
	}
	if l.tone.amp != 0 {
		// So many periods can be searched for an event one by one.
		h = math.Min(h, 2e4*2*math.Pi/l.tone.omega)
	}
	if steady {
		return c.build(i0, 0, 0, 0, h, l.tone), h, true
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

// firstTry is a first length for a stretch whose law is not a plain current.
func (c *Course) firstTry(l law) float64 {
	if l.kind == fixedCurrent {
		return 3600
	}
	h := 60.0
	for _, p := range c.pack.Cell.Pairs {
		h = math.Min(h, p.Tau/8)
	}
	return h
}

// warming reports whether the temperature moves enough to bound the stretch.
func (c *Course) warming(i0 float64) bool {
	return !c.isothermal() && (i0 != 0 || math.Abs(c.cell.T-c.opts.Ambient) > 1e-4)
}

func (c *Course) isothermal() bool { return c.opts.Isothermal || c.pack.Heat.Capacity == 0 }

// tryOnce solves the law at the end of a stretch of h seconds by Newton's method on current and side current. miss is the error in
// mid stretch over what is allowed.
func (c *Course) tryOnce(l law, i0, h float64) (w wave, miss float64, ok bool) {
	p := c.pack
	k := &p.Cell
	i1 := i0
	v0 := c.respond().volts(i0) / float64(p.Series)
	s0 := c.side(v0, c.cell.z, c.cell.T, i0*c.share())
	s1 := s0
	for n := 0; ; n++ {
		if n == 40 {
			return w, 0, false
		}
		w = c.build(i0, (i1-i0)/h, s0, (s1-s0)/h, h, tone{})
		v := w.voltage(h)
		y := w.level(h)
		_, ocv := k.OCV.Both(y)
		r, dr := k.factor(w.charging).Both(y)
		// How the end voltage answers to the end current.
		gain := (ocv + (w.rho+w.rhs*h)*dr*i1*w.share) * w.share * h / 2 / k.Capacity
		gain += (w.rho + w.rhs*h) * r * w.share
		for j := range w.pairs {
			p1, p2 := phi(w.pair[j].k * h)
			gain += w.pair[j].g * h * (p1 - p2)
		}
		gain *= float64(p.Series)
		var next float64
		switch l.kind {
		case fixedVoltage:
			next = i1 + (l.value-v)/gain
		case fixedCurrent:
			next = i1
		default:
			if v <= 0 {
				return w, 0, false
			}
			want, slope := l.wants(v)
			d := 1 - slope*gain
			if d <= 0.02 {
				return w, 0, false // beyond the most power that the pack can give
			}
			next = i1 + (want-i1)/d
		}
		side := c.side(v/float64(p.Series), w.z.at(h, tone{}), w.heat.at(h, tone{}), next*w.share)
		if math.IsNaN(next) || math.IsInf(next, 0) || math.IsNaN(side) {
			return w, 0, false
		}
		done := math.Abs(next-i1)*gain <= 1e-12*float64(p.Series) && math.Abs(side-s1) <= 1e-11*math.Abs(next)*w.share+1e-18
		i1, s1 = next, side
		if done {
			w = c.build(i0, (i1-i0)/h, s0, (s1-s0)/h, h, tone{})
			break
		}
	}
	// The error of the line in mid stretch.
	mid := h / 2
	v := w.voltage(mid)
	switch l.kind {
	case fixedVoltage:
		miss = math.Abs(v-l.value) / float64(p.Series) / tolerance
	case fixedPower, fixedResistance:
		want, _ := l.wants(v)
		miss = math.Abs(want-w.current(mid)) * k.Total() / tolerance
		miss = math.Max(miss, math.Abs(i1-i0)/math.Abs(i0)/0.02)
	}
	sm := c.side(v/float64(p.Series), w.z.at(mid, tone{}), w.heat.at(mid, tone{}), w.current(mid)*w.share)
	// A hundred-thousandth of the current or of what a C/1000 current would move.
	allowed := 1e-5 * math.Max(math.Abs(w.current(mid))*w.share, k.Capacity/3.6e6)
	miss = math.Max(miss, math.Abs(sm-(s0+s1)/2)/allowed)
	if l.tone.amp != 0 {
		w = c.build(i0, (i1-i0)/h, s0, (s1-s0)/h, h, l.tone)
	}
	return w, miss, true
}

// share is the current of one cell for an ampere of the pack.
func (c *Course) share() float64 { return 1 / float64(c.pack.Parallel) }

// side is the current of one cell that is not stored [A]: gassing, self-discharge, and what is not accepted of a charging current i.
func (c *Course) side(v, z, T, i float64) float64 {
	k := &c.pack.Cell
	s := k.leakage(T) * z * k.Capacity
	if i > 0 {
		// At rest and below, what gassing takes is in the self-discharge.
		s += k.Gassing.at(v, T-k.Reference)
		if !k.Acceptance.IsZero() {
			s += i * (1 - math.Min(1, math.Max(0, k.Acceptance.At(z))))
		}
	}
	return s
}

// build solves all states over h seconds for the current i0 + m·s of the pack, the side current s0 + sm·s of each cell and a tone.
func (c *Course) build(i0, m, s0, sm, h float64, tn tone) wave {
	p, st := c.pack, &c.cell
	k := &p.Cell
	share := c.share()
	w := wave{origin: c.now, i0: i0, m: m, tone: tn, cell: k, series: float64(p.Series), share: share, pairs: len(k.Pairs)}
	a, b := i0*share, m*share
	mean := a + b*h/2
	w.charging = mean > 0
	q := k.Capacity
	w.z = solve(st.z, 0, (a-s0)/q, (b-sm)/q, 0, share/q, tn)
	w.u = c.unavailable(w.z, a, b, s0, sm, mean)
	warm := 1.0
	w.heat = lag{a: st.T}
	w.rho = k.Resistance
	if !c.isothermal() {
		// Heat at the begin gives a first end temperature; the pairs' resistance goes by the mean.
		k1 := 1 / (p.Heat.Capacity * p.Heat.Resistance)
		from := c.heatOf(st.z-st.u, st.v, a, s0, st.T, w.charging)
		w.heat = solve(st.T, k1, k1*c.opts.Ambient+from/p.Heat.Capacity, 0, 0, 0, tone{})
		warm = k.warmth((st.T + w.heat.at(h, tone{})) / 2)
	} else {
		warm = k.warmth(st.T)
		w.rho *= warm
		w.e = k.OCVPerKelvin * (st.T - k.Reference)
	}
	var v1 [3]float64
	for j, pair := range k.Pairs {
		f := pair.Resistance * warm / pair.Tau
		w.pair[j] = solve(st.v[j], 1/pair.Tau, f*a, f*b, 0, f*share, tn)
	}
	if !c.isothermal() {
		for j := range k.Pairs {
			v1[j] = w.pair[j].at(h, tone{})
		}
		k1 := 1 / (p.Heat.Capacity * p.Heat.Resistance)
		T1 := w.heat.at(h, tone{})
		from := c.heatOf(st.z-st.u, st.v, a, s0, st.T, w.charging)
		to := c.heatOf(w.level(h), v1, a+b*h, s0+sm*h, T1, w.charging)
		w.heat = solve(st.T, k1, k1*c.opts.Ambient+(from+to)/2/p.Heat.Capacity, 0, 0, 0, tone{})
		T1 = w.heat.at(h, tone{})
		r0, r1 := k.Resistance*k.warmth(st.T), k.Resistance*k.warmth(T1)
		w.rho = r0
		e0, e1 := k.OCVPerKelvin*(st.T-k.Reference), k.OCVPerKelvin*(T1-k.Reference)
		w.e = e0
		if h > 0 {
			w.rhs, w.es = (r1-r0)/h, (e1-e0)/h
		}
	}
	if k.Hysteresis.Volts != 0 {
		turn := k.Hysteresis.PerCharge * math.Abs(mean) / q
		w.hyst = solve(st.h, turn, turn*math.Copysign(1, mean), 0, 0, 0, tone{})
	}
	return w
}

// unavailable solves u for the stretch (see Rate).
func (c *Course) unavailable(z lag, a, b, s0, sm, mean float64) lag {
	p, q := c.pack, c.pack.Cell.Capacity
	switch p.Rate.Model {
	case Peukert:
		g := 0.0
		if mean < 0 {
			g = c.gain(-mean)
		}
		r := 1 / p.Rate.Recovery
		return solve(c.cell.u, r, g*(-a/q+r*(1-z.a)), g*(-b/q-r*z.b), -g*r*z.q, 0, tone{})
	case TwoWell:
		g := (1 - p.Rate.Well) / (p.Rate.Well * q)
		return solve(c.cell.u, p.Rate.Flow, -g*(a-s0), -g*(b-sm), 0, 0, tone{})
	}
	return lag{a: c.cell.u}
}

// gain is the pack's Peukert gain at the cell current amps and the present temperature.
func (c *Course) gain(amps float64) float64 {
	memo := &c.cell.gain
	if memo.amps != amps || memo.T != c.cell.T {
		*memo = gainMemo{amps, c.cell.T, c.pack.gain(amps, c.cell.T)}
	}
	return memo.gain
}

// heatOf is the heat of the whole pack [W] at cell level y, pair voltages v, cell current i and side current s.
func (c *Course) heatOf(y float64, v [3]float64, i, s, T float64, charging bool) float64 {
	k := &c.pack.Cell
	warm := k.warmth(T)
	q := i * i * k.Resistance * warm * k.factor(charging).At(y)
	for j, pair := range k.Pairs {
		q += v[j] * v[j] / (pair.Resistance * warm)
	}
	q += s * k.OCV.At(y)
	return q * float64(c.pack.Series) * float64(c.pack.Parallel)
}
