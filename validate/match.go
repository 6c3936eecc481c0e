package validate

import (
	"math"
	"regexp"
	"slices"
	"sort"

	"stuntcell/emulator"
	"stuntcell/emulator/link"
	"stuntcell/validate/logfile"
)

// match finds the reading that each data row belongs to (JUDGING.md, "Which reading a row belongs to"): the latest not
// after the row's emission that fits its tick; without a tick, the one that shows the row's clock second; without either,
// the reading that was answered. A row whose time column fits no reading belongs to the reading that was answered.
func (j *judge) match() {
	n := len(j.table.Rows)
	j.at = make([]int, n)
	j.fits = make([]bool, n)
	after := make([]int, n)
	last := len(j.rec.Readings.T) - 1
	for r, line := range j.table.Rows {
		after[r] = min(max(j.rec.Rows[line].After, 0), last)
		j.at[r] = after[r]
		if j.rec.Stream {
			after[r] = last
		}
	}
	if last < 0 {
		return
	}
	j.timesOfDay(after)
	j.rawCounter(after)
	j.bareCounter()
	j.tickColumn, j.clockColumn = j.column(logfile.Tick), j.column(logfile.Clock)
	matched := j.tickColumn != nil && j.matchTicks(j.tickColumn, after)
	if c := j.clockColumn; c != nil {
		// Rows that their tick has placed tell the zone better than the answered readings do.
		from := after
		if matched {
			from = j.at
		}
		j.zone, j.zoneKnown = j.findZone(c, from, matched)
		matched = matched || j.matchClock(c, after) && !j.clockDeceives(after)
	}
	// Of several readings in one second of the clock a finer time tells which.
	if c := j.column(logfile.Elapsed); c != nil && (!matched || !j.ticksFit && finest(c.Step) < 1) {
		j.matchElapsed(c, after)
	}
	if !j.ticksFit && len(j.logChanges) == 0 {
		j.matchCoarse(after)
	}
	if !matched && !j.rec.Stream {
		j.matchTriedAgain()
	}
}

// clockDeceives says that the clock of the rows placed many of them at readings that their own time since the start contradicts, while it agrees with
// the readings that they answered: then the clock is wrong and tells nothing of their place. They are back at those readings.
func (j *judge) clockDeceives(after []int) bool {
	c := j.column(logfile.Elapsed)
	if c == nil || j.rec.Stream || len(j.at) < unnamedRows {
		return false
	}
	fits, n := j.showsElapsed(c, after)
	placed, _ := j.showsElapsed(c, j.at)
	if float64(fits) < mostRows*float64(n) || 2*placed > n {
		return false
	}
	copy(j.at, after)
	clear(j.fits)
	return true
}

// matchTriedAgain places rows that were kept while the card took none, and written as they were when it did: what they show of the time that
// passed tells how old they are. Nothing else makes a time fall back, for one row, to where a failing card took it.
func (j *judge) matchTriedAgain() {
	c := j.column(logfile.Elapsed)
	if c == nil {
		return
	}
	s := j.series
	for r := 1; r+1 < len(j.at); r++ {
		from, to := j.at[r-1], j.at[r]
		if s.Life[from] != s.Life[to] {
			continue
		}
		passed, failed := 0.0, -1
		shown, at := c.Value[r]-c.Value[r-1], -1
		for k := from + 1; k <= to; k++ {
			if passed += s.TickDt[k]; math.Abs(passed-shown) <= s.Period/2+c.Step[r] {
				at = k
			}
			if failed < 0 && s.Flags[k]&emulator.CardFails != 0 {
				failed = k
			}
		}
		// The row behind it is of its own reading again.
		behind := c.Value[r+1] - c.Value[r-1] - passed
		for k := to + 1; k <= j.at[r+1]; k++ {
			behind -= s.TickDt[k]
		}
		if at >= failed && failed > 0 && at < to && math.Abs(behind) <= s.Period+2*c.Step[r] {
			j.at[r], j.fits[r] = at, true
		}
	}
}

// rawCounter takes a column that the reader took for elapsed time as the counter where it is that, in another unit, and wraps with it.
func (j *judge) rawCounter(after []int) {
	c := j.column(logfile.Elapsed)
	if c == nil || j.column(logfile.Tick) != nil || j.rec.Stream || j.series.Bits >= 63 {
		return
	}
	unit, mask := finest(c.Step), int64(1)<<uint(j.series.Bits)-1
	if math.IsInf(unit, 0) || unit <= 0 {
		return
	}
	fits, n, falls, last, life := 0, 0, false, 0.0, int16(-1)
	for r, v := range c.Value {
		if math.IsNaN(v) || !j.answered(r, after) {
			continue
		}
		falls = falls || j.lifeOfRow(r) == life && v < last
		last, life = v, j.lifeOfRow(r)
		n++
		if math.Abs(v-float64(j.rec.Readings.Tick[after[r]]&mask)/j.series.Hz) <= unit+1e-9 {
			fits++
		}
	}
	if !falls || float64(fits) < coarseFit*float64(n) {
		return
	}
	c.Kind, c.Scale = logfile.Tick, unit
	for r := range c.Value {
		c.Value[r], c.Step[r] = math.Round(c.Value[r]/unit), 1
	}
}

// bareCounter takes a column of time that names no unit, or Unix seconds that no word calls so, as the counter where its whole numbers are counts
// that readings have. Seconds are not: only one in so many counts is a reading's.
func (j *judge) bareCounter() {
	if j.column(logfile.Tick) != nil || j.series.Hz < 10 {
		return
	}
	mask := j.series.Mask()
	counts := make(map[float64]bool, len(j.rec.Readings.Tick))
	for _, t := range j.rec.Readings.Tick {
		counts[float64(t&mask)] = true
	}
	for i := range j.table.Columns {
		c := &j.table.Columns[i]
		if c.Kind != logfile.Elapsed && c.Kind != logfile.Clock || c.Channel > 1 || c.Kind == logfile.Elapsed && !c.Guessed || c.NoDate || c.Scale <= 0 || calledClock.MatchString(c.Header) {
			continue
		}
		raw := make([]float64, len(c.Value))
		fits, n := 0, 0
		for r, v := range c.Value {
			if raw[r] = math.NaN(); math.IsNaN(v) {
				continue
			}
			raw[r] = math.Round((v - c.Offset) / c.Scale)
			if n++; counts[raw[r]] && math.Abs(c.Step[r]/c.Scale-1) < 1e-9 {
				fits++
			}
		}
		if n < 2 || float64(fits) < coarseFit*float64(n) {
			continue
		}
		c.Kind, c.Unit, c.Scale, c.Offset, c.Guessed, c.Zoned = logfile.Tick, "", 0, 0, false, false
		for r := range raw {
			if c.Value[r] = raw[r]; !math.IsNaN(raw[r]) {
				c.Step[r] = 1
			}
		}
		return
	}
}

// calledClock finds the words of a header that promise a clock.
var calledClock = regexp.MustCompile(`(?i)unix|epoch|date|datum|clock|utc|stamp`)

// coarseFit is the share of rows that a grid must place in the printed unit of their time.
const coarseFit = 0.98

// matchCoarse places the rows of a log that came whole, or that were held back, where their printed times are too coarse to tell their
// readings: on the grid of the interval that agrees with the times, and of the grids that agree on the one whose readings are most like
// the values that the rows show.
func (j *judge) matchCoarse(after []int) {
	c := j.clockColumn
	clock := c != nil && j.clockFits
	if !clock {
		if c = j.column(logfile.Elapsed); c == nil {
			return
		}
	}
	unit := finest(c.Step)
	if math.IsInf(unit, 0) || j.log <= 0 || unit < j.series.Period || j.rec.Stream && unit <= 2*j.series.Period || !j.rec.Stream && !held(after) {
		return
	}
	printed := make([]int64, len(c.Value))
	for r, v := range c.Value {
		if math.IsNaN(v) {
			return
		}
		printed[r] = int64(math.Floor(v/unit + 1e-6))
	}
	life := j.rec.Readings.Life
	t := make([]float64, len(life)) // by the counter, as a logger has it
	for k := 1; k < len(t); k++ {
		t[k] = t[k-1] + j.series.TickDt[k]
	}
	for from := 0; from < len(printed); {
		to := from + 1
		for to < len(printed) && j.lifeOfRow(to) == j.lifeOfRow(from) {
			to++
		}
		first := sort.Search(len(t), func(k int) bool { return life[k] >= j.lifeOfRow(from) })
		if first == len(t) {
			return
		}
		var best []int
		for n, begin := range []float64{0, float64(j.rec.Readings.Tick[first]) / j.series.Hz, 0, float64(j.rec.Readings.Tick[first]) / j.series.Hz} {
			half := float64(n/2) / 2 // cut or rounded
			if clock && n > 0 {
				break
			}
			shows := func(k int) int64 {
				if clock {
					return floorDiv(j.shown(c, j.rec.Readings.Clock[k]+j.zone), int64(unit))
				}
				return int64(math.Floor((begin+t[k]-t[first])/unit + half + 1e-6))
			}
			if at := j.grid(from, printed[from:to], after[from:to], t, first, shows); at != nil && (best == nil || j.unlike(from, at) < j.unlike(from, best)) {
				best = at
			}
		}
		for i, k := range best {
			j.at[from+i], j.fits[from+i] = k, true
		}
		from = to
	}
}

// held says that rows were written together.
func held(after []int) bool {
	for r := 1; r < len(after); r++ {
		if after[r] == after[r-1] {
			return true
		}
	}
	return false
}

// grid places rows, the first of which is row from, an interval apart, none later than it was written, from the reading on that suits what
// they print and the values that they show best; nil if none does. The readings are those of a power-up that begins with the first.
func (j *judge) grid(from int, printed []int64, after []int, t []float64, first int, shows func(k int) int64) (best []int) {
	const most = 20_000_000 // places that are tried
	life := j.rec.Readings.Life
	end := sort.Search(len(t), func(k int) bool { return life[k] > life[first] })
	for first < end && shows(first) != printed[0] {
		first++
	}
	to := first
	for to < end && shows(to) == printed[0] {
		to++
	}
	stride := 1 + (to-first)*len(printed)/most
	least, fewest := math.Inf(1), int(float64(len(printed))*(1-coarseFit))
	for begin := first; begin < to; begin += stride {
		at, off, k, due := make([]int, len(printed)), 0, begin, t[begin]
		for r := range at {
			for k < end && (t[k] < due-1e-6 || !j.series.Good(k)) {
				k++
			}
			if k == end || k > after[r] {
				off = len(printed)
				break
			}
			if at[r] = k; shows(k) != printed[r] {
				off++
			}
			if late := t[k] + 1e-6 - due; late >= 0 {
				due += j.log * (math.Floor(late/j.log) + 1)
			}
		}
		if off > fewest {
			continue
		}
		if x := j.unlike(from, at); best == nil || off < fewest || x < least {
			best, least, fewest = at, x, off
		}
	}
	return best
}

// unlike is how far the values of the rows from one on are from those of the readings in which they are placed.
func (j *judge) unlike(from int, at []int) float64 {
	sum := 0.0
	for _, shown := range []struct {
		kind logfile.Kind
		of   []float64
		unit float64
	}{{logfile.Current, j.series.I, j.series.Amp}, {logfile.Voltage, j.series.V, j.series.Volt}} {
		c := j.column(shown.kind)
		if c == nil {
			continue
		}
		for i, k := range at {
			if d := math.Abs(math.Abs(c.Value[from+i])-math.Abs(shown.of[k])) / shown.unit; d > 0 { // nan is not
				sum += d
			}
		}
	}
	return sum
}

// clockWords are the words of a header that name a clock, not a duration.
var clockWords = regexp.MustCompile(`(?i)clock|unix|epoch|uhr|date|hora|heure`)

// timesOfDay takes a column that the reader took for elapsed time as a clock, where it shows what the clock's face does (the
// time of day in the user's zone or in UTC, or Unix seconds) and not the time that passed, and the log has no other clock.
// Where both fit its header decides, or how it begins: time that passed begins at nothing, or with the counter.
func (j *judge) timesOfDay(after []int) {
	if j.column(logfile.Clock) != nil {
		return
	}
	for i := range j.table.Columns {
		c := &j.table.Columns[i]
		if c.Kind != logfile.Elapsed {
			continue
		}
		elapsed, n := j.showsElapsed(c, after)
		for _, zone := range []int64{j.rec.Greeting.ZoneMin * 60, 0} {
			whole := j.showsFace(c, after, func(unix int64) int64 { return unix + zone })
			fits := whole
			if c.MayBeClock {
				fits = max(fits, j.showsFace(c, after, func(unix int64) int64 { return ((unix+zone)%86400 + 86400) % 86400 }))
			}
			if 2*fits > len(c.Value) && (elapsed < n || clockWords.MatchString(c.Header) || fits == n && !j.beginsElapsed(c)) {
				c.Kind, c.NoDate, c.Zoned = logfile.Clock, fits > whole, fits == whole && zone == 0
				return
			}
		}
		if !c.MayBeClock || j.beginsElapsed(c) {
			continue
		}
		// It may show the time of another zone.
		of := *c
		of.Kind, of.NoDate = logfile.Clock, true
		zone, _ := j.streamZone(&of, 0)
		if fits := j.showsFace(c, after, func(unix int64) int64 { return j.shown(&of, unix+zone) }); fits > 0 && fits == len(c.Value) {
			c.Kind, c.NoDate = logfile.Clock, true
			return
		}
	}
}

// beginsElapsed says that the first time of a column is near zero, or near what the counter showed first.
func (j *judge) beginsElapsed(c *logfile.Column) bool {
	near := j.log + 60
	for _, v := range c.Value {
		if !math.IsNaN(v) {
			return v < near || math.Abs(v-float64(j.rec.Readings.Tick[0])/j.series.Hz) < near
		}
	}
	return true
}

// showsFace counts the rows whose second was on the clock's face at a reading of their power-up that was there by then.
func (j *judge) showsFace(c *logfile.Column, after []int, shown func(unix int64) int64) int {
	type second struct {
		life int16
		at   int64
	}
	seen := map[second]int{}
	for k, f := range j.rec.Readings.Clock {
		at := second{j.rec.Readings.Life[k], shown(f)}
		if _, ok := seen[at]; !ok && f != link.NoClock {
			seen[at] = k
		}
	}
	n := 0
	for r, v := range c.Value {
		if math.IsNaN(v) {
			continue
		}
		if k, ok := seen[second{j.lifeOfRow(r), int64(math.Floor(v))}]; ok && k <= after[r] {
			n++
		}
	}
	return n
}

// answered says that row r is surely of the reading that was being answered: the last of those that were written together.
func (j *judge) answered(r int, after []int) bool {
	return j.rec.Stream || r+1 == len(after) || after[r+1] != after[r]
}

// showsElapsed counts the rows in which a column shows the time that passed since the first row of each power-up, to half a
// percent, of the n that could show it. The last of some that were written together may be an interval older than the reading that was
// being answered: something else than a full buffer had them written. In a log that came whole nothing says when a row was written: there
// it must not fall, nor grow beyond the run.
func (j *judge) showsElapsed(c *logfile.Column, after []int) (fits, n int) {
	t := j.rec.Readings.T
	first, last, begin, life, firstAge := math.NaN(), math.Inf(-1), int64(0), int16(-1), 0.0
	for r, v := range c.Value {
		if math.IsNaN(v) || !j.answered(r, after) {
			continue
		}
		if !j.rec.Stream && j.rec.Readings.Life[after[r]] != j.lifeOfRow(r) {
			continue // written at power-up, before there was a reading
		}
		age := 0.0 // at most
		if r > 0 && after[r-1] == after[r] {
			age = j.log
		}
		if l := j.lifeOfRow(r); l != life {
			first, begin, life, firstAge = v, t[after[r]], l, age
		}
		n++
		if j.rec.Stream {
			if d := v - first; v >= last && d <= 1+j.series.Period+1.005*lasted(j.rec) {
				fits++
			}
			last = v
			continue
		}
		d := float64(t[after[r]]-begin) * 1e-9
		if late, slack := v-first-d, 1+j.series.Period+0.005*d; late >= -slack-age && late <= slack+firstAge {
			fits++
		}
	}
	return fits, n
}

// column returns the first column of a kind on channel 1, nil if there is none.
func (j *judge) column(k logfile.Kind) *logfile.Column {
	for i := range j.table.Columns {
		if c := &j.table.Columns[i]; c.Kind == k && c.Channel <= 1 {
			return c
		}
	}
	return nil
}

// counts converts a printed tick to counts of the rig's counter. A unit of time is converted at the nominal rate.
func (j *judge) counts(c *logfile.Column, v float64) (int64, bool) {
	if c.Scale > 0 {
		v *= c.Scale * j.series.Hz
	}
	if math.IsNaN(v) || math.Abs(v) > 1<<62 {
		return 0, false
	}
	return int64(math.Round(v)), true
}

// matchTicks matches by tick and reports whether nearly all rows fit a reading. The column may count from the first
// reading instead of from the counter's zero, so a constant difference is allowed.
func (j *judge) matchTicks(c *logfile.Column, after []int) bool {
	mask := j.series.Mask()
	ticks := j.rec.Readings.Tick
	shown := newShownTicks(ticks, mask)
	// A time printed from a counter of another rate is cut or rounded to its own unit.
	slack := int64(0)
	if per := c.Scale * j.series.Hz; per > 1 {
		slack = int64(per)
	} else if c.Scale > 0 && math.Abs(per-1) > 1e-9 {
		slack = 1
	}
	latest := func(v, off int64, from int, slack int64) int {
		low, high := (v+off-slack)&mask, (v+off+slack)&mask
		switch {
		case slack > mask/2:
			return shown.latest(0, mask, from)
		case low > high:
			return max(shown.latest(low, mask, from), shown.latest(0, high, from))
		}
		return shown.latest(low, high, from)
	}
	find := func(v, off int64, from int) (k int, exact bool) {
		if k = latest(v, off, from, slack); k < 0 && slack == 0 && c.Scale > 0 { // a time that was made of seconds and cut may be one less than the count
			return latest(v, off, from, 1), false
		}
		return k, true
	}
	// A column that counts from the first reading counts anew after a power cut, so that each power-up has its own difference.
	best := make([]int, len(c.Value))
	rowsOf := map[int16][]int{}
	of, rows := int16(0), make([]int, 0, len(c.Value))
	for r := range c.Value {
		best[r] = -1
		if life := j.lifeOfRow(r); life != of {
			rowsOf[of] = rows
			of, rows = life, rowsOf[life]
		}
		rows = append(rows, r)
	}
	rowsOf[of] = rows
	j.tickOffset = map[int16]int64{}
	bestFit := 0
	for life, rows := range rowsOf {
		if len(rows) == 0 {
			continue
		}
		offs := []int64{0}
		if k := sort.Search(len(ticks), func(k int) bool { return j.rec.Readings.Life[k] >= life }); k < len(ticks) {
			offs = append(offs, ticks[k]&mask)
		}
		for _, r := range []int{rows[0], rows[len(rows)/2], rows[len(rows)-1]} {
			if n, ok := j.counts(c, c.Value[r]); ok {
				offs = append(offs, (ticks[after[r]]-n)&mask)
			}
		}
		most, mostExact := -1, 0
		at := make([]int, len(rows))
		for n, off := range offs {
			if mostExact == len(rows) || slices.Contains(offs[:n], off) {
				continue // nothing fits better than all: where readings come evenly, any whole number of them does
			}
			fit, exact := 0, 0
			for i, r := range rows {
				at[i] = -1
				n, ok := j.counts(c, c.Value[r])
				if !ok {
					continue
				}
				// Rows of another power-up than the reading's belong to readings of their own.
				if k, same := find(n, off, after[r]); k >= 0 && j.rec.Readings.Life[k] == life {
					at[i] = k
					if fit++; same {
						exact++
					}
				}
			}
			if fit > most || fit == most && exact > mostExact {
				most, mostExact, j.tickOffset[life] = fit, exact, off
				for i, r := range rows {
					best[r] = at[i]
				}
			}
		}
		bestFit += most
	}
	valid := 0
	for r, k := range best {
		if _, ok := j.counts(c, c.Value[r]); ok {
			valid++
		}
		if k >= 0 {
			j.at[r], j.fits[r] = k, true
		}
	}
	j.ticksFit = valid > 0 && bestFit*10 >= valid*8
	if !j.ticksFit {
		// The column is no counter that the readings show: match by other means.
		for r := range j.at {
			j.at[r], j.fits[r] = after[r], false
		}
	}
	return j.ticksFit
}

// shownTicks finds readings by what their counter showed. The counts rise but at wraps and restarts. A few stretches between these are
// looked through one by one; of many the readings are put in order.
type shownTicks struct {
	ticks   []int64
	mask    int64
	stretch []int   // first reading of each stretch, and their number
	order   []int32 // readings, by the count shown, then by age; nil: few stretches
}

// fewStretches are so few that searching each takes less than putting their readings in order.
const fewStretches = 16

func newShownTicks(ticks []int64, mask int64) *shownTicks {
	s := &shownTicks{ticks: ticks, mask: mask, stretch: []int{0}}
	for k := 1; k < len(ticks); k++ {
		if ticks[k]&mask < ticks[k-1]&mask {
			s.stretch = append(s.stretch, k)
		}
	}
	s.stretch = append(s.stretch, len(ticks))
	if len(s.stretch) > fewStretches {
		s.sort()
	}
	return s
}

// sort merges the stretches, neighbours first, so that the older comes first of equals.
func (s *shownTicks) sort() {
	all := make([]int32, len(s.ticks))
	for k := range all {
		all[k] = int32(k)
	}
	runs := make([][]int32, len(s.stretch)-1)
	for i := range runs {
		runs[i] = all[s.stretch[i]:s.stretch[i+1]]
	}
	for len(runs) > 1 {
		for i := 0; i < len(runs); i += 2 {
			if i+1 < len(runs) {
				runs[i/2] = s.merged(runs[i], runs[i+1])
			} else {
				runs[i/2] = runs[i]
			}
		}
		runs = runs[:(len(runs)+1)/2]
	}
	s.order = runs[0]
}

// merged merges two ordered stretches, of which a is older.
func (s *shownTicks) merged(a, b []int32) []int32 {
	out := make([]int32, 0, len(a)+len(b))
	for len(a) > 0 && len(b) > 0 {
		if s.ticks[b[0]]&s.mask < s.ticks[a[0]]&s.mask {
			out, b = append(out, b[0]), b[1:]
		} else {
			out, a = append(out, a[0]), a[1:]
		}
	}
	return append(append(out, a...), b...)
}

// latest is the latest reading up to from that showed a count from low to high; -1 if there is none.
func (s *shownTicks) latest(low, high int64, from int) int {
	if s.order != nil {
		return s.latestSorted(low, high, from)
	}
	for i := len(s.stretch) - 2; i >= 0; i-- {
		shown := s.ticks[s.stretch[i]:max(s.stretch[i], min(s.stretch[i+1], from+1))]
		if n := sort.Search(len(shown), func(q int) bool { return shown[q]&s.mask > high }); n > 0 && shown[n-1]&s.mask >= low {
			return s.stretch[i] + n - 1
		}
	}
	return -1
}

func (s *shownTicks) latestSorted(low, high int64, from int) int {
	// after is the place of the first reading that showed more than a count, or the same later than a reading.
	after := func(count int64, k int) int {
		return sort.Search(len(s.order), func(i int) bool {
			c := s.ticks[s.order[i]] & s.mask
			return c > count || c == count && int(s.order[i]) > k
		})
	}
	best := -1
	for i := after(low-1, len(s.ticks)); i < len(s.order); {
		count := s.ticks[s.order[i]] & s.mask
		if count > high {
			break
		}
		if last := after(count, from); last > i {
			best = max(best, int(s.order[last-1]))
		}
		i = after(count, len(s.ticks))
	}
	return best
}

// lifeOfRow is the number of power-ups before the row was written.
func (j *judge) lifeOfRow(r int) int16 { return j.rec.Rows[j.table.Rows[r]].Life }

// findZone finds the one fixed zone, in quarter hours, that brings most printed times to the clock's face. The user's own
// zone and UTC go first where as many rows fit.
func (j *judge) findZone(c *logfile.Column, after []int, sure bool) (zone int64, known bool) {
	votes := map[int64]int{}
	face := j.rec.Readings.Clock
	for r, v := range c.Value {
		if math.IsNaN(v) || face[after[r]] == link.NoClock {
			continue
		}
		// Of rows written together only the last one is surely of the answered reading.
		if !sure && r+1 < len(after) && after[r+1] == after[r] && !j.rec.Stream {
			continue
		}
		d := int64(math.Floor(v)) - face[after[r]]
		if c.NoDate {
			d = j.shown(c, d)
			if d > 14*3600 {
				d -= 86400
			}
		}
		q := int64(math.Round(float64(d)/900)) * 900
		if abs(d-q) <= 60 && abs(q) <= 14*3600 {
			votes[q]++
		}
	}
	if c.Zoned {
		return 0, true
	}
	user := j.rec.Greeting.ZoneMin * 60
	best, most := user, votes[user]
	for _, z := range sortedKeys(votes) {
		if votes[z] > most {
			best, most = z, votes[z]
		}
	}
	if j.rec.Stream && !sure {
		return j.streamZone(c, user)
	}
	return best, most > 0
}

// streamZone finds the zone of a log that came whole: the first printed time that a reading shows settles it.
func (j *judge) streamZone(c *logfile.Column, user int64) (int64, bool) {
	faces := map[int64]bool{}
	for _, f := range j.rec.Readings.Clock {
		faces[j.shown(c, f)] = true
	}
	best, most := user, 0
	for q := int64(-56); q <= 56; q++ {
		z, n := q*900, 0
		for _, v := range c.Value {
			if !math.IsNaN(v) && faces[j.shown(c, int64(math.Floor(v))-z)] {
				n++
			}
		}
		if n > most || n == most && n > 0 && (z == user || z == 0 && best != user) {
			best, most = z, n
		}
	}
	return best, most > 0
}

// matchClock matches by the clock's second, searching backwards from the row's emission.
func (j *judge) matchClock(c *logfile.Column, after []int) bool {
	face := j.rec.Readings.Clock
	// A time without seconds shows the minute: the latest reading in it that was there by then.
	unit := int64(1)
	if finest(c.Step) >= 60 {
		unit = 60
	}
	bySecond := map[int64][]int{}
	for k, f := range face {
		s := floorDiv(j.shown(c, f), unit)
		bySecond[s] = append(bySecond[s], k)
	}
	shows := func(v float64) []int { return bySecond[floorDiv(j.shown(c, int64(math.Floor(v))-j.zone), unit)] }
	turned, by := len(c.Value), 0.0
	if j.rec.Stream {
		turned, by = j.zoneTurns(c, shows)
	}
	fit, valid, last := 0, 0, 0
	for r, v := range c.Value {
		if r >= turned {
			v -= by
		}
		var ks []int
		if !math.IsNaN(v) {
			valid++
			ks = shows(v)
		}
		if len(ks) == 0 && j.rec.Stream {
			// A time that no reading shows, or none at all: its place among the others is left.
			j.at[r] = j.due(last)
			last = j.at[r]
			continue
		}
		if i := sort.SearchInts(ks, after[r]+1); i > 0 {
			k := ks[i-1]
			switch ks = ks[:i]; {
			case j.rec.Stream:
				k = j.next(ks, last)
				last = max(k, last)
			case !j.answered(r, after) && (j.shownTwice(ks) || len(ks) > 1 && len(j.logChanges) > 0): // rows that were held back come in the order in which they were made
				if r > 0 && j.fits[r-1] && j.lifeOfRow(r-1) == j.lifeOfRow(r) {
					k = j.next(ks, j.at[r-1])
				} else if life := j.rec.Readings.Life; r == 0 || j.lifeOfRow(r-1) != j.lifeOfRow(r) {
					first := sort.Search(len(life)-1, func(k int) bool { return life[k] >= j.lifeOfRow(r) })
					if k = j.next(ks, first); slices.Contains(ks, first) {
						k = first // due at once, as most have it
					}
				}
			}
			if j.rec.Readings.Life[k] != j.lifeOfRow(r) {
				continue
			}
			// The clock may have shown this second twice, before and after it was set back: prefer the reading that was answered.
			j.at[r], j.fits[r] = k, true
			fit++
		}
	}
	fit -= j.stuckClock(c, after)
	j.clockFits = valid > 0 && fit*10 >= valid*8
	if !j.clockFits {
		for r := range j.at {
			j.at[r], j.fits[r] = min(max(j.rec.Rows[j.table.Rows[r]].After, 0), len(face)-1), false
		}
	}
	return j.clockFits
}

// due is the reading at which the row after that of reading k is due.
func (j *judge) due(k int) int {
	t := j.rec.Readings.T
	at := t[k] + int64(j.log*1e9)
	return min(sort.Search(len(t), func(i int) bool { return t[i] >= at }), len(t)-1)
}

// zoneTurns finds the row of a log that came whole from which on its times are an hour ahead or behind, as those of a wall clock are when
// summer time begins or ends: of the rows at whose step that may have been, the one with which most rows stand in the order of their
// readings. Without one it is a row behind the last.
func (j *judge) zoneTurns(c *logfile.Column, shows func(v float64) []int) (row int, by float64) {
	ordered := func(from int, by float64) int {
		n, last := 0, -1
		for r, v := range c.Value {
			if r >= from {
				v -= by
			}
			if math.IsNaN(v) {
				continue
			}
			ks := shows(v)
			if i := sort.SearchInts(ks, last+1); i < len(ks) {
				n, last = n+1, j.next(ks, max(last, 0))
			}
		}
		return n
	}
	row, most := len(c.Value), ordered(len(c.Value), 0)
	for r, tried := 1, 0; r < len(c.Value) && tried < 8; r++ {
		step := c.Value[r] - c.Value[r-1] - j.log
		if c.NoDate {
			step = math.Remainder(step, 86400)
		}
		turn := math.Copysign(3600, step)
		if !(math.Abs(step-turn) <= j.log/2+2*j.series.Period) {
			continue
		}
		tried++
		if n := ordered(r, turn); n > most {
			row, by, most = r, turn, n
		}
	}
	return row, by
}

// next is which of some readings a row of a log that came whole is of, when the one before was of reading last: a clock that was set back
// shows a second twice, so it is the one nearest to an interval later, and the latest where all are earlier.
func (j *judge) next(ks []int, last int) int {
	ks = ks[min(sort.SearchInts(ks, last), len(ks)-1):]
	t := j.rec.Readings.T
	due := t[last] + int64(j.logBetween(last, ks[len(ks)-1])[0]*1e9)
	i := sort.Search(len(ks), func(i int) bool { return t[ks[i]] >= due })
	if i == len(ks) || i > 0 && due-t[ks[i-1]] < t[ks[i]]-due {
		i--
	}
	return ks[max(i, 0)]
}

// finest is the smallest printed unit of a column, +Inf without a value.
func finest(step []float64) float64 {
	least := math.Inf(1)
	for _, s := range step {
		if s < least { // NaN is not
			least = s
		}
	}
	return least
}

// shownTwice says that readings which show one second of the clock, or one minute, are apart: it was set back between them.
func (j *judge) shownTwice(ks []int) bool {
	for i, k := range ks {
		if i > 0 && k > ks[i-1]+1 {
			return true
		}
	}
	return false
}

// stuckClock takes back the match of rows that go on showing one second while readings pass, and counts them: such a clock places
// nothing.
func (j *judge) stuckClock(c *logfile.Column, after []int) int {
	if j.rec.Stream || j.log < 1 {
		return 0
	}
	n := 0
	for from := 0; from < len(c.Value); {
		to := from + 1
		for to < len(c.Value) && math.Floor(c.Value[to]) == math.Floor(c.Value[from]) && j.lifeOfRow(to) == j.lifeOfRow(from) {
			to++
		}
		// Two rows of one second may come where something switched; three that were written at readings apart may not.
		if t := j.rec.Readings.T; to-from > 2 && float64(t[after[to-1]]-t[after[from]])*1e-9 > 2*j.log+c.Step[from] {
			for r := from + 1; r < to; r++ {
				if j.fits[r] {
					n++
				}
				j.at[r], j.fits[r] = after[r], false
			}
		}
		from = to
	}
	return n
}

// matchElapsed matches rows that were held back by their elapsed time, where the log has no better column. It counts from
// the first reading or from the counter's zero, whichever fits more rows; where neither fits, the answered reading stands.
func (j *judge) matchElapsed(c *logfile.Column, after []int) {
	if len(c.Value) == 0 || !j.rec.Stream && !held(after) {
		return
	}
	n := len(j.rec.Readings.T)
	times := make([]float64, n)
	for k := 1; k < n; k++ {
		times[k] = times[k-1] + j.series.TickDt[k]
	}
	face := j.rec.Readings.Clock
	best, bestFit := []int(nil), -1
	began := false // the best has a reading for the first row: in a log that came whole nothing else tells from where it counts
	// What is printed is rounded, by up to half a unit, or cut, by up to one.
	offsets := []float64{0, j.series.FirstTick, 0, j.series.FirstTick}
	if j.rec.Stream && !math.IsNaN(c.Value[0]) {
		offsets = append(offsets, c.Value[0]) // or from an instant of its own, such as the one at which the load was closed
	}
	for i, off := range offsets {
		reach := func(unit float64) float64 { return unit/2 + 1e-6 }
		if i >= 2 {
			reach = func(unit float64) float64 { return unit - 1e-6 }
		}
		at, fit := make([]int, len(c.Value)), 0
		for r, v := range c.Value {
			at[r] = -1
			if math.IsNaN(v) {
				continue
			}
			step := max(c.Step[r], j.series.Period/2)
			// After a power cut it counts anew.
			life := j.lifeOfRow(r)
			first := sort.Search(n, func(k int) bool { return j.rec.Readings.Life[k] >= life })
			if first == n {
				continue
			}
			base := off - times[first]
			if life > 0 && off != 0 {
				base = float64(j.rec.Readings.Tick[first])/j.series.Hz - times[first]
			}
			k := min(sort.SearchFloat64s(times, v-base+reach(c.Step[r]))-1, after[r])
			far := func() bool { return k < first || math.Abs(times[k]+base-v) > step+2e-6 }
			if far() && k < after[r] && times[k+1]+base-v <= reach(c.Step[r])+2e-6 {
				k++ // a sum of fractions that falls short of a whole second by nothing is cut to the one before
			}
			shown := !j.fits[r] || k >= 0 && face[k] == face[j.at[r]] // by the clock, where there is one
			if !far() && shown {
				at[r] = k
				fit++
			}
		}
		if begins := !j.rec.Stream || at[0] >= 0; begins && !began || begins == began && fit > bestFit {
			best, bestFit, began = at, fit, begins
		}
	}
	if bestFit*10 < len(c.Value)*8 {
		return
	}
	for r, k := range best {
		if k >= 0 {
			j.at[r], j.fits[r] = k, true
		} else if j.rec.Stream && r > 0 && !j.fits[r] { // its place among the others is left
			j.at[r] = j.due(j.at[r-1])
		}
	}
}

// shown is what a clock column can show of an instant: all of it, or the time of day.
func (j *judge) shown(c *logfile.Column, unix int64) int64 {
	if c.NoDate {
		return ((unix % 86400) + 86400) % 86400
	}
	return unix
}

func abs(x int64) int64 {
	if x < 0 {
		return -x
	}
	return x
}

func sortedKeys(m map[int64]int) []int64 {
	ks := make([]int64, 0, len(m))
	for k := range m {
		ks = append(ks, k)
	}
	sort.Slice(ks, func(a, b int) bool { return ks[a] < ks[b] })
	return ks
}
