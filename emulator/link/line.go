package link

import (
	"bytes"
	"errors"
	"fmt"
	"math"
	"strconv"
	"strings"
)

// MaxLine is the longest line of the link [bytes], its end not counted.
const MaxLine = 1024

const tooLongHint = "a line ends after at most 1024 bytes"

// Append adds the message's line, its LF included, to dst.
func (m *Message) Append(dst []byte) []byte {
	switch m.Kind {
	case Greet:
		dst = append(dst, "stuntcell 1"...)
		for _, key := range Keys() {
			dst = appendPair(dst, key, *m.Greeting.Field(key))
		}
	case Read:
		dst = m.Reading.append(dst)
	case Set:
		dst = appendPair(append(dst, "set"...), m.Key, m.Value)
	case End:
		dst = append(dst, "end"...)
	}
	return append(dst, '\n')
}

func appendPair(dst []byte, key string, v int64) []byte {
	dst = append(append(append(dst, ' '), key...), '=')
	return strconv.AppendInt(dst, v, 10)
}

func (r *Reading) append(dst []byte) []byte {
	dst = strconv.AppendUint(append(dst, 'r', ' '), r.Tick, 10)
	dst = appendCount(append(dst, ' '), r.Shunt)
	dst = appendCount(append(dst, ' '), r.Bus)
	dst = append(dst, ' ')
	if r.Clock == NoClock {
		dst = append(dst, '-')
	} else {
		dst = strconv.AppendInt(dst, r.Clock, 10)
	}
	for i, ch := range r.More {
		n := byte('2' + i)
		dst = appendCount(append(append(dst, " shunt"...), n, '='), ch.Shunt)
		dst = appendCount(append(append(dst, " bus"...), n, '='), ch.Bus)
	}
	if r.HasTemp {
		dst = appendPair(dst, "temp_mdeg", int64(r.Temp))
	}
	if r.HasAux1 {
		dst = appendPair(dst, "aux1", int64(r.Aux1))
	}
	if r.CardFail {
		dst = append(dst, " card=fail"...)
	}
	dst = appendContact(dst, " load=", r.Load)
	return appendContact(dst, " charge=", r.Charge)
}

func appendCount(dst []byte, c int32) []byte {
	if c == Failed {
		return append(dst, '-')
	}
	return strconv.AppendInt(dst, int64(c), 10)
}

func appendContact(dst []byte, key string, c Contact) []byte {
	switch c {
	case On:
		return append(append(dst, key...), "on"...)
	case Off:
		return append(append(dst, key...), "off"...)
	}
	return dst
}

// ParseMessage reads a line of the bench (without its line end) into m. It accepts exactly what Append writes; keys of a
// reading may come in any order, each once.
func ParseMessage(line []byte, m *Message) error {
	*m = Message{}
	line = trimCR(line)
	if len(line) > MaxLine {
		return fmt.Errorf("a line of %d bytes: at most %d", len(line), MaxLine)
	}
	first, rest, _ := bytes.Cut(line, []byte{' '})
	switch string(first) {
	case "stuntcell":
		m.Kind = Greet
		return m.Greeting.parse(rest)
	case "r":
		m.Kind = Read
		return m.Reading.parse(rest)
	case "set":
		m.Kind = Set
		key, v, err := parsePair(rest)
		if err == nil {
			err = Check(key, v)
		}
		m.Key, m.Value = key, v
		return err
	case "end":
		m.Kind = End
		if len(first) != len(line) {
			return errors.New("end stands alone")
		}
		return nil
	}
	return fmt.Errorf("%q is no word of the bench: expected stuntcell, r, set or end", first)
}

func (g *Greeting) parse(b []byte) error {
	version, rest, _ := bytes.Cut(b, []byte{' '})
	if string(version) != "1" {
		return fmt.Errorf("version %q of the link: expected 1", version)
	}
	seen := map[string]bool{}
	for _, word := range bytes.Split(rest, []byte{' '}) {
		key, v, err := parsePair(word)
		if err != nil {
			return err
		}
		if err := Check(key, v); err != nil {
			return err
		}
		if seen[key] {
			return fmt.Errorf("%s twice", key)
		}
		seen[key] = true
		*g.Field(key) = v
	}
	for _, key := range Keys() {
		if !seen[key] {
			return fmt.Errorf("%s is missing", key)
		}
	}
	return nil
}

func (r *Reading) parse(b []byte) error {
	words := bytes.Split(b, []byte{' '})
	if len(words) < 4 {
		return fmt.Errorf("a reading of %d words: expected TICK SHUNT BUS CLOCK", len(words))
	}
	tick, err := strconv.ParseUint(string(words[0]), 10, 64)
	if err != nil || strconv.FormatUint(tick, 10) != string(words[0]) {
		return fmt.Errorf("%q is no tick", words[0])
	}
	r.Tick = tick
	if r.Shunt, err = parseCount(words[1]); err != nil {
		return err
	}
	if r.Bus, err = parseCount(words[2]); err != nil {
		return err
	}
	r.Clock = NoClock
	if string(words[3]) != "-" {
		if r.Clock, err = parseInt(words[3]); err != nil {
			return err
		}
	}
	return r.parseKeys(words[4:])
}

func (r *Reading) parseKeys(words [][]byte) error {
	var more [3]Channel
	seen := map[string]bool{}
	for _, word := range words {
		k, value, found := bytes.Cut(word, []byte{'='})
		key := string(k)
		if !found || seen[key] {
			return fmt.Errorf("%q: expected KEY=VALUE, each key once", word)
		}
		seen[key] = true
		var err error
		switch key {
		case "shunt2", "shunt3", "shunt4":
			more[key[5]-'2'].Shunt, err = parseCount(value)
		case "bus2", "bus3", "bus4":
			more[key[3]-'2'].Bus, err = parseCount(value)
		case "temp_mdeg":
			r.HasTemp = true
			r.Temp, err = parseInt32(value)
		case "aux1":
			r.HasAux1 = true
			r.Aux1, err = parseInt32(value)
		case "card":
			r.CardFail = true
			if string(value) != "fail" {
				err = fmt.Errorf("card=%s: expected card=fail", value)
			}
		case "load":
			r.Load, err = parseContact(value)
		case "charge":
			r.Charge, err = parseContact(value)
		default:
			err = fmt.Errorf("%q is no key of a reading", key)
		}
		if err != nil {
			return err
		}
	}
	for i, ch := range more {
		n := string(rune('2' + i))
		has := seen["shunt"+n]
		if has != seen["bus"+n] || has && len(r.More) != i {
			return fmt.Errorf("channel %s is not whole", n)
		}
		if has {
			r.More = append(r.More, ch)
		}
	}
	return nil
}

func parseContact(b []byte) (Contact, error) {
	switch string(b) {
	case "on":
		return On, nil
	case "off":
		return Off, nil
	}
	return Unsaid, fmt.Errorf("%q: expected on or off", b)
}

func parseCount(b []byte) (int32, error) {
	if string(b) == "-" {
		return Failed, nil
	}
	v, err := parseInt32(b)
	if err == nil && v == Failed {
		err = fmt.Errorf("%s is out of range", b)
	}
	return v, err
}

func parseInt32(b []byte) (int32, error) {
	v, err := parseInt(b)
	if err == nil && (v < math.MinInt32 || v > math.MaxInt32) {
		err = fmt.Errorf("%s is out of range", b)
	}
	return int32(v), err
}

// parseInt reads a decimal integer in its one plain form: no plus sign, no leading zeros, nothing around it.
func parseInt(b []byte) (int64, error) {
	v, err := strconv.ParseInt(string(b), 10, 64)
	if errors.Is(err, strconv.ErrRange) {
		return 0, fmt.Errorf("%.40q is out of range", b)
	}
	if err != nil || strconv.FormatInt(v, 10) != string(b) {
		return 0, fmt.Errorf("%.40q is no plain integer", b)
	}
	return v, nil
}

func parsePair(b []byte) (key string, v int64, err error) {
	k, value, found := bytes.Cut(b, []byte{'='})
	if !found {
		return "", 0, fmt.Errorf("%.40q: expected KEY=VALUE", b)
	}
	v, err = parseInt(value)
	return string(k), v, err
}

func trimCR(line []byte) []byte { return bytes.TrimRight(line, "\r") }

// Append adds the answer's lines, the final ok included, to dst: the logger's side of the wire.
func (a *Answer) Append(dst []byte) []byte {
	for _, s := range a.Said {
		dst = append(s.append(dst), '\n')
	}
	return append(dst, "ok\n"...)
}

func (s *Said) append(dst []byte) []byte {
	switch s.Word {
	case Row:
		return append(append(dst, "row "...), s.Text...)
	case LoadOn:
		return append(dst, "load on"...)
	case LoadOff:
		return append(dst, "load off"...)
	case ChargeOn:
		return append(dst, "charge on"...)
	case ChargeOff:
		return append(dst, "charge off"...)
	case File:
		return append(append(dst, "file "...), s.Text...)
	case Clock:
		return strconv.AppendInt(append(dst, "clock "...), s.Value, 10)
	case Say:
		return append(append(dst, "say "...), s.Text...)
	case Mine:
		return appendPair(append(dst, "mine"...), s.Text, s.Value)
	case Cannot:
		return append(append(dst, "cannot "...), s.Text...)
	case Can:
		return append(append(dst, "can "...), s.Text...)
	}
	return dst
}

// Take adds a line of the logger (without its line end) to the answer. It reports done at `ok`. An error is a *Failure of
// kind Garbled: the line is none of the link's, and nothing was added.
func (a *Answer) Take(line []byte) (done bool, err error) {
	line = trimCR(line)
	if len(line) > MaxLine {
		return false, garbled(line, tooLongHint)
	}
	word, rest, more := bytes.Cut(line, []byte{' '})
	switch string(word) {
	case "ok":
		if more {
			return false, garbled(line, "`ok` stands alone on its line")
		}
		return true, nil
	case "row":
		a.Row(text(rest))
	case "say":
		a.Tell(Say, text(rest))
	case "file":
		if len(rest) == 0 {
			return false, garbled(line, "`file` is followed by a name")
		}
		a.Tell(File, text(rest))
	case "load":
		return false, a.contact(line, rest, LoadOn, LoadOff)
	case "charge":
		return false, a.contact(line, rest, ChargeOn, ChargeOff)
	case "clock":
		v, err := parseInt(rest)
		if err != nil {
			return false, garbled(line, "`clock` is followed by Unix seconds: "+err.Error())
		}
		a.State(Clock, "", v)
	case "mine":
		return false, a.mine(line, rest)
	case "cannot":
		return false, a.names(line, rest, Cannot, Abilities())
	case "can":
		return false, a.names(line, rest, Can, Extras())
	default:
		return false, garbled(line, guess(line))
	}
	return false, nil
}

// Abilities returns what a logger may say that it `cannot`.
func Abilities() []string {
	return []string{"load", "set", "restore", "clock", "count-charge", "count-discharge", "energy", "totals"}
}

// Extras returns what a logger may say that it `can`.
func Extras() []string { return []string{"charge", "seq"} }

func (a *Answer) contact(line, rest []byte, on, off Word) error {
	switch string(rest) {
	case "on":
		a.Do(on)
	case "off":
		a.Do(off)
	default:
		return garbled(line, "`load` and `charge` are followed by on or off")
	}
	return nil
}

func (a *Answer) mine(line, rest []byte) error {
	before := len(a.Said)
	for _, word := range bytes.Split(rest, []byte{' '}) {
		key, v, err := parsePair(word)
		if err == nil {
			err = Check(key, v)
		}
		if err != nil {
			a.Said = a.Said[:before]
			return garbled(line, "`mine` is followed by KEY=VALUE of the greeting: "+err.Error())
		}
		a.State(Mine, key, v)
	}
	return nil
}

func (a *Answer) names(line, rest []byte, w Word, known []string) error {
	before := len(a.Said)
next:
	for _, word := range bytes.Split(rest, []byte{' '}) {
		for _, name := range known {
			if string(word) == name {
				a.Tell(w, name)
				continue next
			}
		}
		a.Said = a.Said[:before]
		return garbled(line, "expected names out of: "+strings.Join(known, " "))
	}
	return nil
}

// text makes a string that is valid UTF-8 of a row's or a say's bytes.
func text(b []byte) string { return strings.ToValidUTF8(string(b), "�") }

func garbled(line []byte, hint string) *Failure {
	return &Failure{Kind: Garbled, Line: printable(line, 200), Hint: hint}
}

// guess is the hint for a line that begins with no word of the link.
func guess(line []byte) string {
	s := strings.TrimSpace(string(line))
	first, _, _ := strings.Cut(s, " ")
	switch {
	case strings.EqualFold(s, "ok"):
		return "write `ok` in lower case, alone on its line"
	case strings.ContainsAny(s, ",;\t") && strings.ContainsAny(s, "0123456789"):
		return "this looks like a row of the log: write `row ` before it"
	case strings.EqualFold(first, "row"):
		return "write `row` in lower case, followed by one space"
	case s == "":
		return "an empty line is none of the link's words: leave it out, or write `row ` for an empty row"
	}
	return "write `say ` before what is meant for a person, `row ` before what goes to the log"
}

// printable cuts b to n bytes and replaces what a terminal should not get.
func printable(b []byte, n int) string {
	if len(b) > n {
		b = b[:n]
	}
	return strings.Map(func(r rune) rune {
		if r != '\t' && !strconv.IsPrint(r) {
			return '�'
		}
		return r
	}, strings.ToValidUTF8(string(b), "�"))
}
