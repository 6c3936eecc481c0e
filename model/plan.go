package model

// StepKind says what a plan step does to the pack.
type StepKind uint8

// The kinds of plan step.
const (
	Rest StepKind = iota
	Charge
	Discharge
)

// String returns the word that scenario files use for the kind.
func (k StepKind) String() string {
	switch k {
	case Rest:
		return "rest"
	case Charge:
		return "charge"
	case Discharge:
		return "discharge"
	}
	return "unknown"
}

// Step is one step of a plan, with every level resolved to volts of the pack and every rate to amperes.
// Currents are magnitudes [A]; the kind gives the sign.
type Step struct {
	Kind StepKind
	// Load is the wanted current (or power, or resistance) over the time of the step. Unused at rest.
	Load Load
	// Voltage is the limit of a charge [V at the pack's terminals]: current is held until it is reached, then voltage.
	Voltage float64
	// Ends lists what ends the step; the first that happens does.
	Ends Ends
	// Store says that the energy goes to, or comes from, the store of Options.
	Store bool
}

// Load is the shape of a step's current. The zero Load is no current.
type Load struct {
	// Current is the level while the load is on [A, magnitude].
	Current float64
	// Power [W] or Resistance [ohm] replaces Current when it is not zero.
	Power, Resistance float64
	// Period, On and Low describe a switched load: On of every Period [ns] at the level, the rest of it at
	// Low times the level (0 to 1). Period 0 is a steady load. Phase shifts the start [ns].
	Period, On, Phase int64
	Low               float64
	// RippleHz and Ripple add Ripple·sin(2π·RippleHz·t) times the level (for a power or resistance: times its current when the solution was
	// last renewed). 0 is none.
	RippleHz, Ripple float64
	// Inverter, if there is one, gives Power out and takes more from the pack.
	Inverter *Inverter
	// Table replaces all of the above when it is not empty: the current [A, magnitude] holds from each instant until the next.
	Table []LoadPoint
}

// LoadPoint is a row of a load table: from T [ns since the step began] the current is Current [A, magnitude].
type LoadPoint struct {
	T       int64
	Current float64
}

// Ends says what ends a step. A zero field does not end it.
type Ends struct {
	// Time ends the step so many ns after it began.
	Time int64
	// Charge ends it when |charge moved in the step| reaches this [A·s].
	Charge float64
	// Voltage ends it when the terminals have been at or below (discharge) or at or above (charge) this for VoltageFor [V, ns].
	Voltage    float64
	VoltageFor int64
	// Floor ends a discharge at this voltage without delay [V]: the bench's own stop behind the logger's.
	Floor float64
	// Current ends a charge when the current has fallen to this [A] in the constant-voltage phase: the taper.
	Current float64
	// Temperature ends it when the cell reaches this [K].
	Temperature float64
	// Slope ends a charge when the voltage has fallen by so much from its peak [V]: nickel cells.
	Slope float64
	// Logger hands the end to the logger at this level [V]: the step ends when the load (or charger) has been off for Hold [ns].
	Logger float64
	Hold   int64
}

// Reason says what ended a step.
type Reason string

// Why a step ended.
const (
	ByTime        Reason = "time"
	ByCharge      Reason = "charge"
	ByVoltage     Reason = "voltage"
	ByFloor       Reason = "floor"
	ByTaper       Reason = "current"
	ByTemperature Reason = "temperature"
	BySlope       Reason = "slope"
	ByLogger      Reason = "logger"
	ByEmpty       Reason = "empty"      // the pack had no more charge to give
	ByPower       Reason = "power"      // more power was asked than the pack can give
	ByProtection  Reason = "protection" // the protection board opened
	ByStore       Reason = "store"      // the store is full, or has nothing left
	ByStop        Reason = "stop"       // the run was stopped from outside
)

// Plan is a list of steps, run in order.
type Plan []Step
