// Package rig models everything between battery and logger: shunt, front end, wiring, relay, tick counter, clock, card.
//
// Units are SI (V, A, ohm, s) unless a field says otherwise; instants are int64 ns of true time since the plan began.
// Current into the battery is positive.
//
// Shunt and bus, for a pack current i and terminal voltage v ([Sensor]):
//
//	i_s   = (i + draw, unless the draw passes the shunt) · (1 - bypass)
//	R     = nominal · (1 + error) · (1 + tempco · (T - 25 degC + rise · i_s² · nominal))
//	shunt = clip((i_s · R + offset + drift · t) · (1 + gain))
//	bus   = clip((v + i · lead [+ i_s · R behind the shunt] + offset) · (1 + gain))
//
// One reading is the mean of N such conversions, Spacing apart, the last at the tick's instant; noise of one conversion is
// normal, independent, so that of the mean is sigma/sqrt(N); the mean is rounded to the nearest count. Conversions are points in
// time, so a ripple of k/Spacing looks like a steady current: aliasing is real. Counter: start + floor(t · Hz · (1 + ppm)) modulo
// 2^bits. Clock: floor of start + t · (1 + ppm). Both errors add k · (T - T0)² of a tuning-fork crystal if the rig gives k.
// Not modelled: quantisation of single conversions, correlation of noise, settling of the input filter, the front end's
// temperature coefficients (beyond a drift in time), thermal voltages (an offset), hysteresis of the relay.
package rig

// Rig is a test rig. The zero value of an error term is "none".
type Rig struct {
	Name, Summary string
	Shunt         Shunt
	Front         FrontEnd
	Tick          Tick
	Clock         Clock
	Readings      Readings
	Relay         Relay
	Wiring        Wiring
	Tolerance     Tolerance
	// Channels is 1 to 4. Channel n sees 1/n of the pack's current through a shunt of its own, and the same bus, with noise of its own.
	Channels int
}

// Shunt is the current shunt.
type Shunt struct {
	Nominal   float64 // what the firmware is told [ohm]
	RatedAmps float64 // [A]
	Error     float64 // true value over nominal, less 1
	TempCo    float64 // relative change of resistance per K
	Rise      float64 // temperature rise [K/W]
	Low       bool    // in the negative lead (low side); else high side
}

// FrontEnd is the converter: counts of shunt and bus voltage.
type FrontEnd struct {
	ShuntStep, BusStep     float64 // [V] of one count
	ShuntMax, BusMax       int32   // last count before saturation; shunt is symmetric, bus starts at 0
	ShuntGain, BusGain     float64 // relative gain error (0 is none)
	ShuntOffset, BusOffset float64 // [V]
	ShuntNoise, BusNoise   float64 // rms of one conversion [V]
	DriftPerDay            float64 // offset drift of the shunt channel [V/day]
	Conversions            int     // averaged for one reading
	Spacing                int64   // between conversions [ns]; the window is Conversions·Spacing
	Damage                 float64 // bus voltage that damages it [V], 0 unknown
}

// Tick is the free-running counter.
type Tick struct {
	Bits  int
	Hz    int64
	Start int64   // count at the plan's begin; negative is so many counts before the wrap
	PPM   float64 // rate error
	// Parabola and Turnover describe the crystal's temperature: Parabola·(T - Turnover)² is added to PPM [ppm/K², K].
	// Published k run from -0.030 to -0.042 ppm/K² about 25 degC. Parabola 0: none.
	Parabola, Turnover float64
}

// Clock is the real-time clock.
type Clock struct {
	Absent bool
	Start  int64   // Unix seconds on its face at the plan's begin
	Frac   float64 // fraction of a second already gone at the beginning, 0 to 1
	PPM    float64
	// Parabola and Turnover are as those of the Tick.
	Parabola, Turnover float64
	// BuildTime is not 0 if firmware sets the clock to this second at each start; Lost says that it restarts at Start after a power cut.
	BuildTime int64
	Lost      bool
}

// Readings says when readings come.
type Readings struct {
	Nominal int64 // what read_ms says [ns]
	Every   int64 // what it is [ns]; 0: as Nominal
	Jitter  int64 // uniform ± [ns]
	// Temperature adds the cells' temperature as temp_mdeg, Aux that of the surroundings as aux1 (also thousandths of a degree C),
	// Contacts adds load= and charge= as the contacts really stand.
	Temperature, Aux, Contacts bool
}

// Relay is the contact that the logger switches.
type Relay struct {
	Delay int64 // from command to contact [ns]
}

// Wiring is where the taps are and what else draws.
type Wiring struct {
	BusBehindShunt   bool    // bus_at 1
	Lead             float64 // resistance between pack and bus tap in the current's path [ohm]
	Draw             float64 // the rig's own draw from the pack [A]
	DrawThroughShunt bool
	Bypass           float64 // share of the current that goes around a low-side shunt, 0 to 1
	OnPack           bool    // the board is fed by the tested pack
	Dropout          float64 // ... and stops below this voltage [V]
}
