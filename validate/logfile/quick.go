package logfile

import (
	"bytes"
	"math"
)

// quick reads a row of plain cells in one pass, with the same result as read: numbers without exponents, dates of the day
// before, words, gaps. It says no where anything else stands, and leaves the row to read.
func (a *assembler) quick(line []byte) bool {
	l := a.layout
	if l.keyed || l.sep == ' ' || l.sep == 0 || len(line) == 0 || len(line) > maxLine || !isDigit(line[0]) && line[0] != '-' {
		return false
	}
	sep, point := l.sep, byte('.')
	if l.comma {
		point = ','
	}
	p, last, filled := 0, len(l.fields)-1, 0
	date, clock := math.NaN(), math.NaN() // of the pair, if there is one
	for i := range l.fields {
		f := &l.fields[i]
		for p < len(line) && line[p] == ' ' {
			p++
		}
		end := p
		switch {
		case p == len(line) || line[p] == sep: // nothing stands here
			if i == l.dateField || i == l.timeField {
				return false
			}
			a.missing(f)
		case f.role == decimal || f.role == whole:
			if end = a.quickNumber(f, line, p, point); end < 0 {
				return false
			}
			filled++
		default:
			if i := bytes.IndexByte(line[p:], sep); i >= 0 {
				end = p + i
			} else {
				end = len(line)
			}
			cell := line[p:end]
			ok := plainCell(cell)
			switch {
			case !ok:
			case f.role == stamped:
				ok = a.quickStamp(f, cell)
			case f.role == dated:
				date, ok = f.lastDay, string(cell) == string(f.lastDate[:])
			case f.role == timed && (f.column < 0 && l.timeZoned || f.column >= 0 && l.columns[f.column].Zoned):
				ok = false
			case f.role == timed && f.column < 0:
				clock, ok = clockFace(cell)
			case f.role == timed || f.role == spanned:
				at := a.target[f.column]
				a.value[at], ok = clockFace(cell)
				a.step[at] = 1
			case f.role == text:
				a.words[a.target[f.column]] = a.keep(cell)
				filled--
			case f.role == loose:
				a.missing(f)
				_, ok = a.cell(f, cell)
				filled--
			default:
				ok = false
			}
			if !ok {
				return false
			}
			filled++
		}
		if i == last && end != len(line) || i < last && (end >= len(line) || line[end] != sep) {
			return false
		}
		p = end + 1
	}
	if l.dateField >= 0 {
		at := a.target[l.fields[l.dateField].column]
		if a.value[at], a.step[at] = date, day; l.timeField >= 0 {
			a.value[at], a.step[at] = date+clock, 1
		}
	}
	return filled > 0
}

// missing writes a gap.
func (a *assembler) missing(f *field) {
	if f.column < 0 {
		return
	}
	at := a.target[f.column]
	a.value[at], a.step[at] = math.NaN(), math.NaN()
	a.words[at] = ""
}

// quickNumber reads a number at p and returns where it ends, -1 if it is none that is plain.
func (a *assembler) quickNumber(f *field, line []byte, p int, point byte) int {
	negative := line[p] == '-'
	if negative {
		p++
	}
	digits, places, first := uint64(0), 0, p
	for p < len(line) && line[p]-'0' <= 9 {
		digits = digits*10 + uint64(line[p]-'0')
		p++
	}
	count := p - first
	if p < len(line) && line[p] == point && f.role == decimal {
		p++
		first = p
		for p < len(line) && line[p]-'0' <= 9 {
			digits = digits*10 + uint64(line[p]-'0')
			p++
		}
		places = p - first
		if count += places; places == 0 {
			return -1
		}
	}
	if count == 0 || count > maxDigits || places > maxPlaces {
		return -1
	}
	v := float64(digits)
	if negative {
		v = -v
	}
	at := a.target[f.column]
	a.value[at], a.step[at] = v*f.scale/f.below[places]+f.offset, f.step[places]
	return p
}

// quickStamp reads YYYY-MM-DD HH:MM:SS, or its like, of the day of the row before.
func (a *assembler) quickStamp(f *field, cell []byte) bool {
	zoned := a.layout.columns[f.column].Zoned
	if zoned && len(cell) == 20 && cell[19] == 'Z' {
		cell = cell[:19]
	} else if zoned {
		return false
	}
	if len(cell) != 19 || cell[10] != ' ' && cell[10] != 'T' || string(cell[:10]) != string(f.lastDate[:]) {
		return false
	}
	s, ok := clockFace(cell[11:])
	at := a.target[f.column]
	a.value[at], a.step[at] = f.lastDay+s, 1
	return ok
}

// plainCell says that a cell needs no trimming or unquoting, and is not missing.
func plainCell(cell []byte) bool {
	n := len(cell)
	return n > 0 && cell[0] > ' ' && cell[0] < 0x80 && cell[0] != '"' && cell[n-1] > ' ' && cell[n-1] < 0x80 && !isMissing(cell)
}

// clockFace reads HH:MM:SS, without leap seconds.
func clockFace(b []byte) (seconds float64, ok bool) {
	if len(b) != 8 || b[2] != ':' || b[5] != ':' {
		return 0, false
	}
	h1, h2, m1, m2, s1, s2 := b[0]-'0', b[1]-'0', b[3]-'0', b[4]-'0', b[6]-'0', b[7]-'0'
	if h1 > 2 || h2 > 9 || m1 > 5 || m2 > 9 || s1 > 5 || s2 > 9 {
		return 0, false
	}
	h := int(h1)*10 + int(h2)
	return float64(h*3600 + (int(m1)*10+int(m2))*60 + int(s1)*10 + int(s2)), h < 24
}
