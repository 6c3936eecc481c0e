package calibrate

import (
	"bytes"
	"fmt"
	"math"
	"strconv"
	"strings"
	"unicode/utf8"

	"stuntcell/model/quantity"
)

// Bounds of a pairs file.
const (
	maxBytes  = 4 << 20
	maxPairs  = 100_000
	maxMeters = 32
	maxFaults = 20
)

// Meter is a reference with the accuracy that its maker states.
type Meter struct {
	Name string
	// Quantity is what it measures here.
	Quantity quantity.Kind
	// Reading is the part of its accuracy that grows with the reading (0.005 is 0.5 %), Fixed the part that does not: digits, percent of range, or plain [A] or [V].
	Reading, Fixed float64
	// Range is its full scale [A] or [V].
	Range float64
	// Stated says that the file gives its accuracy.
	Stated bool
	// Text is the accuracy as written.
	Text string
}

// Limit is the largest error that the meter's accuracy allows at reading x.
func (m Meter) Limit(x float64) float64 { return m.Reading*math.Abs(x) + m.Fixed }

// Pair is one reading of the rig beside one of a meter, [A] or [V].
type Pair struct {
	Rig, Meter float64
	Line       int // in the file, from 1
}

// Series is the pairs of one quantity against one meter.
type Series struct {
	Meter Meter
	Pairs []Pair
}

// Parse reads a pairs file: comma-separated rows under a header of `rig_A, meter_A` (or mA, V, mV) and, if there is more than one meter, `meter`. A new
// header begins another block. Meters are stated in lines before the rows that use them:
//
//	meter: bench, 0.5 % + 3 digits of 0.01 A, range 20 A
//	meter: clamp, 1 % of range + 0.05 A, range 40 A
//
// Lines that begin with # are remarks. file is a name for messages. The error is quantity.Diagnostics.
func Parse(file string, data []byte) ([]Series, error) {
	p := parser{file: file}
	if len(data) > maxBytes {
		p.fail(1, 1, fmt.Sprintf("the file has %d bytes", len(data)), fmt.Sprintf("at most %d", maxBytes), "one row for each comparison is enough")
		return nil, p.faults
	}
	data = bytes.TrimPrefix(data, []byte("\xef\xbb\xbf"))
	if i := bytes.IndexByte(data, 0); i >= 0 || !utf8.Valid(data) {
		p.fail(1, 1, "the file is no text", "UTF-8 text with commas", "save it as CSV, UTF-8")
		return nil, p.faults
	}
	text := strings.ReplaceAll(strings.ReplaceAll(string(data), "\r\n", "\n"), "\r", "\n")
	for n, line := range strings.Split(text, "\n") {
		p.line(n+1, line)
		if len(p.faults) >= maxFaults {
			p.fail(n+1, 1, "more than that is wrong; reading stopped here", "", "")
			break
		}
	}
	if len(p.faults) == 0 {
		p.finish()
	}
	if len(p.faults) > 0 {
		return nil, p.faults
	}
	return p.series, nil
}

type parser struct {
	file   string
	faults quantity.Diagnostics
	meters []Meter
	series []Series
	pairs  int
	// The present header: unit factors and places of the columns, -1 if there is none.
	kind                quantity.Kind
	rigUnit, meterUnit  float64
	rigCol, metCol, who int
	columns             int
}

func (p *parser) fail(line, col int, message, expected, hint string) {
	p.faults = append(p.faults, quantity.Diagnostic{File: p.file, Line: line, Col: col, Message: message, Expected: expected, Hint: hint})
}

// cell is a cell with the column at which it begins, from 1.
type cell struct {
	text string
	col  int
}

func cells(line string) []cell {
	var out []cell
	at := 0
	for {
		end := strings.IndexByte(line[at:], ',')
		part := line[at:]
		if end >= 0 {
			part = line[at : at+end]
		}
		lead := len(part) - len(strings.TrimLeft(part, " \t"))
		out = append(out, cell{strings.TrimSpace(part), at + lead + 1})
		if end < 0 {
			return out
		}
		at += end + 1
	}
}

func (p *parser) line(n int, line string) {
	trimmed := strings.TrimSpace(line)
	if trimmed == "" || trimmed[0] == '#' {
		return
	}
	if rest, ok := strings.CutPrefix(trimmed, "meter:"); ok {
		p.meter(n, strings.Index(line, "meter:")+len("meter:"), rest)
		return
	}
	if strings.ContainsAny(line, ";\t") && !strings.Contains(line, ",") {
		p.fail(n, strings.IndexAny(line, ";\t")+1, "the cells are not parted by commas", "rig_A, meter_A", "decimal points, commas between cells")
		return
	}
	c := cells(line)
	if isHeader(c) {
		p.header(n, c)
		return
	}
	p.row(n, c)
}

func isHeader(c []cell) bool {
	for _, x := range c {
		if strings.HasPrefix(x.text, "rig_") || strings.HasPrefix(x.text, "meter_") {
			return true
		}
	}
	return false
}

// columnUnits are the units that a column's name may end in.
var columnUnits = [...]struct {
	suffix string
	kind   quantity.Kind
	factor float64
}{
	{"A", quantity.Current, 1}, {"mA", quantity.Current, 1e-3}, {"V", quantity.Voltage, 1}, {"mV", quantity.Voltage, 1e-3},
}

func (p *parser) header(n int, c []cell) {
	before := len(p.faults)
	p.rigCol, p.metCol, p.who, p.columns, p.kind = -1, -1, -1, len(c), 0
	for i, x := range c {
		if x.text == "meter" {
			p.who = i
			continue
		}
		name, suffix, _ := strings.Cut(x.text, "_")
		found := false
		for _, u := range columnUnits {
			if suffix != u.suffix || name != "rig" && name != "meter" {
				continue
			}
			found = true
			if p.kind != 0 && p.kind != u.kind {
				p.fail(n, x.col, fmt.Sprintf("%s beside another quantity", x.text), "amperes beside amperes, volts beside volts", "")
			}
			p.kind = u.kind
			if name == "rig" {
				p.rigCol, p.rigUnit = i, u.factor
			} else {
				p.metCol, p.meterUnit = i, u.factor
			}
		}
		if !found {
			p.fail(n, x.col, fmt.Sprintf("column %.40q", x.text), "rig_A, meter_A (or mA, V, mV), meter", "")
		}
	}
	if len(p.faults) == before && (p.rigCol < 0 || p.metCol < 0) {
		p.fail(n, 1, "a header without both sides", "rig_A, meter_A (or mA, V, mV)", "")
	}
	if len(p.faults) > before {
		p.columns = -1 // the rows under it mean nothing
	}
}

func (p *parser) row(n int, c []cell) {
	if p.columns == 0 {
		p.fail(n, 1, fmt.Sprintf("a row %.40q before any header", c[0].text), "a header: rig_A, meter_A", "")
		p.columns = -1
		return
	}
	if p.columns < 0 || p.kind == 0 {
		return
	}
	if len(c) != p.columns {
		p.fail(n, 1, fmt.Sprintf("%d cells", len(c)), fmt.Sprintf("%d, as the header has", p.columns), "decimal commas? write points")
		return
	}
	number := func(i int, unit float64) (float64, bool) {
		v, err := strconv.ParseFloat(c[i].text, 64)
		if err != nil || math.IsNaN(v) || math.IsInf(v, 0) || strings.ContainsAny(c[i].text, "xXpP_") {
			p.fail(n, c[i].col, fmt.Sprintf("%.40q is no number", c[i].text), "a reading such as -10.02", "")
			return 0, false
		}
		if v *= unit; math.Abs(v) > 1e6 {
			p.fail(n, c[i].col, fmt.Sprintf("%.40q is out of range", c[i].text), "at most 1e6", "")
			return 0, false
		}
		return v, true
	}
	r, ok1 := number(p.rigCol, p.rigUnit)
	m, ok2 := number(p.metCol, p.meterUnit)
	if !ok1 || !ok2 {
		return
	}
	if p.pairs++; p.pairs > maxPairs {
		p.fail(n, 1, "too many rows", fmt.Sprintf("at most %d", maxPairs), "")
		return
	}
	var name string
	col := 1
	if p.who >= 0 {
		name, col = c[p.who].text, c[p.who].col
	}
	s := p.of(n, col, name)
	if s == nil {
		return
	}
	s.Pairs = append(s.Pairs, Pair{Rig: r, Meter: m, Line: n})
}

// of returns the series of the present quantity against the meter of this name.
func (p *parser) of(line, col int, name string) *Series {
	for i := range p.series {
		if m := p.series[i].Meter; m.Quantity == p.kind && m.Name == name {
			return &p.series[i]
		}
	}
	var stated []Meter
	for _, m := range p.meters {
		if m.Quantity == p.kind && (m.Name == name || name == "") {
			stated = append(stated, m)
		}
	}
	switch {
	case name == "" && len(stated) > 1:
		p.fail(line, col, "several meters are stated, but the row does not say which", "a column meter", "")
		return nil
	case len(stated) == 0 && name != "" && len(p.meters) > 0:
		var names []string
		for _, m := range p.meters {
			names = append(names, m.Name)
		}
		hint := quantity.Nearest(name, names)
		if hint != "" {
			hint += "?"
		}
		p.fail(line, col, fmt.Sprintf("meter %.40q is not stated for this quantity", name), "a line such as meter: "+printable(name)+", 0.5 % + 3 digits of 0.01 A, range 20 A", hint)
		return nil
	case len(p.series) >= maxMeters:
		p.fail(line, col, "too many meters", fmt.Sprintf("at most %d", maxMeters), "")
		return nil
	}
	m := Meter{Name: name, Quantity: p.kind}
	if len(stated) == 1 {
		m = stated[0]
		if name == "" {
			// Rows without a name belong to the only meter: look again under its own.
			for i := range p.series {
				if p.series[i].Meter == m {
					return &p.series[i]
				}
			}
		}
	}
	p.series = append(p.series, Series{Meter: m})
	return &p.series[len(p.series)-1]
}

// meter reads `NAME, TERM [+ TERM]..., range Q`; col is where it begins, from 0.
func (p *parser) meter(n, col int, text string) {
	const form = "meter: NAME, 0.5 % + 3 digits of 0.01 A, range 20 A"
	parts := strings.SplitN(text, ",", 2)
	m := Meter{Name: strings.TrimSpace(parts[0]), Stated: true}
	if m.Name == "" || len(parts) < 2 {
		p.fail(n, col+1, "a meter without name or accuracy", form, "")
		return
	}
	terms, last, ok := cutLast(parts[1], ",")
	last = strings.TrimSpace(last)
	full, isRange := strings.CutPrefix(last, "range ")
	if !ok || !isRange {
		p.fail(n, col+1, fmt.Sprintf("meter %.40q has no range", m.Name), form, "what it can read at most in the range that was used")
		return
	}
	r, err := quantity.Parse(full, quantity.Current, quantity.Voltage)
	if err == nil && !(r.SI > 0) {
		err = fmt.Errorf("a range of %s", r)
	}
	if err != nil {
		p.fail(n, col+1, err.Error(), form, "")
		return
	}
	m.Quantity, m.Range = r.Kind, r.SI
	m.Text = strings.TrimSpace(terms)
	for _, term := range strings.Split(terms, "+") {
		if err := m.add(strings.TrimSpace(term)); err != nil {
			p.fail(n, col+1, err.Error(), form, "terms: 0.5 %, 0.2 % of range, 3 digits of 0.01 A, 0.05 A")
			return
		}
	}
	for _, old := range p.meters {
		if old.Name == m.Name && old.Quantity == m.Quantity {
			p.fail(n, col+1, fmt.Sprintf("meter %.40q is stated twice", m.Name), "one line for each meter and quantity", "give another range another name")
			return
		}
	}
	if len(p.meters) >= maxMeters {
		p.fail(n, col+1, "too many meters", fmt.Sprintf("at most %d", maxMeters), "")
		return
	}
	p.meters = append(p.meters, m)
}

// add takes one term of an accuracy.
func (m *Meter) add(term string) error {
	share := func(text string) (float64, error) {
		v, err := quantity.Parse(text, quantity.Ratio)
		if err == nil {
			err = quantity.Between(0, 0.5).Check(v)
		}
		return v.SI, err
	}
	own := func(text string) (float64, error) {
		v, err := quantity.Parse(text, m.Quantity)
		if err == nil {
			err = quantity.Between(0, m.Range).Check(v)
		}
		return v.SI, err
	}
	if text, ok := strings.CutSuffix(term, "of range"); ok {
		v, err := share(text)
		m.Fixed += v * m.Range
		return err
	}
	if text, ok := strings.CutSuffix(term, "of reading"); ok {
		v, err := share(text)
		m.Reading += v
		return err
	}
	for _, word := range []string{" digits of ", " digit of "} {
		count, size, ok := strings.Cut(term, word)
		if !ok {
			continue
		}
		k, err := strconv.ParseUint(strings.TrimSpace(count), 10, 16)
		if err != nil {
			return fmt.Errorf("%.40q is no count of digits", count)
		}
		v, err := own(size)
		m.Fixed += float64(k) * v
		return err
	}
	if v, err := share(term); err == nil {
		m.Reading += v
		return nil
	}
	v, err := own(term)
	m.Fixed += v
	return err
}

func (p *parser) finish() {
	if len(p.series) == 0 {
		p.fail(1, 1, "no pairs", "a header rig_A, meter_A and rows under it", "")
	}
	for _, s := range p.series {
		if len(s.Pairs) < 3 {
			p.fail(s.Pairs[0].Line, 1, fmt.Sprintf("%d pairs against %s", len(s.Pairs), s.Meter.name()), "3 at least: two fit any line, the third shows whether it is one", "")
			continue
		}
		same := true
		for _, q := range s.Pairs {
			same = same && q.Rig == s.Pairs[0].Rig
		}
		if same {
			p.fail(s.Pairs[0].Line, 1, "all readings of the rig are equal", "pairs at several currents or voltages", "gain and offset cannot be told apart at one point")
		}
	}
}

func (m Meter) name() string {
	if m.Name == "" {
		return "the meter"
	}
	return "meter " + m.Name
}

func cutLast(s, sep string) (before, after string, ok bool) {
	i := strings.LastIndex(s, sep)
	if i < 0 {
		return s, "", false
	}
	return s[:i], s[i+len(sep):], true
}

func printable(s string) string {
	if len(s) > 40 {
		s = s[:40]
	}
	return strconv.Quote(s)
}
