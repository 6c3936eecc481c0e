package logfile

import (
	"bytes"
	"math"
	"strconv"
)

// decimalNumber is a number as printed.
type decimalNumber struct {
	value float64
	// places counts the printed places behind the decimal sign, less the exponent: 10^-places is one unit in the last one.
	places int
	// digits are all digits as a whole number, with their sign, if that is exact: value = digits / 10^places, places 0 to 15.
	digits float64
	exact  bool
}

// parseDecimal reads a number such as -12.30, +0,5 (comma), .5, 5. or 1.2e3, and a whole one such as 0x01F4, as counters are printed. What overflows
// is no number, nor are inf and digits in groups.
func parseDecimal(b []byte, comma bool) (n decimalNumber, ok bool) {
	point := byte('.')
	if comma {
		point = ','
	}
	if len(b) > 2 && b[0] == '0' && b[1]|0x20 == 'x' {
		return parseHex(b[2:])
	}
	i, negative := 0, false
	switch {
	case len(b) > 0 && b[0] == '-':
		i, negative = 1, true
	case len(b) > 0 && b[0] == '+':
		i = 1
	case len(b) > 2 && b[0] == 0xe2 && b[1] == 0x88 && b[2] == 0x92: // U+2212, the minus sign of typesetters
		i, negative = 3, true
	}
	start := i
	var mantissa uint64
	digits, decimals, seen := 0, 0, false
	for ; i < len(b); i++ {
		c := b[i]
		if d := c - '0'; d <= 9 {
			mantissa = mantissa*10 + uint64(d)
			digits++
			if seen {
				decimals++
			}
		} else if c == point && !seen {
			seen = true
		} else {
			break
		}
	}
	if digits == 0 || comma && seen && decimals == 0 {
		return n, false
	}
	n.places = decimals
	if i == len(b) && digits <= maxDigits { // exact in a float64, and so is the power of ten
		n.digits, n.exact = float64(mantissa), true
		if negative {
			n.digits = -n.digits
		}
		n.value = n.digits / powersOfTen[decimals]
		return n, true
	}
	if i < len(b) {
		if b[i] != 'e' && b[i] != 'E' {
			return n, false
		}
		exponent, err := strconv.Atoi(string(b[i+1:]))
		if err != nil || exponent < -400 || exponent > 400 || len(b)-i > 8 {
			return n, false
		}
		n.places -= exponent
	}
	text := append([]byte(nil), b[start:]...)
	if comma {
		for j := range text {
			if text[j] == ',' {
				text[j] = '.'
			}
		}
	}
	v, err := strconv.ParseFloat(string(text), 64)
	if err != nil || math.IsInf(v, 0) {
		return n, false
	}
	if n.value = v; negative {
		n.value = -v
	}
	return n, true
}

// parseHex reads hexadecimal digits, as many as a float64 holds exactly.
func parseHex(b []byte) (n decimalNumber, ok bool) {
	v, err := strconv.ParseUint(string(b), 16, 53)
	if err != nil || b[0] == '+' || bytes.IndexByte(b, '_') >= 0 {
		return n, false
	}
	n.value, n.digits, n.exact = float64(v), float64(v), true
	return n, true
}

// parseNumber is parseDecimal where the digits do not matter.
func parseNumber(b []byte, comma bool) (v float64, places int, ok bool) {
	n, ok := parseDecimal(b, comma)
	return n.value, n.places, ok
}

// maxDigits is how many decimal digits a float64 holds exactly, whatever they are.
const maxDigits = 15

// powersOfTen are exact in a float64.
var powersOfTen = [...]float64{1, 1e1, 1e2, 1e3, 1e4, 1e5, 1e6, 1e7, 1e8, 1e9, 1e10, 1e11, 1e12, 1e13, 1e14, 1e15}

// lastPlace returns 10^-places.
func lastPlace(places int) float64 {
	if places >= 0 && places < len(powersOfTen) {
		return 1 / powersOfTen[places]
	}
	return math.Pow10(-places)
}

// isMissing says that a cell holds no value and says so; OL is what a meter shows beyond its range, #N/A what a spreadsheet does.
func isMissing(b []byte) bool {
	switch len(b) {
	case 0:
		return true
	case 1:
		return b[0] == '-' || b[0] == '?' || b[0] == '*'
	case 2, 3, 4:
		switch string(b) {
		case "--", "---", "----", "nan", "NaN", "NAN", "-nan", "-NaN", "+nan", "na", "NA", "n/a", "N/A", "null", "NULL", "none", "None", "NONE", "OL", "O.L", "O/L", "#N/A", "#NV", "\u2013", "\u2014":
			return true
		}
	}
	return false
}

// isNotANumber says that a cell spells what floating-point arithmetic gives where there is no result.
func isNotANumber(b []byte) bool {
	switch string(bytes.ToLower(bytes.TrimLeft(b, "+-"))) {
	case "nan", "inf", "infinity":
		return true
	}
	return false
}

// isGrouped says that a cell is a number whose thousands are set apart: 1,234.5 or 1.234,5 or 1 234 or 1'234.
func isGrouped(b []byte, comma bool) bool {
	i := 0
	if i < len(b) && (b[i] == '-' || b[i] == '+') {
		i++
	}
	lead := i
	for i < len(b) && isDigit(b[i]) {
		i++
	}
	if i == lead || i-lead > 3 {
		return false
	}
	groups := 0
	for i < len(b) {
		n := groupMark(b[i:], comma)
		if n == 0 || len(b)-i-n < 3 || !isDigit(b[i+n]) || !isDigit(b[i+n+1]) || !isDigit(b[i+n+2]) {
			break
		}
		i += n + 3
		groups++
	}
	if groups == 0 {
		return false
	}
	if i < len(b) && (b[i] == '.' || b[i] == ',') {
		i++
		for i < len(b) && isDigit(b[i]) {
			i++
		}
	}
	return i == len(b)
}

// parseGrouped reads a number whose thousands are set apart (see isGrouped), by the decimal sign that the log is known to have. One that begins
// with 0 is none: 0,812 among decimal points has another decimal sign.
func parseGrouped(b []byte, comma bool) (n decimalNumber, ok bool) {
	if !isGrouped(b, comma) || bytes.TrimLeft(b, "+-")[0] == '0' {
		return n, false
	}
	plain := make([]byte, 0, len(b))
	for i := 0; i < len(b); {
		if mark := groupMark(b[i:], comma); mark > 0 {
			i += mark
			continue
		}
		plain = append(plain, b[i])
		i++
	}
	return parseDecimal(plain, comma)
}

// groupMark returns the length of a mark between thousands at the start of b, 0 if there is none.
func groupMark(b []byte, comma bool) int {
	switch {
	case b[0] == ' ' || b[0] == '\'' || b[0] == '_', b[0] == ',' && !comma, b[0] == '.' && comma:
		return 1
	case len(b) > 1 && b[0] == 0xc2 && b[1] == 0xa0: // U+00A0
		return 2
	case len(b) > 2 && b[0] == 0xe2 && b[1] == 0x80 && (b[2] == 0xaf || b[2] == 0x99): // U+202F, U+2019
		return 3
	}
	return 0
}

func isDigit(c byte) bool { return c-'0' <= 9 }

func isLetter(c byte) bool { return c|0x20 >= 'a' && c|0x20 <= 'z' || c >= 0x80 }
