package model

import "math"

// buildAll solves the states of all units over h seconds for the bench's currents, then the temperature for the mean of the
// heat, and moves the resistances to it.
func (c *Course) buildAll(h float64) {
	b := &c.bench
	for j := range c.units {
		c.build(j, h)
	}
	if c.isothermal() || h == 0 {
		return
	}
	c.warmTo(c.meanHeat(h), h)
	for j := range c.units {
		k, w := c.units[j].cell, &b.waves[j]
		w.rhs = (k.Resistance*k.warmth(b.T1) - w.rho) / h
		w.es = k.OCVPerKelvin * (b.T1 - c.T) / h
	}
}

// build solves the states of unit j over h seconds; its current and side current are lines between the bench's values at both ends.
func (c *Course) build(j int, h float64) {
	b := &c.bench
	u := &c.units[j]
	k, st := u.cell, &u.st
	s := j / b.series
	i0, m, side, sm := b.i0[s], 0.0, b.s0[j], 0.0
	if h > 0 {
		m, sm = (b.i1[s]-i0)/h, (b.s1[j]-side)/h
	}
	w := &b.waves[j]
	*w = wave{origin: c.now, i0: i0, m: m, cell: k, series: b.each, share: b.share, pairs: len(k.Pairs)}
	a, d := i0*b.share, m*b.share
	mean := a + d*h/2
	w.charging = mean > 0
	q := k.Capacity
	w.z = solve(st.z, 0, (a-side)/q, (d-sm)/q, 0, b.share/q, tone{})
	w.u = c.unavailable(u, w.z, a, d, side, sm, mean)
	w.rho = k.Resistance * k.warmth(c.T)
	w.e = k.OCVPerKelvin * (c.T - k.Reference)
	warm := k.warmth((c.T + b.T1) / 2)
	for n, pair := range k.Pairs {
		f := pair.Resistance * warm / pair.Tau
		w.pair[n] = solve(st.v[n], 1/pair.Tau, f*a, f*d, 0, f*b.share, tone{})
	}
	if k.Hysteresis.Volts != 0 {
		turn := k.Hysteresis.PerCharge * math.Abs(mean) / q
		w.hyst = solve(st.h, turn, turn*math.Copysign(1, mean), 0, 0, 0, tone{})
	}
}

// withTone adds a sine to the current of a solved unit: every lag answers to it and starts where it did.
func (w *wave) withTone(tn tone) {
	w.tone = tn
	w.z.ring(tn)
	for k := range w.pairs {
		w.pair[k].ring(tn)
	}
}

// assemble makes the pack's wave of the units' waves.
func (c *Course) assemble(l law, i0, h float64) wave {
	b := &c.bench
	if !b.mixed {
		w := b.waves[0]
		w.heat = b.heat
		if l.tone.amp != 0 {
			w.withTone(l.tone)
			b.waves[0] = w
		}
		return w
	}
	var i1 float64
	for _, x := range b.i1 {
		i1 += x
	}
	parts := 1 / float64(b.strings)
	w := wave{origin: c.now, i0: i0, cell: &c.pack.Cell, series: float64(c.pack.Series), share: parts, mixed: true, heat: b.heat,
		charging: i0+i1 > 0, pairs: len(c.pack.Cell.Pairs)}
	if h > 0 && (l.kind != fixedCurrent) {
		w.m = (i1 - i0) / h
	}
	// Values and slopes of what is no lag, at both ends.
	var v0, v1, d0, d1 float64
	for j := range b.waves {
		uw := &b.waves[j]
		m := uw.cell.Hysteresis.Volts
		v0 += uw.core(0) + m*uw.hyst.at(0, tone{})
		d0 += uw.coreSlope(0) + m*uw.hyst.slope(0, tone{})
		v1 += uw.core(h) + m*uw.hyst.at(h, tone{})
		d1 += uw.coreSlope(h) + m*uw.hyst.slope(h, tone{})
		if l.tone.amp != 0 {
			w.toneOhm += uw.rho * uw.cell.factor(uw.charging).At(uw.level(0)) * parts * parts
			uw.withTone(tone{l.tone.amp * parts, l.tone.omega, l.tone.phase})
		}
		for k := range uw.pairs {
			w.pair[k].add(uw.pair[k])
		}
		w.z.add(uw.z)
		w.u.add(uw.u)
	}
	w.base = hermite(v0*parts, d0*parts, v1*parts, d1*parts, h)
	for k := range w.pairs {
		w.pair[k].times(parts)
		w.pair[k].g *= parts // a string's share of an ampere
	}
	w.z.times(1 / float64(len(b.waves)))
	w.z.g *= parts
	w.u.times(1 / float64(len(b.waves)))
	if l.tone.amp != 0 {
		w.tone = l.tone
	}
	return w
}

// hermite is the cubic through value and slope at 0 and h.
func hermite(v0, d0, v1, d1, h float64) [4]float64 {
	if h == 0 {
		return [4]float64{v0, d0}
	}
	chord := (v1 - v0) / h
	return [4]float64{v0, d0, (3*chord - 2*d0 - d1) / h, (d0 + d1 - 2*chord) / (h * h)}
}

// unavailable solves u of a unit for the stretch (see Rate).
func (c *Course) unavailable(u *unit, z lag, a, b, s0, sm, mean float64) lag {
	p, q := c.pack, u.cell.Capacity
	switch p.Rate.Model {
	case Peukert:
		g := 0.0
		if mean < 0 {
			g = c.gain(u, -mean)
		}
		r := 1 / p.Rate.Recovery
		return solve(u.st.u, r, g*(-a/q+r*(1-z.a)), g*(-b/q-r*z.b), -g*r*z.q, 0, tone{})
	case TwoWell:
		g := (1 - p.Rate.Well) / (p.Rate.Well * q)
		return solve(u.st.u, p.Rate.Flow, -g*(a-s0), -g*(b-sm), 0, 0, tone{})
	}
	return lag{a: u.st.u}
}

// gain is the pack's Peukert gain at a unit's cell current amps.
func (c *Course) gain(u *unit, amps float64) float64 {
	// The temperature in mid stretch: the error is then of the second order.
	T := (c.T + c.bench.T1) / 2
	memo := &u.st.gain
	if memo.amps != amps || memo.T != T {
		*memo = gainMemo{amps, T, c.pack.gain(amps/u.size, T)}
	}
	return memo.gain
}

// cellNow is the voltage of unit j now at its string's current.
func (c *Course) cellNow(j int, amps float64) float64 {
	u := &c.units[j]
	k, st := u.cell, &u.st
	y := st.z - st.u
	v := k.OCV.At(y) + k.OCVPerKelvin*(c.T-k.Reference) + k.Hysteresis.Volts*st.h
	for i := range k.Pairs {
		v += st.v[i]
	}
	i := amps * c.bench.share
	return v + k.Resistance*k.warmth(c.T)*k.factor(i > 0).At(y)*i
}
