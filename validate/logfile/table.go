package logfile

import (
	"fmt"
	"math"
	"slices"
	"strings"
)

// Kind says what a column holds.
type Kind uint8

// The kinds of column. The split totals (…In, …Out) grow with charge into and out of the battery.
const (
	Other       Kind = iota // not understood, or nothing that is judged; kept with its numbers as printed
	Tick                    // a free-running counter, whole numbers, may wrap
	Elapsed                 // time since some start [s]
	Clock                   // wall clock [s]
	Voltage                 // [V]
	Current                 // [A]
	Power                   // [W]
	Charge                  // net total [A·s]
	ChargeIn                // [A·s]
	ChargeOut               // [A·s]
	Energy                  // net total [W·s]
	EnergyIn                // [W·s]
	EnergyOut               // [W·s]
	Temperature             // [K]
	Index                   // number of the row
	Phase                   // name or number of a step, as text
)

var kindNames = [...]string{"other", "tick", "elapsed", "clock", "voltage", "current", "power", "charge", "charge in",
	"charge out", "energy", "energy in", "energy out", "temperature", "index", "phase"}

// String returns the word that a `columns:` block uses for the kind.
func (k Kind) String() string {
	if int(k) < len(kindNames) {
		return kindNames[k]
	}
	return "unknown"
}

// Column is what is known of a column and what its cells hold, one entry a data row.
type Column struct {
	Header  string // as written; both headers with a space between if date and time stand in two columns
	Field   int    // its place in a line, from 1; of the date if date and time stand in two
	Kind    Kind
	Channel int     // 1 to 4; 1 if none was said
	Unit    string  // canonical: "ms", "s", "mA", "Ah"; "" if none was said
	Scale   float64 // printed value × Scale + Offset = SI (s, V, A, W, A·s, W·s, K); 0 for ticks of unknown length
	Offset  float64 // 0 but for temperatures [K]
	// Guessed says that no unit was said: Scale is the convention (s, V, A, W, Ah, Wh), and the values must agree.
	Guessed bool
	// Direction says what the words say: +1 into the battery, -1 out of it, 0 nothing. A "discharge current" has Kind
	// Current and Direction -1, which says nothing of its printed sign.
	Direction int8
	// PerStep says that the words say that it starts again in each step or phase.
	PerStep bool
	// Zoned says that an offset, a Z or Unix time was printed, so that a Clock's values are true Unix seconds.
	Zoned bool
	// NoDate says that a Clock shows the time of day only: its values are seconds since midnight.
	NoDate bool
	// MayBeClock says of an Elapsed column that it is printed as h:mm:ss, stays below 24 h, and that its header says no more than
	// "time": its values may be times of day.
	MayBeClock bool
	// OfRow says of an Other column that it numbers the channel of which each row is: one row for each, not one column.
	OfRow bool
	// Value holds the cells in SI, NaN where one is missing. A Tick's are the raw counts, exact up to 2^53. A Clock's are
	// Unix seconds as if the printed wall time were UTC, unless Zoned.
	Value []float64
	// Step holds the SI value of one unit in the last printed place of each cell ("6.300" Ah has 3.6 A·s), NaN where missing.
	Step []float64
	// Text holds the cells of a Phase as printed; nil for other kinds.
	Text []string
}

// ProblemKind says what is wrong with a line.
type ProblemKind string

// The kinds of problem.
const (
	BrokenRow ProblemKind = "broken-row" // wrong number of fields, text in a number's place, half a row
	Torn      ProblemKind = "torn"       // the same, on a line that Options.TornOK excuses or that ends the file without an end of line
	// WrongDate is a date or time that does not exist, such as 30 February. The row is among the rows all the same, its clock
	// missing.
	WrongDate ProblemKind = "wrong-date"
)

// Problem is a malformed row, or a row with a date that does not exist.
type Problem struct {
	Line     int // index into the lines, from 0
	Column   int // byte in the line where it shows, from 1
	Kind     ProblemKind
	Text     string // the line, cut to 200 bytes, made printable
	Expected string
	Hint     string
}

// String renders the problem on one line, its line counted from 1.
func (p Problem) String() string {
	s := fmt.Sprintf("%d:%d: %s: expected %s, found %q", p.Line+1, p.Column, p.Kind, p.Expected, p.Text)
	if p.Hint != "" {
		s += "; " + p.Hint
	}
	return s
}

// NotNumber is a cell of a quantity that spells what arithmetic gives where there is no result: nan. Its row is among the rows
// all the same, and the cell is missing there.
type NotNumber struct {
	Row    int // index into Rows
	Column int // index into Columns
}

// Segment begins at a header. A second header that says other columns begins another.
type Segment struct {
	Line int // of the header; -1 if there is none
	Row  int // the first row of it, as an index into Rows
}

// Table is a log that was read. Lines are indices into the lines handed in, from 0.
type Table struct {
	Columns      []Column
	Rows         []int     // the line of each data row
	Problems     []Problem // malformed rows, which are not in Rows, and wrong dates, whose rows are
	NotNumbers   []NotNumber
	Headers      []int // lines that were headers, the first and the repeated ones, unit lines included
	Comments     []int // comment, title and banner lines
	Footers      []int // closing lines such as totals
	Blank        int   // how many lines were empty
	Segments     []Segment
	Separator    byte // ',', ';', '\t', '|', ' ' (runs of blanks), 0 if a row has one field
	Keyed        bool // rows name their values: V=12.61 I=-1.40
	DecimalComma bool
	// Unfinished says that the last row was read from a line without an end, as a power cut leaves it: its last cell may be cut.
	// Only a Reader can know.
	Unfinished bool
	// Notes say what was seen and not taken, one sentence each.
	Notes []string
}

// something says that a line of any kind is in the table.
func (t *Table) something() bool {
	return len(t.Rows)+len(t.Problems)+len(t.Headers)+len(t.Comments)+len(t.Footers)+t.Blank > 0
}

// Pair returns the two columns of a kind that show one direction each, of which one is nothing, to a printed unit, while the other is not;
// nil if there are none.
func (t *Table) Pair(kind Kind, channel int) (in, out *Column) {
	for i := range t.Columns {
		switch c := &t.Columns[i]; {
		case c.Kind != kind || c.Channel != channel:
		case c.Direction > 0 && in == nil:
			in = c
		case c.Direction < 0 && out == nil:
			out = c
		}
	}
	if in == nil || out == nil {
		return nil, nil
	}
	for r, v := range in.Value {
		least := math.Min(math.Abs(v), math.Abs(out.Value[r]))
		if least > math.Max(in.Step[r], out.Step[r])*(1+1e-9) { // NaN is not
			return nil, nil
		}
	}
	return in, out
}

// Find returns the best column of the kind and channel, nil if there is none: the first that does not start again in each step,
// rather one with a unit.
func (t *Table) Find(kind Kind, channel int) *Column {
	var best *Column
	worth := func(c *Column) int {
		w := 0
		if !c.PerStep {
			w += 2
		}
		if !c.Guessed {
			w++
		}
		return w
	}
	for i := range t.Columns {
		c := &t.Columns[i]
		if c.Kind == kind && c.Channel == channel && (best == nil || worth(c) > worth(best)) {
			best = c
		}
	}
	return best
}

// Keep leaves the rows alone of which keep says so, and what is known of them.
func (t *Table) Keep(keep func(row int) bool) {
	at := make([]int, len(t.Rows)+1) // the new place of each row
	n := 0
	for r := range t.Rows {
		at[r] = n
		if !keep(r) {
			continue
		}
		t.Rows[n] = t.Rows[r]
		for i := range t.Columns {
			c := &t.Columns[i]
			c.Value[n], c.Step[n] = c.Value[r], c.Step[r]
			if c.Text != nil {
				c.Text[n] = c.Text[r]
			}
		}
		n++
	}
	at[len(t.Rows)] = n
	t.NotNumbers = slices.DeleteFunc(t.NotNumbers, func(x NotNumber) bool { return at[x.Row+1] == at[x.Row] })
	for i := range t.NotNumbers {
		t.NotNumbers[i].Row = at[t.NotNumbers[i].Row]
	}
	for i := range t.Segments {
		t.Segments[i].Row = at[t.Segments[i].Row]
	}
	t.Rows = t.Rows[:n]
	for i := range t.Columns {
		c := &t.Columns[i]
		c.Value, c.Step = c.Value[:n], c.Step[:n]
		if c.Text != nil {
			c.Text = c.Text[:n]
		}
	}
}

// Options say what the lines do not. The zero value is the default.
type Options struct {
	// Columns says what columns hold: header, or 1-based number of the field, to a description such as "charge mAh"
	// (see CheckColumns). It is the `columns:` block of stuntcell.yaml.
	Columns map[string]string
	// TornOK says that a line may be torn since the power failed while it was written. Nil: none may.
	TornOK func(line int) bool
	// Day says that a Unix day is one that the log can be of, which settles what 02/03/2026 is where the log itself does not. Nil:
	// nothing is known, and such a log is refused.
	Day func(unixDay int) bool
	// Unnamed has a log read whose header says nothing or is not there: what only a header can say is Other.
	Unnamed bool
	// Lasted is how long the log can have lasted [s], which settles what 12:34 is. 0: nothing is known, and such a log is refused.
	Lasted float64
	// Follow makes a Reader keep an unfinished last line at the end of its input, for a file that still grows.
	Follow bool
	// Workers is how many goroutines of a Reader read plain rows ahead of Next; 0 none. The batches hold the same rows in the same order.
	Workers int

	slow  bool // for tests: read every row the long way
	piece int  // for tests: how many bytes a worker takes at a time; 0: pieceSize
	large int  // for tests: size of a buffer with workers; 0: largeBuffer
	anyOf bool // a column that Columns names need not be there: another header had it
}

// Error says why a log as a whole cannot be understood.
type Error struct {
	Line, Column int    // from 1; 0 if it is about the whole log
	Text         string // what is wrong
	Expected     string
	Hint         string
	Block        string // the `columns:` block to add, if one would mend it
	early        bool   // rows may still come
}

// Error renders all of it; the file's name is for the caller to put before it.
func (e *Error) Error() string {
	var b strings.Builder
	if e.Line > 0 {
		fmt.Fprintf(&b, "%d:%d: ", e.Line, max(e.Column, 1))
	}
	b.WriteString(e.Text)
	if e.Expected != "" {
		b.WriteString("; expected " + e.Expected)
	}
	if e.Hint != "" {
		b.WriteString("\nhint: " + e.Hint)
	}
	if e.Block != "" {
		b.WriteString("\n" + strings.TrimRight(e.Block, "\n"))
	}
	return b.String()
}
