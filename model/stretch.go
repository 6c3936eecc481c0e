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

// point is how terminals answer at an instant: v = open + ohm·i, with what the direction of i makes of ohm.
type point struct{ open, ohmIn, ohmOut float64 }

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

// workbench is the scratch of a course: one entry a string or a unit, reused for every stretch.
type workbench struct {
	strings, series int     // of units
	each            float64 // cells in series that one unit stands for
	share           float64 // current of one unit for an ampere of its string
	mixed           bool
	points          []point
	i0, i1          []float64 // string currents at begin and end [A]
	volts, gain     []float64 // string voltage at the end and how it answers to the string's end current
	s0, s1          []float64 // side currents of the units at begin and end [A]
	waves           []wave
	heat            lag
	T1              float64 // temperature at the end
}

func newWorkbench(p *Pack, units int) workbench {
	b := workbench{strings: 1, series: 1, each: float64(p.Series), share: 1 / float64(p.Parallel)}
	if units > 1 || p.Series*p.Parallel == 1 && p.Spread != (Spread{}) {
		b = workbench{strings: p.Parallel, series: p.Series, each: 1, share: 1, mixed: true}
	}
	b.points = make([]point, b.strings)
	all := make([]float64, 4*b.strings+2*units)
	for _, x := range []*[]float64{&b.i0, &b.i1, &b.volts, &b.gain} {
		*x, all = all[:b.strings], all[b.strings:]
	}
	b.s0, b.s1 = all[:units], all[units:]
	b.waves = make([]wave, units)
	return b
}

// respond fills in how each string answers now.
func (c *Course) respond() {
	b := &c.bench
	for s := range b.points {
		p := point{}
		for j := s * b.series; j < (s+1)*b.series; j++ {
			u := &c.units[j]
			k, st := u.cell, &u.st
			y := st.z - st.u
			v := k.OCV.At(y) + k.OCVPerKelvin*(c.T-k.Reference) + k.Hysteresis.Volts*st.h
			for i := range k.Pairs {
				v += st.v[i]
			}
			ohm := k.Resistance * k.warmth(c.T) * b.share * b.each
			p.open += v * b.each
			p.ohmIn += ohm * k.Charging.At(y)
			p.ohmOut += ohm * k.Discharging.At(y)
		}
		b.points[s] = p
	}
}

// settle solves the law at this instant: the pack's current and voltage, and the strings' currents in bench.i0. respond was called before.
func (c *Course) settle(l law) (i, v float64, ok bool) {
	b := &c.bench
	if b.strings == 1 {
		i, ok = b.points[0].amps(l)
		b.i0[0] = i
		return i, b.points[0].volts(i), ok
	}
	// The direction that the law gives each string, to begin with.
	for s, p := range b.points {
		switch l.kind {
		case fixedVoltage:
			b.i0[s] = l.value - p.open
		case fixedResistance:
			b.i0[s] = -1
		default:
			b.i0[s] = l.value
		}
	}
	for range 8 {
		// Strings in parallel are one source; each string's direction is as the last pass found it.
		var g, e float64
		for s, p := range b.points {
			r := p.ohm(b.i0[s])
			g += 1 / r
			e += p.open / r
		}
		all := point{e / g, 1 / g, 1 / g}
		if i, ok = all.amps(l); !ok {
			return i, v, false
		}
		v = all.volts(i)
		again := false
		for s, p := range b.points {
			old := b.i0[s]
			b.i0[s] = (v - p.open) / p.ohm(old)
			again = again || (old > 0) != (b.i0[s] > 0)
		}
		if !again {
			break
		}
	}
	return i, v, ok
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
		return // the load has changed: from the begin
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
	c.w, c.stop, c.what, c.playing = w, max(stop, c.now+1), event{}, true
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

// warming reports whether the temperature moves enough to bound the stretch.
func (c *Course) warming(i0 float64) bool {
	return !c.isothermal() && (i0 != 0 || math.Abs(c.T-c.opts.Ambient) > 1e-4)
}

func (c *Course) isothermal() bool { return c.opts.Isothermal || c.pack.Heat.Capacity == 0 }

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

// guessHeat sets the end temperature of the stretch from the heat at its begin.
func (c *Course) guessHeat(h float64) {
	b := &c.bench
	b.heat, b.T1 = lag{a: c.T}, c.T
	if !c.isothermal() {
		c.warmTo(c.heatNow(), h)
	}
}

// warmTo solves the temperature for a constant heat [W].
func (c *Course) warmTo(watts, h float64) {
	p := c.pack
	k := 1 / (p.Heat.Capacity * p.Heat.Resistance)
	c.bench.heat = solve(c.T, k, k*c.opts.Ambient+watts/p.Heat.Capacity, 0, 0, 0, tone{})
	c.bench.T1 = c.bench.heat.at(h, tone{})
}

// heatNow is the heat of the whole pack [W] at the begin of the stretch, heatEnd at its end.
func (c *Course) heatNow() float64 {
	b, q := &c.bench, 0.0
	for j := range c.units {
		st, s := &c.units[j].st, j/b.series
		q += c.units[j].cell.heat(st.z-st.u, st.v, b.i0[s]*b.share, b.s0[j], c.T)
	}
	return q * c.eachCell()
}

func (c *Course) heatEnd(h float64) float64 {
	b, q := &c.bench, 0.0
	for j := range c.units {
		w, s := &b.waves[j], j/b.series
		var v [3]float64
		for k := range w.pairs {
			v[k] = w.pair[k].at(h, tone{})
		}
		q += c.units[j].cell.heat(w.level(h), v, b.i1[s]*b.share, b.s1[j], b.T1)
	}
	return q * c.eachCell()
}

// eachCell is how many cells a unit stands for.
func (c *Course) eachCell() float64 {
	return float64(c.pack.Series) * float64(c.pack.Parallel) / float64(len(c.units))
}

// heat is the heat of one cell [W] at level y, pair voltages v, current i and side current s.
func (k *Cell) heat(y float64, v [3]float64, i, s, T float64) float64 {
	warm := k.warmth(T)
	q := i * i * k.Resistance * warm * k.factor(i > 0).At(y)
	for j, pair := range k.Pairs {
		q += v[j] * v[j] / (pair.Resistance * warm)
	}
	return q + s*k.OCV.At(y)
}

// buildAll solves the states of all units over h seconds for the bench's currents, then the temperature for the mean of the heat at both
// ends, and moves the resistances to it.
func (c *Course) buildAll(h float64) {
	b := &c.bench
	for j := range c.units {
		c.build(j, h)
	}
	if c.isothermal() || h == 0 {
		return
	}
	c.warmTo((c.heatNow()+c.heatEnd(h))/2, h)
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
