// Package cause names what is wrong with a log: from a failed check to a cause of JUDGING.md's table, with evidence, cost
// and mend.
//
// The surest way to name a cause is to replay the readings through a meter that has it and to compare every row. That is
// what this package does first ([Totals]); where no replay fits, it looks at where and how the log departs from its
// readings and what happened there. It never names a failure that no failed check stands behind.
package cause

import (
	"stuntcell/emulator"
	"stuntcell/validate/logfile"
	"stuntcell/validate/replay"
	"stuntcell/validate/verdict"
)

// Role says what a column of totals holds.
type Role uint8

// Roles of a column.
const (
	Charge Role = iota
	ChargeIn
	ChargeOut
	Energy
	EnergyIn
	EnergyOut
	Elapsed
)

// String names the role as a verdict does.
func (r Role) String() string {
	return [...]string{"charge", "charge in", "charge out", "energy", "energy in", "energy out", "elapsed"}[r]
}

// Of returns the role's totals.
func (r Role) Of(t *replay.Totals) []float64 {
	return [...][]float64{t.Charge, t.In, t.Out, t.Energy, t.EnergyIn, t.EnergyOut, t.Elapsed}[r]
}

// IsEnergy says that the role is in W·s.
func (r Role) IsEnergy() bool { return r == Energy || r == EnergyIn || r == EnergyOut }

// Splits says that the role counts one direction only.
func (r Role) Splits() bool {
	return r == ChargeIn || r == ChargeOut || r == EnergyIn || r == EnergyOut
}

// Column is a column of totals beside what it should be.
type Column struct {
	Header   string
	Role     Role
	Display  float64 // SI value of one of its printed units (3600 for Ah)
	Unit     string  // as printed: "Ah"
	Printed  replay.Printed
	Unrolled *replay.Unrolled // against the healthy meter
	Limit    float64          // allowed besides one printed unit, SI
	Scale    float64          // throughput: what a ratio of 1 is, SI
	OK       bool
}

// looks is how often a replay is looked at whether it is still worth going on.
const looks = 32

// Comparison compares columns with what meters would have written, one meter after the other.
type Comparison struct {
	// Totals and Unrolled are of the last meter; the rows of Unrolled are there only if they are kept.
	Totals   *replay.Totals
	Unrolled []*replay.Unrolled

	series *replay.Series
	index  []int
	cols   []*Column
	keeps  bool
	work   *replay.Work
	rows   []*replay.Unroller
	least  []float64
}

// NewComparison prepares to compare columns, with totals at the readings in index. keep says that all that comes of each meter is the
// caller's; otherwise the next takes its place.
func NewComparison(s *replay.Series, index []int, marks replay.Marks, cols []*Column, keep bool) *Comparison {
	c := &Comparison{series: s, index: index, cols: cols, keeps: keep, least: make([]float64, len(cols))}
	for _, col := range cols {
		c.rows = append(c.rows, replay.NewUnroller(col.Printed, marks, col.Limit))
	}
	return c
}

// With replays a meter. It gives up and returns false as soon as hopeless says so of what will be left of each column at least.
func (c *Comparison) With(m replay.Meter, hopeless func(least []float64) bool) bool {
	if c.work == nil || c.keeps {
		c.work = c.series.Start(m, c.index)
		c.Totals = c.work.Totals
	} else {
		c.work.Again(m)
	}
	for i, col := range c.cols {
		if p := col.Role.Of(c.Totals); c.keeps {
			c.rows[i].Keep(p)
		} else {
			c.rows[i].Begin(p)
		}
	}
	for part := range looks {
		n := (part + 1) * len(c.index) / looks
		c.work.To(n)
		for i, u := range c.rows {
			u.To(n)
			c.least[i] = u.Least()
		}
		if hopeless(c.least) {
			return false
		}
	}
	c.Unrolled = make([]*replay.Unrolled, len(c.rows))
	for i, u := range c.rows {
		c.Unrolled[i] = u.Best()
	}
	return true
}

// Case is what there is to look at: a run, its log, and how far the log was understood.
type Case struct {
	Record *emulator.Record
	Series *replay.Series
	Table  *logfile.Table
	At     []int // reading of each data row
	Line   []int // index into Record.Rows of each data row
	// Index lists the readings at which totals are taken (rows and step begins, ascending); Marks points into it.
	Index    []int
	Marks    replay.Marks
	Meter    replay.Meter // the healthy meter that the log was found to use
	Totals   *replay.Totals
	Column   []*Column
	Scenario string
	// Shown are the causes that volts, amperes or the time of rows show by themselves: what is wrong there is wrong in the sums as well.
	Shown []string
	// Throughput and EnergyThroughput are the integrals of |i| and |v·i| [A·s], [W·s].
	Throughput, EnergyThroughput float64
	// Log is the time between rows [s].
	Log float64
	// Pulses says that pulses or noise around the cutoff are the scenario's purpose.
	Pulses bool
	// Cells is how many cells the pack has in series.
	Cells int
	// Zone is the fixed zone that printed times were found to use [s].
	Zone int64

	byRule map[replay.Rule]*replay.Totals // of healthy meters, as they were asked for
}

// healthy is the totals of the plain meter of a rule.
func (c *Case) healthy(rule replay.Rule) *replay.Totals {
	m := replay.Meter{Rule: rule, Bad: c.Meter.Bad}
	if m == c.Meter && c.Totals != nil {
		return c.Totals
	}
	if c.byRule[rule] == nil {
		if c.byRule == nil {
			c.byRule = map[replay.Rule]*replay.Totals{}
		}
		c.byRule[rule] = c.Series.Run(m, c.Index)
	}
	return c.byRule[rule]
}

// Seconds is the true time of reading k since the plan began [s].
func (c *Case) Seconds(k int) float64 {
	if k < 0 || len(c.Record.Readings.T) == 0 {
		return 0
	}
	k = min(k, len(c.Record.Readings.T)-1)
	return float64(c.Record.Readings.T[k]) * 1e-9
}

// finding starts a finding at a data row.
func (c *Case) finding(name string, of string, confidence float64, row int) verdict.Finding {
	f := verdict.Finding{Cause: name, Severity: "failure", Of: of, Confidence: confidence, Row: row + 1, Mend: MendOf(name)}
	if row >= 0 && row < len(c.At) {
		f.AtS = c.Seconds(c.At[row])
	}
	return f
}

// text is the log's own line of data row j.
func (c *Case) text(j int) string {
	if j < 0 || j >= len(c.Line) {
		return ""
	}
	s := c.Record.Rows[c.Line[j]].Text
	if len(s) > 120 {
		s = s[:117] + "..."
	}
	return s
}
