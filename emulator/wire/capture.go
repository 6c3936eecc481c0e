package wire

import (
	"bufio"
	"bytes"
	"fmt"
	"io"
	"strconv"
	"strings"

	"stuntcell/emulator/dialect"
	"stuntcell/emulator/instrument"
)

// Op is one operation of a captured session: bytes that passed at an instant.
type Op struct {
	T    int64  // the bench's instant [ns]
	To   bool   // to the client (else from it)
	Data []byte // valid while [Options].Capture hears of it
	Line int    // in the file
}

// String is the operation as a line of a capture.
func (o Op) String() string {
	direction := ">"
	if o.To {
		direction = "<"
	}
	return fmt.Sprintf("%d %s %s", o.T, direction, strconv.QuoteToASCII(string(o.Data)))
}

// CaptureHead is the first line of a capture.
const CaptureHead = "stuntcell capture 1"

// Bounds of a capture that is read.
const (
	maxOps     = 1_000_000
	maxOpBytes = 1 << 20
)

// ParseCapture reads a capture: a first line, then lines of INSTANT > "BYTES" from the client and INSTANT < "BYTES" to it, in
// nanoseconds and with the escapes of Go strings; # begins a comment line. The error has file:line:column.
func ParseCapture(file string, r io.Reader) ([]Op, error) {
	lines := bufio.NewScanner(r)
	lines.Buffer(make([]byte, 64<<10), 4*maxOpBytes)
	var ops []Op
	n := 0
	fail := func(column int, format string, args ...any) ([]Op, error) {
		return nil, fmt.Errorf("%s:%d:%d: %s", file, n, column, fmt.Sprintf(format, args...))
	}
	last := int64(0)
	for lines.Scan() {
		n++
		text := strings.TrimRight(lines.Text(), "\r")
		if n == 1 {
			if text != CaptureHead {
				return fail(1, "%.40q: expected the first line %q", text, CaptureHead)
			}
			continue
		}
		if text == "" || text[0] == '#' {
			continue
		}
		instant, rest, _ := strings.Cut(text, " ")
		t, err := strconv.ParseInt(instant, 10, 64)
		if err != nil || t < last || t > instrument.Latest {
			return fail(1, "%.40q: expected an instant in ns, not before the one above", instant)
		}
		last = t
		direction, quoted, _ := strings.Cut(rest, " ")
		if direction != ">" && direction != "<" {
			return fail(len(instant)+2, "%.40q: expected > (from the client) or < (to it)", direction)
		}
		data, err := strconv.Unquote(quoted)
		if err != nil || quoted == "" || quoted[0] != '"' || len(data) > maxOpBytes {
			return fail(len(instant)+4, "expected the bytes in double quotes, with escapes as \\n and \\xff")
		}
		if len(ops) == maxOps {
			return fail(1, "more than %d operations", maxOps)
		}
		ops = append(ops, Op{t, direction == "<", []byte(data), n})
	}
	if err := lines.Err(); err != nil {
		return nil, fmt.Errorf("%s:%d:1: %w", file, n+1, err)
	}
	if n == 0 {
		n = 1
		return fail(1, "the file is empty: expected the first line %q", CaptureHead)
	}
	return ops, nil
}

// Replay plays what the client said to a conversation on a bench, each at its instant, and compares what comes back. The error names the
// first operation that differs; what is left over at the end is an error too.
func Replay(ops []Op, d dialect.Dialect, benches ...*instrument.Bench) error {
	var pending []byte
	advance := func(t int64) {
		for {
			next := d.Next()
			if next > t {
				break
			}
			for _, b := range benches {
				b.Advance(next)
			}
			pending = d.Speak(pending)
		}
		for _, b := range benches {
			b.Advance(t)
		}
	}
	for i, op := range ops {
		if len(benches) > 0 && benches[0].Pace() == instrument.Real {
			advance(op.T)
		}
		if !op.To {
			if len(pending) > 0 {
				return fmt.Errorf("operation %d, line %d: the device said %.80q, which the capture does not have", i+1, op.Line, pending)
			}
			pending = d.Hear(op.Data, pending)
			continue
		}
		for len(pending) < len(op.Data) && len(benches) > 0 && benches[0].Pace() == instrument.Max && d.Next() != dialect.Never {
			for _, b := range benches {
				b.Advance(d.Next())
			}
			pending = d.Speak(pending)
		}
		if !bytes.HasPrefix(pending, op.Data) {
			return fmt.Errorf("operation %d, line %d: the device said %.80q, the capture has %.80q", i+1, op.Line, pending[:min(len(pending), len(op.Data))], op.Data)
		}
		pending = pending[len(op.Data):]
	}
	if len(pending) > 0 && (len(benches) == 0 || benches[0].Pace() != instrument.Max) {
		return fmt.Errorf("after the last operation: the device said %.80q, which the capture does not have", pending)
	}
	return nil
}
