package loggers

import (
	"bytes"
	"slices"
	"strconv"
	"time"

	"stuntcell/emulator/link"
)

// line is what a row can tell.
type line struct {
	clock       int64  // [Unix s] or link.NoClock
	tick, up    uint64 // counter as read; ticks since power-up
	hz          int64
	amps, volts float64
	totals      totals
	calendar    calendar
}

// column is a column of the log.
type column struct {
	head string
	put  func(b []byte, l *line) []byte
	// value says that it is a number with decimals.
	value bool
}

// sheet is the form of the log's rows.
type sheet struct {
	separator string
	comma     bool // decimal comma
	columns   []column
}

// plainSheet is the good logger's.
func plainSheet() sheet {
	return sheet{separator: ",", columns: []column{dateTime("time"), rawTick("tick"),
		volts("V", 1, 4), amps("A", 1, 4), watts("W", 1, 4), charge("Ah", 3600, 6), energy("Wh", 3600, 6)}}
}

// with returns the sheet with a column replaced, found by its head.
func (s sheet) with(c column) sheet {
	s.columns = slices.Clone(s.columns)
	for i := range s.columns {
		if s.columns[i].head == c.head {
			s.columns[i] = c
		}
	}
	return s
}

// header is the log's first line.
func (s *sheet) header() string {
	var b []byte
	for i, c := range s.columns {
		if i > 0 {
			b = append(b, s.separator...)
		}
		b = append(b, c.head...)
	}
	return string(b)
}

// row appends a row.
func (s *sheet) row(b []byte, l *line) []byte {
	for i, c := range s.columns {
		if i > 0 {
			b = append(b, s.separator...)
		}
		cell := len(b)
		b = c.put(b, l)
		if s.comma && c.value {
			if point := bytes.IndexByte(b[cell:], '.'); point >= 0 {
				b[cell+point] = ','
			}
		}
	}
	return b
}

func appendInt(b []byte, n int64) []byte { return strconv.AppendInt(b, n, 10) }

// fixed appends a number with so many places.
func fixed(b []byte, x float64, places int) []byte {
	if x == 0 {
		x = 0 // without the sign of a negative zero
	}
	return strconv.AppendFloat(b, x, 'f', places, 64)
}

// padded appends a number that is not negative, with leading zeros to the width.
func padded(b []byte, n int64, width int) []byte {
	digits := strconv.Itoa(int(n))
	for range width - len(digits) {
		b = append(b, '0')
	}
	return append(b, digits...)
}

// Columns of time. Without a clock their cells are empty.

func dateTime(head string) column {
	return column{head: head, put: func(b []byte, l *line) []byte {
		if l.clock == link.NoClock {
			return b
		}
		return l.calendar.put(b, l.clock)
	}}
}

func unixTime(head string) column {
	return column{head: head, put: func(b []byte, l *line) []byte {
		if l.clock == link.NoClock {
			return b
		}
		return appendInt(b, l.clock)
	}}
}

// layout prints the time by one of package time's layouts, in a zone that is asked for at each row.
func layout(head, form string, east func() int64) column {
	return column{head: head, put: func(b []byte, l *line) []byte {
		if l.clock == link.NoClock {
			return b
		}
		zone := time.FixedZone("", int(east()*60))
		return time.Unix(l.clock, 0).In(zone).AppendFormat(b, form)
	}}
}

// serialDays prints the time as spreadsheets keep it, in days since 1899-12-30.
func serialDays(head string, east func() int64) column {
	return column{head: head, put: func(b []byte, l *line) []byte {
		if l.clock == link.NoClock {
			return b
		}
		return fixed(b, float64(l.clock+east()*60)/86400+25569, 6)
	}}
}

func rawTick(head string) column {
	return column{head: head, put: func(b []byte, l *line) []byte { return strconv.AppendUint(b, l.tick, 10) }}
}

// hoursMinutes prints the time since power-up as hours:mm:ss, beyond 24 h too.
func hoursMinutes(head string) column {
	return column{head: head, put: func(b []byte, l *line) []byte {
		s := int64(l.up) / l.hz
		b = padded(b, s/3600, 2)
		b = padded(append(b, ':'), s/60%60, 2)
		return padded(append(b, ':'), s%60, 2)
	}}
}

// elapsedSeconds prints the time since power-up in seconds.
func elapsedSeconds(head string, places int) column {
	return value(head, places, func(l *line) float64 { return float64(l.up) / float64(l.hz) })
}

// Columns of values and totals: SI over unit, with so many places. A negative unit turns the sign.

func volts(head string, unit float64, places int) column {
	return value(head, places, func(l *line) float64 { return l.volts / unit })
}

func amps(head string, unit float64, places int) column {
	return value(head, places, func(l *line) float64 { return l.amps / unit })
}

func watts(head string, unit float64, places int) column {
	return value(head, places, func(l *line) float64 { return l.amps * l.volts / unit })
}

func charge(head string, unit float64, places int) column {
	return total(head, unit, places, func(t *totals) float64 { return t.charge })
}

func energy(head string, unit float64, places int) column {
	return total(head, unit, places, func(t *totals) float64 { return t.energy })
}

func total(head string, unit float64, places int, of func(*totals) float64) column {
	return value(head, places, func(l *line) float64 { return of(&l.totals) / unit })
}

func value(head string, places int, of func(*line) float64) column {
	return column{head: head, value: true, put: func(b []byte, l *line) []byte { return fixed(b, of(l), places) }}
}
