// Package instrument models a test bench that a client drives over a wire: a source and a load on a battery pack, a meter, and a
// sensor with counts as a logger's front end has. It has no clock of its own: whoever owns it advances it.
//
// Sign: current into the pack is positive. Units: V, A, W, ohm, A·s, W·s; instants int64 ns of simulated time since the beginning. Source and
// load switch without delay and hold their levels exactly (model.Course: constant current until constant voltage for the source;
// constant current, power or resistance for the load); both at once are possible while the load takes a constant current. The meter shows
// the terminals at the instant itself; the sensor adds what its rig does (package rig): one conversion, its noise divided by the root of the
// conversions that a reading averages. A pack that has no more to give trips the load.
package instrument

import (
	"errors"
	"fmt"
	"math"

	"stuntcell/emulator/rig"
	"stuntcell/model"
)

// Pace says what moves the time of a bench.
type Pace uint8

// The paces.
const (
	Real    Pace = iota // the owner's clock, at whatever speed
	Max                 // each reading is one interval after the one before
	Stepped             // the client steps it
)

// Config describes a bench.
type Config struct {
	Pack    *model.Pack
	Plan    model.Plan // runs until a client switches something; empty: the pack rests
	Options model.Options
	Rig     rig.Rig
	Seed    uint64 // of the sensor's noise
	// Interval is the time between readings [ns]; 0: the rig's.
	Interval int64
	Pace     Pace
}

// Mode is what a load holds constant.
type Mode uint8

// The modes of a load.
const (
	Current    Mode = iota // A
	Power                  // W
	Resistance             // ohm
)

// Source holds the knobs of the source.
type Source struct {
	Volts, Amps float64 // it gives Amps until the terminals reach Volts
	On          bool
}

// Load holds the knobs of the load.
type Load struct {
	Mode  Mode
	Level float64 // [A, W or ohm]
	On    bool
}

// Bench is a bench. It is used from one goroutine at a time.
type Bench struct {
	config  Config
	course  *model.Course
	sensor  *rig.Sensor
	counter rig.Counter
	face    rig.Face
	span    model.Span
	stale   bool // something was switched since the span
	planned bool // the plan runs
	source  Source
	load    Load
	tripped bool
	skipped int64 // [ns]
	// Integrals since the beginning or the last Clear [A·s, W·s].
	charge, energy float64
}

// Limits of the knobs.
const (
	MaxVolts = 1000.
	MaxAmps  = 1000.
	MaxWatts = 100e3
	MaxOhms  = 1e6
	MinOhms  = 1e-3
)

const (
	decade = int64(10 * 365 * 86400e9) // [ns]: how long a step lasts that only a client ends
	// Latest is the last instant that a bench goes to [ns]: 100 years.
	Latest = 10 * decade
)

// New returns a bench at instant 0. The error says what of the configuration cannot be.
func New(c Config) (*Bench, error) {
	if c.Pack == nil {
		return nil, errors.New("instrument: no pack")
	}
	if c.Interval == 0 {
		c.Interval = c.Rig.Readings.Interval()
	}
	if c.Interval < 1e3 {
		return nil, fmt.Errorf("instrument: an interval of %d ns: expected 1 us or more", c.Interval)
	}
	plan := c.Plan
	if len(plan) == 0 {
		plan = model.Plan{resting()}
	}
	course, err := model.NewCourse(c.Pack, plan, c.Options)
	if err != nil {
		return nil, fmt.Errorf("instrument: %w", err)
	}
	ambient := c.Options.Ambient
	if ambient == 0 {
		ambient = c.Pack.Cell.Reference
	}
	return &Bench{config: c, course: course, planned: len(c.Plan) > 0, stale: true,
		sensor: rig.NewSensor(c.Rig, ambient, c.Seed), counter: rig.NewCounter(c.Rig.Tick, ambient), face: rig.NewFace(c.Rig.Clock, ambient)}, nil
}

// Restart is a power-up of the device: source and load are off, the counter and the totals are zero. The pack stays as it is, and a plan goes on.
func (b *Bench) Restart() {
	acts := b.source.On || b.load.On
	b.source, b.load, b.tripped = Source{}, Load{}, false
	b.counter.Restart(b.Now())
	b.Clear()
	if acts {
		b.impose()
	}
}

func resting() model.Step { return model.Step{Kind: model.Rest, Ends: model.Ends{Time: decade}} }

// Pack is the pack on the bench.
func (b *Bench) Pack() *model.Pack { return b.config.Pack }

// Rig is the sensor's rig.
func (b *Bench) Rig() *rig.Rig { return &b.config.Rig }

// Pace is what moves the bench's time.
func (b *Bench) Pace() Pace { return b.config.Pace }

// Interval is the time between readings [ns].
func (b *Bench) Interval() int64 { return b.config.Interval }

// Now is the bench's instant [ns].
func (b *Bench) Now() int64 { return b.course.Now() }

// Advance plays the bench to an instant [ns]; one that is past changes nothing.
func (b *Bench) Advance(to int64) {
	to = min(to, Latest)
	for b.course.Now() < to {
		if b.course.Done() {
			b.stepEnded()
			continue
		}
		s := b.course.Next(to)
		if s.T1 <= s.T0 {
			continue
		}
		amps, _, energy := s.Means(s.T0, s.T1)
		b.charge += amps * float64(s.T1-s.T0) * 1e-9
		b.energy += energy
		b.span, b.stale = s, false
	}
}

// stepEnded lets the pack rest after a plan, or after a load that the pack could not feed.
func (b *Bench) stepEnded() {
	ended := b.course.Ended()
	if !b.planned && len(ended) > 0 && ended[len(ended)-1].Why != model.ByTime {
		b.tripped = b.load.On
		b.load.On = false
	}
	if b.planned {
		b.planned = false
		b.source.On, b.load.On = false, false
	}
	b.impose()
}

// impose makes the course do what the knobs say.
func (b *Bench) impose() {
	step, draw := resting(), 0.0
	switch {
	case b.source.On:
		step = model.Step{Kind: model.Charge, Load: model.Load{Current: b.source.Amps}, Voltage: b.source.Volts, Ends: model.Ends{Time: decade}}
		if b.load.On {
			draw = b.load.Level
		}
	case b.load.On && b.load.Level > 0:
		step = model.Step{Kind: model.Discharge, Ends: model.Ends{Time: decade}}
		switch b.load.Mode {
		case Current:
			step.Load.Current = b.load.Level
		case Power:
			step.Load.Power = b.load.Level
		case Resistance:
			step.Load.Resistance = b.load.Level
		}
	}
	b.course.SetDraw(draw)
	if err := b.course.Impose(step); err != nil {
		panic(err) // the knobs are checked when they are turned
	}
	b.stale = true
}

// Source and Load return how the knobs stand.
func (b *Bench) Source() Source { return b.source }

// Load returns how the load's knobs stand.
func (b *Bench) Load() Load { return b.load }

// Tripped says that the load has switched itself off because the pack had no more to give.
func (b *Bench) Tripped() bool { return b.tripped }

// ErrRange says that a knob does not go there, ErrConflict that two settings exclude one another.
var (
	ErrRange    = errors.New("out of range")
	ErrConflict = errors.New("settings conflict")
)

func within(x, low, high float64) bool { return x >= low && x <= high }

// SetSource turns the knobs of the source. While it is on, what is set holds at once.
func (b *Bench) SetSource(s Source) error { return b.Turn(s, b.load) }

// SetLoad turns the knobs of the load. While it is on, what is set holds at once.
func (b *Bench) SetLoad(l Load) error { return b.Turn(b.source, l) }

// Turn turns all knobs at once, or none: [ErrRange] if one does not go there, [ErrConflict] if they exclude one
// another or the source would exceed the voltage that the pack may be charged with.
func (b *Bench) Turn(s Source, l Load) error {
	if !within(s.Volts, 0, MaxVolts) || !within(s.Amps, 0, MaxAmps) {
		return ErrRange
	}
	limits := [...][2]float64{Current: {0, MaxAmps}, Power: {0, MaxWatts}, Resistance: {MinOhms, MaxOhms}}
	if int(l.Mode) >= len(limits) {
		return ErrRange
	}
	if limit := limits[l.Mode]; !within(l.Level, limit[0], limit[1]) && (l.On || l.Level != 0) {
		return ErrRange
	}
	if s.On && (s.Volts == 0 || s.Amps == 0) {
		return ErrRange // a source of nothing would be a short
	}
	if s.On && l.On && l.Mode != Current {
		return ErrConflict
	}
	// Beyond what the pack may be charged with there is no model of it, and a real one is ruined.
	if limit := b.config.Pack.Limits.ChargeVoltage; s.On && limit > 0 && s.Volts > limit*1.02 {
		return ErrConflict
	}
	if s == b.source && l == b.load {
		return nil
	}
	acts := s.On || l.On || b.source.On || b.load.On
	if l.On && !b.load.On {
		b.tripped = false
	}
	b.source, b.load = s, l
	if acts {
		b.planned = false
		b.impose()
	}
	return nil
}

// Ask is what a dialect does before it reads the bench for a client: at [Max] pace time moves on by one interval.
func (b *Bench) Ask() {
	if b.config.Pace == Max {
		b.Advance(b.Now() + b.config.Interval)
	}
}

// Planned says that the plan still runs and nobody has switched anything.
func (b *Bench) Planned() bool { return b.planned }

// HasPlan says that there was a plan to begin with.
func (b *Bench) HasPlan() bool { return len(b.config.Plan) > 0 }

// Step moves the time on by ns at once, up to ten years: at the pace [Stepped] nothing else does; at [Real] the owner's clock goes on from there.
func (b *Bench) Step(ns int64) error {
	if ns < 0 || ns > decade {
		return ErrRange
	}
	if b.config.Pace == Real {
		b.skipped = min(b.skipped+ns, Latest)
	}
	b.Advance(b.Now() + ns)
	return nil
}

// Skipped is by how much the bench is ahead of its owner's clock at the pace [Real], since [Bench.Step] was asked for [ns].
func (b *Bench) Skipped() int64 { return b.skipped }

// State is what the meter shows at the bench's instant.
type State struct {
	T              int64   // [ns]
	Amps, Volts    float64 // of the pack's terminals
	Charge, Energy float64 // since the beginning or the last Clear [A·s, W·s]
	Temperature    float64 // of the cells [K]
	Left           float64 // charge in the pack as a fraction of the whole
	Constant       bool    // the source holds its voltage, not its current
}

// settle plays so little that what was switched shows [ns].
const settle = 1

// Look returns what the meter shows.
func (b *Bench) Look() State {
	if b.stale {
		b.Advance(b.Now() + settle)
	}
	t, s := b.Now(), &b.span
	out := State{T: t, Amps: s.Current(t), Volts: s.Voltage(t), Charge: b.charge, Energy: b.energy, Temperature: s.Temperature(t), Left: s.StateOfCharge(t)}
	out.Constant = b.source.On && math.Abs(out.Volts-b.source.Volts) < 1e-6*b.source.Volts
	return out
}

// Counts is a reading of the sensor.
type Counts struct {
	Tick       uint64
	Shunt, Bus int32
	Clock      int64 // Unix seconds on the clock's face
}

// Count takes a reading of the sensor.
func (b *Bench) Count() Counts {
	s := b.Look()
	shunt, bus := b.sensor.Volts(s.Amps, s.Volts, s.T)
	var c Counts
	c.Shunt, c.Bus = b.sensor.Counts(shunt, bus)
	c.Tick, c.Clock = b.counter.Wrap(b.counter.At(s.T)), b.face.At(s.T)
	return c
}

// Amps is the current that a shunt count stands for by the rig's nominal values [A].
func (b *Bench) Amps(count int32) float64 {
	return float64(count) * b.config.Rig.Front.ShuntStep / b.config.Rig.Shunt.Nominal
}

// Volts is the voltage that a bus count stands for [V].
func (b *Bench) Volts(count int32) float64 { return float64(count) * b.config.Rig.Front.BusStep }

// Clear sets charge and energy to zero.
func (b *Bench) Clear() { b.charge, b.energy = 0, 0 }
