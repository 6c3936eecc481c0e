// Package scenarios holds what to run: the scenario files, their parser, the embedded library, the project file and the
// schemas of both.
//
// A scenario is a pack, a plan, the conditions of the rig, faults and expectations. It is written so that it fits any
// pack: currents as C-rates of the pack's rated capacity, voltages as words that the pack resolves for its chemistry and
// the step's rate. [Parse] resolves both, runs the plan once in simulation (package rehearsal) and refuses what would
// harm the pack, what nothing would end and what a logger could not be judged on.
//
// Units: amperes, volts, A·s, W·s, kelvin in float64; instants and durations int64 ns since the plan began. Current into the
// pack is positive everywhere; the magnitudes of plan steps carry their sign by the kind of the step.
package scenarios

import (
	"stuntcell/emulator"
	"stuntcell/emulator/rig"
	"stuntcell/emulator/wire"
	"stuntcell/model"
)

// Scenario is one scenario, ready to run.
type Scenario struct {
	// Name identifies it: small letters, digits and hyphens.
	Name string
	// Summary says in one line what happens.
	Summary string
	// Purpose says why it exists and what a careless judge, or a careless logger, would get wrong.
	Purpose string
	// Setup is everything that a run needs but the logger.
	Setup emulator.Setup
	// Expect holds the limits that the scenario sets itself.
	Expect Expect
	// Shows names the causes that it exists to show.
	Shows []string
	// Wire is what the line does to the bytes of a device that is emulated from it. A proof's own link is good.
	Wire wire.Faults
	// File is where it came from, as it was given to Parse.
	File string
	// Source is the text of the file.
	Source []byte
	// PackNamed and RigNamed say that the file names its own, so that a project's defaults do not replace it.
	PackNamed, RigNamed bool
}

// Expect holds the limits of a verdict that a scenario or a project file sets. A zero field leaves the default of the
// rules of judging in force.
type Expect struct {
	Charge   float64 // firmware part of the charge over the throughput, as a ratio
	Energy   float64 // the same of the energy
	Elapsed  float64 // printed elapsed time or tick against the timebase, as a ratio
	Interval float64 // rows written over rows due, as a ratio
	Clock    int64   // printed date and time against the clock's face [ns]
	Cutoff   float64 // charge drawn after the stop was due over that of the step, as a ratio
	// Total judges the whole rig: logged charge and energy against truth, as a ratio. Zero: not judged.
	Total float64
	// Standard names a standard's accuracy class, which binds front end, clock and firmware together. Empty: none.
	Standard Standard
	// Pulses says that pulses or noise around the cutoff level are what the scenario is about, so that a stop before the
	// hold has passed counts as too early.
	Pulses bool
}

// Standard names the accuracy clauses of a standard.
type Standard string

// The standards that `expect` knows.
const (
	NoStandard Standard = ""
	IEC62660   Standard = "iec-62660-2"
	IEC60896   Standard = "iec-60896"
)

// Standards lists the names that `expect` knows.
func Standards() []Standard { return []Standard{IEC62660, IEC60896} }

// Accuracy is what a standard asks of the measuring equipment, as ratios.
type Accuracy struct {
	Voltage, Current, Time float64
	Clause                 string
	Source                 string
}

// Charge is the limit that follows for a charge, the sum of those of current and time: the two are independent
// instruments and the standard gives each as a bound, not as a deviation to be added in squares.
func (a Accuracy) Charge() float64 { return a.Current + a.Time }

// Energy is the limit that follows for an energy.
func (a Accuracy) Energy() float64 { return a.Voltage + a.Current + a.Time }

// Accuracy returns what the standard asks and whether the name is one of [Standards].
//
// IEC 62660-2, 4.3: voltage 0.1 %, current 1 %, time 0.1 % (read in the identical national edition of 2014).
// IEC 60896-2-1:2002, 3.1 (draft of 60896-21): instruments of class 0.5 for voltage and current, time 0.1 %.
func (s Standard) Accuracy() (Accuracy, bool) {
	switch s {
	case IEC62660:
		return Accuracy{Voltage: 0.001, Current: 0.01, Time: 0.001, Clause: "4.3",
			Source: "IEC 62660-2, identical national edition of 2014"}, true
	case IEC60896:
		return Accuracy{Voltage: 0.005, Current: 0.005, Time: 0.001, Clause: "3.1",
			Source: "IEC 60896-2-1:2002, draft of IEC 60896-21, class 0.5 taken of the reading"}, true
	}
	return Accuracy{}, false
}

// Env is what a scenario file leans on without writing it out.
type Env struct {
	// Pack and Rig are the defaults for a scenario that names none. nil: agm-12v-7ah and shop-50a.
	Pack *model.Pack
	Rig  *rig.Rig
	// Instead replaces what the files say themselves.
	Instead Instead
	// Limits are those of a project, for what a scenario does not expect itself.
	Limits Expect
	// Open returns the bytes of a file that is named relative to the file being read. nil: files cannot be named.
	Open func(name string) ([]byte, error)
}

// Instead is what someone wants to have otherwise than a file says, such as on a command line. Zero fields leave the file's word.
type Instead struct {
	Pack *model.Pack
	Rig  *rig.Rig
	// Health is the share of its capacity that age has left the pack; its resistances are grown to match ([model.Pack.Aged]).
	Health float64
	// Ambient is the temperature of the surroundings [K].
	Ambient float64
	// Rate is the current of every discharge, in multiples of the rated capacity an hour, and of the loads that the plan makes of such a
	// current. A table of currents, a power and a resistance stay as they are.
	Rate float64
}
