package wire

import (
	"bufio"
	"fmt"
	"io"
	"math/rand/v2"
	"sort"
	"strconv"
	"strings"

	"stuntcell/model/quantity"
)

// Kind is what a line does to bytes.
type Kind string

// What a line does. The first five happen to a byte, in either direction; the others to an answer.
const (
	Lose       Kind = "lose"
	Flip       Kind = "flip"       // Value: which bit
	Double     Kind = "double"     //
	Insert     Kind = "insert"     // Value: which byte
	Burst      Kind = "burst"      // Value: how many bytes
	Cut        Kind = "cut"        // Value: after how many bytes
	Delay      Kind = "delay"      // Value: by how many ms
	Stick      Kind = "stick"      // Value: for how many bytes
	Disconnect Kind = "disconnect" // Value: after how many bytes
	Restart    Kind = "restart"    // Value: after how many bytes
)

// Kinds lists all kinds.
func Kinds() []Kind {
	return []Kind{Lose, Flip, Double, Insert, Burst, Cut, Delay, Stick, Disconnect, Restart}
}

// About says what a line does.
func (k Kind) About() string {
	return map[Kind]string{
		Lose:       "a byte is lost",
		Flip:       "a bit of a byte is turned",
		Double:     "a byte comes twice",
		Insert:     "a byte of noise comes before one",
		Burst:      "up to 16 bytes become noise",
		Cut:        "an answer ends early",
		Delay:      "an answer comes up to 500 ms late",
		Stick:      "up to 2000 bytes do not go out",
		Disconnect: "the line is cut in mid answer",
		Restart:    "the device restarts in mid answer",
	}[k]
}

func (k Kind) ofByte() bool {
	return k == Lose || k == Flip || k == Double || k == Insert || k == Burst
}

// DefaultSeed draws when things happen, if nothing else is said.
const DefaultSeed = 1

// Faults says how often each kind happens: the probability for each byte, or for each answer. The zero Faults are none.
type Faults struct {
	Rates map[Kind]float64
	Seed  uint64
	// Replay, if it is not nil, replaces the draws by what a trace has.
	Replay []Act
}

// None says that the line is good.
func (f *Faults) None() bool { return len(f.Rates) == 0 && f.Replay == nil }

// ParseFaults reads KIND=RATE,...: flip=0.001,delay=0.01; or none. The error says what was expected.
func ParseFaults(text string) (map[Kind]float64, error) {
	rates := map[Kind]float64{}
	if text == "none" {
		return rates, nil
	}
	for _, word := range strings.Split(text, ",") {
		name, value, found := strings.Cut(strings.TrimSpace(word), "=")
		k, err := kindOf(name)
		if err != nil {
			return nil, err
		}
		rate, err := strconv.ParseFloat(value, 64)
		if !found || err != nil || !(rate > 0 && rate <= 1) {
			return nil, fmt.Errorf("%.40q: expected a rate above 0 and up to 1, as %s=0.001", word, k)
		}
		if _, twice := rates[k]; twice {
			return nil, fmt.Errorf("%s twice", k)
		}
		rates[k] = rate
	}
	return rates, nil
}

func kindOf(name string) (Kind, error) {
	var names []string
	for _, k := range Kinds() {
		if string(k) == name {
			return k, nil
		}
		names = append(names, string(k))
	}
	hint := ""
	if near := quantity.Nearest(name, names); near != "" {
		hint = " (hint: " + near + "?)"
	}
	return "", fmt.Errorf("no fault %.40q: expected one of %s%s", name, strings.Join(names, " "), hint)
}

// Act is one thing that a line did.
type Act struct {
	Line  string // which line: port/connection
	To    bool   // to the client (else from it)
	At    int64  // offset of the byte in its direction, as it would be without faults
	Kind  Kind
	Value int64
}

// String is the act as a line of a trace.
func (a Act) String() string {
	direction := "from"
	if a.To {
		direction = "to"
	}
	return fmt.Sprintf("%s %s %d %s %d", a.Line, direction, a.At, a.Kind, a.Value)
}

// maxTrace bounds a trace that is read [acts].
const maxTrace = 1_000_000

// ParseTrace reads a trace: lines of LINE to|from OFFSET KIND VALUE; # begins a comment. The error has file:line:column.
func ParseTrace(file string, r io.Reader) ([]Act, error) {
	acts := []Act{}
	lines := bufio.NewScanner(r)
	lines.Buffer(make([]byte, 4096), 4096)
	for n := 1; lines.Scan(); n++ {
		text, _, _ := strings.Cut(lines.Text(), "#")
		words := strings.Fields(text)
		if len(words) == 0 {
			continue
		}
		column := 1
		fail := func(i int, what string) error {
			for k, w := range words[:i+1] {
				column += strings.Index(text[column-1:], w)
				if k < i {
					column += len(w)
				}
			}
			return fmt.Errorf("%s:%d:%d: %s", file, n, column, what)
		}
		if len(words) != 5 || words[1] != "to" && words[1] != "from" {
			return nil, fail(0, "expected LINE to|from OFFSET KIND VALUE, as 0/0 to 117 flip 3")
		}
		at, err := strconv.ParseInt(words[2], 10, 64)
		if err != nil || at < 0 {
			return nil, fail(2, fmt.Sprintf("%.40q: expected the offset of a byte", words[2]))
		}
		k, err := kindOf(words[3])
		if err != nil {
			return nil, fail(3, err.Error())
		}
		v, err := strconv.ParseInt(words[4], 10, 64)
		if err != nil || v < 0 || v > 1e6 {
			return nil, fail(4, fmt.Sprintf("%.40q: expected a whole number of 0 to 1000000", words[4]))
		}
		if len(acts) == maxTrace {
			return nil, fail(0, fmt.Sprintf("more than %d acts", maxTrace))
		}
		acts = append(acts, Act{words[0], words[1] == "to", at, k, v})
	}
	if err := lines.Err(); err != nil {
		return nil, fmt.Errorf("%s: %w (expected lines of at most 4096 bytes)", file, err)
	}
	return acts, nil
}

// mangler is one direction of one line.
type mangler struct {
	line   string
	to     bool
	at     int64 // bytes so far
	tell   func(Act)
	draw   *rand.Rand // nil: replay
	noise  *rand.Rand // of a burst; it goes by the act, so that a trace says it too
	byByte []rated
	byWord []rated
	replay []Act
	burst  int64 // bytes of noise still to come
	stuck  int64 // bytes still to be swallowed
}

type rated struct {
	kind Kind
	rate float64
}

// newMangler returns the faults of a direction of a line; tell hears of each act.
func newMangler(f *Faults, line string, to bool, tell func(Act)) *mangler {
	h := f.Seed
	for _, c := range line + strconv.FormatBool(to) {
		h = h*1099511628211 + uint64(c)
	}
	m := &mangler{line: line, to: to, tell: tell}
	if f.Replay != nil {
		for _, a := range f.Replay {
			if a.Line == line && a.To == to {
				m.replay = append(m.replay, a)
			}
		}
		sort.SliceStable(m.replay, func(i, k int) bool { return m.replay[i].At < m.replay[k].At })
		return m
	}
	m.draw = rand.New(rand.NewPCG(h, 0xfa017))
	for _, k := range Kinds() {
		rate := f.Rates[k]
		switch {
		case rate == 0:
		case k.ofByte():
			m.byByte = append(m.byByte, rated{k, rate})
		case to:
			m.byWord = append(m.byWord, rated{k, rate})
		}
	}
	return m
}

// piece is what goes over the line of an answer.
type piece struct {
	bytes []byte
	delay int64 // ms, before it
	then  Kind  // Disconnect or Restart, after it; empty: nothing
}

// pass lets an answer go over the line.
func (m *mangler) pass(b []byte) piece {
	var p piece
	if len(b) == 0 {
		return p
	}
	keep := int64(len(b))
	for _, a := range m.ofAnswer(int64(len(b))) {
		switch a.Kind {
		case Delay:
			p.delay += a.Value
		case Stick:
			m.stuck += a.Value
		case Cut:
			keep = min(keep, a.Value)
		case Disconnect, Restart:
			keep, p.then = min(keep, a.Value), a.Kind
		}
	}
	for i, c := range b {
		before := len(p.bytes)
		p.bytes = m.one(p.bytes, c)
		if m.stuck > 0 {
			m.stuck--
			p.bytes = p.bytes[:before]
		}
		if int64(i) >= keep {
			p.bytes = p.bytes[:before]
		}
	}
	return p
}

// ofAnswer returns what happens to the answer of n bytes that begins here.
func (m *mangler) ofAnswer(n int64) []Act {
	var acts []Act
	for _, r := range m.byWord {
		if m.draw.Float64() >= r.rate {
			continue
		}
		a := Act{m.line, m.to, m.at, r.kind, 0}
		switch r.kind {
		case Delay:
			a.Value = 1 + m.draw.Int64N(500)
		case Stick:
			a.Value = 1 + m.draw.Int64N(2000)
		default:
			a.Value = m.draw.Int64N(n)
		}
		m.tell(a)
		acts = append(acts, a)
	}
	if m.draw == nil {
		for _, a := range m.replay {
			if a.At > m.at {
				break
			}
			if a.At == m.at && !a.Kind.ofByte() {
				m.tell(a)
				acts = append(acts, a)
			}
		}
	}
	return acts
}

// one lets a byte pass.
func (m *mangler) one(out []byte, c byte) []byte {
	lost, twice := false, false
	for _, a := range m.ofByte() {
		m.tell(a)
		switch a.Kind {
		case Lose:
			lost = true
		case Flip:
			c ^= 1 << (a.Value & 7)
		case Double:
			twice = true
		case Insert:
			out = append(out, byte(a.Value))
		case Burst:
			m.burst, m.noise = a.Value, rand.New(rand.NewPCG(uint64(a.At), uint64(a.Value)))
		}
	}
	m.at++
	if m.burst > 0 {
		m.burst--
		c = byte(m.noise.Uint32())
	}
	if !lost {
		out = append(out, c)
		if twice {
			out = append(out, c)
		}
	}
	return out
}

func (m *mangler) ofByte() []Act {
	if m.draw == nil {
		// What is replayed comes in order; acts of answers stand between.
		var acts []Act
		for len(m.replay) > 0 && m.replay[0].At <= m.at {
			if a := m.replay[0]; a.At == m.at && a.Kind.ofByte() {
				acts = append(acts, a)
			}
			m.replay = m.replay[1:]
		}
		return acts
	}
	var acts []Act
	for _, r := range m.byByte {
		if m.draw.Float64() >= r.rate {
			continue
		}
		a := Act{m.line, m.to, m.at, r.kind, 0}
		switch r.kind {
		case Flip:
			a.Value = m.draw.Int64N(8)
		case Insert:
			a.Value = m.draw.Int64N(256)
		case Burst:
			a.Value = 1 + m.draw.Int64N(16)
		}
		acts = append(acts, a)
	}
	return acts
}
