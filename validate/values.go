package validate

import (
	"fmt"
	"math"
	"sort"

	"stuntcell/validate/cause"
	"stuntcell/validate/logfile"
	"stuntcell/validate/verdict"
)

// envelopeSpan is how far back a row's values may reach: 30 s or the log interval, whichever is longer.
const envelopeSpan = 30.0

// envelopeReadings is the least number of readings that the envelope holds, so that a smoother over several readings is
// healthy on a slow rig too.
const envelopeReadings = 24

// smootherTail is the share of what was before the span that a smoothed value may still show: exp(-3).
const smootherTail = 0.05

// valueColumn is a column of momentary values beside its allowances.
type valueColumn struct {
	col    *logfile.Column
	unit   float64 // one count [V, A, W]
	signed bool    // the column shows both signs, or the readings never do
	sign   float64
	scale  float64 // of a column that names no unit: what its values must be multiplied with
	// low and high are the range that each row may show, NaN where no good reading came.
	low, high []float64
}

// checkValues makes the check values: each printed voltage, current and power against the envelope of the readings of the last
// 30 s or log interval, or since the row before if that is longer, within one count and one printed unit. Adding the burden back is healthy.
func (j *judge) checkValues() {
	chk := verdict.Check{Name: "values"}
	worst := math.Inf(-1)
	seen, bad := false, false
	for i := range j.table.Columns {
		tc := &j.table.Columns[i]
		if tc.Channel > 1 || tc.Kind != logfile.Voltage && tc.Kind != logfile.Current && tc.Kind != logfile.Power || allMissing(tc.Value) {
			continue
		}
		vc := j.valueColumn(tc)
		res := vc.residuals()
		ok := true
		for r, x := range res {
			if math.IsNaN(x) {
				continue
			}
			seen = true
			excess := math.Abs(x) - vc.unit - tc.Step[r]*vc.scale
			if excess > 1e-9 {
				ok = false
			}
			// Volts and amperes are not compared with each other but in their own counts.
			if excess/vc.unit > worst {
				worst = excess / vc.unit
				row, v := r+1, x
				lim := vc.unit + tc.Step[r]*vc.scale
				low := -lim
				chk.Value, chk.LimitLow, chk.LimitHigh, chk.Row = &v, &low, &lim, &row
				chk.Unit = map[logfile.Kind]string{logfile.Voltage: "V", logfile.Current: "A", logfile.Power: "W"}[tc.Kind]
				chk.Detail = fmt.Sprintf("column %q", tc.Header)
			}
		}
		j.values = append(j.values, cause.Value{Column: tc, Residual: res, Sign: vc.sign, Count: vc.unit, OK: ok})
		bad = bad || !ok
	}
	if !seen {
		chk = verdict.Check{Name: "values", Skipped: "the log has no column of volts, amperes or watts"}
	} else {
		ok := !bad
		chk.Pass = &ok
	}
	j.checks = append(j.checks, chk)
}

// goesWith is the sign in which a column of amperes or watts goes with its readings.
func (j *judge) goesWith(tc *logfile.Column) float64 {
	sum := 0.0
	for r, v := range tc.Value {
		if k := j.at[r]; !math.IsNaN(v) && j.series.Good(k) {
			sum += v * j.series.I[k]
		}
	}
	if sum < 0 {
		return -1
	}
	return 1
}

// valueColumn finds a column's own fixed sign (and the unit of one that names none).
func (j *judge) valueColumn(tc *logfile.Column) valueColumn {
	vc := valueColumn{col: tc, sign: 1, scale: 1}
	switch tc.Kind {
	case logfile.Voltage:
		vc.unit = j.series.Volt
	case logfile.Current:
		vc.unit = j.series.Amp
	default:
		vc.unit = j.series.Amp * j.maxAbs(logfile.Voltage)
	}
	vc.unit = max(vc.unit, 1e-9)
	negative := false
	for _, v := range tc.Value {
		negative = negative || v < 0
	}
	scales := []float64{1}
	if tc.Guessed {
		scales = append(scales, 1e-3)
	}
	// Where a column is wrong in both signs, it is meant in the one in which it goes with its readings.
	way := j.goesWith(tc)
	signs := []float64{way, -way}
	if tc.Kind == logfile.Voltage {
		signs = []float64{1}
	}
	vc.signed = negative || tc.Kind == logfile.Voltage
	vc.low, vc.high = j.envelopes(vc)
	best, c := math.Inf(1), vc
	for _, c.scale = range scales {
		for _, c.sign = range signs {
			if n := c.misses(); n < best {
				best, vc.scale, vc.sign = n, c.scale, c.sign
			}
		}
	}
	return vc
}

// misses counts the rows outside their envelope.
func (vc *valueColumn) misses() float64 {
	n := 0.0
	for r, x := range vc.residuals() {
		if !math.IsNaN(x) && math.Abs(x) > vc.unit+vc.col.Step[r]*vc.scale+1e-9 {
			n++
		}
	}
	return n
}

// maxAbs is the largest reading of a kind.
func (j *judge) maxAbs(k logfile.Kind) float64 {
	m := 0.0
	for i := range j.series.V {
		x := j.series.V[i]
		if k == logfile.Current {
			x = j.series.I[i]
		}
		if a := math.Abs(x); a > m {
			m = a
		}
	}
	return m
}

// residuals is how far each printed value lies outside the envelope of its readings, 0 inside, NaN without a value.
func (vc *valueColumn) residuals() []float64 {
	res := make([]float64, len(vc.low))
	for r := range res {
		v := vc.col.Value[r] * vc.scale
		if math.IsNaN(v) || math.IsNaN(vc.low[r]) {
			res[r] = math.NaN()
			continue
		}
		v *= vc.sign
		if !vc.signed {
			v = math.Abs(v)
		}
		switch {
		case v < vc.low[r]:
			res[r] = v - vc.low[r]
		case v > vc.high[r]:
			res[r] = v - vc.high[r]
		}
	}
	return res
}

// envelopes is the range that each row may show, NaN where no good reading came.
func (j *judge) envelopes(vc valueColumn) (low, high []float64) {
	low, high = make([]float64, len(j.at)), make([]float64, len(j.at))
	e := j.newEnvelope(vc)
	for r := range j.at {
		lo, hi, ok := e.at(r)
		if !ok {
			lo, hi = math.NaN(), math.NaN()
		}
		low[r], high[r] = lo, hi
	}
	return low, high
}

// envelope gives, for each row, the range of the readings that it may show.
type envelope struct {
	j     *judge
	lo    *extrema // of what each reading may be shown as
	good  []int    // good readings before each one
	first []int    // first reading of each one's power-up
}

// newEnvelope prepares the readings of a column's kind. A voltage may have burden and lead drop added back.
func (j *judge) newEnvelope(vc valueColumn) *envelope {
	s := j.series
	n := s.Len()
	e := &envelope{j: j, good: make([]int, n+1), first: make([]int, n)}
	lo, hi := make([]float64, n), make([]float64, n)
	burden := float64(j.rec.Greeting.ShuntNohm)*1e-9 + j.sc.Setup.Rig.Wiring.Lead
	for k := range n {
		if k > 0 && s.Life[k] == s.Life[k-1] {
			e.first[k] = e.first[k-1]
		} else {
			e.first[k] = k
		}
		e.good[k+1] = e.good[k]
		lo[k], hi[k] = math.Inf(1), math.Inf(-1)
		if !s.Good(k) {
			continue
		}
		e.good[k+1]++
		i, v := s.I[k], s.V[k]
		var a, b float64
		switch vc.col.Kind {
		case logfile.Current:
			a, b = i, i
		case logfile.Power:
			a, b = i*v, i*(v-i*burden)
		default:
			a, b = v, v-i*burden
		}
		if !vc.signed {
			a, b = math.Abs(a), math.Abs(b)
		}
		lo[k], hi[k] = min(a, b), max(a, b)
	}
	e.lo = newExtrema(lo, hi)
	return e
}

// start is the first reading of a window that ends with reading k and holds so many seconds and so many good readings.
func (e *envelope) start(k int, seconds float64, readings int) int {
	t := e.j.rec.Readings.T
	from := sort.Search(k, func(q int) bool { return t[q] >= t[k]-int64(seconds*1e9) }) - 1
	if have := e.good[k+1] - readings; have >= 0 {
		from = min(from, sort.SearchInts(e.good[:k+1], have+1)-1)
	} else {
		from = 0
	}
	return max(from, e.first[k])
}

// at is the range that row r may show; false if no good reading came.
func (e *envelope) at(r int) (lo, hi float64, ok bool) {
	k := e.j.at[r]
	back := max(envelopeSpan, e.j.logAt(r))
	if r > 0 && e.j.at[r-1] < k && e.j.series.Life[e.j.at[r-1]] == e.j.series.Life[k] {
		// A row stands for the time since the one before, and that is longer where rows were lost.
		back = max(back, float64(e.j.rec.Readings.T[k]-e.j.rec.Readings.T[e.j.at[r-1]])*1e-9)
	}
	lo, hi = e.lo.over(e.start(k, back, envelopeReadings), k)
	if hi < lo {
		return 0, 0, false
	}
	// A first-order smoother whose time constant is a third of the span still shows 5 % of what was before it.
	farLo, farHi := e.lo.over(e.start(k, 4*back, 4*envelopeReadings), k)
	return lo - smootherTail*(lo-farLo), hi + smootherTail*(farHi-hi), true
}

// extrema answers for the least and the greatest of a stretch of readings, by blocks.
type extrema struct{ lo, hi, blockLo, blockHi []float64 }

const extremaBlock = 64

func newExtrema(lo, hi []float64) *extrema {
	n := (len(lo) + extremaBlock - 1) / extremaBlock
	x := &extrema{lo: lo, hi: hi, blockLo: make([]float64, n), blockHi: make([]float64, n)}
	for b := range n {
		x.blockLo[b], x.blockHi[b] = math.Inf(1), math.Inf(-1)
		for k := b * extremaBlock; k < min((b+1)*extremaBlock, len(lo)); k++ {
			x.blockLo[b], x.blockHi[b] = min(x.blockLo[b], lo[k]), max(x.blockHi[b], hi[k])
		}
	}
	return x
}

// over is the least and the greatest from reading a to reading b, both included.
func (x *extrema) over(a, b int) (lo, hi float64) {
	lo, hi = math.Inf(1), math.Inf(-1)
	for k := a; k <= b; {
		if k%extremaBlock == 0 && k+extremaBlock-1 <= b {
			q := k / extremaBlock
			lo, hi = min(lo, x.blockLo[q]), max(hi, x.blockHi[q])
			k += extremaBlock
			continue
		}
		lo, hi = min(lo, x.lo[k]), max(hi, x.hi[k])
		k++
	}
	return lo, hi
}

// logAt is the log interval in force at row r, the longer one around a change [s].
func (j *judge) logAt(r int) float64 {
	l := j.log
	for _, c := range j.logChanges {
		if c.reading <= j.at[r] {
			l = max(c.after, 0)
			if j.at[r]-c.reading < int(c.before/max(j.series.Period, 1e-3))+2 {
				l = max(l, c.before)
			}
		}
	}
	return l
}

// checkFresh makes the check fresh: rows that equal a reading two or more older, and never the newest, across a load step.
// For each lag it looks at the rows whose reading is just that many after a step: all newer readings show the new load.
func (j *judge) checkFresh() {
	tested := false
	for vi := range j.values {
		v := &j.values[vi]
		// A column that is wrong between the load steps as well is not late but wrong: its rows equal old readings by chance.
		if !v.OK && j.mostlyWrong(v) {
			continue
		}
		// A clock's second holds several readings of a fast loop: nobody can tell which one a row shows.
		if v.Column.Kind != logfile.Current || j.placing() > j.series.Period {
			continue
		}
		for lag := 2; lag <= 12; lag++ {
			stale, fresh, first := j.freshness(v, lag)
			tested = tested || stale+fresh > 0
			if stale == 0 || fresh > 0 || j.staleLag != 0 {
				continue
			}
			j.staleLag, j.staleRow, j.staleRows = lag, first, stale
		}
	}
	if !tested {
		j.checks = append(j.checks, verdict.Check{Name: "fresh", Skipped: "no row right after a load step"})
		return
	}
	n, zero, ok := float64(j.staleRows), 0.0, j.staleRows == 0
	chk := verdict.Check{Name: "fresh", Unit: "rows", Value: &n, LimitHigh: &zero, Pass: &ok}
	if !ok {
		row := j.staleRow + 1
		chk.Row = &row
	}
	j.checks = append(j.checks, chk)
}

// mostlyWrong says that more than a quarter of a column's rows lie outside the envelope of their readings.
func (j *judge) mostlyWrong(v *cause.Value) bool {
	wrong, all := 0, 0
	for r, x := range v.Residual {
		if math.IsNaN(x) {
			continue
		}
		if all++; math.Abs(x) > v.Count+v.Column.Step[r] {
			wrong++
		}
	}
	return 4*wrong > all
}

// freshness counts the rows so many readings after a load step that still show the old load, and those that show the new.
func (j *judge) freshness(v *cause.Value, lag int) (stale, fresh, first int) {
	first = -1
	magnitude := !j.showsSign(v.Column)
	at := func(k int) float64 {
		if magnitude {
			return math.Abs(j.series.I[k])
		}
		return j.series.I[k] * v.Sign
	}
	for r, k := range j.at {
		x := v.Column.Value[r]
		if magnitude {
			x = math.Abs(x)
		}
		if math.IsNaN(x) || k < lag || !j.fits[r] && j.rec.Stream || !j.series.Good(k) || !j.series.Good(k-lag) || j.series.Life[k-lag] != j.series.Life[k] {
			continue
		}
		now, old := at(k), at(k-lag)
		tol := v.Count + v.Column.Step[r]
		step := max(40*v.Count, 10*tol)
		if math.Abs(now-old) < step {
			continue
		}
		settled := true
		for q := k - lag + 1; q < k; q++ {
			settled = settled && j.series.Good(q) && math.Abs(at(q)-now) <= tol+0.02*math.Abs(now)
		}
		switch {
		case !settled:
		case math.Abs(x-now) <= tol:
			fresh++
		case math.Abs(x-old) <= tol:
			stale++
			if first < 0 {
				first = r
			}
		}
	}
	return stale, fresh, first
}

// showsSign says whether a column of amperes ever shows a minus.
func (j *judge) showsSign(c *logfile.Column) bool {
	for _, v := range c.Value {
		if v < 0 {
			return true
		}
	}
	return false
}
