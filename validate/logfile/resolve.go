package logfile

import (
	"bytes"
	"fmt"
	"math"
	"slices"
	"strconv"
	"strings"
)

// role says how the cells of a field are read.
type role uint8

const (
	loose   role = iota // numbers if they are numbers; nothing is held against it
	decimal             // numbers
	whole               // whole numbers: ticks
	stamped             // date and time
	dated               // date; the time is in another field
	timed               // time of day, whose date may be in another field
	spanned             // h:mm:ss of any length
	serial              // days of a spreadsheet
	text                // words
	skipped             // nothing, for nothing may stand there
	parted              // year, month, day, hour, minute or second in a field of its own
)

// field is how one field of a line is read.
type field struct {
	role     role
	column   int     // index into layout.columns
	scale    float64 // SI = number × scale / divisor + offset
	divisor  float64
	offset   float64
	of       quantity // of the unit behind the number in each cell
	suffix   string   // unit behind the number in the first rows, "" if there is none
	order    dateOrder
	twoParts twoParts
	// Number of SI = digits × scale / below[places] + offset, rounded once but for the offset; step[places] is the SI size of
	// one unit in the last printed place.
	below, step [maxPlaces + 1]float64
	// lastDate is the last date of ten bytes that was read, and lastDay its Unix time [s]: most rows are of the same day.
	lastDate [10]byte
	lastDay  float64
}

// remember keeps a date for the next rows.
func (f *field) remember(text []byte, unixDay int) {
	if len(text) == len(f.lastDate) {
		copy(f.lastDate[:], text)
		f.lastDay = float64(unixDay) * day
	}
}

// maxPlaces keeps below exact: 10^12 times the largest divisor is under 2^53 × 2^22.
const maxPlaces = 12

// layout is how the rows under one header are read.
type layout struct {
	form
	n       int
	fields  []field
	columns []Column // without values
	names   []string
	notes   []string
	known   int // columns that are understood
	header  int // index into the lines of the source; -1 if there is none
	units   int
	// dateField and timeField make one clock column between them; -1 if there is none.
	dateField, timeField int
	timeZoned            bool
	// parts are the fields of year, month, day, hour, minute and second that make one column of time between them, -1 where there is none;
	// the column is that of the first of them. parted says that there are any.
	parts   [6]int
	parted  bool
	unclear *Error // what a time may be, of which nothing tells; it matters where no other column has one
	// record is the word with which each row begins, as in a log that has lines of other kinds too; "" if there is none.
	record string
}

// evidence is what the cells of a field look like.
type evidence struct {
	cell              [junkCell + 1]int
	integers, numbers int
	min, max          float64
	places            int  // most decimals of a number
	beyond, wraps     bool // times of 24 h and more; times that fall from 23 h to 0 h
	two               bool // times of two parts
	hinted            bool // AM, PM or an offset: a time of day
	zoned             bool // an offset or a Z
	last              float64
	example           string
	line              int
	suffix            string
	suffixed          int // cells with it, or a unit of the same quantity
	// all whole numbers so far are dates of eight digits, times of day of six, or both of fourteen
	eight, six, fourteen bool
}

func (e *evidence) values() int {
	n := 0
	for t := numberCell; t <= junkCell; t++ {
		n += e.cell[t]
	}
	return n
}

// mostly says that more than half of the cells that are there are of the types.
func (e *evidence) mostly(types ...cellType) bool {
	n := 0
	for _, t := range types {
		n += e.cell[t]
	}
	return n > 0 && 2*n > e.values()
}

func (e *evidence) add(cell []byte, line int, comma bool) {
	t := classify(cell)
	if t == groupedCell {
		if _, ok := parseGrouped(cell, comma); ok {
			t = numberCell
		}
	}
	e.cell[t]++
	if t == missingCell {
		return
	}
	if e.example == "" {
		e.example, e.line = printable(cell), line
	}
	switch t {
	case measuredCell:
		number, name := cutUnit(cell)
		if e.suffix == "" {
			e.suffix = name
		}
		first, _ := lookUnit(e.suffix)
		if u, _ := lookUnit(name); u.of == first.of {
			e.suffixed++
		}
		cell = number
		fallthrough
	case numberCell:
		v, places, ok := parseNumber(cell, comma)
		if !ok {
			n, grouped := parseGrouped(cell, comma)
			if !grouped {
				return
			}
			v, places = n.value, n.places
		}
		if e.numbers == 0 || v < e.min {
			e.min = v
		}
		if e.numbers == 0 || v > e.max {
			e.max = v
		}
		e.numbers++
		e.places = max(e.places, places)
		if places == 0 && bytes.IndexByte(cell, '.') < 0 && bytes.IndexByte(cell, ',') < 0 {
			e.integers++
		}
		for _, form := range []struct {
			all  *bool
			read func([]byte) (stamp, bool)
		}{{&e.eight, eightDigits}, {&e.six, sixDigits}, {&e.fourteen, fourteenDigits}} {
			_, ok := form.read(cell)
			*form.all = ok && (e.numbers == 1 || *form.all)
		}
	case stampCell:
		s, _ := parseStamp(cell)
		e.zoned = e.zoned || s.zoned
	case timeCell:
		s, _ := parseStamp(cell)
		e.zoned = e.zoned || s.zoned
		e.beyond = e.beyond || s.hours >= 24 || s.span
		e.hinted = e.hinted || s.zoned || bytes.ContainsAny(cell, "aApPmM")
		e.two = e.two || s.parts == 2
		e.wraps = e.wraps || e.last >= 23*hour && s.seconds < hour
		e.last = s.seconds
	}
}

// serial1970 is 1970-01-01 as spreadsheets count days: from 1899-12-30, since they have a 29 February 1900 (common practice).
const serial1970 = 25569

// serialDays says that the numbers are dates and times as spreadsheets keep them: days with a fraction, in this century or shortly
// before, and not more of them than a log lasts, where seconds would hardly have passed.
func (e *evidence) serialDays() bool {
	return e.min >= serial1970 && e.max < 73051 && e.max-e.min < 366 && e.integers < e.numbers && e.places >= 4
}

// eightDigits reads a date written as 20261125.
func eightDigits(b []byte) (stamp, bool) {
	var s stamp
	if n, ok := digitsOnly8(b); ok {
		s.a, s.b, s.c, s.known, s.hasDate = n/10000, n/100%100, n%100, true, true
		s.step = day
		return s, s.a >= 1900 && s.a < 2200 && valid(&s)
	}
	return s, false
}

// sixDigits reads a time of day written as 143330.
func sixDigits(b []byte) (s stamp, ok bool) {
	p := &scanner{b: b}
	if len(b) != 6 || p.digits() != 6 || !p.compactTime(&s) {
		return s, false
	}
	s.hasTime = true
	return s, !s.impossible && s.hours < 24
}

// fourteenDigits reads a date and time written as 20261125143330.
func fourteenDigits(b []byte) (stamp, bool) {
	if len(b) != 14 {
		return stamp{}, false
	}
	s, dateOK := eightDigits(b[:8])
	t, timeOK := sixDigits(b[8:])
	s.hasTime, s.seconds, s.hours, s.parts, s.step = true, t.seconds, t.hours, t.parts, t.step
	return s, dateOK && timeOK
}

func digitsOnly8(b []byte) (int, bool) {
	if len(b) != 8 {
		return 0, false
	}
	n := 0
	for _, c := range b {
		if !isDigit(c) {
			return 0, false
		}
		n = n*10 + int(c-'0')
	}
	return n, true
}

// resolve gives each field its column, from what header, `columns:` block and cells say.
func (s *shape) resolve(src source, opts Options) (*layout, error) {
	l := &layout{form: s.form, n: s.n, names: s.names, header: s.header, units: s.units, dateField: -1, timeField: -1, parts: noParts}
	said, err := descriptions(opts, s.names)
	if err != nil {
		return nil, err
	}
	means := make([]meaning, s.n)
	for i, name := range s.names {
		means[i] = readHeader(name)
		if s.unit != nil {
			means[i] = s.withUnit(means[i], name, s.unit[i])
		}
		if m, ok := said[i]; ok {
			if !m.hasUnit && m.of == means[i].of && means[i].hasUnit { // the header still says the unit
				m.unit, m.hasUnit = means[i].unit, true
			}
			means[i] = m
		}
	}
	if s.splitDate >= 0 && s.splitDate+1 < s.n { // the time of a date that shares its header
		means[s.splitDate+1] = meaning{of: duration, aspect: timeOfDay, channel: 1}
		means[s.splitDate].aspect = dateOnly
	}
	seen := s.look(src)
	s.coulombs(means, seen)
	s.work(means, seen)
	s.findParts(l, means, seen, said)
	s.timesAndDates(l, means, seen, said)
	for i := range means {
		if err := s.column(l, i, &means[i], &seen[i], src, opts.Lasted); err != nil {
			return nil, err
		}
	}
	if l.unclear != nil && !slices.ContainsFunc(l.columns, func(c Column) bool { return c.Kind == Tick || c.Kind == Elapsed || c.Kind == Clock }) {
		return nil, l.unclear
	}
	if err := s.orders(l, src, opts.Day); err != nil {
		return nil, err
	}
	l.siblings(means)
	l.channels(means, seen)
	l.record = s.recordWord(src, l)
	for _, c := range l.columns {
		if c.Kind != Other && c.Kind != Phase && c.Kind != Index {
			l.known++
		}
	}
	if l.known == 0 && !opts.Unnamed {
		return nil, s.nothingKnown(src, seen)
	}
	return l, nil
}

// coulombs takes a column C for charge where another is J and nothing else is charge: who counts energy in joules counts charge in coulombs.
// Charge goes through zero, as the temperature of a test hardly does.
func (s *shape) coulombs(means []meaning, seen []evidence) {
	c, j := slices.Index(s.names, "C"), slices.Index(s.names, "J")
	if c < 0 || j < 0 || !means[c].ignored || seen[c].numbers == 0 || seen[c].min > 0 || seen[c].max < 0 || slices.ContainsFunc(means, func(m meaning) bool { return m.of == charge }) {
		return
	}
	means[c] = readHeader("As")
}

// work takes a column W for energy where I and Q stand beside it: these are symbols, of which W is that of work, and no units.
// Where it is the product of U and I it is power all the same.
func (s *shape) work(means []meaning, seen []evidence) {
	symbol := func(letter string) int {
		return slices.IndexFunc(s.names, func(name string) bool { return strings.EqualFold(name, letter) })
	}
	w := symbol("W")
	u, i := symbol("U"), symbol("I")
	if w < 0 || u < 0 || i < 0 || symbol("Q") < 0 || slices.ContainsFunc(means, func(m meaning) bool { return m.of == energy }) {
		return
	}
	most := func(i int) float64 { return max(-seen[i].min, seen[i].max) }
	if p := most(u) * most(i); p > 0 && math.Abs(most(w)/p-0.9) < 0.2 {
		return
	}
	means[w] = readHeader("E")
}

// nothingKnown says that no column was understood.
func (s *shape) nothingKnown(src source, seen []evidence) error {
	e := &Error{Text: "none of the columns " + strings.Join(quoteAll(s.names), ", ") + " is understood", Expected: "header words and units such as time_s, voltage_V, current_mA, Ah, Wh",
		Hint: "say what the columns hold in stuntcell.yaml (descriptions: " + describable + ")"}
	if s.header >= 0 && s.header < len(src.first) {
		e.Line, e.Column = src.first[s.header].at+1, 1
	}
	var b strings.Builder
	b.WriteString("columns:\n")
	for i := range seen {
		fmt.Fprintf(&b, "  %d: other   # %s: %s\n", i+1, printable([]byte(s.names[i])), seen[i].example)
	}
	e.Block = b.String()
	return e
}

// withUnit adds a unit that stands in a second header line.
func (s *shape) withUnit(m meaning, name, u string) meaning {
	u = strings.Trim(u, "()[]{}<> ")
	if u == "" || isMissing([]byte(u)) {
		return m
	}
	return readHeader(name + " (" + u + ")")
}

// look gathers evidence from the first rows.
func (s *shape) look(src source) []evidence {
	seen := make([]evidence, s.n)
	var cells [][]byte
	var pairs []pair
	rows := 0
	for _, line := range src.first {
		if len(line.text) == 0 || isComment(line.text) {
			continue
		}
		cells, pairs = s.cells(line.text, cells, pairs)
		if len(cells) != s.n || !rowLike(cells) {
			continue
		}
		for i, c := range cells {
			seen[i].add(c, line.at, s.comma)
		}
		rows++
	}
	return seen
}

// recordWord is the word with which each of the first rows begins, if its column holds nothing that is judged.
func (s *shape) recordWord(src source, l *layout) string {
	if s.keyed || s.n < 3 || l.fields[0].column < 0 {
		return ""
	}
	if k := l.columns[l.fields[0].column].Kind; k != Other && k != Index {
		return ""
	}
	word := ""
	var cells [][]byte
	for _, line := range src.first {
		if len(line.text) == 0 || isComment(line.text) {
			continue
		}
		cells = s.split(line.text, cells)
		if len(cells) != s.n || !rowLike(cells) {
			continue
		}
		if word == "" {
			word = string(cells[0])
		}
		if word == "" || word != string(cells[0]) || !isWord(cells[0]) {
			return ""
		}
	}
	return word
}

// isWord says that a cell is letters, with a mark before them or not.
func isWord(cell []byte) bool {
	if len(cell) > 0 && (cell[0] == '$' || cell[0] == '*' || cell[0] == '#' || cell[0] == '!') {
		cell = cell[1:]
	}
	for _, c := range cell {
		if !isLetter(c) && c != '_' {
			return false
		}
	}
	return len(cell) > 0
}

// timesAndDates settles what the cells of time columns show, and which date goes with which time.
func (s *shape) timesAndDates(l *layout, means []meaning, seen []evidence, said map[int]meaning) {
	for i := range means {
		m, e := &means[i], &seen[i]
		if m.ignored || m.clash {
			continue
		}
		if a := said[i].aspect; said[i].of != none && a != dateOnly && a != timeOfDay && a != wholeStamp {
			continue
		}
		open := m.of == none && m.aspect == plain
		if m.of == duration || open {
			switch {
			case e.mostly(dateCell), e.eight && m.aspect == dateOnly:
				m.of = duration
				if l.dateField < 0 {
					l.dateField = i
				}
				m.aspect = dateOnly
			case e.mostly(stampCell), e.fourteen && m.aspect != elapsedTime && !m.hasUnit:
				m.of, m.aspect = duration, wholeStamp
			case e.mostly(timeCell) && open:
				m.of = duration
			}
		}
	}
	if l.dateField < 0 || l.parted {
		return
	}
	best := -1
	for i := range means { // the time of day that belongs to the date: said to be one, else the first that may be
		m, e := &means[i], &seen[i]
		bare := e.six && seen[l.dateField].eight && !m.hasUnit // digits alone, as the date has them
		if m.of != duration || !e.mostly(timeCell) && !bare || e.beyond || m.aspect == elapsedTime {
			continue
		}
		if best < 0 || m.aspect == timeOfDay && means[best].aspect != timeOfDay {
			best = i
		}
	}
	l.timeField = best
	l.timeZoned = best >= 0 && seen[best].zoned
}

// column makes the column of field i.
func (s *shape) column(l *layout, i int, m *meaning, e *evidence, src source, lasted float64) error {
	f := field{column: len(l.columns), scale: 1}
	c := Column{Header: s.names[i], Field: i + 1, Channel: max(m.channel, 1), Direction: m.direction, PerStep: m.perStep, Scale: 1}
	if m.numbered {
		c.Channel = m.channel
	}
	if e.suffix != "" && 2*e.suffixed >= e.values() { // not the 5A or 1D among check sums
		u, _ := lookUnit(e.suffix)
		if !m.hasUnit && (m.of == none && m.aspect == plain && !m.ignored || m.of == u.of || m.of == charge && u.of == energy) {
			m.unit, m.hasUnit, m.of = u, true, u.of
			if u.of == counts { // "9704 ticks", under a name that says nothing
				m.of, m.aspect = duration, tickCount
			}
		}
		if m.hasUnit && m.unit.of == u.of { // what stands beside each number decides
			m.unit = u
		}
		f.suffix, f.of = e.suffix, u.of
	}
	if l.partOf(i) >= 0 {
		s.partColumn(l, i, f, c, e)
		return nil
	}
	if i == l.timeField && i != l.dateField { // read into the date's column
		f.role, f.column = timed, -1
		l.fields = append(l.fields, f)
		return nil
	}
	if s.names[i] == "" && e.values() == 0 { // behind a separator at the end of each line
		f.role, f.column = skipped, -1
		l.fields = append(l.fields, f)
		return nil
	}
	quantities := [...]Kind{voltage: Voltage, current: Current, power: Power, charge: Charge, energy: Energy, temperature: Temperature}
	switch {
	case m.clash:
		l.notes = append(l.notes, fmt.Sprintf("column %q is not judged: its words and its unit contradict each other", s.names[i]))
	case m.ignored:
		c.Unit = m.unit.name
	case m.of == duration:
		if err := s.timeColumn(l, i, m, e, &f, &c, src, lasted); err != nil {
			return err
		}
	case m.aspect == phaseName:
		c.Kind, f.role = Phase, text
	case m.aspect == rowIndex:
		c.Kind = Index
	case m.ofRow:
		c.OfRow = e.integers == e.numbers && e.min >= 0 && e.max <= 9 && e.max > e.min
	case m.of == none || m.of == unjudged:
	case e.numbers == 0 && !m.hasUnit && !isNotANumber([]byte(e.example)) &&
		e.cell[textCell]+e.cell[codeCell]+e.cell[junkCell]+e.cell[timeCell]+e.cell[stampCell]+e.cell[dateCell] > 0:
		l.notes = append(l.notes, fmt.Sprintf("column %q is not judged: it holds words such as %q", s.names[i], e.example))
	default:
		c.Kind, f.role = quantities[m.of], decimal
		if m.of == charge && m.direction != 0 {
			c.Kind = map[int8]Kind{1: ChargeIn, -1: ChargeOut}[m.direction]
		}
		if m.of == energy && m.direction != 0 {
			c.Kind = map[int8]Kind{1: EnergyIn, -1: EnergyOut}[m.direction]
		}
		u := m.unit
		if !m.hasUnit {
			c.Guessed = true
			u = map[quantity]unit{voltage: {"V", voltage, 1, 0}, current: {"A", current, 1, 0}, power: {"W", power, 1, 0},
				charge: {"Ah", charge, hour, 0}, energy: {"Wh", energy, hour, 0}, temperature: {"degC", temperature, 1, 273.15}}[m.of]
		} else {
			c.Unit = u.name
		}
		c.Scale, c.Offset = u.scale, u.offset
	}
	f.scale, f.offset, f.divisor = c.Scale, c.Offset, 1
	if f.role == whole {
		f.scale = 1 // ticks stay counts
	}
	for _, d := range []float64{1e3, 1e6, 1e9} { // 1400 mA is 1.4 A to the last bit
		if f.scale == 1/d || f.scale == hour/d {
			f.scale, f.divisor = math.Round(f.scale*d), d
		}
	}
	for p := range f.step {
		f.below[p] = powersOfTen[p] * f.divisor
		f.step[p] = f.scale / f.below[p]
	}
	l.fields = append(l.fields, f)
	l.columns = append(l.columns, c)
	return nil
}

// timeColumn settles a column of time: clock, elapsed time or ticks.
func (s *shape) timeColumn(l *layout, i int, m *meaning, e *evidence, f *field, c *Column, src source, lasted float64) error {
	c.Unit, f.order, f.twoParts = m.unit.name, m.order, m.twoParts
	switch {
	case i == l.dateField:
		c.Kind, f.role = Clock, dated
		c.Unit = ""
		if l.timeField >= 0 {
			c.Zoned = l.timeZoned
			c.Header = strings.TrimSpace(s.names[i] + " " + s.names[l.timeField])
		}
		return nil
	case e.mostly(stampCell, dateCell), e.fourteen && m.aspect == wholeStamp:
		c.Kind, f.role = Clock, stamped
		c.Unit, c.Zoned = "", e.zoned
		return nil
	case e.mostly(timeCell):
		c.Unit = ""
		if m.aspect == plain && !e.beyond && !e.wraps {
			e.beyond, e.wraps = s.wrapsLater(i, src)
		}
		if m.aspect != elapsedTime && m.aspect != upTime && !e.beyond && (m.aspect == timeOfDay || m.aspect == wholeStamp || e.wraps || e.hinted) {
			c.Kind, f.role, c.NoDate, c.Zoned = Clock, timed, true, e.zoned
			return nil
		}
		c.Kind, f.role = Elapsed, spanned
		c.MayBeClock = m.aspect == plain && !e.beyond && m.twoParts == unsaid
		if e.two && m.twoParts == unsaid {
			f.twoParts = s.partsOf(i, src, lasted)
		}
		if e.two && f.twoParts == unsaid {
			key := yamlKey(s.names[i], i)
			l.notes = append(l.notes, fmt.Sprintf("column %q is not judged: %q may be hours and minutes or minutes and seconds", s.names[i], e.example))
			c.Kind, f.role, f.twoParts, c.MayBeClock = Other, text, unsaid, false
			l.unclear = &Error{Line: e.line + 1, Column: 1, Text: fmt.Sprintf("%q in column %q may be hours and minutes or minutes and seconds", e.example, s.names[i]),
				Expected: "h:mm:ss", Hint: "say which in stuntcell.yaml (h:min, or min:s in its place; or `time` alone for the time of day)", Block: fmt.Sprintf("columns:\n  %s: elapsed h:min\n", key)}
		}
		return nil
	case e.numbers == 0 && e.values() > 0:
		l.notes = append(l.notes, fmt.Sprintf("column %q is not judged: it holds words such as %q", s.names[i], e.example))
		return nil
	}
	named := m.aspect == unixTime || m.aspect == wholeStamp || m.aspect == plain || m.aspect == dateOnly || m.aspect == timeOfDay
	milli := m.unit.name == "ms" || !m.hasUnit && e.max > 1e11
	like := func(low, high float64) bool { return e.max >= low && e.max < high }
	f.role = decimal
	for _, u := range []unit{{name: "us", scale: 1e-6}, {name: "ns", scale: 1e-9}} { // Unix time; no counter runs for 28 years
		if (named || m.aspect == unixTime) && (!m.hasUnit || m.unit.name == u.name) && like(9e8/u.scale, 1e10/u.scale) {
			c.Kind, c.Zoned = Clock, true
			c.Unit, c.Scale = u.name, u.scale
			return nil
		}
	}
	switch {
	case e.serialDays() && (named && m.aspect != unixTime && !m.hasUnit || m.aspect != unixTime && m.unit.name == "d"): // no log runs for 70 years
		c.Kind, f.role, c.Unit = Clock, serial, "d"
		c.Scale, c.Offset = day, -serial1970*day
		return nil
	case m.aspect == unixTime || named && milli && like(9e11, 1e13) || named && !milli && (!m.hasUnit || m.unit.name == "s") && like(9e8, 1e10):
		c.Kind, c.Zoned = Clock, true
		c.Unit, c.Scale = "s", 1
		if milli && e.max > 1e11 {
			c.Unit, c.Scale = "ms", 1e-3
		} else if m.hasUnit && m.unit.of == duration {
			c.Unit, c.Scale = m.unit.name, m.unit.scale
		}
		return nil
	case m.aspect == dateOnly && !m.hasUnit || m.aspect == wholeStamp && !m.hasUnit && e.integers < e.numbers:
		f.role = loose
		l.notes = append(l.notes, fmt.Sprintf("column %q is not judged: %q is no date that can be read", s.names[i], e.example))
		return nil
	case m.aspect == tickCount, m.aspect == upTime && !m.hasUnit && e.integers == e.numbers,
		m.hasUnit && (m.unit.name == "ms" || m.unit.name == "us" || m.unit.name == "ns") && m.aspect != elapsedTime && e.integers == e.numbers:
		c.Kind, f.role = Tick, whole
		c.Scale = m.unit.scale // 0 if no unit is said
		if m.aspect == tickCount && m.hasUnit && m.unit.of == duration && m.unit.scale >= 1 || e.integers < e.numbers {
			c.Kind, f.role = Elapsed, decimal
			if c.Scale == 0 {
				c.Scale, c.Guessed = 1, true
			}
		}
		return nil
	}
	c.Kind = Elapsed
	c.Scale = m.unit.scale
	if !m.hasUnit || m.unit.of != duration {
		c.Scale, c.Guessed = 1, true
	}
	return nil
}

// yamlKey writes a header as a key of a `columns:` block; the number of the field if it has none.
func yamlKey(name string, i int) string {
	if name == "" {
		return strconv.Itoa(i + 1)
	}
	for j := 0; j < len(name); j++ {
		if !isLetter(name[j]) && !isDigit(name[j]) && name[j] != '_' || name[j] >= 0x80 {
			return strconv.Quote(name)
		}
	}
	return name
}

// siblings lets pairs of columns settle each other: "Charge" beside "Discharge" is the way in.
func (l *layout) siblings(means []meaning) {
	l.besides(means)
	type key struct {
		kind    Kind
		channel int
	}
	have := map[key]int{}
	for _, c := range l.columns {
		have[key{c.Kind, c.Channel}]++
	}
	for i := range l.fields {
		j := l.fields[i].column
		if j < 0 || !means[i].mayBeIn {
			continue
		}
		c := &l.columns[j]
		in, out := ChargeIn, ChargeOut
		if c.Kind == Energy {
			in, out = EnergyIn, EnergyOut
		}
		if (c.Kind == Charge || c.Kind == Energy) && have[key{out, c.Channel}] > 0 && have[key{in, c.Channel}] == 0 {
			c.Kind, c.Direction = in, 1
		}
	}
}

// channels tells columns of one kind apart: those that give way, those that say the same in another unit, and channels.
func (l *layout) channels(means []meaning, seen []evidence) {
	fieldOf := make([]int, len(l.columns))
	base := 1
	for i := range l.fields {
		if j := l.fields[i].column; j >= 0 {
			fieldOf[j] = i
			if means[i].numbered && means[i].channel == 0 {
				base = 0
			}
		}
	}
	if base == 0 {
		for j := range l.columns {
			m, c := &means[fieldOf[j]], &l.columns[j]
			if !m.numbered {
				continue
			}
			if c.Channel = m.channel + 1; c.Channel > 4 && c.Kind != Other {
				c.Channel = 1
				l.notJudged(c, &l.fields[fieldOf[j]], "it is a channel too many")
			}
		}
	}
	type key struct {
		kind      Kind
		channel   int
		direction int8
	}
	groups := map[key][]int{}
	clear := map[Kind]bool{} // kinds of time that a column says in known words
	for j, c := range l.columns {
		if m := &means[fieldOf[j]]; !m.vague && !m.weak && !c.PerStep {
			clear[c.Kind] = true
		}
	}
	for j := range l.columns {
		c, m := &l.columns[j], &means[fieldOf[j]]
		if (c.Kind == Tick || c.Kind == Elapsed) && (m.vague || m.weak) && clear[c.Kind] {
			l.notJudged(c, &l.fields[fieldOf[j]], "another says it better")
		}
	}
	for j, c := range l.columns {
		if c.Kind >= Voltage && c.Kind <= Temperature {
			k := key{c.Kind, c.Channel, c.Direction}
			groups[k] = append(groups[k], j)
		}
	}
	channels := false // the numbers are of channels: currents have them too
	for j, c := range l.columns {
		channels = channels || c.Kind == Current && means[fieldOf[j]].numbered
	}
	for j := range l.columns { // in order, so that it is the same each time
		c := l.columns[j]
		group := groups[key{c.Kind, c.Channel, c.Direction}]
		if len(group) < 2 || group[0] != j {
			continue
		}
		whole := slices.ContainsFunc(group, func(j int) bool { return !means[fieldOf[j]].numbered })
		group = slices.DeleteFunc(slices.Clone(group), func(j int) bool {
			part := whole && !channels && means[fieldOf[j]].numbered
			if part {
				l.notJudged(&l.columns[j], &l.fields[fieldOf[j]], "it is a part beside the whole")
			}
			return part
		})
		l.tell(group, fieldOf, means)
	}
}

// besides takes out what is of a panel or of the mains where another column is of the battery.
func (l *layout) besides(means []meaning) {
	battery := false
	for i := range l.fields {
		if j := l.fields[i].column; j >= 0 && (l.columns[j].Kind == Voltage || l.columns[j].Kind == Current) {
			battery = battery || !means[i].beside
		}
	}
	for i := range l.fields {
		j := l.fields[i].column
		if battery && j >= 0 && means[i].beside && l.columns[j].Kind >= Voltage && l.columns[j].Kind <= EnergyOut {
			l.notJudged(&l.columns[j], &l.fields[i], "it is of something beside the battery")
		}
	}
}

// tell settles a group of columns that would be the same.
func (l *layout) tell(group, fieldOf []int, means []meaning) {
	strong := 0
	for _, j := range group {
		if m := means[fieldOf[j]]; !m.weak && !m.vague && !l.columns[j].Guessed && !l.columns[j].PerStep {
			strong++
		}
	}
	next := l.columns[group[0]].Channel
	var units []string
	for n, j := range group {
		c, m := &l.columns[j], means[fieldOf[j]]
		f := &l.fields[fieldOf[j]]
		switch {
		case c.PerStep:
		case strong > 0 && (m.weak || m.vague || c.Guessed), strong == 0 && n > 0 && m.weak:
			l.notJudged(c, f, "another says it better")
		case len(units) > 0 && !containsText(units, c.Unit): // the same in another unit
			units = append(units, c.Unit)
		case len(units) == 0:
			units = append(units, c.Unit)
		default:
			if next++; next > 4 || m.numbered {
				l.notJudged(c, f, "it is one too many of its kind")
				continue
			}
			c.Channel = next
		}
	}
}

// notJudged takes a column out of judgement and says why; its cells are kept as printed.
func (l *layout) notJudged(c *Column, f *field, why string) {
	l.notes = append(l.notes, fmt.Sprintf("column %q is not judged: %s", c.Header, why))
	c.Kind, c.Scale, c.Offset, c.Guessed, f.role = Other, 1, 0, false, loose
}

func containsText(list []string, s string) bool {
	for _, x := range list {
		if x == s {
			return true
		}
	}
	return false
}

// orders settles which number of a date is the day, from all rows that can be had.
func (s *shape) orders(l *layout, src source, known func(unixDay int) bool) error {
	for i := range l.fields {
		f := &l.fields[i]
		if f.role != dated && f.role != stamped || f.order != unsettled {
			continue
		}
		o, err := s.orderOf(i, src, known)
		if err != nil {
			return err
		}
		f.order = o
	}
	return nil
}

// reading is how the dates of a column look in one order.
type reading struct {
	bad, back     int // dates that do not exist; steps back
	seen, last    int
	jump, changes int // longest step forth [days], number of steps
	known         int // dates that are known to have been
}

func (s *shape) orderOf(i int, src source, known func(unixDay int) bool) (dateOrder, error) {
	var in [yearMonthDay + 1]reading
	var cells [][]byte
	var pairs []pair
	var example numbered
	var text string
	dotted, rows, same, short := false, 0, true, false
	decided := unsettled
	if !s.undecided(i, src) {
		return unsettled, nil
	}
	src.all(func(line numbered) bool {
		if len(line.text) == 0 || isComment(line.text) {
			return true
		}
		cells, pairs = s.cells(line.text, cells, pairs)
		if len(cells) != s.n {
			return true
		}
		st, ok := parseStamp(cells[i])
		if !ok || !st.hasDate || st.known || st.impossible {
			return true
		}
		if rows == 0 {
			example, text = line, printable(cells[i])
		}
		rows++
		dotted, short = dotted || st.dotted, short || st.short
		var first int
		left, valids := unsettled, 0
		for o := dayMonth; o <= yearMonthDay; o++ {
			d, ok := st.settle(o)
			r := &in[o]
			if !ok {
				r.bad++
				continue
			}
			if valids++; valids == 1 {
				first = d
			} else if d != first {
				same = false
			}
			left = o
			if r.seen > 0 {
				if d < r.last {
					r.back++
				}
				if d > r.last {
					r.jump = max(r.jump, d-r.last)
					r.changes++
				}
			}
			r.seen++
			r.last = d
			if known != nil && known(d) {
				r.known++
			}
		}
		if valids == 1 && !short {
			decided = left
			return false
		}
		return true
	})
	if decided != unsettled || rows == 0 {
		return decided, nil
	}
	if o := best(in, func(r reading) bool { return 2*r.known > rows }); o != unsettled {
		return o, nil
	}
	if dotted && in[dayMonth].bad == 0 {
		return dayMonth, nil
	}
	if same {
		for o := dayMonth; o <= yearMonthDay; o++ {
			if in[o].bad == 0 {
				return o, nil
			}
		}
	}
	if o := best(in, func(r reading) bool { return r.bad == 0 }); o != unsettled {
		return o, nil
	}
	if o := best(in, func(r reading) bool { return r.bad == 0 && r.back == 0 }); o != unsettled {
		return o, nil
	}
	if in[dayMonth].bad == 0 && dayFirst(s.names[i]) {
		return dayMonth, nil
	}
	near := best(in, func(r reading) bool { return r.bad == 0 && r.back == 0 && r.changes > 0 && r.jump <= 2 })
	if near != unsettled && best(in, func(r reading) bool { return r.bad == 0 && r.back == 0 && r.changes > 0 && r.jump < 20 }) == near {
		return near, nil
	}
	for o := dayMonth; o <= yearMonthDay && known != nil; o++ {
		if in[o].bad == 0 {
			return o, nil // the date is wrong in any order
		}
	}
	return unsettled, s.ambiguous(i, example, text, in)
}

// dayFirst says that a header names a date in a language whose dates begin with the day.
func dayFirst(name string) bool {
	for _, w := range strings.FieldsFunc(asciiLower(name), func(c rune) bool { return c < 'a' || c > 'z' }) {
		switch w {
		case "datum", "fecha", "data", "jour", "dia", "horodatage", "zeitstempel", "zeitpunkt":
			return true
		}
	}
	return false
}

// undecided says that a date among the first rows has its day first or second.
func (s *shape) undecided(i int, src source) bool {
	var cells [][]byte
	var pairs []pair
	for _, line := range src.first {
		if len(line.text) == 0 || isComment(line.text) {
			continue
		}
		if cells, pairs = s.cells(line.text, cells, pairs); len(cells) != s.n {
			continue
		}
		if st, ok := parseStamp(cells[i]); ok && st.hasDate && !st.known && !st.impossible {
			return true
		}
	}
	return false
}

// wrapsLater looks whether times pass 24 h or fall back to 0 h further down than the first rows.
func (s *shape) wrapsLater(i int, src source) (beyond, wraps bool) {
	var cells [][]byte
	var pairs []pair
	last := 0.0
	src.all(func(line numbered) bool {
		if len(line.text) == 0 || isComment(line.text) {
			return true
		}
		if cells, pairs = s.cells(line.text, cells, pairs); len(cells) != s.n {
			return true
		}
		if st, ok := parseStamp(cells[i]); ok && !st.hasDate {
			beyond = st.hours >= 24 || st.span
			wraps = last >= 23*hour && st.seconds < hour
			last = st.seconds
		}
		return !beyond && !wraps
	})
	return beyond, wraps
}

// partsOf settles what 12:34 is: minutes and seconds if a fraction follows, or times of three parts stand in other rows; else the times
// must span what the log can have lasted, which one of two meanings that are sixty apart does at most.
func (s *shape) partsOf(i int, src source, lasted float64) twoParts {
	var cells [][]byte
	var pairs []pair
	low, high, sure := math.Inf(1), math.Inf(-1), false
	src.all(func(line numbered) bool {
		if len(line.text) == 0 || isComment(line.text) {
			return true
		}
		if cells, pairs = s.cells(line.text, cells, pairs); len(cells) != s.n {
			return true
		}
		if st, ok := parseStamp(cells[i]); ok && st.hasTime && !st.hasDate {
			low, high, sure = min(low, st.seconds), max(high, st.seconds), sure || st.parts == 3 || st.step < 60
		}
		return !sure
	})
	fits := func(span float64) bool { return lasted > 0 && span > lasted/2 && span < 1.05*lasted+60 }
	switch {
	case sure, fits((high - low) / 60):
		return minutesSeconds
	case fits(high - low):
		return hoursMinutes
	}
	return unsaid
}

// best returns the only order that is as asked, unsettled if there is none or more than one.
func best(in [yearMonthDay + 1]reading, ok func(reading) bool) dateOrder {
	found := unsettled
	for o := dayMonth; o <= yearMonthDay; o++ {
		if in[o].seen > 0 && ok(in[o]) {
			if found != unsettled {
				return unsettled
			}
			found = o
		}
	}
	return found
}

// ambiguous shows the readings of a date that no row settles.
func (s *shape) ambiguous(i int, example numbered, text string, in [yearMonthDay + 1]reading) error {
	st, _ := parseStamp([]byte(text))
	var readings []string
	first := unsettled
	for o := dayMonth; o <= yearMonthDay; o++ {
		if d, ok := st.settle(o); ok && in[o].bad == 0 {
			readings = append(readings, fmt.Sprintf("%s (%s)", dayText(d), o))
			if first == unsettled {
				first = o
			}
		}
	}
	name := s.names[i]
	e := &Error{Line: example.at + 1, Column: bytes.Index(example.text, []byte(text)) + 1,
		Text:     fmt.Sprintf("the date %q in column %q may be %s, and no row settles it", text, name, strings.Join(readings, " or ")),
		Expected: "dates as 2026-03-02", Hint: "say which in stuntcell.yaml, with the order that is right"}
	kind := "clock"
	if !st.hasTime {
		kind = "date"
	}
	e.Block = fmt.Sprintf("columns:\n  %s: %s %s\n", yamlKey(name, i), kind, first)
	return e
}

// dayText writes a Unix day as "2 March 2026".
func dayText(unixDay int) string {
	z := unixDay + 719468
	era := int(math.Floor(float64(z) / 146097))
	doe := z - era*146097
	yoe := (doe - doe/1460 + doe/36524 - doe/146096) / 365
	doy := doe - (365*yoe + yoe/4 - yoe/100)
	mp := (5*doy + 2) / 153
	d, m, y := doy-(153*mp+2)/5+1, mp+3, yoe+era*400
	if m > 12 {
		m -= 12
		y++
	}
	return fmt.Sprintf("%d %s %d", d, [...]string{"January", "February", "March", "April", "May", "June", "July", "August", "September", "October", "November", "December"}[m-1], y)
}
