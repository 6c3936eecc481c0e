package model

import (
	"fmt"
	"math"
)

// Span is the waveform over a stretch of true time in which nothing switches. It answers questions about any
// part of [T0, T1] in closed form or by Gauss quadrature. Instants are ns since the plan began. A Span is a value and
// stays valid; spans of one stretch share its solution.
type Span struct {
	T0, T1 int64
	// Step is the index of the executed step (repeats counted), -1 before the first and after the last.
	Step int
	// LoadClosed and ChargeClosed are the contacts during the span.
	LoadClosed, ChargeClosed bool
	*wave
	stop int64 // until when the wave may hold
}

// Current is the current into the pack at t [A].
func (s *Span) Current(t int64) float64 { return s.wave.current(s.seconds(t)) }

// Voltage is the voltage of the terminals at t [V].
func (s *Span) Voltage(t int64) float64 { return s.wave.voltage(s.seconds(t)) }

// Temperature is the temperature of the cells at t [K].
func (s *Span) Temperature(t int64) float64 { return s.heat.at(s.seconds(t), tone{}) }

// StateOfCharge is the charge in the pack at t as a fraction of the whole.
func (s *Span) StateOfCharge(t int64) float64 { return s.z.at(s.seconds(t), s.tone) }

// Charge is the integral of current over [a, b] [A·s].
func (s *Span) Charge(a, b int64) float64 { return s.wave.charge(s.seconds(a), s.seconds(b)) }

// MeanCurrent is the mean current over [a, b], a before b [A].
func (s *Span) MeanCurrent(a, b int64) float64 {
	// Not by the nanoseconds: what seconds since the origin cannot tell apart must cancel.
	from, to := s.seconds(a), s.seconds(b)
	return s.wave.charge(from, to) / (to - from)
}

// Throughput is the integral of |current| over [a, b] [A·s].
func (s *Span) Throughput(a, b int64) float64 { return s.wave.throughput(s.seconds(a), s.seconds(b)) }

// Energy is the integral of voltage times current over [a, b] [W·s].
func (s *Span) Energy(a, b int64) float64 {
	_, e := s.integrals(s.seconds(a), s.seconds(b))
	return e
}

// MeanVoltage is the mean voltage over [a, b] [V]; where b is a it is the voltage at a.
func (s *Span) MeanVoltage(a, b int64) float64 {
	if b <= a {
		return s.Voltage(a)
	}
	from, to := s.seconds(a), s.seconds(b)
	v, _ := s.integrals(from, to)
	return v / (to - from)
}

// Means returns mean current [A] and mean voltage [V] over [a, b], b after a, and the energy [W·s]: what an averaging reading needs, at once.
func (s *Span) Means(a, b int64) (amps, volts, energy float64) {
	from, to := s.seconds(a), s.seconds(b)
	v, e := s.integrals(from, to)
	return s.MeanCurrent(a, b), v / (to - from), e
}

// Options are the conditions of a run. The zero Options are: full and rested, at the pack's reference temperature,
// self-heating as the pack has it.
type Options struct {
	// Start is the charge at the beginning as a fraction of the whole; 0 is full (a pack that starts empty has Empty set).
	Start float64
	Empty bool
	// Ambient is the temperature of the surroundings [K], Cell that of the cells at the beginning; 0 is the reference temperature, or Ambient.
	Ambient, Cell float64
	// Isothermal keeps the cells at their first temperature.
	Isothermal bool
	// Seed draws what differs from cell to cell in a pack with spread; Defects come on top.
	Seed    uint64
	Defects []Defect
	// Store is what steps with Step.Store use.
	Store *Store
	// grow is the factor on all cells' capacity with which a pack with spread meets its rating; 0 is 1.
	grow float64
	// match is what Matched has solved.
	match ratingMatch
	// most bounds a stretch [s], 0: longest. Tests of convergence set it.
	most float64
}

// StepEnd is one executed step.
type StepEnd struct {
	Plan       int   // index into the plan
	Begin, End int64 // [ns]
	Why        Reason
	// Charge [A·s] and Energy [W·s] are signed, Throughput [A·s] is not.
	Charge, Energy, Throughput float64
	// MinV, MaxV and EndV are of the terminals [V], EndI is the last current [A], before anything switched.
	MinV, MaxV, EndV, EndI float64
	// MaxTemperature and MinTemperature are of the cells [K]; BeginV is of the terminals before the step's current flows [V].
	MaxTemperature, MinTemperature, BeginV float64
	// LowestCell is the lowest voltage of any cell [V], in String and Cell (from 1; 0 if all cells are equal); where a protection
	// board opened they are the cell that made it open.
	LowestCell   float64
	String, Cell int
}

// Course runs a plan on a pack. It is single-threaded and deterministic, and what happens does not depend on how often Next is called.
//
//	c, err := NewCourse(pack, plan, Options{})
//	for !c.Done() {
//		span := c.Next(until) // at most to until; shorter if something changes before
//	}
//
// The contacts start as each step wants them; Switch moves them afterwards.
type Course struct {
	pack *Pack
	plan Plan
	opts Options

	now int64
	idx int // step, len(plan) when done
	// units are the cells, string after string; one for all if they are equal. T is their temperature [K].
	units []unit
	T     float64
	bench workbench
	board boardState
	store StoreAccount
	// What the bench may change.
	loadOn, chargeOn, powered bool
	draw, leak, held          float64

	// The stretch being played: wave until stop, then what.
	w       *wave
	stop    int64
	what    event
	playing bool
	renew   bool // what the outside wants has changed at this instant

	step  stepState
	ended []StepEnd
	hint  float64 // length of the next trial stretch [s]
	dead  bool    // an empty pack that something still draws from
}

// stepState is what the running step has seen.
type stepState struct {
	end      StepEnd
	regime   regime  // of a charge
	full     float64 // the charger's current while it is not held back by its voltage [A]
	locked   bool    // the load's inverter has given up, at lockedAt
	lockedAt int64
	fewer    int   // grains by which the store's current was lowered
	cut      int64 // since when the protection board has interrupted it, -1 if it has not
	// below is since when the voltage end's condition holds, -1 if it does not.
	below int64
	peak  float64 // highest voltage of a charge
	// open is the powered time that the logger's contact has been open; openSince is the instant it is counted from, -1 if it is not.
	open, openSince int64
}

// regime is the way a charger holds on.
type regime uint8

const (
	constantCurrent regime = iota
	constantVoltage
	idling // the terminals are above the charger's voltage
)

// NewCourse starts the plan at instant 0. It refuses a step that nothing would end and figures that are no numbers; whether the
// plan harms the pack is for [Pack.CheckPlan] to say.
func NewCourse(pack *Pack, plan Plan, opts Options) (*Course, error) {
	if pack == nil {
		return nil, fmt.Errorf("no pack")
	}
	for i := range plan {
		if err := plan[i].validate(); err != nil {
			return nil, fmt.Errorf("step %d: %w", i+1, err)
		}
	}
	if !(opts.Start >= 0 && opts.Start <= 1) {
		return nil, fmt.Errorf("state of charge is %g (expected 0 to 1)", opts.Start)
	}
	if opts.Start == 0 && !opts.Empty {
		opts.Start = 1
	}
	if opts.most == 0 {
		opts.most = longest
	}
	if opts.Ambient == 0 {
		opts.Ambient = pack.Cell.Reference
	}
	if opts.Cell == 0 {
		opts.Cell = opts.Ambient
	}
	for _, T := range []float64{opts.Ambient, opts.Cell} {
		if !(T >= 200 && T <= 400) {
			return nil, fmt.Errorf("temperature is %g K (expected 200 K to 400 K)", T)
		}
	}
	if opts.Store != nil {
		if err := opts.Store.validate(); err != nil {
			return nil, err
		}
	}
	for i := range plan {
		if plan[i].Store && opts.Store == nil {
			return nil, fmt.Errorf("step %d uses a store, and there is none", i+1)
		}
	}
	for _, d := range opts.Defects {
		if err := d.check(pack); err != nil {
			return nil, err
		}
	}
	if pack.Spread != (Spread{}) {
		var err error
		if opts, err = opts.Matched(pack); err != nil {
			return nil, err
		}
		opts.grow = opts.match.grow
	}
	return newCourse(pack, plan, opts)
}

// newCourse starts a course whose pack, plan and options are known to be good.
func newCourse(pack *Pack, plan Plan, opts Options) (*Course, error) {
	units, err := pack.units(&opts)
	if err != nil {
		return nil, err
	}
	c := &Course{pack: pack, plan: plan, opts: opts, idx: -1, powered: true, units: units, T: opts.Cell}
	c.bench = newWorkbench(pack, len(units))
	c.board = boardState{low: -1, high: -1, over: -1}
	if opts.Store != nil {
		c.store.Start, c.store.Level = opts.Store.Level, opts.Store.Level
	}
	c.beginStep()
	return c, nil
}

// Done reports whether every step has ended.
func (c *Course) Done() bool { return c.idx >= len(c.plan) }

// Now is the instant up to which the course was played [ns].
func (c *Course) Now() int64 { return c.now }

// StepIndex is the index of the step that runs, len(plan) when done.
func (c *Course) StepIndex() int { return c.idx }

// Contacts returns where the contacts stand.
func (c *Course) Contacts() (load, charger bool) { return c.loadOn, c.chargeOn }

// Ended lists the steps that have ended, in order. The slice grows; it must not be changed.
func (c *Course) Ended() []StepEnd { return c.ended }

// StateOfCharge is the charge in the pack now as a fraction of the whole.
func (c *Course) StateOfCharge() float64 {
	if c.playing {
		return c.w.z.at(c.w.seconds(c.now), c.w.tone)
	}
	z := 0.0
	for j := range c.units {
		z += c.units[j].st.z
	}
	return z / float64(len(c.units))
}

// Switch moves the contacts from now on. A step without its contact carries no current.
func (c *Course) Switch(load, charger bool) {
	if load == c.loadOn && charger == c.chargeOn {
		return
	}
	c.cut()
	c.loadOn, c.chargeOn = load, charger
	c.countOpen()
}

// Powered says whether the logger's board has power; time without does not count for a hold.
func (c *Course) Powered(on bool) {
	if on == c.powered {
		return
	}
	c.cut()
	c.powered = on
	c.countOpen()
}

// SetDraw is a constant current that is taken from the pack whatever the contacts do [A, magnitude]: the rig's own draw.
func (c *Course) SetDraw(amps float64) { c.change(&c.draw, amps) }

// SetLeak is a current that an open load contact still passes in a discharge step [A, magnitude].
func (c *Course) SetLeak(amps float64) { c.change(&c.leak, amps) }

// HoldTaper keeps the charger's current from falling below amps in its constant-voltage phase; what the cells do not take flows beside them. 0 ends it.
func (c *Course) HoldTaper(amps float64) { c.change(&c.held, amps) }

func (c *Course) change(x *float64, amps float64) {
	amps = math.Max(0, amps)
	if *x == amps || math.IsNaN(amps) || math.IsInf(amps, 0) {
		return
	}
	c.cut()
	*x = amps
}

// Stop ends the running step and all that follow, from outside.
func (c *Course) Stop() {
	if c.Done() {
		return
	}
	c.cut()
	c.endStep(ByStop)
	c.idx = len(c.plan)
}

// Next plays on, at most to until, and returns the span played. It ends earlier at the next edge of the load, where the charger goes
// over from current to voltage, where a step ends, and where the solution is renewed. When the course is done or until is not
// after Now the span is empty.
func (c *Course) Next(until int64) Span {
	if !c.Done() && !c.playing && until > c.now {
		c.prepare()
	}
	if c.Done() || until <= c.now {
		return Span{T0: c.now, T1: c.now, Step: c.stepOrNone(), wave: c.still(), stop: c.now}
	}
	s := Span{T0: c.now, T1: min(until, c.stop), Step: len(c.ended), LoadClosed: c.loadOn, ChargeClosed: c.chargeOn, wave: c.w, stop: c.stop}
	c.now = s.T1
	if c.now == c.stop {
		c.finish()
	}
	return s
}

// still is a wave of a pack at rest, for questions about an instant outside of any span.
func (c *Course) still() *wave {
	if c.playing {
		return c.w
	}
	c.respond()
	i, _, _ := c.settle(law{})
	clear(c.bench.s0)
	w := c.line(law{}, i, 0)
	return &w
}

func (c *Course) stepOrNone() int {
	if c.Done() {
		return -1
	}
	return len(c.ended)
}
