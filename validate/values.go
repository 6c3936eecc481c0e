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
		res := make([]float64, len(vc.low))
		ok := true
		for r := range res {
			x := vc.residual(r)
			res[r] = x
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

// goesWith is the sign in which a column of amperes or watts goes with its readings. It is sure where nearly all that flows goes that way, however
// many rows show next to nothing the other way.
func (j *judge) goesWith(tc *logfile.Column) (way float64, sure bool) {
	sum, size := 0.0, 0.0
	for r, v := range tc.Value {
		if k := j.at[r]; !math.IsNaN(v) && j.series.Good(k) {
			sum, size = sum+v*j.series.I[k], size+math.Abs(v*j.series.I[k])
		}
	}
	if sum < 0 {
		return -1, -sum > 0.9*size
	}
	return 1, sum > 0.9*size
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
	way, sure := j.goesWith(tc)
	signs := []float64{way, -way}
	switch {
	case tc.Kind == logfile.Voltage:
		signs = []float64{1}
	case sure:
		signs = signs[:1]
	}
	vc.signed = negative || tc.Kind == logfile.Voltage
	vc.low, vc.high = j.envelopes(vc)
	best, c := math.Inf(1), vc
	for _, c.scale = range scales {
		for _, c.sign = range signs {
			n := c.misses()
			// Where most of a column is wrong in either sign, it is meant in the one in which it goes with its readings: a few
			// rows beside a step fit anything.
			if c.sign != way && 2*n > float64(len(tc.Value)) {
				n = math.Inf(1)
			}
			if n < best {
				best, vc.scale, vc.sign = n, c.scale, c.sign
			}
		}
	}
	return vc
}

// misses counts the rows outside their envelope.
func (vc *valueColumn) misses() float64 {
	n := 0.0
	for r := range vc.low {
		if x := vc.residual(r); !math.IsNaN(x) && math.Abs(x) > vc.unit+vc.col.Step[r]*vc.scale+1e-9 {
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

// residual is how far row r's printed value lies outside the envelope of its readings, 0 inside, NaN without a value.
func (vc *valueColumn) residual(r int) float64 {
	v := vc.col.Value[r] * vc.scale
	if math.IsNaN(v) || math.IsNaN(vc.low[r]) {
		return math.NaN()
	}
	v *= vc.sign
	if !vc.signed {
		v = math.Abs(v)
	}
	switch {
	case v < vc.low[r]:
		return v - vc.low[r]
	case v > vc.high[r]:
		return v - vc.high[r]
	}
	return 0
}

// envelopes is the range that each row may show, NaN where no good reading came. A voltage may have burden and lead drop added back.
func (j *judge) envelopes(vc valueColumn) (low, high []float64) {
	s := j.series
	burden := float64(j.rec.Greeting.ShuntNohm)*1e-9 + j.sc.Setup.Rig.Wiring.Lead
	held := j.heldBy()
	e := newExtrema(s.Len(), func(k int) (lo, hi float64) {
		i, v := s.I[k], s.V[k]
		if !s.Good(k) {
			_, lone := s.Lone[k]
			if !lone || held[k] < 0 {
				return math.Inf(1), math.Inf(-1)
			}
			h := held[k]
			i, v = s.Half(k).Or(s.I[h], s.V[h])
		}
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
		return min(a, b), max(a, b)
	})
	low, high = make([]float64, len(j.at)), make([]float64, len(j.at))
	for r, k := range j.at {
		w := j.window(r)
		lo, hi := e.over(w.near, k)
		if hi < lo {
			low[r], high[r] = math.NaN(), math.NaN()
			continue
		}
		// A first-order smoother whose time constant is a third of the span still shows 5 % of what was before it.
		farLo, farHi := e.over(w.far, k)
		low[r], high[r] = lo-smootherTail*(lo-farLo), hi+smootherTail*(farHi-hi)
	}
	return low, high
}

// heldBy is the last good reading before each one since the power came, -1 if there was none; nil if none fails.
func (j *judge) heldBy() []int {
	s := j.series
	if j.held != nil || !s.HasFailed {
		return j.held
	}
	j.held = make([]int, s.Len())
	last := -1
	for k := range j.held {
		if k > 0 && s.Life[k] != s.Life[k-1] {
			last = -1
		}
		if j.held[k] = last; s.Good(k) {
			last = k
		}
	}
	return j.held
}

// window is the readings that a row's values may be made of: from near on, and, with a smoother's tail, from far on.
type window struct{ near, far int }

// window returns the window of row r; all are found when the first is asked for.
func (j *judge) window(r int) window {
	if j.windows == nil {
		j.windows = make([]window, len(j.at))
		good := j.goodBefore()
		for r, k := range j.at {
			back := max(envelopeSpan, j.logAt(r))
			if r > 0 && j.at[r-1] < k && j.series.Life[j.at[r-1]] == j.series.Life[k] {
				// A row stands for the time since the one before, and that is longer where rows were lost.
				back = max(back, float64(j.rec.Readings.T[k]-j.rec.Readings.T[j.at[r-1]])*1e-9)
			}
			j.windows[r] = window{j.windowStart(good, k, back, envelopeReadings), j.windowStart(good, k, 4*back, 4*envelopeReadings)}
		}
	}
	return j.windows[r]
}

// goodBefore counts the good readings before each one; nil: all are good.
func (j *judge) goodBefore() []int {
	if !j.series.HasFailed {
		return nil
	}
	good := make([]int, j.series.Len()+1)
	for k := range j.series.Len() {
		good[k+1] = good[k]
		if j.series.Good(k) {
			good[k+1]++
		}
	}
	return good
}

// windowStart is the first reading of a window that ends with reading k and holds so many seconds and so many good readings, all of one
// power-up.
func (j *judge) windowStart(good []int, k int, seconds float64, readings int) int {
	t, life := j.rec.Readings.T, j.series.Life
	from := sort.Search(k, func(q int) bool { return t[q] >= t[k]-int64(seconds*1e9) }) - 1
	have := k + 1 - readings
	if good != nil {
		if have = good[k+1] - readings; have >= 0 {
			have = sort.SearchInts(good[:k+1], have+1) - 1
		}
	}
	from = max(0, min(from, have))
	if life[from] != life[k] {
		from += sort.Search(k-from, func(q int) bool { return life[from+q] == life[k] })
	}
	return from
}

// extrema answers for the least and the greatest of a stretch of readings. What a reading may be is asked for anew each time; above
// stand the extrema of eight, of eight times eight and so on.
type extrema struct {
	of     func(k int) (lo, hi float64)
	levels [][][2]float64
}

const extremaOf = 8

func newExtrema(n int, of func(k int) (lo, hi float64)) *extrema {
	x := &extrema{of: of}
	for level := 0; n > extremaOf; level++ {
		above := make([][2]float64, n/extremaOf)
		for b := range above {
			lo, hi := math.Inf(1), math.Inf(-1)
			for k := b * extremaOf; k < (b+1)*extremaOf; k++ {
				l, h := x.at(level, k)
				lo, hi = min(lo, l), max(hi, h)
			}
			above[b] = [2]float64{lo, hi}
		}
		x.levels = append(x.levels, above)
		n /= extremaOf
	}
	return x
}

// at is the least and the greatest of the k-th group of a level; the lowest level is readings.
func (x *extrema) at(level, k int) (lo, hi float64) {
	if level == 0 {
		return x.of(k)
	}
	g := &x.levels[level-1][k]
	return g[0], g[1]
}

// over is the least and the greatest from reading a to reading b, both included.
func (x *extrema) over(a, b int) (lo, hi float64) {
	lo, hi = math.Inf(1), math.Inf(-1)
	take := func(level, k int) {
		l, h := x.at(level, k)
		lo, hi = min(lo, l), max(hi, h)
	}
	for level := 0; a <= b; level++ {
		for ; a <= b && (a%extremaOf != 0 || level == len(x.levels)); a++ {
			take(level, a)
		}
		for ; a <= b && (b+1)%extremaOf != 0; b-- {
			take(level, b)
		}
		a, b = a/extremaOf, (b+1)/extremaOf-1
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
		if v.Column.Kind == logfile.Power || j.placing() > j.series.Period {
			continue
		}
		for lag := 2; lag <= 12; lag++ {
			stale, fresh, first := j.freshness(v, lag)
			tested = tested || stale+fresh > 0
			if stale == 0 || fresh > 0 || j.staleLag != 0 || j.showsMedians(lag) || v.Column.Kind == logfile.Voltage && !j.beyondMedian(v, lag) {
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

// showsMedians says that the columns of volts and amperes show the median of the latest 2 lag + 1 readings in each row, which is the reading
// so many before while values rise or fall, and that in some row only the median is what is shown, or that too few rows are there to tell.
func (j *judge) showsMedians(lag int) bool {
	const fewRows = 30
	only, compared := 0, 0
	for i := range j.values {
		v := &j.values[i]
		of := j.series.I
		switch v.Column.Kind {
		case logfile.Voltage:
			of = j.series.V
		case logfile.Power:
			continue
		}
		latest := make([]float64, 0, 2*lag+1)
		for r, k := range j.at {
			x := v.Column.Value[r] * v.Sign
			latest = latest[:0]
			for q := k; q >= 0 && len(latest) < cap(latest) && j.series.Life[q] == j.series.Life[k]; q-- {
				if j.series.Good(q) {
					latest = append(latest, of[q])
				}
			}
			if math.IsNaN(x) || len(latest) < cap(latest) || !j.series.Good(k) {
				continue
			}
			close := v.Column.Step[r]/2 + 1e-9
			compared++
			old := latest[lag]
			sort.Float64s(latest)
			if math.Abs(x-latest[lag]) > close {
				return false
			}
			if math.Abs(x-old) > close {
				only++
			}
		}
	}
	return only > 0 || compared > 0 && compared < 2*fewRows
}

// beyondMedian says that some row shows the reading so many before where it is not the median of the latest 2 lag + 1, as volts that are
// smoothed would be, whatever is shown of the amperes.
func (j *judge) beyondMedian(v *cause.Value, lag int) bool {
	latest := make([]float64, 2*lag+1)
	for r, k := range j.at {
		if k < 2*lag || j.series.Life[k-2*lag] != j.series.Life[k] {
			continue
		}
		copy(latest, j.series.V[k-2*lag:k+1])
		old := latest[lag]
		sort.Float64s(latest) // a failed reading, NaN, goes first
		close := v.Column.Step[r]/2 + 1e-9
		if x := v.Column.Value[r] * v.Sign; !math.IsNaN(latest[0]) && math.Abs(x-old) <= close && math.Abs(x-latest[lag]) > close {
			return true
		}
	}
	return false
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
	of := j.series.I
	if v.Column.Kind == logfile.Voltage {
		of = j.series.V
	}
	at := func(k int) float64 {
		if magnitude {
			return math.Abs(of[k])
		}
		return of[k] * v.Sign
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
			settled = settled && j.series.Good(q) && math.Abs(at(q)-now) <= min(tol+0.02*math.Abs(now), math.Abs(now-old)/4)
		}
		switch {
		case !settled:
		case math.Abs(x-now) <= tol:
			fresh++
		case math.Abs(x-old) <= tol && !j.isMean(r, x, tol, at):
			stale++
			if first < 0 {
				first = r
			}
		}
	}
	return stale, fresh, first
}

// isMean says that a row shows the mean of its latest readings, as many as a smoothing logger may take or all since the row before: it may
// come by chance to what a single one was.
func (j *judge) isMean(r int, x, tol float64, at func(k int) float64) bool {
	most := 32
	if r > 0 {
		most = max(most, j.at[r]-j.at[r-1])
	}
	sum, n := 0.0, 0
	for k := j.at[r]; k >= 0 && n < most && j.series.Life[k] == j.series.Life[j.at[r]]; k-- {
		if !j.series.Good(k) {
			continue
		}
		sum += at(k)
		if n++; n > 1 && math.Abs(sum/float64(n)-x) <= tol {
			return true
		}
	}
	return false
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
