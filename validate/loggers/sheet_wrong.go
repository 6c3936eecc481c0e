package loggers

import (
	"math"
	"strconv"
)

// alwaysMinus prints a minus in front of the magnitude: the meter began as a discharge tester, and so did its print.
func alwaysMinus(head string, of func(l *line) float64) column {
	return value(head, 4, func(l *line) float64 { return -math.Abs(of(l)) })
}

func current(l *line) float64 { return l.amps }
func power(l *line) float64   { return l.amps * l.volts }

// wholeAndRest prints mA as A without floats, "%ld.%03ld" of ma/1000 and abs(ma%1000). Between -1 A and 0 the whole part
// is 0, which has no sign.
func wholeAndRest(head string) column {
	return column{head: head, value: true, put: func(b []byte, l *line) []byte {
		ma := int64(math.Round(l.amps * 1000))
		b = append(appendInt(b, ma/1000), '.')
		rest := ma % 1000
		if rest < 0 {
			rest = -rest
		}
		return padded(b, rest, 3)
	}}
}

// twoSigns prints the same without abs: the rest brings a minus of its own, as in -1.-400.
func twoSigns(head string) column {
	return column{head: head, value: true, put: func(b []byte, l *line) []byte {
		ma := int64(math.Round(l.amps * 1000))
		b = append(appendInt(b, ma/1000), '.')
		if rest := ma % 1000; rest < 0 {
			return strconv.AppendInt(b, rest, 10)
		}
		return padded(b, ma%1000, 3)
	}}
}
