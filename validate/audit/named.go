package audit

import (
	"cmp"
	"fmt"
	"math"
	"slices"
	"strings"
	"time"

	"stuntcell/validate/verdict"
)

// named says why a total departs where the whole log tells it: what else the total follows, from where on it departs, at which currents. It
// reports whether it did.
func (a *Auditor) named(r *Report, y *tally, i int, m meaning, c Compared, stalled bool, unit string, per float64) bool {
	quantity := y.name
	departs := !c.Holds
	within := c.Tolerance/4 + 2*y.step
	jumps := len(y.jumps) > 0 || len(y.resets) > 0
	fail := func(cause string, confidence float64, line int, mend, format string, args ...any) bool {
		r.find(cause, "failure", "firmware", confidence, line, mend, "column %s %s", quantity, fmt.Sprintf(format, args...))
		return true
	}
	if _, constant := a.ratio.constant(); !departs && len(y.jumps) == 0 || i >= 3 && (constant || i == 3 && a.means.holds()) {
		return false
	}
	if departs && a.zerosLost(y, i, m, c, per) {
		return fail("broken-row", 0.9, 0, "Pad the decimals with zeros, as %03d does.", "is right if its decimals lost their leading zeros, as 12.50 for 12.050")
	}
	if len(y.resets) == 0 && departs {
		if a.trail.follows(i, 2*y.step+2*a.time.typical*max(math.Abs(a.lowVolts), math.Abs(a.highVolts)), func(p *point) float64 { return p.volts }) {
			return fail("swapped-columns", 0.85, 0, "Print each value under its own head.", "moves as the integral of the column of voltage does, row for row: the columns of current and voltage hold each other's values")
		}
		if other := (i + 3) % 6; a.tallies[other].have && a.trail.follows(i, a.tolerance(&a.tallies[other], other), func(p *point) float64 { return p.of(other).net() }) &&
			a.trail.follows(other, c.Tolerance, func(p *point) float64 { return p.of(i).net() }) {
			return fail("swapped-columns", 0.9, 0, "Print each value under its own head.", "is what the rows give for the %s: the two columns hold each other's totals", a.tallies[other].name)
		}
	}
	if held := math.Max(y.hold.pos, y.hold.neg); held > within {
		if bits := cmp.Or(fullInteger(y.holdAt/per, y.step/per), fullInteger(y.holdAt, y.step)); bits != "" {
			return fail("total-overflow", 0.85, y.holdLine, "Use a wider integer for the sum, and tell when it is full.", "stands at %.10g %s while %.3g %s pass (up to line %d): these are the digits of %s, an integer that is full",
				y.holdAt/per, unit, held/per, unit, y.holdLine, bits)
		}
	}
	sides := a.sides(y, i, m)
	if low, high, ok := deadBand(sides); ok && departs && low/mostReadings > math.Ldexp(y.holdAt, -24) { // a float would not stall there
		return fail("dead-band", 0.85, 0, "Add what the sensor reads, however little.", "does not move at currents up to %.3g A and agrees with its rows at %.3g A and more", low, high)
	}
	if turn := a.turnedCurrent(y, i); turn > 0 && departs {
		if i >= 3 && slices.ContainsFunc(r.Findings, func(f verdict.Finding) bool {
			return f.Cause == "total-overflow" && strings.HasPrefix(f.Evidence, "the printed current")
		}) {
			return true // the same
		}
		r.find("total-overflow", "failure", "firmware", 0.8, 0, "Print the current from a wider number.",
			"the printed current is off by %.5g A wherever it is large, as column %s counts it: a number of 16 bits that turned over, 65536 of its units", turn, y.name)
		return true
	}
	if i >= 3 && departs && a.rowVoltage(i, y.step) {
		return fail("mean-energy", 0.85, 0, "Add up V times I of each reading.", "is the whole charge times the voltage of the row, row for row: %.4g Wh against %.4g Wh integrated", c.Logged/per, c.Integrated/per)
	}
	if current, ok := a.constantCurrent(y, i, m); ok && departs && !a.jumpsBeyond(y, current) {
		what := "A"
		if i >= 3 {
			what = "W"
		}
		r.Findings = slices.DeleteFunc(r.Findings, func(f verdict.Finding) bool { return f.Cause == "counts-at-rest" }) // of the same
		return fail("offset", 0.8, 0, "Look for something that is added at each step and is not in the printed current: a zero that was learnt under load, a rounding that goes one way.",
			"departs by a constant %+.3g %s, in rest as under load, whatever flows: %.4g %s in all", current, what, c.Difference/per, unit)
	}
	if jumps && !a.smallJumps(y) {
		return false
	}
	if k := a.stuck.kept; i < 3 && k.rows > 0 && math.Abs(math.Abs(a.stuck.dx)-math.Abs(a.stuck.ds)) > 0.1*math.Max(math.Abs(a.stuck.dx), math.Abs(a.stuck.ds))+4*y.step {
		return fail("stale-reading", 0.7, k.first, "See that each row shows a new reading; a sensor that does not answer must not leave the last value standing.",
			"goes on by %.4g %s from line %d to line %d, where the printed current stands at %.5g A and gives %.4g %s, although the voltage jumps as where a load is switched: the current there is no new reading",
			a.stuck.dx/per, unit, k.first, k.last, k.x, a.stuck.ds/per, unit)
	}
	if i >= 3 && a.toldStuck(r) {
		return true
	}
	if k := &a.idle; k.rows > 2 && departs && a.lostIn(k, i, c) {
		if i >= 3 && slices.ContainsFunc(r.Findings, func(f verdict.Finding) bool { return f.Row == k.longest.first }) {
			return true // the same
		}
		if 10*k.copies >= 9*k.rows {
			return fail("stale-reading", 0.8, k.longest.first, "See what keeps the loop from reading and adding while rows are written: a sensor that is waited for, a card.",
				"stands while the same current flows, and current and voltage are those of the row before in the same rows (%s, the longest run lines %d to %d): rows are written without a new reading", many(k.rows, "row"), k.longest.first, k.longest.last)
		}
		return fail("total-stops", 0.8, k.longest.first, "See what keeps the sum from being made there: a card that fails, a branch that returns early.",
			"stands while the same current flows as before and after (%s, the longest run lines %d to %d), and goes on: what passed there is lost", many(k.rows, "row"), k.longest.first, k.longest.last)
	}
	if a.byEvenSteps(y, i, fail, unit, per) {
		return true
	}
	if a.byLevels(r, y, i, m, c, sides, fail) {
		return true
	}
	if b, ok := a.trail.bent(i, m, c.Tolerance); ok && !stalled && len(y.resets) == 0 {
		if b.constant != 0 {
			return fail("offset", 0.75, b.line, "Look for a zero that was learnt anew there, with something flowing.", "agrees with its rows up to about line %d, and from there on %+.3g %s are added beside what flows, in rest as under load", b.line, b.constant, map[bool]string{false: "A", true: "W"}[i >= 3])
		}
		if math.Abs(b.factor) < 0.01 {
			return fail("total-stops", 0.75, b.line, "See why the sum is no longer called, or whether its number is full.", "agrees with its rows up to line %d and stands still from there on, whatever flows", b.line)
		}
		return fail("gain", 0.75, b.line, "Look for what changed there: a setting, a range, an interval that enters the sum.", "agrees with its rows up to about line %d and grows %.4g times as fast as they say from there on", b.line, b.factor)
	}
	return false
}

// zerosLost says that a total agrees with its rows when its decimals are read as whole numbers of the last place.
func (a *Auditor) zerosLost(y *tally, i int, m meaning, c Compared, per float64) bool {
	meant, varied := a.trail.unpadded(i, per)
	if !varied {
		return false
	}
	first := -1
	for _, way := range [...]meaning{m, plusNet, minusNet, plusPos, plusNeg} {
		fits := true
		for j := range a.trail.points {
			p := &a.trail.points[j]
			if math.IsNaN(p.totals[i]) {
				continue
			}
			if first < 0 {
				first = j
			}
			d := math.Abs(meant[j]-meant[first]) - math.Abs(way.of(p.of(i))-way.of(a.trail.points[first].of(i)))
			if math.Abs(d) > c.Tolerance {
				fits = false
				break
			}
		}
		if fits && first >= 0 {
			return true
		}
	}
	return false
}

// turnedCurrent is by how much the printed current is off at large currents, if that is a whole turn of 16 bits of a unit of a power of ten, while
// small ones are right; 0 else.
func (a *Auditor) turnedCurrent(y *tally, i int) float64 {
	l := a.levels[i]
	if l == nil {
		return 0
	}
	for _, sign := range [...]float64{1, -1} {
		right, turned, wrong := false, 0.0, false
		for side := range l.bins {
			for _, s := range l.shares(side, y.step) {
				f := sign * s.factor
				if math.Abs(f-1) <= 0.003+s.unsure {
					right = true
					continue
				}
				turn := math.Abs(f-1) * s.mean
				whole := 65536 * math.Pow(10, math.Round(math.Log10(turn/65536)))
				if math.Abs(turn/whole-1) > 0.01+s.unsure || turned > 0 && turned != whole || s.high > whole/2*1.01 {
					wrong = true
				}
				turned = whole
			}
		}
		if right && turned > 0 && !wrong {
			return turned
		}
	}
	return 0
}

// lostIn says that a total departs by what passed in the rows in which it stands.
func (a *Auditor) lostIn(k *idle, i int, c Compared) bool {
	lost := k.passed
	if a.counted[0] < 3 && i >= 3 {
		lost *= (a.lowVolts + a.highVolts) / 2
	}
	return math.Abs(math.Abs(c.Difference)-lost) < 0.2*lost+c.Tolerance/2
}

// toldStuck says that the energy departs for the current's sake.
func (a *Auditor) toldStuck(r *Report) bool {
	for _, f := range r.Findings {
		if f.Cause == "stale-reading" && f.Row == a.stuck.kept.first && a.stuck.kept.rows > 0 {
			return true
		}
	}
	return false
}

// smallJumps says that a total has no jump but small ones, as a rate that is wrong makes where the current changes.
func (a *Auditor) smallJumps(y *tally) bool {
	for _, c := range y.resets {
		if !c.AtPhase {
			return false
		}
	}
	for _, c := range y.jumps {
		if math.Abs(c.Unmatched) > 3*c.Through+c.Within {
			return false
		}
	}
	return true
}

// jumpsBeyond says that a total has a jump that a constant does not make between two rows.
func (a *Auditor) jumpsBeyond(y *tally, constant float64) bool {
	far := func(c change) bool {
		return math.Abs(c.Unmatched) > 3*math.Abs(constant)*a.time.typical+3*c.Through+2*c.Within
	}
	return len(y.resets) > 0 || slices.ContainsFunc(y.jumps, far)
}

// constantCurrent finds the constant that a total adds to what its integral says [A] or [W]. In rest and under load it must be the same, so that it is told from a factor.
func (a *Auditor) constantCurrent(y *tally, i int, m meaning) (float64, bool) {
	var td, tt, sd, ss, dd, n float64
	var x0, t0, s0 float64
	points := a.trail.points
	for j := range points {
		p := &points[j]
		x, s := p.totals[i], m.of(p.of(i))
		if math.IsNaN(x) {
			continue
		}
		if n == 0 {
			x0, t0, s0 = x, p.t, s
		}
		n++
		d, t := x-x0-(s-s0), p.t-t0
		s -= s0
		td, tt, sd, ss, dd = td+t*d, tt+t*t, sd+s*d, ss+s*s, dd+d*d
	}
	if n < 40 || tt == 0 || ss == 0 || dd == 0 {
		return 0, false
	}
	c, f := td/tt, sd/ss
	byConstant, byFactor := math.Sqrt(max(0, dd-c*td)/n), math.Sqrt(max(0, dd-f*sd)/n)
	w, last := &a.rest, points[len(points)-1]
	if i >= 3 {
		q := &a.tallies[i-3]
		charge, ok := 0.0, false
		if q.have && q.rows > 0 && !a.holds(i-3) {
			charge, ok = a.constantCurrent(q, i-3, q.best())
		}
		// The energy of the same constant.
		d := y.last - y.first - m.of(integrals{y.before.pos - y.base.pos, y.before.neg - y.base.neg})
		watts := d / (last.t - t0)
		volts := math.Abs(watts / charge)
		return watts, ok && volts > 0.9*a.lowVolts && volts < 1.1*a.highVolts
	}
	d := y.last - y.first - m.of(integrals{y.before.pos - y.base.pos, y.before.neg - y.base.neg})
	c = d / (last.t - t0)
	counted := w.counted / w.total
	if byConstant < 0.03*math.Sqrt(dd/n) && byConstant < 0.4*byFactor-y.step/4 && a.atAllLevels(y, i, m, td/tt) {
		return td / tt, true
	}
	// What the current's print hides under load may be more than what flows in a short rest: there the constant shows alone.
	return c, w.total > 600 && w.counted > 10*y.step && math.Abs(counted-math.Abs(c)) < 0.15*math.Abs(c)+a.is/2 && math.Abs(w.charge) < 0.3*w.counted && math.Abs(c) > a.is/2
}

// atAllLevels says that a constant current explains what a total departs by at two currents at least, one twice the other, whatever their direction.
func (a *Auditor) atAllLevels(y *tally, i int, m meaning, constant float64) bool {
	low, high := math.Inf(1), 0.0
	for side, all := range a.sides(y, i, m) {
		for _, s := range all {
			flow := weights[m][1-side] * (s.factor - 1) * s.mean
			if math.Abs(flow-constant) > 0.2*math.Abs(constant)+s.unsure*s.high {
				return false
			}
			low, high = min(low, s.low), max(high, s.high)
		}
	}
	return high > 1.8*low
}

// sides are the shares of negative and positive currents, as the meaning of a total expects them: 1 is right.
func (a *Auditor) sides(y *tally, i int, m meaning) (sides [2][]share) {
	l := a.levels[i]
	if l == nil {
		return sides
	}
	for side := range sides {
		expected := weights[m][0]
		if side == 0 {
			expected = -weights[m][1]
		}
		if expected == 0 {
			continue
		}
		for _, s := range l.shares(side, y.step) {
			s.factor /= expected
			sides[side] = append(sides[side], s)
		}
	}
	return sides
}

// one says that a share is counted once.
func (s share) one() bool { return math.Abs(s.factor-1) <= 0.003+s.unsure }

// deadBand returns up to which current nothing is counted, and from which on all is.
func deadBand(sides [2][]share) (low, high float64, ok bool) {
	for _, all := range sides {
		if len(all) < 2 {
			continue
		}
		if l, h := all[0], all[len(all)-1]; math.Abs(l.factor) <= l.unsure+0.02 && h.one() {
			return l.high, h.low, true
		}
	}
	return 0, 0, false
}

// byLevels names what depends on how large the current is, or on its direction.
func (a *Auditor) byLevels(r *Report, y *tally, i int, m meaning, c Compared, sides [2][]share, fail func(string, float64, int, string, string, ...any) bool) bool {
	var overall [2]share
	made := 0.0 // what the factors make of what flowed
	for side := range sides {
		o := &overall[side]
		for _, s := range sides[side] {
			o.factor += s.factor * s.moved
			o.moved += s.moved
			made += (s.factor - 1) * s.moved * weights[m][1-side]
			o.unsure = max(o.unsure, s.unsure)
		}
		if o.moved > 0 {
			o.factor /= o.moved
		}
	}
	for _, all := range sides {
		if len(all) < 2 {
			continue
		}
		if math.Abs(made-c.Difference) > 0.15*math.Abs(c.Difference)+c.Tolerance/2 {
			break // something else as well
		}
		low, high := all[0], all[len(all)-1]
		for _, s := range [...]share{low, high} {
			if s.one() {
				continue
			}
			if math.Abs(s.factor+1) < 0.02 && low.high < high.low {
				return fail("sign", 0.85, 0, "Print the sign apart from the whole part: -0.5 has none in its whole part.", "agrees with its rows but for currents of %.3g to %.3g A, which are printed with the wrong sign: a minus that is lost", s.low, s.high)
			}
		}
		switch steady := len(all) == 2; {
		case steady && low.one() && high.factor > 1.1+high.unsure && a.atTheTop(high): // two ranges of a front end differ by less
			if i >= 3 && slices.ContainsFunc(r.Findings, func(f verdict.Finding) bool { return f.Cause == "clipped" }) {
				return true // the same
			}
			r.find("clipped", "failure", "firmware", 0.8, 0, "Look at the range of what is printed: the sensor's for this column, or the number's.",
				"the current is never more than %.5g A, at which it stands in many rows, while column %s grows %.4g times as fast there; at less it agrees: the column of current ends there, what flowed was more", high.high, y.name, high.factor)
			return true
		case steady && low.one() && !high.one():
			also := ""
			if a.atTheTop(high) {
				also = "; or the printed current ends there, and more flowed"
			}
			if high.factor < 1 {
				also = fmt.Sprintf("; or no more than %.3g A is added, whatever flows", high.factor*high.mean)
			}
			return fail("gain", 0.75, 0, "Look at what changes there: another range of the front end, another amplifier, another constant for the shunt.", "agrees with its rows at currents up to %.3g A and grows %.4g times as fast at %.3g A and more%s", low.high, high.factor, high.low, also)
		case steady && high.one() && !low.one():
			return fail("gain", 0.75, 0, "Look at what changes there: another range of the front end, another amplifier, another constant for the shunt.", "agrees with its rows at currents of %.3g A and more and grows %.4g times as fast at less", high.low, low.factor)
		}
	}
	p, n := overall[1], overall[0]
	// Along the whole log the two factors must give the total.
	fits := func() bool {
		w := weights[m]
		return a.trail.follows(i, c.Tolerance, func(k *point) float64 { g := k.of(i); return w[0]*p.factor*g.pos + w[1]*n.factor*g.neg })
	}
	if min(p.moved, n.moved) > 0.02*(p.moved+n.moved) && len(sides[0]) == 1 && len(sides[1]) == 1 && p.one() != n.one() && fits() {
		way, factor := "positive", p.factor
		if p.one() {
			way, factor = "negative", n.factor
		}
		if math.Abs(factor) > 0.02 && math.Abs(factor+1) > 0.02 {
			return fail("gain", 0.8, 0, "Count both directions alike; an efficiency belongs to a forecast, not to a sum.", "counts what is printed %s %.4g times and what is printed with the other sign once: one direction has a factor", way, factor)
		}
	}
	return false
}

// atTheTop says that the currents of a share are the largest that are printed, and that they stand there.
func (a *Auditor) atTheTop(s share) bool {
	for _, t := range a.most {
		if t.x == s.high && t.x == s.low && t.rows >= 20 {
			return true
		}
	}
	return false
}

// byEvenSteps names a sum of rounded or cut steps.
func (a *Auditor) byEvenSteps(y *tally, i int, fail func(string, float64, int, string, string, ...any) bool, unit string, per float64) bool {
	if y.step == 0 {
		return false
	}
	w, rows, cut := a.even[i].rounds(y.step)
	if w.rows == 0 {
		return false
	}
	units, passed := math.Round(w.d/y.step), w.passed/y.step
	cause, how := "rounded-sum", "rounded to the printed unit before it is added"
	switch {
	case cut:
		cause, how = "truncated-sum", "cut to the printed unit before it is added"
	case units < passed:
		cause, how = "truncated-sum", "cut or rounded to the printed unit before it is added"
	}
	each := "from row to row"
	if n := a.trail.every; n > 1 {
		each = fmt.Sprintf("in each %d rows", n)
	}
	return fail(cause, 0.8, w.line, "Add up what was read, in a finer unit, and round only what is printed.", "moves by exactly %.0f printed units %s, %d times from line %d on, while %.3f units pass, and by whole steps alike in %d rows in all: what is added is %s", units, each, w.rows, w.line, passed, rows, how)
}

// rowVoltage says that a total of energy is that of the charge times the voltage of the row.
func (a *Auditor) rowVoltage(i int, step float64) bool {
	y := &a.tallies[i-3]
	low, high, n := math.Inf(1), math.Inf(-1), 0
	for j := range a.trail.points {
		p := &a.trail.points[j]
		q, e := p.totals[i-3], p.totals[i]
		if math.IsNaN(q) || math.IsNaN(e) || math.IsNaN(p.v) {
			continue
		}
		if math.Abs(math.Abs(e)-math.Abs(q*p.v)) > step+y.step*math.Abs(p.v)+(a.vs+0.0005*math.Abs(p.v))*math.Abs(q) {
			return false
		}
		if math.Abs(q) > 100*y.step {
			n++
			low, high = min(low, p.v), max(high, p.v)
		}
	}
	return n >= 40 && high-low > 0.03*math.Abs(high)
}

// standFindings names a voltage that stood at one value under load.
func (a *Auditor) standFindings(r *Report) {
	k := a.stands.kept
	if a.stands.alone() && k.sign*a.orientation() < 0 {
		r.find("stale-reading", "failure", "firmware", 0.7, k.first, "See that each row shows a new reading; a sensor that does not answer must not leave the last value standing.",
			"the voltage stands at %.5g V from line %d to line %d and then is %.5g V at once, while the current stays the same: no other value stood for a quarter as long", k.x, k.first, k.last, k.to)
	}
	if k := a.both.kept; a.both.alone() && !slices.ContainsFunc(r.Findings, func(f verdict.Finding) bool { return f.Cause == "stale-reading" }) {
		r.find("stale-reading", "failure", "firmware", 0.75, k.first, "See that each row shows a new reading; a sensor that does not answer must not leave the last values standing.",
			"current and voltage stand together at %.5g A and %.5g V from line %d to line %d, and go on at once from others: nowhere else do both stand for a quarter as long", k.to, k.x, k.first, k.last)
	}
	if k := &a.turns; k.rows >= 3 && 20*k.rows <= a.rows && !a.noise() {
		r.find("sign", "failure", "firmware", 0.75, k.from, "Read the sign with the size, in one go: a value that changes between two reads of its bytes loses it.",
			"%d single rows show the current of the rows around them with the other sign, first on line %d, while the voltage says that nothing turned", k.rows, k.from)
	}
	if k := &a.idle; k.copies >= 5 && 5*k.rows < len(a.trail.points) && !slices.ContainsFunc(r.Findings, func(f verdict.Finding) bool { return f.Cause == "stale-reading" }) {
		r.find("stale-reading", "advice", "firmware", 0.7, k.first, "See that a row is made of a new reading, and not of the buffer of the row before.",
			"%d rows under load show the readings and totals of the row before under a new time, first on line %d", k.copies, k.first)
	}
	switch a.lags.by() {
	case 1:
		r.find("stale-reading", "advice", "firmware", 0.6, 0, "Print the reading that was added last; if the column is a mean over some readings, say so in its head.",
			"the current of each row fits what the totals did before it, not up to it: what is shown is a row older than the totals, or smoothed")
	case -1:
		r.find("stale-reading", "advice", "firmware", 0.6, 0, "Add up first, then print.", "the totals of each row are those that the row before should show: they are printed before the step is added")
	}
}

// voltsFindings holds the energy of a discharge by the totals over its charge, which is a mean voltage, against the voltages that are printed.
func (a *Auditor) voltsFindings(r *Report) {
	q, e := &a.tallies[0], &a.tallies[3]
	if !q.have || !e.have || len(q.resets)+len(e.resets) > 0 || q.bothWays() || a.lowVolts <= 0 || math.Abs(q.last-q.first) < 200*q.step ||
		slices.ContainsFunc(r.Findings, func(f verdict.Finding) bool {
			return f.Severity == "failure" && strings.HasPrefix(f.Evidence, "column ")
		}) {
		return
	}
	volts := math.Abs((e.last - e.first) / (q.last - q.first))
	if !(volts > 0) || volts > 0.85*a.lowVolts && volts < 1.15*a.highVolts {
		return
	}
	cause, what := "total-departs", "one of the two sums lacks what the other has"
	switch {
	case a.holds(3) && !a.holds(0):
		cause, what = "row-rate-sum", "the energy is what the rows alone give, and the charge was made of more readings: energy is added only when a row is written"
	case a.holds(0) && !a.holds(3):
		what = "the charge is what the rows give, and the energy is not"
	}
	r.find(cause, "failure", "firmware", 0.8, 0, "Add charge and energy in the same place, of the same readings.", "column energy over column charge is %.4g V, and no row shows less than %.4g V or more than %.4g V: %s", volts, a.lowVolts, a.highVolts, what)
}

// faceFindings names what is wrong with the face of the clock all through, where it is so wrong that nothing else can be told by it.
func (a *Auditor) faceFindings(r *Report) bool {
	if a.time.kind != "clock" || !a.minutes.stand() || a.seen.disorder+a.seen.leaps+a.seen.duplicates+a.seen.within < 10 {
		return false
	}
	what := ""
	if m := time.Unix(int64(a.minutes.low), 0).UTC().Month(); int(m) == int(a.minutes.at) {
		what = ", the number of the month: a letter for the month stands where that for the minute belongs"
	}
	r.find("wrong-date", "failure", "firmware", 0.9, 0, "Print the minute where the minute belongs; let a tested library make the date from seconds, or write seconds.",
		"every row shows minute %02.0f%s; the time goes back each minute, so that nothing else of this log can be judged", a.minutes.at, what)
	return true
}
