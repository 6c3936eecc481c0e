package audit

import (
	"fmt"
	"math"
)

// trail keeps rows of a log, every so many of them, that the whole of it can be looked at in the end: what a total departs by from where
// on, at which currents, and what else it follows.
type trail struct {
	points []point
	every  int // rows for each point
	next   int // rows until the next
	volts  float64
	broken bool // time broke off since the last one
}

// point is a row of the trail. Totals are NaN where the log has none.
type point struct {
	line    int
	t, i, v float64
	q, e    integrals
	volts   float64    // integral of the voltage over time [V·s]
	totals  [6]float64 // as in Auditor.tallies
	steps   [6]float64 // one unit in the last place that each shows
	broken  bool       // time broke off somewhere since the point before
}

const mostPoints = 4096

// take adds a row.
func (k *trail) take(a *Auditor, r *row) {
	if len(k.points) == mostPoints {
		for n := range k.points[:mostPoints/2] {
			broken := k.points[2*n].broken || n > 0 && k.points[2*n-1].broken
			k.points[n] = k.points[2*n]
			k.points[n].broken = broken
		}
		k.points = k.points[:mostPoints/2]
		k.every *= 2
	}
	k.every = max(1, k.every)
	k.next = k.every
	k.points = append(k.points, point{line: r.line, t: a.time.t, i: r.i, v: r.v, q: a.q, e: a.e, volts: k.volts,
		totals: [6]float64{r.q[0], r.q[1], r.q[2], r.e[0], r.e[1], r.e[2]},
		steps:  [6]float64{r.qs[0], r.qs[1], r.qs[2], r.es[0], r.es[1], r.es[2]}, broken: k.broken})
	k.broken = false
}

// look goes along the trail, once the log is at its end: at which currents the totals departed, by which steps they went, where the current stood,
// and whether it is of the same time as they are.
func (a *Auditor) look() {
	points := a.trail.points
	a.lowVolts, a.highVolts = math.Inf(1), math.Inf(-1)
	for j := range points {
		p := &points[j]
		a.lowVolts, a.highVolts = min(a.lowVolts, p.v), max(a.highVolts, p.v)
		a.most[(a.kindOf(p.i)+1)/2].take(p.i)
		if j == 0 {
			continue
		}
		b := &points[j-1]
		dt := p.t - b.t
		between := integrals{p.q.pos - b.q.pos, p.q.neg - b.q.neg}
		kind := a.kindOf(p.i)
		near := 0.01*a.imax + 2*a.is
		if len(a.counted) > 0 {
			c := a.counted[0]
			a.both.take(p, p.totals[c], a.tallies[c].best().of(p.of(c)), kind != 0 && !p.broken, 6*a.vs, 6*a.is+0.05*a.imax)
		}
		a.stands.take(p.v, 6*a.vs, !p.broken && kind == a.kindOf(b.i) && math.Abs(p.i-b.i) <= near, kind, p.line)
		steady := !p.broken && dt > 0 && kind == a.kindOf(b.i) && math.Abs(p.i-b.i) <= near && math.Abs(between.net()/dt-p.i) <= near
		for n, c := range a.counted {
			y, m := &a.tallies[c], a.tallies[c].best()
			if math.IsNaN(p.totals[c]) || math.IsNaN(b.totals[c]) {
				continue
			}
			d, g, h := p.totals[c]-b.totals[c], p.of(c), b.of(c)
			passed := integrals{g.pos - h.pos, g.neg - h.neg}
			if n == 0 {
				a.idle.take(p, b, d == 0 && steady && kind != 0 && passed.through() > 5*y.step, steady, passed.through())
			}
			if n == 0 && c < 3 {
				a.stuck.take(p, p.totals[c], p.q.net(), a.vs)
				if a.trail.every == 1 {
					a.lags.take(d, m.of(passed), !p.broken && math.Abs(dt-a.time.typical) < 0.2*a.time.typical)
				}
			}
			if !steady || kind == 0 {
				continue
			}
			a.even[c].take(d, passed.through(), y.step, p.line)
			if math.Abs(d-m.of(passed)) > 5*passed.through()+4*y.step {
				continue // a jump
			}
			if a.levels[c] == nil {
				a.levels[c] = &levels{}
			}
			a.levels[c].take(j, p.i, d, passed.net())
		}
	}
}

// of is the integral that a total of index i is held against.
func (p *point) of(i int) integrals {
	if i < 3 {
		return p.q
	}
	return p.e
}

// follows says that a total moves as something else does over the whole trail, to within what is allowed, and that this something moves by
// far more than that.
func (k *trail) follows(i int, within float64, something func(*point) float64) bool {
	var x0, s0, most float64
	n := 0
	for j := range k.points {
		p := &k.points[j]
		x, s := p.totals[i], something(p)
		if math.IsNaN(x) || math.IsNaN(s) {
			continue
		}
		if n++; n == 1 {
			x0, s0 = x, s
		}
		if d := math.Abs(math.Abs(x-x0) - math.Abs(s-s0)); d > within+0.01*math.Abs(s-s0) {
			return false
		}
		most = max(most, math.Abs(s-s0))
	}
	return n >= 20 && most > 10*within
}

// bend is where a total that agreed with its integral until then begins to grow by another factor.
type bend struct {
	line     int
	factor   float64
	constant float64 // what is added beside what passes [A] or [W], if that explains it and a factor does not
}

// bent finds the point from which on a total grows by another factor than before, where before and behind it each a steady factor explains
// every point to within what is allowed. The log must hold enough on either side.
func (k *trail) bent(i int, m meaning, within float64) (bend, bool) {
	var x, s, at0 []float64
	var lines []int
	for j := range k.points {
		p := &k.points[j]
		if v := p.totals[i]; !math.IsNaN(v) {
			x, s, lines, at0 = append(x, v), append(s, m.of(p.of(i))), append(lines, p.line), append(at0, p.t)
		}
	}
	n := len(x)
	if n < 40 {
		return bend{}, false
	}
	last := 0 // the last point up to which the total agrees with its integral
	for last+1 < n && math.Abs((x[last+1]-x[0])-(s[last+1]-s[0])) <= within {
		last++
	}
	whole := math.Abs(s[n-1] - s[0])
	// What departs only slowly is allowed for a while: it began earlier than it shows.
	if behind := math.Abs(s[n-1] - s[last]); last < 10 || n-last < 10 || math.Abs(s[last]-s[0]) < 0.1*whole || behind < 0.1*whole {
		return bend{}, false
	}
	straight := true // one factor explains all
	for j := range x {
		straight = straight && math.Abs((x[j]-x[0])-(x[n-1]-x[0])/(s[n-1]-s[0])*(s[j]-s[0])) <= within
	}
	if straight {
		return bend{}, false
	}
	d := func(j int) float64 { return x[j] - x[0] - (s[j] - s[0]) }
	// What it is off by at the last point that agrees was made since the bend.
	back := func(along []float64) (at int, slope float64) {
		if slope = (d(n-1) - d(last)) / (along[n-1] - along[last]); slope == 0 {
			return last, 0
		}
		back := math.Abs(d(last) / slope)
		for at = last; at > 0 && math.Abs(along[last]-along[at]) < back; {
			at--
		}
		slope = (d(n-1) - d(at)) / (along[n-1] - along[at])
		return at, slope
	}
	leaves := func(along []float64, at int, slope float64) float64 {
		worst := 0.0
		for j := at; j < n; j++ {
			worst = max(worst, math.Abs(d(j)-d(at)-slope*(along[j]-along[at])))
		}
		return worst
	}
	at, share := back(s)
	atC, constant := back(at0)
	byFactor, byConstant := leaves(s, at, share), leaves(at0, atC, constant)
	switch {
	case byConstant < byFactor/3 && byConstant <= within/2:
		return bend{line: lines[min(atC+1, n-1)], constant: constant}, true
	case byFactor <= within && math.Abs(share) >= 0.02:
		return bend{line: lines[min(at+1, n-1)], factor: 1 + share}, true
	}
	return bend{}, false
}

// levels are what a total and its integral did at currents of like size: by which a dead band, a current that ends at its range, another
// range of the front end, or one direction that is counted otherwise shows.
type levels struct {
	bins [2][perOctave * octaves]level // of negative and positive currents
}

type level struct {
	x, s    float64 // what the total and its integral moved by, magnitudes along the meaning "as printed"
	rows    int
	runs    int // stretches in which points followed each other: each may be off by a printed unit at its ends
	last    int // point of the trail that was taken last
	highest float64
	sum     float64 // of the currents' magnitudes [A]
}

const (
	perOctave = 4
	octaves   = 48
)

// take adds what passed between two rows at nearly the same current.
func (l *levels) take(row int, i, dx, ds float64) {
	frac, exp := math.Frexp(math.Abs(i))
	at := (exp+octaves/2)*perOctave + int((frac-0.5)*2*perOctave)
	if at < 0 || at >= perOctave*octaves || i == 0 {
		return
	}
	side := 0
	if i > 0 {
		side = 1
	}
	b := &l.bins[side][at]
	if b.last+1 != row {
		b.runs++
	}
	b.last = row
	b.x, b.s, b.rows = b.x+dx, b.s+ds, b.rows+1
	b.highest = max(b.highest, math.Abs(i))
	b.sum += math.Abs(i)
}

// share is a stretch of currents of one direction with the factor by which they are counted.
type share struct {
	low, high float64 // [A], magnitudes
	mean      float64 // [A]
	factor    float64
	unsure    float64
	moved     float64 // what the integral says passed
}

// shares are the factors of one direction, neighbours of the same factor taken together, from small currents to large.
func (l *levels) shares(side int, step float64) (all []share) {
	for _, b := range l.bins[side] {
		if b.rows < 5 || b.s == 0 {
			continue
		}
		unsure := (2*step*float64(b.runs) + 0.002*math.Abs(b.s)) / math.Abs(b.s)
		if unsure > 0.1 {
			continue
		}
		f := b.x / b.s
		if n := len(all); n > 0 && math.Abs(f-all[n-1].factor) <= unsure+all[n-1].unsure {
			p := &all[n-1]
			p.factor = (p.factor*p.moved + f*math.Abs(b.s)) / (p.moved + math.Abs(b.s))
			p.mean = (p.mean*p.moved + b.sum/float64(b.rows)*math.Abs(b.s)) / (p.moved + math.Abs(b.s))
			p.moved, p.high, p.unsure = p.moved+math.Abs(b.s), b.highest, max(p.unsure, unsure)
			continue
		}
		all = append(all, share{b.highest, b.highest, b.sum / float64(b.rows), f, unsure, math.Abs(b.s)})
	}
	return all
}

// fullInteger names the integer at whose end a total stands: the digits of 2^n - 1, whatever the place of the point. A number of few digits may be
// one by chance.
func fullInteger(x, step float64) string {
	if step <= 0 || math.Abs(x) < 2000*step {
		return ""
	}
	for _, bits := range [...]int{15, 16, 24, 31, 32, 63} {
		full := math.Ldexp(1, bits) - 1
		scale := math.Pow(10, math.Round(math.Log10(math.Abs(x)/full)))
		if math.Abs(math.Abs(x)-full*scale) <= step {
			return fmt.Sprintf("2^%d - 1", bits)
		}
	}
	return ""
}

// evenSteps watches a total that moves by the same number of printed units from row to row, while what passes is no whole number of them: a sum that
// is right would be printed with one unit more now and then.
type evenSteps struct {
	d      float64 // by which the total moved at each row of the present run
	passed float64 // meanwhile, by the integral
	rows   int
	line   int
	runs   []evenRun
}

// evenRun is a run of even steps: of a row each.
type evenRun struct {
	d, passed float64
	rows      int
	line      int
}

const (
	fewestEven = 8 // rows of a run
	mostRuns   = 256
)

// take adds what a row moved the total by.
func (k *evenSteps) take(d, passed, step float64, line int) {
	if math.Abs(d-k.d) > step/4 {
		k.close()
		*k = evenSteps{d: d, line: line, runs: k.runs}
	}
	k.rows++
	k.passed += passed
}

func (k *evenSteps) close() {
	if k.rows >= fewestEven && k.d != 0 && len(k.runs) < mostRuns {
		k.runs = append(k.runs, evenRun{math.Abs(k.d), k.passed / float64(k.rows), k.rows, k.line})
	}
	k.rows = 0
}

// rounds says how the steps of nearly all runs come of what passed, rounded or cut to the printed unit, and gives the longest of those that show it.
func (k *evenSteps) rounds(step float64) (longest evenRun, rows int, cut bool) {
	k.close()
	var off float64 // printed units by which the runs together cannot be the print of a right sum
	n, byCut, byRound := 0, 0, 0
	for _, r := range k.runs {
		units, passed := math.Round(r.d/step), r.passed/step
		if units > 20 {
			continue
		}
		n += r.rows
		slack := 0.02 + 1/float64(r.rows)
		if units <= passed+slack && units > passed-1-slack {
			byCut += r.rows
		}
		if math.Abs(units-passed) < 0.5+slack {
			byRound += r.rows
		}
		if d := math.Abs(units-passed)*float64(r.rows) - 2; d > 0 {
			if off += d; r.rows > longest.rows {
				longest = r
			}
		}
	}
	if n < 60 || off < 6 || 10*max(byCut, byRound) < 9*n {
		return evenRun{}, 0, false
	}
	return longest, n, byCut > byRound
}

// stands finds the longest stretch in which a reading stood at one value and then went on from another at once.
type stands struct {
	x       float64
	run     int
	line    int // first of the run
	longest int // other run
	kept    stand
}

// stand is a stretch in which a reading stood at one value.
type stand struct {
	x, to       float64
	first, last int // lines
	rows        int
	sign        int8 // of the current, as printed
}

// take adds a reading. leap is the least by which it must go on; steady says that nothing else changed between the two rows.
func (k *stands) take(x, leap float64, steady bool, sign int8, line int) {
	if x != x {
		return
	}
	if k.run > 0 && x == k.x {
		k.run++
		return
	}
	other := k.run
	if k.run >= 15 && steady && sign != 0 && math.Abs(x-k.x) >= leap && k.run > k.kept.rows {
		other = k.kept.rows
		k.kept = stand{k.x, x, k.line, line - 1, k.run, sign}
	}
	k.longest = max(k.longest, other)
	k.x, k.run, k.line = x, 1, line
}

// alone says that no other run was nearly as long: so long a one is no matter of how finely the reading is printed.
func (k *stands) alone() bool { return k.kept.rows > 0 && max(k.longest, k.run) <= k.kept.rows/4 }

// stuck finds a current that stands at one value while the voltage jumps up and down, as where the load is switched.
type stuck struct {
	x, v       float64
	run, line  int
	ups, downs int
	x0, s0     float64 // total of charge and integral at the start of the run
	kept       stand
	dx, ds     float64 // by which they moved in it
}

func (k *stuck) take(r *point, total, integral, unit float64) {
	if k.run > 0 && r.i == k.x {
		k.run++
		if d, leap := r.v-k.v, max(10*unit, 0.003*math.Abs(r.v)); d > leap {
			k.ups++
		} else if d < -leap {
			k.downs++
		}
		k.v = r.v
		if k.run >= 12 && min(k.ups, k.downs) >= 2 && (k.run > k.kept.rows || k.kept.first == k.line) {
			k.kept = stand{x: k.x, first: k.line, last: r.line, rows: k.run}
			k.dx, k.ds = total-k.x0, integral-k.s0
		}
		return
	}
	k.x, k.v, k.run, k.line, k.ups, k.downs, k.x0, k.s0 = r.i, r.v, 1, r.line, 0, 0, total, integral
}

// lags holds the change of a total at each row against the area under the current there, a row before and a row after.
type lags struct {
	before, here float64 // areas of the two rows before
	moved        float64 // the total's change at the row before
	n            int     // rows in a row
	squares      [3]float64
	events       int
}

// take adds a row; whole says that it follows the one before by the usual interval.
func (k *lags) take(moved, area float64, whole bool) {
	if !whole {
		k.n = 0
		return
	}
	if k.n >= 2 {
		for j, a := range [...]float64{k.before, k.here, area} {
			k.squares[j] += sq(k.moved - a)
		}
		if math.Abs(k.before-k.here) > 0.2*max(math.Abs(k.before), math.Abs(k.here)) {
			k.events++
		}
	}
	k.before, k.here, k.moved = k.here, area, moved
	k.n++
}

// by is 1 if the current that is shown is a row older than the totals, -1 if the totals are a row older than the current, else 0.
func (k *lags) by() int {
	best := 1
	for j := range k.squares {
		if k.squares[j] < k.squares[best] {
			best = j
		}
	}
	if best == 1 || k.events < 6 || k.squares[best] > 0.25*k.squares[1] {
		return 0
	}
	return best - 1
}

// idle finds rows in which a total stands while the same current flows as before and after them: no threshold and no precision of a sum does that.
type idle struct {
	run, line   int
	copied      int // rows of the run that show the readings of the row before them as well
	lost        float64
	rows, first int
	copies      int
	passed      float64 // in the rows that stand, by the integral
	longest     stand
	after       bool // the run began from a row that moved
}

// take adds a point behind b.
func (k *idle) take(p, b *point, still, steady bool, passed float64) {
	if still {
		if k.run++; k.run == 1 {
			k.line, k.copied, k.lost = p.line, 0, 0
		}
		k.lost += passed
		if p.i == b.i && p.v == b.v {
			k.copied++
		}
		return
	}
	if k.run > 0 && k.after && steady {
		if k.rows == 0 {
			k.first = k.line
		}
		k.rows += k.run
		k.copies += k.copied
		k.passed += k.lost
		if k.run > k.longest.rows {
			k.longest = stand{first: k.line, last: b.line, rows: k.run}
		}
	}
	k.run, k.after = 0, steady
}

// unpadded reads the decimals of a total as whole numbers of its last place, and says whether its rows have different numbers of places: a print
// that puts whole units and thousandths side by side without leading zeros writes 12.50 for 12.050.
func (k *trail) unpadded(i int, per float64) (meant []float64, varied bool) {
	finest, coarsest := math.Inf(1), 0.0
	for j := range k.points {
		if s := k.points[j].steps[i]; s > 0 {
			finest, coarsest = min(finest, s), max(coarsest, s)
		}
	}
	for j := range k.points {
		v, s := k.points[j].totals[i], k.points[j].steps[i]
		whole, rest := math.Modf(math.Abs(v)/per + 1e-9)
		if s > 0 && s < per {
			v = math.Copysign(whole*per+math.Floor(rest*per/s+0.5)*finest, v)
		}
		meant = append(meant, v)
	}
	return meant, coarsest > 2*finest
}

// both finds the longest stretch under load in which current and voltage stand together.
type both struct {
	run, line int
	i, v      float64
	second    int // longest run but the kept one
	x, s      float64
	x0, s0    float64 // of the run: total and integral at its start, and at its last point
	kept      stand
	dx, ds    float64 // by which they moved in the kept one
}

// take adds a point; leap and leapI are by how much one of the two must go on at the end.
func (k *both) take(p *point, total, integral float64, loaded bool, leap, leapI float64) {
	if k.run > 0 && loaded && p.i == k.i && p.v == k.v {
		k.run++
		k.x, k.s = total, integral
		return
	}
	other := k.run
	if k.run >= 20 && k.run > k.kept.rows && (math.Abs(p.v-k.v) >= leap || math.Abs(p.i-k.i) >= leapI) {
		other = k.kept.rows
		k.kept = stand{x: k.v, to: k.i, first: k.line, last: p.line - 1, rows: k.run}
		k.dx, k.ds = math.Abs(k.x-k.x0), math.Abs(k.s-k.s0)
	}
	k.second = max(k.second, other)
	if k.run = 0; loaded {
		k.run, k.line, k.i, k.v = 1, p.line, p.i, p.v
		k.x0, k.s0, k.x, k.s = total, integral, total, integral
	}
}

// alone says that no other run was nearly as long, and that the total moved otherwise in it than a steady current has it: a load and a charger may well
// hold both.
func (k *both) alone() bool {
	return k.kept.rows > 0 && max(k.second, k.run) <= k.kept.rows/4 && math.Abs(k.dx-k.ds) > 0.1*max(k.dx, k.ds)
}

// turns counts single rows whose current has the size of those around them and the other sign, while the voltage shows that nothing turned.
type turns struct {
	i, v       float64
	turned     bool // the row before had the other sign than the one before it
	line       int
	rows, from int
}

func (k *turns) take(r *row, loaded bool) {
	turned := loaded && k.i != 0 && math.Abs(r.i+k.i) < 0.02*math.Abs(r.i) && math.Abs(r.v-k.v) < 0.005*math.Abs(r.v)
	if turned && k.turned {
		first(&k.rows, &k.from, k.line)
		turned = false
	}
	if k.turned, k.line = turned, r.line; !loaded {
		k.i = 0
		return
	}
	k.i, k.v = r.i, r.v
}
