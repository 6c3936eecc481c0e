package report

import (
	"fmt"
	"math"
	"strconv"
	"strings"
	"unicode"
	"unicode/utf8"

	"stuntcell/validate/verdict"
)

// measured writes a check's value: a ratio in per cent, anything else with its unit. It has a sign if it may be negative.
func measured(c verdict.Check) string {
	if c.Value == nil {
		return "-"
	}
	return quantity(*c.Value, c.Unit, c.LimitLow != nil && *c.LimitLow < 0)
}

// allowed writes what a check would have accepted.
func allowed(c verdict.Check) string {
	low, high := c.LimitLow, c.LimitHigh
	switch {
	case low == nil && high == nil:
		return "-"
	case low == nil:
		return "at most " + limit(*high, c.Unit)
	case high == nil:
		return "at least " + limit(*low, c.Unit)
	case *low == -*high:
		return "+-" + limit(*high, c.Unit)
	case *low == *high:
		return limit(*low, c.Unit)
	}
	return limit(*low, c.Unit) + " to " + limit(*high, c.Unit)
}

// overall writes the deviation from the truth that stands beside a check's value.
func overall(c verdict.Check) string {
	if c.Total == nil {
		return ""
	}
	return quantity(*c.Total, c.Unit, true)
}

// quantity writes a measured x with its unit; the unit "1" is a ratio and is written in per cent.
func quantity(x float64, unit string, signed bool) string {
	var s string
	switch {
	case unit == "1":
		x, unit = x*100, "%"
		// A thousandth of a per cent is finer than any limit; more digits would only look exact.
		if s = figures(x, 3); x == 0 {
			s = "0"
		} else if math.Abs(x) < 1 {
			s = strconv.FormatFloat(x, 'f', 3, 64)
		}
	case x == math.Trunc(x) && math.Abs(x) < 1e9:
		s = strconv.FormatFloat(x, 'f', -1, 64)
	default:
		s = figures(x, 3)
	}
	if strings.Trim(s, "-0.") == "" {
		s = strings.TrimPrefix(s, "-")
	} else if signed && x > 0 {
		s = "+" + s
	}
	return strings.TrimRight(s+" "+unit, " ")
}

// limit writes a limit: no sign, no zeros that only fill.
func limit(x float64, unit string) string {
	if unit == "1" {
		x, unit = x*100, "%"
	}
	s := figures(x, 3)
	if strings.Contains(s, ".") {
		s = strings.TrimRight(strings.TrimRight(s, "0"), ".")
	}
	return strings.TrimRight(s+" "+unit, " ")
}

// figures writes x in n significant figures without an exponent where that stays short; less than a millionth is 0.
func figures(x float64, n int) string {
	a := math.Abs(x)
	switch {
	case math.IsNaN(x) || math.IsInf(x, 0) || a >= 1e9:
		return strconv.FormatFloat(x, 'g', n, 64)
	case a < 1e-6:
		return "0"
	}
	decimals := n - 1 - int(math.Floor(math.Log10(a)))
	return strconv.FormatFloat(x, 'f', min(max(decimals, 0), 6), 64)
}

// span writes seconds as h:mm:ss, with days from two days on; fractions of a second only where there are no hours.
func span(s float64) string {
	if math.IsNaN(s) || math.IsInf(s, 0) {
		return "?"
	}
	sign := ""
	if s < 0 {
		sign, s = "-", -s
	}
	whole := int64(s)
	d, h, m, sec := whole/86400, whole/3600, whole/60%60, whole%60
	switch {
	case d >= 2:
		return fmt.Sprintf("%s%d d %d:%02d:%02d", sign, d, h%24, m, sec)
	case h == 0 && s != math.Trunc(s):
		return fmt.Sprintf("%s0:%02d:%04.1f", sign, m, math.Min(s-float64(m*60), 59.9))
	}
	return fmt.Sprintf("%s%d:%02d:%02d", sign, h, m, sec)
}

// sure writes a confidence. Nothing is ever 100 % sure.
func sure(confidence float64) string {
	return fmt.Sprintf("%.0f %% sure", math.Min(math.Max(confidence*100, 1), 99))
}

// printable makes text from a logger harmless on a terminal: what is no printable character is written as its code.
func printable(s string) string {
	clean := true
	for _, r := range s {
		if !unicode.IsPrint(r) || r == utf8.RuneError {
			clean = false
			break
		}
	}
	if clean {
		return s
	}
	var b strings.Builder
	for i := 0; i < len(s); {
		r, n := utf8.DecodeRuneInString(s[i:])
		switch {
		case r == utf8.RuneError && n == 1:
			fmt.Fprintf(&b, `\x%02x`, s[i])
		case unicode.IsPrint(r):
			b.WriteRune(r)
		case r == '\t':
			b.WriteString(`\t`)
		case r == '\n':
			b.WriteString(`\n`)
		case r < 0x80:
			fmt.Fprintf(&b, `\x%02x`, r)
		default:
			fmt.Fprintf(&b, `\u%04x`, r)
		}
		i += n
	}
	return b.String()
}

// wrap breaks text at spaces into lines of at most width characters; a word that is longer is cut.
func wrap(s string, width int) []string {
	var lines []string
	var line []rune
	flush := func() {
		lines = append(lines, string(line))
		line = line[:0]
	}
	for word := range strings.FieldsSeq(s) {
		w := []rune(word)
		if len(line) > 0 && len(line)+1+len(w) > width {
			flush()
		}
		if len(line) > 0 {
			line = append(line, ' ')
		}
		for len(w) > width {
			line = append(line, w[:width]...)
			w = w[width:]
			flush()
		}
		line = append(line, w...)
	}
	if len(line) > 0 || len(lines) == 0 {
		flush()
	}
	return lines
}

// chop breaks a line of a log every width characters: its spaces are its own.
func chop(s string, width int) []string {
	r := []rune(s)
	var lines []string
	for len(r) > width {
		lines = append(lines, string(r[:width]))
		r = r[width:]
	}
	return append(lines, string(r))
}

// plural writes a count with its word.
func plural(n int, one, many string) string {
	if n == 1 {
		return "1 " + one
	}
	return strconv.Itoa(n) + " " + many
}

// some joins at most n names and counts the rest.
func some(names []string, n int) string {
	if len(names) <= n {
		return strings.Join(names, ", ")
	}
	return fmt.Sprintf("%s and %d more", strings.Join(names[:n], ", "), len(names)-n)
}
