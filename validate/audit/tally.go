package audit

import "math"

// integrals are what passed since the first row, by the printed sign of the current [A·s] or [W·s].
type integrals struct{ pos, neg float64 }

func (g integrals) net() float64     { return g.pos - g.neg }
func (g integrals) through() float64 { return g.pos + g.neg }

// meaning says what a column of totals may count.
type meaning uint8

const (
	plusNet   meaning = iota // as the current is printed
	minusNet                 // with the other sign
	plusPos                  // what is printed positive, growing
	minusPos                 // the same, falling
	plusNeg                  // what is printed negative, growing
	minusNeg                 // the same, falling
	plusBoth                 // both directions, growing
	minusBoth                // both, falling
	meanings
)

// weights are those of the positive and the negative part in what each meaning counts.
var weights = [meanings][2]float64{{1, -1}, {-1, 1}, {1, 0}, {-1, 0}, {0, 1}, {0, -1}, {1, 1}, {-1, -1}}

// of is what the meaning counts of the integrals.
func (m meaning) of(g integrals) float64 { return weights[m][0]*g.pos + weights[m][1]*g.neg }

// held returns what passed of the directions that the meaning counts while the total stood still.
func (m meaning) held(g integrals) float64 {
	switch m {
	case plusPos, minusPos:
		return g.pos
	case plusNeg, minusNeg:
		return g.neg
	}
	return math.Max(g.pos, g.neg)
}

func (m meaning) String() string {
	return [...]string{"net, sign as the current", "net, sign against the current", "the positive part", "the positive part, falling", "the negative part", "the negative part, falling",
		"both directions added", "both directions added, falling"}[m]
}

// guess is one meaning held against a column.
type guess struct {
	worst float64 // largest difference [A·s]
	line  int     // of it
}

// hold keeps a difference if it is the largest.
func (g *guess) hold(difference float64, line int) {
	if d := math.Abs(difference); d > g.worst {
		g.worst, g.line = d, line
	}
}

// lack counts the rows without a total that stand between rows with it.
type lack struct {
	rows, line int  // line of the first
	have       bool // the total was shown before
	run, at    int  // rows without it since then, and the line of the first of them
}

func (l *lack) take(value float64, line int) {
	switch {
	case !math.IsNaN(value):
		if l.run == 1 {
			first(&l.rows, &l.line, l.at)
		}
		l.have, l.run = true, 0
	case l.have:
		if l.run++; l.run == 1 {
			l.at = line
		}
	}
}

// wrapBits are the widths of integers that sums are kept in.
var wrapBits = [...]int{8, 15, 16, 24, 31, 32}

// wrapped is of how many bits an integer is, in printed units, that went over its end in a change: what the current does not explain of it is 2^bits
// to within a few units; 0: none.
func (y *tally) wrapped(c change) int {
	for _, bits := range wrapBits {
		size := math.Ldexp(y.step, bits)
		if off := math.Abs(math.Abs(c.Unmatched) - size); off <= 2*y.step+0.3*c.Through && off < size/20 {
			return bits
		}
	}
	// The sum may be kept in a finer or another unit than it is printed in, a power of ten of A·s or of what is printed.
	x, within := math.Abs(c.Unmatched), 2*y.step+0.3*c.Through
	for _, unit := range [...]float64{1, 3600} {
		for _, bits := range [...]int{16, 24, 31, 32} {
			size := math.Ldexp(unit, bits)
			size *= math.Pow(10, math.Round(math.Log10(x/size)))
			if math.Abs(x-size) <= within && within < 0.001*x {
				return bits
			}
		}
	}
	return 0
}

// fromEndToEnd says that a total went from one value to the same with the other sign, as a signed integer does whose end was passed.
func (c change) fromEndToEnd(step float64) bool {
	return c.From*c.To < 0 && math.Abs(c.From+c.To) <= 2*c.Through+4*step && math.Abs(c.From) > 20*(c.Through+step)
}

// wrapsOf16 counts the jumps that are what flows in 2^16 ms, if most are.
func (y *tally) wrapsOf16() int {
	n := 0
	for _, all := range [...][]change{y.jumps, y.resets} {
		for _, c := range all {
			if math.Abs(math.Abs(c.Unmatched)-65.536*c.Flow) < 0.01*65.536*c.Flow+3*y.step {
				n++
			}
		}
	}
	if 4*n < 3*(len(y.jumps)+len(y.resets)) {
		return 0
	}
	return n
}

// fallsAlike counts the falls to nearly nothing, if all are from the same height.
func (y *tally) fallsAlike() int {
	for _, c := range y.resets {
		if d := y.resets[0]; math.Abs(math.Abs(c.From)-math.Abs(d.From)) > 2*max(c.Through, d.Through)+2*y.step || c.AtPhase {
			return 0
		}
	}
	return len(y.resets)
}

// width is of how many bits an integer is, in printed units, whose end a total came to before it fell; 0: none.
func (y *tally) width(c change) int {
	if bits := y.wrapped(c); bits > 0 && c.Through > 0 && math.Abs(c.From)+c.Through+3*y.step >= math.Ldexp(y.step, bits) {
		return bits
	}
	for _, bits := range [...]int{15, 16, 31, 32} {
		if most := math.Ldexp(y.step, bits); math.Abs(c.From) <= most && math.Abs(c.From)+2*c.Through+3*y.step >= most && math.Abs(c.From) > 0.99*most {
			return bits
		}
	}
	return 0
}

// moments are sums over the rows of products of the total x and the integrals p and n of either sign, from which the sums of
// squares of every meaning follow: each meaning is a·p + b·n.
type moments struct{ xx, xp, xn, pp, pn, nn float64 }

func (s *moments) add(x float64, g integrals) {
	s.xx += x * x
	s.xp += x * g.pos
	s.xn += x * g.neg
	s.pp += g.pos * g.pos
	s.pn += g.pos * g.neg
	s.nn += g.neg * g.neg
}

// departure is the root of the mean of (x - factor·(what the meaning counts))² over n rows.
func (s *moments) departure(m meaning, factor float64, n int) float64 {
	a, b := factor*weights[m][0], factor*weights[m][1]
	sum := s.xx - 2*(a*s.xp+b*s.xn) + a*a*s.pp + 2*a*b*s.pn + b*b*s.nn
	return math.Sqrt(max(0, sum) / max(1, float64(n)))
}

// tally compares one column of totals with the integral of the rows.
type tally struct {
	name    string
	perStep bool
	wraps   bool // its header says that it comes to an end and begins anew
	split   int  // +1 or -1 of a column that counts one direction, 0 of a net total
	alone   bool // no column counts the other direction: what a word calls "used" may be a net total

	have        bool
	first, last float64
	base        integrals // at first
	step        float64   // printed unit
	finest      float64   // of the last values that differ, and how many these are
	differ      int
	known       bool // step comes of values enough
	guesses     [meanings]guess
	fits        meaning // what fitted the change at the row before
	moments     moments
	before      integrals // at the last row
	dir         integrals // what passed while the total stood still
	still       int       // rows for which it did
	overflowed  bool      // it went over the end of an integer
	hold        integrals // the most that passed while it did, by sign
	holdLine    int
	lack        lack
	holdRows    int     // rows in which it passed
	holdAt      float64 // magnitude of the total there
	resets      []change
	jumps       []change
	turned      bool     // both directions flowed between two resets
	ahead       []change // totals that went on while time broke off
	rows        int
	lastThrough float64 // what passed in the interval before
	jumped      bool    // at the last row
	up, down    int     // rows in which the total rose, fell
	path        float64 // how far it went, either way
	pathWorst   float64 // largest difference of that from what passed
	run         int     // rows up to the last one that jumped, one behind the other
	inside      interior
	long        interior // the longest so far
}

// interior is the inside of one phase, without the rows at its ends, where sampling hides most: what the total and the integral did in it.
type interior struct {
	skip   int // rows so far
	x0     float64
	begin  amount
	end    amount  // where the total last differed from x0
	dx, dg float64 // magnitudes of the change there
	beat   float64 // what one printed unit of time makes at the largest flow
}

// amount is how far an integral has come: what passed, the variance of it and what print can hide.
type amount struct {
	through float64
	hidden  hidden
}

// hidden is what of an integral sampling and print can hide: the variance where rows come by chance, what print does at most, and what a
// load that is switched in step with the rows does at most.
type hidden struct{ variance, print, pulse float64 }

// interior follows the inside of the present phase.
func (y *tally) interior(value float64, g integrals, w *where) {
	in := &y.inside
	if w.phase || w.cut || w.rest {
		y.leave()
		return
	}
	if in.skip++; in.skip < 2 {
		return
	}
	if in.skip == 2 {
		in.x0, in.begin = value, amount{g.through(), w.hidden}
		return
	}
	in.beat = max(in.beat, w.timeStep*w.flow.through())
	if dx := math.Abs(value - in.x0); dx > 0 {
		in.dx, in.end = dx, amount{g.through(), w.hidden}
	}
}

// leave ends the inside of a phase, and keeps it if it is the longest.
func (y *tally) leave() {
	in := &y.inside
	if in.skip == 0 {
		return
	}
	if in.dg = in.end.through - in.begin.through; in.dx > 0 && in.dg > y.long.dg {
		y.long = *in
	}
	*in = interior{}
}

// change is a total that went from one value to another.
type change struct {
	Line       int
	From, To   float64
	Unmatched  float64 // what of it the current does not explain
	AtRestart  bool
	AtPhase    bool
	AtWrap     bool
	AtMidnight bool    // it is the first row of a new date
	AtNewTest  bool    // of another test, by all that the rows show
	Within     float64 // what was allowed
	Through    float64 // what passed in the interval
	Flow       float64 // current [A] or power [W] there, by magnitude
	NearlyZero bool
}

// doubled says that the total was added to itself.
func (c change) doubled() bool {
	return math.Abs(c.Unmatched-c.From) < 0.05*math.Abs(c.From)+c.Within
}

const mostChanges = 100

// where says at which row a total stands.
type where struct {
	line int
	// cut: time broke off before it; phase: a new one begins; wrapped: the counter went over its end.
	cut, phase, wrapped bool
	// midnight: it is the first row of a new date.
	midnight bool
	// newTest: it is the first of another test, see anotherTest.
	newTest bool
	// rest: no current flows, and what does is noise.
	rest bool
	// interval is what may pass between two rows, band what may pass unseen, being small [A·s] or [W·s].
	interval, band float64
	// within is what may pass in one printed unit of the time, where several rows come in it: which of them it passed in is not printed.
	within float64
	hidden hidden // of the integral so far
	// flow is the current [A] or power [W] at the row by its sign; of the last row before where time broke off.
	flow integrals
	// gap is how long time broke off before it, by the clock [s]; 0: nothing says.
	gap float64
	// timeStep is the printed unit of time [s].
	timeStep float64
	// loose: how much time passed before it is not known for sure.
	loose bool
}

// take holds the value against the integral at a row.
func (y *tally) take(value, step float64, g integrals, w *where) {
	y.lack.take(value, w.line)
	if math.IsNaN(value) {
		return
	}
	y.printed(value, step)
	if !y.have {
		y.have = true
		y.first, y.last, y.base, y.before = value, value, g, g
		return
	}
	y.rows++
	d := value - y.last
	passed := integrals{g.pos - y.before.pos, g.neg - y.before.neg}
	moved := passed.through()
	tolerance := 2*(moved+y.lastThrough) + 4*y.step + w.band + w.within + 0.0005*g.through()
	if w.cut {
		// Nothing was integrated across the break, but an interval may have been counted on either side of it.
		tolerance += 2 * w.interval
	}
	y.foreseen(w)
	unmatched := d - y.fits.of(passed)
	if far := math.Abs(unmatched) > tolerance; w.cut && (!far || y.goesOn(d, unmatched, tolerance, w)) || w.loose && !far {
		// Nothing was integrated over the break: what follows is compared from here on.
		if far {
			y.ahead = append(y.ahead, change{Line: w.line, From: y.last, To: value, Unmatched: unmatched})
		}
		y.first += unmatched
		unmatched = 0
	}
	if math.Abs(unmatched) > tolerance {
		// Another meaning may fit.
		for m := range meanings {
			if u := d - m.of(passed); math.Abs(u) < math.Abs(unmatched) {
				unmatched, y.fits = u, m
			}
		}
	}
	if math.Abs(unmatched) > tolerance {
		if y.rows > 10 {
			unmatched = d - y.best().of(passed)
		}
		c := change{Line: w.line, From: y.last, To: value, Unmatched: unmatched, AtRestart: w.cut, AtPhase: w.phase, AtWrap: w.wrapped, AtMidnight: w.midnight && !w.cut, AtNewTest: w.newTest, Within: tolerance, Through: moved, Flow: w.flow.through(),
			NearlyZero: math.Abs(value) <= math.Abs(y.last)/1000+tolerance}
		switch {
		case c.NearlyZero && math.Abs(y.last) > 20*y.step:
			if len(y.resets) < mostChanges {
				y.resets = append(y.resets, c)
			}
			// Whether that was meant or not, what follows is compared from here on.
			y.turned = y.turned || y.bothWays()
			y.first, y.base = value, g
			y.last, y.before, y.lastThrough = value, g, moved
			y.dir = integrals{}
			y.leave()
			return
		case len(y.jumps) < mostChanges:
			y.jumps = append(y.jumps, c)
		}
		if !y.jumped {
			// A jump once begins a new stretch; one at every row is a rate.
			y.leave()
		}
		y.jumped = true
		y.run++
	} else {
		y.jumped, y.run = false, 0
	}
	if d == 0 {
		y.dir.pos += passed.pos
		y.dir.neg += passed.neg
		y.still++
		if y.still < 3 {
			// a break of which the time does not tell
		} else if y.dir.pos > y.hold.pos {
			y.hold.pos, y.holdLine, y.holdRows, y.holdAt = y.dir.pos, w.line, y.still, math.Abs(value)
		}
		if y.still >= 3 && y.dir.neg > y.hold.neg {
			y.hold.neg, y.holdLine, y.holdRows, y.holdAt = y.dir.neg, w.line, y.still, math.Abs(value)
		}
	} else {
		y.dir, y.still = integrals{}, 0
	}
	y.interior(value, g, w)
	since := integrals{g.pos - y.base.pos, g.neg - y.base.neg}
	x := value - y.first
	guesses, net, through := &y.guesses, since.net(), since.through()
	guesses[plusNet].hold(x-net, w.line)
	guesses[minusNet].hold(x+net, w.line)
	guesses[plusPos].hold(x-since.pos, w.line)
	guesses[minusPos].hold(x+since.pos, w.line)
	guesses[plusNeg].hold(x-since.neg, w.line)
	guesses[minusNeg].hold(x+since.neg, w.line)
	guesses[plusBoth].hold(x-through, w.line)
	guesses[minusBoth].hold(x+through, w.line)
	y.moments.add(x, since)
	if d > 0 {
		y.up++
	} else if d < 0 {
		y.down++
	}
	y.path += math.Abs(d)
	y.pathWorst = max(y.pathWorst, math.Abs(y.path-through))
	y.last, y.before, y.lastThrough = value, g, moved
}

// printed learns how finely the total is printed. Of some values that differ, one at least shows its last place: where zeros at the end are left
// out, the others do not, and a bare 0 never does.
func (y *tally) printed(value, step float64) {
	if value == 0 || y.have && value == y.last {
		return
	}
	if y.finest == 0 || step < y.finest {
		y.finest = step
	}
	switch y.differ++; {
	case y.differ < differing && !y.known:
		y.step = max(y.step, step)
	case y.differ == differing:
		if !y.known {
			y.step, y.known = 0, true
		}
		y.step = max(y.step, y.finest)
		y.finest, y.differ = 0, 0
	}
}

// differing values hold one that does not end in a zero, but for one time in 10^8.
const differing = 8

// foreseen takes back the jumps of the rows just before where the current of this row explains them: a shown current that is smoothed, or
// older than its row, follows its total.
func (y *tally) foreseen(w *where) {
	if w.cut || y.run > mostBehind {
		return
	}
	for ; y.run > 0 && len(y.jumps) > 0; y.run-- {
		j := &y.jumps[len(y.jumps)-1]
		if j.AtRestart || j.AtWrap || j.Through > w.interval/2 || math.Abs(j.Unmatched) > 1.05*w.interval+2*y.step || j.Unmatched*y.fits.of(w.flow) <= 0 {
			return
		}
		y.jumps, y.jumped = y.jumps[:len(y.jumps)-1], false
	}
}

// mostBehind is by how many rows a shown current may follow its total.
const mostBehind = 8

// goesOn says that a total went on over a break as it was going, no further than the clock's time allows if that is known: rows before the
// break were not written, or the break was counted at the last current. Twice what it was is a total that was added twice, nothing one
// that was lost.
func (y *tally) goesOn(d, unmatched, tolerance float64, w *where) bool {
	rate := y.fits.of(w.flow)
	if d*rate <= 0 || math.Abs(y.last+d) <= math.Abs(y.last)/1000+tolerance || math.Abs(d-y.last) < 0.05*math.Abs(y.last)+tolerance {
		return false
	}
	return w.gap == 0 || math.Abs(unmatched) <= math.Abs(rate)*w.gap+tolerance
}

// turns says that the total goes both ways, as one that counts one direction never does.
func (y *tally) turns() bool { return y.up > 2 && y.down > 2 }

// bothWays says that both directions flowed since the total began, and more than noise at rest does.
func (y *tally) bothWays() bool {
	p, n := y.before.pos-y.base.pos, y.before.neg-y.base.neg
	return min(p, n) > 0.02*(p+n) && p+n > 0.01*y.before.through()
}

// best returns the meaning that fits best.
func (y *tally) best() meaning {
	best := plusNet
	for m := range meanings {
		if y.split != 0 && (m < plusPos && !(y.alone && y.turns()) || m > minusNeg) {
			continue
		}
		if y.split != 0 && best == plusNet && !y.alone {
			best = m
			continue
		}
		if y.guesses[m].worst < y.guesses[best].worst*(1-1e-9)-1e-12 {
			best = m
		}
	}
	return best
}

// factor returns the factor by which the column is off in the longest interior, and how uncertain that is.
func (y *tally) factor() (factor, uncertain float64) {
	y.leave()
	in := &y.long
	if in.dg <= 0 {
		return 1, math.Inf(1)
	}
	a, b := in.begin.hidden, in.end.hidden
	unseen := 5*math.Sqrt(max(0, b.variance-a.variance)) + b.print - a.print + b.pulse - a.pulse + 2*y.step + in.beat
	return in.dx / in.dg, unseen / in.dg
}

// explains says that a factor takes away most of the difference over the whole log.
func (y *tally) explains(m meaning, factor, tolerance float64) bool {
	return y.moments.departure(m, factor, y.rows) < max(tolerance/2, 0.3*y.moments.departure(m, 1, y.rows))
}
