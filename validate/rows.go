package validate

import (
	"fmt"
	"math"
	"slices"
	"sort"
	"strings"

	"stuntcell/emulator"
	"stuntcell/validate/cause"
	"stuntcell/validate/logfile"
	"stuntcell/validate/verdict"
)

// logChange is a setting of log_ms in the middle of a run.
type logChange struct {
	reading       int
	before, after float64 // [s]
}

// findLogChanges reads the settings of the log interval from the events.
func (j *judge) findLogChanges() {
	j.log = float64(j.rec.Greeting.LogMS) / 1000
	now := j.log
	for _, e := range j.rec.Events {
		if e.Kind == emulator.Setting && e.Text == "log_ms" && !j.rec.Cannot["set"] {
			j.logChanges = append(j.logChanges, logChange{e.Reading, now, float64(e.Value) / 1000})
			now = float64(e.Value) / 1000
		}
	}
}

// disturbed marks, for each reading, that a row due there may be late, missing or caught up: during card=fail, a stall or
// failed readings, around a power cut, a setting, a switch of a contact, a step of the plan, a clock being set.
func (j *judge) disturbed() []bool {
	n := len(j.rec.Readings.T)
	d := make([]bool, n)
	mark := func(k int) {
		if k >= 0 && k < n {
			d[k] = true
		}
	}
	for k := range n {
		f := j.series.Flags[k]
		if f&(emulator.CardFails|emulator.Stalled) != 0 || !j.series.Good(k) || k > 0 && j.series.Life[k] != j.series.Life[k-1] {
			mark(k)
		}
	}
	for _, e := range j.rec.Events {
		if e.Kind == emulator.Setting {
			mark(e.Reading)
		}
	}
	j.lostInMemory(d)
	return d
}

// lostInMemory marks the readings between the last row and a card that begins to fail, where the logger told of so many lost rows: it
// had held them back to write them together.
func (j *judge) lostInMemory(d []bool) {
	for b, f := range j.series.Flags {
		if f&emulator.CardFails == 0 || b == 0 || j.series.Flags[b-1]&emulator.CardFails != 0 {
			continue
		}
		last := 0
		for _, k := range j.at {
			if k < b {
				last = max(last, k)
			}
		}
		log := j.logBetween(last, b)
		held := float64(j.rec.Readings.T[b]-j.rec.Readings.T[last]) * 1e-9 / max(log[0], log[1])
		if j.series.Life[last] == j.series.Life[b] && held > 1 && float64(cause.ToldLost(j.rec, b)) >= math.Floor(held) {
			for k := last + 1; k < b; k++ {
				d[k] = true
			}
		}
	}
}

// checkRows makes the checks interval and rows.
func (j *judge) checkRows() {
	rowsCheck := verdict.Check{Name: "rows", Unit: "rows"}
	interval := verdict.Check{Name: "interval", Unit: "1"}
	n := len(j.rec.Readings.T)
	if n == 0 || j.log <= 0 {
		j.checks = append(j.checks, verdict.Check{Name: "interval", Skipped: "no readings"}, verdict.Check{Name: "rows", Skipped: "no readings"})
		return
	}
	s := &j.spacing
	*s = cause.Spacing{Log: j.log, FirstBad: -1, Missing: -1, Duplicate: -1, Disordered: -1, Broken: -1, NotNumber: -1}
	times := make([]float64, n)
	for k := 1; k < n; k++ {
		times[k] = float64(j.rec.Readings.T[k]) * 1e-9
	}
	times[0] = float64(j.rec.Readings.T[0]) * 1e-9
	disturbed := j.disturbed()
	rough := make([]int, n+1)
	j.rough = rough
	for k := range n {
		rough[k+1] = rough[k]
		if disturbed[k] {
			rough[k+1]++
		}
	}
	if j.rec.Stream { // whose interval came of all rows
		if log := j.betweenDue(times); log > 1.005*j.log {
			j.log, s.Log = log, log
		}
	}
	due, written := j.countDue(times, disturbed, 0)
	limit := or(j.sc.Expect.Interval, limitInterval)
	// Where readings come unevenly and hardly oftener than rows, how many intervals have one hangs on when the first began.
	for phase := 0.05; phase < 1 && float64(written+1) < limit*float64(due); phase += 0.05 {
		d, _ := j.countDue(times, disturbed, phase)
		due = min(due, d)
	}
	s.Due, s.Written = due, written
	order := append([]int(nil), j.at...)
	j.orderChecks(s)
	sort.Ints(order)
	gap := j.longestGaps(times)
	lastRow := 0 // of all: one that was left out may be one that came early again after a late one
	if len(order) > 0 {
		lastRow = order[len(order)-1]
	}
	all := order
	order = j.withoutExtras(all, times, gap)
	sp := j.spacings(order, times, gap)
	if sp.tooOff() { // rows that were left out as they came may have been the wrong ones
		if chain := j.regular(all, times, gap); chain != nil {
			if other := j.spacings(chain, times, gap); other.off < sp.off {
				order, sp = chain, other
			}
		}
	}
	if sp.firstBad >= 0 {
		s.FirstBad, s.BadFrom, s.BadTo = slices.Index(j.at, sp.badTo), sp.badFrom, sp.badTo
	}
	if sp.firstMissing >= 0 {
		s.Missing, s.MissingFrom, s.MissingTo = sp.firstMissing, sp.missingFrom, sp.missingTo
	}
	total, off, missing := sp.total, sp.off, sp.missing
	s.Total, s.Off = total, off
	// Rows due after the last one.
	tail := 0
	end := n - 1
	if j.rec.Outcome.Failure != nil {
		end = min(end, max(j.rec.Outcome.Reading-1, 0))
	}
	if len(order) > 0 && end > lastRow {
		log := j.logBetween(lastRow, end)
		// Rows that a power cut took from memory are lost: what is due since the power came back counts.
		from := lastRow
		for k := end; k > lastRow && j.series.Life[k] != j.series.Life[lastRow] && j.series.Life[k] == j.series.Life[end]; k-- {
			from = k
		}
		d := times[end] - times[from] - float64(j.offAtEnd(lastRow, end))
		if j.rec.Outcome.Failure == nil && !j.endsCut() {
			tail = int((d - 2*gap(lastRow, end)) / max(log[0], log[1]))
			if near := rough[n] - rough[lastRow]; near > 0 && tail <= near {
				tail = 0
			}
		}
	}
	if tail > 0 {
		missing += tail
		s.Tail = tail
		if s.Missing < 0 {
			s.Missing, s.MissingFrom, s.MissingTo = len(order), lastRow, end
		}
	}
	s.Median = medianOf(sp.ratios) * j.log
	ratio := float64(written) / float64(max(due, 1))
	tooFew := float64(written+1) < limit*float64(due)
	tooOff := sp.tooOff()
	// One missing row in a run is the rows check's business; a pattern is the interval's.
	ok := !tooFew && (!tooOff || missing > 0 && off <= missing+1 && off < total/4+1)
	s.TooFew, s.TooOff = tooFew, tooOff
	interval.Value, interval.LimitLow, interval.Pass = &ratio, &limit, &ok
	interval.Detail = fmt.Sprintf("%d of %d rows due written", written, due)
	if !math.IsNaN(s.Median) {
		interval.Detail += fmt.Sprintf(", median spacing %.4g s for %.4g s", s.Median, j.log)
	}
	if tooOff && !tooFew && !ok {
		interval.Detail += fmt.Sprintf(", %d of %d spacings off", off, total)
	}
	if due <= 1 {
		interval = verdict.Check{Name: "interval", Skipped: "no row was due"}
		s.TooFew, s.TooOff = false, false
		missing = 0
		ok = true
	}
	s.MissingRows = missing
	j.checks = append(j.checks, interval)
	j.pattern = !ok && interval.Pass != nil

	j.cutShort(s)
	j.notNumbers(s)
	j.silentTotals(s)
	s.Barren = j.barren()
	bad := s.Duplicates + s.Disorders + s.Brokens + s.NotNumbers
	if s.Barren {
		bad += len(j.at)
	}
	if !j.pattern {
		bad += missing
	}
	v, zero, rok := float64(bad), 0.0, bad == 0
	rowsCheck.Value, rowsCheck.LimitHigh, rowsCheck.Pass = &v, &zero, &rok
	if bad > 0 {
		rowsCheck.Detail = fmt.Sprintf("%d missing, %d duplicated, %d disordered, %d malformed", missing, s.Duplicates, s.Disorders, s.Brokens+s.NotNumbers)
	}
	j.checks = append(j.checks, rowsCheck)
}

// spaced is how far apart the rows of a log are.
type spaced struct {
	ratios                               []float64 // to the interval
	total, off, missing                  int
	firstBad, badFrom, badTo             int // index into the order, readings; -1 if none
	firstMissing, missingFrom, missingTo int
}

// tooOff says that the spacing is wrong too often to be chance.
func (s *spaced) tooOff() bool { return s.off > 1 && float64(s.off) > 0.02*float64(s.total) }

// spacings looks at the spacings between rows of one power-up.
func (j *judge) spacings(order []int, times []float64, gap func(a, b int) float64) spaced {
	s := spaced{firstBad: -1, firstMissing: -1}
	owed := 0.0 // rows that were due while no good reading came, and while these are written
	for i := 1; i < len(order); i++ {
		a, b := order[i-1], order[i]
		if j.series.Life[a] != j.series.Life[b] || a == b {
			owed = 0
			continue
		}
		low, high, g, log := j.apart(a, b, gap)
		d := times[b] - times[a]
		s.ratios = append(s.ratios, d/log[0])
		s.total++
		starved, next := j.starved(a, b, times)
		made := owed > 0
		if owed = max(owed+d/log[1]-1, 0); starved <= log[1] && d >= log[1]-1e-6 {
			owed = 0 // all are written
		}
		if d >= low && d <= high || j.unsteady(order[max(i-2, 0)], a, b) && !j.lostWithFile(a, b, d, log[1], g) {
			continue
		}
		if d < low && made && next {
			// A schedule that goes on by whole intervals writes what a stall has held up at one reading after the other. Each of these
			// rows says its own time.
			continue
		}
		s.off++
		if s.firstBad < 0 {
			s.firstBad, s.badFrom, s.badTo = i, a, b
		}
		if d > high && d > max(1.5*log[1], log[1]+2*g) {
			s.missing += int(math.Round(d/max(log[0], log[1]))) - 1
			if s.firstMissing < 0 {
				s.firstMissing, s.missingFrom, s.missingTo = i, a, b
			}
		}
	}
	return s
}

// starved is the longest time without a good reading between rows at readings a and b; next says that no good reading lies between them.
func (j *judge) starved(a, b int, times []float64) (longest float64, next bool) {
	last := a
	next = true
	for k := a + 1; k <= b; k++ {
		if k < b && !j.series.Good(k) {
			continue
		}
		longest = max(longest, times[k]-times[last])
		last = k
		next = next && k == b
	}
	return longest, next
}

// apart is how far apart the rows of readings a and b may be, and what that comes of.
func (j *judge) apart(a, b int, gap func(a, b int) float64) (low, high, g float64, log [2]float64) {
	log = j.logBetween(a, b)
	// Rows that are placed by a time column are placed no finer than it shows.
	g = gap(a, b) + j.placing()
	return min(log[0], log[1]) - g - 1e-6, max(log[0], log[1]) + g + 1e-6, g, log
}

// unsteady says that a row may come late or early between readings a and b, or came so after the row before: a row that came late is
// followed by one that comes early again.
func (j *judge) unsteady(before, a, b int) bool {
	return j.rough[min(b+1, len(j.rough)-1)]-j.rough[before] > 0 || j.eventBetween(a, b)
}

// lostWithFile says that nothing but a new file was opened between readings a and b, d apart, and a whole row is missing: a schedule that
// begins anew with the file comes to less than two intervals.
func (j *judge) lostWithFile(a, b int, d, log, g float64) bool {
	if d < 2*log-g/2 || j.rough[min(b+1, len(j.rough)-1)] > j.rough[a] {
		return false
	}
	file := false
	for _, e := range j.rec.Events {
		if e.Reading < a || e.Reading > b+1 {
			continue
		}
		switch e.Kind {
		case emulator.SaidFile:
			file = true
		case emulator.SaidLoad, emulator.SaidCharge, emulator.StepBegins, emulator.StepEnds, emulator.ChargeMoves, emulator.LoadMoves:
			return false
		}
	}
	return file
}

// regular finds those of the rows that are most regular, where each that is left out comes with a change of the current or another event: the
// chain with the fewest spacings that are off. nil: none leaves any out.
func (j *judge) regular(rows []int, times []float64, gap func(a, b int) float64) []int {
	const reach = 64 // rows that may be left out in a row
	rows = slices.Compact(slices.Clone(rows))
	n := len(rows)
	if n < 3 {
		return nil
	}
	added := make([]bool, n)
	changed := j.onChange(rows)
	for i := 2; i < n-1; i++ {
		added[i] = changed[i] || j.somethingMoved(rows[:i], rows[i]) || j.crept(rows[i-1], rows[i]) || j.nearStop(rows[i])
	}
	cost, from := make([]int, n), make([]int, n)
	for i := 1; i < n; i++ {
		cost[i] = math.MaxInt
		for k := i - 1; k >= 0 && i-k <= reach; k-- {
			c := cost[k]
			if a, b := rows[k], rows[i]; j.series.Life[a] == j.series.Life[b] {
				low, high, _, _ := j.apart(a, b, gap)
				if d := times[b] - times[a]; (d < low || d > high) && !j.unsteady(a, a, b) {
					c++
				}
			}
			if c < cost[i] {
				cost[i], from[i] = c, k
			}
			if !added[k] {
				break
			}
		}
	}
	var out []int
	for i := n - 1; ; i = from[i] {
		out = append(out, rows[i])
		if i == 0 {
			break
		}
	}
	slices.Reverse(out)
	return out
}

// onChange says which rows a logger would have added that writes one whenever what it reads has moved far enough since the last row, or since the
// reading before; or that writes one at each reading near the level where it stops. How far is far enough, and how near is near, shows in the
// readings that have no row: it is more than they moved, and nearer than they came.
func (j *judge) onChange(rows []int) []bool {
	s := j.series
	var best []bool
	most := -1
	try := func(least float64, size func(k, last int) float64, sinceRow bool) {
		sizes := make([]float64, len(rows))
		last, next := -1, 0
		for k := range s.I {
			if k > 0 && s.Life[k] != s.Life[k-1] {
				last = -1
			}
			d := math.NaN()
			if s.Good(k) && last >= 0 {
				d = size(k, last)
			}
			written := next < len(rows) && rows[next] == k
			switch {
			case written:
				sizes[next] = d
				next++
			case d > least && j.rough[k+1] == j.rough[k]: // false for nan
				least = d
			}
			if s.Good(k) && (written || !sinceRow) {
				last = k
			}
		}
		added, n := make([]bool, len(rows)), 0
		for i, d := range sizes {
			// What is just far enough may be written or not, as sums of fractions come out.
			if added[i] = d > least*(1-1e-9); added[i] {
				n++
			}
		}
		if n > most {
			best, most = added, n
		}
	}
	for _, sinceRow := range []bool{true, false} {
		try(noChange*s.Amp+1e-9, func(k, last int) float64 { return math.Abs(s.I[k] - s.I[last]) }, sinceRow)
		try(noChange*s.Volt+1e-9, func(k, last int) float64 { return math.Abs(s.V[k] - s.V[last]) }, sinceRow)
	}
	for _, mv := range []int64{j.rec.Greeting.CutoffMV, j.rec.Greeting.ChargeEndMV} {
		if level := float64(mv) / 1000; mv > 0 {
			try(1/(nearLevel*level), func(k, _ int) float64 { return 1 / max(math.Abs(s.V[k]-level), s.Volt/2) }, false)
		}
	}
	return best
}

// nearLevel is the share of the level where a logger stops within which it may write each reading, or rows that are closer.
const nearLevel = 0.1

// nearStop says that a reading is so near the level at which the logger stops that it may write oftener.
func (j *judge) nearStop(k int) bool {
	for _, mv := range []int64{j.rec.Greeting.CutoffMV, j.rec.Greeting.ChargeEndMV} {
		if level := float64(mv) / 1000; mv > 0 && math.Abs(j.series.V[k]-level) < nearLevel*level {
			return true
		}
	}
	return false
}

// betweenDue is the time between the rows of a log that came whole: of all, where nearly all are one time apart, or else of those that are not
// there because of a change; 0 if neither has one time throughout [s].
func (j *judge) betweenDue(times []float64) float64 {
	const (
		few  = 2   // times tell nothing
		many = 8   // of them may have some that do not agree
		most = 0.8 // of them agree then
	)
	rows := slices.Clone(j.at)
	slices.Sort(rows)
	rows = slices.Compact(rows)
	apart := func(added []bool) (out []float64) {
		last := -1
		for i, k := range rows {
			if added != nil && added[i] {
				continue
			}
			if last >= 0 && j.series.Life[last] == j.series.Life[k] {
				out = append(out, times[k]-times[last])
			}
			last = k
		}
		return out
	}
	slack := 2*j.series.Period + j.placing()
	usual := func(apart []float64, one float64, several bool) float64 {
		sum, n, intervals := 0.0, 0, 0.0
		for _, d := range apart {
			whole := 1.0
			if several && d > one+slack {
				whole = math.Round(d / one)
			}
			if math.Abs(d-whole*one) <= slack {
				sum, n, intervals = sum+d, n+1, intervals+whole
			}
		}
		if n == len(apart) || n >= many && float64(n) >= most*float64(len(apart)) {
			return sum / intervals
		}
		return 0
	}
	all := apart(nil)
	if len(all) < few {
		return 0
	}
	if u := usual(all, medianOf(all), false); u > 0 {
		return u
	}
	// Jitter makes the median the safer guess; but one that is due may come with a change too, and the time from one to the next be several
	// intervals.
	due := apart(j.onChange(rows))
	if len(due) < few {
		return 0
	}
	if u := usual(due, medianOf(due), true); u > 0 {
		return u
	}
	return usual(due, slices.Min(due), true)
}

// noChange is how many counts a reading may move without anything having changed.
const noChange = 3

// crept says that the current changed by a tenth from one reading to another, however slowly: a row at each change of some size comes in a
// taper too.
func (j *judge) crept(a, b int) bool {
	x, y := j.series.I[a], j.series.I[b]
	return math.Abs(x-y) > max(3*j.series.Amp, max(math.Abs(x), math.Abs(y))/10) // false if one failed
}

// extrasBetween is how many rows may be added between two that are due, besides one for each time that the current moved.
const extrasBetween = 4

// withoutExtras leaves out the rows that come between two regular ones because something switched, a step of the plan began or the
// current changed a moment before: they shift no row that is due. It may take a logger a row's interval to be sure of what it saw.
func (j *judge) withoutExtras(order []int, times []float64, gap func(a, b int) float64) []int {
	out := make([]int, 0, len(order))
	for i, k := range order {
		if len(out) > 0 && j.extra(out, order[i:], times, gap) {
			continue
		}
		out = append(out, k)
	}
	return out
}

// extra says that the first of the coming rows is one too many between the last of those before and a regular one that follows, or
// that the power or the run ended before one could.
func (j *judge) extra(before, coming []int, times []float64, gap func(a, b int) float64) bool {
	a, k := before[len(before)-1], coming[0]
	if j.series.Life[a] != j.series.Life[k] {
		return false
	}
	after := false // a row follows that is no earlier than the next one was due
	ended := true  // the power or the run ends soon
	room, last := extrasBetween, a
	for n, b := range coming[1:] {
		if j.series.Life[b] != j.series.Life[k] {
			break
		}
		room, last = room+j.loadMoves(last, b), b
		if n+1 > room {
			ended = false
			break
		}
		log, g := j.logBetween(a, b), gap(a, b)+j.placing()
		low, high := min(log[0], log[1])-g-1e-6, max(log[0], log[1])+g+1e-6
		if d := times[b] - times[a]; d >= low {
			after = true
			// Of two that may be the one that is due, it is the one nearer to when it is.
			early := times[k] - times[a]
			nearer := log[0] == log[1] && math.Abs(d-log[0]) < math.Abs(early-log[0])-1e-6
			if d <= high && (early < low || nearer) {
				return j.somethingMoved(before, k)
			}
			lost := j.rough[b+1] > j.rough[a]
			if lost && log[0] == log[1] && offGrid(d, log[0]) <= g && offGrid(early, log[0]) > g {
				return j.somethingMoved(before, k) // rows that were due between are late or lost
			}
			if d > high && len(j.logChanges) == 0 && !(lost && d < 4*log[0]) {
				return false
			}
		}
	}
	log, g := j.logBetween(a, k), gap(a, k)+j.placing()
	return ended && !after && times[k]-times[a] < min(log[0], log[1])-g-1e-6 && j.somethingMoved(before, k)
}

// offGrid is how far a time is from the nearest whole number of intervals, one at least [s].
func offGrid(d, interval float64) float64 {
	return math.Abs(d - max(1, math.Round(d/interval))*interval)
}

// somethingMoved says that a contact, the plan or the current moved since the row before the last, or that the power came then.
func (j *judge) somethingMoved(before []int, k int) bool {
	if len(before) < 2 || j.series.Life[before[len(before)-2]] != j.series.Life[k] {
		return true
	}
	since := before[len(before)-2]
	return since == 0 || j.eventBetween(since, k) || j.loadMoves(since, k) > 0 || j.clockSetBetween(since, k)
}

// clockSetBetween says that the clock was set between two readings: who writes a row at each full minute begins a minute then. It is no reason for
// a row to be missing.
func (j *judge) clockSetBetween(a, b int) bool {
	return slices.ContainsFunc(j.rec.Events, func(e emulator.Event) bool {
		return e.Kind == emulator.ClockIsSet && e.Reading >= a && e.Reading <= b+1
	})
}

// loadMoves counts how often the current changed by half of what it was or became from one reading to another.
func (j *judge) loadMoves(from, to int) int {
	last, n := math.NaN(), 0
	for k := from; k <= to; k++ {
		if !j.series.Good(k) {
			continue
		}
		i := j.series.I[k]
		if d := math.Abs(i - last); d > 3*j.series.Amp && d > max(math.Abs(i), math.Abs(last))/2 {
			n++
		}
		last = i
	}
	return n
}

// placing is the fineness of the time column by which rows find their readings [s]; 0 if it is the counter.
func (j *judge) placing() float64 {
	if j.ticksFit || !j.clockFits {
		return 0
	}
	return 1
}

// offAtEnd is time at the end of the run in which no good reading came [s].
func (j *judge) offAtEnd(from, to int) float64 {
	t := 0.0
	for k := to; k > from && !j.series.Good(k); k-- {
		t += j.series.Dt[k]
	}
	return t
}

// endsCut says that the power failed and had not come back when the run ended: what was in memory then is lost as at any cut.
func (j *judge) endsCut() bool {
	cut := false
	for _, e := range j.rec.Events {
		switch e.Kind {
		case emulator.PowerFails:
			cut = true
		case emulator.PowerBack:
			cut = false
		}
	}
	return cut
}

// logBetween is the log intervals that are healthy between readings a and b: after a change, either.
func (j *judge) logBetween(a, b int) [2]float64 {
	lo, hi := j.log, j.log
	for _, c := range j.logChanges {
		switch {
		case c.reading <= a:
			lo, hi = c.after, c.after
			// The spacing that was running when the setting changed may still be the old one.
			if float64(j.rec.Readings.T[a]-j.rec.Readings.T[min(c.reading, len(j.rec.Readings.T)-1)])*1e-9 < c.before {
				hi = max(hi, c.before)
				lo = min(lo, c.before)
			}
		case c.reading <= b:
			lo, hi = min(lo, c.after), max(hi, c.before, c.after)
		}
	}
	return [2]float64{lo, hi}
}

// longestGaps returns a function that gives the longest time between two readings around a stretch.
func (j *judge) longestGaps(times []float64) func(a, b int) float64 {
	gaps := newExtrema(len(times), func(k int) (lo, hi float64) {
		if k > 0 && j.series.Life[k] == j.series.Life[k-1] {
			hi = times[k] - times[k-1]
		}
		return 0, hi
	})
	// Jitter makes neighbours of the stretch count too; in long stretches all gaps are looked at.
	return func(a, b int) float64 {
		_, g := gaps.over(max(a-1, 1), min(b+1, len(times)-1))
		return max(j.series.Period, g)
	}
}

// eventBetween says that a switch, a step or a new file falls between two readings: an extra row there is healthy.
func (j *judge) eventBetween(a, b int) bool {
	for _, e := range j.rec.Events {
		switch e.Kind {
		case emulator.SaidLoad, emulator.SaidCharge, emulator.StepBegins, emulator.StepEnds, emulator.SaidFile, emulator.ChargeMoves, emulator.LoadMoves:
			if e.Reading >= a && e.Reading <= b+1 && a > 0 {
				return true
			}
		}
	}
	return false
}

// countDue counts log intervals in which a good reading came and rows written outside disturbed stretches. The first interval began so many
// intervals before the first reading.
func (j *judge) countDue(times []float64, disturbed []bool, phase float64) (due, written int) {
	log := j.log
	start := times[0] - phase*log
	lastSlot := int64(-1)
	ci := 0
	// Rows in memory are lost at a power cut: none is due after the last one received before it.
	received := map[int16]int{}
	for r, k := range j.at {
		life := j.lifeOfRow(r)
		received[life] = max(received[life], k)
	}
	flushed := j.series.Life[len(times)-1] // the life that was told of its end
	if j.endsCut() {
		flushed = -1
	}
	for k := range times {
		if k > 0 && j.series.Life[k] != j.series.Life[k-1] {
			start, lastSlot = times[k]-phase*log, -1
		}
		for ci < len(j.logChanges) && j.logChanges[ci].reading <= k {
			log = j.logChanges[ci].after
			start, lastSlot = times[k]-phase*log, 0
			ci++
		}
		if log <= 0 {
			continue
		}
		slot := int64((times[k] - start) / log * (1 + 1e-9))
		if slot != lastSlot {
			lastSlot = slot
			if !disturbed[k] && k > 0 && (j.series.Life[k] == flushed || k <= received[j.series.Life[k]]) {
				due++
			}
		}
	}
	for _, k := range j.at {
		if !disturbed[k] {
			written++
		}
	}
	return due, written
}

// orderChecks counts duplicated, disordered and malformed rows.
func (j *judge) orderChecks(s *cause.Spacing) {
	switching := map[int]bool{}
	for _, e := range j.rec.Events {
		switch e.Kind {
		case emulator.SaidLoad, emulator.SaidCharge, emulator.SaidFile, emulator.PowerBack, emulator.StepBegins, emulator.StepEnds:
			switching[e.Reading] = true
		}
	}
	seen := make([]bool, j.series.Len()) // readings that have a row of this power-up
	highest := -1
	for r, k := range j.at {
		if r > 0 && j.lifeOfRow(r) != j.lifeOfRow(r-1) {
			highest = -1
			clear(seen)
		}
		same := j.timed() && seen[k] && r > 0 && j.sameText(r, k)
		seen[k] = true
		if same && !switching[k] && j.lifeOfRow(r) == j.lifeOfRow(max(r-1, 0)) {
			s.Duplicates++
			if s.Duplicate < 0 {
				s.Duplicate = r
			}
			continue
		}
		if k < highest && j.fits[r] {
			s.Disorders++
			if s.Disordered < 0 {
				s.Disordered = r
			}
			continue
		}
		highest = max(highest, k)
	}
	for _, p := range j.table.Problems {
		if p.Kind != logfile.BrokenRow {
			continue
		}
		s.Brokens++
		if s.Broken < 0 {
			s.Broken = p.Line
			s.BrokenText = p.Text
			s.BrokenExpected = p.Expected
		}
	}
}

// cutShort counts the rows that end before their last number, or in the middle of its sign, where the rows around them have it and the
// readings were good. A number that is left out oftener is left out on purpose, and the last row before a power cut may be torn.
func (j *judge) cutShort(s *cause.Spacing) {
	var last *logfile.Column
	for i := range j.table.Columns {
		if c := &j.table.Columns[i]; c.Kind >= logfile.Voltage && c.Kind <= logfile.EnergyOut && (last == nil || c.Field > last.Field) {
			last = c
		}
	}
	if last == nil {
		return
	}
	var short []int
	missing := 0
	for r, v := range last.Value {
		if !math.IsNaN(v) {
			continue
		}
		missing++
		text := strings.TrimRight(j.rec.Rows[j.table.Rows[r]].Text, " \r\n")
		if r == 0 || r == len(last.Value)-1 || math.IsNaN(last.Value[r-1]) || math.IsNaN(last.Value[r+1]) || text == "" || !strings.ContainsRune(",;|\t-+", rune(text[len(text)-1])) ||
			j.failedSince(r) || j.series.Life[j.at[r]] != j.series.Life[j.at[r+1]] {
			continue
		}
		short = append(short, r)
	}
	if 20*missing > len(last.Value) || len(short) == 0 {
		return
	}
	s.Brokens += len(short)
	if line := j.table.Rows[short[0]]; s.Broken < 0 || line < s.Broken {
		s.Broken, s.BrokenText, s.BrokenExpected = line, j.rec.Rows[line].Text, fmt.Sprintf("a number in column %q, as the rows around it have", last.Header)
	}
}

// notNumbers counts the rows that show nan for a total, or for a value whose readings were good.
func (j *judge) notNumbers(s *cause.Spacing) {
	last := -1
	for _, x := range j.table.NotNumbers {
		c := &j.table.Columns[x.Column]
		_, total := roles[c.Kind]
		if x.Row == last || c.Channel > 1 || !total && j.failedSince(x.Row) {
			continue
		}
		last = x.Row
		if s.NotNumbers++; s.NotNumber < 0 {
			s.NotNumber, s.NotNumberColumn = x.Row, c.Header
		}
	}
}

// silentRows is how many rows at the end of a log, and what share of it, must be without a total that was shown before.
const (
	silentRows  = 20
	silentShare = 5
)

// silentTotals counts the rows from which on a total is not shown any more, or all rows if it never is, though they show other values. One
// that is shown now and then is healthy.
func (j *judge) silentTotals(s *cause.Spacing) {
	if s.NotNumbers > 0 || len(j.table.Segments) > 1 || j.rec.Cannot["totals"] {
		return
	}
	for i := range j.table.Columns {
		c := &j.table.Columns[i]
		role, total := roles[c.Kind]
		if !total || role == cause.Elapsed || c.Channel > 1 || role.IsEnergy() && j.rec.Cannot["energy"] {
			continue
		}
		n := len(c.Value)
		from := n
		for from > 0 && math.IsNaN(c.Value[from-1]) {
			from--
		}
		silent := 0
		for r := from; r < n; r++ {
			if j.series.Good(j.at[r]) && j.showsValue(r) {
				silent++
			}
		}
		if silent <= max(silentRows, n/silentShare) {
			continue
		}
		s.NotNumbers += silent
		if s.NotNumber < 0 {
			s.NotNumber, s.NotNumberColumn = from, c.Header
		}
	}
}

// showsValue says that a row shows volts, amperes or watts.
func (j *judge) showsValue(row int) bool {
	for i := range j.table.Columns {
		if c := &j.table.Columns[i]; c.Kind >= logfile.Voltage && c.Kind <= logfile.Power && !math.IsNaN(c.Value[row]) {
			return true
		}
	}
	return false
}

// failedSince says that a reading failed between the row before and a row.
func (j *judge) failedSince(row int) bool {
	from := 0
	if row > 0 {
		from = j.at[row-1] + 1
	}
	for k := from; k <= j.at[row]; k++ {
		if !j.series.Good(k) {
			return true
		}
	}
	return j.at[row] < from && !j.series.Good(j.at[row])
}

// barren says that the log has nothing that could be held against the readings.
func (j *judge) barren() bool {
	for i := range j.table.Columns {
		c := &j.table.Columns[i]
		if c.Kind >= logfile.Voltage && c.Kind <= logfile.EnergyOut && c.Channel <= 1 {
			return false
		}
	}
	return true
}

// timed says that rows carry a time fine enough to tell a repeated row from two alike.
func (j *judge) timed() bool { return j.ticksFit || j.column(logfile.Elapsed) != nil || j.clockFits }

// sameText says that an earlier row of the same reading has the same text as row r.
func (j *judge) sameText(r, k int) bool {
	t := strings.TrimSpace(j.rec.Rows[j.table.Rows[r]].Text)
	between := false
	for q := r - 1; q >= 0 && q > r-64; q-- {
		same := strings.TrimSpace(j.rec.Rows[j.table.Rows[q]].Text) == t
		if same && j.at[q] == k {
			// With whole seconds only, two rows of one second may be alike, but not with another between them.
			return j.ticksFit || j.log >= 1 || between
		}
		between = between || !same
	}
	return false
}

func medianOf(v []float64) float64 {
	if len(v) == 0 {
		return math.NaN()
	}
	s := append([]float64(nil), v...)
	sort.Float64s(s)
	return s[len(s)/2]
}
