package logfile

import (
	"strings"
	"time"
)

// dateOrder says which of three numbers is the day.
type dateOrder uint8

const (
	unsettled    dateOrder = iota
	dayMonth               // 31/12/2026
	monthDay               // 12/31/2026
	yearMonthDay           // 26/12/31, where two digits stand for the year
)

func (o dateOrder) String() string {
	return [...]string{"unsettled", "day/month/year", "month/day/year", "year/month/day"}[o]
}

// stamp is a printed date, time of day, or both, before it is settled which number is the day.
type stamp struct {
	hasDate, hasTime, zoned bool
	// a, b, c are the date's numbers as printed. If known, they are year, month, day.
	a, b, c int
	known   bool
	short   bool // the year has two digits
	dotted  bool // 31.12.2026: the day comes first unless a row shows otherwise
	seconds float64
	hours   int     // as printed, may exceed 24
	parts   int     // of the time: 2 or 3
	step    float64 // [s] of the last printed place
	offset  int     // seconds east of UTC
	span    bool    // "2 days 03:04:05": certainly a duration
	// impossible says that it has the form of a date and time, and that there is no such day or second.
	impossible bool
}

// parseStamp reads date, time, or date and time: ISO 8601 and RFC 3339 with T, blank or underscore, fraction, Z or offset;
// dates in other orders; names of months, and of days before them; HH:MM with AM or PM; HH:MM:SS beyond 24 h; days before it;
// 1h2m3.5s and PT1H2M3.5S.
func parseStamp(b []byte) (s stamp, ok bool) {
	if len(b) < 2 || len(b) > 48 {
		return s, false
	}
	p := &scanner{b: b}
	p.weekday()
	begin := p.i
	if p.asctime(&s) {
		return s, true
	}
	*p, s = scanner{b: b, i: begin}, stamp{}
	if p.date(&s) {
		s.hasDate = true
		if p.done() {
			s.step = day
			return s, true
		}
		if !p.between() {
			return s, false
		}
		compact := s.known && p.digits() >= 4
		if compact && !p.compactTime(&s) || !compact && !p.time(&s) {
			return s, false
		}
		s.hasTime = true
		s.impossible = s.impossible || s.hours > 24 || s.hours == 24 && s.seconds > day
		p.zone(&s)
		return s, p.done()
	}
	*p, s = scanner{b: b}, stamp{}
	if p.duration(&s) || p.isoDuration(&s) {
		return s, true
	}
	*p, s = scanner{b: b}, stamp{}
	days := p.days()
	if days < 0 && len(b) > 2 && b[0]|0x20 == 't' && b[1] == '+' { // T+01:02:03
		p.i, days = 2, 0
	}
	if !p.time(&s) {
		return s, false
	}
	if days >= 0 {
		s.span = true
		s.seconds += float64(days) * day
		s.hours += days * 24
	} else {
		p.zone(&s)
	}
	s.hasTime = true
	return s, p.done()
}

// settle returns the Unix day of the stamp's date in an order, false if there is no such day.
func (s *stamp) settle(o dateOrder) (unixDay int, ok bool) {
	y, m, d := s.a, s.b, s.c
	if !s.known {
		switch o {
		case dayMonth:
			d, m, y = s.a, s.b, s.c
		case monthDay:
			m, d, y = s.a, s.b, s.c
		case yearMonthDay:
			if !s.short {
				return 0, false
			}
		default:
			return 0, false
		}
	}
	if s.short {
		if y > 99 {
			return 0, false
		}
		y = century(y)
	}
	if m < 1 || m > 12 || d < 1 || d > daysIn(y, m) || y < 1 {
		return 0, false
	}
	return daysSince1970(y, m, d), true
}

// century completes a year of two digits as the C library does: 69 to 99 are of the century before, so that a clock that lost its
// time shows 1970.
func century(y int) int {
	if y >= 69 {
		return 1900 + y
	}
	return 2000 + y
}

func daysIn(y, m int) int {
	switch m {
	case 2:
		if y%4 == 0 && (y%100 != 0 || y%400 == 0) {
			return 29
		}
		return 28
	case 4, 6, 9, 11:
		return 30
	}
	return 31
}

// daysSince1970 counts the days since 1970-01-01 in the Gregorian calendar, years from March so that leap days come last.
func daysSince1970(y, m, d int) int {
	if m <= 2 {
		y--
		m += 12
	}
	era := y / 400
	yearOfEra := y - era*400
	dayOfYear := (153*(m-3)+2)/5 + d - 1
	return era*146097 + yearOfEra*365 + yearOfEra/4 - yearOfEra/100 + dayOfYear - 719468
}

// scanner walks over a cell.
type scanner struct {
	b []byte
	i int
}

func (p *scanner) done() bool { return p.i == len(p.b) }

func (p *scanner) peek() byte {
	if p.i < len(p.b) {
		return p.b[p.i]
	}
	return 0
}

// digits counts the digits that follow.
func (p *scanner) digits() int {
	n := 0
	for p.i+n < len(p.b) && isDigit(p.b[p.i+n]) {
		n++
	}
	return n
}

// number reads n digits.
func (p *scanner) number(n int) int {
	v := 0
	for range n {
		v = v*10 + int(p.b[p.i]-'0')
		p.i++
	}
	return v
}

// date reads a date at the start.
func (p *scanner) date(s *stamp) bool {
	if m := p.month(); m > 0 { // Nov 25, 2026
		p.skip(" .")
		n := p.digits()
		if n < 1 || n > 2 {
			return false
		}
		d := p.number(n)
		p.skip(", ")
		if p.digits() != 4 {
			return false
		}
		s.a, s.b, s.c, s.known = p.number(4), m, d, true
		s.impossible = !valid(s)
		return true
	}
	n := p.digits()
	switch n {
	case 4, 1, 2:
	case 8: // 20261125T143330Z
		if p.i+8 < len(p.b) && (p.b[8]|0x20 == 't' || p.b[8] == ' ' || p.b[8] == '-' || p.b[8] == '_') {
			s.a, s.b, s.c, s.known = p.number(4), p.number(2), p.number(2), true
			return valid(s) // other whole numbers have eight digits too
		}
		return false
	default:
		return false
	}
	first := p.number(n)
	if n == 4 && p.ordinal(s, first) {
		return true
	}
	mark := p.peek()
	if mark != '-' && mark != '/' && mark != '.' && mark != ' ' {
		return false
	}
	p.i++
	if mark == '.' && p.peek() == ' ' {
		p.i++
	}
	if m := p.month(); m > 0 { // 25-Nov-2026, 25. Nov. 2026
		p.skip("-/. ")
		switch {
		case n <= 2 && p.digits() == 4:
			s.a, s.b, s.c, s.known = p.number(4), m, first, true
		case n <= 2 && p.digits() == 2:
			s.a, s.b, s.c, s.known = century(p.number(2)), m, first, true
		case n == 4 && p.digits() >= 1 && p.digits() <= 2:
			s.a, s.b, s.c, s.known = first, m, p.number(p.digits()), true
		default:
			return false
		}
		s.impossible = !valid(s)
		return true
	}
	k := p.digits()
	if mark == ' ' || k < 1 || k > 2 {
		return false
	}
	second := p.number(k)
	if p.peek() != mark {
		return false
	}
	p.i++
	k = p.digits()
	switch {
	case n == 4 && (k == 1 || k == 2):
		s.a, s.b, s.c, s.known = first, second, p.number(k), true
		s.impossible = !valid(s)
		return true
	case n <= 2 && (k == 4 || k == 2):
		s.a, s.b, s.c = first, second, p.number(k)
		s.short, s.dotted = k == 2, mark == '.'
		s.impossible = true
		for o := dayMonth; o <= yearMonthDay; o++ {
			if _, ok := s.settle(o); ok {
				s.impossible = false
			}
		}
		return !s.impossible || k == 4
	}
	return false
}

// ordinal reads what stands behind the year in the week dates and ordinal dates of ISO 8601: 2026-W10-1, 2026W101, 2026-061.
func (p *scanner) ordinal(s *stamp, year int) bool {
	at := p.i
	p.skip("-")
	dashed := p.i > at
	unixDay := daysSince1970(year, 1, 1)
	switch {
	case p.peek() == 'W':
		p.i++
		if n := p.digits(); n != 2 && n != 3 {
			break
		}
		week := p.number(2)
		if dashed {
			p.skip("-")
		}
		if p.digits() != 1 {
			break
		}
		weekday := p.number(1)
		fourth := unixDay + 3 // 4 January is in week 1, and 1970-01-01 was a Thursday
		unixDay = fourth - ((fourth+3)%7+7)%7 + (week-1)*7 + weekday - 1
		s.impossible = week < 1 || week > 53 || weekday < 1 || weekday > 7
		s.a, s.b, s.c = civil(unixDay)
		s.known = true
		return true
	case dashed && p.digits() == 3:
		n := p.number(3)
		s.a, s.b, s.c = civil(unixDay + n - 1)
		s.known, s.impossible = true, s.a != year
		return true
	}
	p.i = at
	return false
}

// civil returns year, month and day of a Unix day.
func civil(unixDay int) (y, m, d int) {
	t := time.Unix(int64(unixDay)*day, 0).UTC()
	return t.Year(), int(t.Month()), t.Day()
}

func valid(s *stamp) bool {
	_, ok := s.settle(unsettled)
	return ok
}

// weekday skips the name of a day of the week, or its first letters, in one of four languages.
func (p *scanner) weekday() {
	n := 0
	for n < len(p.b) && isLetter(p.b[n]) {
		n++
	}
	if n < 2 || n > 12 || n == len(p.b) || p.b[n] != ' ' && p.b[n] != ',' && p.b[n] != '.' {
		return
	}
	switch name := asciiLower(string(p.b[:n])); name {
	case "mon", "tue", "wed", "thu", "fri", "sat", "sun", "mo", "di", "mi", "do", "fr", "sa", "so", "lun", "mer", "jeu", "ven", "sam", "dim", "mie", "jue", "vie", "sab", "dom":
	case "tues", "thur", "thurs", "lundi", "mardi", "mercredi", "jeudi", "vendredi", "samedi", "dimanche", "lunes", "martes", "miercoles", "jueves", "viernes", "sabado", "domingo":
	case "samstag", "sonnabend", "mittwoch":
	default: // "mar" alone is a month too, and the French Tuesday
		if !strings.HasSuffix(name, "day") && !strings.HasSuffix(name, "tag") {
			return
		}
	}
	p.i = n
	p.skip(",. ")
}

// asctime reads the form of the C library: Feb 28 23:40:00 2028, with a blank for a digit that is not there, and as date prints it with UTC
// before the year. Names of other zones say no offset that can be relied on.
func (p *scanner) asctime(s *stamp) bool {
	m := p.month()
	if m == 0 {
		return false
	}
	p.skip(" ")
	n := p.digits()
	if n < 1 || n > 2 {
		return false
	}
	d := p.number(n)
	p.skip(" ")
	if !p.time(s) || s.parts != 3 {
		return false
	}
	p.skip(" ")
	if rest := asciiLower(string(p.b[p.i:])); strings.HasPrefix(rest, "utc ") || strings.HasPrefix(rest, "gmt ") {
		s.zoned = true
		p.i += 4
	}
	if p.digits() != 4 {
		return false
	}
	s.a, s.b, s.c, s.known, s.hasDate, s.hasTime = p.number(4), m, d, true, true, true
	s.impossible = s.impossible || !valid(s) || s.hours > 23
	return p.done()
}

// duration reads a time whose parts carry their units, as some languages print it: 1h2m3.5s, 2d 3h, 1m0s.
func (p *scanner) duration(s *stamp) bool {
	parts := [...]struct {
		unit string
		size float64
	}{{"d", day}, {"h", hour}, {"m", 60}, {"s", 1}, {"ms", 1e-3}, {"us", 1e-6}, {"µs", 1e-6}}
	found, last := 0, -1
	for !p.done() {
		at := p.i
		for p.digits() > 0 {
			p.i++
		}
		if c := p.peek(); (c == '.' || c == ',') && p.i > at {
			for p.i++; p.digits() > 0; {
				p.i++
			}
		}
		v, places, ok := parseNumber(p.b[at:p.i], false)
		if !ok {
			v, places, ok = parseNumber(p.b[at:p.i], true)
		}
		end := p.i
		for end < len(p.b) && isLetter(p.b[end]) {
			end++
		}
		unit := string(p.b[p.i:end])
		k := last + 1
		for k < len(parts) && parts[k].unit != unit {
			k++
		}
		if !ok || k == len(parts) || places > 0 && k < 3 || p.i-at > maxDigits {
			return false
		}
		p.i = end
		s.seconds += v * parts[k].size
		s.step = parts[k].size * lastPlace(places)
		found, last = found+1, k
		if p.i < len(p.b) {
			p.skip(" ")
		}
	}
	s.hours, s.parts, s.span, s.hasTime = int(s.seconds/hour), 3, true, true
	return found > 1 || found == 1 && last >= 3
}

// isoDuration reads a duration of ISO 8601 without months and years: P1DT2H3M4.5S.
func (p *scanner) isoDuration(s *stamp) bool {
	if len(p.b) < 3 || p.b[0] != 'P' {
		return false
	}
	days, clock, _ := strings.Cut(string(p.b[1:]), "T")
	if days+clock == "" || strings.Trim(days, "0123456789") != "D"[:min(1, len(days))] {
		return false
	}
	var d stamp
	if q := (&scanner{b: []byte(asciiLower(days + clock))}); !q.duration(&d) && d.parts == 0 {
		return false
	}
	d.step = min(d.step, 1) // parts that are nothing may be left out
	*s = d
	return true
}

// month reads the name of a month, or its first letters, in one of four languages; 0 if there is none.
func (p *scanner) month() int {
	n := 0
	for p.i+n < len(p.b) && isLetter(p.b[p.i+n]) {
		n++
	}
	if n < 3 || n > 14 {
		return 0
	}
	name := asciiLower(string(p.b[p.i : p.i+n]))
	m := monthNamed(name)
	if m > 0 {
		p.i += n
	}
	return m
}

func monthNamed(name string) int {
	switch {
	case len(name) < 3:
		return 0
	case len(name) > 3 && name[:4] == "juil":
		return 7
	case len(name) > 3 && name[:4] == "juin":
		return 6
	}
	switch name[:3] {
	case "jan", "ene":
		return 1
	case "feb", "fev":
		return 2
	case "mar", "mae", "mrz":
		return 3
	case "apr", "avr", "abr":
		return 4
	case "may", "mai":
		return 5
	case "jun":
		return 6
	case "jul":
		return 7
	case "aug", "aou", "ago":
		return 8
	case "sep":
		return 9
	case "oct", "okt":
		return 10
	case "nov":
		return 11
	case "dec", "dez", "dic":
		return 12
	}
	return 0
}

// between skips what stands between date and time.
func (p *scanner) between() bool {
	start := p.i
	if c := p.peek(); c|0x20 == 't' || c == '_' || c == '-' || c == ',' {
		p.i++
	}
	p.skip(" ")
	return p.i > start
}

func (p *scanner) skip(set string) {
	for p.i < len(p.b) {
		found := false
		for j := range len(set) {
			found = found || p.b[p.i] == set[j]
		}
		if !found {
			return
		}
		p.i++
	}
}

// days reads "2 days", "2d" before a time, or "2." before one of six digits; -1 if there is none.
func (p *scanner) days() int {
	n := p.digits()
	if n < 1 || n > 5 {
		return -1
	}
	at := p.i
	v := p.number(n)
	p.skip(" ")
	word := p.i
	for p.i < len(p.b) && isLetter(p.b[p.i]) {
		p.i++
	}
	switch asciiLower(string(p.b[word:p.i])) {
	case "d", "day", "days", "tag", "tage", "jour", "jours", "dia", "dias", "j", "t":
		p.skip(", ")
		return v
	}
	p.i = at + n
	if p.peek() == '.' && timeOfDigits(p.b[p.i+1:]) {
		p.i++
		return v
	}
	p.i = at
	return -1
}

// timeOfDigits says that hh:mm:ss stands at the start.
func timeOfDigits(b []byte) bool {
	if len(b) < 8 {
		return false
	}
	for i, c := range b[:8] {
		if isDigit(c) == (i%3 == 2) || i%3 == 2 && c != ':' {
			return false
		}
	}
	return true
}

// time reads H:MM, H:MM:SS, with fraction, AM and PM.
func (p *scanner) time(s *stamp) bool {
	n := p.digits()
	if n < 1 || n > 6 {
		return false
	}
	h := p.number(n)
	if p.peek() != ':' {
		return false
	}
	p.i++
	if p.digits() != 2 {
		return false
	}
	m := p.number(2)
	s.hours, s.parts, s.step = h, 2, 60
	sec, frac := 0, 0.0
	if p.peek() == ':' {
		p.i++
		if p.digits() != 2 {
			return false
		}
		sec = p.number(2)
		s.parts, s.step = 3, 1
		frac = p.fraction(s)
	} else if f := p.fraction(s); s.step < 1 { // 12:34.5 is minutes and seconds
		frac, s.step = f*60, s.step*60
	}
	return p.finish(s, h, m, sec, frac)
}

// compactTime reads HHMM or HHMMSS.
func (p *scanner) compactTime(s *stamp) bool {
	n := p.digits()
	if n != 4 && n != 6 {
		return false
	}
	h, m, sec, frac := p.number(2), p.number(2), 0, 0.0
	s.hours, s.parts, s.step = h, 2, 60
	if n == 6 {
		sec = p.number(2)
		s.parts, s.step = 3, 1
		frac = p.fraction(s)
	}
	return p.finish(s, h, m, sec, frac)
}

// fraction reads .5 or ,5 behind the seconds.
func (p *scanner) fraction(s *stamp) float64 {
	if c := p.peek(); c != '.' && c != ',' {
		return 0
	}
	p.i++
	n := p.digits()
	if n == 0 {
		p.i-- // not ours, so done() will say no
		return 0
	}
	v, _, ok := parseNumber(append([]byte("0."), p.b[p.i:p.i+min(n, 15)]...), false)
	if !ok {
		return 0
	}
	p.i += n
	s.step = lastPlace(min(n, 15))
	return v
}

// finish checks the parts of a time. Second 60 is a leap second (RFC 3339 5.8) and reads as the next one, as in Unix time.
func (p *scanner) finish(s *stamp, h, m, sec int, frac float64) bool {
	at := p.i
	p.skip(" ")
	if c := p.peek() | 0x20; (c == 'a' || c == 'p') && p.i+1 < len(p.b) && h <= 12 && h > 0 {
		p.i++
		p.skip(". ") // p. m., as in Spanish
		if p.peek()|0x20 == 'm' {
			p.i++
			p.skip(".")
			h %= 12
			if c == 'p' {
				h += 12
			}
			s.hours = h
			at = p.i
		}
	}
	p.i = at
	s.impossible = s.impossible || m > 59 || sec > 60 || sec == 60 && m != 59
	s.seconds = float64(h)*hour + float64(m)*60 + float64(sec) + frac
	return true
}

// zoneNames are names of zones that stand for one offset [h], as zoneinfo of the IANA has them; not those of several, such as IST, CST and BST.
var zoneNames = map[string]float64{"wet": 0, "west": 1, "cet": 1, "mez": 1, "cest": 2, "mesz": 2, "eet": 2, "eest": 3, "msk": 3, "jst": 9, "kst": 9,
	"awst": 8, "acst": 9.5, "acdt": 10.5, "aest": 10, "aedt": 11, "nzst": 12, "nzdt": 13, "est": -5, "edt": -4, "cdt": -5, "mst": -7, "mdt": -6, "pst": -8, "pdt": -7,
	"akst": -9, "akdt": -8, "hst": -10}

// zone reads Z, UTC, GMT, the name of a zone or an offset, if there is one.
func (p *scanner) zone(s *stamp) {
	at := p.i
	p.skip(" ")
	rest := asciiLower(string(p.b[p.i:]))
	switch rest {
	case "z", "utc", "gmt":
		p.i = len(p.b)
		s.zoned = true
		return
	}
	if hours, ok := zoneNames[rest]; ok {
		p.i = len(p.b)
		s.zoned, s.offset = true, int(hours*3600)
		return
	}
	if len(rest) > 3 && (rest[:3] == "utc" || rest[:3] == "gmt") {
		p.i += 3
	}
	sign := 0
	switch c := p.peek(); {
	case c == '+':
		sign = 1
		p.i++
	case c == '-':
		sign = -1
		p.i++
	case len(p.b)-p.i > 3 && string(p.b[p.i:p.i+3]) == "\u2212":
		sign = -1
		p.i += 3
	}
	n := p.digits()
	if sign == 0 || n != 2 && n != 4 && n != 1 {
		p.i = at
		return
	}
	h, m := 0, 0
	if n == 4 {
		h, m = p.number(2), p.number(2)
	} else {
		h = p.number(n)
		if p.peek() == ':' && p.i+2 < len(p.b) {
			p.i++
			if p.digits() != 2 {
				p.i = at
				return
			}
			m = p.number(2)
		}
	}
	if h > 23 || m > 59 {
		p.i = at
		return
	}
	s.zoned, s.offset = true, sign*(h*3600+m*60)
}

func asciiLower(s string) string {
	b := []byte(foldAccents(s))
	for i, c := range b {
		if c >= 'A' && c <= 'Z' {
			b[i] = c + 'a' - 'A'
		}
	}
	return string(b)
}
