package cause

import (
	"fmt"
	"math"
	"slices"

	"stuntcell/validate/logfile"
	"stuntcell/validate/replay"
	"stuntcell/validate/verdict"
)

// shown is a column of volts, amperes or watts beside the readings that its rows should show.
type shown struct {
	*Value
	c    *Case
	get  func(k int) float64 // reading k
	unit string

	// The rows that show something at a good reading, with that reading and what they show.
	rows []int
	x, y []float64
	few  int // so many of them prove nothing

	row   int     // the first that is off by more than a count and a printed unit, -1 if none is
	bad   int     // how many are
	worst float64 // by how much a row is off at most
}

// look puts a column beside its readings.
func (c *Case) look(v *Value) *shown {
	w := &shown{Value: v, c: c, get: c.reading(v.Column.Kind), row: -1}
	w.unit = map[logfile.Kind]string{logfile.Voltage: "V", logfile.Current: "A", logfile.Power: "W"}[v.Column.Kind]
	for r, x := range v.Residual {
		if math.IsNaN(x) {
			continue
		}
		if w.off(r) {
			if w.bad++; w.row < 0 {
				w.row = r
			}
		}
		w.worst = max(w.worst, math.Abs(x))
	}
	for r, y := range v.Column.Value {
		if k := c.At[r]; !math.IsNaN(y) && c.Series.Good(k) {
			w.rows, w.x, w.y = append(w.rows, r), append(w.x, w.get(k)), append(w.y, y)
		}
	}
	w.few = len(w.rows) / 20
	return w
}

// named says what is wrong with the column: what answers first, of the mistakes that are seen with certainty before those that others
// may look like.
func (w *shown) named() []verdict.Finding {
	switch {
	case w.row < 0:
		return nil
	case len(w.rows) == 0:
		return w.found("failed-reading", 0.6, "shows values where no reading was good")
	}
	for _, question := range []func() []verdict.Finding{w.oneDirection, w.unsigned, w.noSign, w.someSigns, w.aroundFailed, w.withoutZeros} {
		if fs := question(); fs != nil {
			return fs
		}
	}
	less, sure := w.lessFirst()
	if sure {
		return less
	}
	for _, question := range []func() []verdict.Finding{w.dead, w.turnedDrop, w.beside, w.inSteps} {
		if fs := question(); fs != nil {
			return fs
		}
	}
	if less != nil {
		return less
	}
	if fs := w.besideFlow(); fs != nil {
		return fs
	}
	if w.misses(w.as, 0.003) <= w.few && w.bad <= w.few {
		return w.fewWrong() // nearly all rows are right: no constant is wrong
	}
	if fs := w.ends(); fs != nil {
		return fs
	}
	if fs := w.line(); fs != nil {
		return fs
	}
	return w.fewWrong()
}

// ends sees a column that shows what was read up to a value, and that value wherever more was read.
func (w *shown) ends() []verdict.Finding {
	most := 0.0
	for _, y := range w.y {
		most = max(most, math.Abs(y))
	}
	beyond, slack := 0, 0.0
	for i, r := range w.rows {
		switch x := math.Abs(w.x[i]); {
		case x > most+w.tolerance(r):
			if beyond++; math.Abs(w.y[i]) < most-2*w.Column.Step[r] {
				return nil
			}
			slack = max(slack, w.tolerance(r))
		case math.Abs(w.y[i]-w.as(w.x[i])) > w.tolerance(r):
			return nil
		}
	}
	if beyond < 5 || beyond == len(w.rows) || most < 4*slack {
		return nil
	}
	return w.found("unexplained", 0.85, fmt.Sprintf("is right up to %.4g %s and shows that in all %d rows in which more was read: its number ends there", most, w.unit, beyond))
}

// off says that a row is outside its readings by more than a count and a printed unit.
func (w *shown) off(r int) bool { return math.Abs(w.Residual[r]) > w.Count+w.Column.Step[r] } // NaN is not

// tolerance is by how much a row may differ from its own reading.
func (w *shown) tolerance(r int) float64 { return 2*w.Count + w.Column.Step[r] }

// as is what a column without a mistake shows of a reading.
func (w *shown) as(x float64) float64 { return w.Sign * x }

// misses counts the rows that do not show f of their reading, which may be off by a share of it.
func (w *shown) misses(f func(x float64) float64, share float64) int {
	n := 0
	for i, r := range w.rows {
		if math.Abs(w.y[i]-f(w.x[i])) > w.tolerance(r)+share*math.Abs(w.x[i]) {
			n++
		}
	}
	return n
}

// squares is the sum of the squares of what f leaves of the rows. What is less than a quarter of a count says nothing.
func (w *shown) squares(f func(x float64) float64) float64 {
	sum := float64(len(w.rows)) * w.Count * w.Count / 16
	for i, y := range w.y {
		sum += (y - f(w.x[i])) * (y - f(w.x[i]))
	}
	return sum
}

// leaves is the sum of the squares of what f leaves of the rows, all of it.
func (w *shown) leaves(f func(x float64) float64) float64 {
	sum := 0.0
	for i, x := range w.x {
		d := w.y[i] - f(x)
		sum += d * d
	}
	return sum
}

// found is the finding of a cause at the first row that is off.
func (w *shown) found(cause string, confidence float64, evidence string) []verdict.Finding {
	f := w.c.finding(cause, ofFirmware, confidence, w.row)
	f.Evidence = fmt.Sprintf("column %q: %s", w.Column.Header, evidence)
	f.Wrote = w.c.text(w.row)
	if x := w.get(w.c.At[w.row]); !math.IsNaN(x) {
		f.ShouldBe = fmt.Sprintf("%s near %.5g %s", w.Column.Header, x*w.Sign, w.unit)
	}
	return []verdict.Finding{f}
}

// oneDirection sees that current in one direction has the wrong sign.
func (w *shown) oneDirection() []verdict.Finding {
	if w.Column.Kind == logfile.Voltage || w.misses(w.as, 0.01) <= w.few {
		return nil
	}
	for _, way := range []float64{1, -1} {
		flip := func(x float64) float64 {
			if x*way > 0 {
				x = -x
			}
			return w.as(x)
		}
		if w.misses(flip, 0.01) <= w.few {
			return w.found("sign", 0.95, fmt.Sprintf("current %s has the wrong sign while the other direction is right", direction(way)))
		}
	}
	return nil
}

// unsigned sees that a negative current is shown as a large positive number.
func (w *shown) unsigned() []verdict.Finding {
	if w.Column.Kind != logfile.Current {
		return nil
	}
	for _, bits := range []int{16, 24, 32} {
		turn := math.Ldexp(w.c.Series.Amp, bits)
		off := 0
		for i, r := range w.rows {
			x, t := w.x[i], w.tolerance(r)
			if x < 0 {
				x += turn
				t += turn / (1 << 22) // single precision has 24 bits
			}
			if math.Abs(math.Abs(w.y[i])-x) > t {
				off++
			}
		}
		if off <= w.few && w.misses(math.Abs, 0.01) > w.few {
			return w.found("sign", 0.95, fmt.Sprintf("shows a negative current as a number of %d bits without a sign", bits))
		}
	}
	return nil
}

// noSign sees that the size is right and no row shows a minus.
func (w *shown) noSign() []verdict.Finding {
	if w.Column.Kind == logfile.Voltage || !w.c.bothWays() || w.c.showsMinus(w.Column) || w.misses(math.Abs, 0.01) > w.few {
		return nil
	}
	return w.found("sign", 0.9, "shows no sign although current flows both ways")
}

// someSigns sees that the size is right and the sign is wrong in some rows.
func (w *shown) someSigns() []verdict.Finding {
	if w.Column.Kind == logfile.Voltage {
		return nil
	}
	wrong, other, largest := 0, 0, 0.0
	for i, r := range w.rows {
		x, y := w.x[i], w.y[i]
		t := w.tolerance(r) + 0.01*math.Abs(x)
		switch {
		case math.Abs(y-w.as(x)) <= t, math.Abs(x) <= t: // near nothing a sign says nothing
		case math.Abs(math.Abs(y)-math.Abs(x)) <= t:
			wrong++
			largest = max(largest, math.Abs(x))
		default:
			other++
		}
	}
	if wrong == 0 || other > w.few {
		return nil
	}
	conf := 0.93
	if largest < 8*w.Count {
		conf = 0.5 // a few counts are of one size by chance
	}
	return w.found("sign", conf, fmt.Sprintf("has the right size with the wrong sign in %d rows", wrong))
}

// aroundFailed sees that rows are off where a reading failed, and nowhere else.
func (w *shown) aroundFailed() []verdict.Finding {
	if !w.c.Series.HasFailed {
		return nil
	}
	for r := range w.Residual {
		if w.off(r) && !w.c.nearFailed(w.c.At[r]) {
			return nil
		}
	}
	return w.found("failed-reading", 0.9, fmt.Sprintf("is off by up to %.4g %s only around failed readings", w.worst, w.unit))
}

// withoutZeros sees that decimals lost the zeros in front of them.
func (w *shown) withoutZeros() []verdict.Finding {
	meant, varied := unpadded(replay.Printed{Value: w.Column.Value, Unit: w.Column.Step}, 1)
	if !varied || w.Column.Kind == logfile.Power {
		return nil
	}
	wrong := 0
	for i, r := range w.rows {
		if math.Abs(meant.Value[r]-w.as(w.x[i])) > w.Count+meant.Unit[r] {
			wrong++
		}
	}
	if wrong > w.few || w.misses(w.as, 0) <= w.few {
		return nil
	}
	return w.found("broken-row", 0.93, "is right if its decimals lost their leading zeros, as 12.50 for 12.050")
}

// lessFirst sees that the first current after power-up was taken for the zero. It is sure unless that current is as good as nothing.
func (w *shown) lessFirst() (fs []verdict.Finding, sure bool) {
	if w.Column.Kind != logfile.Current {
		return nil, false
	}
	zero := w.c.firstOfLife()
	misses, matters := 0, false
	for i, r := range w.rows {
		z := zero(w.c.At[r])
		if math.Abs(w.y[i]-w.as(w.x[i]-z)) > w.tolerance(r) {
			misses++
		}
		matters = matters || math.Abs(z) > w.tolerance(r)
	}
	if misses > w.few {
		return nil, false
	}
	conf := 0.93
	switch {
	case !matters:
		conf = 0.3 // what a dead band, a lost sign or a gain do near zero looks the same
	case slices.Max(w.x)-slices.Min(w.x) < 8*w.Count:
		conf = 0.6 // one current alone says little
	}
	return w.found("offset", conf, "is the reading less the first one after power-up, which was taken for the zero"), matters
}

// dead sees that a small current is shown as zero, that is all that is wrong, and what is shown elsewhere is more than that.
func (w *shown) dead() []verdict.Finding {
	dead := 0.0
	for r := range w.Residual {
		if !w.off(r) {
			continue
		}
		if w.Column.Value[r] != 0 {
			return nil
		}
		if x := w.get(w.c.At[r]); !math.IsNaN(x) {
			dead = max(dead, math.Abs(x))
		}
	}
	less := 0
	for _, y := range w.Column.Value {
		if y != 0 && math.Abs(y) <= dead { // NaN is not
			less++
		}
	}
	most := 0.0
	for _, x := range w.x {
		most = max(most, math.Abs(x))
	}
	if less >= w.bad || dead > most/3 {
		return nil
	}
	return w.found("dead-band", 0.85, "shows zero where the readings show a small current")
}

// beside sees that one constant stands beside every reading, in all rows but a few to the digit, where a factor does not say as much.
func (w *shown) beside() []verdict.Finding {
	n := len(w.rows)
	if w.Column.Kind == logfile.Power || n < 10 {
		return nil
	}
	usual, varied := median(w.x), 0
	rest := make([]float64, n)
	var xy, xx float64
	for i, x := range w.x {
		if math.Abs(x-usual) > 20*w.Count { // else a factor says the same
			varied++
		}
		rest[i] = w.y[i] - w.as(x)
		xy, xx = xy+x*w.y[i], xx+x*x
	}
	off := median(rest)
	misses, byFactor := 0, 0
	for i, r := range w.rows {
		step := w.Column.Step[r] * 1.01
		if math.Abs(rest[i]-off) > step {
			misses++
		}
		if math.Abs(w.y[i]-xy/max(xx, 1e-12)*w.x[i]) > step {
			byFactor++
		}
	}
	if byFactor <= misses || varied <= w.few || misses > w.few || math.Abs(off) <= 2*w.Column.Step[w.rows[0]] {
		return nil
	}
	conf := 0.9
	if math.Abs(off) < w.Count {
		conf = 0.5 // a sign that is lost at rest looks the same
	}
	return w.found("offset", conf, fmt.Sprintf("is the reading %+.4g %s (%.1f counts) in every row", off, w.unit, off/w.Count))
}

// shunt is the resistance that firmware should take the shunt for [ohm].
func (c *Case) shunt() float64 { return float64(c.Record.Greeting.ShuntNohm) * 1e-9 }

// turnedDrop sees volts from which the drop in the shunt was taken where it should have been added.
func (w *shown) turnedDrop() []verdict.Finding {
	ohm := w.c.shunt()
	if w.Column.Kind != logfile.Voltage || len(w.rows) < 10 {
		return nil
	}
	misses, told := 0, 0
	for n, r := range w.rows {
		drop := ohm * w.c.Series.I[w.c.At[r]]
		if math.Abs(w.y[n]-(w.x[n]+drop)) > w.tolerance(r) {
			misses++
		}
		if math.Abs(drop) > 2*w.tolerance(r) {
			told++
		}
	}
	if misses > w.few || told <= w.few {
		return nil
	}
	return w.found("sign", 0.9, fmt.Sprintf("is the reading less the drop in the shunt of %.3g mohm, which is to be added to it", ohm*1e3))
}

// inSteps sees that the readings are cut or rounded to multiples of an amount that is coarser than the print. With the totals it is what is added,
// without them what is shown.
func (w *shown) inSteps() []verdict.Finding {
	q, how := w.quantum()
	if q == 0 {
		return nil
	}
	name := "clumsy-number"
	if slices.ContainsFunc(w.c.Column, func(col *Column) bool { return !col.OK && col.Role != Elapsed }) {
		name = map[string]string{cutTo: "truncated-sum", roundedTo: "rounded-sum", cutDown: "truncated-sum"}[how]
	}
	return w.found(name, 0.8, fmt.Sprintf("is the reading %s multiples of %g %s", how, q, w.unit))
}

// What is done to a value to make it a multiple of a quantum.
const (
	cutTo     = "cut to"
	roundedTo = "rounded to"
	cutDown   = "cut downward to" // as a whole division of a negative number does in some languages
)

// quantum is the amount, coarser than the print, to multiples of which the readings are cut or rounded; 0 if they are not.
func (w *shown) quantum() (q float64, how string) {
	n := len(w.rows)
	if w.Column.Kind == logfile.Power || n < 10 {
		return 0, ""
	}
	step := w.Column.Step[w.rows[0]]
	for _, q := range []float64{0.01, 0.02, 0.05, 0.1, 0.2, 0.25, 0.5, 1} {
		if q < 3*w.Count || q < 5*step {
			continue
		}
		cut, round, moved, down, up := 0, 0, 0, 0, 0
		for i, y := range w.y {
			x := w.as(w.x[i])
			if math.Abs(math.Remainder(y, q)) > step/2 {
				cut, round, down, up = 0, 0, 0, 0
				break
			}
			if math.Abs(x-math.Round(x/q)*q) > w.Count {
				moved++ // its reading is no multiple itself
			}
			if math.Abs(x) >= math.Abs(y)-step && math.Abs(x) <= math.Abs(y)+q+step && x*y >= 0 {
				cut++
			}
			if math.Abs(x-y) <= q/2+step {
				round++
			}
			if y <= x+step && y >= x-q-step {
				down++
			}
			if y >= x-step && y <= x+q+step { // of a column that shows the other sign
				up++
			}
		}
		switch {
		case moved < 5 || 10*moved < n:
		case cut >= n-w.few:
			return q, cutTo
		case round >= n-w.few:
			return q, roundedTo
		case max(down, up) >= n-w.few:
			return q, cutDown
		}
	}
	return 0, ""
}

// besideFlow sees that one constant stands beside the readings of current, or beyond their size, wherever these are not zero, at currents that differ
// too much for a factor, in all rows but a few to the digit.
func (w *shown) besideFlow() []verdict.Finding {
	if w.Column.Kind != logfile.Current {
		return nil
	}
	var at []int
	for i, x := range w.x {
		if x != 0 {
			at = append(at, i)
		}
	}
	if len(at) < 10 || len(at) == len(w.rows) {
		return nil
	}
	rest := make([]float64, len(at))
	for _, beyond := range []string{"", "its size "} {
		lo, hi, byFactor := math.Inf(1), 0.0, 0
		var xy, xx float64
		for n, i := range at {
			x, y := w.x[i], w.as(w.y[i])
			rest[n] = y - x
			if beyond != "" {
				rest[n] *= math.Copysign(1, x)
			}
			lo, hi = min(lo, math.Abs(x)), max(hi, math.Abs(x))
			xy, xx = xy+x*y, xx+x*x
		}
		off := median(rest)
		misses := 0
		for n, i := range at {
			step := w.Column.Step[w.rows[i]] * 1.01
			if math.Abs(rest[n]-off) > step {
				misses++
			}
			if math.Abs(w.as(w.y[i])-xy/xx*w.x[i]) > step {
				byFactor++
			}
		}
		if misses <= len(at)/20 && byFactor > len(at)/20 && hi > lo+20*w.Count && math.Abs(off) > 2*w.Column.Step[w.rows[at[0]]] {
			return w.found("offset", 0.85, fmt.Sprintf("is the reading %s%+.4g %s (%.1f counts) in the %d rows in which current flows, and zero in the others",
				beyond, off, w.unit, off/w.Count, len(at)))
		}
	}
	return nil
}

// line sees that a factor, a constant beside the reading or both make the column, by least squares.
func (w *shown) line() []verdict.Finding {
	n, s := float64(len(w.rows)), w.Sign
	var sx, sy, sxx, sxy float64
	for i, x := range w.x {
		sx, sy, sxx, sxy = sx+x, sy+w.y[i], sxx+x*x, sxy+x*w.y[i]
	}
	factor := 0.0
	if sxx > 0 {
		factor = sxy / sxx
	}
	off := sy/n - s*sx/n
	byFactor, byOffset := func(x float64) float64 { return factor * x }, func(x float64) float64 { return s*x + off }
	// A factor or a constant that explains less than it leaves is none, however wide the slack of a voltage is.
	// One of a thousand leaves little of a column: it must be that, and leave next to nothing of what it makes.
	factorOK := (math.Abs(factor) > 0.01 || nearestFactor(math.Abs(factor)) != 0 && w.leaves(byFactor) < 1e-4*factor*factor*sxx) && w.misses(byFactor, 0.003) <= w.few && math.Abs(factor-s)*math.Sqrt(sxx/n) > w.Count/2 &&
		w.squares(byFactor) < (factor-s)*(factor-s)*sxx/4
	offOK := w.misses(byOffset, 0.003) <= w.few && w.squares(byOffset) < n*off*off/4
	if factorOK && offOK { // both are within the slack: the one that leaves less of the rows is meant
		a, b := w.squares(byFactor), w.squares(byOffset)
		offOK, factorOK = b < 25*a, a < 25*b
	}
	varied := sxx/n-(sx/n)*(sx/n) > 0.01*sxx/n
	if volts, fixed := w.fixedVolts(); fixed {
		if factorOK {
			return w.found("nominal-voltage", 0.6, fmt.Sprintf("is the current times a constant %.4g V; %.4g times the reading would explain these rows as well: %s",
				volts, math.Abs(factor), w.c.tellsApart("nominal-voltage", "gain")))
		}
		return w.found("nominal-voltage", 0.9, fmt.Sprintf("is the current times a constant %.4g V", volts))
	}
	size := math.Abs(factor)
	switch {
	case factorOK && factor*s < 0 && math.Abs(size-1) <= 0.004:
		return w.found("sign", 0.9, "has the wrong sign wherever current flows")
	case factorOK && nearestFactor(size) != 0:
		return w.found("unit-factor", 0.95, fmt.Sprintf("is %s times the reading, a confusion of units", factorName(nearestFactor(size))))
	case factorOK && (!offOK || varied || math.Abs(size-1) > 0.004):
		if !offOK && w.Column.Kind == logfile.Current {
			off, offOK = w.oneCurrent()
		}
		if !offOK {
			return w.found("gain", 0.9, fmt.Sprintf("is %.4g times the reading", size))
		}
		fs := w.found("gain", 0.7, fmt.Sprintf("is %.4g times the reading; an offset of %+.4g %s would explain these rows as well: %s",
			size, off, w.unit, w.c.tellsApart("gain", "offset")))
		fs[0].Rivals = []string{"offset"}
		return fs
	case offOK && math.Abs(off) >= w.Count/2:
		conf := 0.9
		if math.Abs(off) < 2*w.Count {
			conf = 0.5 // a sign that is lost at rest looks the same
		}
		return w.found("offset", conf, fmt.Sprintf("is the reading %+.4g %s (%.1f counts)", off, w.unit, off/w.Count))
	}
	if det := n*sxx - sx*sx; det > 1e-12*n*sxx && varied {
		g := (n*sxy - sx*sy) / det
		b := (sy - g*sx) / n
		if math.Abs(g) > 0.2 && w.misses(func(x float64) float64 { return g*x + b }, 0.003) <= w.few {
			both := fmt.Sprintf("is %.4g times the reading %+.4g %s", math.Abs(g), b, w.unit)
			return append(w.found("gain", 0.5, both), w.found("offset", 0.7, both)...)
		}
	}
	return nil
}

// fixedVolts is the one voltage that gives a column of power with the currents of its readings, if one does in all but a few rows.
func (w *shown) fixedVolts() (volts float64, fixed bool) {
	if w.Column.Kind != logfile.Power {
		return 0, false
	}
	amps := w.c.reading(logfile.Current)
	var pi, ii float64
	for n, r := range w.rows {
		i := amps(w.c.At[r])
		pi, ii = pi+w.y[n]*i, ii+i*i
	}
	if ii == 0 {
		return 0, false
	}
	volts = pi / ii
	misses := 0
	for n, r := range w.rows {
		if math.Abs(w.y[n]-volts*amps(w.c.At[r])) > 2*w.Column.Step[r]+1e-3*math.Abs(w.y[n]) {
			misses++
		}
	}
	return math.Abs(volts), misses <= w.few
}

// oneCurrent says that wherever current flows it varies so little that a factor and a constant that is added while current flows differ by a
// count at most, and what a column shows beside it there.
func (w *shown) oneCurrent() (off float64, one bool) {
	lo, hi, sum, flow, n := math.Inf(1), math.Inf(-1), 0.0, 0.0, 0
	for i, x := range w.x {
		if x != 0 {
			lo, hi, sum, flow, n = min(lo, x), max(hi, x), sum+w.as(w.y[i])-x, flow+x, n+1
		}
	}
	return sum / float64(max(n, 1)), n > 0 && math.Abs(sum)*(hi-lo) <= w.Count*math.Abs(flow)
}

// fewWrong names why some rows are wrong and no constant explains it: they show an older reading, or something happened just before.
func (w *shown) fewWrong() []verdict.Finding {
	for _, question := range []func() []verdict.Finding{w.late, w.filtered, w.lateRow} {
		if fs := question(); fs != nil {
			return fs
		}
	}
	from := 0
	if w.row > 0 {
		from = w.c.At[w.row-1]
	}
	outside := fmt.Sprintf("is outside the readings of its interval by up to %.4g %s", w.worst, w.unit)
	if h := w.c.happened(from, w.c.At[w.row]); h != nil {
		return w.found(h.cause, 0.5, outside+" since "+h.what)
	}
	return w.found("unexplained", 0.4, outside)
}

// late sees that rows that are off show the reading a fixed number before. Power is the product of two columns, of which one may be late.
func (w *shown) late() []verdict.Finding {
	share := 0.0
	if w.Column.Kind == logfile.Power {
		share = 0.02
	}
	for d := 2; d <= 200; d++ {
		other, wrong := 0, 0
		for r, x := range w.Residual {
			k, y, t := w.c.At[r], w.Column.Value[r], w.tolerance(r)
			now := w.as(w.get(k))
			if math.IsNaN(x) || math.Abs(y-now) <= t || !w.c.Series.Good(k) {
				continue
			}
			wrong++
			old := w.as(w.get(max(k-d, 0)))
			if math.IsNaN(old) || math.Abs(y-old) > t+share*math.Abs(old) || math.Abs(old-now) <= t {
				other++
			}
		}
		if wrong > 0 && 20*other <= wrong {
			return w.found("stale-reading", 0.85, fmt.Sprintf("shows the reading %d before", d))
		}
	}
	return nil
}

// lateRow sees that rows that are off show what an earlier row should have shown.
func (w *shown) lateRow() []verdict.Finding {
	for d := 1; d <= 5; d++ {
		all := w.bad > 0
		for r := 0; all && r < len(w.Residual); r++ {
			all = !w.off(r) || math.Abs(w.Column.Value[r]-w.as(w.get(w.c.At[max(r-d, 0)]))) <= w.Count+w.Column.Step[r]
		}
		if all {
			return w.found("stale-reading", 0.8, fmt.Sprintf("shows the reading of the row %d before", d))
		}
	}
	return nil
}

// filtered sees that rows show a mean that goes far back.
func (w *shown) filtered() []verdict.Finding {
	s := w.c.Series
	fits := func(mean func(k int) float64) bool {
		means := make([]float64, s.Len())
		for k := range means {
			means[k] = mean(k)
		}
		wrong, n := 0, 0
		for r, y := range w.Column.Value {
			if math.IsNaN(y) {
				continue
			}
			if n++; !(math.Abs(y-w.as(means[w.c.At[r]])) <= w.Count+w.Column.Step[r]) {
				wrong++
			}
		}
		return n > 20 && 20*wrong <= n
	}
	for _, n := range []int{10, 16, 20, 32, 50, 64, 100, 128, 200, 256, 500, 512, 1000, 1024} {
		level, begun, life := 0.0, false, int16(-1)
		if fits(func(k int) float64 {
			if s.Life[k] != life {
				begun, life = false, s.Life[k]
			}
			if x := w.get(k); s.Good(k) && begun {
				level += (x - level) / float64(n)
			} else if s.Good(k) {
				level, begun = x, true
			}
			return level
		}) {
			return w.found("stale-reading", 0.85, fmt.Sprintf("shows no reading but a running mean with a weight of 1/%d for the newest", n))
		}
		var last []float64
		sum := 0.0
		life = -1
		if fits(func(k int) float64 {
			if s.Life[k] != life {
				last, sum, life = last[:0], 0, s.Life[k]
			}
			if s.Good(k) {
				last = append(last, w.get(k))
				if sum += w.get(k); len(last) > n {
					sum -= last[len(last)-1-n]
				}
			}
			return sum / float64(max(1, min(n, len(last))))
		}) {
			return w.found("stale-reading", 0.85, fmt.Sprintf("shows no reading but the mean of the last %d", n))
		}
	}
	return nil
}

// firstOfLife gives the current of the first good reading of the power-up that a reading belongs to [A].
func (c *Case) firstOfLife() func(k int) float64 {
	first := map[int16]float64{}
	for k, i := range c.Series.I {
		if _, seen := first[c.Series.Life[k]]; !seen && c.Series.Good(k) {
			first[c.Series.Life[k]] = i
		}
	}
	return func(k int) float64 { return first[c.Series.Life[k]] }
}

// median is the middle one of values, the upper of two.
func median(x []float64) float64 { return slices.Sorted(slices.Values(x))[len(x)/2] }
