// Package scpi is a source, a load and a meter on one battery pack, as one instrument in the words of SCPI-1999 and IEEE 488.2.
//
// Program messages end with LF (CR LF accepted) and hold units separated by `;`; a unit's header is relative to the one before it unless it
// begins with `:` (SCPI-1999 volume 1, 6.2.4, from memory). Mnemonics are taken in their short and their long form, in any case. Numbers are
// NRf with an optional multiplier and unit (IEEE 488.2, 7.7.2 and 7.7.3, from memory), MINimum, MAXimum and DEFault. After a command error the
// rest of the message is dropped; after an execution error it goes on. Answers are NR3, NR1 or text, joined by `;`, ended by LF.
//
// What the standards leave to the instrument, or do not have, is ours and listed in [Commands]: the LOAD, FETCh:CHARge and SYSTem:STEP
// branches among it. Current is positive into the pack.
package scpi

import (
	"bytes"
	"errors"
	"math"
	"strconv"
	"strings"

	"stuntcell/emulator/dialect"
	"stuntcell/emulator/instrument"
)

// maxMessage is the longest program message [bytes].
const maxMessage = 4096

// Instrument is the dialect.
type Instrument struct {
	bench   *instrument.Bench
	version string
	lines   dialect.Lines
	errors  []int // numbers of the error queue, oldest first
	esr     byte  // standard event status register
	ese     byte
	sre     byte
	oper    register
	ques    register
	fetched instrument.State
	has     bool       // fetched is one
	limits  [2]float64 // of the source's level: V, A
	tree    []node
	commons []node
	known   map[string]found // headers that were looked up from the root
}

// register is a status register of SCPI (volume 1, 4.2.5, from memory): its condition is computed.
type register struct {
	event, enable, last uint16
}

// Standard event status register bits (IEEE 488.2, 11.5.1, from memory).
const (
	esrComplete  = 1 << 0
	esrQuery     = 1 << 2
	esrDevice    = 1 << 3
	esrExecution = 1 << 4
	esrCommand   = 1 << 5
	esrPowerOn   = 1 << 7
)

// New returns a conversation; version is that of the program, for *IDN?.
func New(b *instrument.Bench, version string) *Instrument {
	s := &Instrument{bench: b, version: version, lines: dialect.Lines{Most: maxMessage}, tree: tree(), commons: commons(), known: map[string]found{}}
	s.Restart()
	return s
}

// Restart implements [dialect.Dialect].
func (s *Instrument) Restart() {
	s.lines.Forget()
	s.errors, s.esr, s.ese, s.sre = nil, esrPowerOn, 0, 0
	s.oper, s.ques, s.has = register{}, register{}, false
	s.limits = [2]float64{instrument.MaxVolts, instrument.MaxAmps}
}

// Next implements [dialect.Dialect]: an instrument only answers.
func (s *Instrument) Next() int64 { return dialect.Never }

// Speak implements [dialect.Dialect].
func (s *Instrument) Speak(out []byte) []byte { return out }

// Quiet implements [dialect.Dialect].
func (s *Instrument) Quiet(out []byte) []byte { return out }

// Hear implements [dialect.Dialect].
func (s *Instrument) Hear(in, out []byte) []byte {
	s.lines.Hear(in, func(line []byte, overlong bool) {
		if overlong {
			s.fail(inputOverrun)
			return
		}
		out = s.message(line, out)
	})
	return out
}

// call is one unit being executed.
type call struct {
	*Instrument
	params [][]byte
	out    []byte
	query  bool
}

// message executes a program message.
func (s *Instrument) message(line, out []byte) []byte {
	s.watch()
	answered := false
	var path []string
	for _, unit := range split(line, ';') {
		unit = bytes.TrimFunc(unit, isBlank)
		if len(unit) == 0 {
			continue
		}
		header, params, query, code := s.parse(unit)
		if code != 0 {
			s.fail(code)
			break
		}
		var n *node
		if header[0] == '*' {
			n = s.common(header)
		} else {
			n, path, code = s.find(header, path, query)
		}
		if code == 0 && n == nil {
			code = undefinedHeader
		}
		if code != 0 {
			s.fail(code)
			break
		}
		c := call{Instrument: s, params: params, query: query}
		do := n.set
		most := n.params
		if query {
			do, most = n.get, n.queries
		}
		switch {
		case do == nil:
			code = undefinedHeader
		case len(params) > most:
			code = parameterNotAllowed
		case !query && len(params) < n.params:
			code = missingParameter
		default:
			code = do(&c)
		}
		if code != 0 {
			s.fail(code)
			if code > -200 && code <= -100 {
				break
			}
			continue
		}
		if query {
			if answered {
				out = append(out, ';')
			}
			out, answered = append(out, c.out...), true
		}
		s.watch()
	}
	if answered {
		out = append(out, '\n')
	}
	return out
}

func isBlank(r rune) bool { return r <= ' ' && r >= 0 }

// split parts at a character that stands outside of quotes.
func split(b []byte, at byte) [][]byte {
	var parts [][]byte
	from, quote := 0, byte(0)
	for i, c := range b {
		switch {
		case quote != 0:
			if c == quote {
				quote = 0
			}
		case c == '"' || c == '\'':
			quote = c
		case c == at:
			parts = append(parts, b[from:i])
			from = i + 1
		}
	}
	return append(parts, b[from:])
}

// parse takes a unit apart.
func (s *Instrument) parse(unit []byte) (header string, params [][]byte, query bool, code int) {
	for _, c := range unit {
		if c >= 0x7f || c < ' ' && c != '\t' {
			return "", nil, false, invalidCharacter
		}
	}
	n := 0
	for n < len(unit) && unit[n] > ' ' {
		n++
	}
	head, rest := unit[:n], bytes.TrimFunc(unit[n:], isBlank)
	if q := bytes.IndexByte(head, '?'); q >= 0 {
		if q != len(head)-1 {
			return "", nil, false, invalidSeparator
		}
		query, head = true, head[:q]
	}
	for i, c := range head {
		switch {
		case c >= 'A' && c <= 'Z', c >= 'a' && c <= 'z', c == ':', c == '*' && i == 0, c == '_' && i > 0, c >= '0' && c <= '9' && i > 0:
		case c == ',':
			return "", nil, false, invalidSeparator
		default:
			return "", nil, false, syntaxError
		}
	}
	if len(head) == 0 || strings.Trim(string(head), ":*") == "" || head[len(head)-1] == ':' || bytes.Contains(head, []byte("::")) {
		return "", nil, false, syntaxError
	}
	for _, m := range bytes.Split(bytes.Trim(head, ":*"), []byte{':'}) {
		if len(m) > 12 {
			return "", nil, false, mnemonicTooLong
		}
	}
	if len(rest) > 0 {
		for _, p := range split(rest, ',') {
			p = bytes.TrimFunc(p, isBlank)
			if len(p) == 0 {
				return "", nil, false, syntaxError
			}
			params = append(params, p)
		}
	}
	return string(head), params, query, 0
}

// found is where a header leads, and the path that it leaves behind.
type found struct {
	node *node
	path []string
}

// mostKnown bounds what is remembered of headers.
const mostKnown = 256

// find looks a header up, relative to the path of the unit before. It returns the path of the next.
func (s *Instrument) find(header string, path []string, query bool) (*node, []string, int) {
	if len(path) > 0 && header[0] != ':' {
		return s.search(header, path, query)
	}
	key := header
	if query {
		key += "?"
	}
	if f, ok := s.known[key]; ok {
		return f.node, f.path, 0
	}
	n, next, code := s.search(header, path, query)
	if code == 0 && len(s.known) < mostKnown {
		s.known[key] = found{n, next}
	}
	return n, next, code
}

func (s *Instrument) search(header string, path []string, query bool) (*node, []string, int) {
	words := strings.Split(strings.TrimPrefix(header, ":"), ":")
	if header[0] != ':' {
		words = append(append([]string(nil), path...), words...)
	}
	wrongSuffix := false
	for i := range s.tree {
		n := &s.tree[i]
		if query && n.get == nil || !query && n.set == nil {
			continue
		}
		match, suffix := n.matches(words)
		wrongSuffix = wrongSuffix || suffix
		if match {
			return n, words[:len(words)-1], 0
		}
	}
	if wrongSuffix {
		return nil, path, suffixOutOfRange
	}
	return nil, path, undefinedHeader
}

// number reads a numeric parameter in a unit ("" : none); low, high and preset are what MIN, MAX and DEF stand for.
func number(p []byte, unit string, low, high, preset float64) (float64, int) {
	text := strings.ToUpper(string(p))
	switch {
	case is(text, "MINimum"):
		return low, 0
	case is(text, "MAXimum"):
		return high, 0
	case is(text, "DEFault"):
		return preset, 0
	}
	n := numberLength(text)
	if n == 0 {
		if text[0] == '"' || text[0] == '\'' {
			return 0, dataType
		}
		if text[0] >= 'A' && text[0] <= 'Z' {
			return 0, dataType
		}
		return 0, invalidNumber
	}
	v, err := strconv.ParseFloat(text[:n], 64)
	if err != nil {
		var e *strconv.NumError
		if errors.As(err, &e) && errors.Is(e.Err, strconv.ErrRange) {
			return 0, outOfRange
		}
		return 0, invalidNumber
	}
	scale, ok := multiplier(strings.TrimSpace(text[n:]), unit)
	if !ok {
		return 0, invalidSuffix
	}
	if v *= scale; !(v >= low && v <= high) {
		return 0, outOfRange
	}
	return v, 0
}

// numberLength is how much of the text is an NRf number: sign, digits, point, exponent. A number that runs into what is no suffix is none.
func numberLength(s string) int {
	i, digits := 0, 0
	if i < len(s) && (s[i] == '+' || s[i] == '-') {
		i++
	}
	for ; i < len(s) && (s[i] >= '0' && s[i] <= '9' || s[i] == '.'); i++ {
		if s[i] != '.' {
			digits++
		}
	}
	if digits == 0 || strings.Count(s[:i], ".") > 1 {
		return 0
	}
	if i < len(s) && s[i] == 'E' {
		k := i + 1
		if k < len(s) && (s[k] == '+' || s[k] == '-') {
			k++
		}
		from := k
		for k < len(s) && s[k] >= '0' && s[k] <= '9' {
			k++
		}
		if k > from {
			i = k
		}
	}
	return i
}

// multiplier is what a suffix multiplies with (IEEE 488.2 table 7-2, from memory): M is milli, but mega before OHM and HZ.
func multiplier(suffix, unit string) (float64, bool) {
	if suffix == "" {
		return 1, true
	}
	prefix, ok := strings.CutSuffix(suffix, unit)
	if unit == "" || !ok {
		return 0, false
	}
	if prefix == "M" && unit == "OHM" {
		return 1e6, true
	}
	for _, m := range []struct {
		name  string
		value float64
	}{{"", 1}, {"EX", 1e18}, {"PE", 1e15}, {"T", 1e12}, {"G", 1e9}, {"MA", 1e6}, {"K", 1e3}, {"M", 1e-3}, {"U", 1e-6}, {"N", 1e-9}, {"P", 1e-12}} {
		if prefix == m.name {
			return m.value, true
		}
	}
	return 0, false
}

// is tells whether a word, in upper case, is the short or the long form of a mnemonic as SCPI writes it: the short form in upper case.
func is(word, mnemonic string) bool {
	short := strings.TrimRight(mnemonic, "abcdefghijklmnopqrstuvwxyz")
	return word == short || word == strings.ToUpper(mnemonic)
}

// boolean reads ON, OFF or a number, which is on if it rounds to another than 0 (SCPI-1999 volume 1, 7.3, from memory).
func boolean(p []byte) (bool, int) {
	switch text := strings.ToUpper(string(p)); text {
	case "ON":
		return true, 0
	case "OFF":
		return false, 0
	default:
		v, code := number(p, "", -1e6, 1e6, 0)
		return math.Abs(v) >= 0.5, code
	}
}

func (c *call) nr3(v float64) int {
	if v == 0 {
		v = 0 // no -0
	}
	if v >= 0 {
		c.out = append(c.out, '+')
	}
	c.out = strconv.AppendFloat(c.out, v, 'E', 6, 64)
	return 0
}

func (c *call) nr1(v int64) int {
	c.out = strconv.AppendInt(c.out, v, 10)
	return 0
}

func (c *call) bool(on bool) int {
	if on {
		return c.nr1(1)
	}
	return c.nr1(0)
}

func (c *call) text(s string) int {
	c.out = append(c.out, s...)
	return 0
}
