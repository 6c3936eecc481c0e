package validate

import (
	"errors"
	"fmt"
	"maps"
	"math"
	"slices"
	"strings"

	"stuntcell/emulator"
	"stuntcell/scenarios"
	"stuntcell/validate/logfile"
)

// A log may come without a header (LINK.md: "the first may be a header"), or with words that nobody understands. Its columns are then told
// by what they hold, since the judge knows what was shown: a counter is one that the readings had, a voltage lies among the voltages that
// were read, and a total moves as the integral does. Totals are told by how they move, not by where they stand, so that one that
// jumps at a wrap is still known for what it is; where any number that moves is not known the log stays unreadable.

// Telling is a scenario in which all that a logger may write goes its own way, so that columns without names tell what they hold.
const Telling = `
scenario: telling-columns
summary: Discharge at two rates, and charge.
purpose: What is told here of a log without a header holds in all scenarios, also where nothing flows and where the log is wrong.
start: {charge: 90 %}
plan:
  - {rest: 5 min}
  - {discharge: 0.5 C, ends: {time: 40 min}}
  - {rest: 5 min}
  - {discharge: 0.1 C, ends: {time: 30 min}}
  - {charge: 0.2 C, to: absorb, ends: {time: 40 min}}
  - {rest: 5 min}
`

// TellColumns describes the columns of a log that does not name them, as the `columns:` block of a project file does: number of the field, from
// 1, to what it holds. It is nil if the log names its columns, or if one that matters cannot be told, as where nothing flows.
func TellColumns(sc *scenarios.Scenario, rec *emulator.Record) map[string]string {
	if rec.Skipped != "" {
		return nil
	}
	j := newJudge(sc, rec)
	_, err := logfile.ParseLines(j.lines(), j.form(nil))
	return j.describe(err)
}

// describe is TellColumns of a log that could not be read because of err.
func (j *judge) describe(err error) map[string]string {
	var unreadable *logfile.Error
	if !errors.As(err, &unreadable) || unreadable.Block == "" || len(j.series.I) == 0 {
		return nil
	}
	bare := j.form(nil)
	bare.Unnamed = true
	table, err := logfile.ParseLines(j.lines(), bare)
	if err != nil || len(table.Rows) < unnamedRows {
		return nil
	}
	was := j.table
	defer func() { j.table = was }()
	j.table = table
	return j.tellColumns()
}

// readUnnamed reads a log that does not name its columns, as told says or else the log itself. It returns nil if they cannot be told.
func (j *judge) readUnnamed(told func() map[string]string, err error) *logfile.Table {
	var columns map[string]string
	if told != nil {
		columns = told()
	}
	if columns == nil {
		columns = j.describe(err)
	}
	if columns == nil {
		return nil
	}
	table, err := logfile.ParseLines(j.lines(), j.form(columns))
	if err != nil {
		return nil
	}
	fields := slices.Sorted(maps.Keys(columns))
	for i, f := range fields {
		fields[i] = f + ": " + columns[f]
	}
	j.notes = append(j.notes, "no header says what the columns hold; told by their values, as stuntcell.yaml could say it, columns: {"+strings.Join(fields, ", ")+"}")
	return table
}

const (
	unnamedRows   = 8     // fewer rows tell no columns apart
	mostRows      = 0.9   // so many rows must agree with what a column is taken for
	unitsApart    = 0.3   // a total is of a unit if it moves as the integral does but for so much; of several units that fit, the closest
	sameFit       = 0.005 // of two that fit as well the plainer one, which is tried first
	nearlyNothing = 0.02  // of the other direction: noise about zero
	printsApart   = 20    // so many printed units a total must have moved before its step tells anything
)

// tellColumns describes each column of a table without names, as a `columns:` block does; nil if one that matters cannot be told.
func (j *judge) tellColumns() map[string]string {
	described := map[string]string{}
	say := func(c *logfile.Column, what string) { described[fmt.Sprint(c.Field)] = what }
	var open []*logfile.Column // numbers that are not told yet
	timed := false             // a column tells itself that it is a time
	for i := range j.table.Columns {
		c := &j.table.Columns[i]
		if c.Kind != logfile.Other { // a date, a time of day, Unix time
			timed = timed || c.Kind == logfile.Clock || c.Kind == logfile.Elapsed
			continue
		}
		if say(c, "other"); moves(c.Value) {
			open = append(open, c)
		}
	}
	take := func(what string, is func(c *logfile.Column) bool) bool {
		for i, c := range open {
			if is(c) {
				say(c, what)
				open = slices.Delete(open, i, i+1)
				return true
			}
		}
		return false
	}

	after := j.answeredReadings()
	j.at, j.fits = slices.Clone(after), make([]bool, len(after))
	placed := take("tick", func(c *logfile.Column) bool {
		counts := *c
		counts.Scale = 0 // counts of the rig's own counter
		return whole(c.Value) && j.matchTicks(&counts, after)
	}) ||
		take("clock unix", func(c *logfile.Column) bool {
			if float64(j.showsFace(c, after, func(unix int64) int64 { return unix })) < mostRows*float64(len(c.Value)) {
				return false
			}
			c.Kind, c.Zoned = logfile.Clock, true // it is what places the rows
			return true
		}) || timed
	for _, u := range []struct {
		name  string
		scale float64
	}{{"s", 1}, {"ms", 1e-3}, {"min", 60}, {"h", 3600}} {
		placed = take("elapsed "+u.name, func(c *logfile.Column) bool {
			seconds := *c
			seconds.Value = scaled(c.Value, u.scale)
			fits, n := j.showsElapsed(&seconds, after)
			if n == 0 || float64(fits) < mostRows*float64(n) || !j.rec.Stream {
				return n > 0 && float64(fits) >= mostRows*float64(n)
			}
			// Without answers only the length of the run tells what does not fall from time, and it is what places the rows.
			if placed || 2*reach(seconds.Value) < lasted(j.rec) {
				return false
			}
			c.Kind, c.Value, c.Step = logfile.Elapsed, seconds.Value, scaled(c.Step, u.scale)
			return true
		}) || placed
	}
	j.match() // by dates and times that tell themselves, if no counter did
	if placed && j.tickColumn == nil && j.clockColumn == nil && j.rec.Stream && float64(count(j.fits)) < mostRows*float64(len(j.fits)) {
		return nil
	}
	take("index", func(c *logfile.Column) bool {
		for r, v := range c.Value {
			if v-c.Value[0] != float64(r) {
				return false
			}
		}
		return true
	})
	for _, q := range j.shownQuantities() {
		take(q.what, func(c *logfile.Column) bool { return j.shows(c, q) })
	}
	open = j.tellTotals(open, say)

	has := func(kind string) bool {
		for _, what := range described {
			if strings.HasPrefix(what, kind) {
				return true
			}
		}
		return false
	}
	if len(open) > 1 || !has("charge") && !j.rec.Cannot["totals"] || len(open) == 1 && has("energy") {
		return nil
	}
	if len(open) == 1 { // beside a total of charge the one number that is left is that of energy, however wrong
		say(open[0], "energy")
	}
	return described
}

// answeredReadings is the reading that each row was an answer to; the last for rows of a stream, which has no answers.
func (j *judge) answeredReadings() []int {
	last := len(j.rec.Readings.T) - 1
	out := make([]int, len(j.table.Rows))
	for r, line := range j.table.Rows {
		if out[r] = min(max(j.rec.Rows[line].After, 0), last); j.rec.Stream {
			out[r] = last
		}
	}
	return out
}

// shownQuantity is what a reading shows, in a unit.
type shownQuantity struct {
	what       string
	scale      float64 // SI value of one unit
	count      float64 // of the front end [SI]
	of         func(k int) float64
	unsignedOK bool
}

func (j *judge) shownQuantities() []shownQuantity {
	s := j.series
	v := func(k int) float64 { return s.V[k] }
	i := func(k int) float64 { return s.I[k] }
	p := func(k int) float64 { return s.I[k] * s.V[k] }
	watt := s.Amp*s.V[0] + s.Volt*math.Abs(s.I[0])
	if math.IsNaN(watt) {
		watt = s.Amp * 100
	}
	return []shownQuantity{
		{"voltage V", 1, s.Volt, v, false}, {"voltage mV", 1e-3, s.Volt, v, false},
		{"current A", 1, s.Amp, i, true}, {"current mA", 1e-3, s.Amp, i, true},
		{"power W", 1, watt, p, true}, {"power mW", 1e-3, watt, p, true},
	}
}

// shows says that nearly all rows of a column lie among what was read within the last half minute or interval, be the sign what it may;
// and that it is no wonder, since the quantity was far from nothing in some of them.
func (j *judge) shows(c *logfile.Column, q shownQuantity) bool {
	back := max(2, int(max(30, j.log)/j.series.Period)+1)
	for _, sign := range []float64{1, -1} {
		fit, rows, large := 0, 0, 0
		for r, x := range c.Value {
			at := j.at[r]
			low, high := math.Inf(1), math.Inf(-1)
			for k := max(0, at-back); k <= at; k++ {
				if y := q.of(k); !math.IsNaN(y) {
					low, high = min(low, y), max(high, y)
				}
			}
			if low > high || math.IsNaN(x) {
				continue
			}
			rows++
			size := max(math.Abs(low), math.Abs(high))
			room := 2*q.count + c.Step[r]*q.scale + 0.02*size
			y := x * q.scale * sign
			if y >= low-room && y <= high+room || q.unsignedOK && y >= 0 && -y >= low-room && -y <= high+room {
				fit++
				if size > 10*room {
					large++
				}
			}
		}
		if rows >= unnamedRows && float64(fit) >= mostRows*float64(rows) && large >= rows/10+2 {
			return true
		}
	}
	return false
}

// tellTotals describes the columns that move as an integral of the readings does, and returns those that do not.
func (j *judge) tellTotals(open []*logfile.Column, say func(*logfile.Column, string)) []*logfile.Column {
	type total struct {
		what  string
		scale float64
		sum   []float64
	}
	net, in, out := j.integrals()
	var all []total
	for q, units := range []map[string]float64{{"Ah": 3600, "mAh": 3.6, "uAh": 3.6e-3, "As": 1, "mAs": 1e-3}, {"Wh": 3600, "mWh": 3.6, "J": 1, "kJ": 1000}} {
		kind := []string{"charge", "energy"}[q]
		for _, unit := range slices.Sorted(maps.Keys(units)) {
			all = append(all, total{kind + " " + unit, units[unit], net[q]})
			if a, b := reach(in[q]), reach(out[q]); min(a, b) > nearlyNothing*max(a, b) {
				all = append(all, total{kind + " in " + unit, units[unit], in[q]}, total{kind + " out " + unit, units[unit], out[q]})
			}
		}
	}
	var rest []*logfile.Column
	told := map[string]*logfile.Column{}
	for _, c := range open {
		what, best := "", math.MaxFloat64
		for _, t := range all {
			if d := j.movesAs(c, t.scale, t.sum); d < best-sameFit && told[t.what] == nil {
				what, best = t.what, d
			}
		}
		if what == "" {
			rest = append(rest, c)
			continue
		}
		told[what] = c
		say(c, what)
	}
	// Of a pair of totals the one for the direction in which nothing flows hardly moves; it stands next to the other.
	return slices.DeleteFunc(rest, func(c *logfile.Column) bool {
		near := ""
		for _, what := range slices.Sorted(maps.Keys(told)) {
			if t := told[what]; strings.Count(what, " ") == 1 && reach(c.Value) < nearlyNothing*reach(t.Value) && (near == "" || apart(t, c) < apart(told[near], c)) {
				near = what
			}
		}
		if near == "" {
			return false
		}
		kind, unit, _ := strings.Cut(near, " ")
		small, large := "in", "out"
		if q := slices.Index([]string{"charge", "energy"}, kind); net[q][len(net[q])-1] > 0 {
			small, large = large, small
		}
		say(c, kind+" "+small+" "+unit)
		say(told[near], kind+" "+large+" "+unit)
		delete(told, near)
		return true
	})
}

// count is how many are so.
func count(so []bool) int {
	n := 0
	for _, x := range so {
		if x {
			n++
		}
	}
	return n
}

// apart is how many fields lie between two columns.
func apart(a, b *logfile.Column) int { return max(a.Field-b.Field, b.Field-a.Field) }

// reach is from the least to the largest number.
func reach(v []float64) float64 {
	low, high := math.Inf(1), math.Inf(-1)
	for _, x := range v {
		if !math.IsNaN(x) {
			low, high = min(low, x), max(high, x)
		}
	}
	return high - low
}

// integrals are charge [A·s] and energy [W·s] at each reading by trapezoid over the true time: net, into the battery, out of it.
func (j *judge) integrals() (net, in, out [2][]float64) {
	s := j.series
	for q := range net {
		net[q], in[q], out[q] = make([]float64, len(s.I)), make([]float64, len(s.I)), make([]float64, len(s.I))
		last := 0.0
		for k, i := range s.I {
			y := i
			if q == 1 {
				y *= s.V[k]
			}
			if math.IsNaN(y) {
				y = last
			}
			if k > 0 {
				step := (y + last) / 2 * s.Dt[k]
				net[q][k], in[q][k], out[q][k] = net[q][k-1]+step, in[q][k-1]+max(step, 0), out[q][k-1]+max(-step, 0)
			}
			last = y
		}
	}
	return net, in, out
}

// movesAs is by how much of itself a column's step differs from that of a sum, the median over the log, and what share of its steps
// does not agree at all: a jump, a wrap or a restart is one step of many. It is infinite where nothing can be told.
func (j *judge) movesAs(c *logfile.Column, scale float64, sum []float64) float64 {
	n := len(c.Value)
	var ratios []float64
	most := 0.0
	for r := range n {
		most = max(most, math.Abs(sum[j.at[r]]-sum[j.at[0]]))
	}
	still := 0.0 // how far the column goes where the sum stands
	for from, r := 0, 1; r < n; r++ {
		x, y := (c.Value[r]-c.Value[from])*scale, sum[j.at[r]]-sum[j.at[from]]
		if math.IsNaN(x) {
			continue
		}
		if math.Abs(y) < 1e-3*most {
			still = max(still, math.Abs(x))
		}
		if math.Abs(y) < most/50 || math.Abs(y) < printsApart*c.Step[r]*scale {
			continue
		}
		ratios = append(ratios, math.Abs(x/y))
		from = r
	}
	off := make([]float64, 0, len(ratios))
	for _, x := range ratios {
		if d := math.Abs(x - 1); d < unitsApart {
			off = append(off, d)
		}
	}
	if len(ratios) < 3 || 5*len(off) < 3*len(ratios) || still > most/10 {
		return math.Inf(1)
	}
	slices.Sort(off)
	return off[len(off)/2] + 1 - float64(len(off))/float64(len(ratios))
}

// moves says that the numbers are not all the same.
func moves(v []float64) bool { return reach(v) > 0 }

// whole says that all numbers are whole.
func whole(v []float64) bool {
	for _, x := range v {
		if x != math.Trunc(x) { // nan is not
			return false
		}
	}
	return true
}
