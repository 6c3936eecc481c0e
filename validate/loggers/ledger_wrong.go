package loggers

import (
	"math"

	"stuntcell/emulator/link"
)

// bent is a sum with something done to each step before it is added.
type bent struct {
	plainSum
	bend func(q, e float64) (float64, float64)
}

func (s *bent) put(q, e float64) { s.plainSum.put(s.bend(q, e)) }

// magnitudes adds what flows in either direction: fabs() where the sign was in the way of a display.
func magnitudes(q, e float64) (float64, float64) { return math.Abs(q), math.Abs(e) }

// chargeMagnitude takes it of the charge alone, from a current that was made positive for the display.
func chargeMagnitude(q, e float64) (float64, float64) { return math.Abs(q), e }

// energyMagnitude takes it of the energy alone, from a power register that has no sign.
func energyMagnitude(q, e float64) (float64, float64) { return q, math.Abs(e) }

// efficiency takes off what a battery loses while it is charged. Those who want to know what came through the shunt do not.
func efficiency(q, e float64) (float64, float64) {
	if q > 0 {
		return 0.95 * q, 0.95 * e
	}
	return q, e
}

// dischargeOnly drops what flows in: a capacity meter was only ever tried with a load.
func dischargeOnly(q, e float64) (float64, float64) {
	if q > 0 {
		return 0, 0
	}
	return q, e
}

// chargeOnly drops what flows out: a negative reading was taken for noise.
func chargeOnly(q, e float64) (float64, float64) {
	if q < 0 {
		return 0, 0
	}
	return q, e
}

// inAlways is split totals where the test of the sign was written for one of the two only: "in" grows whatever flows.
type inAlways struct{ plainSum }

func (s *inAlways) put(q, e float64) {
	s.plainSum.put(q, e)
	if q < 0 {
		s.t.in -= q
		s.t.energyIn -= e
	}
}

// quiescent takes the meter's own supply current off each reading, on a board whose supply does not pass the shunt.
type quiescent struct {
	book
	amps float64
}

func (l *quiescent) add(s *sample, dt float64) {
	c := *s
	c.amps -= l.amps
	l.book.add(&c, dt)
}

// deadBand takes small currents for noise, in the sums alone: rows go on showing them.
type deadBand struct {
	book
	amps float64
}

func (l *deadBand) add(s *sample, dt float64) {
	c := *s
	if math.Abs(c.amps) < l.amps {
		c.amps = 0
	}
	l.book.add(&c, dt)
}

// milliampSum counts whole mA·s and mW·s, as integer code does that divides in each step: mas += ma*ms/1000.
// What the division leaves over is gone, a second's worth of it 3600 times an hour.
type milliampSum struct {
	charge, energy int64 // mA·s, mW·s
	milliseconds
}

func (l *milliampSum) add(s *sample, dt float64) {
	ms := l.of(dt)
	ma, mw := int64(s.amps*1000), int64(s.amps*s.volts*1000)
	l.charge += ma * ms / 1000
	l.energy += mw * ms / 1000
}

func (l *milliampSum) row()           {}
func (l *milliampSum) totals() totals { return net(float64(l.charge)/1000, float64(l.energy)/1000) }

func (l *milliampSum) restore(t totals) {
	*l = milliampSum{charge: int64(math.Round(t.charge * 1000)), energy: int64(math.Round(t.energy * 1000))}
}

// microampHours counts whole uAh and uWh: uah += ma*ms/3600. 1.4 A for a second are 388 of them, and 0.9 that are lost.
type microampHours struct {
	charge, energy int64 // uAh, uWh
	milliseconds
}

func (l *microampHours) add(s *sample, dt float64) {
	ms := l.of(dt)
	l.charge += int64(math.Round(s.amps*1000)) * ms / 3600
	l.energy += int64(math.Round(s.amps*s.volts*1000)) * ms / 3600
}

func (l *microampHours) row() {}
func (l *microampHours) totals() totals {
	return net(float64(l.charge)*3.6e-3, float64(l.energy)*3.6e-3)
}

func (l *microampHours) restore(t totals) {
	*l = microampHours{charge: int64(math.Round(t.charge / 3.6e-3)), energy: int64(math.Round(t.energy / 3.6e-3))}
}

// floatHours sums Ah and Wh in float32, as `float ah` does on a small controller. Seven digits hold the sum, or the step,
// but not both: a step below half a unit of the sum's last digit vanishes.
type floatHours struct{ charge, energy float32 }

func (s *floatHours) put(q, e float64) {
	s.charge += float32(q) / 3600
	s.energy += float32(e) / 3600
}

func (s *floatHours) totals() totals {
	return net(float64(s.charge)*3600, float64(s.energy)*3600)
}

func (s *floatHours) restore(t totals) {
	*s = floatHours{charge: float32(t.charge / 3600), energy: float32(t.energy / 3600)}
}

// floatSeconds does the same in A·s and W·s.
type floatSeconds struct{ charge, energy float32 }

func (s *floatSeconds) put(q, e float64) {
	s.charge += float32(q)
	s.energy += float32(e)
}

func (s *floatSeconds) totals() totals { return net(float64(s.charge), float64(s.energy)) }
func (s *floatSeconds) restore(t totals) {
	*s = floatSeconds{charge: float32(t.charge), energy: float32(t.energy)}
}

// printedSum keeps the totals as they are printed, in a display's text or rounded for it, and adds to that.
type printedSum struct {
	ah, wh         float64
	ahUnit, whUnit float64 // one in the last printed place
}

func (s *printedSum) put(q, e float64) {
	s.ah = math.Round((s.ah+q/3600)/s.ahUnit) * s.ahUnit
	s.wh = math.Round((s.wh+e/3600)/s.whUnit) * s.whUnit
}

func (s *printedSum) totals() totals   { return net(s.ah*3600, s.wh*3600) }
func (s *printedSum) restore(t totals) { s.ah, s.wh = t.charge/3600, t.energy/3600 }

// printedRows prints what each row adds, to 0.001 Ah and 0.01 Wh, and its totals are the sum of what it printed.
type printedRows struct {
	book
	rows printedSum
}

func (l *printedRows) row() {
	t := l.book.totals()
	l.rows.put(t.charge, t.energy)
	l.book.restore(totals{})
}

func (l *printedRows) totals() totals   { return l.rows.totals() }
func (l *printedRows) restore(t totals) { l.rows.restore(t) }

// counts32 adds raw counts times milliseconds, like countSum, in int32: enough on the bench for five minutes.
type counts32 struct {
	book
	milliseconds
	charge int32 // counts·ms
	shunt  int64
	amp    float64
	before float64
}

func (l *counts32) add(s *sample, dt float64) {
	l.book.add(s, dt)
	l.charge += int32(l.shunt * l.of(dt))
	l.shunt = int64(s.shunt)
	if s.shunt != 0 {
		l.amp = s.amps / float64(s.shunt)
	}
}

func (l *counts32) totals() totals {
	return net(l.before+float64(l.charge)*l.amp/1000, l.book.totals().energy)
}

func (l *counts32) restore(t totals) {
	l.book.restore(t)
	l.before, l.charge = t.charge, 0
}

// micro32 adds uA·s in int32, so as to lose nothing: 2147 A·s are the limit, 0.6 Ah.
type micro32 struct {
	book
	charge int32 // uA·s
	amps   float64
}

func (l *micro32) add(s *sample, dt float64) {
	l.book.add(s, dt)
	l.charge += int32(int64(math.Round((l.amps + s.amps) / 2 * dt * 1e6)))
	l.amps = s.amps
}

func (l *micro32) totals() totals { return net(float64(l.charge)/1e6, l.book.totals().energy) }

func (l *micro32) restore(t totals) {
	l.book.restore(t)
	l.charge = int32(int64(math.Round(t.charge * 1e6)))
}

// power32 adds a power register's 10 mW times milliseconds in int32: 21475 W·s are the limit, 6 Wh.
type power32 struct {
	book
	milliseconds
	energy int32 // 10 mW·ms
	watts  float64
}

func (l *power32) add(s *sample, dt float64) {
	l.book.add(s, dt)
	w := s.amps * s.volts
	l.energy += int32(int64(math.Round((l.watts + w) / 2 * 100 * float64(l.of(dt)))))
	l.watts = w
}

func (l *power32) totals() totals { return net(l.book.totals().charge, float64(l.energy)/1e5) }

func (l *power32) restore(t totals) {
	l.book.restore(t)
	l.energy = int32(int64(math.Round(t.energy * 1e5)))
}

// rowRate integrates when it writes a row, since that is where the values are at hand.
type rowRate struct {
	book
	now   sample
	since float64
}

func (l *rowRate) add(s *sample, dt float64) { l.now, l.since = *s, l.since+dt }

func (l *rowRate) row() {
	l.book.add(&l.now, l.since)
	l.since = 0
}

// rowMeans adds the means of a row's readings for as long as a row is meant to last. Rows that come late last longer.
type rowMeans struct {
	plainSum
	g              *link.Greeting
	amps, watts, n float64
}

func (l *rowMeans) add(s *sample, _ float64) {
	l.amps += s.amps
	l.watts += s.amps * s.volts
	l.n++
}

func (l *rowMeans) row() {
	interval := float64(l.g.LogMS) / 1000
	l.put(l.amps/l.n*interval, l.watts/l.n*interval)
	l.amps, l.watts, l.n = 0, 0, 0
}

// meanEnergy multiplies the row's charge by the row's mean voltage. Where both swing together, the mean of the product is
// not the product of the means.
type meanEnergy struct {
	book
	energy   float64
	charge   float64 // at the last row
	volts, n float64 // sum and number of the readings since
	whole    bool    // over the whole test instead of a row
	before   totals  // from an earlier life
}

func (l *meanEnergy) add(s *sample, dt float64) {
	l.book.add(s, dt)
	l.volts += s.volts
	l.n++
}

func (l *meanEnergy) row() {
	if l.n == 0 {
		return
	}
	q := l.book.totals().charge
	if l.whole {
		l.energy = l.before.energy + l.volts/l.n*(q-l.before.charge)
		return
	}
	l.energy += l.volts / l.n * (q - l.charge)
	l.charge, l.volts, l.n = q, 0, 0
}

func (l *meanEnergy) totals() totals {
	return net(l.book.totals().charge, l.energy)
}

func (l *meanEnergy) restore(t totals) {
	l.book.restore(t)
	l.before, l.energy, l.charge = t, t.energy, t.charge
}

// nameplate gets Wh from Ah times the volts on the label.
type nameplate struct {
	book
	volts float64
}

func (l *nameplate) totals() totals {
	q := l.book.totals().charge
	return net(q, q*l.volts)
}

// perInterval keeps the sum in units of "amperes times one row" and multiplies by the row's length when it prints.
// A new length then holds for all that was ever counted.
type perInterval struct {
	rule           rule
	g              *link.Greeting
	charge, energy float64 // [A·intervals], [W·intervals]
}

func (l *perInterval) add(s *sample, dt float64) {
	amps, watts := l.rule.mean(s.amps, s.amps*s.volts)
	interval := float64(l.g.LogMS) / 1000
	l.charge += amps * dt / interval
	l.energy += watts * dt / interval
}

func (l *perInterval) row() {}

func (l *perInterval) totals() totals {
	interval := float64(l.g.LogMS) / 1000
	return net(l.charge*interval, l.energy*interval)
}

func (l *perInterval) restore(t totals) {
	interval := float64(l.g.LogMS) / 1000
	l.charge, l.energy = t.charge/interval, t.energy/interval
}
