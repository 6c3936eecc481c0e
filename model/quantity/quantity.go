// Package quantity reads physical quantities with their units, and strict YAML made of them.
//
// A quantity is a number, an optional space and a unit: "1.44 A", "75 mV", "-40 ppm", "25 degC", "1 h 30 min". It is read once,
// at the edge, into SI (s, A, V, A·s, W·s, K, ohm, Hz; ratios as plain numbers). Two kinds stay relative because only a
// pack can resolve them: [Rate] ("0.2 C", multiples of the rated capacity an hour) and [CellVoltage] ("1.75 V/cell").
//
// A quantity that is refused says which of six things is wrong ([Reason]); [Value.String] writes a text that reads back as
// the same value, bit for bit.
//
// [Read] opens a YAML document for strict reading: every key must be asked for, no anchors, no merging, no second document, and all
// that is wrong is collected as [Diagnostic] values with file, line and column.
package quantity

import (
	"fmt"
	"math"
	"strconv"
	"strings"
)

// Value is a quantity in SI units of its kind.
type Value struct {
	Kind Kind
	// SI is the number in the unit that Kind.Unit names.
	SI float64
}

// Reason says why a text is not the quantity that was asked for.
type Reason uint8

// The reasons.
const (
	NotNumber   Reason = iota // does not begin with a decimal number
	NoUnit                    // a bare number
	UnknownUnit               // a unit that is not in the list
	WrongKind                 // a unit of something else
	OutOfRange                // finite, but outside the range
	NotFinite                 // overflows float64, or is written as infinity or NaN
)

// Error is a refused quantity.
type Error struct {
	Reason   Reason
	Text     string // what was read
	Message  string // what is wrong with it
	Expected string // what would be right; may be empty
	Hint     string // what was probably meant; may be empty
}

func (e *Error) Error() string { return phrase(e.Message, e.Expected, e.Hint) }

// phrase renders a message with what was expected and a hint.
func phrase(message, expected, hint string) string {
	switch {
	case expected != "" && hint != "":
		return fmt.Sprintf("%s (expected %s; hint: %s)", message, expected, hint)
	case expected != "":
		return fmt.Sprintf("%s (expected %s)", message, expected)
	case hint != "":
		return fmt.Sprintf("%s (hint: %s)", message, hint)
	}
	return message
}

// Range is the closed interval that a quantity must lie in, in SI. The zero Range admits every finite number.
type Range struct {
	Low, High float64
	// OpenLow excludes Low itself.
	OpenLow bool
}

// Any admits every finite number.
func Any() Range { return Range{Low: math.Inf(-1), High: math.Inf(1)} }

// Positive admits numbers above zero.
func Positive() Range { return Range{High: math.Inf(1), OpenLow: true} }

// NotNegative admits zero and numbers above it.
func NotNegative() Range { return Range{High: math.Inf(1)} }

// Between admits low, high and what lies between [SI].
func Between(low, high float64) Range { return Range{Low: low, High: high} }

// Above admits numbers above low up to high [SI].
func Above(low, high float64) Range { return Range{Low: low, High: high, OpenLow: true} }

// Holds reports whether x is finite and in the range.
func (r Range) Holds(x float64) bool {
	if math.IsNaN(x) || math.IsInf(x, 0) {
		return false
	}
	if r == (Range{}) {
		return true
	}
	return x <= r.High && (x > r.Low || x == r.Low && !r.OpenLow)
}

// describe words the range for a quantity of kind k.
func (r Range) describe(k Kind) string {
	low, high := Value{k, r.Low}.String(), Value{k, r.High}.String()
	switch {
	case r == (Range{}) || math.IsInf(r.Low, -1) && math.IsInf(r.High, 1):
		return "a finite number"
	case math.IsInf(r.High, 1) && r.OpenLow:
		return "more than " + low
	case math.IsInf(r.High, 1):
		return "at least " + low
	case math.IsInf(r.Low, -1):
		return "at most " + high
	case r.OpenLow:
		return fmt.Sprintf("more than %s, at most %s", low, high)
	}
	return fmt.Sprintf("%s to %s", low, high)
}

// Check returns an *Error if v lies outside r.
func (r Range) Check(v Value) error {
	if r.Holds(v.SI) {
		return nil
	}
	return &Error{Reason: OutOfRange, Text: v.String(), Message: fmt.Sprintf("%s is out of range", v), Expected: r.describe(v.Kind)}
}

// Parse reads text as a quantity of one of the kinds, or of any kind if none is given. The error is an *Error.
func Parse(text string, kinds ...Kind) (Value, error) {
	s := strings.TrimSpace(text)
	first, rest, err := parseTerm(s, text, kinds)
	if err != nil {
		return Value{}, err
	}
	// Only times come in several parts: 1 h 30 min.
	for total := first.SI; ; {
		if rest == "" {
			if math.IsInf(total, 0) {
				return Value{}, notFinite(text)
			}
			return Value{first.Kind, total}, nil
		}
		if first.Kind != Time {
			return Value{}, unknownUnit(text, strings.TrimSpace(s[numberLength(s):]), kinds)
		}
		if rest[0] < '0' || rest[0] > '9' {
			return Value{}, unknownUnit(text, strings.TrimSpace(s[numberLength(s):]), kinds)
		}
		part, after, err := parseTerm(rest, text, []Kind{Time})
		if err != nil {
			return Value{}, err
		}
		total += math.Copysign(part.SI, first.SI)
		rest = after
	}
}

// parseTerm reads one number with its unit from the start of s and returns what follows it.
func parseTerm(s, whole string, kinds []Kind) (Value, string, error) {
	n := numberLength(s)
	if n == 0 {
		lower := strings.ToLower(strings.TrimLeft(s, "+-."))
		if strings.HasPrefix(lower, "inf") || strings.HasPrefix(lower, "nan") {
			return Value{}, "", notFinite(whole)
		}
		return Value{}, "", &Error{Reason: NotNumber, Text: whole, Message: fmt.Sprintf("%q is not a quantity", clip(whole)),
			Expected: "a number and a unit, " + examples(kinds)}
	}
	number, err := strconv.ParseFloat(s[:n], 64)
	if err != nil {
		return Value{}, "", notFinite(whole)
	}
	rest := strings.TrimLeft(s[n:], " \t")
	word := rest
	if i := strings.IndexAny(rest, " \t"); i >= 0 {
		word = rest[:i]
	}
	if word == "" {
		return Value{}, "", noUnit(whole, s[:n], number, kinds)
	}
	u, ok := findUnitFor(word, kinds)
	if !ok {
		// "1h30min": the unit ends where the next number begins.
		if i := strings.IndexAny(word, "0123456789"); i > 0 {
			if v, found := findUnitOf(word[:i], []Kind{Time}); found {
				u, ok, word = v, true, word[:i]
			}
		}
	}
	if !ok {
		return Value{}, "", unknownUnit(whole, word, kinds)
	}
	if len(kinds) > 0 && !contains(kinds, u.kind) {
		return Value{}, "", &Error{Reason: WrongKind, Text: whole,
			Message:  fmt.Sprintf("%q is %s", clip(whole), u.kind),
			Expected: kindList(kinds) + ", " + examples(kinds), Hint: likely(word, kinds)}
	}
	si := u.toSI(number)
	if math.IsInf(si, 0) {
		return Value{}, "", notFinite(whole)
	}
	return Value{u.kind, si}, strings.TrimLeft(rest[len(word):], " \t"), nil
}

func noUnit(whole, number string, x float64, kinds []Kind) error {
	e := &Error{Reason: NoUnit, Text: whole, Message: fmt.Sprintf("%q has no unit", clip(whole)), Expected: "a unit, " + examples(kinds)}
	if len(kinds) > 0 {
		e.Hint = fmt.Sprintf("%s %s?", number, kinds[0].usual())
	}
	if contains(kinds, Ratio) && (x == 0 || math.Abs(x) == 1) {
		e.Hint = fmt.Sprintf("%g %%?", x*100)
	}
	return e
}

func unknownUnit(whole, word string, kinds []Kind) error {
	if len(word) > 1 && word[0] == ',' && word[1] >= '0' && word[1] <= '9' {
		return &Error{Reason: UnknownUnit, Text: whole, Message: fmt.Sprintf("%q has a decimal comma", clip(whole)), Expected: "a decimal point",
			Hint: strings.Replace(clip(whole), ",", ".", 1) + "?"}
	}
	e := &Error{Reason: UnknownUnit, Text: whole, Message: fmt.Sprintf("unknown unit %q", clip(word)), Expected: examples(kinds)}
	if near := nearestUnit(word, kinds); near != "" {
		e.Hint = fmt.Sprintf("%s?", near)
	}
	return e
}

func notFinite(whole string) error {
	return &Error{Reason: NotFinite, Text: whole, Message: fmt.Sprintf("%q is not a finite number", clip(whole)), Expected: "a finite number with a unit"}
}

// clip keeps a quoted text short enough for a message.
func clip(s string) string {
	if len(s) > 40 {
		return s[:37] + "..."
	}
	return s
}

// numberLength is the length of the decimal number that s begins with, 0 if none: digits, point, exponent; no hexadecimal,
// no underscores, no words.
func numberLength(s string) int {
	i := 0
	if i < len(s) && (s[i] == '+' || s[i] == '-') {
		i++
	}
	digits := func() int {
		from := i
		for i < len(s) && s[i] >= '0' && s[i] <= '9' {
			i++
		}
		return i - from
	}
	n := digits()
	if i < len(s) && s[i] == '.' {
		i++
		n += digits()
	}
	if n == 0 {
		return 0
	}
	if i < len(s) && (s[i] == 'e' || s[i] == 'E') {
		mark := i
		i++
		if i < len(s) && (s[i] == '+' || s[i] == '-') {
			i++
		}
		if digits() == 0 {
			i = mark
		}
	}
	return i
}

// String writes the shortest text, over the units of the kind, that reads back as exactly v.
func (v Value) String() string {
	best := strconv.FormatFloat(v.SI, 'g', -1, 64) + " " + v.Kind.Unit()
	if math.IsNaN(v.SI) || math.IsInf(v.SI, 0) {
		return best
	}
	for _, u := range units {
		if u.kind != v.Kind {
			continue
		}
		x := u.fromSI(v.SI)
		// The inverse may miss by an ULP; a rounded number often hits the value exactly and is what a person wrote.
		for _, digits := range [...]int{6, 9, 12, 15, -1} {
			text := trimExponent(strconv.FormatFloat(x, 'g', digits, 64))
			back, err := strconv.ParseFloat(text, 64)
			if text += " " + u.name; err == nil && u.toSI(back) == v.SI && plainness(text) < plainness(best) {
				best = text
			}
		}
	}
	return best
}

// plainness ranks texts of one value: short ones without an exponent come first.
func plainness(text string) int {
	if strings.ContainsAny(text[:numberLength(text)], "eE") {
		return 100 + len(text)
	}
	return len(text)
}

// trimExponent writes 1e+06 as 1e6.
func trimExponent(s string) string {
	s = strings.Replace(s, "e+0", "e", 1)
	s = strings.Replace(s, "e+", "e", 1)
	return strings.Replace(s, "e-0", "e-", 1)
}

// Nanoseconds converts a time to int64 ns, rounded to the nearest. It fails beyond about 292 years.
func (v Value) Nanoseconds() (int64, error) {
	ns := math.RoundToEven(v.SI * 1e9)
	if v.Kind != Time || math.IsNaN(ns) || math.Abs(ns) >= 1<<63 {
		return 0, &Error{Reason: OutOfRange, Text: v.String(), Message: fmt.Sprintf("%s is no time that can be counted in nanoseconds", v),
			Expected: "less than 292 years"}
	}
	return int64(ns), nil
}

func contains(kinds []Kind, k Kind) bool {
	for _, x := range kinds {
		if x == k {
			return true
		}
	}
	return false
}
