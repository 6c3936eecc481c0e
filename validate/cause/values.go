package cause

import (
	"cmp"
	"fmt"
	"math"
	"slices"

	"stuntcell/validate/logfile"
	"stuntcell/validate/replay"
	"stuntcell/validate/verdict"
)

// Values names why printed volts, amperes or watts are not what the readings were.
func Values(c *Case, vs []Value, stale bool, lag, staleRow int) []verdict.Finding {
	var out []verdict.Finding
	if stale {
		f := c.finding("stale-reading", ofFirmware, 0.95, staleRow)
		f.Evidence = fmt.Sprintf("after load steps the rows show the reading %d before, never the newest", lag)
		f.Wrote = c.text(staleRow)
		out = append(out, f)
	}
	if f := c.exchanged(vs); f != nil {
		return append(out, *f)
	}
	named := false
	for _, power := range []bool{false, true} {
		for i := range vs {
			v := &vs[i]
			// Watts are the product of the other two: what is wrong with one of those is not said of them as well.
			if is := v.Column.Kind == logfile.Power; v.OK || stale || is != power || is && named {
				continue
			}
			fs := c.value(v)
			named = named || len(fs) > 0 && fs[0].Cause != "unexplained"
			out = append(out, fs...)
		}
	}
	return merge(out)
}

// exchanged recognises columns of volts and amperes of which each holds what the other one's header says.
func (c *Case) exchanged(vs []Value) *verdict.Finding {
	var volts, amps *Value
	for i := range vs {
		switch v := &vs[i]; {
		case v.OK:
		case v.Column.Kind == logfile.Voltage && volts == nil:
			volts = v
		case v.Column.Kind == logfile.Current && amps == nil:
			amps = v
		}
	}
	if volts == nil || amps == nil {
		return nil
	}
	holds := func(v *Value, get func(int) float64, count float64) bool {
		right, n := 0, 0
		for r, y := range v.Column.Value {
			if k := c.At[r]; !math.IsNaN(y) && c.Series.Good(k) {
				if n++; math.Abs(math.Abs(y)-math.Abs(get(k))) <= 2*count+v.Column.Step[r] {
					right++
				}
			}
		}
		return n > 0 && 20*right >= 19*n
	}
	if !holds(volts, c.reading(logfile.Current), c.Series.Amp) || !holds(amps, c.reading(logfile.Voltage), c.Series.Volt) {
		return nil
	}
	f := c.finding("unit-factor", ofFirmware, 0.95, 0)
	f.Evidence = fmt.Sprintf("column %q holds the amperes of its readings and column %q the volts: they are written in another order than the header says", volts.Column.Header, amps.Column.Header)
	f.Wrote = c.text(0)
	return &f
}

// value names one column.
func (c *Case) value(v *Value) []verdict.Finding {
	row, worst, bad := -1, 0.0, 0
	for r, x := range v.Residual {
		if !math.IsNaN(x) && math.Abs(x) > v.Count+v.Column.Step[r] {
			if bad++; row < 0 {
				row = r
			}
		}
		if !math.IsNaN(x) {
			worst = max(worst, math.Abs(x))
		}
	}
	if row < 0 {
		return nil
	}
	get := c.reading(v.Column.Kind)
	tol := func(r int) float64 { return 2*v.Count + v.Column.Step[r] }
	// Does a column with one wrong direction, a failed reading, a factor or an offset explain the rows?
	type pair struct{ x, y float64 }
	var ps []pair
	var rows []int
	for r, y := range v.Column.Value {
		k := c.At[r]
		if !math.IsNaN(y) && c.Series.Good(k) {
			ps = append(ps, pair{get(k), y})
			rows = append(rows, r)
		}
	}
	misses := func(f func(x float64) float64, slack float64) int {
		n := 0
		for i, p := range ps {
			if math.Abs(p.y-f(p.x)) > tol(rows[i])+slack*math.Abs(p.x) {
				n++
			}
		}
		return n
	}
	few := len(ps) / 20
	unit := map[logfile.Kind]string{logfile.Voltage: "V", logfile.Current: "A", logfile.Power: "W"}[v.Column.Kind]
	found := func(name string, conf float64, evidence string) []verdict.Finding {
		f := c.finding(name, ofFirmware, conf, row)
		f.Evidence = fmt.Sprintf("column %q: %s", v.Column.Header, evidence)
		f.Wrote = c.text(row)
		if x := get(c.At[row]); !math.IsNaN(x) {
			f.ShouldBe = fmt.Sprintf("%s near %.5g %s", v.Column.Header, x*v.Sign, unit)
		}
		return []verdict.Finding{f}
	}
	if len(ps) == 0 {
		return found("failed-reading", 0.6, "shows values where no reading was good")
	}
	s := v.Sign
	for _, way := range []float64{1, -1} {
		flip := func(x float64) float64 {
			if x*way > 0 {
				x = -x
			}
			return s * x
		}
		if v.Column.Kind != logfile.Voltage && misses(flip, 0.01) <= few && misses(func(x float64) float64 { return s * x }, 0.01) > few {
			return found("sign", 0.95, fmt.Sprintf("current %s has the wrong sign while the other direction is right", direction(way)))
		}
	}
	if v.Column.Kind == logfile.Current {
		for _, bits := range []int{16, 24, 32} {
			turn := math.Ldexp(c.Series.Amp, bits)
			off := 0
			for i, p := range ps {
				x, t := p.x, tol(rows[i])
				if x < 0 {
					x += turn
					t += turn / (1 << 22) // single precision has 24 bits
				}
				if math.Abs(math.Abs(p.y)-x) > t {
					off++
				}
			}
			if off <= few && misses(math.Abs, 0.01) > few {
				return found("sign", 0.95, fmt.Sprintf("shows a negative current as a number of %d bits without a sign", bits))
			}
		}
	}
	if v.Column.Kind != logfile.Voltage && c.bothWays() && !c.showsMinus(v.Column) && misses(math.Abs, 0.01) <= few {
		return found("sign", 0.9, "shows no sign although current flows both ways")
	}
	// The right size with the wrong sign in some rows only.
	if v.Column.Kind != logfile.Voltage && misses(func(x float64) float64 { return s * x }, 0.01) > 0 {
		wrongSign, other, largest := 0, 0, 0.0
		for i, p := range ps {
			t := tol(rows[i]) + 0.01*math.Abs(p.x)
			switch {
			case math.Abs(p.y-s*p.x) <= t, math.Abs(p.x) <= t: // near nothing a sign says nothing
			case math.Abs(math.Abs(p.y)-math.Abs(p.x)) <= t:
				wrongSign++
				largest = max(largest, math.Abs(p.x))
			default:
				other++
			}
		}
		if wrongSign > 0 && other <= few {
			conf := 0.93
			if largest < 8*v.Count {
				conf = 0.5 // a few counts are of one size by chance
			}
			return found("sign", conf, fmt.Sprintf("has the right size with the wrong sign in %d rows", wrongSign))
		}
	}
	// Rows that show a failed reading as a value.
	if c.Series.HasFailed {
		touching := 0
		for r, x := range v.Residual {
			if math.Abs(x) > v.Count+v.Column.Step[r] && c.nearFailed(c.At[r]) { // NaN is not
				touching++
			}
		}
		if bad > 0 && touching == bad {
			return found("failed-reading", 0.9, fmt.Sprintf("is off by up to %.4g %s only around failed readings", worst, unit))
		}
	}
	if meant, varied := unpadded(replay.Printed{Value: v.Column.Value, Unit: v.Column.Step}, 1); varied && v.Column.Kind != logfile.Power {
		wrong := 0
		for i, p := range ps {
			if math.Abs(meant.Value[rows[i]]-s*p.x) > v.Count+meant.Unit[rows[i]] {
				wrong++
			}
		}
		if wrong <= few && misses(func(x float64) float64 { return s * x }, 0) > few {
			return found("broken-row", 0.93, "is right if its decimals lost their leading zeros, as 12.50 for 12.050")
		}
	}
	var less []verdict.Finding
	if v.Column.Kind == logfile.Current {
		if zero := c.firstOfLife(); c.missesBy(rows, v, func(k int) float64 { return s * (get(k) - zero(k)) }) <= few {
			conf := 0.93
			if lo, hi := slices.MinFunc(ps, func(a, b pair) int { return cmp.Compare(a.x, b.x) }), slices.MaxFunc(ps, func(a, b pair) int { return cmp.Compare(a.x, b.x) }); hi.x-lo.x < 8*v.Count {
				conf = 0.6 // one current alone says little
			}
			if !slices.ContainsFunc(rows, func(r int) bool { return math.Abs(zero(c.At[r])) > tol(r) }) {
				conf = 0.3 // what a dead band, a lost sign or a gain do near zero looks the same
			}
			if less = found("offset", conf, "is the reading less the first one after power-up, which was taken for the zero"); conf > 0.3 {
				return less
			}
		}
	}
	if n := c.deadRows(v); n > 0 {
		return found("dead-band", 0.85, "shows zero where the readings show a small current")
	}
	if off, constant := c.constant(v, rows); constant {
		conf := 0.9
		if math.Abs(off) < v.Count {
			conf = 0.5 // a sign that is lost at rest looks the same
		}
		return found("offset", conf, fmt.Sprintf("is the reading %+.4g %s (%.1f counts) in every row", off, unit, off/v.Count))
	}
	if q, how := c.quantum(v, rows); q > 0 {
		// With the totals it is what is added, without them what is shown.
		name := "clumsy-number"
		if slices.ContainsFunc(c.Column, func(col *Column) bool { return !col.OK && col.Role != Elapsed }) {
			name = map[string]string{cutTo: "truncated-sum", roundedTo: "rounded-sum"}[how]
		}
		return found(name, 0.8, fmt.Sprintf("is the reading %s multiples of %g %s", how, q, unit))
	}
	if less != nil {
		return less
	}
	if off, outward, n := c.whileFlowing(v, rows); n > 0 {
		size := map[bool]string{true: "its size "}[outward]
		ev := fmt.Sprintf("is the reading %s%+.4g %s (%.1f counts) in the %d rows in which current flows, and zero in the others", size, off, unit, off/v.Count, n)
		return found("offset", 0.85, ev)
	}
	if misses(func(x float64) float64 { return s * x }, 0.003) <= few && bad <= few {
		// Nearly all rows are right: no constant is wrong.
		return c.fewWrong(v, row, worst, unit, get, found)
	}
	// Gain and offset by least squares.
	n := float64(len(ps))
	var sx, sy, sxx, sxy float64
	for _, p := range ps {
		sx, sy, sxx, sxy = sx+p.x, sy+p.y, sxx+p.x*p.x, sxy+p.x*p.y
	}
	g0 := 0.0
	if sxx > 0 {
		g0 = sxy / sxx
	}
	gainOK := math.Abs(g0) > 0.01 && misses(func(x float64) float64 { return g0 * x }, 0.003) <= few
	gainOK = gainOK && math.Abs(g0-s)*math.Sqrt(sxx/n) > v.Count/2 // or it is no gain at all
	off := sy/n - s*sx/n
	offOK := misses(func(x float64) float64 { return s*x + off }, 0.003) <= few
	// Both may be within the slack: the one that leaves less of the rows is meant.
	squares := func(f func(x float64) float64) float64 {
		sum := n * v.Count * v.Count / 16 // what is less than a quarter of a count says nothing
		for _, p := range ps {
			sum += (p.y - f(p.x)) * (p.y - f(p.x))
		}
		return sum
	}
	if gainOK && offOK {
		byGain, byOffset := squares(func(x float64) float64 { return g0 * x }), squares(func(x float64) float64 { return s*x + off })
		offOK, gainOK = byOffset < 25*byGain, byGain < 25*byOffset
	}
	varied := sxx/n-(sx/n)*(sx/n) > 0.01*sxx/n
	if volts, fixed := c.fixedVolts(v, few); fixed && v.Column.Kind == logfile.Power {
		if gainOK {
			return found("nominal-voltage", 0.6, fmt.Sprintf("is the current times a constant %.4g V; %.4g times the reading would explain these rows as well: %s",
				volts, math.Abs(g0), c.tellsApart("nominal-voltage", "gain")))
		}
		return found("nominal-voltage", 0.9, fmt.Sprintf("is the current times a constant %.4g V", volts))
	}
	switch {
	case gainOK && g0*s < 0 && math.Abs(math.Abs(g0)-1) <= 0.004:
		return found("sign", 0.9, "has the wrong sign wherever current flows")
	case gainOK && nearestFactor(math.Abs(g0)) != 0:
		return found("unit-factor", 0.95, fmt.Sprintf("is %s times the reading, a confusion of units", factorName(nearestFactor(math.Abs(g0)))))
	case gainOK && (!offOK || varied || math.Abs(math.Abs(g0)-1) > 0.004):
		conf := 0.9
		ev := fmt.Sprintf("is %.4g times the reading", math.Abs(g0))
		if !offOK && v.Column.Kind == logfile.Current {
			off, offOK = c.oneCurrent(v, rows)
		}
		if offOK {
			conf = 0.7
			ev += fmt.Sprintf("; an offset of %+.4g %s would explain these rows as well: %s", off, unit, c.tellsApart("gain", "offset"))
		}
		fs := found("gain", conf, ev)
		if offOK {
			fs[0].Rivals = []string{"offset"}
		}
		return fs
	case offOK && math.Abs(off) >= v.Count/2:
		conf := 0.9
		if math.Abs(off) < 2*v.Count {
			conf = 0.5 // a sign that is lost at rest looks the same
		}
		return found("offset", conf, fmt.Sprintf("is the reading %+.4g %s (%.1f counts)", off, unit, off/v.Count))
	}
	if det := n*sxx - sx*sx; det > 1e-12*n*sxx && varied {
		g := (n*sxy - sx*sy) / det
		b := (sy - g*sx) / n
		if math.Abs(g) > 0.2 && misses(func(x float64) float64 { return g*x + b }, 0.003) <= few {
			return append(found("gain", 0.5, fmt.Sprintf("is %.4g times the reading %+.4g %s", math.Abs(g), b, unit)),
				found("offset", 0.7, fmt.Sprintf("is %.4g times the reading %+.4g %s", math.Abs(g), b, unit))...)
		}
	}
	return c.fewWrong(v, row, worst, unit, get, found)
}

// fewWrong names why some rows of a column are wrong and no constant explains it: what happened there, or a reading that is too old.
func (c *Case) fewWrong(v *Value, row int, worst float64, unit string, get func(int) float64,
	found func(name string, conf float64, evidence string) []verdict.Finding) []verdict.Finding {
	// Following the readings at a fixed lag. Power is the product of two columns, of which one may be late.
	slack := 0.0
	if v.Column.Kind == logfile.Power {
		slack = 0.02
	}
	for d := 2; d <= 200; d++ {
		late, wrong := 0, 0
		for r, x := range v.Residual {
			k := c.At[r]
			if math.IsNaN(x) || math.Abs(v.Column.Value[r]-v.Sign*get(k)) <= 2*v.Count+v.Column.Step[r] || !c.Series.Good(k) {
				continue
			}
			wrong++
			old := v.Sign * get(max(k-d, 0))
			tol := 2*v.Count + v.Column.Step[r]
			if math.IsNaN(old) || math.Abs(v.Column.Value[r]-old) > tol+slack*math.Abs(old) || math.Abs(old-v.Sign*get(k)) <= tol {
				late++
			}
		}
		if wrong > 0 && 20*late <= wrong {
			return found("stale-reading", 0.85, fmt.Sprintf("shows the reading %d before", d))
		}
	}
	// Or a mean that goes far back.
	if how := c.filtered(v, get); how != "" {
		return found("stale-reading", 0.85, "shows no reading but "+how)
	}
	// Or those of an earlier row.
	for d := 1; d <= 5; d++ {
		wrong, late := 0, 0
		for r, x := range v.Residual {
			if math.IsNaN(x) || math.Abs(x) <= v.Count+v.Column.Step[r] {
				continue
			}
			wrong++
			if old := v.Sign * get(c.At[max(r-d, 0)]); !(math.Abs(v.Column.Value[r]-old) <= v.Count+v.Column.Step[r]) {
				late++
			}
		}
		if wrong > 0 && late == 0 {
			return found("stale-reading", 0.8, fmt.Sprintf("shows the reading of the row %d before", d))
		}
	}
	from := 0
	if row > 0 {
		from = c.At[row-1]
	}
	if h := c.happened(from, c.At[row]); h != nil {
		return found(h.cause, 0.5, fmt.Sprintf("is outside the readings of its interval by up to %.4g %s since %s", worst, unit, h.what))
	}
	return found("unexplained", 0.4, fmt.Sprintf("is outside the readings of its interval by up to %.4g %s", worst, unit))
}

// filtered says what mean over many readings gives all but a few of a column's rows; "" if none does.
func (c *Case) filtered(v *Value, get func(int) float64) string {
	s := c.Series
	fits := func(mean func(k int) float64) bool {
		shown := make([]float64, s.Len())
		for k := range shown {
			shown[k] = mean(k)
		}
		wrong, n := 0, 0
		for r, y := range v.Column.Value {
			if math.IsNaN(y) {
				continue
			}
			if n++; !(math.Abs(y-v.Sign*shown[c.At[r]]) <= v.Count+v.Column.Step[r]) {
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
			if x := get(k); s.Good(k) && begun {
				level += (x - level) / float64(n)
			} else if s.Good(k) {
				level, begun = x, true
			}
			return level
		}) {
			return fmt.Sprintf("a running mean with a weight of 1/%d for the newest", n)
		}
		var last []float64
		sum := 0.0
		life = -1
		if fits(func(k int) float64 {
			if s.Life[k] != life {
				last, sum, life = last[:0], 0, s.Life[k]
			}
			if s.Good(k) {
				last = append(last, get(k))
				if sum += get(k); len(last) > n {
					sum -= last[len(last)-1-n]
				}
			}
			return sum / float64(max(1, min(n, len(last))))
		}) {
			return fmt.Sprintf("the mean of the last %d", n)
		}
	}
	return ""
}

// fixedVolts is the one voltage that gives a column of power with the currents of its readings, if one does in all but a few rows.
func (c *Case) fixedVolts(v *Value, few int) (volts float64, fixed bool) {
	var pi, ii float64
	for r, y := range v.Column.Value {
		if k := c.At[r]; !math.IsNaN(y) && c.Series.Good(k) {
			pi, ii = pi+y*c.Series.I[k], ii+c.Series.I[k]*c.Series.I[k]
		}
	}
	if ii == 0 {
		return 0, false
	}
	volts = pi / ii
	misses := 0
	for r, y := range v.Column.Value {
		if k := c.At[r]; !math.IsNaN(y) && c.Series.Good(k) && math.Abs(y-volts*c.Series.I[k]) > 2*v.Column.Step[r]+1e-3*math.Abs(y) {
			misses++
		}
	}
	return math.Abs(volts), misses <= few
}

// constant says that the rows of a column show their readings and one constant beside them, all but a few to the digit, and which.
func (c *Case) constant(v *Value, rows []int) (off float64, is bool) {
	if v.Column.Kind == logfile.Power || len(rows) < 10 {
		return 0, false
	}
	get := c.reading(v.Column.Kind)
	var rest []float64
	var xs []float64
	for _, r := range rows {
		x := get(c.At[r])
		xs, rest = append(xs, x), append(rest, v.Column.Value[r]-v.Sign*x)
	}
	usual, varied := slices.Sorted(slices.Values(xs))[len(xs)/2], 0
	for _, x := range xs {
		if math.Abs(x-usual) > 20*v.Count { // else a factor says the same
			varied++
		}
	}
	off = slices.Sorted(slices.Values(rest))[len(rest)/2]
	var xy, xx float64
	for _, r := range rows {
		x := get(c.At[r])
		xy, xx = xy+x*v.Column.Value[r], xx+x*x
	}
	misses, byFactor := 0, 0
	for i, r := range rows {
		step := v.Column.Step[r] * 1.01
		if math.Abs(rest[i]-off) > step {
			misses++
		}
		if math.Abs(v.Column.Value[r]-xy/max(xx, 1e-12)*get(c.At[r])) > step {
			byFactor++
		}
	}
	if byFactor <= misses {
		return 0, false // a factor says as much
	}
	return off, varied > len(rows)/20 && misses <= len(rows)/20 && math.Abs(off) > 2*v.Column.Step[rows[0]]
}

// whileFlowing says that the rows of a column of current show its readings and one constant beside them (or beyond their size) where these
// are not zero, at currents that differ too much for a factor, all but a few to the digit, and in how many rows.
func (c *Case) whileFlowing(v *Value, rows []int) (off float64, outward bool, n int) {
	if v.Column.Kind != logfile.Current {
		return 0, false, 0
	}
	var at []int
	for _, r := range rows {
		if x := c.Series.I[c.At[r]]; x != 0 {
			at = append(at, r)
		}
	}
	if len(at) < 10 || len(at) == len(rows) {
		return 0, false, 0
	}
	for _, outward := range []bool{false, true} {
		rest := make([]float64, len(at))
		lo, hi, byFactor := math.Inf(1), 0.0, 0
		var xy, xx float64
		for i, r := range at {
			x, y := c.Series.I[c.At[r]], v.Column.Value[r]*v.Sign
			rest[i] = y - x
			if outward {
				rest[i] *= math.Copysign(1, x)
			}
			lo, hi = min(lo, math.Abs(x)), max(hi, math.Abs(x))
			xy, xx = xy+x*y, xx+x*x
		}
		off := slices.Sorted(slices.Values(rest))[len(rest)/2]
		misses := 0
		for i, r := range at {
			step := v.Column.Step[r] * 1.01
			if math.Abs(rest[i]-off) > step {
				misses++
			}
			if x := c.Series.I[c.At[r]]; math.Abs(v.Column.Value[r]*v.Sign-xy/xx*x) > step {
				byFactor++
			}
		}
		if misses <= len(at)/20 && byFactor > len(at)/20 && hi > lo+20*v.Count && math.Abs(off) > 2*v.Column.Step[at[0]] {
			return off, outward, len(at)
		}
	}
	return 0, false, 0
}

// oneCurrent says that wherever current flows it varies so little that a factor and a constant that is added while current flows differ by a
// count at most, and what a column shows beside it there.
func (c *Case) oneCurrent(v *Value, rows []int) (off float64, one bool) {
	lo, hi, sum, flow, n := math.Inf(1), math.Inf(-1), 0.0, 0.0, 0
	for _, r := range rows {
		if x := c.Series.I[c.At[r]]; x != 0 {
			lo, hi, sum, flow, n = min(lo, x), max(hi, x), sum+v.Sign*v.Column.Value[r]-x, flow+x, n+1
		}
	}
	return sum / float64(max(n, 1)), n > 0 && math.Abs(sum)*(hi-lo) <= v.Count*math.Abs(flow)
}

// What is done to a value to make it a multiple of a quantum.
const (
	cutTo     = "cut to"
	roundedTo = "rounded to"
)

// quantum is the amount, coarser than the print, to multiples of which the rows of a column are their readings cut or rounded; 0 if they
// are not.
func (c *Case) quantum(v *Value, rows []int) (q float64, how string) {
	if v.Column.Kind == logfile.Power || len(rows) < 10 {
		return 0, ""
	}
	get := c.reading(v.Column.Kind)
	for _, q := range []float64{0.01, 0.02, 0.05, 0.1, 0.2, 0.25, 0.5, 1} {
		step := v.Column.Step[rows[0]]
		if q < 3*v.Count || q < 5*step {
			continue
		}
		cut, round, moved := 0, 0, 0
		for _, r := range rows {
			x, y := v.Sign*get(c.At[r]), v.Column.Value[r]
			if math.Abs(math.Remainder(y, q)) > step/2 {
				cut, round = 0, 0
				break
			}
			if math.Abs(x-math.Round(x/q)*q) > v.Count {
				moved++ // its reading is no multiple itself
			}
			if math.Abs(x) >= math.Abs(y)-step && math.Abs(x) <= math.Abs(y)+q+step && x*y >= 0 {
				cut++
			}
			if math.Abs(x-y) <= q/2+step {
				round++
			}
		}
		need := len(rows) - len(rows)/20
		switch {
		case moved < 5 || 10*moved < len(rows):
		case cut >= need:
			return q, cutTo
		case round >= need:
			return q, roundedTo
		}
	}
	return 0, ""
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

// missesBy counts the rows of a column that do not show what a function makes of their reading.
func (c *Case) missesBy(rows []int, v *Value, of func(k int) float64) int {
	n := 0
	for _, r := range rows {
		if math.Abs(v.Column.Value[r]-of(c.At[r])) > 2*v.Count+v.Column.Step[r] {
			n++
		}
	}
	return n
}

func direction(way float64) string {
	if way > 0 {
		return "into the battery"
	}
	return "out of the battery"
}

// reading gives the reading that a column of a kind should show.
func (c *Case) reading(k logfile.Kind) func(k int) float64 {
	s := c.Series
	switch k {
	case logfile.Voltage:
		return func(k int) float64 { return s.V[k] }
	case logfile.Power:
		return func(k int) float64 { return s.I[k] * s.V[k] }
	}
	return func(k int) float64 { return s.I[k] }
}

// bothWays says that current flows into and out of the battery by more than a few counts.
func (c *Case) bothWays() bool {
	in, out := false, false
	for _, x := range c.Series.I {
		in = in || x > 8*c.Series.Amp
		out = out || x < -8*c.Series.Amp
	}
	return in && out
}

func (c *Case) showsMinus(col *logfile.Column) bool {
	for _, v := range col.Value {
		if v < 0 {
			return true
		}
	}
	return false
}

// nearFailed says that one of the readings of the row's interval failed.
func (c *Case) nearFailed(k int) bool {
	t := 0.0
	for q := k; q >= 0 && t <= max(c.Log, 30)+2*c.Series.Period; q-- {
		if !c.Series.Good(q) {
			return true
		}
		t += c.Series.Dt[q]
	}
	return false
}

// deadRows counts rows that show zero where the readings show current; 0 unless that is all that is wrong, and what is shown elsewhere is
// more than that.
func (c *Case) deadRows(v *Value) int {
	n, dead := 0, 0.0
	get := c.reading(v.Column.Kind)
	for r, x := range v.Residual {
		if math.IsNaN(x) || math.Abs(x) <= v.Count+v.Column.Step[r] {
			continue
		}
		if v.Column.Value[r] != 0 {
			return 0
		}
		n++
		if x := get(c.At[r]); !math.IsNaN(x) {
			dead = max(dead, math.Abs(x))
		}
	}
	less := 0
	for _, y := range v.Column.Value {
		if y != 0 && math.Abs(y) <= dead { // NaN is not
			less++
		}
	}
	if less >= n {
		return 0
	}
	return n
}
