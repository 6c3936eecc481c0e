package audit

import (
	"fmt"
	"math"
	"regexp"
	"slices"

	"stuntcell/validate/logfile"
	"stuntcell/validate/verdict"
)

// Options say what the log does not. The zero value is the default.
type Options struct {
	// Channel of the log, 1 to 4; 0 is 1.
	Channel int
	// Cutoff is the level at which a discharge was meant to end [V], Taper the current at which a charge was [A]; 0 unknown.
	Cutoff, Taper float64
	// FullCurrent and FullVoltage are the last readings before saturation [A], [V]; 0 unknown.
	FullCurrent, FullVoltage float64
	// Row, if not nil, is called for every row with what was made of it.
	Row func(Row)
}

// Row is a row as the audit took it.
type Row struct {
	Line             int     // in the file, from 1
	Time             float64 // [s] since the first row
	Current, Voltage float64 // as printed [A], [V]; NaN if missing
	Charge, Energy   float64 // integrated so far, sign as the printed current [A·s], [W·s]
	Temp             float64 // [K]; NaN if the log does not say
	// Note says what was done; empty: nothing.
	Note string
	// Out says that the row was left out.
	Out bool
}

// row is one row of the log as printed.
type row struct {
	line                 int
	tick, elapsed, clock float64
	clockStep            float64
	timeStep             float64 // printed unit of the time in use [s]
	noDate               bool
	headed               bool    // a header stands between the row before and this one
	w                    float64 // power that is integrated [W]; NaN without a voltage
	i, v, p, temp        float64
	is, vs, ps           float64
	q, e                 [3]float64 // net, in, out
	qs, es               [3]float64
	phase                string
}

const primeRows = 2048

// Auditor examines one log. Make it with New, give it all batches with Add, then Finish.
type Auditor struct {
	o      Options
	primed bool
	early  []row

	time timebase
	// stepTime says that nothing but the time in each step tells the time.
	stepTime bool
	clocks   clocks
	problem  []logfile.Problem // the first ones
	// wrongDates are rows with a date that no calendar has, wrongDate is the first.
	wrongDates int
	wrongDate  logfile.Problem
	broken     int
	rows       int

	buffers     [2]row // the present row and the one before, by turns
	prev        *row   // the last row that has a current; its time
	prevT       float64
	have        bool
	cut         bool    // time broke off since prev
	newTest     bool    // another test begins
	loose       bool    // how much time passed since prev is not known for sure
	off         float64 // how long time broke off, by the clock [s]; 0: nothing says
	lastLine    int     // of the last row of the batches so far, from 1
	q, e        integrals
	qBound      float64 // sum of |di|·dt/2
	qVar        float64 // sum of (di·dt)²/12
	eBound      float64
	eVar        float64
	qPulse      float64 // of qBound, what comes of a load that is switched
	ePulse      float64
	count       float64 // smallest change of the printed current in rest so far [A]; 0: none
	trimmed     bool    // zeros at the end of decimals are left out
	coarse      float64 // printed unit of the time, if several rows come in it [s]
	qPrint      float64 // what the printed places can hide at most [A·s], [W·s]
	ePrint      float64
	imax        float64
	width       float64 // the band, for this printed step and largest current
	widthFor    struct{ is, imax float64 }
	signs       [2]bool // printed negative, positive seen
	flips       int     // rows whose current has the other sign than the row before
	stretch     float64 // what flowed since the sign changed last [A·s], and the most that did between two changes
	longest     float64
	moves       struct{ vi, vv, ii float64 } // sums of products of the steps of voltage and current where the sign changes
	evidence    float64                      // positive: printed positive is charge
	direction   int8
	is, vs      float64
	anyVolts    bool
	began       float64 // clock of the first row that shows a date [Unix s]
	stats       intervals
	gap         gapWatch
	written     written
	repeating   bool // the row before was there once already
	seen        seen
	dead        dead
	midnight    float64 // at which the date of the row before ends, by the clock [s]
	clipI       clip
	clipV       clip
	meanPower   bool // the power column is of means by its header: no product of one reading
	meanCurrent bool // so is that of current: its product with the voltage lacks what both do together between two rows
	powerOff    float64
	powerLine   int
	tallies     [6]tally
	counted     []int      // the tallies that the log has a column for
	pairs       [2]float64 // largest difference of what went in and out by the totals from what flowed either way, charge and energy
	nets        [2]netWatch
	blank       []float64
	zero        []float64
	trail       trail
	levels      [6]*levels // by tally; nil where the log has no such column
	even        [6]evenSteps
	stands      stands
	stuck       stuck
	lags        lags
	idle        idle
	both        both
	turns       turns
	power       productWatch
	most        [2]top // the largest current printed, in either direction
	minutes     minutes
	whole       bool // the clock shows no seconds but 00, several rows in each minute
	twelves     int  // times the clock went from twelve back to one
	twelveLine  int
	lowVolts    float64 // least and largest voltage of all rows
	highVolts   float64
	ratio       ratio
	means       meanWatch
	phases      []Phase
	tail        tail
	rest        restWatch
	below       belowWatch // of all discharges, once it is known which phases those are
	tempLow     float64
	tempHigh    float64
	columnNotes []string
}

// New returns an Auditor.
func New(o Options) *Auditor {
	if o.Channel == 0 {
		o.Channel = 1
	}
	a := &Auditor{o: o, prev: &row{}, tempLow: math.Inf(1), tempHigh: math.Inf(-1), began: math.NaN()}
	for i, n := range [...]string{"charge", "charge in", "charge out", "energy", "energy in", "energy out"} {
		a.tallies[i].name = n
		a.tallies[i].split = [...]int{0, 1, -1}[i%3]
	}
	return a
}

// Add takes a batch of rows. The table is not kept. An error says that the log has no current or no time.
func (a *Auditor) Add(t *logfile.Table) error {
	a.broken += len(t.Problems)
	for _, p := range t.Problems {
		if p.Kind == logfile.WrongDate {
			a.broken--
			if a.wrongDates++; a.wrongDates == 1 {
				a.wrongDate = p
			}
		} else if len(a.problem) < 20 {
			a.problem = append(a.problem, p)
		}
	}
	if len(t.Rows) == 0 {
		return nil
	}
	b, err := a.batch(t)
	if err != nil {
		return err
	}
	none := [3]float64{math.NaN(), math.NaN(), math.NaN()}
	headers := t.Headers
	for k, line := range t.Rows {
		r := a.free()
		r.line, r.noDate, r.headed = line+1, b.noDate, false
		for len(headers) > 0 && headers[0] < line {
			r.headed = r.headed || a.lastLine > 0 && headers[0] >= a.lastLine
			headers = headers[1:]
		}
		a.lastLine = line + 1
		r.tick, r.elapsed, r.clock = b.tick[k], b.elapsed[k], b.clock[k]
		r.i, r.v, r.p, r.temp = b.amps[k], b.volts[k], b.watts[k], b.temp[k]
		r.timeStep = notNaN(b.timeStep[k]) * b.timeUnit
		r.is, r.vs, r.ps, r.clockStep = notNaN(b.ampStep[k]), notNaN(b.voltStep[k]), notNaN(b.wattStep[k]), notNaN(b.clockStep[k])
		r.q, r.e = none, none
		for _, c := range a.counted {
			if x, s := b.totals[c][k], notNaN(b.totalStep[c][k]); c < 3 {
				r.q[c], r.qs[c] = x, s
			} else {
				r.e[c-3], r.es[c-3] = x, s
			}
		}
		if k < len(b.phase) {
			r.phase = b.phase[k]
		}
		if b.odd {
			a.sane(r)
		}
		if !a.primed {
			a.early = append(a.early, *r)
			if len(a.early) == primeRows {
				a.prime()
			}
			continue
		}
		a.take(r)
	}
	return nil
}

// batch is what a table says of its rows, by columns. One that the log does not have is blank, and its printed units are zero.
type batch struct {
	tick, elapsed, clock, amps, volts, watts, temp   []float64
	timeStep, clockStep, ampStep, voltStep, wattStep []float64
	timeUnit                                         float64 // of timeStep [s]
	totals, totalStep                                [6][]float64
	phase                                            []string
	noDate                                           bool // the clock shows a time of day
	odd                                              bool // some value or step cannot be
}

// wrapWords are those of a header that says that its counter comes to an end and begins anew.
var wrapWords = regexp.MustCompile(`(?i)wrap|overflow|roll|modulo|überlauf|desborda`)

// meanWords are those of a header that speaks of a mean.
var meanWords = regexp.MustCompile(`(?i)avg|average|mean|mittel|moyen|media`)

// batch finds the columns of a table. From the first one it learns what tells the time.
func (a *Auditor) batch(t *logfile.Table) (b batch, err error) {
	find := func(k logfile.Kind) *logfile.Column { return t.Find(k, a.o.Channel) }
	shared := func(k logfile.Kind) *logfile.Column {
		if c := find(k); c != nil {
			return c
		}
		return t.Find(k, 1)
	}
	current, voltage, power := find(logfile.Current), find(logfile.Voltage), find(logfile.Power)
	tick, elapsed, clock, temp, phase := shared(logfile.Tick), shared(logfile.Elapsed), shared(logfile.Clock), shared(logfile.Temperature), shared(logfile.Phase)
	if current == nil && power != nil && voltage != nil {
		current = currentOf(power, voltage)
		if a.rows == 0 && len(a.early) == 0 {
			a.columnNotes = append(a.columnNotes, "The log has no current: it was taken as power over voltage.")
		}
	}
	if current == nil {
		return b, &logfile.Error{Text: "the log has no column of current", Expected: "a column such as I [A]", Hint: "name it by a columns: block"}
	}
	if tick == nil && elapsed == nil && clock == nil {
		return b, &logfile.Error{Text: "the log has no column of time", Expected: "a column such as time [s], date and time, or ms", Hint: "name it by a columns: block"}
	}
	var totals [6]*logfile.Column
	for i, k := range [...]logfile.Kind{logfile.Charge, logfile.ChargeIn, logfile.ChargeOut, logfile.Energy, logfile.EnergyIn, logfile.EnergyOut} {
		if totals[i] = find(k); totals[i] != nil {
			a.tallies[i].perStep = totals[i].PerStep
			a.tallies[i].wraps = wrapWords.MatchString(totals[i].Header)
		}
	}
	if a.rows == 0 {
		a.direction = current.Direction
		a.meanPower = power != nil && meanWords.MatchString(power.Header)
		a.meanCurrent = meanWords.MatchString(current.Header)
		if err := a.tellTime(tick, elapsed, clock); err != nil {
			return b, err
		}
	}
	if a.rows == 0 && len(a.early) == 0 {
		a.columnNotes = append(a.columnNotes, t.Notes...)
		for _, c := range [...]*logfile.Column{current, voltage, totals[0], totals[3]} {
			a.twice(t, c)
		}
	}
	n := len(t.Rows)
	a.blanks(n)
	values := func(c *logfile.Column, most float64) []float64 {
		if c == nil {
			return a.blank[:n]
		}
		b.odd = b.odd || beyond(c.Value, most)
		return c.Value[:n]
	}
	steps := func(c *logfile.Column) []float64 {
		if c == nil {
			return a.zero[:n]
		}
		b.odd = b.odd || beyond(c.Step, mostReading)
		return c.Step[:n]
	}
	b.tick, b.elapsed, b.clock = values(tick, math.Inf(1)), values(elapsed, mostSeconds), values(clock, mostSeconds)
	b.amps, b.volts, b.watts, b.temp = values(current, mostReading), values(voltage, mostReading), values(power, mostReading), values(temp, mostReading)
	for _, kind := range [...]logfile.Kind{logfile.Current, logfile.Power} {
		if in, out := t.Pair(kind, a.o.Channel); in != nil { // one direction each
			net := make([]float64, n)
			for k, v := range in.Value[:n] {
				net[k] = math.Abs(v) - math.Abs(out.Value[k])
			}
			if kind == logfile.Current {
				a.direction, b.amps = 1, net
			} else {
				b.watts = net
			}
		}
	}
	b.ampStep, b.voltStep, b.wattStep, b.clockStep = steps(current), steps(voltage), steps(power), steps(clock)
	a.counted = a.counted[:0]
	for c, column := range totals {
		b.totals[c], b.totalStep[c] = values(column, mostTotal), steps(column)
		if column != nil {
			a.counted = append(a.counted, c)
		}
	}
	for i, other := range [...]int{0, 2, 1, 3, 5, 4} {
		a.tallies[i].alone = i%3 != 0 && totals[other] == nil
	}
	b.timeStep, b.timeUnit = b.clockStep, 1
	switch a.time.kind {
	case "elapsed":
		b.timeStep = steps(elapsed)
	case "tick":
		b.timeStep, b.timeUnit = steps(tick), tick.Scale
	}
	b.noDate = clock != nil && clock.NoDate
	if phase != nil {
		b.phase = phase.Text
	}
	return b, nil
}

// currentOf is the current that power and voltage make, with what their printed units leave open.
func currentOf(power, voltage *logfile.Column) *logfile.Column {
	c := &logfile.Column{Header: power.Header, Field: power.Field, Kind: logfile.Current, Channel: power.Channel, Direction: power.Direction}
	for k, p := range power.Value {
		v := math.Abs(voltage.Value[k])
		c.Value = append(c.Value, p/v)
		c.Step = append(c.Step, power.Step[k]/v+math.Abs(p)/(v*v)*voltage.Step[k])
		if v == 0 {
			c.Value[k], c.Step[k] = 0, power.Step[k]
		}
	}
	return c
}

// tellTime chooses the column that tells the time: a tick whose length is known or can be learnt, time since the start, the clock.
func (a *Auditor) tellTime(tick, elapsed, clock *logfile.Column) error {
	switch {
	case tick != nil && (tick.Scale > 0 || clock != nil || elapsed != nil):
		a.time.kind = "tick"
		if tick.Scale > 0 {
			a.time.hz = 1 / tick.Scale
		}
	case elapsed != nil && !elapsed.PerStep:
		a.time.kind = "elapsed"
	case clock != nil:
		a.time.kind = "clock"
	case elapsed != nil:
		a.time.kind, a.stepTime = "elapsed", true
	default:
		return &logfile.Error{Text: fmt.Sprintf("the length of a tick of column %q is not known, and nothing else tells the time", tick.Header),
			Expected: "a unit such as ms", Hint: "name it by a columns: block, such as \"tick ms\""}
	}
	return nil
}

// twice notes further columns that hold what a column holds.
func (a *Auditor) twice(t *logfile.Table, c *logfile.Column) {
	if c == nil {
		return
	}
	for i := range t.Columns {
		if o := &t.Columns[i]; o != c && o.Kind == c.Kind && o.Direction*c.Direction >= 0 && (o.Channel == c.Channel && o.PerStep == c.PerStep || o.Header == c.Header) {
			a.columnNotes = append(a.columnNotes, fmt.Sprintf("Columns %d (%.40q) and %d (%.40q) both hold %s: column %d is taken; --channel or a columns: block chooses otherwise.", c.Field, c.Header, o.Field, o.Header, c.Kind, c.Field))
		}
	}
}

// free returns the buffer for the next row: that which does not hold the one before.
func (a *Auditor) free() *row {
	if a.prev == &a.buffers[0] {
		return &a.buffers[1]
	}
	return &a.buffers[0]
}

// blanks sees that there are values and steps for n rows of a column that the log does not have.
func (a *Auditor) blanks(n int) {
	if n <= len(a.blank) {
		return
	}
	a.blank, a.zero = make([]float64, n), make([]float64, n)
	for i := range a.blank {
		a.blank[i] = math.NaN()
	}
}

// beyond says that a value is larger than can be.
func beyond(x []float64, most float64) bool {
	for _, x := range x {
		if x > most || x < -most {
			return true
		}
	}
	return false
}

// Sizes beyond which a value cannot be one of a battery test.
const (
	mostReading = 1e7  // A, V, W, K
	mostTotal   = 1e15 // A·s, W·s
	mostSeconds = 1e13
)

// sane takes values out that cannot be, and counts them.
func (a *Auditor) sane(r *row) {
	check := func(x *float64, most float64) {
		if math.Abs(*x) > most {
			*x = math.NaN()
			first(&a.seen.absurd, &a.seen.absurdLine, r.line)
		}
	}
	for _, x := range [...]*float64{&r.i, &r.v, &r.p, &r.temp} {
		check(x, mostReading)
	}
	for c := range 3 {
		check(&r.q[c], mostTotal)
		check(&r.e[c], mostTotal)
	}
	check(&r.elapsed, mostSeconds)
	check(&r.clock, mostSeconds)
	for _, s := range [...]*float64{&r.is, &r.vs, &r.ps, &r.clockStep, &r.qs[0], &r.qs[1], &r.qs[2], &r.es[0], &r.es[1], &r.es[2]} {
		*s = math.Min(*s, mostReading)
	}
}

// prime learns the usual interval, the tick's rate and the size of the current from the first rows, then takes them.
func (a *Auditor) prime() {
	a.primed = true
	// The median over spans of a fifth of the rows: whole seconds hardly matter in them, and a clock that is set falls into few. Where a
	// counter wraps within most spans, or a time of day passes midnight, the median over single steps differs by far, and its sum over all that go on is right.
	over := func(span int, x, y func(*row) float64) float64 {
		var all []float64
		for k := span; k < len(a.early); k++ {
			dx, dy := x(&a.early[k])-x(&a.early[k-span]), y(&a.early[k])-y(&a.early[k-span])
			if dx > 0 && dy > 0 {
				all = append(all, dx/dy)
			}
		}
		if len(all) == 0 {
			return math.NaN()
		}
		slices.Sort(all)
		return all[len(all)/2]
	}
	summed := func(x, y func(*row) float64) float64 {
		var steps []float64
		for k := 1; k < len(a.early); k++ {
			if d := y(&a.early[k]) - y(&a.early[k-1]); d > 0 {
				steps = append(steps, d)
			}
		}
		if len(steps) == 0 {
			return math.NaN()
		}
		slices.Sort(steps)
		most := 5 * steps[len(steps)/2]
		sx, sy := 0.0, 0.0
		for k := 1; k < len(a.early); k++ {
			dx, dy := x(&a.early[k])-x(&a.early[k-1]), y(&a.early[k])-y(&a.early[k-1])
			if dx > 0 && dy >= 0 && dy <= most { // no wrap, no midnight, no clock that is set
				sx, sy = sx+dx, sy+dy
			}
		}
		return sx / sy
	}
	ratio := func(x, y func(*row) float64) float64 {
		long, short := over(max(1, len(a.early)/5), x, y), summed(x, y)
		if math.Abs(long/short-1) < 0.3 {
			return long
		}
		return short
	}
	tick, elapsed, clock := func(r *row) float64 { return r.tick }, func(r *row) float64 { return r.elapsed }, func(r *row) float64 { return r.clock }
	if a.time.kind == "tick" && a.time.hz == 0 {
		hz := ratio(tick, elapsed)
		if !(hz > 0) {
			hz = ratio(tick, clock)
		}
		if a.time.hz = roundRate(hz); !(a.time.hz > 0) {
			a.time.hz = 1000 // neither column moves: there is no time to be wrong about
		}
	}
	unit := 1.0
	if a.time.kind == "tick" {
		unit = 1 / a.time.hz
	}
	var dts []float64
	for k := range a.early {
		if a.early[k].i != 0 {
			a.is = max(a.is, a.early[k].is)
		}
		a.imax = math.Max(a.imax, notNaN(math.Abs(a.early[k].i)))
		if k > 0 {
			if d := (a.time.value(&a.early[k]) - a.time.value(&a.early[k-1])) * unit; d > 0 {
				dts = append(dts, d)
			}
		}
	}
	if len(dts) > 0 {
		slices.Sort(dts)
		a.time.typical = dts[len(dts)/2]
	}
	a.whole = a.time.kind == "clock" && len(a.early) > 60 && !slices.ContainsFunc(a.early, func(r row) bool { return math.Mod(r.clock, 60) != 0 || r.clockStep >= 60 }) && 3*len(dts) < 2*len(a.early)
	for k := range a.early {
		a.take(&a.early[k])
	}
	a.early = nil
}

// roundRate returns the rate of a counter that is near hz: a power of ten or a clock crystal's; else hz itself.
func roundRate(hz float64) float64 {
	for _, r := range [...]float64{1, 10, 100, 1000, 1024, 10_000, 32768, 100_000, 1e6, 1e9} {
		if math.Abs(hz/r-1) < 0.02 {
			return r
		}
	}
	return hz
}

func notNaN(x float64) float64 {
	if math.IsNaN(x) {
		return 0
	}
	return x
}

// band is the current below which a row counts as rest [A].
func (a *Auditor) band() float64 {
	if a.is != a.widthFor.is || a.imax != a.widthFor.imax {
		a.widthFor.is, a.widthFor.imax = a.is, a.imax
		a.width = max(min(2.5*a.is, a.imax/2), 0.02*a.imax)
	}
	return a.width
}

// take examines the next row.
func (a *Auditor) take(r *row) {
	a.rows++
	if math.IsNaN(a.began) && !r.noDate {
		a.began = r.clock
	}
	if r.is > 0 && a.is > 0 && r.is != a.is || r.vs > 0 && a.vs > 0 && r.vs != a.vs {
		a.trimmed = true
	}
	if r.i == 0 {
		r.is = a.is // a bare 0 does not say how finely the others are printed
	}
	a.is, a.vs = max(a.is, r.is), max(a.vs, r.vs)
	a.minutes.take(r.clock)
	if a.whole {
		r.timeStep = max(r.timeStep, 60)
	}
	before := a.time.raw
	if a.repeats(r) {
		a.seen.duplicate(r.line)
		a.emit(Row{Line: r.line, Time: a.time.t, Current: r.i, Voltage: r.v, Temp: r.temp, Note: "repeated: left out", Out: true})
		return
	}
	dt, m := a.time.take(r)
	out := Row{Line: r.line, Time: a.time.t, Current: r.i, Voltage: r.v, Temp: r.temp}
	switch m {
	case back:
		a.seen.disordered(r.line)
		out.Note, out.Out = "out of order: left out", true
		a.emit(out)
		return
	case again:
		if a.have && same(r, a.prev) {
			a.seen.duplicate(r.line)
			out.Note, out.Out = "repeated: left out", true
			a.emit(out)
			return
		}
		a.seen.within++
	case wrapped:
		if out.Note = fmt.Sprintf("the counter of %d bits wrapped", a.time.bits); a.time.kind == "elapsed" {
			out.Note = "the time since the start came to its end: " + a.time.ends
		}
	case restart:
		if a.anotherTest(r, dt) {
			a.newTest = true
			a.seen.test(r.line)
		} else {
			a.seen.restart(r.line, a.time.t)
		}
		a.cut, a.off = true, dt
		out.Note = "restart: nothing is integrated across it"
	case setBack:
		if twelveHours(a.prev.clock, r.clock, a.time.typical) {
			first(&a.twelves, &a.twelveLine, r.line)
		}
		by := r.clock - a.prev.clock
		if math.IsNaN(by) { // time is told by something else
			by = a.time.seconds(a.time.value(r) - before)
		}
		a.seen.leap(r.line, by-a.time.typical, r.clock, a.time.typical)
		a.loose = true
		out.Note = "the clock was set back: the usual interval is taken"
	case onward:
		if dt > 1.8*a.time.typical && dt < decade && a.anotherTest(r, dt) {
			a.newTest = true
			a.seen.test(r.line)
			a.cut, a.off, m = true, dt, again
			out.Note = "another test: nothing is integrated across the time before it"
		} else if dt < lately && a.exchanged(r) {
			a.newTest = true
			a.seen.test(r.line)
		} else if a.paused(r, dt) {
			a.seen.pause(r.line, dt)
			a.cut, a.off, m = true, dt, again
			out.Note = "a gap in which nothing was counted: nothing is integrated across it"
		} else if a.leapt(r, dt) {
			a.seen.leap(r.line, dt-a.time.typical, r.clock, a.time.typical)
			a.time.undo(dt)
			if dt > decade && !r.noDate {
				a.began = r.clock - a.time.t
			}
			dt, out.Time = a.time.typical, a.time.t
			out.Note = "the clock leapt, the totals did not: the usual interval is taken"
		}
	}
	if a.time.kind != "clock" && !math.IsNaN(r.clock) && !r.noDate && m != restart {
		a.clocks.take(a.time.t, r.clock, r.clockStep, r.line)
	}
	if m == onward || m == wrapped {
		if g, ok := a.gap.take(r.line, dt, a.time.t); ok && g.Length > 1.2*a.time.typical { // not the rest of an interval behind an extra row
			a.seen.gap(g, a.rows)
		}
		a.stats.take(dt, a.time.typical)
	}
	if !math.IsNaN(r.temp) {
		a.tempLow, a.tempHigh = min(a.tempLow, r.temp), max(a.tempHigh, r.temp)
	}
	if math.IsNaN(r.i) {
		out.Note = "no current in this row: bridged"
		if r.empty() {
			a.seen.events++
			out.Note = "no value in this row: an event"
		} else {
			a.seen.missing++
		}
		out.Charge, out.Energy = a.q.net(), a.e.net()
		a.emit(out)
		return
	}
	a.reading(r, m == wrapped)
	a.written.keep(r, a.time.value(r), m)
	if a.o.Row != nil {
		out.Charge, out.Energy = a.q.net(), a.e.net()
		a.o.Row(out)
	}
}

// empty says that a row shows a time and nothing that was measured or counted.
func (r *row) empty() bool {
	for _, x := range [...]float64{r.i, r.v, r.p, r.temp, r.q[0], r.q[1], r.q[2], r.e[0], r.e[1], r.e[2]} {
		if !math.IsNaN(x) {
			return false
		}
	}
	return true
}

// repeats says that a row from before the last one is there again, as where a buffer or a download was written twice: it is alike in
// every value. A clock that was set back shows a second again too, and at rest perhaps all else: where only the clock tells the time, the totals
// must have gone back with it, unless the row before was one of these.
func (a *Auditor) repeats(r *row) bool {
	x := a.time.value(r)
	a.repeating = a.have && a.time.begun && x < a.time.raw && (a.time.kind != "clock" || a.repeating || a.countedBetween(r)) && a.written.has(r, x)
	return a.repeating
}

// countedBetween says that a total differs from that of the row before.
func (a *Auditor) countedBetween(r *row) bool {
	for c := range 3 {
		// NaN, which no column has, differs from nothing.
		if math.Abs(r.q[c]-a.prev.q[c]) > 0 || math.Abs(r.e[c]-a.prev.e[c]) > 0 {
			return true
		}
	}
	return false
}

// paused says that the logger stood still or had no power before a row, though the time goes on: a header is written again after a gap, or the
// totals hardly moved in it under load.
func (a *Auditor) paused(r *row, dt float64) bool {
	if !a.have || dt < 1.8*a.time.typical {
		return false
	}
	if r.headed {
		return true
	}
	if a.kindOf(r.i) == 0 || a.kindOf(a.prev.i) != a.kindOf(r.i) {
		return false
	}
	moved, have := a.moved(r)
	usual := math.Abs(a.prev.i) * a.time.typical
	if a.time.kind == "clock" && dt >= 600 && moved > 0.7*usual {
		return false // an interval like any other, but for the clock
	}
	return have && moved < 1.2*usual && moved < 0.7*math.Abs(a.prev.i)*dt
}

// moved is by how much the totals of charge moved since the row before, and whether the log has any [A·s].
func (a *Auditor) moved(r *row) (moved float64, have bool) {
	for c := range 3 {
		if d := math.Abs(r.q[c] - a.prev.q[c]); !math.IsNaN(d) {
			moved, have = max(moved, d), true
		}
	}
	return moved, have
}

// decade is longer than any log pauses [s]: a clock that goes on by more had never been set.
const decade = 10 * 365.25 * 86400

// leapt says that the clock, where only it tells the time, went on by far more than the totals did under load: it was set, and no time passed.
func (a *Auditor) leapt(r *row, dt float64) bool {
	if a.time.kind == "clock" && a.have && dt > decade {
		return true
	}
	if a.time.kind != "clock" || !a.have || dt < 600 || dt < 20*a.time.typical || a.kindOf(r.i) == 0 || a.kindOf(a.prev.i) != a.kindOf(r.i) {
		return false
	}
	moved, have := a.moved(r)
	return have && moved < 0.3*math.Abs(r.i)*dt
}

func (a *Auditor) emit(r Row) {
	if a.o.Row != nil {
		a.o.Row(r)
	}
}

// reading takes a row that has a current.
func (a *Auditor) reading(r *row, wrapped bool) {
	a.imax = max(a.imax, math.Abs(r.i))
	if r.i > a.band() {
		a.signs[1] = true
	} else if r.i < -a.band() {
		a.signs[0] = true
	}
	a.anyVolts = a.anyVolts || !math.IsNaN(r.v)
	if math.IsNaN(r.v) && a.anyVolts {
		first(&a.seen.noVolts, &a.seen.noVoltsLine, r.line)
	}
	if math.IsNaN(r.v) && a.have {
		r.v = a.prev.v // bridged, so that energy goes on
	}
	a.dead.take(r, a.kindOf(r.i) != 0)
	if r.v == 0 && r.i != 0 && a.have && a.prev.v > 0 && a.dead.run <= 3 {
		r.v = a.prev.v // no pack gives a current at 0 V; a column that shows it for long is another
	}
	a.clipI.take(r.i, r.line, a.o.FullCurrent)
	a.clipV.take(r.v, r.line, a.o.FullVoltage)
	if !math.IsNaN(r.p) && !math.IsNaN(r.v) && !a.meanPower {
		a.power.take(r.p, r.v*r.i)
		// Against the sign that fits: power is printed with the current's or without one.
		off := min(math.Abs(r.p-r.v*r.i), math.Abs(math.Abs(r.p)-math.Abs(r.v*r.i)))
		allowed := 0.01*a.imax*math.Abs(r.v) + r.is*math.Abs(r.v) + r.vs*math.Abs(r.i) + r.ps
		if s := off / max(math.Abs(r.p), math.Abs(r.v*r.i), 1e-3); off > allowed && s > a.powerOff {
			a.powerOff, a.powerLine = s, r.line
		}
	}
	r.w = r.v * r.i
	if p := math.Abs(r.p); p < math.Abs(r.w) && math.Abs(r.w)-p <= 0.01*a.imax*math.Abs(r.v) {
		// The mean power of a pulsed row is less than its mean volts times its mean amperes: the voltage sags when the current flows.
		r.w = math.Copysign(p, r.w)
	}
	kind := a.kindOf(r.i)
	newPhase := len(a.phases) == 0
	if d := math.Abs(r.i - a.prev.i); a.have && kind == 0 && a.kindOf(a.prev.i) == 0 && d > 0 && (a.count == 0 || d < a.count) {
		a.count = d
	}
	if a.have && r.i*a.prev.i < 0 && kind != 0 {
		a.flips++
		a.stretch = 0
		if dv, di := r.v-a.prev.v, r.i-a.prev.i; !math.IsNaN(dv) {
			a.moves.vi, a.moves.vv, a.moves.ii = a.moves.vi+dv*di, a.moves.vv+dv*dv, a.moves.ii+di*di
		}
	}
	if a.have {
		dt := a.time.t - a.prevT
		if a.cut {
			dt = 0
		}
		var dq, de integrals
		var bq, be, uq, ue float64
		if dt > 0 {
			dq = area(a.prev.i, r.i, dt)
			p0, p1 := a.prev.w, r.w
			if math.IsNaN(p0) || math.IsNaN(p1) {
				p0, p1 = 0, 0
			}
			de = area(p0, p1, dt)
			bq, be = math.Abs(r.i-a.prev.i)*dt/2, math.Abs(p1-p0)*dt/2
			uq, ue = sq(r.i-a.prev.i)*dt*dt*(1.0/12), sq(p1-p0)*dt*dt*(1.0/12)
			a.q.add(dq)
			a.e.add(de)
			a.stretch += dq.through()
			a.longest = max(a.longest, a.stretch)
			// A printed current may be off by half a unit in the same direction for the whole of a steady run.
			a.qPrint += r.is / 2 * dt
			a.ePrint += (r.is/2*math.Abs(notNaN(r.v)) + r.vs/2*math.Abs(r.i)) * dt
			a.qBound += bq
			a.eBound += be
			a.qVar += uq
			a.eVar += ue
			if math.Abs(r.i-a.prev.i) > pulse*max(math.Abs(r.i), math.Abs(a.prev.i)) {
				a.qPulse += bq
				a.ePulse += be
			}
			if !math.IsNaN(r.v) && !math.IsNaN(a.prev.v) {
				a.trail.volts += (r.v + a.prev.v) / 2 * dt
				a.evidence += r.i*(r.v-a.prev.v) + (r.i-a.prev.i)*(r.v-a.prev.v)
			}
		}
		if dt == 0 && !a.cut && a.seen.within > 0 { // where in the printed unit of the time it changed is not known
			bq, be = math.Abs(r.i-a.prev.i)*r.timeStep, math.Abs(notNaN(r.w-a.prev.w))*r.timeStep
			uq, ue = sq(bq)*(1.0/12), sq(be)*(1.0/12)
			a.qBound, a.eBound, a.qVar, a.eVar = a.qBound+bq, a.eBound+be, a.qVar+uq, a.eVar+ue
			a.coarse = max(a.coarse, r.timeStep)
		}
		newPhase = a.phase(kind, r, dt, dq, de, bq, uq)
		a.phases[len(a.phases)-1].below.take(r, dt, dq, kind, a.o.Cutoff)
	} else {
		a.open(kind, r)
	}
	a.tail.take(a.time.t, r.v, r.i)
	if r.i*a.prev.i < 0 || a.turns.turned {
		a.turns.i, a.turns.v = a.prev.i, a.prev.v
		a.turns.take(r, math.Abs(r.i) > max(20*a.is, 0.1*a.imax) && !a.cut)
	}
	a.trail.broken = a.trail.broken || a.cut || a.loose || wrapped
	if a.trail.next--; a.trail.next <= 0 {
		a.trail.take(a, r)
	}
	if len(a.counted) > 0 {
		within := 0.0 // what may pass in one printed unit of the time, where several rows come in it
		if a.coarse > 0 {
			within = a.coarse * max(math.Abs(r.i), math.Abs(a.prev.i))
		}
		a.tally(r, &where{line: r.line, within: within, cut: a.cut, phase: newPhase, wrapped: wrapped, rest: kind == 0, interval: math.Abs(r.i) * a.time.typical,
			band: a.band() * (a.time.t - a.prevT), hidden: hidden{a.qVar, a.qPrint, a.qPulse}, gap: a.off, flow: a.flow(r), timeStep: r.timeStep, loose: a.loose, midnight: a.newDay(r), newTest: a.newTest})
	}
	a.ratio.take(r)
	a.means.take(r)
	a.rest.take(r, a.time.t, kind == 0 && !a.cut)
	a.prev, a.prevT, a.have, a.cut, a.loose, a.newTest = r, a.time.t, true, false, false, false
}

// anotherTest says that a row begins another test in the same log, some time after the row before [s]; 0: nothing says how long. The pack was
// charged or changed meanwhile, by a voltage that neither rest nor load makes; or nothing flowed before it, and header and totals begin anew, as
// where a logger is started for the next test. A power cut takes no longer than somebody needs to see it.
func (a *Auditor) anotherTest(r *row, between float64) bool {
	n := len(a.phases)
	if n == 0 || math.IsNaN(r.i) || between > 0 && between < max(lately, 5*a.time.typical) {
		return false
	}
	kind, moved, last := a.kindOf(r.i), r.v-a.prev.v, &a.phases[n-1]
	way := float64(a.orientation())
	switch {
	case last.sign == 0 && kind == 0 && between > 3600 && r.headed && a.totalsAnew(r):
		return true
	case last.sign == 0 && last.End-last.Begin >= lately:
		if math.Abs(moved) <= far*math.Abs(a.prev.v) || moved*float64(kind)*way > 0 { // or as the current makes it
			return false
		}
		if n > 1 && moved*float64(a.phases[n-2].sign)*way < 0 { // as a voltage goes that still recovers
			return float64(a.phases[n-2].sign)*way < 0 && r.v > 0.995*a.phases[n-2].vStart || math.Abs(moved) > 3*far*math.Abs(a.prev.v)
		}
		return true
	case float64(last.sign)*way < 0 && last.vStart-a.prev.v > far*math.Abs(last.vStart):
		// Nearly empty, and now as full as at the start.
		if kind == last.sign {
			return r.v > 0.995*last.vStart && math.Abs(r.i) > 0.5*last.Most
		}
		return kind == 0 && n > 1 && a.phases[n-2].sign == 0 && r.v > 0.995*a.phases[n-2].vEnd
	}
	return false
}

// exchanged says that another pack was put in the place of the one that rested, between two rows: the voltage is another and the totals begin anew.
func (a *Auditor) exchanged(r *row) bool {
	if !a.have || math.IsNaN(r.i) || len(a.phases) == 0 || !(math.Abs(r.v-a.prev.v) > far*math.Abs(a.prev.v)) {
		return false
	}
	last := &a.phases[len(a.phases)-1]
	return last.sign == 0 && last.End-last.Begin >= lately && a.kindOf(r.i) == 0 && a.counts() && a.totalsAnew(r)
}

// counts says that the row before shows a total of charge that came to something.
func (a *Auditor) counts() bool {
	for c := range a.prev.q {
		if math.Abs(a.prev.q[c]) > 20*a.prev.qs[c] {
			return true
		}
	}
	return false
}

// far is the share by which another voltage differs: what is left of a recovery after some time at rest is less.
const far = 0.04

// lately is how long ago a load was switched off while the voltage still recovers much [s].
const lately = 600

// totalsAnew says that a total of charge fell to nothing since the row before, or that there is none.
func (a *Auditor) totalsAnew(r *row) bool {
	have := false
	for c := range r.q {
		if q := math.Abs(a.prev.q[c]); q > 20*a.prev.qs[c] {
			if have = true; math.Abs(r.q[c]) <= q/1000+2*r.qs[c] {
				return true
			}
		}
	}
	return !have
}

// newDay says that a row is the first of a date, and that rows are so close that this is no chance.
func (a *Auditor) newDay(r *row) bool {
	if r.noDate || r.clock != r.clock || r.clock < a.midnight && r.clock >= a.midnight-86400 {
		return false
	}
	before := a.midnight
	a.midnight = 86400 * (math.Floor(r.clock/86400) + 1)
	return a.midnight == before+86400 && a.have && a.time.typical <= 900
}

// flow is the current at a row by its sign; where time broke off before it, that of the last row before, if one flowed there.
func (a *Auditor) flow(r *row) integrals {
	i := r.i
	if a.cut && a.kindOf(a.prev.i) != 0 {
		i = a.prev.i
	}
	return integrals{pos: max(0, i), neg: max(0, -i)}
}

// tally holds the totals of a row against the integrals.
func (a *Auditor) tally(r *row, at *where) {
	n := 0
	for ; n < len(a.counted) && a.counted[n] < 3; n++ {
		c := a.counted[n]
		a.tallies[c].take(r.q[c], r.qs[c], a.q, at)
	}
	a.pair(0, a.q)
	if n == len(a.counted) {
		return
	}
	volts := math.Abs(notNaN(r.v))
	at.interval *= volts
	at.within *= volts
	at.band *= volts
	at.hidden = hidden{a.eVar, a.ePrint, a.ePulse}
	at.flow.pos *= volts
	at.flow.neg *= volts
	for _, c := range a.counted[n:] {
		a.tallies[c].take(r.e[c-3], r.es[c-3], a.e, at)
	}
	a.pair(1, a.e)
}

// pair holds both directions of a quantity, where each has a column, against what flowed either way.
func (a *Auditor) pair(quantity int, g integrals) {
	if in, out := &a.tallies[3*quantity+1], &a.tallies[3*quantity+2]; in.rows > 0 && out.rows > 0 {
		a.pairs[quantity] = max(a.pairs[quantity], math.Abs(in.path+out.path-(g.through()-in.base.through())))
		a.nets[quantity].take(in.path-out.path, in.path+out.path, g)
	}
}

// netWatch holds two totals that part the directions against the net integral. Between two rows current may flow both ways, and only the difference
// of the totals agrees with what the rows show.
type netWatch struct {
	have        bool
	x0          float64
	g0          integrals
	plus, minus float64 // largest differences, as the current is printed and with the other sign
	lacks       float64 // by how much the sum of the totals is below what flowed, at most
}

func (w *netWatch) take(x, sum float64, g integrals) {
	if !w.have {
		w.have, w.x0, w.g0 = true, x, g
	}
	d, net := x-w.x0, g.net()-w.g0.net()
	w.plus, w.minus = max(w.plus, math.Abs(d-net)), max(w.minus, math.Abs(d+net))
	w.lacks = max(w.lacks, g.through()-w.g0.through()-sum)
}

// holds says that the totals agree to a tolerance, and know of no less than the rows do.
func (w *netWatch) holds(tolerance float64) bool {
	return w.have && min(w.plus, w.minus) <= tolerance && w.lacks <= tolerance
}

// pulse is the share of a current by which it changes from row to row where the load is switched. A load that is switched in step with the
// rows hides more than chance would: each time the same part of its pulse is seen.
const pulse = 0.2

// area integrates from x0 to x1 over dt along a straight line, by sign.
func area(x0, x1, dt float64) integrals {
	switch {
	case x0 >= 0 && x1 >= 0:
		return integrals{pos: (x0 + x1) / 2 * dt}
	case x0 <= 0 && x1 <= 0:
		return integrals{neg: -(x0 + x1) / 2 * dt}
	}
	part := x0 / (x0 - x1) * dt
	first, second := x0*part/2, x1*(dt-part)/2
	if x0 > 0 {
		return integrals{pos: first, neg: -second}
	}
	return integrals{pos: second, neg: -first}
}

func (g *integrals) add(d integrals) {
	g.pos += d.pos
	g.neg += d.neg
}

func same(a, b *row) bool {
	eq := func(x, y float64) bool { return x == y || math.IsNaN(x) && math.IsNaN(y) }
	return eq(a.i, b.i) && eq(a.v, b.v) && eq(a.tick, b.tick) && eq(a.elapsed, b.elapsed) && eq(a.clock, b.clock) && eq(a.p, b.p) &&
		eq(a.q[0], b.q[0]) && eq(a.q[1], b.q[1]) && eq(a.q[2], b.q[2]) && eq(a.e[0], b.e[0]) && eq(a.e[1], b.e[1]) && eq(a.e[2], b.e[2])
}

func sq(x float64) float64 { return x * x }

// Progress says where the log stands so far, for one that still grows.
type Progress struct {
	Rows                      int
	Time                      float64 // [s]
	Current, Voltage          float64 // last reading, as printed
	Charge                    float64 // of the phase that goes on, magnitude [A·s]
	Kind                      Kind
	Slope                     float64 // of the voltage over the last rows [V/s]
	Findings                  int
	PhaseBegan, PhaseDuration float64
}

// Progress returns where the log stands.
func (a *Auditor) Progress() Progress {
	if !a.primed && len(a.early) > 0 {
		// Few rows so far: they are taken now, what is learnt from them stands.
		a.prime()
	}
	p := Progress{Rows: a.rows, Time: a.time.t, Slope: a.tail.slope(a.vs)}
	if a.have {
		p.Current, p.Voltage = a.prev.i, a.prev.v
	}
	if n := len(a.phases); n > 0 {
		ph := a.phases[n-1]
		p.Charge = math.Abs(ph.q.net())
		p.PhaseBegan, p.PhaseDuration = ph.Begin, a.time.t-ph.Begin
		p.Kind = ph.kind(a.orientation())
	}
	return p
}

// finding is a shorthand.
func finding(cause, severity, of string, confidence float64, row int, evidence, mend string) verdict.Finding {
	return verdict.Finding{Cause: cause, Severity: severity, Of: of, Confidence: confidence, Row: row, Evidence: evidence, Mend: mend}
}
