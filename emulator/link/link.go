// Package link carries readings to a logger and what it says back: version 1 of the bench link (LINK.md of the design).
//
// A [Link] is the bench's side of one logger: [InProcess] for loggers written in Go, [Child] for a process on its standard input and
// output, [Board] for what is at the other end of a serial port, a pseudo-terminal or a TCP connection, [Wasm] for a module in a sandbox. All pass
// one conformance suite (package linktest), and the words on the wire are fixed by transcripts (testdata/transcripts). [Plain] runs
// a program that speaks no link. What a link bypasses is the driver code: register layout, sign extension, ranges, bus errors.
//
// Currents into the battery are positive in everything that the bench sends (signed counts).
package link

import (
	"context"
	"fmt"
)

// Greeting is what a logger is told at power-up: every key of the greeting line, all integers.
type Greeting struct {
	TickBits      int64 // tick_bits: width of the counter
	TickHz        int64 // tick_hz: its nominal rate
	ShuntNohm     int64 // shunt_nohm: shunt value that firmware should use [nanoohm]
	ShuntStepNV   int64 // shunt_step_nv: volts of one shunt count [nV]
	BusStepUV     int64 // bus_step_uv: volts of one bus count [uV]
	ShuntMax      int64 // shunt_max: last shunt count before saturation
	BusMax        int64 // bus_max: last bus count before saturation
	BusAt         int64 // bus_at: 0 pack terminals, 1 behind the shunt
	Channels      int64 // channels: 1 to 4
	ReadMS        int64 // read_ms: nominal time between readings
	LogMS         int64 // log_ms: time between rows
	CutoffMV      int64 // cutoff_mv: stop the load below this; 0 if the plan hands over no cutoff
	CutoffHoldMS  int64 // cutoff_hold_ms: ... when the bus has been below for so long
	ChargeEndMV   int64 // charge_end_mv: stop the charger ...
	ChargeTaperMA int64 // charge_taper_ma: ... when the current has fallen to this
	ZoneMin       int64 // zone_min: minutes east of UTC of the user's wall clock
}

// Failed is the count of a reading that failed ("-" on the wire).
const Failed = -1 << 31

// NoClock is the face of a clock that is not there ("-" on the wire).
const NoClock = -1 << 63

// Contact is the state of a switched contact as a reading reports it.
type Contact uint8

// Contact states.
const (
	Unsaid Contact = iota // the reading does not say
	Off
	On
)

// Reading is what the rig hands to the logger at one instant.
type Reading struct {
	Tick   uint64    // already wrapped at TickBits
	Shunt  int32     // signed counts after averaging, or Failed
	Bus    int32     // counts after averaging, or Failed
	Clock  int64     // Unix seconds on the clock's face, or NoClock
	More   []Channel // channels 2 to 4
	Temp   int32     // thousandths of a degree C, valid if HasTemp
	Aux1   int32     // valid if HasAux1
	Load   Contact   // contact as it really is
	Charge Contact
	// CardFail says that the next write would fail.
	CardFail         bool
	HasTemp, HasAux1 bool
}

// Channel is a further channel's counts.
type Channel struct{ Shunt, Bus int32 }

// Kind says what a Message is.
type Kind uint8

// Message kinds.
const (
	Greet Kind = iota
	Read
	Set
	End
)

// Message is one line from bench to logger. Only the field of its kind is used.
type Message struct {
	Kind     Kind
	Greeting Greeting
	Reading  Reading
	Key      string // Set
	Value    int64  // Set
}

// Word is the first word of something a logger says.
type Word uint8

// The words of a logger.
const (
	Row Word = iota
	LoadOn
	LoadOff
	ChargeOn
	ChargeOff
	File
	Clock
	Say
	Mine
	Cannot
	Can
)

// Said is one thing that a logger said before its ok.
type Said struct {
	Word  Word
	Text  string // Row, File, Say; the name after Cannot and Can; the key of Mine
	Value int64  // Clock: Unix seconds; Mine: the value
}

// Answer is all that a logger said to one message, in order.
type Answer struct {
	Said []Said
}

// Reset empties the answer, keeping its storage.
func (a *Answer) Reset() { a.Said = a.Said[:0] }

// Row writes a line of the log.
func (a *Answer) Row(text string) { a.Said = append(a.Said, Said{Word: Row, Text: text}) }

// Do says a word that carries nothing more (LoadOn, LoadOff, ChargeOn, ChargeOff).
func (a *Answer) Do(w Word) { a.Said = append(a.Said, Said{Word: w}) }

// Tell says a word with text (File, Say, Cannot, Can).
func (a *Answer) Tell(w Word, text string) { a.Said = append(a.Said, Said{Word: w, Text: text}) }

// State says a word with a value (Clock; Mine with its key).
func (a *Answer) State(w Word, key string, value int64) {
	a.Said = append(a.Said, Said{Word: w, Text: key, Value: value})
}

// FailureKind says how a logger failed as a process. A failed logger is a result, not an error of ours.
type FailureKind string

// Kinds of failure.
const (
	Hang    FailureKind = "hang"           // no answer within the time-out
	Crash   FailureKind = "crash"          // the process ended, or closed its output, before it was told to
	Garbled FailureKind = "garbled-output" // a line that is no link word, or too long
	Loop    FailureKind = "restart-loop"   // the board starts, drops out and starts again without end
)

// Failure is how a logger stopped being one. It is returned as an error by Receive and ends the run.
type Failure struct {
	Kind   FailureKind
	Line   string // Garbled: the line, cut to 200 bytes, made printable
	Detail string // exit status or signal, last lines of standard error
	Hint   string // what to try
}

func (f *Failure) Error() string {
	s := string(f.Kind)
	if f.Line != "" {
		s += fmt.Sprintf(": %q", f.Line)
	}
	if f.Detail != "" {
		s += ": " + f.Detail
	}
	return s
}

// Link is the bench's side of one logger. It is used from one goroutine.
//
// Each Send is answered by exactly one Receive, in order; up to Ahead messages may be sent before the first is received.
// An error that is a *Failure is the logger's; any other error is ours. After a failure only Cut and Close may be called.
type Link interface {
	// Start powers the logger: a new process, a new instance. It is called once before the first Send and again after each Cut.
	Start(ctx context.Context) error
	// Send queues a message. The link may hold it back until Receive.
	Send(m *Message) error
	// Receive returns the answer to the oldest message that has none. The answer is valid until the next Receive.
	Receive(ctx context.Context) (*Answer, error)
	// Ahead is how many messages may be unanswered at once; 1 means lock step.
	Ahead() int
	// Cut takes the power away without notice; what was sent and not received is lost, torn says that the last file written
	// loses up to its final 512 bytes too. Files stay.
	Cut(torn bool) error
	// Close ends the logger after End was answered, or at any other time. It returns a *Failure if the process did not exit 0
	// after it answered End, nil if all is well. It leaves no process behind.
	Close() error
}

// Logger is a logger in this process: the Go form of the link. Each method fills in the answer; `ok` is implied.
type Logger interface {
	Greet(g *Greeting, a *Answer)
	Read(r *Reading, a *Answer)
	Set(key string, value int64, a *Answer)
	End(a *Answer)
}

// Failing is an optional part of a [Logger] in this process: after each call its link asks whether the logger has stopped
// being one, as a process would by hanging, dying or printing garbage. Nil: it is well. (A panic is a crash without it.)
type Failing interface {
	Failure() *Failure
}

// Store is the byte store that stands for a logger's files in this process and survives a power cut.
type Store interface {
	// Load returns the bytes kept under name, nil if there are none.
	Load(name string) []byte
	// Save replaces the bytes kept under name.
	Save(name string, b []byte)
}
