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

func (m meaning) of(g integrals) float64 {
	switch m {
	case plusNet:
		return g.net()
	case minusNet:
		return -g.net()
	case plusPos:
		return g.pos
	case minusPos:
		return -g.pos
	case plusNeg:
		return g.neg
	case minusNeg:
		return -g.neg
	case plusBoth:
		return g.through()
	}
	return -g.through()
}

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
	worst, last float64 // largest and last difference [A·s]
	line        int     // of the largest
	sdc, scc    float64 // for a factor: sums of difference·integral and integral²
	sdd         float64
	jump        float64 // difference gained at the row being taken
}

// tally compares one column of totals with the integral of the rows.
type tally struct {
	name    string
	perStep bool
	split   int // +1 or -1 of a column that counts one direction, 0 of a net total

	have        bool
	first, last float64
	base        integrals // at first
	step        float64   // printed unit
	guesses     [meanings]guess
	before      integrals // at the last row
	dir         integrals // what passed while the total stood still
	hold        integrals // the most that passed while it did, by sign
	holdLine    int
	resets      []change
	jumps       []change
	rows        int
	lastThrough float64 // what passed in the interval before
	jumped      bool    // at the last row
	inside      interior
	long        interior // the longest so far
}

// interior is the inside of one phase, without the rows at its ends, where sampling hides most: what the total and the integral did in it.
type interior struct {
	begun           bool
	skip            int
	x0              float64
	g0              float64 // through
	variance, print float64 // at the begin
	dx, dg          float64 // magnitudes of the change
	uncertain       float64
}

// interior follows the inside of the present phase.
func (y *tally) interior(value float64, g integrals, w where) {
	in := &y.inside
	if w.phase || w.cut || w.rest {
		*in = interior{}
		return
	}
	if in.skip++; in.skip < 2 {
		return
	}
	if !in.begun {
		*in = interior{begun: true, skip: in.skip, x0: value, g0: g.through(), variance: w.variance, print: w.print}
		return
	}
	in.dx, in.dg = math.Abs(value-in.x0), g.through()-in.g0
	in.uncertain = 5*math.Sqrt(math.Max(0, w.variance-in.variance)) + w.print - in.print + 2*y.step
	if in.dg > y.long.dg && in.dx > 0 {
		y.long = *in
	}
}

// change is a total that went from one value to another.
type change struct {
	Line       int
	From, To   float64
	Unmatched  float64 // what of it the current does not explain
	AtRestart  bool
	AtPhase    bool
	AtWrap     bool
	Within     float64 // what was allowed
	Through    float64 // what passed in the interval
	NearlyZero bool
}

const mostChanges = 100

// where says at which row a total stands.
type where struct {
	line int
	// cut: time broke off before it; phase: a new one begins; wrapped: the counter went over its end.
	cut, phase, wrapped bool
	// rest: no current flows, and what does is noise.
	rest bool
	// interval is what may pass between two rows, band what may pass unseen, being small [A·s] or [W·s].
	interval, band float64
	// variance and print are those of the integral so far.
	variance, print float64
}

// take holds the value against the integral at a row.
func (y *tally) take(value, step float64, g integrals, w where) {
	if math.IsNaN(value) {
		return
	}
	y.step = math.Max(y.step, step)
	if !y.have {
		y.have = true
		y.first, y.last, y.base, y.before = value, value, g, g
		return
	}
	y.rows++
	d := value - y.last
	passed := integrals{g.pos - y.before.pos, g.neg - y.before.neg}
	through := passed.through()
	unmatched := math.Inf(1)
	for m := range meanings {
		if u := d - m.of(passed); math.Abs(u) < math.Abs(unmatched) {
			unmatched = u
		}
	}
	tolerance := 2*(through+y.lastThrough) + 4*y.step + w.band + 0.0005*g.through()
	if w.cut {
		// Nothing was integrated across the break, but an interval may have been counted on either side of it.
		tolerance += 2 * w.interval
	}
	if math.Abs(unmatched) > tolerance {
		if y.rows > 10 {
			unmatched = d - y.best().of(passed)
		}
		c := change{Line: w.line, From: y.last, To: value, Unmatched: unmatched, AtRestart: w.cut, AtPhase: w.phase, AtWrap: w.wrapped, Within: tolerance, Through: through,
			NearlyZero: math.Abs(value) <= math.Abs(y.last)/1000+tolerance}
		switch {
		case c.NearlyZero && math.Abs(y.last) > 20*y.step:
			if len(y.resets) < mostChanges {
				y.resets = append(y.resets, c)
			}
			// Whether that was meant or not, what follows is compared from here on.
			y.first, y.base = value, g
			for m := range y.guesses {
				y.guesses[m].last = 0
			}
			y.last, y.before, y.lastThrough = value, g, through
			y.dir = integrals{}
			y.inside = interior{}
			return
		case len(y.jumps) < mostChanges:
			y.jumps = append(y.jumps, c)
		}
		if !y.jumped {
			// A jump once begins a new stretch; one at every row is a rate.
			y.inside = interior{}
		}
		y.jumped = true
	} else {
		y.jumped = false
	}
	if d == 0 {
		y.dir.pos += passed.pos
		y.dir.neg += passed.neg
		if y.dir.pos > y.hold.pos {
			y.hold.pos, y.holdLine = y.dir.pos, w.line
		}
		if y.dir.neg > y.hold.neg {
			y.hold.neg, y.holdLine = y.dir.neg, w.line
		}
	} else {
		y.dir = integrals{}
	}
	y.interior(value, g, w)
	since := integrals{g.pos - y.base.pos, g.neg - y.base.neg}
	x := value - y.first
	for m := range meanings {
		c := m.of(since)
		u := &y.guesses[m]
		u.last = x - c
		if a := math.Abs(u.last); a > u.worst {
			u.worst, u.line = a, w.line
		}
		u.sdc += u.last * c
		u.scc += c * c
		u.sdd += u.last * u.last
	}
	y.last, y.before, y.lastThrough = value, g, through
}

// best returns the meaning that fits best.
func (y *tally) best() meaning {
	best := plusNet
	for m := range meanings {
		if y.split != 0 && (m < plusPos || m > minusNeg) {
			continue
		}
		if y.split != 0 && best == plusNet {
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
	if y.long.dg <= 0 {
		return 1, math.Inf(1)
	}
	return y.long.dx / y.long.dg, y.long.uncertain / y.long.dg
}

// explains says that a factor takes away most of the difference over the whole log.
func (y *tally) explains(m meaning, factor, tolerance float64) bool {
	g := y.guesses[m]
	// Sum of (d - (k-1)·c)² over the rows, for d = difference, c = integral.
	k := factor - 1
	left := g.sdd - 2*k*g.sdc + k*k*g.scc
	return math.Sqrt(math.Max(0, left)/math.Max(1, float64(y.rows))) < math.Max(tolerance/2, 0.3*math.Sqrt(g.sdd/math.Max(1, float64(y.rows))))
}
