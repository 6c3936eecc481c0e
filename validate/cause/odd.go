package cause

import (
	"fmt"
	"math"
	"slices"

	"stuntcell/validate/logfile"
	"stuntcell/validate/replay"
	"stuntcell/validate/verdict"
)

// odd is a mistake for which the table of causes has no name, but which can be replayed: to the last digit it is told all the same.
type odd struct {
	how, mend string
	totals    func(rule replay.Rule) *replay.Totals // of its meter, at Case.Index; nil: it is made of the healthy totals
	rows      func(p []float64) []float64           // what the rows show of totals p at Case.Index; nil: those of the rows
}

// odd names columns that such a mistake gives, all of them to the last digit.
func (c *Case) odd(wrong []*Column) []verdict.Finding {
	if slices.ContainsFunc(wrong, func(col *Column) bool { return col.Role == Elapsed }) {
		return nil
	}
	for _, o := range c.odds(wrong) {
		for _, rule := range []replay.Rule{c.Meter.Rule, replay.Trapezoid, replay.Left, replay.Right} {
			t := c.healthy(rule)
			if o.totals != nil {
				t = o.totals(rule)
			}
			if t == nil || slices.ContainsFunc(wrong, func(col *Column) bool { return !c.showsAll(col, o.of(c, col.Role.Of(t))) }) {
				continue
			}
			var out []verdict.Finding
			for _, col := range wrong {
				row := firstBad([]*Column{col})
				f := c.finding("unexplained", ofFirmware, 0.8, row)
				f.Evidence = fmt.Sprintf("replayed with a mistake that has no name here (%s) the readings give every row of column %q to the last digit; without it that is off by %.4g %s",
					o.how, col.Header, col.Unrolled.Raw/col.Display, unitOr(col))
				f.Mend = o.mend
				c.quote(&f, col, row)
				out = append(out, f)
			}
			return merge(out)
		}
	}
	return nil
}

// of is what the rows show of a mistake's totals.
func (o *odd) of(c *Case, p []float64) []float64 {
	at := make([]float64, len(c.Marks.Row))
	for r, i := range c.Marks.Row {
		at[r] = p[i]
	}
	if o.rows != nil {
		return o.rows(at)
	}
	return at
}

// showsAll says that a column shows these totals, by a sign of its own, in every row of the first power-up, and that they move.
func (c *Case) showsAll(col *Column, want []float64) bool {
	for _, sign := range []float64{1, -1} {
		fits, n := true, 0
		most := 0.0
		for r, v := range col.Printed.Value {
			if math.IsNaN(v) || math.IsNaN(want[r]) || c.Marks.Life[r] != 0 {
				continue
			}
			n++
			most = max(most, math.Abs(want[r]))
			if math.Abs(sign*v-want[r]) > 1.01*col.Printed.Unit[r]+fitNoise*col.Limit+1e-9*math.Abs(want[r]) {
				fits = false
				break
			}
		}
		if fits && n >= 10 && most > 20*col.Printed.Unit[0] {
			return true
		}
	}
	return false
}

// odds are the mistakes without a name that these columns may have.
func (c *Case) odds(wrong []*Column) []odd {
	s := c.Series
	amps := 0.0
	for k, i := range s.I {
		if s.Good(k) {
			amps = max(amps, math.Abs(i))
		}
	}
	out := []odd{{
		how:  "each row shows the totals that the row before should show",
		mend: "Add what was read before the row is written.",
		rows: func(at []float64) []float64 { return append([]float64{0}, at[:len(at)-1]...) },
	}, {
		how:  "what was added up since the start is added to the total at each row once more",
		mend: "Clear the part that was counted since the row before when it has been added to the total.",
		rows: func(at []float64) []float64 {
			sum, all := 0.0, make([]float64, len(at))
			for r, x := range at {
				sum += x
				all[r] = sum
			}
			return all
		},
	}}
	trial := NewComparison(c.Series, c.Index, c.Marks, wrong, false)
	meter := func(how, mend string, change func(*replay.Meter)) {
		out = append(out, odd{how: how, mend: mend, totals: func(rule replay.Rule) *replay.Totals {
			m := replay.Meter{Rule: rule, Bad: c.Meter.Bad}
			change(&m)
			if !trial.With(m, func(least []float64) bool {
				return slices.ContainsFunc(wrong, func(col *Column) bool { return least[slices.Index(wrong, col)] > col.Limit/10 })
			}) {
				return nil
			}
			return trial.Totals
		}})
	}
	meter("the step that ends with the reading of a row is added twice", "Add each step in one place.", func(m *replay.Meter) { m.RowAgain = true })
	meter("a step at whose end the readings are those of its start is left out", "A reading like the one before is a reading all the same: its time counts.", func(m *replay.Meter) { m.SkipSame = true })
	meter("the step that ends with the reading of a row is left out", "Add each step, whether or not a row is due.", func(m *replay.Meter) { m.RowLost = true })
	meter("the step that begins with the reading of a row is left out", "Keep the reading of a row as the last one, as any other.", func(m *replay.Meter) { m.RowForgets = true })
	for _, most := range c.clips(amps) {
		meter(fmt.Sprintf("a current counts as %.4g A at most", most), "Let the range of what is added be that of the sensor, and tell when that ends.", func(m *replay.Meter) { m.Clip = most })
	}
	for _, most := range []float64{0.5, 1, 2, 3, 5, 10, 20} {
		if most < amps {
			meter(fmt.Sprintf("a current that differs by more than %g A from the last one is not believed, and that one is taken in its place", most),
				"A load that is switched is no glitch: believe a reading that the next one confirms.", func(m *replay.Meter) { m.Glitch = most })
		}
	}
	for _, n := range []int{3, 5, 7, 9} {
		meter(fmt.Sprintf("the median of the last %d currents is added, so that what lasts for less than half of them is lost", n),
			"Smooth what is shown, and add what was read.", func(m *replay.Meter) { m.Median = n })
	}
	c.smoothed(wrong, meter)
	meter("the time of each step runs from the last row, not from the last reading",
		"Keep the time of a reading, as last = now, whenever its step has been added, not only where a row is written.", func(m *replay.Meter) { m.TimeAtRow = true })
	for _, band := range append([]float64{s.Amp / 2}, c.deadBands()...) {
		meter(fmt.Sprintf("the time of a reading is kept only where at least %.3g A flows, so that the step after a rest is as long as the rest", band),
			"Keep the time of every reading, also of those that add nothing.", func(m *replay.Meter) { m.TimeBand = band })
	}
	c.deadVolts(wrong, meter)
	return out
}

// deadVolts are the round voltages that are passed next to where the totals depart.
func (c *Case) deadVolts(wrong []*Column, meter func(how, mend string, change func(*replay.Meter))) {
	s := c.Series
	row := firstBad(wrong)
	if row < 0 || row >= len(c.At) {
		return
	}
	low, high := math.Inf(1), math.Inf(-1)
	for k := c.At[max(row-2, 0)]; k <= c.At[row]; k++ {
		if s.Good(k) {
			low, high = min(low, s.V[k]), max(high, s.V[k])
		}
	}
	const mend = "Add what flows at any voltage; what is to happen at a level is the load's or the charger's to do, not the sum's."
	left := 12 // levels that are tried
	for _, round := range []float64{0.5, 0.1, 0.05} {
		for n := math.Ceil(low/round - 1e-9); n*round <= high+1e-9 && left > 0; n++ {
			v := n * round
			meter(fmt.Sprintf("nothing is added while the voltage is below %.4g V", v), mend, func(m *replay.Meter) { m.DeadVolt = v })
			meter(fmt.Sprintf("nothing is added while the voltage is above %.4g V", v), mend, func(m *replay.Meter) { m.DeadVolt = -v })
			left--
		}
	}
}

// clips are the currents at which a number may end: where the log's own column stands, round ones, and those of some bits of counts.
func (c *Case) clips(amps float64) []float64 {
	var out []float64
	add := func(x float64) {
		if x > amps/20 && x < 0.99*amps {
			out = append(out, x)
		}
	}
	if c.Table != nil {
		for i := range c.Table.Columns {
			if col := &c.Table.Columns[i]; col.Kind == logfile.Current {
				most, rows := 0.0, 0
				for _, v := range col.Value {
					switch v = math.Abs(v); {
					case v > most:
						most, rows = v, 1
					case v == most:
						rows++
					}
				}
				if rows >= 5 {
					add(most)
				}
			}
		}
	}
	for _, x := range []float64{1, 1.5, 2, 2.5, 3, 4, 5, 6, 8, 10, 12, 15, 16, 20, 25, 30, 40, 50, 3.2767, 6.5535, 32.767} {
		add(x)
	}
	for bits := 7; bits < 16; bits++ {
		add((math.Ldexp(1, bits) - 1) * c.Series.Amp)
	}
	return out
}

// startsAgain names totals that begin at nothing again in rows where no setting, midnight, clock or power is to blame: a file that was opened, a
// counter of rows, a button.
func (c *Case) startsAgain(col *Column) *verdict.Finding {
	if col.Role == Elapsed {
		return nil
	}
	for _, rule := range []replay.Rule{c.Meter.Rule, replay.Trapezoid, replay.Left, replay.Right} {
		p := col.Role.Of(c.healthy(rule))
		for _, sign := range []float64{1, -1} {
			var at []int
			base, before, last := 0.0, 0.0, -1
			fits := true
			for r, v := range col.Printed.Value {
				if math.IsNaN(v) || c.Marks.Life[r] != 0 {
					continue
				}
				t, tol := p[c.Marks.Row[r]], col.Limit/10+2*col.Printed.Unit[r]
				if off := sign*v + base - t; math.Abs(off) > tol {
					moved := math.Abs(t - before)
					if last < 0 || math.Abs(v) > 1.1*moved+tol || math.Abs(col.Printed.Value[last]) <= 10*(moved+tol) {
						fits = false
						break
					}
					at, base = append(at, r), t-sign*v
				}
				before, last = t, r
			}
			if !fits || len(at) == 0 || 10*len(at) > len(col.Printed.Value) {
				continue
			}
			f := c.finding("unexplained", ofFirmware, 0.8, at[0])
			f.Evidence = fmt.Sprintf("column %q begins again at nothing in row %d", col.Header, at[0]+1)
			if len(at) > 1 {
				f.Evidence += fmt.Sprintf(", and %d times in all, %d rows apart", len(at), at[1]-at[0])
			}
			if file := c.fileOf(at[0]); file != "" {
				f.Evidence += fmt.Sprintf(", the first in file %q", file)
			}
			f.Evidence += "; from there on it follows its readings"
			f.Mend = "Clear totals only when somebody asks for it: not when a file is opened, a buffer is full or a number of rows is reached."
			// It may be cleared behind the row that is written first.
			if h := c.happened(c.At[max(at[0]-2, 0)], c.At[at[0]]); len(at) == 1 && h != nil && h.cause == "card-loss" {
				f.Cause, f.Confidence, f.Mend = h.cause, 0.9, MendOf(h.cause)
				f.Evidence = fmt.Sprintf("column %q begins again at nothing in row %d, as the card takes rows again; from there on it follows its readings", col.Header, at[0]+1)
			}
			c.quote(&f, col, at[0])
			return &f
		}
	}
	return nil
}

// standsFrom names a total that follows its readings up to a row and stands at one value from there on, whatever flows: held at an end that somebody
// set, or left out of a branch.
func (c *Case) standsFrom(col *Column) *verdict.Finding {
	if col.Role == Elapsed {
		return nil
	}
	last := lastOf(col.Printed.Value)
	at := last
	for at > 0 && (math.IsNaN(col.Printed.Value[at-1]) || math.Abs(col.Printed.Value[at-1]-col.Printed.Value[last]) <= 1.01*col.Printed.Unit[last]) {
		at--
	}
	if at < 5 || last-at < 10 || c.Marks.Life[last] != 0 {
		return nil
	}
	for _, rule := range []replay.Rule{c.Meter.Rule, replay.Trapezoid, replay.Left, replay.Right} {
		p := col.Role.Of(c.healthy(rule))
		for _, sign := range []float64{1, -1} {
			fits := math.Abs(p[c.Marks.Row[last]]-p[c.Marks.Row[at]]) > 2*col.Limit
			for r, v := range col.Printed.Value[:at] {
				fits = fits && (math.IsNaN(v) || math.Abs(sign*v-p[c.Marks.Row[r]]) <= col.Limit/10+1.01*col.Printed.Unit[r])
			}
			if !fits {
				continue
			}
			f := c.finding("unexplained", ofFirmware, 0.8, at)
			f.Evidence = fmt.Sprintf("column %q follows its readings up to row %d and stands at %.6g %s from there on, whatever flows; the reading there is %.4g V and %.4g A, %.0f s after the first",
				col.Header, at+1, col.Printed.Value[last]/col.Display, unitOr(col), c.Series.V[c.At[at]], c.Series.I[c.At[at]], c.Totals.Elapsed[c.Marks.Row[at]])
			f.Mend = "See what ends the sum there: a limit that holds the total, as at empty or full, a condition of voltage or time under which nothing is added."
			c.quote(&f, col, at)
			return &f
		}
	}
	return nil
}

// rowCount names a time since the start that is the number of the row times an interval.
func (c *Case) rowCount(col *Column) *verdict.Finding {
	if col.Role != Elapsed {
		return nil
	}
	step, n := 0.0, 0
	for r := 1; r < len(col.Printed.Value); r++ {
		d := col.Printed.Value[r] - col.Printed.Value[r-1]
		if math.IsNaN(d) || c.Marks.Life[r] != c.Marks.Life[r-1] {
			continue
		}
		if n++; n == 1 {
			step = d
		}
		if step <= 0 || math.Abs(d-step) > 0.01*col.Printed.Unit[r]+1e-6*step {
			return nil
		}
	}
	if n < 20 || math.Abs(step/c.Log-1) > 0.01 {
		return nil
	}
	row := firstBad([]*Column{col})
	f := c.finding("nominal-dt", ofFirmware, 0.9, row)
	f.Evidence = fmt.Sprintf("column %q moves by exactly %.6g s at each row, whatever time passed: rows are counted, not time", col.Header, step)
	f.Mend = "Print the time that passed by the counter, not the number of rows times the interval."
	c.quote(&f, col, row)
	return &f
}

// fileOf is the file that begins with a row; "" if none does.
func (c *Case) fileOf(r int) string {
	if r == 0 {
		return ""
	}
	if name := c.Record.Rows[c.Line[r]].File; name != c.Record.Rows[c.Line[r-1]].File {
		return name
	}
	return ""
}

// mixed names a total that is made of two other columns of its row that do not belong together, as a net energy less a charge.
func (c *Case) mixed(col *Column) *verdict.Finding {
	if col.Role != Charge && col.Role != Energy {
		return nil
	}
	for i, x := range c.Column {
		for _, y := range c.Column[:i] {
			if x == col || y == col || x.Role == Elapsed || y.Role == Elapsed || !x.Role.Splits() || !y.Role.Splits() {
				continue
			}
			for _, sx := range []float64{1, -1} {
				for _, sy := range []float64{1, -1} {
					n, fits := 0, true
					for r, v := range col.Printed.Value {
						a, b := x.Printed.Value[r]/x.Display, y.Printed.Value[r]/y.Display
						if math.IsNaN(v) || math.IsNaN(a) || math.IsNaN(b) {
							continue
						}
						n++
						if math.Abs(v/col.Display-sx*a-sy*b) > (2.1*col.Printed.Unit[r])/col.Display+x.Printed.Unit[r]/x.Display+y.Printed.Unit[r]/y.Display {
							fits = false
							break
						}
					}
					if !fits || n < 10 || x.Role.IsEnergy() == y.Role.IsEnergy() && x.Role.IsEnergy() == col.Role.IsEnergy() {
						continue
					}
					if sx < 0 && sy > 0 {
						x, y, sx, sy = y, x, sy, sx
					}
					of := fmt.Sprintf("%q", x.Header)
					switch {
					case sx < 0:
						of = fmt.Sprintf("less %q less %q", x.Header, y.Header)
					case sy < 0:
						of += fmt.Sprintf(" less %q", y.Header)
					default:
						of += fmt.Sprintf(" and %q", y.Header)
					}
					row := firstBad([]*Column{col})
					f := c.finding("unexplained", ofFirmware, 0.9, row)
					f.Evidence = fmt.Sprintf("column %q is made of columns that do not belong to it, row for row: %s", col.Header, of)
					f.Mend = "Make the net of a quantity from its own two directions."
					c.quote(&f, col, row)
					return &f
				}
			}
		}
	}
	return nil
}
