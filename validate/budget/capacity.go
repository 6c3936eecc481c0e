package budget

import (
	"fmt"
	"math"

	"stuntcell/emulator/rig"
)

// The measurement model of a capacity figure. Magnitudes throughout: a discharge is counted positive here.
//
//	g  = (1 + shunt)·(1 + tempco·rise·I²R + ambient + warming)·(1 + gain) what the channel shows for 1 A of truth
//	z  = (offset + drift·T/2 + thermal)/R                              what it shows for nothing [A]
//
// ambient and warming are the coefficient times what its surroundings, and its rise, may differ from what they are taken for. Neither factor is known
// but that it lies about zero, so that no first derivative sees their product; the product is the input, with the product of both uncertainties
// (JCGM 100, 5.1.2, note: the term of higher order).
//
// A calibration puts the meter's part of the gain in the place of the shunt's label, and the scatter of its pairs in that of gain and offset,
// which are then correlated; the meter's part of the offset is an input of its own. The same for voltage.
//
//	Q  = (Qlog + sampling + counts + noise - z·T)/g/(1 + tick)         through the shunt [A·s]
//	Q  = Q/(1 - bypass) + draw·T                                       from the pack
//	V  = Vlog/(1 + bus gain) - bus offset + I·lead + I·R if behind     at the pack [V]; E = Q·V
//	dV = Vend/(1 + bus gain) - bus offset - step + I·lead ... - Vend   how far above the level it really stopped
//	Q  = Q + I·dV/|dV/dt| - I·late                                     as if stopped at the level
//	Q  = Q·(1 + start)/(1 + lambda·(theta - ref))·(I/Iref)^(k-1)·(1 + repeat)
//
// E follows Q in the last two lines (with the end voltage in the first of them); that the mean voltage itself depends on rate and temperature is left out.
// V uses the mean current, which holds for a steady load; with pulses the mean of V·I differs, see audit.

// Limit is the half-width of what a quantity may be off by, and where that comes from.
type Limit struct {
	Half float64
	From string
	// Assumed says that nobody stated it.
	Assumed bool
}

// Limits are the limits of a rig and of a test. Relative where no unit is given.
type Limits struct {
	Shunt     Limit // shunt against its nominal value
	TempCo    Limit // its temperature coefficient [1/K]
	Ambient   Limit // its surroundings against the temperature of its calibration [K]
	Rise      Limit // its rise beside the rig's [K/W]
	Gain      Limit // shunt channel
	Offset    Limit // shunt channel [V]
	Drift     Limit // shunt channel [V/s]
	Thermal   Limit // thermal voltages at the shunt's joints [V]
	BusGain   Limit
	BusOffset Limit // [V]
	Tick      Limit // rate of the counter that times the sums
	Lead      Limit // resistance between pack and voltage tap beside the rig's [ohm]
	Draw      Limit // the rig's own draw beside the rig's [A]
	Bypass    Limit // share of the current around the shunt beside the rig's
	Start     Limit // charge at the start, share of full
	Cell      Limit // cell temperature [K]
	Lambda    Limit // temperature coefficient of capacity [1/K]
	Exponent  Limit // rate exponent k
	// Repeat is the standard deviation of one run among equal ones (not a half-width), from Runs of them (0: judged, not measured).
	Repeat Limit
	Runs   int
	// Reference is the correlation of Gain and BusGain, 0 to 1: both hang on one voltage reference.
	Reference float64
}

// Assume returns limits of common practice for a home-made rig of ordinary parts, each marked as assumed.
func Assume() Limits {
	a := func(half float64, what string) Limit {
		return Limit{Half: half, From: what + " (assumed: common practice)", Assumed: true}
	}
	return Limits{
		Shunt:     a(0.005, "0.5 % shunt"),
		TempCo:    a(50e-6, "50 ppm/K"),
		Ambient:   a(10, "10 K about calibration"),
		Rise:      a(5, "5 K/W"),
		Gain:      a(0.002, "0.2 % of reading"),
		Offset:    a(10e-6, "10 uV"),
		Drift:     a(5e-6/86400, "5 uV a day"),
		Thermal:   a(3e-6, "3 uV at the joints"),
		BusGain:   a(0.002, "0.2 % of reading"),
		BusOffset: a(5e-3, "5 mV"),
		Tick:      a(50e-6, "50 ppm crystal"),
		Lead:      a(2e-3, "2 mohm"),
		Draw:      a(0, "none"),
		Bypass:    a(0, "none"),
		Start:     a(0.01, "full within 1 %"),
		Cell:      a(2, "2 K"),
		Lambda:    a(0.002, "0.002 1/K"),
		Exponent:  a(0.05, "0.05"),
		Repeat:    a(0.005, "0.5 %"),
	}
}

// FromRig returns Assume with what the rig states. Its tolerances come first; without one, an error term of the rig that is not zero is taken as
// the limit of that term, since on a real rig its sign is not known; a lead, a draw or a bypass is known within a fifth.
func FromRig(r rig.Rig) Limits {
	l := Assume()
	t := r.Tolerance
	state := func(to *Limit, tolerance, term float64) {
		if tolerance == 0 {
			tolerance = math.Abs(term)
		}
		if tolerance != 0 {
			*to = Limit{Half: tolerance, From: "rig " + r.Name}
		}
	}
	const fifth = 0.2
	state(&l.Shunt, t.Shunt, r.Shunt.Error)
	state(&l.TempCo, t.TempCo, r.Shunt.TempCo)
	state(&l.Ambient, t.Ambient, 0)
	state(&l.Rise, 0, r.Shunt.Rise*fifth)
	state(&l.Gain, t.Gain, r.Front.ShuntGain)
	state(&l.Offset, t.Offset, r.Front.ShuntOffset)
	state(&l.Drift, t.Drift, r.Front.DriftPerDay/86400)
	state(&l.Thermal, t.Thermal, 0)
	state(&l.BusGain, t.BusGain, r.Front.BusGain)
	state(&l.BusOffset, t.BusOffset, r.Front.BusOffset)
	state(&l.Tick, t.Tick, r.Tick.PPM*1e-6)
	state(&l.Lead, t.Lead, r.Wiring.Lead*fifth)
	state(&l.Draw, t.Draw, r.Wiring.Draw*fifth)
	state(&l.Bypass, t.Bypass, r.Wiring.Bypass*fifth)
	l.Reference = t.Reference
	return l
}

// Figure is what was measured, or is to be. Magnitudes.
type Figure struct {
	// Charge [A·s] and Energy [W·s] as logged; Energy 0 is Charge·Voltage.
	Charge, Energy float64
	// Duration [s], Current [A], Voltage [V] are time and means over the run.
	Duration, Current, Voltage float64
	// End is the level at which it was stopped [V], EndSlope how fast the voltage fell there [V/s], 0 if it did not end by voltage.
	End, EndSlope float64
	// Late is the longest that it may have gone on after the voltage had come to the level [s]: to the next reading; 0 where End is the voltage to which it did go on.
	Late float64
	// Every is the time between readings [s].
	Every float64
	// Sampling is the bound of the integration's own error [A·s], if the log gives one; negative: take it from the load below.
	Sampling float64
	// Period and On describe a switched load [s]; Period 0 is a steady one.
	Period, On float64
	// Cell and Reference are temperatures of the cell [K]; both 0 is no correction.
	Cell, Reference float64
	// Lambda is the temperature coefficient of capacity [1/K].
	Lambda float64
	// RatedCurrent [A] is the current to which the figure is brought with exponent Exponent; 0 is no correction.
	RatedCurrent, Exponent float64
	// AtLeast says that the discharge did not begin full, as the log shows, or did not end as it was meant to: the charge is what was drawn, and the capacity no less.
	AtLeast bool
	// From says where it comes from: a log, a rehearsal, the command line.
	From string
}

// Calibrated is what a comparison with a meter leaves open of a channel whose constants are in use: standard uncertainties.
type Calibrated struct {
	// Gain (relative) and Offset [A] or [V] come from the scatter of the pairs, with DOF degrees of freedom; R is their correlation.
	Gain, Offset, R, DOF float64
	// MeterGain (relative) and MeterOffset [A] or [V] come from the meter's stated accuracy.
	MeterGain, MeterOffset float64
	From                   string
}

// Capacity is a capacity figure with the rig that it was measured with.
type Capacity struct {
	Rig    rig.Rig
	Limits Limits
	Figure Figure
	// Current and Voltage, if not nil, take the place of the limits of these channels. Their R is that of currents into the battery being positive.
	Current, Voltage *Calibrated
}

// The inputs in their order.
const (
	inShunt = iota
	inTempCo
	inAmbient
	inRise
	inGain
	inOffset
	inMeterOffset
	inDrift
	inThermal
	inCounts
	inNoise
	inSampling
	inEdges
	inTick
	inBusGain
	inBusOffset
	inBusMeterGain
	inBusMeterOffset
	inBusStep
	inBusNoise
	inLead
	inDraw
	inBypass
	inLate
	inStart
	inCell
	inLambda
	inExponent
	inRepeat
	inputs
)

// mends says, for each input, how it is made smaller.
var mends = [inputs]string{
	inShunt:          "compare the rig with a better meter at several currents (calibrate) and use the constants that it prints",
	inTempCo:         "calibrate at the temperature of the test, or use a shunt with a smaller temperature coefficient",
	inAmbient:        "calibrate at the temperature of the test, away from warm parts",
	inRise:           "use a shunt rated for more current, or let air reach it",
	inGain:           "compare the rig with a better meter (calibrate)",
	inOffset:         "read the shunt with the circuit open before and after the test and take the mean off; a larger shunt resistance helps as much",
	inMeterOffset:    "take the zero with the circuit open, which needs no meter",
	inBusMeterGain:   "use a better meter for the voltage",
	inBusMeterOffset: "use a better meter for the voltage",
	inDrift:          "read the zero before and after the test",
	inThermal:        "keep both joints of the shunt at one temperature, same metal on both sense wires; read the zero warm, right after the test",
	inCounts:         "use a shunt with more resistance or a finer range, or keep fractions of a count where conversions are averaged",
	inNoise:          "average more conversions for a reading, or read more often",
	inSampling:       "read more often than the load switches, or average over whole periods of it",
	inEdges:          "read more often around start and end",
	inTick:           "compare the counter with network time over a day and correct its rate",
	inBusGain:        "compare the voltage with a better meter at full and at the end level (calibrate)",
	inBusOffset:      "compare the voltage with a better meter at the end level (calibrate)",
	inBusStep:        "use a finer range of the voltage channel",
	inBusNoise:       "average more conversions, or hold the end level for several readings",
	inLead:           "take sense wires of their own to the pack's terminals",
	inDraw:           "feed the rig from elsewhere, or lead its supply through the shunt",
	inBypass:         "remove every other connection to the negative terminal",
	inLate:           "read more often near the end",
	inStart:          "charge to a stated taper or for the time that the maker states, and rest alike before each test",
	inCell:           "put a sensor on the cell and let the pack rest for hours at the test's temperature",
	inLambda:         "test at the reference temperature",
	inExponent:       "test at the rated current",
	inRepeat:         "repeat the test and use the mean",
}

// mend says how an input is made smaller. What the pairs of a calibration scatter is no longer what a label leaves open.
func (c Capacity) mend(input int) string {
	const pairs = "take more pairs beside the meter (calibrate says how many, and where)"
	switch input {
	case inGain, inOffset:
		if c.Current != nil {
			return pairs
		}
	case inBusGain, inBusOffset:
		if c.Voltage != nil {
			return pairs
		}
	case inShunt:
		if c.Current != nil {
			return "use a better meter for the current"
		}
	}
	return mends[input]
}

// model returns the measurement model. Results: charge [Ah], energy [Wh].
func (c Capacity) model() Model {
	f, l, r := c.Figure, c.Limits, c.Rig
	ohm := r.Shunt.Nominal
	if ohm <= 0 {
		ohm = math.SmallestNonzeroFloat64
	}
	readings := 1.0
	if f.Every > 0 {
		readings = math.Max(1, f.Duration/f.Every)
	}
	energy := f.Energy
	if energy == 0 {
		energy = f.Charge * f.Voltage
	}
	vlog := f.Voltage
	if f.Charge > 0 {
		vlog = energy / f.Charge
	}
	in := make([]Input, inputs)
	limit := func(i int, name, unit string, value float64, l Limit) {
		in[i] = Input{Name: name, Unit: unit, Value: value, U: Rectangular.Half(l.Half), Shape: Rectangular, From: l.From, Assumed: l.Assumed}
	}
	limit(inShunt, "shunt tolerance", "1", 0, l.Shunt)
	limit(inTempCo, "shunt temperature coefficient", "1/K", 0, l.TempCo)
	power := f.Current * f.Current * ohm
	product := func(i int, name string, by Limit, scale float64) {
		// Its shape is nearly normal: the product of two rectangular ones has a kurtosis of 3.24.
		in[i] = Input{Name: name, Unit: "1", U: in[inTempCo].U * Rectangular.Half(by.Half) * scale, From: l.TempCo.From + ", " + by.From, Assumed: l.TempCo.Assumed || by.Assumed}
	}
	product(inAmbient, "shunt in other surroundings", l.Ambient, 1)
	product(inRise, "shunt self-heating", l.Rise, power)
	limit(inGain, "current gain", "1", 0, l.Gain)
	limit(inOffset, "current offset", "V", 0, l.Offset)
	limit(inDrift, "offset drift", "V/s", 0, l.Drift)
	limit(inThermal, "thermal voltages", "V", 0, l.Thermal)
	in[inMeterOffset] = Input{Name: "current offset, the meter's", Unit: "V"}
	in[inBusMeterGain] = Input{Name: "voltage gain, the meter's", Unit: "1"}
	in[inBusMeterOffset] = Input{Name: "voltage offset, the meter's", Unit: "V"}
	limit(inTick, "tick rate", "1", 0, l.Tick)
	limit(inBusGain, "voltage gain", "1", 0, l.BusGain)
	limit(inBusOffset, "voltage offset", "V", 0, l.BusOffset)
	limit(inLead, "lead drop", "ohm", r.Wiring.Lead, l.Lead)
	limit(inDraw, "rig's own draw", "A", 0, l.Draw)
	if !r.Wiring.DrawThroughShunt {
		in[inDraw].Value = r.Wiring.Draw
	}
	limit(inBypass, "current around the shunt", "1", r.Wiring.Bypass, l.Bypass)
	limit(inStart, "charge at the start", "1", 0, l.Start)
	limit(inCell, "cell temperature", "K", f.Cell, l.Cell)
	limit(inLambda, "temperature coefficient", "1/K", f.Lambda, l.Lambda)
	limit(inExponent, "rate exponent", "1", f.Exponent, l.Exponent)
	if f.Cell == 0 && f.Reference == 0 {
		in[inLambda].U = 0
	}
	if f.RatedCurrent == 0 {
		in[inExponent].U = 0
	}
	in[inRepeat] = Input{Name: "repeatability", Unit: "1", U: l.Repeat.Half, From: l.Repeat.From, Assumed: l.Repeat.Assumed}
	if l.Runs > 1 {
		in[inRepeat].U /= math.Sqrt(float64(l.Runs))
		in[inRepeat].Shape, in[inRepeat].DOF = Student, float64(l.Runs-1)
	}
	conversions := math.Max(1, float64(r.Front.Conversions))
	in[inCounts] = Input{Name: "counts of the current", Unit: "A·s", Shape: Rectangular, From: "one count of rig " + r.Name}
	if count := r.Front.ShuntStep / ohm; count > 0 {
		// The mean of a reading's conversions is rounded, so only the noise that the mean has left smears the rounding.
		left := r.Front.ShuntNoise / math.Sqrt(conversions) / r.Front.ShuntStep
		stays, scatters := rounded(left)
		in[inCounts].U = count * math.Hypot(stays, scatters/math.Sqrt(readings)) * f.Duration
		if left > 0 {
			in[inCounts].From += fmt.Sprintf(", a reading with %.2g counts of noise", left)
		}
	}
	in[inNoise] = Input{Name: "noise of the current", Unit: "A·s", U: r.Front.ShuntNoise / ohm / math.Sqrt(conversions*readings) * f.Duration, From: "rig " + r.Name}
	in[inBusStep] = Input{Name: "counts of the voltage", Unit: "V", U: Rectangular.Half(r.Front.BusStep / 2), Shape: Rectangular, From: "one count of rig " + r.Name}
	in[inBusNoise] = Input{Name: "noise of the voltage", Unit: "V", U: r.Front.BusNoise / math.Sqrt(conversions), From: "rig " + r.Name}
	in[inSampling] = c.sampling(readings)
	in[inEdges] = Input{Name: "start and end between readings", Unit: "A·s", U: Triangular.Half(f.Current * f.Every), Shape: Triangular, From: "one reading interval"}
	in[inLate] = Input{Name: "stop between readings", Unit: "s", Value: f.Late / 2, U: Rectangular.Half(f.Late / 2), Shape: Rectangular, From: "one reading interval"}
	m := Model{Inputs: in, Outputs: 2}
	m.Correlations = c.calibrated(in, ohm)
	if l.Reference != 0 && c.Current == nil && c.Voltage == nil {
		in[inGain].Shape, in[inBusGain].Shape = Normal, Normal
		m.Correlations = []Correlation{{A: inGain, B: inBusGain, R: l.Reference}}
	}
	m.F = func(x, y []float64) {
		g := (1 + x[inShunt]) * (1 + x[inTempCo]*r.Shunt.Rise*power + x[inAmbient] + x[inRise]) * (1 + x[inGain])
		z := (x[inOffset] + x[inMeterOffset] + x[inDrift]*f.Duration/2 + x[inThermal]) / ohm
		q := (f.Charge + x[inSampling] + x[inEdges] + x[inCounts] + x[inNoise] - z*f.Duration) / g / (1 + x[inTick])
		q = q/(1-x[inBypass]) + x[inDraw]*f.Duration
		drop := f.Current * x[inLead]
		if r.Wiring.BusBehindShunt {
			drop += f.Current * ohm
		}
		v := vlog/(1+x[inBusGain]+x[inBusMeterGain]) - x[inBusOffset] - x[inBusMeterOffset] + drop
		e := q * v
		if f.EndSlope > 0 {
			above := f.End/(1+x[inBusGain]+x[inBusMeterGain]) - x[inBusOffset] - x[inBusMeterOffset] - x[inBusStep] - x[inBusNoise] + drop - f.End
			more := f.Current * (above/f.EndSlope - x[inLate])
			q += more
			e += more * f.End
		}
		scale := (1 + x[inStart]) * (1 + x[inRepeat]) / (1 + x[inLambda]*(x[inCell]-f.Reference))
		if f.RatedCurrent > 0 {
			scale *= math.Pow(f.Current/f.RatedCurrent, x[inExponent]-1)
		}
		y[0], y[1] = q*scale/3600, e*scale/3600
	}
	return m
}

// rounded returns what rounding to whole counts leaves of a steady value with so much normal noise [counts], as standard deviations over all places
// within a count: what is the same in every reading, and what is drawn anew and averages out. Without noise all of it, 1/sqrt(12), stays; from half a
// count on next to nothing does. The error of the mean at place x is sum (-1)^k·sin(2·pi·k·x)·exp(-2·(pi·k·noise)²)/(pi·k), the Fourier series of
// the sawtooth that rounding is, smeared.
func rounded(noise float64) (stays, scatters float64) {
	const all = 1.0 / 12
	if noise == 0 {
		return math.Sqrt(all), 0
	}
	v := 0.0
	for k := 1.0; k < 1e5; k++ {
		part := math.Exp(-sq(2*math.Pi*k*noise)) / (2 * sq(math.Pi*k))
		if v += part; part < 1e-12*v || part == 0 {
			break
		}
	}
	return math.Sqrt(v), math.Sqrt(math.Max(0, all-v))
}

// calibrated puts what a calibration left open in the place of the limits of its channel, and returns the correlations of gain and offset.
func (c Capacity) calibrated(in []Input, ohm float64) []Correlation {
	var all []Correlation
	put := func(i int, name string, u, dof float64, shape Shape, from string) {
		in[i].Name, in[i].U, in[i].DOF, in[i].Shape, in[i].From, in[i].Assumed = name, u, dof, shape, from, false
	}
	scatter := func(gain, offset int, k *Calibrated, what string, unit, r float64) {
		put(gain, what+" gain, scatter", k.Gain, k.DOF, Student, k.From)
		put(offset, what+" offset, scatter", k.Offset*unit, k.DOF, Student, k.From)
		if r != 0 {
			all = append(all, Correlation{A: gain, B: offset, R: r})
		}
	}
	if k := c.Current; k != nil {
		put(inShunt, "current gain, the meter's", k.MeterGain, 0, Rectangular, k.From)
		put(inMeterOffset, "current offset, the meter's", k.MeterOffset*ohm, 0, Rectangular, k.From)
		// A discharge is counted positive here, so that the offset has the other sign.
		scatter(inGain, inOffset, k, "current", ohm, -k.R)
	}
	if k := c.Voltage; k != nil {
		put(inBusMeterGain, "voltage gain, the meter's", k.MeterGain, 0, Rectangular, k.From)
		put(inBusMeterOffset, "voltage offset, the meter's", k.MeterOffset, 0, Rectangular, k.From)
		scatter(inBusGain, inBusOffset, k, "voltage", 1, k.R)
	}
	return all
}

// sampling is the error of the integration itself: from the log's bound, or from a switched load read so many times.
func (c Capacity) sampling(readings float64) Input {
	f := c.Figure
	in := Input{Name: "integration rule", Unit: "A·s", Shape: Rectangular, From: "a steady load"}
	if f.Sampling >= 0 && f.Period == 0 {
		in.U, in.From = Rectangular.Half(f.Sampling), "bound from the log's own rows"
		if f.Sampling == 0 {
			in.From = "a steady load"
		}
		return in
	}
	if f.Period <= 0 || f.On <= 0 || f.On >= f.Period {
		return in
	}
	peak := f.Current * f.Period / f.On
	window := float64(c.Rig.Front.Conversions) * float64(c.Rig.Front.Spacing) / 1e9
	most, scatter := windowed(f.On/f.Period, window/f.Period)
	if window > 0.999*f.Every && window >= f.Period {
		// Windows that adjoin miss nothing between them: what is left over at both ends is a part of a period.
		in.U, in.From = Rectangular.Half(peak*most*window), "a switched load, averaged over each reading's window"
		return in
	}
	ratio := f.Every / f.Period
	if phases := inStep(ratio, readings); phases > 0 {
		// Readings that fall on so many phases of the load, and stay there, see a load of a period as much shorter.
		share := 0.0
		if on := f.On / f.Period * phases; math.Abs(on-math.Round(on)) > 1e-9 {
			share, _ = windowed(math.Abs(on-math.Round(on)), 0)
		}
		in.U = Rectangular.Half(peak * math.Min(most, share/phases) * f.Duration)
		in.From = fmt.Sprintf("a load that switches in step with the readings (%.6g periods in each)", ratio)
		return in
	}
	in.U, in.Shape = peak*scatter/math.Sqrt(readings)*f.Duration, Normal
	in.From = "a switched load, read at chance instants"
	if window >= f.Period {
		in.From = "a switched load, averaged over each reading's window"
	}
	return in
}

// windowed returns how far the mean over a window may lie from the duty of a load that is on for that share of each period, at most, and a bound of
// its standard deviation over all phases; both as a share of the peak. window is in periods, 0 an instant.
func windowed(duty, window float64) (most, scatter float64) {
	if duty <= 0 || duty >= 1 {
		return 0, 0
	}
	most = math.Max(duty, 1-duty)
	if window > 0 {
		rest := math.Mod(window, 1)
		most = math.Max(math.Min(rest, duty)-duty*rest, duty*rest-math.Max(0, rest-(1-duty))) / window
	}
	return most, math.Min(most, math.Sqrt(duty*(1-duty)))
}

// inStep returns on how many phases of the load all of so many readings fall, where it has made ratio periods from one to the next; 0 if they drift over
// all phases. With q phases the drift over the run must stay below the distance of two.
func inStep(ratio, readings float64) float64 {
	for q := 1.0; q*q <= readings; q++ {
		if math.Abs(q*ratio-math.Round(q*ratio))*readings < 1 {
			return q
		}
	}
	return 0
}
