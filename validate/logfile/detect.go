package logfile

import (
	"bytes"
	"fmt"
	"strings"
)

const (
	maxFields  = 256  // columns of a log
	sniffLines = 2000 // lines that decide about header and columns
	formLines  = 200  // of them decide about the separator, if there are rows among them
	maxLine    = 64 << 10
)

// cellType says what a cell looks like, whatever its column.
type cellType uint8

const (
	missingCell  cellType = iota
	numberCell            // with decimal point or comma
	dateCell              // a date
	timeCell              // a time of day or a duration with colons
	stampCell             // date and time
	measuredCell          // a number with its unit behind it
	groupedCell           // a number with its thousands set apart
	textCell              // words
	codeCell              // letters and digits that are no number: a check sum such as 6B
	junkCell              // anything else
)

// isData says that a cell holds a value.
func (t cellType) isData() bool { return t > missingCell && t < textCell }

func classify(cell []byte) cellType {
	if isMissing(cell) {
		return missingCell
	}
	if len(cell) > 64 {
		return junkCell
	}
	if _, _, ok := parseNumber(cell, false); ok {
		return numberCell
	}
	if _, _, ok := parseNumber(cell, true); ok {
		return numberCell
	}
	if s, ok := parseStamp(cell); ok {
		switch {
		case s.hasDate && s.hasTime:
			return stampCell
		case s.hasDate:
			return dateCell
		}
		return timeCell
	}
	if isGrouped(cell, false) || isGrouped(cell, true) {
		return groupedCell
	}
	if _, u := cutUnit(cell); u != "" {
		return measuredCell
	}
	if bytes.ContainsAny(cell, ",;\t|=\"") {
		return junkCell
	}
	if isLetter(cell[0]) || cell[0] == '[' || cell[0] == '(' || cell[0] == '<' {
		return textCell
	}
	if isCode(cell) {
		return codeCell
	}
	return junkCell
}

// isCode says that a cell is letters and digits of a few bytes, with a mark before them or not.
func isCode(cell []byte) bool {
	if cell[0] == '*' || cell[0] == '$' {
		cell = cell[1:]
	}
	for _, c := range cell {
		if !isDigit(c) && !(c|0x20 >= 'a' && c|0x20 <= 'z') {
			return false
		}
	}
	return len(cell) > 0 && len(cell) <= 16
}

// cutUnit cuts "12.6 V" into number and unit; the unit is empty if there is none.
func cutUnit(cell []byte) (number []byte, name string) {
	i := len(cell)
	for i > 0 && !isDigit(cell[i-1]) && cell[i-1] != '.' {
		i--
	}
	if i == 0 || i == len(cell) || len(cell)-i > 8 {
		return cell, ""
	}
	number, name = trim(cell[:i]), string(trim(cell[i:]))
	if _, ok := lookUnit(name); !ok {
		return cell, ""
	}
	_, _, point := parseNumber(number, false)
	_, _, comma := parseNumber(number, true)
	if !point && !comma {
		return cell, ""
	}
	return number, name
}

// isComment says that a line is a remark.
func isComment(line []byte) bool {
	if len(line) == 0 {
		return false
	}
	switch line[0] {
	case '#', '%':
		return true
	case '/':
		return len(line) > 1 && line[1] == '/'
	case ';': // not a row whose first cell is missing
		return len(line) == 1 || (line[1] == ' ' || isLetter(line[1])) && bytes.IndexByte(line[1:], ';') < 0
	}
	return isRule(line)
}

// isRule says that a line is drawn: -----, ====, +---+---+.
func isRule(line []byte) bool {
	if len(line) < 3 {
		return false
	}
	drawn := 0
	for _, c := range line {
		switch c {
		case '-', '=', '_', '*', '~':
			drawn++
		case '+', '|', ' ', '\t':
		default:
			return false
		}
	}
	return drawn >= 3
}

// stripComment returns what a comment line says.
func stripComment(line []byte) []byte {
	return trim(bytes.TrimLeft(line, "#%/; \t"))
}

// rowLike says that cells are those of a data row: two values, or one among not too many words.
func rowLike(cells [][]byte) bool {
	data, words := 0, 0
	for _, c := range cells {
		switch t := classify(c); {
		case t.isData():
			data++
		case t == textCell, t == codeCell:
			words++
		case t == junkCell:
			return false
		}
	}
	return data > 1 || data == 1 && words*2 <= len(cells)
}

// headerLike says that cells are those of a header: no value, a word at least.
func headerLike(cells [][]byte) bool {
	words := 0
	for _, c := range cells {
		if classify(c).isData() {
			return false
		}
		for _, x := range c {
			if isLetter(x) || x == '#' {
				words++
				break
			}
		}
	}
	return words > 0
}

// numbered is a line with its place in the log.
type numbered struct {
	at   int
	text []byte
}

// source gives the lines of a log to what decides about its layout: some at the start, or all that can be had.
type source struct {
	first []numbered
	// all calls back for each line that can be had, for questions that later lines may settle, until it returns false.
	all func(func(numbered) bool)
}

// shape is what the start of a log shows before its columns are understood.
type shape struct {
	form
	n      int // cells of most rows
	rows   int // how many rows showed it
	first  int // index into lines of the first of them
	header int // index into lines; -1 if there is none
	units  int // index of the line of units; -1 if there is none
	names  []string
	unit   []string
	// splitDate is the index of a date cell whose time follows in a cell that the header does not count; -1 if there is none.
	splitDate int
}

// sniff decides separator, decimal sign, header and number of fields.
func sniff(lines []numbered, hasColumns bool) (*shape, error) {
	best := bestShape(lines[:min(len(lines), formLines)])
	if best.rows < 2 {
		best = bestShape(lines)
	}
	if best.rows == 0 {
		return nil, noRows(lines)
	}
	if err := best.decimals(lines); err != nil {
		return nil, err
	}
	if best.keyed {
		return &best, nil
	}
	err := best.findHeader(lines, hasColumns)
	// Date and time, one blank between them, may have names of their own; so may columns that tabs part.
	if err != nil && (best.wide || best.sep == '\t') {
		narrow := measure(form{sep: ' ', comma: best.comma}, lines)
		if narrow.rows >= best.rows && narrow.findHeader(lines, false) == nil {
			return &narrow, nil
		}
	}
	if err != nil {
		return nil, err
	}
	return &best, nil
}

// bestShape finds the form that makes most lines rows of one length.
func bestShape(lines []numbered) shape {
	var best shape
	for _, f := range []form{{sep: '\t'}, {sep: ';'}, {sep: ','}, {sep: '|'}, {sep: ' ', wide: true}, {sep: ' '}, {sep: 0}} {
		s := measure(f, lines)
		if f.sep != 0 && s.n < 2 {
			continue
		}
		if s.rows > best.rows {
			best = s
		}
	}
	if k := measureKeyed(lines); k.rows > best.rows {
		best = k
	}
	return best
}

// measure counts the lines that a form makes into rows of one length.
func measure(f form, lines []numbered) shape {
	var cells [][]byte
	var count, first [maxFields + 1]int
	for i, l := range lines {
		if len(l.text) == 0 || isComment(l.text) {
			continue
		}
		cells = f.split(l.text, cells)
		if len(cells) > maxFields || !rowLike(cells) {
			continue
		}
		if n := len(cells); count[n] == 0 {
			first[n] = i
		}
		count[len(cells)]++
	}
	s := shape{form: f, header: -1, units: -1, splitDate: -1}
	for n, c := range count {
		if c > s.rows {
			s.n, s.rows, s.first = n, c, first[n]
		}
	}
	return s
}

// measureKeyed does so for lines that name their values; the names are the header.
func measureKeyed(lines []numbered) shape {
	s := shape{form: form{sep: ' ', keyed: true}, header: -1, units: -1, splitDate: -1}
	var pairs []pair
	for i, l := range lines {
		if len(l.text) == 0 || isComment(l.text) {
			continue
		}
		var ok bool
		if pairs, ok = splitKeyed(l.text, pairs); !ok || len(pairs) < 2 {
			continue
		}
		data := 0
		for _, p := range pairs {
			if classify(p.value).isData() {
				data++
			}
		}
		if data < 2 {
			continue
		}
		if s.rows == 0 {
			s.first, s.n = i, len(pairs)
			for _, p := range pairs {
				s.names = append(s.names, string(p.key))
			}
		}
		if len(pairs) == s.n && keysMatch(pairs, s.names) {
			s.rows++
		}
	}
	return s
}

func keysMatch(pairs []pair, names []string) bool {
	for i, p := range pairs {
		if string(p.key) != names[i] {
			return false
		}
	}
	return true
}

// cells cuts a row of the shape.
func (s *shape) cells(line []byte, dst [][]byte, pairs []pair) ([][]byte, []pair) {
	if !s.keyed {
		return s.split(line, dst), pairs
	}
	pairs, _ = splitKeyed(line, pairs)
	dst = dst[:0]
	for _, p := range pairs {
		dst = append(dst, p.value)
	}
	return dst, pairs
}

// decimals decides between decimal point and comma.
func (s *shape) decimals(lines []numbered) error {
	points, commas, sure := 0, 0, s.sep == ';'
	var where numbered
	var what []byte
	var cells [][]byte
	var pairs []pair
	for _, l := range lines {
		cells, pairs = s.cells(l.text, cells, pairs)
		if len(cells) != s.n || isComment(l.text) {
			continue
		}
		for _, c := range cells {
			n, _ := cutUnit(c)
			point, comma := bytes.IndexByte(n, '.') >= 0, bytes.IndexByte(n, ',') >= 0
			if _, _, ok := parseNumber(n, false); ok && point {
				points++
			}
			if point && comma { // with both, one of them parts thousands
				if isGrouped(n, false) {
					points++
				} else if isGrouped(n, true) {
					commas++
					sure = true
				}
				continue
			}
			if _, _, ok := parseNumber(n, true); ok && comma {
				commas++
				where, what = l, c
				sure = sure || !isGrouped(n, false) || n[0] == '0' || len(n) > 1 && n[1] == '0'
			}
		}
	}
	s.comma = commas > points
	if s.comma && !sure {
		return &Error{Line: where.at + 1, Column: bytes.Index(where.text, what) + 1,
			Text:     fmt.Sprintf("%q may mean thousands or have a decimal comma, and no row settles it", printable(what)),
			Expected: "numbers with a decimal point and no marks between thousands", Hint: "print 1234.5, or part the columns by semicolons if the comma is the decimal sign"}
	}
	return nil
}

// findHeader finds the line that names the columns, and the line of units under it.
func (s *shape) findHeader(lines []numbered, hasColumns bool) error {
	above := func(i int, comments bool) int {
		for i--; i >= 0; i-- {
			t := lines[i].text
			if len(t) > 0 && !isRule(t) && isComment(t) == comments {
				return i
			}
		}
		return -1
	}
	row := s.split(lines[s.first].text, nil)
	wrong := -1
	i := above(s.first, false)
	if i >= 0 {
		if names, at := s.headerCells(lines[i].text, row); names != nil {
			s.header, s.names, s.splitDate = i, names, at
			if allUnits(names) {
				if j := above(i, false); j >= 0 {
					if upper, at := s.headerCells(lines[j].text, row); upper != nil && !allUnits(upper) {
						s.header, s.units, s.names, s.unit, s.splitDate = j, i, upper, names, at
					}
				}
			}
			return nil
		}
		if c := s.split(lines[i].text, nil); headerLike(c) && knownNames(c) >= 2 {
			wrong = i
		}
	}
	for i = above(s.first, true); i >= 0; i = above(i, true) { // other remarks may follow it
		said := stripComment(lines[i].text)
		if t := lines[i].text; len(t) > 1 && t[0] == '#' && t[1] == s.sep && s.sep != ' ' { // a column that is named #
			said = t
		}
		if names, at := s.headerCells(said, row); names != nil && knownNames(bytesOf(names)) >= min(2, s.n) {
			s.header, s.names, s.splitDate = i, names, at
			return nil
		}
	}
	for i := s.first + 1; i < len(lines); i++ { // rows came before their header
		if names, at := s.headerCells(lines[i].text, row); names != nil && knownNames(bytesOf(names)) >= min(2, s.n) {
			s.header, s.names, s.splitDate = i, names, at
			return nil
		}
	}
	for i := 0; i < s.first; i++ { // few rows agree with their header, most do not
		if n, row := s.headed(lines, i); n > 0 && n != s.n {
			s.n, s.first = n, row
			return s.findHeader(lines[:row+1], hasColumns)
		}
	}
	if wrong >= 0 {
		m := len(s.split(lines[wrong].text, nil))
		e := &Error{Line: lines[s.first].at + 1, Column: 1, Text: fmt.Sprintf("rows have %d fields, the header on line %d has %d", s.n, lines[wrong].at+1, m),
			Expected: fmt.Sprintf("%d fields", m)}
		if s.sep == ',' && s.n > m {
			e.Hint = "name each column; if the comma is also the decimal sign, part the columns by semicolons"
		}
		return e
	}
	measured := 0
	for _, c := range row {
		if classify(c) == measuredCell {
			measured++
		}
	}
	if hasColumns || measured >= 2 { // units beside the numbers say what a header would
		s.names = make([]string, s.n)
		return nil
	}
	e := &Error{Line: lines[s.first].at + 1, Column: 1, Text: "no header says what the columns hold", Expected: "a line with names such as time_s,voltage_V,current_A,charge_Ah",
		Hint: "print a header, or say what the columns hold in stuntcell.yaml (descriptions: " + describable + ")"}
	var b strings.Builder
	b.WriteString("columns:\n")
	for i, c := range row {
		fmt.Fprintf(&b, "  %d: other   # %s\n", i+1, printable(c))
	}
	e.Block = b.String()
	return e
}

// headerCells cuts a line into the names of s.n columns; nil if it is no header of them. at is the split date, see shape.
func (s *shape) headerCells(line []byte, row [][]byte) (names []string, at int) {
	try := func(cells [][]byte) []string {
		if !headerLike(cells) {
			return nil
		}
		switch n := len(cells); {
		case n == s.n:
		case n == s.n+1 && len(cells[n-1]) == 0:
			cells = cells[:n-1]
		case n == s.n-1 && len(row[s.n-1]) == 0 && s.sep != ' ': // rows end in a separator
			cells = append(cells, nil)
		default:
			return nil
		}
		return stringsOf(cells)
	}
	if s.sep == 0 {
		return try([][]byte{trim(line)}), -1
	}
	if names := try(s.split(line, nil)); names != nil {
		return names, -1
	}
	if s.sep != ' ' {
		return nil, -1
	}
	wide := form{sep: ' ', wide: true}.split(line, nil)
	glued := glue(form{sep: ' '}.split(line, nil))
	for _, cells := range [][][]byte{wide, glued} {
		if names := try(cells); names != nil {
			return names, -1
		}
		if len(cells) != s.n-1 || !headerLike(cells) {
			continue
		}
		for i := 0; i+1 < len(row); i++ {
			if classify(row[i]) == dateCell && classify(row[i+1]) == timeCell {
				names := stringsOf(cells)
				names = append(names[:i+1], append([]string{""}, names[i+1:]...)...)
				return names, i
			}
		}
	}
	return nil, -1
}

// glue joins "(V)" to the name before it.
func glue(cells [][]byte) [][]byte {
	var out [][]byte
	for _, c := range cells {
		if len(out) > 0 && len(c) > 0 && (c[0] == '(' || c[0] == '[' || c[0] == '/') {
			out[len(out)-1] = []byte(string(out[len(out)-1]) + " " + string(c))
			continue
		}
		out = append(out, c)
	}
	return out
}

// allUnits says that every cell is a unit, in brackets or not, or a gap.
func allUnits(names []string) bool {
	found := 0
	for _, n := range names {
		n = strings.Trim(n, "()[]{}<> ")
		if isMissing([]byte(n)) {
			continue
		}
		if _, ok := lookUnit(n); !ok && orderOf(asciiLower(n)) == unsettled && !strings.Contains(asciiLower(n), "h:m") && !strings.Contains(asciiLower(n), "hh:") {
			return false
		}
		found++
	}
	return found > 0
}

// knownNames counts the cells whose header words are understood.
func knownNames(cells [][]byte) int {
	n := 0
	for _, c := range cells {
		if m := readHeader(string(c)); m.known() {
			n++
		}
	}
	return n
}

func stringsOf(cells [][]byte) []string {
	out := make([]string, len(cells))
	for i, c := range cells {
		out[i] = validText(string(c))
	}
	return out
}

func bytesOf(names []string) [][]byte {
	out := make([][]byte, len(names))
	for i, n := range names {
		out[i] = []byte(n)
	}
	return out
}

func noRows(lines []numbered) error {
	for _, l := range lines {
		if len(l.text) > 0 && !isComment(l.text) {
			return &Error{Line: l.at + 1, Column: 1, Text: fmt.Sprintf("no row of numbers was found; the first line is %q", printable(l.text)),
				Expected: "a header and rows of numbers parted by commas, semicolons, tabs or blanks", early: true}
		}
	}
	return &Error{Text: "the log is empty", Expected: "a header and at least one row", early: true}
}

// printable cuts text to what an error message can carry.
func printable(b []byte) string {
	if len(b) > 200 {
		b = b[:200]
	}
	return strings.Map(func(r rune) rune {
		if r < ' ' && r != '\t' || r == 0x7f || r == '\ufffd' {
			return '?'
		}
		return r
	}, string(b))
}
