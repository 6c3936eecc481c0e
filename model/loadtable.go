package model

import (
	"fmt"
	"math"
	"strconv"
	"strings"

	"stuntcell/model/quantity"
)

// maxRows is the longest load table.
const maxRows = 1_000_000

// ReadLoadTable reads a load table from CSV: a header with two columns that name their units, then rows in order of time.
//
//	time_s,current_A
//	0,1.44
//	60,0
//
// Units of time are s, ms, min and h, of current A and mA; currents are magnitudes. Lines that begin with # are comments. A gap, a number
// that is none, a time that does not come after the one before are errors; all are reported, up to fifty. The error is
// quantity.Diagnostics.
func ReadLoadTable(file string, data []byte) ([]LoadPoint, error) {
	var found quantity.Diagnostics
	add := func(line, col int, message, expected, hint string) {
		if len(found) < 50 {
			found = append(found, quantity.Diagnostic{File: file, Line: line, Col: col, Message: message, Expected: expected, Hint: hint})
		}
	}
	var rows []LoadPoint
	var time, current func(float64) float64
	line := 0
	for text := range strings.SplitSeq(string(data), "\n") {
		line++
		text = strings.TrimSuffix(text, "\r")
		if trimmed := strings.TrimSpace(text); trimmed == "" || trimmed[0] == '#' {
			continue
		}
		a, b, two := strings.Cut(text, ",")
		if !two || strings.Contains(b, ",") {
			add(line, 1, fmt.Sprintf("a row of %d columns", strings.Count(text, ",")+1), "two, time and current", "")
			continue
		}
		if time == nil {
			var ok, ok2 bool
			time, ok = unitOf(a, map[string]float64{"s": 1, "ms": 1e-3, "min": 60, "h": 3600})
			current, ok2 = unitOf(b, map[string]float64{"A": 1, "mA": 1e-3})
			if !ok || !ok2 {
				add(line, 1, fmt.Sprintf("the header is %q", clipText(text)), "two columns with units, such as time_s,current_A", "")
				return nil, found
			}
			continue
		}
		if len(rows) == maxRows {
			add(line, 1, "the table is too long", fmt.Sprintf("at most %d rows", maxRows), "")
			break
		}
		t, ok := cell(a)
		if !ok {
			add(line, 1, fmt.Sprintf("the time is %q", clipText(strings.TrimSpace(a))), "a finite number", "")
			continue
		}
		i, ok := cell(b)
		if !ok || i < 0 {
			add(line, len(a)+2, fmt.Sprintf("the current is %q", clipText(strings.TrimSpace(b))), "a finite number, 0 or more", "")
			continue
		}
		ns := time(t) * 1e9
		if !(ns >= 0 && ns < never) {
			add(line, 1, fmt.Sprintf("the time is %s", clipText(strings.TrimSpace(a))), "0 or more, less than 146 years", "")
			continue
		}
		p := LoadPoint{int64(math.Round(ns)), current(i)}
		if n := len(rows); n > 0 && p.T <= rows[n-1].T {
			add(line, 1, fmt.Sprintf("the time %s does not come after the row before", clipText(strings.TrimSpace(a))), "times in rising order", "")
			continue
		}
		rows = append(rows, p)
	}
	if len(found) == 0 && len(rows) == 0 {
		add(max(line, 1), 1, "the table has no rows", "a header and rows, such as time_s,current_A and 0,1.44", "")
	}
	if len(found) > 0 {
		return nil, found
	}
	return rows, nil
}

// unitOf finds the unit at the end of a column's name: time_s, time [s], time (s), or the unit alone.
func unitOf(name string, units map[string]float64) (func(float64) float64, bool) {
	words := strings.FieldsFunc(name, func(r rune) bool { return strings.ContainsRune(" _[]()\t", r) })
	if len(words) == 0 {
		return nil, false
	}
	f, ok := units[words[len(words)-1]]
	return func(x float64) float64 { return x * f }, ok
}

// cell reads a plain decimal number.
func cell(s string) (float64, bool) {
	s = strings.TrimSpace(s)
	if strings.ContainsAny(s, "xX_pPiInN") {
		return 0, false // hexadecimal, grouped digits, words
	}
	x, err := strconv.ParseFloat(s, 64)
	return x, err == nil && !math.IsInf(x, 0) && !math.IsNaN(x)
}

// clipText keeps a quoted text short enough for a message.
func clipText(s string) string {
	if len(s) > 40 {
		return s[:37] + "..."
	}
	return s
}
