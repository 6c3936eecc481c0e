package logfile

import "bytes"

// form is how the lines of a log are cut into cells.
type form struct {
	sep   byte // ',', ';', '\t', '|', ' ' for runs of blanks, 0 for one cell a line
	wide  bool // with ' ': only two or more blanks, or a tab, part the cells
	comma bool // decimal comma
	keyed bool // V=12.61 I=-1.40
}

var utf8Mark = []byte{0xef, 0xbb, 0xbf}

// split cuts a line into its cells, trimmed, without their quotes. A separator at the very end makes one more, empty cell; a semicolon there
// that parts nothing is a mark that the line is whole.
// The cells share the line's bytes where they can; dst is reused.
func (f form) split(line []byte, dst [][]byte) [][]byte {
	dst = dst[:0]
	if n := len(line); n > 0 && line[n-1] == ';' && f.sep != ';' {
		line = line[:n-1]
	}
	line = f.withoutSum(line)
	if f.sep == 0 {
		return append(dst, unquote(trim(line)))
	}
	if f.sep == ' ' {
		return f.splitBlanks(line, dst)
	}
	for {
		i := bytes.IndexByte(line, f.sep)
		if q := bytes.IndexByte(line, '"'); q >= 0 && (i < 0 || q < i) && len(trim(line[:q])) == 0 {
			if end, ok := quoteEnd(line, q); ok {
				if next := bytes.IndexByte(line[end:], f.sep); next >= 0 {
					i = end + next
				} else {
					i = -1
				}
			}
		}
		if i < 0 {
			return append(dst, unquote(trim(line)))
		}
		dst = append(dst, unquote(trim(line[:i])))
		line = line[i+1:]
	}
}

// withoutSum cuts a check sum off that stands behind the last value as *5C, as in the sentences of marine instruments (NMEA 0183). One that
// is a field of its own is left.
func (f form) withoutSum(line []byte) []byte {
	n := len(line)
	for n > 0 && (line[n-1] == ' ' || line[n-1] == '\r') {
		n--
	}
	if n < 4 || line[n-3] != '*' || !isHex(line[n-2]) || !isHex(line[n-1]) || line[n-4] == f.sep || line[n-4] == ' ' || line[n-4] == '\t' {
		return line
	}
	return line[:n-3]
}

func isHex(c byte) bool { return isDigit(c) || c|0x20 >= 'a' && c|0x20 <= 'f' }

func (f form) splitBlanks(line []byte, dst [][]byte) [][]byte {
	line = trim(line)
	for len(line) > 0 {
		end := 0
		if line[0] == '"' {
			if e, ok := quoteEnd(line, 0); ok {
				end = e
			}
		}
		for end < len(line) && !f.gap(line[end:]) {
			end++
		}
		dst = append(dst, unquote(trim(line[:end])))
		for end < len(line) && (line[end] == ' ' || line[end] == '\t') {
			end++
		}
		line = line[end:]
	}
	return dst
}

// gap says that cells part here.
func (f form) gap(b []byte) bool {
	return b[0] == '\t' || b[0] == ' ' && (!f.wide || len(b) > 1 && (b[1] == ' ' || b[1] == '\t'))
}

// quoteEnd returns the index behind the closing quote of the one at q.
func quoteEnd(line []byte, q int) (int, bool) {
	for i := q + 1; i < len(line); i++ {
		if line[i] != '"' {
			continue
		}
		if i+1 < len(line) && line[i+1] == '"' {
			i++
			continue
		}
		return i + 1, true
	}
	return 0, false
}

func unquote(b []byte) []byte {
	if len(b) < 2 || b[0] != '"' || b[len(b)-1] != '"' {
		return b
	}
	b = b[1 : len(b)-1]
	if bytes.IndexByte(b, '"') >= 0 {
		b = bytes.ReplaceAll(b, []byte(`""`), []byte(`"`))
	}
	return trim(b)
}

// trim takes blanks, tabs, carriage returns and non-breaking blanks from both ends.
func trim(b []byte) []byte {
	for len(b) > 0 {
		switch c := b[0]; {
		case c == ' ' || c == '\t' || c == '\r' || c == '\n':
			b = b[1:]
			continue
		case c == 0xc2 && len(b) > 1 && b[1] == 0xa0:
			b = b[2:]
			continue
		}
		break
	}
	for len(b) > 0 {
		switch c := b[len(b)-1]; {
		case c == ' ' || c == '\t' || c == '\r' || c == '\n':
			b = b[:len(b)-1]
			continue
		case c == 0xa0 && len(b) > 1 && b[len(b)-2] == 0xc2:
			b = b[:len(b)-2]
			continue
		}
		break
	}
	return b
}

// pair is a named value of a keyed line. A key is empty before a first value without a name.
type pair struct{ key, value []byte }

// splitKeyed cuts "V=12.61 I: -1.40 A, Ah=0.12" into its pairs; cells before the first name have none, and a value keeps the
// unit behind it. It says no if what stands there is no list of names and values.
func splitKeyed(line []byte, dst []pair) ([]pair, bool) {
	dst = dst[:0]
	if len(line) > 1 && line[0] == '{' && line[len(line)-1] == '}' {
		return splitObject(line[1:len(line)-1], dst)
	}
	named, begin := 0, 0 // begin of the last value
	for i := keyedSkip(line, 0); i < len(line); i = keyedSkip(line, i) {
		if len(dst) >= maxFields {
			return dst, false
		}
		end := keyedEnd(line, i)
		mark := keyMark(line[i:end])
		if mark < 0 && isLetter(line[i]) { // "V = 12.61"
			if next := blanks(line, end); next < len(line) && (line[next] == '=' || line[next] == ':' && (next+1 == len(line) || line[next+1] == ' ')) {
				dst = append(dst, pair{key: line[i:end]})
				named++
				begin, i = valueAfter(line, next+1)
				dst[len(dst)-1].value = line[begin:i]
				continue
			}
		}
		switch {
		case mark >= 0:
			key := line[i : i+mark]
			if begin = i + mark + 1; begin == end {
				begin, end = valueAfter(line, end)
			}
			dst = append(dst, pair{key, line[begin:end]})
			named++
		case named == 0:
			dst = append(dst, pair{nil, line[i:end]})
		default: // a unit
			last := &dst[len(dst)-1]
			if isDate(last.value) && isTimeOfDay(line[i:end]) { // "t=2026-03-02 08:00:01"
				last.value = line[begin:end]
				break
			}
			if _, ok := lookUnit(string(line[i:end])); !ok || len(last.value) == 0 || len(bytes.Trim(line[begin+len(last.value):i], " \t")) > 0 {
				return dst, false
			}
			last.value = line[begin:end]
		}
		i = end
	}
	return dst, named > 0
}

// splitObject cuts the inside of a flat JSON object (RFC 8259) with one value behind each name; nothing that is nested or escaped.
func splitObject(line []byte, dst []pair) ([]pair, bool) {
	for i := 0; ; {
		if i = blanks(line, i); i >= len(line) || line[i] != '"' || len(dst) >= maxFields {
			return dst, false
		}
		end := bytes.IndexByte(line[i+1:], '"')
		if end < 0 {
			return dst, false
		}
		key := line[i+1 : i+1+end]
		if i = blanks(line, i+end+2); i >= len(line) || line[i] != ':' {
			return dst, false
		}
		begin := blanks(line, i+1)
		if begin < len(line) && line[begin] == '"' {
			begin++
			if end = bytes.IndexByte(line[begin:], '"'); end < 0 {
				return dst, false
			}
			i = blanks(line, begin+end+1)
		} else {
			if end = bytes.IndexByte(line[begin:], ','); end < 0 {
				end = len(line) - begin
			}
			i = begin + end
		}
		value := trim(line[begin : begin+end])
		if bytes.ContainsAny(value, "{}[]\\\"") || bytes.IndexByte(key, '\\') >= 0 {
			return dst, false
		}
		dst = append(dst, pair{key, value})
		if i >= len(line) {
			return dst, true
		}
		if line[i] != ',' {
			return dst, false
		}
		i++
	}
}

// isDate says that a value is a date and no time.
func isDate(value []byte) bool {
	s, ok := parseStamp(value)
	return ok && s.hasDate && !s.hasTime
}

// isTimeOfDay says that a word is a time without a date.
func isTimeOfDay(word []byte) bool {
	s, ok := parseStamp(word)
	return ok && s.hasTime && !s.hasDate
}

// valueAfter finds the value that stands at or behind i; an empty one if another name comes first.
func valueAfter(line []byte, i int) (begin, end int) {
	begin = blanks(line, i)
	end = keyedEnd(line, begin)
	if keyMark(line[begin:end]) >= 0 {
		return i, i
	}
	return begin, end
}

func blanks(line []byte, i int) int {
	for i < len(line) && (line[i] == ' ' || line[i] == '\t') {
		i++
	}
	return i
}

func keyedEnd(line []byte, i int) int {
	for i < len(line) && !keyedGap(line, i) {
		i++
	}
	return i
}

func keyedSkip(line []byte, i int) int {
	for i < len(line) && keyedGap(line, i) {
		i++
	}
	return i
}

// keyMark finds the = or : behind a name; -1 if the token is no name. A time such as 10:00 is none.
func keyMark(token []byte) int {
	if len(token) == 0 || !isLetter(token[0]) {
		return -1
	}
	for i, c := range token {
		if c == '=' || c == ':' {
			return i
		}
	}
	return -1
}

// keyedGap says that pairs may part at i. A comma between digits is a decimal comma.
func keyedGap(b []byte, i int) bool {
	switch b[i] {
	case ' ', '\t', ';', '|':
		return true
	case ',':
		return i == 0 || i+1 == len(b) || !isDigit(b[i-1]) || !isDigit(b[i+1])
	}
	return false
}
