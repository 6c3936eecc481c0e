package emulator

import (
	"stuntcell/emulator/rig"
	"stuntcell/model"
)

// Setup is what a run needs: everything but the logger. Scenarios make it; Run plays it.
type Setup struct {
	Pack     *model.Pack
	Plan     model.Plan
	Options  model.Options // conditions of the pack: ambient, charge at the beginning
	Rig      rig.Rig
	Settings Settings
	Faults   []Fault
	Seed     uint64
	// Varies names greeting keys (log_ms, tick_bits ...) that the scenario exists to vary: a logger that has one built in
	// (`mine`) at another value skips it.
	Varies []string
}

// ambient is the temperature of the surroundings [K].
func (s *Setup) ambient() float64 {
	if s.Options.Ambient == 0 {
		return s.Pack.Cell.Reference
	}
	return s.Options.Ambient
}

// Readings is about how many readings the plan takes, so that work can be parted evenly before anything runs: each step its time, or
// what the rated charge lasts. It is the same on every machine.
func (s *Setup) Readings() int64 {
	seconds := 0.0
	for i := range s.Plan {
		step := &s.Plan[i]
		took := float64(step.Ends.Time) * 1e-9
		if step.Kind != model.Rest {
			if all := lasts(s.Pack, &step.Load); took <= 0 || all < took {
				took = all
			}
		}
		seconds += took
	}
	return int64(min(seconds*1e9/float64(s.Rig.Readings.Interval()), 1<<40)) + 1
}

// lasts is how long the rated charge of a pack lasts at a load's mean current, 1000 times the rating's hours at most [s].
func lasts(pack *model.Pack, l *model.Load) float64 {
	amps := l.Current
	switch {
	case len(l.Table) > 0:
		amps = pack.Rated.Current()
	case l.Power > 0:
		amps = l.Power / pack.Nominal()
	case l.Resistance > 0:
		amps = pack.Nominal() / l.Resistance
	}
	if l.Period > 0 {
		on := float64(l.On) / float64(l.Period)
		amps *= on + float64((1-on)*l.Low) // not fused, which would differ between machines
	}
	return pack.Rated.Charge / max(amps, pack.Rated.Charge/3600/1000)
}

// Settings are what the user of the rig has set, told in the greeting.
type Settings struct {
	Log         int64   // time between rows [ns]
	Cutoff      float64 // [V at the pack], 0 if no step hands the end over
	CutoffHold  int64   // [ns]
	ChargeEnd   float64 // [V at the pack]
	ChargeTaper float64 // [A]
	Zone        int64   // minutes east of UTC
	ZoneName    string  // IANA name for the child's TZ; empty: the fixed zone above
}

// FaultKind names a fault.
type FaultKind string

// Faults of the bench. At and For are in the Fault.
const (
	FaultPowerCut   FaultKind = "power-cut"   // power off at At for For; Torn
	FaultCardFail   FaultKind = "card-fail"   // writes fail from At for For
	FaultCardFull   FaultKind = "card-full"   // writes fail from At on
	FaultStall      FaultKind = "stall"       // no reading from At for For
	FaultFailedRead FaultKind = "failed-read" // readings, or the half Only of them, fail from At for For
	FaultSetting    FaultKind = "setting"     // Key=Value at At
	FaultClockSet   FaultKind = "clock-set"   // the face moves by Value seconds at At
	FaultRelayWeld  FaultKind = "relay-weld"  // the load's contact no longer opens from At on
	FaultRelayLeak  FaultKind = "relay-leak"  // an open contact passes Value2 [A] one way from At on
	FaultTaperHeld  FaultKind = "taper-held"  // charge current does not fall below Value2 [A]
)

// Half is what of a reading fails where shunt and bus have converters of their own.
type Half string

// Halves of a reading.
const (
	Both  Half = "" // the sensor does not answer at all
	Shunt Half = "shunt"
	Bus   Half = "bus"
)

// Fault is one thing that goes wrong, at an instant of true time since the plan began.
type Fault struct {
	Kind   FaultKind
	At     int64 // [ns]
	For    int64 // [ns]
	Torn   bool
	Only   Half // of a reading that fails
	Key    string
	Value  int64
	Value2 float64
}
