package loggers

import "math"

// totals are what a meter has counted, by direction and net.
type totals struct {
	charge, in, out             float64 // [A·s]; net, into the battery, out of it
	energy, energyIn, energyOut float64 // [W·s]
}

// ledger keeps the totals.
type ledger interface {
	// add takes a good sample, dt seconds after the one before (0 at the first).
	add(s *sample, dt float64)
	// row is called when a row is about to be written.
	row()
	totals() totals
	// restore goes on from earlier totals.
	restore(totals)
}

// rule gives the mean current and power over a step from its two ends.
type rule interface {
	mean(amps, watts float64) (meanAmps, meanWatts float64)
}

// sum adds up steps of charge and energy [A·s], [W·s].
type sum interface {
	put(q, e float64)
	totals() totals
	restore(totals)
}

// book is the usual ledger: a rule and a sum.
type book struct {
	rule rule
	sum  sum
}

func (b *book) add(s *sample, dt float64) {
	amps, watts := b.rule.mean(s.amps, s.amps*s.volts)
	b.sum.put(amps*dt, watts*dt)
}

func (b *book) row()             {}
func (b *book) totals() totals   { return b.sum.totals() }
func (b *book) restore(t totals) { b.sum.restore(t) }

// ends are the reading before, kept by rules that need it.
type ends struct{ amps, watts float64 }

// trapezoid takes the mean of both ends.
type trapezoid struct{ ends }

func (r *trapezoid) mean(amps, watts float64) (float64, float64) {
	i, p := (r.amps+amps)/2, (r.watts+watts)/2
	r.ends = ends{amps, watts}
	return i, p
}

// left lets the reading before stand until this one.
type left struct{ ends }

func (r *left) mean(amps, watts float64) (float64, float64) {
	last := r.ends
	r.ends = ends{amps, watts}
	return last.amps, last.watts
}

// right lets this reading stand for the time since the one before.
type right struct{}

func (right) mean(amps, watts float64) (float64, float64) { return amps, watts }

// plainSum is float64: 15 digits, more than a year of seconds needs.
type plainSum struct{ t totals }

func (s *plainSum) put(q, e float64) {
	s.t.charge += q
	s.t.energy += e
	if q >= 0 {
		s.t.in += q
		s.t.energyIn += e
	} else {
		s.t.out -= q
		s.t.energyOut -= e
	}
}

func (s *plainSum) totals() totals   { return s.t }
func (s *plainSum) restore(t totals) { s.t = t }

// kahanSum is float32 with the lost low part carried along (compensated summation).
type kahanSum struct {
	charge, energy         float32 // [A·s], [W·s]
	chargeLost, energyLost float32
}

func (s *kahanSum) put(q, e float64) {
	s.charge, s.chargeLost = kahan(s.charge, s.chargeLost, float32(q))
	s.energy, s.energyLost = kahan(s.energy, s.energyLost, float32(e))
}

// kahan adds x to sum, carrying what the addition before lost.
func kahan(sum, lost, x float32) (float32, float32) {
	y := x - lost
	t := float32(sum + y)
	return t, float32(float32(t-sum) - y)
}

func (s *kahanSum) totals() totals {
	return net(float64(s.charge)-float64(s.chargeLost), float64(s.energy)-float64(s.energyLost))
}

func (s *kahanSum) restore(t totals) {
	*s = kahanSum{charge: float32(t.charge), energy: float32(t.energy)}
}

// net makes totals of a meter that keeps no directions.
func net(charge, energy float64) totals { return totals{charge: charge, energy: energy} }

// milliseconds turns steps into whole milliseconds and carries the rest, so that none is lost.
type milliseconds struct{ rest float64 }

func (m *milliseconds) of(dt float64) int64 {
	x := dt*1000 + m.rest
	ms := math.Round(x)
	m.rest = x - ms
	return int64(ms)
}

// microSum is the trapezoid in integers: uA·ms and uW·ms, both doubled, so that the halving loses nothing.
type microSum struct {
	milliseconds
	charge, energy int64
	microamps      int64
	microwatts     int64
}

func (l *microSum) add(s *sample, dt float64) {
	ua, uw := int64(math.Round(s.amps*1e6)), int64(math.Round(s.amps*s.volts*1e6))
	ms := l.of(dt)
	l.charge += (l.microamps + ua) * ms
	l.energy += (l.microwatts + uw) * ms
	l.microamps, l.microwatts = ua, uw
}

func (l *microSum) row()           {}
func (l *microSum) totals() totals { return net(float64(l.charge)/2e9, float64(l.energy)/2e9) }

func (l *microSum) restore(t totals) {
	*l = microSum{charge: int64(math.Round(t.charge * 2e9)), energy: int64(math.Round(t.energy * 2e9))}
}

// countSum adds raw counts times milliseconds in int64 and scales only for a row. Each reading stands until the next.
type countSum struct {
	milliseconds
	charge, energy int64 // counts·ms, counts·counts·ms
	shunt, bus     int64
	amp, volt      float64 // of one count
	before         totals  // from an earlier life
}

func (l *countSum) add(s *sample, dt float64) {
	ms := l.of(dt)
	l.charge += l.shunt * ms
	l.energy += l.shunt * l.bus * ms
	l.shunt, l.bus = int64(s.shunt), int64(s.bus)
	if s.shunt != 0 {
		l.amp = s.amps / float64(s.shunt)
	}
	if s.bus != 0 {
		l.volt = s.volts / float64(s.bus)
	}
}

func (l *countSum) row() {}

func (l *countSum) totals() totals {
	return net(l.before.charge+float64(l.charge)*l.amp/1000, l.before.energy+float64(l.energy)*l.amp*l.volt/1000)
}

func (l *countSum) restore(t totals) { l.before, l.charge, l.energy = t, 0, 0 }

// phases starts its totals anew when charge turns to discharge or back; a rest belongs to the phase before it.
type phases struct {
	ledger
	direction int
}

func (l *phases) add(s *sample, dt float64) {
	d := 0
	switch {
	case s.shunt > 8:
		d = 1
	case s.shunt < -8:
		d = -1
	}
	if d != 0 && l.direction != 0 && d != l.direction {
		l.restore(totals{})
	}
	if d != 0 {
		l.direction = d
	}
	l.ledger.add(s, dt)
}
