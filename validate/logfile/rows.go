package logfile

import (
	"bytes"
	"fmt"
	"math"
	"slices"
	"strings"
)

// ParseLines reads a log that is whole in memory. The error is an *Error, and says that the log as a whole cannot be
// understood; malformed rows are in Table.Problems instead. No line needs to end in a newline.
func ParseLines(lines []string, opts Options) (*Table, error) {
	look := func(from int) source {
		var s source
		for i := from; i < len(lines) && len(s.first) < sniffLines; i++ {
			s.first = append(s.first, numbered{i, trimLine([]byte(lines[i]), i)})
		}
		s.all = func(yield func(numbered) bool) {
			for i := from; i < len(lines); i++ {
				if !yield(numbered{i, trimLine([]byte(lines[i]), i)}) {
					return
				}
			}
		}
		return s
	}
	a := &assembler{opts: opts, table: &Table{}, look: look}
	if err := a.begin(look(0)); err != nil {
		return nil, err
	}
	for i := range a.table.Columns {
		c := &a.table.Columns[i]
		c.Value, c.Step = slices.Grow(c.Value, len(lines)), slices.Grow(c.Step, len(lines))
	}
	a.table.Rows = slices.Grow(a.table.Rows, len(lines))
	var buffer []byte
	for i := 0; i < len(lines); {
		if buffer = joinLines(buffer[:0], lines[i:]); len(buffer) > 0 {
			used, n := a.plainRows(i, buffer, '\n', len(lines)-i)
			if i += n; used == len(buffer) {
				continue
			}
		}
		buffer = append(buffer[:0], lines[i]...)
		a.push(i, trimLine(buffer, i))
		i++
	}
	a.end()
	return a.table, nil
}

// joinLines appends as many of the lines as make one text of at most joined bytes, each with an LF. A line that holds one itself is not taken.
func joinLines(b []byte, lines []string) []byte {
	for _, line := range lines {
		if len(b) > 0 && len(b)+len(line) >= joined || strings.IndexByte(line, '\n') >= 0 {
			break
		}
		b = append(append(b, line...), '\n')
	}
	return b
}

const joined = 16 << 10

// trimLine takes blanks from both ends, but not tabs that are cells, and the mark of UTF-8 from the first line.
func trimLine(b []byte, at int) []byte {
	if at == 0 {
		b = bytes.TrimPrefix(b, utf8Mark)
	}
	for len(b) > 0 && (b[len(b)-1] == '\n' || b[len(b)-1] == '\r' || b[len(b)-1] == ' ') {
		b = b[:len(b)-1]
	}
	for len(b) > 0 && b[0] == ' ' {
		b = b[1:]
	}
	if len(b) > 0 && b[0] == '\t' && len(bytes.TrimLeft(b, "\t")) == 0 {
		return nil
	}
	return b
}

// assembler turns lines into rows of a table. It holds nothing that grows with the log but the table.
type assembler struct {
	opts    Options
	table   *Table
	look    func(from int) source // the lines from one on, for a new header
	layout  *layout
	target  []int // table column of each layout column
	header  string
	units   string
	rows    int // rows so far, over all batches
	headers int // layouts so far
	begun   int // line of the first header, -1 if there is none

	unfinished bool // the line being pushed is the last and has no end

	cells   [][]byte
	pairs   []pair
	value   []float64
	step    []float64
	words   []string
	date    stamp
	dateDay int
	part    [6]decimalNumber // year to second, as printed; none where exact is false
	// notNumbers are the columns in which the row spells nan.
	notNumbers []int
	wrong      bool // the row shows a date or time that does not exist
	pending    []unread
	intern     words
	quick      quickRows
	known      map[string]understood // by the text of a header
	titles     map[string]bool       // lines that stood before the first header
}

// unread is a line that is no row, until what follows shows what it is.
type unread struct {
	problem Problem
	closing bool // it begins with a word that opens or closes a session
	wordy   bool // it may be a closing or opening line
	remark  bool // it is a sentence, with a date before it or not
}

const (
	maxPending = 256
	maxTitles  = 64
)

// begin decides about the start of a log.
func (a *assembler) begin(src source) error {
	src.first = joinQuoted(src.first)
	l, header, units, err := understand(src, a.opts)
	if err != nil {
		return err
	}
	a.begun = -1
	if l.header >= 0 {
		a.begun = src.first[l.header].at
	}
	if header != "" {
		a.known = map[string]understood{header: {l, header, units}}
	}
	a.use(l, header, units, a.begun)
	return nil
}

// joinQuoted makes one line of a header whose names break within their quotes, as spreadsheets write them (RFC 4180). It stands where its last
// part does.
func joinQuoted(lines []numbered) []numbered {
	for i, l := range lines[:min(len(lines), maxTitles)] {
		if isComment(l.text) || bytes.Count(l.text, []byte{'"'})%2 == 0 {
			continue
		}
		text := l.text
		for j := i + 1; j < min(i+maxFields, len(lines)); j++ {
			text = slices.Concat(text, []byte{' '}, lines[j].text)
			if bytes.Count(lines[j].text, []byte{'"'})%2 == 0 {
				continue
			}
			if c := (form{sep: ','}).split(text, nil); len(c) < 2 || !headerLike(c) {
				if c = (form{sep: ';'}).split(text, nil); len(c) < 2 || !headerLike(c) {
					break
				}
			}
			return slices.Concat(lines[:i:i], []numbered{{lines[j].at, text}}, lines[j+1:])
		}
		return lines
	}
	return lines
}

// understand finds form, header and columns of the first rows that a source shows.
func understand(src source, opts Options) (l *layout, header, units string, err error) {
	lines := src.first
	s, err := sniff(lines, len(opts.Columns) > 0 || opts.Unnamed)
	if err != nil {
		return nil, "", "", err
	}
	for k := s.earlier(lines); k >= 0; k = s.earlier(lines) { // rows of another kind stand before
		lines = lines[:s.header]
		if s, err = sniff(lines, len(opts.Columns) > 0 || opts.Unnamed); err != nil {
			return nil, "", "", err
		}
	}
	if s.header >= 0 {
		header = string(lines[s.header].text)
		if s.units >= 0 {
			units = string(lines[s.units].text)
		}
		for i := max(s.header, s.units, s.first) + 1; i < len(lines); i++ {
			if t := lines[i].text; s.otherHeader(t, header, units) {
				lines = lines[:i]
				break
			}
		}
	}
	l, err = s.resolve(source{lines, src.all}, opts)
	return l, header, units, err
}

// earlier finds a header with a row under it before the shape's own; -1 if there is none.
func (s *shape) earlier(lines []numbered) int {
	for i := 0; i+1 < s.header; i++ {
		if string(lines[i].text) == string(lines[s.header].text) {
			continue
		}
		for _, f := range []form{{sep: '\t'}, {sep: ';'}, {sep: ','}, {sep: '|'}, {sep: ' '}} {
			if n, _ := f.headed(lines[:s.header], i); n > 0 {
				return i
			}
		}
	}
	return -1
}

// headed says how many cells line i has if it is a header with a row under it, and where that row is.
func (f form) headed(lines []numbered, i int) (n, row int) {
	t := lines[i].text
	if len(t) == 0 || isComment(t) {
		return 0, 0
	}
	c := f.split(t, nil)
	if len(c) < 2 || len(c) > maxFields || !headerLike(c) || knownNames(c) < 2 {
		return 0, 0
	}
	for j := i + 1; j < min(i+3, len(lines)); j++ {
		if r := f.split(lines[j].text, nil); len(r) == len(c) && rowLike(r) {
			return len(c), j
		}
	}
	return 0, 0
}

// otherHeader says that a line is a header that is not the one in use.
func (s *shape) otherHeader(line []byte, header, units string) bool {
	if len(line) == 0 || s.keyed || !isLetter(line[0]) && line[0] != '"' || string(line) == header || string(line) == units {
		return false
	}
	c := s.split(line, nil)
	return len(c) >= 2 && len(c) <= maxFields && headerLike(c) && knownNames(c) >= 2
}

// use lets rows be read as a layout says, into the columns that the table has, and new ones.
func (a *assembler) use(l *layout, header, units string, line int) {
	a.layout, a.header, a.units = l, header, units
	a.headers++
	t := a.table
	t.Separator, t.Keyed, t.DecimalComma = l.sep, l.keyed, l.comma
	t.Segments = append(t.Segments, Segment{Line: line, Row: len(t.Rows)})
	for _, n := range l.notes {
		if !containsText(t.Notes, n) && len(t.Notes) < maxFields {
			t.Notes = append(t.Notes, n)
		}
	}
	a.target = a.target[:0]
	taken := make([]bool, len(t.Columns))
	for _, c := range l.columns {
		at := -1
		for i := range taken {
			if !taken[i] && sameColumn(&t.Columns[i], &c) {
				at = i
				break
			}
		}
		if at < 0 {
			at = len(t.Columns)
			c.Value, c.Step = gaps(len(t.Rows)), gaps(len(t.Rows))
			if c.Kind == Phase {
				c.Text = make([]string, len(t.Rows))
			}
			t.Columns = append(t.Columns, c)
			taken = append(taken, true)
		}
		taken[at] = true
		a.target = append(a.target, at)
	}
	a.value, a.step = gaps(len(t.Columns)), gaps(len(t.Columns)) // columns of other segments stay gaps
	a.words = make([]string, len(t.Columns))
}

// sameColumn says that values of b may go on in the column a.
func sameColumn(a, b *Column) bool {
	if a.Kind != b.Kind || a.Channel != b.Channel || a.Direction != b.Direction || a.PerStep != b.PerStep || a.Zoned != b.Zoned || a.NoDate != b.NoDate {
		return false
	}
	switch a.Kind {
	case Other, Index, Phase:
		return a.Header == b.Header
	case Tick:
		return a.Scale == b.Scale
	}
	return true
}

func gaps(n int) []float64 {
	s := make([]float64, n)
	for i := range s {
		s[i] = math.NaN()
	}
	return s
}

// plainRows takes as many rows as can be read the quick way from lines that end in eol, the first of which is line at.
func (a *assembler) plainRows(at int, lines []byte, eol byte, limit int) (used, rows int) {
	if a.opts.slow || !a.quick.aim(a.layout, a.target, a.table) {
		return 0, 0
	}
	a.quick.swap(a.table)
	used, rows = a.quick.rows(lines, eol, limit)
	a.quick.swap(a.table)
	a.took(at, rows)
	return used, rows
}

// took counts rows of consecutive lines that stand in the columns already.
func (a *assembler) took(at, rows int) {
	if rows == 0 {
		return
	}
	a.flush(beforeRow)
	t := a.table
	n := len(t.Rows)
	t.Rows = slices.Grow(t.Rows, rows)[:n+rows]
	for i := range t.Rows[n:] {
		t.Rows[n+i] = at + i
	}
	t.Unfinished = false
	a.rows += rows
}

// push takes the next line, which is not plain.
func (a *assembler) push(at int, line []byte) {
	t, l := a.table, a.layout
	switch {
	case len(line) == 0:
		t.Blank++
		return
	case a.header != "" && string(line) == a.header:
		a.flush(beforeHeader)
		t.Headers = append(t.Headers, at)
		return
	case a.units != "" && string(line) == a.units:
		t.Headers = append(t.Headers, at)
		return
	case isComment(line):
		t.Comments = append(t.Comments, at)
		return
	}
	p, ok := Problem{Column: maxLine, Expected: fmt.Sprintf("a line of at most %d bytes", maxLine)}, false
	if len(line) <= maxLine {
		p, ok = a.read(line)
	} else {
		line = line[:maxLine]
	}
	if ok {
		a.flush(beforeRow)
		if a.wrong {
			a.table.Problems = append(a.table.Problems, Problem{Line: at, Column: 1, Kind: WrongDate, Text: printable(line), Expected: "a date and time that exist"})
		}
		for _, c := range a.notNumbers {
			t.NotNumbers = append(t.NotNumbers, NotNumber{Row: len(t.Rows), Column: c})
		}
		a.commit(at)
		a.table.Unfinished = a.unfinished
		return
	}
	if a.rows == 0 && at <= a.begun || a.rows == 0 && a.begun < 0 && !rowLike(a.cells) {
		t.Comments = append(t.Comments, at)
		if len(a.titles) < maxTitles {
			if a.titles == nil {
				a.titles = map[string]bool{}
			}
			a.titles[string(line)] = true
		}
		return
	}
	if a.titles[string(line)] { // a banner that comes again after a restart
		t.Comments = append(t.Comments, at)
		return
	}
	if a.newHeader(at, line) {
		return
	}
	if l.record != "" { // a line of another kind, such as an event
		if cells := l.split(line, nil); len(cells) > 1 && isWord(cells[0]) && string(cells[0]) != l.record {
			t.Comments = append(t.Comments, at)
			return
		}
	}
	p.Line, p.Text = at, printable(line)
	p.Kind = BrokenRow
	if a.opts.TornOK != nil && a.opts.TornOK(at) {
		p.Kind = Torn
	} else if a.unfinished {
		p.Kind, p.Hint = Torn, "the file ends within this line"
	}
	if a.header != "" && bytes.HasSuffix(line, []byte(a.header)) { // the end of line was lost with the power
		p.Hint = "a header follows on the same line: the row before it was torn"
		t.Headers = append(t.Headers, at)
	}
	u := unread{problem: p, closing: closingWord(line), wordy: a.wordy(line, l)}
	u.remark = u.wordy && p.Kind == BrokenRow && a.isRemark(line)
	if len(a.pending) >= maxPending {
		a.flush(beforeRow)
	}
	a.pending = append(a.pending, u)
}

// maxHeaders is how many different headers a log may have; what looks like one more is a broken row.
const maxHeaders = 64

// newHeader takes a header that says other columns; false if the line is none.
func (a *assembler) newHeader(at int, line []byte) bool {
	known, seen := a.known[string(line)]
	if !seen {
		s := shape{form: a.layout.form}
		if len(a.known) >= maxHeaders || !s.otherHeader(line, a.header, a.units) &&
			!(a.layout.sep != ',' && (&shape{form: form{sep: ','}}).otherHeader(line, a.header, a.units)) {
			return false
		}
		if src := a.look(at); len(src.first) > 0 && src.first[0].at == at {
			src.first = src.first[:min(len(src.first), sniffLines/10)]
			opts := a.opts
			opts.anyOf = true
			if l, header, units, err := understand(src, opts); err == nil && l.header == 0 {
				known = understood{l, header, units}
			}
		}
		if a.known == nil {
			a.known = map[string]understood{}
		}
		a.known[string(line)] = known
	}
	if known.layout == nil {
		return false
	}
	a.flush(beforeHeader)
	a.use(known.layout, known.header, known.units, at)
	a.table.Headers = append(a.table.Headers, at)
	return true
}

// understood is what was made of a header; the layout is nil if it was none.
type understood struct {
	layout        *layout
	header, units string
}

// follows says what comes behind lines that are no rows.
type follows uint8

const (
	beforeRow follows = iota
	beforeHeader
	beforeEnd
)

// flush decides what the unread lines are.
func (a *assembler) flush(by follows) {
	for _, u := range a.pending {
		switch {
		case u.closing || u.wordy && by == beforeEnd:
			a.table.Footers = append(a.table.Footers, u.problem.Line)
		case u.wordy && by == beforeHeader, u.remark:
			a.table.Comments = append(a.table.Comments, u.problem.Line)
		default:
			a.table.Problems = append(a.table.Problems, u.problem)
		}
	}
	a.pending = a.pending[:0]
}

// end says that no line follows.
func (a *assembler) end() { a.flush(beforeEnd) }

// closingWord says that a line begins with a word that opens or closes a session.
func closingWord(line []byte) bool {
	i := 0
	for i < len(line) && i < 24 && isLetter(line[i]) {
		i++
	}
	switch asciiLower(string(line[:i])) {
	case "total", "totals", "totale", "sum", "summe", "suma", "somme", "gesamt", "end", "ende", "fin", "fini", "stop", "stopped", "done", "finished",
		"fertig", "complete", "completed", "final", "result", "results", "ergebnis", "resultat", "resultado", "closed", "start", "started", "restart",
		"restarted", "boot", "reset", "resumed", "paused", "beendet", "termine", "terminado", "summary":
		return true
	}
	return false
}

// wordy says that a line may be a title or a closing line: it begins with a letter and is not a row with a fault.
func (a *assembler) wordy(line []byte, l *layout) bool {
	if !isLetter(line[0]) && line[0] != '"' && line[0] != '[' && line[0] != '<' {
		return false
	}
	if l.keyed {
		for _, n := range l.names {
			if n != "" && bytes.HasPrefix(line, []byte(n)) {
				return false
			}
		}
		return true
	}
	cells := l.split(line, nil)
	if len(cells) == 1 {
		return true
	}
	if len(l.fields) > 0 && l.fields[0].role == text {
		return false
	}
	data := 0
	for _, c := range cells {
		if classify(c).isData() {
			data++
		}
	}
	return data*2 < l.n
}

// isRemark says that a line is what somebody writes about a test among its rows: one cell of two words at least, behind a date in brackets or not.
// A broken row has no words but those of its columns.
func (a *assembler) isRemark(line []byte) bool {
	if a.layout.sep == ' ' || a.layout.keyed || len(a.layout.split(line, nil)) > 1 || bytes.HasPrefix([]byte(a.header), line) {
		return false
	}
	if line[0] == '[' {
		if end := bytes.IndexByte(line, ']'); end > 0 {
			if s, ok := parseStamp(trim(line[1:end])); ok && s.hasTime {
				line = trim(line[end+1:])
			}
		}
	}
	words := 0
	for _, w := range bytes.Fields(line) {
		letters := 0
		for letters < len(w) && isLetter(w[letters]) {
			letters++
		}
		if letters > 1 && len(bytes.TrimRight(w[letters:], ".,:;!")) == 0 {
			words++
		} else if bytes.ContainsAny(w, "\"{}=<>") {
			return false
		}
	}
	return words > 1
}

// read reads a row into a.value, a.step and a.words. The problem says what is wrong if it is none.
func (a *assembler) read(line []byte) (Problem, bool) {
	l := a.layout
	if l.keyed {
		if p, ok := a.keyed(line); !ok {
			return p, false
		}
	} else {
		a.cells = l.split(line, a.cells)
		if l.wide && len(a.cells) < l.n { // a number that fills its width leaves one blank before it
			if narrow := (form{sep: ' '}).split(line, nil); len(narrow) == l.n {
				a.cells = narrow
			}
		}
	}
	cells := a.cells
	if n := len(cells); n == l.n+1 && len(cells[n-1]) == 0 {
		cells = cells[:l.n]
	} else if n == l.n-1 && l.names[n] == "" && n > 0 {
		cells = append(cells, nil)
	}
	if len(cells) != l.n {
		return Problem{Column: 1, Expected: fmt.Sprintf("%d fields, found %d", l.n, len(cells))}, false
	}
	for i := range a.value {
		a.value[i], a.step[i] = math.NaN(), math.NaN()
	}
	a.date, a.wrong, a.notNumbers, a.part = stamp{}, false, a.notNumbers[:0], [6]decimalNumber{}
	filled := 0
	for i, cell := range cells {
		f := &l.fields[i]
		if f.role != loose && isMissing(cell) {
			if f.role == decimal && isNotANumber(cell) {
				a.notNumbers = append(a.notNumbers, a.target[f.column])
			}
			if f.role == text && len(cell) > 0 {
				a.words[a.target[f.column]] = a.intern.keep(cell)
			} else if f.role == text {
				a.words[a.target[f.column]] = ""
			}
			continue
		}
		if f.role != loose && f.role != text {
			filled++
		}
		if f.role == parted {
			k := l.partOf(i)
			n, ok := parseDecimal(cell, l.comma)
			if !ok || !n.exact || n.places > 0 && k < 5 || n.digits < 0 {
				return Problem{Column: 1 + max(0, bytes.Index(line, cell)), Expected: fmt.Sprintf("a whole number in column %d (%s)", i+1, printable([]byte(l.names[i])))}, false
			}
			a.part[k] = n
			continue
		}
		if p, ok := a.cell(f, cell); !ok {
			p.Column = 1 + max(0, bytes.Index(line, cell))
			p.Expected += fmt.Sprintf(" in column %d", i+1)
			if l.names[i] != "" {
				p.Expected += fmt.Sprintf(" (%s)", printable([]byte(l.names[i])))
			}
			return p, false
		}
	}
	if filled == 0 && l.known > 0 {
		return Problem{Column: 1, Expected: "a value in one of the columns that are understood"}, false
	}
	a.joinDate()
	a.joinParts()
	return Problem{}, true
}

// keyed cuts a line that names its values.
func (a *assembler) keyed(line []byte) (Problem, bool) {
	l := a.layout
	var ok bool
	a.pairs, ok = splitKeyed(line, a.pairs)
	a.cells = a.cells[:0]
	if !ok {
		return Problem{Column: 1, Expected: "names and values such as " + printable([]byte(l.names[len(l.names)-1])) + "=1.23"}, false
	}
	for i, p := range a.pairs {
		if i < l.n && string(p.key) != l.names[i] {
			return Problem{Column: 1 + max(0, bytes.Index(line, p.key)), Expected: fmt.Sprintf("the name %q", l.names[i])}, false
		}
		a.cells = append(a.cells, p.value)
	}
	return Problem{}, true
}

// cell reads one cell that is not missing.
func (a *assembler) cell(f *field, cell []byte) (Problem, bool) {
	switch f.role {
	case decimal, whole:
		return a.number(f, cell)
	case serial: // an instant is rounded to the last place: half of it makes whole seconds of what were whole seconds
		p, ok := a.number(f, cell)
		if at := a.target[f.column]; ok {
			a.value[at] += a.step[at] / 2
		}
		return p, ok
	case loose:
		at := a.target[f.column]
		if v, places, ok := parseNumber(cell, a.layout.comma); ok {
			if step := lastPlace(places); !math.IsInf(step, 0) {
				a.value[at], a.step[at] = v, step
			}
		}
	case skipped:
		return Problem{Expected: "nothing"}, false
	case text:
		a.words[a.target[f.column]] = a.intern.keep(cell)
	case stamped, dated, timed, spanned:
		return a.moment(f, cell)
	}
	return Problem{}, true
}

func (a *assembler) number(f *field, cell []byte) (Problem, bool) {
	comma := a.layout.comma
	scale, divisor := f.scale, f.divisor
	n, ok := parseDecimal(cell, comma)
	if !ok {
		n, ok = parseGrouped(cell, comma)
	}
	if !ok && f.suffix != "" {
		if text, name := cutUnit(cell); name != "" {
			if name != f.suffix {
				u, _ := lookUnit(name)
				if u.of != f.of {
					return Problem{Expected: "a number of " + f.suffix}, false
				}
				scale, divisor = u.scale, 1
			}
			if n, ok = parseDecimal(text, comma); !ok {
				n, ok = parseGrouped(text, comma)
			}
		}
	}
	if !ok {
		p := Problem{Expected: "a number"}
		switch _, other := parseDecimal(cell, !comma); {
		case other && comma:
			p.Hint = "most rows have a decimal comma, this one a point"
		case other:
			p.Hint = "most rows have a decimal point, this one a comma"
		case bytes.EqualFold(bytes.TrimLeft(cell, "+-"), []byte("inf")):
			p.Hint = "a sum that is infinite has overflowed or was divided by zero"
		}
		return p, false
	}
	if f.role == whole && n.places != 0 {
		return Problem{Expected: "a whole number"}, false
	}
	at := a.target[f.column]
	if n.exact && n.places <= maxPlaces && scale == f.scale && divisor == f.divisor {
		a.value[at], a.step[at] = n.digits*f.scale/f.below[n.places]+f.offset, f.step[n.places]
		return Problem{}, true
	}
	si, step := n.value*scale/divisor+f.offset, lastPlace(n.places)*scale/divisor
	if math.IsInf(si, 0) || math.IsInf(step, 0) {
		return Problem{Expected: "a number of a size that can be"}, false
	}
	a.value[at], a.step[at] = si, step
	return Problem{}, true
}

// moment reads a cell of date or time.
func (a *assembler) moment(f *field, cell []byte) (Problem, bool) {
	s, ok := parseStamp(cell)
	switch {
	case ok:
	case f.role == dated:
		s, ok = eightDigits(cell)
	case f.role == timed && f.column < 0: // beside a date
		s, ok = sixDigits(cell)
	case f.role == stamped:
		s, ok = fourteenDigits(cell)
	}
	if !ok {
		want := map[role]string{stamped: "a date and time such as 2026-03-02 10:00:00", dated: "a date such as 2026-03-02",
			timed: "a time of day such as 10:00:00", spanned: "a time such as 30:15:00"}[f.role]
		return Problem{Expected: want}, false
	}
	if s.impossible && (s.hasDate || f.role == timed) { // the clock is wrong, the row is whole
		a.wrong = true
		return Problem{}, true
	}
	if s.impossible {
		return Problem{Expected: "minutes and seconds below 60"}, false
	}
	unixDay := 0
	if s.hasDate && f.role != timed && f.role != spanned {
		if unixDay, ok = s.settle(f.order); !ok && f.order != unsettled {
			a.wrong = true
			return Problem{}, true
		} else if !ok {
			return Problem{Expected: "a date of the form of the others"}, false
		}
	}
	switch f.role {
	case dated:
		if !s.hasDate || s.hasTime {
			return Problem{Expected: "a date"}, false
		}
		f.remember(cell, unixDay)
		a.date.hasDate, a.dateDay = true, unixDay
		return Problem{}, true
	case timed:
		if s.hasDate || s.hours >= 24 || s.span {
			return Problem{Expected: "a time of day below 24:00"}, false
		}
		if zoned := f.column < 0 && a.layout.timeZoned || f.column >= 0 && a.layout.columns[f.column].Zoned; s.zoned != zoned {
			return Problem{Expected: "an offset from UTC in all rows or in none"}, false
		}
		if f.column < 0 { // it belongs to the date
			a.date.hasTime, a.date.seconds, a.date.step, a.date.offset = true, s.seconds, s.step, s.offset
			return Problem{}, true
		}
		at := a.target[f.column]
		a.value[at], a.step[at] = math.Mod(s.seconds-float64(s.offset)+day, day), s.step
		return Problem{}, true
	case spanned:
		if s.hasDate {
			return Problem{Expected: "a time such as 30:15:00"}, false
		}
		at := a.target[f.column]
		a.value[at], a.step[at] = s.seconds, s.step
		if s.parts == 2 && f.twoParts == minutesSeconds {
			a.value[at], a.step[at] = s.seconds/60, s.step/60
		}
		return Problem{}, true
	}
	if !s.hasDate {
		return Problem{Expected: "a date before the time"}, false
	}
	if len(cell) >= 19 {
		f.remember(cell[:10], unixDay)
	}
	at := a.target[f.column]
	if s.hasTime && s.zoned != a.layout.columns[f.column].Zoned {
		return Problem{Expected: "an offset from UTC in all rows or in none"}, false
	}
	a.value[at], a.step[at] = float64(unixDay)*day+s.seconds-float64(s.offset), s.step
	return Problem{}, true
}

// joinDate makes one instant of a date and a time that stand in two fields.
func (a *assembler) joinDate() {
	l := a.layout
	if l.dateField < 0 || !a.date.hasDate || l.timeField >= 0 && !a.date.hasTime {
		return
	}
	at := a.target[l.fields[l.dateField].column]
	a.value[at] = float64(a.dateDay)*day + a.date.seconds - float64(a.date.offset)
	a.step[at] = day
	if a.date.hasTime {
		a.step[at] = a.date.step
	}
}

// commit adds the row that was read.
func (a *assembler) commit(at int) {
	t := a.table
	for i := range t.Columns {
		c := &t.Columns[i]
		c.Value = append(c.Value, a.value[i])
		c.Step = append(c.Step, a.step[i])
		if c.Kind == Phase {
			c.Text = append(c.Text, a.words[i])
			a.words[i] = ""
		}
	}
	t.Rows = append(t.Rows, at)
	a.rows++
}
