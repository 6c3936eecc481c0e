package audit

import (
	"math"
	"slices"
	"sort"
)

// intervals keeps the statistics of the time between rows.
type intervals struct {
	n        int
	sum      float64 // of regular ones [s], fewer than 2^53 ns of error even after years
	low      float64
	high     float64
	irregals int
	all      int
}

// take adds an interval; regular ones lie within a fifth of the usual.
func (s *intervals) take(dt, typical float64) {
	if dt <= 0 {
		return
	}
	s.all++
	if math.Abs(dt-typical) > 0.2*typical {
		s.irregals++
		return
	}
	if s.n == 0 || dt < s.low {
		s.low = dt
	}
	s.high = max(s.high, dt)
	s.n++
	s.sum += dt
}

// gapWatch finds an interval that is long beside both of its neighbours.
type gapWatch struct {
	have   bool
	line   int
	dt     float64
	before float64
	at     float64
	last   float64
}

// hole is a stretch without rows.
type hole struct {
	Line    int // of the first row after it
	At      float64
	Length  float64
	Missing int
}

func (g *gapWatch) take(line int, dt, t float64) (hole, bool) {
	if dt <= 0 {
		return hole{}, false
	}
	var found hole
	ok := false
	if g.have {
		if usual := max(g.before, dt); g.dt > 1.8*usual && usual > 0 {
			found = hole{Line: g.line, At: g.at, Length: g.dt, Missing: max(1, int(math.Round(g.dt/usual))-1)}
			ok = true
		}
	}
	g.have = g.last > 0
	g.line, g.dt, g.at = line, dt, t
	if !ok {
		g.before = g.last
	}
	g.last = dt
	if ok {
		g.before = dt
	}
	return found, ok
}

// seen counts what is wrong with rows, with the line of the first.
type seen struct {
	gapLines                  []int // of the rows behind the first gaps
	testLines                 []int // of the first rows of further tests
	duplicates, duplicateLine int
	disorder, disorderLine    int
	restarts                  int
	restartLine               int
	leaps, leapLine           int
	leapAtMidnight            bool    // the last was to the first row of a day
	leapAtNight               bool    // ... to an hour in which summer time begins or ends
	leapBy                    float64 // of the last [s]
	pauses, pauseLine         int
	tests, testLine           int
	paused                    float64 // the longest [s]
	within                    int     // rows of the same time as the row before that show something else
	missing                   int
	events                    int // rows that show a time only
	noVolts, noVoltsLine      int
	absurd, absurdLine        int
	gaps                      int
	missingRows               int
	worst                     hole
	gapTime                   float64
	gapRow, apart, regular    int // row of the last gap; rows between the first two, and how many more are as far apart
}

// everyNth is n if a row in n is missing all through the log, else 0.
func (s *seen) everyNth() int {
	if s.gaps < 6 || 10*s.regular < 9*(s.gaps-1) || s.missingRows != s.gaps {
		return 0
	}
	return s.apart + 1
}

func first(n *int, at *int, line int) {
	if *n == 0 {
		*at = line
	}
	*n++
}

func (s *seen) duplicate(line int)  { first(&s.duplicates, &s.duplicateLine, line) }
func (s *seen) disordered(line int) { first(&s.disorder, &s.disorderLine, line) }
func (s *seen) restart(line int, _ float64) {
	first(&s.restarts, &s.restartLine, line)
}
func (s *seen) test(line int) {
	first(&s.tests, &s.testLine, line)
	if len(s.testLines) < mostChanges {
		s.testLines = append(s.testLines, line)
	}
}
func (s *seen) leap(line int, by, to, step float64) {
	first(&s.leaps, &s.leapLine, line)
	s.leapBy, s.leapAtMidnight, s.leapAtNight = by, firstOfDay(to, step), night(to)
}
func (s *seen) pause(line int, length float64) {
	first(&s.pauses, &s.pauseLine, line)
	s.paused = max(s.paused, length)
}
func (s *seen) gap(h hole, row int) {
	if s.gaps > 0 {
		if apart := row - s.gapRow; s.apart == 0 || apart == s.apart {
			s.apart = apart
			s.regular++
		}
	}
	s.gapRow = row
	s.gaps++
	s.missingRows += h.Missing
	s.gapTime += h.Length
	if h.Length > s.worst.Length {
		s.worst = h
	}
	if len(s.gapLines) < mostChanges {
		s.gapLines = append(s.gapLines, h.Line)
	}
}

// behindGap says that rows are missing before the line.
func (s *seen) behindGap(line int) bool { return slices.Contains(s.gapLines, line) }

// clip finds a reading that stands still at its largest after it was on its way there.
type clip struct {
	full     int // rows at or beyond the known end
	fullLine int
	last     float64
	have     bool
	run      int // rows that repeat the last value
	runLine  int
	ramp     int // steps upward without one downward
	longest  int // run on the way up
	max      float64
	// A plateau that looks clipped: its value, its rows and where it begins.
	found     float64
	foundRows int
	foundLine int
}

func (c *clip) take(x float64, line int, full float64) {
	if math.IsNaN(x) {
		return
	}
	if full > 0 && math.Abs(x) >= full*(1-1e-9) {
		first(&c.full, &c.fullLine, line)
	}
	switch {
	case !c.have:
	case x == c.last:
		if c.run == 0 {
			c.runLine = line - 1
		}
		c.run++
		if c.ramp >= 8 && c.run >= max(20, 6*c.longest) && math.Abs(x) >= c.max {
			c.found, c.foundRows, c.foundLine = x, c.run+1, c.runLine
		}
	case math.Abs(x) > math.Abs(c.last) && x*c.last >= 0:
		if c.ramp > 0 {
			c.longest = max(c.longest, c.run)
		}
		c.ramp++
		c.run = 0
	default:
		c.ramp, c.longest, c.run = 0, 0, 0
	}
	c.max = max(c.max, math.Abs(x))
	c.last, c.have = x, true
}

// clipped says that the largest reading looks like the end of the range.
func (c *clip) clipped() bool { return c.foundRows > 0 && math.Abs(c.found) >= c.max }

// ratio watches energy over charge as printed: if that stands still while the voltage moves, energy was not integrated.
type ratio struct {
	have        bool
	q0, e0      float64
	last        float64 // charge of the row before
	col         int
	low, high   float64 // of the ratio
	vlow, vhigh float64
	spread      float64 // what rounding of the totals can do to the ratio, at worst
	rows        int
}

func (k *ratio) take(r *row) {
	for c := range 3 {
		q, e := r.q[c], r.e[c]
		if math.IsNaN(q) || math.IsNaN(e) || math.IsNaN(r.v) || r.qs[c] == 0 {
			continue
		}
		// A step of more than half of all before it is a jump or a reset: across it the ratio is that of the jump, whatever the voltage does.
		if !k.have || c == k.col && k.rows >= 3 && math.Abs(q-k.last) > 0.5*math.Abs(k.last-k.q0) {
			*k = ratio{have: true, q0: q, e0: e, last: q, col: c, low: math.Inf(1), high: math.Inf(-1), vlow: r.v, vhigh: r.v}
			return
		}
		if c != k.col {
			continue
		}
		k.last = q
		dq, de := q-k.q0, e-k.e0
		if math.Abs(dq) < 200*r.qs[c] {
			return
		}
		k.rows++
		x := de / dq
		k.low, k.high = min(k.low, x), max(k.high, x)
		k.vlow, k.vhigh = min(k.vlow, r.v), max(k.vhigh, r.v)
		k.spread = max(k.spread, math.Abs(x)*(r.qs[c]/math.Abs(dq)+r.es[c]/max(math.Abs(de), r.es[c]+1e-300)))
		return
	}
}

// constant says that energy is charge times a constant, and which.
func (k *ratio) constant() (volts float64, ok bool) {
	if k.rows < 50 || !(k.high >= k.low) {
		return 0, false
	}
	mid := (k.low + k.high) / 2
	moved := (k.vhigh - k.vlow) / max(math.Abs(k.vhigh), 1e-9)
	return math.Abs(mid), moved > 0.03 && k.high-k.low <= 2*k.spread && k.spread < 0.01*math.Abs(mid)
}

// meanWatch holds energy against the charge times the mean of all voltages so far.
type meanWatch struct {
	q0, e0, sum float64
	n, rows     int
	vlow, vhigh float64
	off         bool
}

func (k *meanWatch) take(r *row) {
	q, e := r.q[0], r.e[0]
	if k.off || math.IsNaN(q) || math.IsNaN(e) || math.IsNaN(r.v) || r.qs[0] == 0 {
		return
	}
	if k.n == 0 {
		k.q0, k.e0, k.vlow, k.vhigh = q, e, r.v, r.v
	}
	k.n++
	k.sum += r.v
	k.vlow, k.vhigh = min(k.vlow, r.v), max(k.vhigh, r.v)
	mean := k.sum / float64(k.n)
	if math.Abs(q-k.q0) < 200*r.qs[0] {
		return
	}
	k.rows++
	want := (q - k.q0) * mean
	k.off = math.Abs(math.Abs(e-k.e0)-math.Abs(want)) > 0.001*math.Abs(want)+2*r.es[0]+r.qs[0]*mean
}

func (k *meanWatch) holds() bool {
	return !k.off && k.rows >= 50 && k.vhigh-k.vlow > 0.03*math.Abs(k.vhigh)
}

// restWatch sees what the current and the totals do while nothing should flow.
type restWatch struct {
	began     bool
	t0        float64
	q0        [3]float64
	line      int
	sum       float64 // of current·dt [A·s]
	lastT     float64
	lastI     float64
	lastQ     [3]float64 // totals of the last row, and their printed units
	lastStep  [3]float64
	total     float64 // rest in all [s]
	charge    float64 // what the current says passed in rest [A·s], as printed
	counted   float64 // what the totals counted in rest, largest of the columns [A·s], by magnitude
	n         float64 // rows in rest, after settling
	squares   float64 // of their current
	sumI      float64
	countLine int
	longest   float64
	// Of the stretch that goes on: rows and the sum of their current; and the least and the largest mean of a stretch so far.
	stretchN, stretchI float64
	lowMean, highMean  float64
	stretches          int
}

// everywhere says that each stretch of rest shows at least half of a mean current, as an offset does. The tail of a charge does not come again.
func (w *restWatch) everywhere(mean float64) bool {
	if mean < 0 {
		return w.stretches > 0 && w.highMean <= mean/2
	}
	return w.stretches > 0 && w.lowMean >= mean/2
}

// noise returns mean and standard deviation of the current in rest.
func (w *restWatch) noise() (mean, sd float64) {
	if w.n < 2 {
		return 0, 0
	}
	mean = w.sumI / w.n
	return mean, math.Sqrt(max(0, w.squares/w.n-mean*mean))
}

// settle is how long a rest is not looked at, since currents may still fall [s].
const settle = 60

func (w *restWatch) take(r *row, t float64, rest bool) {
	if !rest {
		w.close()
		return
	}
	if !w.began {
		w.began, w.t0, w.line = true, t, r.line
		w.lastT, w.lastI, w.lastQ, w.lastStep = t, r.i, r.q, r.qs
		w.sum = 0
		w.q0 = [3]float64{math.NaN(), math.NaN(), math.NaN()}
		return
	}
	if t-w.t0 < settle {
		w.lastT, w.lastI, w.lastQ, w.lastStep = t, r.i, r.q, r.qs
		return
	}
	if math.IsNaN(w.q0[0]) && math.IsNaN(w.q0[1]) && math.IsNaN(w.q0[2]) {
		w.q0 = w.lastQ
		w.t0 = min(w.t0, w.lastT-settle)
	}
	for c, q := range r.q { // a total that begins anew has not moved
		if math.Abs(q) <= math.Abs(w.lastQ[c])/1000+r.qs[c] && math.Abs(w.lastQ[c]) > 20*r.qs[c] {
			w.q0[c] += q - w.lastQ[c]
		}
	}
	dt := t - w.lastT
	w.sum += (w.lastI + r.i) / 2 * dt
	w.n++
	w.stretchN++
	w.stretchI += r.i
	w.sumI += r.i
	w.squares += r.i * r.i
	w.lastT, w.lastI, w.lastQ, w.lastStep = t, r.i, r.q, r.qs
}

func (w *restWatch) close() {
	if w.began {
		length := w.lastT - w.t0 - settle
		if w.stretchN >= fewest {
			mean := w.stretchI / w.stretchN
			if w.stretches == 0 {
				w.lowMean, w.highMean = mean, mean
			}
			w.lowMean, w.highMean = min(w.lowMean, mean), max(w.highMean, mean)
			w.stretches++
		}
		if length > 0 {
			w.total += length
			w.charge += w.sum
			w.longest = max(w.longest, length)
			most := 0.0
			for c, moved := range [...]float64{w.lastQ[0] - w.q0[0], w.lastQ[1] - w.q0[1], w.lastQ[2] - w.q0[2]} {
				if net := moved - (w.lastQ[3-max(c, 1)] - w.q0[3-max(c, 1)]); c > 0 && !math.IsNaN(net) {
					moved = net // what flows both ways between two rows is in both totals
				}
				if d := math.Abs(moved); d > most && d > 1.5*w.lastStep[c] {
					most = d
				}
			}
			if most > 0 && w.countLine == 0 {
				w.countLine = w.line
			}
			w.counted += most
		}
	}
	w.began, w.stretchN, w.stretchI = false, 0, 0
}

// fewest rows tell the mean of a stretch of rest.
const fewest = 5

// belowWatch follows the voltage of a phase below the level at which a discharge should end. A charge may well begin there.
type belowWatch struct {
	line   int     // of the first row below in the discharge
	time   float64 // below the level while current flowed [s]
	charge float64 // [A·s], magnitude
	lowest float64
	most   float64 // current [A]
	rows   int
}

func (w *belowWatch) take(r *row, dt float64, dq integrals, kind int8, level float64) {
	if level <= 0 || kind == 0 || math.IsNaN(r.v) || r.v >= level {
		return
	}
	first(&w.rows, &w.line, r.line)
	w.most = max(w.most, math.Abs(r.i))
	if w.rows > 1 {
		w.time += dt
		w.charge += dq.through()
	}
	if w.lowest == 0 || r.v < w.lowest {
		w.lowest = r.v
	}
}

// add takes a later phase's.
func (w *belowWatch) add(o belowWatch) {
	if o.rows == 0 {
		return
	}
	if w.rows == 0 {
		*w = o
		return
	}
	w.rows += o.rows
	w.time += o.time
	w.charge += o.charge
	w.lowest, w.most = min(w.lowest, o.lowest), max(w.most, o.most)
}

// tail keeps the last rows for the slope of the voltage.
type tail struct {
	t, v, i [16]float64
	n       int
}

func (l *tail) take(t, v, i float64) {
	k := l.n % len(l.t)
	l.t[k], l.v[k], l.i[k] = t, v, i
	l.n++
}

// slope returns dV/dt at the end [V/s], over as few of the last rows as let the voltage move by twenty printed units, at least three; of rows
// that have the last row's current within a tenth. 0 if there are fewer.
func (l *tail) slope(unit float64) float64 {
	m := min(l.n, len(l.t))
	if m < 3 {
		return 0
	}
	at := func(back int) int { return (l.n - 1 - back) % len(l.t) }
	end := at(0)
	var n, st, sv, stt, stv float64
	for back := 0; back < m; back++ {
		k := at(back)
		if math.Abs(l.i[k]-l.i[end]) > 0.1*math.Abs(l.i[end]) || math.IsNaN(l.v[k]) {
			break
		}
		x, v := l.t[k]-l.t[end], l.v[k]-l.v[end]
		n++
		st += x
		sv += v
		stt += x * x
		stv += x * v
		if n >= 3 && math.Abs(v) >= 20*unit {
			break
		}
	}
	if det := n*stt - st*st; n >= 3 && det > 0 {
		return (n*stv - st*sv) / det
	}
	return 0
}

// drop returns by how much the voltage fell over the last two rows [V]; 0 if it did not.
func (l *tail) drop() float64 {
	if l.n < 2 {
		return 0
	}
	d := l.v[(l.n-2)%len(l.v)] - l.v[(l.n-1)%len(l.v)]
	return max(0, notNaN(d))
}

// written remembers the newest rows, oldest first, to know them again.
type written struct {
	at   []float64 // value of the column that tells the time
	sums []uint64  // of all values of the row
}

// rowsKept is how many rows are known again: some buffers full, or a download that began again.
const rowsKept = 8192

// keep adds a row. Where time breaks off, what was before it is forgotten: the rest is in order.
func (w *written) keep(r *row, at float64, m move) {
	switch {
	case m != onward && m != again || len(w.at) > 0 && at < w.at[len(w.at)-1]:
		w.at, w.sums = w.at[:0], w.sums[:0]
	case len(w.at) == 2*rowsKept:
		copy(w.at, w.at[rowsKept:])
		copy(w.sums, w.sums[rowsKept:])
		w.at, w.sums = w.at[:rowsKept], w.sums[:rowsKept]
	}
	w.at, w.sums = append(w.at, at), append(w.sums, r.sum())
}

// has says that the row is among them.
func (w *written) has(r *row, at float64) bool {
	for k := sort.SearchFloat64s(w.at, at); k < len(w.at) && w.at[k] == at; k++ {
		if k > 0 && w.sums[k] == r.sum() { // a first row is there again after each start
			return true
		}
	}
	return false
}

// sum is one number of all that the row shows: its values times odd constants, which do not wait for each other.
func (r *row) sum() uint64 {
	bits := math.Float64bits
	return bits(r.tick)*0x9e3779b97f4a7c15 + bits(r.elapsed)*0xbf58476d1ce4e5b9 + bits(r.clock)*0x94d049bb133111eb +
		bits(r.i)*0xd6e8feb86659fd93 + bits(r.v)*0xa0761d6478bd642f + bits(r.p)*0xe7037ed1a0b428db +
		bits(r.q[0])*0x8ebc6af09c88c6e3 + bits(r.q[1])*0x589965cc75374cc3 + bits(r.q[2])*0x1d8e4e27c47d124f +
		bits(r.e[0])*0xeb44accab455d165 + bits(r.e[1])*0x9c6e6877736c46e3 + bits(r.e[2])*0xc2b2ae3d27d4eb4f
}

// dead finds rows of 0 V, between two that show the same load at the same voltage: with 0 A as well, where the pack may have been taken off, or with
// a current, which no pack gives at 0 V.
type dead struct {
	v, i       float64 // under load, before
	run, begin int
	live       int // rows of the run that show a current
	rows, line int
	flowing    int // rows that show a current
}

func (d *dead) take(r *row, load bool) {
	switch {
	case r.v == 0:
		if d.run++; d.run == 1 {
			d.begin = r.line
		}
		if r.i != 0 {
			d.live++
		}
		return
	case d.run > 0 && load && math.Abs(r.v-d.v) < 0.05*math.Abs(d.v) && math.Abs(r.i-d.i) < 0.05*math.Abs(d.i):
		if d.rows == 0 {
			d.line = d.begin
		}
		d.rows += d.run
		d.flowing += d.live
	}
	d.run, d.live, d.v, d.i = 0, 0, 0, 0
	if load {
		d.v, d.i = r.v, r.i
	}
}

// productWatch holds a column of power against volts times amperes, by least squares.
type productWatch struct{ pp, px, xx float64 }

func (k *productWatch) take(p, x float64) {
	p, x = math.Abs(p), math.Abs(x)
	k.pp, k.px, k.xx = k.pp+p*p, k.px+p*x, k.xx+x*x
}

// factor is that between the two, if it explains the column to within a hundredth; 0 else.
func (k *productWatch) factor() float64 {
	if k.xx == 0 || k.pp == 0 || k.pp-k.px*k.px/k.xx > 1e-4*k.pp {
		return 0
	}
	return k.px / k.xx
}
