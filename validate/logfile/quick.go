package logfile

import (
	"bytes"
	"math"
)

// quickRows reads rows of plain cells (numbers without exponents, dates, times of day, words, gaps) in one pass over the text, with the
// same result as assembler.read has line by line. It stops before the first line in which anything else stands, and leaves that
// to the assembler. It keeps nothing of its own but what it has read, so that several may read different parts of one log.
type quickRows struct {
	layout  *layout
	point   byte
	columns []quickColumn // by column of the table
	fields  []quickField  // by field of the line
	intern  words
}

// quickColumn is where the cells of one column of the table go.
type quickColumn struct {
	value, step []float64
	text        []string // of a Phase only
	named       bool     // it has text
	read        bool     // a field writes it
}

// quickField is what is kept for one field.
type quickField struct {
	*field
	at    int // column of the table, -1 if there is none
	zoned bool
	// The last date that was read, and its Unix time [s]: most rows are of the same day.
	lastDate [10]byte
	lastDay  float64
}

// words keeps one copy of each text that comes often.
type words map[string]string

func (w *words) keep(cell []byte) string {
	if len(cell) > 64 {
		cell = cell[:64]
	}
	if s, ok := (*w)[string(cell)]; ok {
		return s
	}
	s := string(cell)
	if *w == nil {
		*w = words{}
	}
	if len(*w) < 1024 {
		(*w)[s] = s
	}
	return s
}

// aim prepares for rows of a layout, into columns of a table. It reports whether such rows can be plain at all.
func (p *quickRows) aim(l *layout, target []int, t *Table) bool {
	if l.keyed || l.sep == ' ' || l.sep == 0 || l.parted || l.timeField >= 0 && l.timeZoned {
		return false
	}
	if p.layout != l || len(p.columns) != len(t.Columns) {
		p.layout, p.point = l, '.'
		if l.comma {
			p.point = ','
		}
		p.columns = make([]quickColumn, len(t.Columns))
		p.fields = make([]quickField, len(l.fields))
		for i := range p.fields {
			f := &p.fields[i]
			f.field, f.at = &l.fields[i], -1
			if c := f.column; c >= 0 {
				f.at, f.zoned = target[c], l.columns[c].Zoned
				p.columns[f.at].read = true
			}
		}
		for i := range p.columns {
			p.columns[i].named = t.Columns[i].Kind == Phase
		}
	}
	for i := range p.fields {
		f := &p.fields[i]
		f.lastDate, f.lastDay = f.field.lastDate, f.field.lastDay
	}
	return true
}

// clear empties the columns.
func (p *quickRows) clear() {
	for i := range p.columns {
		c := &p.columns[i]
		c.value, c.step, c.text = c.value[:0], c.step[:0], c.text[:0]
	}
}

// swap exchanges the columns with those of a table.
func (p *quickRows) swap(t *Table) {
	for i := range p.columns {
		from, to := &p.columns[i], &t.Columns[i]
		from.value, to.Value = to.Value, from.value
		from.step, to.Step = to.Step, from.step
		from.text, to.Text = to.Text, from.text
	}
}

// rows reads rows from lines that end in eol, until limit rows are read, the text ends or a line is not plain. It appends them to the
// columns and returns the bytes and the rows that it has read.
func (p *quickRows) rows(b []byte, eol byte, limit int) (used, rows int) {
	base := 0
	if len(p.columns) > 0 {
		base = len(p.columns[0].value)
	}
	room := base
	for rows < limit && used < len(b) {
		if base+rows == room {
			room += min(limit-rows, max(256, rows))
			p.grow(room)
		}
		next := p.row(b, used, eol, base+rows)
		if next < 0 {
			break
		}
		used = next
		rows++
	}
	for i := range p.columns {
		c := &p.columns[i]
		c.value, c.step = c.value[:base+rows], c.step[:base+rows]
		if c.named {
			c.text = c.text[:base+rows]
		}
		if !c.read { // a column of another header
			fillGaps(c.value[base:])
			fillGaps(c.step[base:])
			clear(c.text[min(base, len(c.text)):])
		}
	}
	return used, rows
}

// grow makes room for n rows in all.
func (p *quickRows) grow(n int) {
	for i := range p.columns {
		c := &p.columns[i]
		c.value, c.step = stretch(c.value, n), stretch(c.step, n)
		if c.named {
			c.text = stretch(c.text, n)
		}
	}
}

// stretch returns s with n entries; the new ones may hold anything.
func stretch[T any](s []T, n int) []T {
	if n <= cap(s) {
		return s[:n]
	}
	longer := make([]T, n, n+n/4)
	copy(longer, s)
	return longer
}

func fillGaps(s []float64) {
	for i := range s {
		s[i] = math.NaN()
	}
}

// row reads the line at i into entry k of the columns and returns where the next one begins; -1 if it is not plain.
func (p *quickRows) row(b []byte, i int, eol byte, k int) int {
	begin := i
	for i < len(b) && b[i] == ' ' {
		i++
	}
	if i == len(b) || !isDigit(b[i]) && b[i] != '-' {
		return -1
	}
	l, sep, point := p.layout, p.layout.sep, p.point
	last, filled := len(p.fields)-1, 0
	date, clock, clockStep := math.NaN(), math.NaN(), 1.0 // of the pair, if there is one
	for n := range p.fields {
		f := &p.fields[n]
		for i < len(b) && b[i] == ' ' {
			i++
		}
		if i == len(b) {
			return -1
		}
		switch c := b[i]; {
		case c == sep || c == eol || c == '\r': // nothing stands here
			if n == l.dateField || n == l.timeField {
				return -1
			}
			p.gap(f, k)
		case f.role == decimal || f.role == whole:
			negative := c == '-'
			if negative {
				i++
			}
			digits, places, first := uint64(0), 0, i
			for i < len(b) && b[i]-'0' <= 9 {
				digits = digits*10 + uint64(b[i]-'0')
				i++
			}
			count := i - first
			if i < len(b) && b[i] == point && f.role == decimal {
				i++
				first = i
				for i < len(b) && b[i]-'0' <= 9 {
					digits = digits*10 + uint64(b[i]-'0')
					i++
				}
				if places = i - first; places == 0 {
					return -1
				}
				count += places
			}
			if count == 0 || count > maxDigits || places > maxPlaces {
				return -1
			}
			v := float64(digits)
			if negative {
				v = -v
			}
			column := &p.columns[f.at]
			column.value[k], column.step[k] = v*f.scale/f.below[places]+f.offset, f.step[places]
			filled++
		default:
			end := cellEnd(b, i, sep, eol)
			cell := b[i:end]
			if n == last {
				cell = bytes.TrimRight(cell, " \r")
			}
			if !plainCell(cell) || n == last && cell[len(cell)-1] == ';' {
				return -1
			}
			i = end
			switch f.role {
			case text:
				p.gap(f, k)
				if c := &p.columns[f.at]; c.named {
					c.text[k] = p.intern.keep(cell)
				}
			case loose:
				p.gap(f, k)
				if v, places, ok := parseNumber(cell, l.comma); ok {
					if step := lastPlace(places); !math.IsInf(step, 0) {
						p.columns[f.at].value[k], p.columns[f.at].step[k] = v, step
					}
				}
			case stamped:
				if f.zoned {
					if cell[len(cell)-1] != 'Z' {
						return -1
					}
					cell = cell[:len(cell)-1]
				}
				if len(cell) < 19 || cell[10] != ' ' && cell[10] != 'T' || !f.sameDay(cell[:10]) {
					return -1
				}
				s, step, ok := clockFace(cell[11:])
				if !ok {
					return -1
				}
				p.columns[f.at].value[k], p.columns[f.at].step[k] = f.lastDay+s, step
				filled++
			case dated:
				if !f.sameDay(cell) {
					return -1
				}
				date = f.lastDay
				filled++
			case timed, spanned:
				s, step, ok := clockFace(cell)
				if !ok || f.zoned {
					return -1
				}
				switch {
				case f.at < 0: // it belongs to the date
					clock, clockStep = s, step
				case f.role == timed:
					s = math.Mod(s+day, day) // as read rounds it
					fallthrough
				default:
					p.columns[f.at].value[k], p.columns[f.at].step[k] = s, step
				}
				filled++
			default:
				return -1
			}
		}
		if n < last {
			if i == len(b) || b[i] != sep {
				return -1
			}
			i++
		}
	}
	for i < len(b) && (b[i] == ' ' || b[i] == '\r') {
		if b[i] == eol {
			break
		}
		i++
	}
	if i == len(b) || b[i] != eol || i-begin > maxLine || filled == 0 {
		return -1
	}
	if l.dateField >= 0 {
		c := &p.columns[p.fields[l.dateField].at]
		if c.value[k], c.step[k] = date, day; l.timeField >= 0 {
			c.value[k], c.step[k] = date+clock, clockStep
		}
	}
	return i + 1
}

// gap writes that a cell is missing.
func (p *quickRows) gap(f *quickField, k int) {
	if f.at < 0 {
		return
	}
	c := &p.columns[f.at]
	c.value[k], c.step[k] = math.NaN(), math.NaN()
	if c.named {
		c.text[k] = ""
	}
}

// sameDay makes the date of ten bytes the field's last one; false if it is neither that already nor YYYY-MM-DD.
func (f *quickField) sameDay(date []byte) bool {
	if string(date) == string(f.lastDate[:]) {
		return true
	}
	if len(date) != len(f.lastDate) || date[4] != date[7] || date[4] != '-' && date[4] != '/' && date[4] != '.' {
		return false
	}
	n := 0
	for i, c := range date {
		if i == 4 || i == 7 {
			continue
		}
		if !isDigit(c) {
			return false
		}
		n = n*10 + int(c-'0')
	}
	s := stamp{a: n / 10000, b: n / 100 % 100, c: n % 100, known: true}
	unixDay, ok := s.settle(f.order)
	if ok {
		copy(f.lastDate[:], date)
		f.lastDay = float64(unixDay) * day
	}
	return ok
}

// cellEnd is where the cell at i ends.
func cellEnd(b []byte, i int, sep, eol byte) int {
	for i < len(b) && b[i] != sep && b[i] != eol {
		i++
	}
	return i
}

// plainCell says that a cell needs no trimming or unquoting, and is not missing.
func plainCell(cell []byte) bool {
	n := len(cell)
	return n > 0 && cell[0] > ' ' && cell[0] < 0x80 && cell[0] != '"' && cell[n-1] > ' ' && cell[n-1] < 0x80 && !isMissing(cell)
}

// clockFace reads HH:MM:SS and a fraction, without leap seconds.
func clockFace(b []byte) (seconds, step float64, ok bool) {
	if len(b) < 8 || b[2] != ':' || b[5] != ':' {
		return 0, 0, false
	}
	h1, h2, m1, m2, s1, s2 := b[0]-'0', b[1]-'0', b[3]-'0', b[4]-'0', b[6]-'0', b[7]-'0'
	if h1 > 2 || h2 > 9 || m1 > 5 || m2 > 9 || s1 > 5 || s2 > 9 {
		return 0, 0, false
	}
	h := int(h1)*10 + int(h2)
	seconds, step = float64(h*3600+(int(m1)*10+int(m2))*60+int(s1)*10+int(s2)), 1
	if b = b[8:]; len(b) > 0 {
		if len(b) < 2 || len(b) > 1+maxDigits || b[0] != '.' && b[0] != ',' {
			return 0, 0, false
		}
		digits := uint64(0)
		for _, c := range b[1:] {
			if !isDigit(c) {
				return 0, 0, false
			}
			digits = digits*10 + uint64(c-'0')
		}
		seconds += float64(digits) / powersOfTen[len(b)-1]
		step = lastPlace(len(b) - 1)
	}
	return seconds, step, h < 24
}
