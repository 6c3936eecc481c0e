package emulator

import (
	"reflect"
	"slices"

	"stuntcell/emulator/link"
	"stuntcell/model"
)

// Record is all that happened in one run: what the judge sees. Instants are ns of true time since the plan began.
type Record struct {
	Greeting link.Greeting    // as sent, after `mine` was adopted
	Mine     map[string]int64 // what the logger said it has built in
	Cannot   map[string]bool
	Can      map[string]bool
	Readings Readings
	Rows     []Row
	Events   []Event // in order of time
	Steps    []StepRun
	Outcome  Outcome
	// Skipped is not empty if the scenario was not run because it varies what the logger has built in; it names it.
	Skipped string
	// Complete says that every step of the plan ran to its end.
	Complete bool
	// Stream says that rows came without answers (plain stream, log file): they match by their time column only.
	Stream bool
}

// Equal says that two records hold the same: whoever looks at them alone sees no difference.
func (r *Record) Equal(o *Record) bool {
	a, b := *r, *o
	a.Readings, b.Readings = Readings{}, Readings{}
	return slices.Equal(a.Rows, b.Rows) && r.Readings.equal(&o.Readings) && reflect.DeepEqual(a, b)
}

// equal compares column by column, which a general comparison takes long for.
func (r *Readings) equal(o *Readings) bool {
	return slices.Equal(r.T, o.T) && slices.Equal(r.Tick, o.Tick) && slices.Equal(r.Shunt, o.Shunt) && slices.Equal(r.Bus, o.Bus) &&
		slices.Equal(r.Clock, o.Clock) && slices.Equal(r.MeanI, o.MeanI) && slices.Equal(r.MeanV, o.MeanV) && slices.Equal(r.Charge, o.Charge) &&
		slices.Equal(r.Energy, o.Energy) && slices.Equal(r.Throughput, o.Throughput) && slices.Equal(r.Step, o.Step) && slices.Equal(r.Life, o.Life) &&
		slices.Equal(r.Flags, o.Flags) && slices.Equal(r.ClockRate, o.ClockRate) && slices.Equal(r.Temp, o.Temp) && slices.Equal(r.Aux, o.Aux) &&
		slices.EqualFunc(r.More, o.More, func(a, b []Counts) bool { return slices.Equal(a, b) })
}

// Readings holds the readings of a run by column; all slices have one length. Truth is the pack's own.
type Readings struct {
	T          []int64   // end of the averaging window, true time [ns]
	Tick       []int64   // counter as if it never wrapped, start value included, restarts at 0 after a power cut
	Shunt, Bus []int32   // counts as sent, or link.Failed
	Clock      []int64   // face as sent, or link.NoClock
	MeanI      []float64 // true mean current of the pack over the window [A]
	MeanV      []float64 // true mean voltage of the pack's terminals over the window [V]
	Charge     []float64 // true integral of i since T[0] [A·s]
	Energy     []float64 // true integral of v·i since T[0] [W·s]
	Throughput []float64 // true integral of |i| since T[0] [A·s]
	Step       []int16   // index into Record.Steps
	Life       []int16   // counts power-ups: 0 until the first power cut
	Flags      []Flag
	// ClockRate is the clock's rate only: nominal seconds of a face that is continuous, never set, not cut to seconds [s].
	ClockRate []float64
	Temp      []int32    // thousandths of a degree C, empty if the rig has none
	Aux       []int32    // thousandths of a degree C of the surroundings, empty if the rig has none
	More      [][]Counts // further channels, by channel then reading; empty if there is one
}

// truncate leaves the first n readings.
func (r *Readings) truncate(n int) {
	r.T, r.Tick, r.Shunt, r.Bus, r.Clock = r.T[:n], r.Tick[:n], r.Shunt[:n], r.Bus[:n], r.Clock[:n]
	r.MeanI, r.MeanV, r.Charge, r.Energy, r.Throughput = r.MeanI[:n], r.MeanV[:n], r.Charge[:n], r.Energy[:n], r.Throughput[:n]
	r.Step, r.Life, r.Flags, r.ClockRate = r.Step[:n], r.Life[:n], r.Flags[:n], r.ClockRate[:n]
	r.Temp, r.Aux = r.Temp[:min(n, len(r.Temp))], r.Aux[:min(n, len(r.Aux))]
	for i := range r.More {
		r.More[i] = r.More[i][:n]
	}
}

// room makes room for one more reading in all columns at once: for as many as are expected, within reason, then by doubling. A long run is
// then copied once, not five times.
func (r *Readings) room(expected int) {
	if n := len(r.T); n == cap(r.T) {
		r.grow(max(n, 1024, min(expected-n, 8<<20)))
	}
}

// grow makes room for so many more readings.
func (r *Readings) grow(more int) {
	r.T, r.Tick, r.Shunt, r.Bus, r.Clock = slices.Grow(r.T, more), slices.Grow(r.Tick, more), slices.Grow(r.Shunt, more), slices.Grow(r.Bus, more), slices.Grow(r.Clock, more)
	r.MeanI, r.MeanV, r.Charge, r.Energy = slices.Grow(r.MeanI, more), slices.Grow(r.MeanV, more), slices.Grow(r.Charge, more), slices.Grow(r.Energy, more)
	r.Throughput, r.ClockRate = slices.Grow(r.Throughput, more), slices.Grow(r.ClockRate, more)
	r.Step, r.Life, r.Flags = slices.Grow(r.Step, more), slices.Grow(r.Life, more), slices.Grow(r.Flags, more)
}

// Counts is one further channel's reading.
type Counts struct{ Shunt, Bus int32 }

// Flag marks what was so at a reading.
type Flag uint8

// Flags of a reading.
const (
	LoadClosed   Flag = 1 << iota // the load's contact, as it really was
	ChargeClosed                  // the charger's contact
	CardFails                     // the reading said card=fail
	Stalled                       // the time since the reading before is a fault's stall
)

// Row is a line that the logger wrote.
type Row struct {
	Text  string
	After int   // index of the reading that was being answered; -1 the greeting; len(Readings.T) the end
	Life  int16 // power-ups before it
	File  string
}

// EventKind names what happened.
type EventKind string

// Events. Said* are the logger's words; the others are the bench's.
const (
	StepBegins  EventKind = "step-begins" // Value: index into Steps
	StepEnds    EventKind = "step-ends"   // Value: index; Text: reason
	SaidLoad    EventKind = "said-load"   // Value: 1 on, 0 off
	SaidCharge  EventKind = "said-charge"
	LoadMoves   EventKind = "load-moves" // the contact itself; Value: 1 closed, 0 open
	ChargeMoves EventKind = "charge-moves"
	SaidFile    EventKind = "said-file"  // Text: name
	SaidClock   EventKind = "said-clock" // Value: Unix seconds
	SaidText    EventKind = "said"       // Text
	Setting     EventKind = "set"        // Text: key; Value
	ClockIsSet  EventKind = "clock-set"  // by the bench. Value: the face's change in seconds
	PowerFails  EventKind = "power-fails"
	PowerBack   EventKind = "power-back"
	CardBegins  EventKind = "card-fails"
	CardBack    EventKind = "card-back"
	StallBegins EventKind = "stall" // Value: length [ns]
	SensorFails EventKind = "reading-fails"
	SensorBack  EventKind = "reading-back"
	Damaged     EventKind = "front-end-damaged" // Value: bus voltage [mV]; no reading is good from then on
	RelayWelds  EventKind = "relay-welds"
	RelayLeaks  EventKind = "relay-leaks"
	TaperHeld   EventKind = "taper-held"
)

// Event is something that happened at an instant.
type Event struct {
	T       int64 // [ns]
	Reading int   // index of the first reading at or after T (the one being answered for Said*); len if none
	Kind    EventKind
	Value   int64
	Text    string
}

// said says that it is the logger's word.
func (e Event) said() bool {
	switch e.Kind {
	case SaidLoad, SaidCharge, SaidFile, SaidClock, SaidText:
		return true
	}
	return false
}

// StepRun is one executed step of the plan.
type StepRun struct {
	Plan           int // index into the plan as written (repeats share it)
	Step           model.Step
	Begin, End     int64 // [ns]
	Why            model.Reason
	First, Last    int     // readings of the step; Last < First if there were none
	Charge, Energy float64 // [A·s], [W·s], signed
	Throughput     float64 // [A·s]
	MinV, MaxV     float64 // [V]
	EndV           float64
	EndI           float64
}

// Outcome is how the logger fared as a process.
type Outcome struct {
	Failure *link.Failure // nil: well
	Reading int           // index of the reading that it did not answer
	Greeted bool          // it answered at least one greeting
	// LoadClosed and ChargeClosed say how the contacts stood when it failed: what a dead logger leaves running.
	LoadClosed, ChargeClosed bool
}
