package logfile

import "strings"

// Small boards often print what the clock chip's registers hold: year, month, day, hour, minute and second, each in a field of its own.

var noParts = [6]int{-1, -1, -1, -1, -1, -1}

// partNamed says which part of a time a header names: 0 the year, 5 the second; -1 none.
func partNamed(name string) int {
	switch asciiLower(strings.TrimSpace(name)) {
	case "year", "yr", "yyyy", "yy", "jahr", "annee", "ano", "anno", "jaar":
		return 0
	case "month", "mon", "mo", "monat", "mois", "mes", "mese", "maand":
		return 1
	case "day", "dd", "tag", "jour", "dia", "giorno", "dag", "mday":
		return 2
	case "hour", "hours", "hr", "hh", "h", "stunde", "heure", "hora", "ora", "uur":
		return 3
	case "minute", "minutes", "min", "mm", "mi", "m", "minuto", "minuut":
		return 4
	case "second", "seconds", "sec", "ss", "s", "sekunde", "sek", "seconde", "segundo", "secondo":
		return 5
	}
	return -1
}

// findParts finds hour, minute and second beside each other, and year, month and day before them if they are there. Each holds what such a
// part can hold: minutes that pass 60 are a time of their own.
func (s *shape) findParts(l *layout, means []meaning, seen []evidence, said map[int]meaning) {
	part := func(i int) int {
		if i < 0 || i >= len(seen) {
			return -1
		}
		k := partNamed(s.names[i])
		e := &seen[i]
		if _, told := said[i]; told || k < 0 || !e.mostly(numberCell) || e.integers < e.numbers && k < 5 || e.min < 0 {
			return -1
		}
		if most := [...]float64{2200, 12, 31, 1e6, 59, 60}[k]; e.max > most {
			return -1
		}
		return k
	}
	for i := range seen {
		if part(i) != 3 || part(i+1) != 4 || part(i+2) != 5 {
			continue
		}
		l.parts, l.parted = [6]int{-1, -1, -1, i, i + 1, i + 2}, true
		date := noParts
		for j := i - 3; j < i; j++ {
			if k := part(j); k >= 0 && k < 3 {
				date[k] = j
			}
		}
		first := i
		if date[0] >= 0 && date[1] >= 0 && date[2] >= 0 {
			copy(l.parts[:3], date[:3])
			first = i - 3
		}
		for j := first; j <= i+2; j++ {
			means[j] = meaning{channel: 1, of: duration, aspect: timeOfDay}
		}
		return
	}
}

// partOf says which part of a time field i holds, -1 if none.
func (l *layout) partOf(i int) int {
	if l.parted {
		for k, f := range l.parts {
			if f == i {
				return k
			}
		}
	}
	return -1
}

// firstPart is the field whose column the parts share.
func (l *layout) firstPart() int {
	if l.parts[0] >= 0 {
		return l.parts[3] - 3
	}
	return l.parts[3]
}

// partColumn makes the column of a time in parts at the first of its fields.
func (s *shape) partColumn(l *layout, i int, f field, c Column, e *evidence) {
	f.role, f.column = parted, -1
	if first := l.firstPart(); i == first {
		f.column = len(l.columns)
		c.Kind, c.Unit, c.Channel, c.Direction, c.Scale = Clock, "", 1, 0, 1
		if l.parts[0] < 0 { // since power-up, or of the day: what it shows tells
			c.Kind, c.MayBeClock = Elapsed, e.max < 24
		}
		c.Header = strings.Join(s.names[first:l.parts[5]+1], " ")
		l.columns = append(l.columns, c)
	}
	l.fields = append(l.fields, f)
}

// joinParts makes one time of the parts of a row.
func (a *assembler) joinParts() {
	l := a.layout
	if !l.parted {
		return
	}
	p := &a.part
	for k, f := range l.parts {
		if f >= 0 && !p[k].exact { // one is missing
			return
		}
	}
	at := a.target[l.fields[l.firstPart()].column]
	t := p[3].value*hour + p[4].value*60 + p[5].value
	if l.parts[0] >= 0 {
		s := stamp{a: int(p[0].value), b: int(p[1].value), c: int(p[2].value), known: true}
		if s.a < 100 {
			s.a = century(s.a)
		}
		unixDay, ok := s.settle(unsettled)
		if !ok || p[3].value > 23 || p[4].value > 59 || p[5].value >= 61 {
			a.wrong = true
			return
		}
		t += float64(unixDay) * day
	}
	a.value[at], a.step[at] = t, lastPlace(p[5].places)
}
