// Package dialect says what a device on a wire is to those who move its bytes: how one client's conversation goes, without a wire, a
// clock or a goroutine in it. The dialects themselves are its children: stream, readings, scpi, modbus, registers; all pass the suite of package
// dialecttest. Package wire carries them.
//
// Time is the bench's (package instrument): whoever carries a dialect advances the bench to the client's instant before each call.
package dialect

import "math"

// Never is the instant of something that does not happen [ns].
const Never int64 = math.MaxInt64

// Dialect is one client's conversation with a device. It is used from one goroutine at a time. It keeps a bounded number of bytes
// whatever is said to it, answers each request with a bounded number of bytes, and never panics.
type Dialect interface {
	// Hear takes bytes as they came from the client and appends to out what is answered at once. in may hold a part of a request, or
	// several; it is not kept.
	Hear(in, out []byte) []byte
	// Quiet says that nothing has come for a while: what is half heard is given up where the dialect's frames have no end of their own.
	Quiet(out []byte) []byte
	// Next is the bench's instant at which the device speaks by itself [ns], Never if it does not.
	Next() int64
	// Speak appends what is said at that instant; the bench stands at it.
	Speak(out []byte) []byte
	// Restart is a power-up in mid conversation: what was half heard is forgotten.
	Restart()
}

// Silent is embedded by dialects that only answer.
type Silent struct{}

// Next implements [Dialect].
func (Silent) Next() int64 { return Never }

// Speak implements [Dialect].
func (Silent) Speak(out []byte) []byte { return out }

// Lines gathers lines of bytes that come in pieces: each ends with LF; CRs before it are dropped. A line that is longer than Most
// is dropped whole, with its end, and take is told with overlong.
type Lines struct {
	Most int
	line []byte
	over bool
}

// Hear gives each whole line to take. The line is valid during the call.
func (l *Lines) Hear(in []byte, take func(line []byte, overlong bool)) {
	for _, c := range in {
		switch {
		case c == '\n':
			line := l.line
			for len(line) > 0 && line[len(line)-1] == '\r' {
				line = line[:len(line)-1]
			}
			over := l.over
			l.line, l.over = l.line[:0], false
			if over {
				line = nil
			}
			take(line, over)
		case l.over:
		case len(l.line) >= l.Most:
			l.over = true
		default:
			l.line = append(l.line, c)
		}
	}
}

// Forget drops what is half heard.
func (l *Lines) Forget() { l.line, l.over = l.line[:0], false }
