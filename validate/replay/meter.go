package replay

import (
	"math"
	"slices"
)

// Rule is an integration rule over readings.
type Rule uint8

// The healthy rules.
const (
	Trapezoid Rule = iota
	Left
	Right
)

// String names the rule as a verdict does.
func (r Rule) String() string {
	return [...]string{"trapezoid", "left rectangle", "right rectangle"}[r]
}

// Source says which waveform and which time a healthy meter integrates: the four-part blame is differences of these.
type Source uint8

// Sources.
const (
	Readings      Source = iota // the readings in the counter's time
	ReadingsRTC                 // the readings in the clock's rate
	ReadingsTrue                // the readings in true time
	WindowTrue                  // the true window means in true time
	ReadingsShort               // the readings in the counter's time, a step longer than its range less whole ranges: all that it can tell
)

// Clocking is how a meter gets the time of a step.
type Clocking uint8

// Ways to get the time of a step. Only Exact is healthy.
const (
	Exact          Clocking = iota
	WrapNegative            // at the counter's wrap the step is short by a whole wrap (widened, then subtracted)
	WrapPositive            // ... long by a whole wrap
	WrapSkip                // ... dropped
	WrapZero                // ... counted from zero to the new count
	WrapStop                // nothing is added after the wrap
	WrapFloor               // after the wrap nothing is added until the counter passes its old value again
	HalfNegative            // at half range the step is short by a whole wrap
	HalfPositive            // ... long by a whole wrap
	HalfSkip                // ... dropped
	HalfClamp               // the counter stands at half range while its top bit is set
	HalfStop                // nothing is added while the counter's top bit is set
	Nominal                 // every step is the nominal period
	Whole                   // whole seconds of the step; the rest is thrown away
	WholeRounded            // the step rounded to seconds
	FaceSeconds             // difference of the clock's whole seconds, jumps included
	FaceForward             // ... a negative difference counts as zero
	FaceDay                 // ... of the seconds of the day, which fall back by a day at midnight
	FaceDayForward          // ... a negative difference counts as one over midnight
	FaceOrNominal           // ... a difference outside 0 to 10 nominal periods is replaced by the nominal period
	Narrow16                // milliseconds of the step in 16 bits, unsigned
	Narrow16Signed          // ... signed
	Narrow32us              // microseconds of the step in 32 bits
	FloatTime               // the counter in seconds, held in single precision
	FloatTimeMS             // the counter in milliseconds, held in single precision
)

// Fold says what a meter does that turns the counter into a finer unit in 32 bits before it divides: the product turns over long before the
// counter does, and the time that comes of it falls back by a whole product.
type Fold uint8

// What becomes of the step in which the product turns over. Only NoFold is healthy.
const (
	NoFold     Fold = iota
	FoldBack        // it is short by a whole product
	FoldOnward      // ... and, the difference having no sign, long by 2^32 of the finer unit
	FoldZero        // it is dropped
)

// Bad says what a meter does with a failed reading.
type Bad uint8

// What is done with a failed reading. The first four are healthy. Where only one half of a reading failed, the mistakes take
// the other as it is.
const (
	Bridge     Bad = iota // the rule runs from the last good to the next good reading
	Hold                  // the last good value stands for it
	HoldEach              // it stands for the half that failed
	BridgeEach            // charge goes by the good shunts, energy by the readings of which both halves are good
	Zero                  // counted as 0 A, 0 V
	FullScale             // counted as the last positive count
	FullScaleNegative
	MinusOne // counted as -1 count
	Lost     // left out, and the time that it stood for with it
)

// BadOf is which failed readings a meter does something with; the others it bridges.
type BadOf uint8

// Failed readings.
const (
	AnyFailed  BadOf = iota
	ShuntAlone       // those of which the bus came: it asks only the bus whether a reading is good
	BusAlone         // those of which the shunt came
)

// Side is which directions a meter adds.
type Side uint8

// Directions. For a net total only Net is healthy, and Sized where it begins anew with each direction.
const (
	Net Side = iota
	Magnitude
	ChargeOnly
	DischargeOnly
	Sized // net totals by size; those that part the directions as ever
)

// SideOf is which totals have the habit of a Side.
type SideOf uint8

// Totals.
const (
	OfBoth SideOf = iota
	OfCharge
	OfEnergy
)

// EnergyBy is how a meter gets energy.
type EnergyBy uint8

// Ways to get energy. Only Product is healthy.
const (
	Product        EnergyBy = iota
	StepMean                // mean voltage of a step's two readings times their mean current, times its time
	RowMean                 // mean voltage of the readings since the last row times charge since then
	RowLast                 // voltage at the row times charge since the last row
	RowEnds                 // mean of the voltages of this row and the last, times charge since then
	RunMean                 // mean voltage of all readings times total charge
	RunEnds                 // mean of the first and the present voltage times total charge
	NowTimesTotal           // present voltage times total charge
	FirstVolt               // first voltage times charge
	RowMeanProduct          // mean voltage times mean current of the row's readings times its time
)

// FromZero says what the time from the counter's zero to the first reading counts for.
type FromZero uint8

// Ways to begin.
const (
	Not  FromZero = iota // the sum begins with the first reading
	Full                 // at the first reading's current
	Half                 // at half of it: the trapezoid from a current of zero
)

// Turn says which way a clock was set.
type Turn uint8

// Ways to set a clock. The bits may stand together.
const (
	Back Turn = 1 << iota
	Ahead
)

// Where says to which readings an offset is added.
type Where uint8

// Where an offset is added.
const (
	Everywhere Where = iota
	Flowing          // where the reading is not zero: a display is to show nothing when nothing flows
	Outward          // there, to its size
	Inflow           // where it is positive
	Outflow          // where it is negative
)

// Anew says what a power cut takes from a meter.
type Anew uint8

// What begins anew after a power cut.
const (
	Kept     Anew = iota
	MeanAnew      // what it takes a mean of
	SumsAnew      // that and its sums
)

// Backward says what a step of negative time does to split totals; the net total takes it as it is.
type Backward uint8

// What a step of negative time does.
const (
	BackAdds  Backward = iota // its size is added on the side of its current
	BackTakes                 // it is taken from that side
	BackTurns                 // its product has the other sign, so it is added on the other side
)

// Lag says what a row shows of its own reading.
type Lag uint8

// Rows are written after their reading was added, or before. Both are healthy.
const (
	NoLag   Lag = iota
	LagSums     // charge and energy are those before the row's own reading was added, its time is not
	LagAll      // the time is that before as well
)

// Meter is one way of integrating the readings. The zero value is healthy: trapezoid, counter, net, bridge.
type Meter struct {
	Rule     Rule
	Source   Source
	Lag      Lag
	FromZero FromZero // the first interval is counted from tick 0
	Bad      Bad
	BadOf    BadOf

	Clocking Clocking
	Backward Backward
	Each     float64 // with Nominal: the length of a step, if not the rig's period [s]
	Side     Side    // of the charge total and the energy total
	SideOf   SideOf  // if it is the habit of one of them only
	// AllCharge and AllEnergy add what flows either way to one of the pair of totals: +1 to what flowed in, -1 to what flowed out, 0 none.
	AllCharge, AllEnergy int
	// AlsoCharge and AlsoEnergy add what flows the other way to one of the pair as well: +1 to what flowed in, -1 to what flowed out, 0 none.
	AlsoCharge, AlsoEnergy int
	// FlipCharge and FlipEnergy turn the sign of what one direction adds: +1 of charge, -1 of discharge, 0 none.
	FlipCharge, FlipEnergy int

	Unsigned float64 // a negative current is read as a number without a sign, which is larger by this [A]; 0: it is not
	// Stop keeps the totals from passing zero upward (+1) or downward (-1); 0 does not.
	Stop int

	Gain, Offset float64 // of the current: Gain 0 is 1; Offset [A]
	OffsetWhere  Where
	DeadBand     float64 // |i| below this counts as 0 [A]
	Clip         float64 // |i| counts as this at most [A]; 0 none
	Median       int     // the median of so many readings is integrated; 0: each reading
	Glitch       float64 // a reading that differs from the last one taken by more than this is not believed, and that one stands for it [A]
	SkipSame     bool    // a step at whose end current and voltage are those of its start is left out
	ZeroFails    bool    // a current of zero is taken for a reading that failed
	RowAgain     bool    // the step that ends with a row's reading is added twice
	RowLost      bool    // ... is left out
	RowForgets   bool    // the step that begins with a row's reading is left out
	DeadPower    float64 // |v i| below this counts as 0 in the energy [W]
	DeadStep     float64 // a step of the trapezoid that ends with |i| below this counts for nothing [A]
	DeadMean     bool    // ... whose mean is below it
	CutTime      float64 // each step's time cut to this quantum [s]
	CutCurrent   float64 // current cut to this quantum toward zero [A]
	CutFloor     bool    // ... toward minus infinity
	RoundCurrent bool    // ... to the nearest
	Anew         Anew    // what begins anew after a power cut
	CutPower     float64 // power cut or rounded likewise to this quantum [W]
	PowerOfCut   bool    // power is the product of the cut current
	CutVolt      float64 // power is the product of the voltage cut (or rounded) to this quantum [V]
	Fold         Fold    // the counter is multiplied by Factor in 32 bits, without a sign or as FoldSigned
	Factor       int64
	FoldSigned   bool
	WrapBits     int     // at the counter's wrap the step is long by the difference between a wrap of so many bits and its own; 0 none
	Burden       float64 // the drop over this is added back to the voltage [ohm]: healthy where the bus is tapped behind the shunt; below zero it is taken off
	CutStep      float64 // charge of a step cut to this quantum [A·s]; energy likewise by CutEnergy [W·s]
	CutEnergy    float64
	CutRaw       bool    // ... and a whole number of quanta, which floating point holds a little short, comes out as one less
	RoundRow     float64 // totals are rounded to this at each row and go on from there [A·s, W·s]
	CutRow       bool    // ... cut to it
	RoundStep    bool    // rounds instead of cuts: a sum kept in what is printed
	Float32      float64 // charge and energy summed in single precision, in this unit [A·s]; 0 none
	Wrap         float64 // the charge total wraps modulo this [A·s]; symmetric about 0 if WrapSigned
	WrapEnergy   float64
	WrapSigned   bool
	Saturate     bool    // ... sticks at the limit instead
	WrapPower    float64 // power of a reading that turns over, with a sign, by this [W]
	WrapStep     float64 // energy of a step that does [W·s]
	WrapCharge   float64 // charge of a step that does [A·s]
	WrapPositive bool    // ... and that is held without a sign

	RowRate     bool // integrates row readings only
	ReadingRate int  // integrates every n-th reading only, 0 and 1: every one
	Energy      EnergyBy
	Stale       int     // uses the reading so many back
	ZeroFirst   bool    // the first good reading after power-up is taken for the zero of all
	Across      bool    // a step runs from the last good reading, as firmware times it that passes a failed one over whole
	Modulo      float64 // what a step is longer than this is lost, whole turns of it [s]: it is kept in a few bits; 0: nothing
	CutMean     bool    // CutCurrent and CutPower cut the mean of a step, not each reading
	RowLength   float64 // at each row the mean of its readings counts for so long [s]; 0: readings are summed

	TimeAtRow  bool    // the time of a step runs from the last row, not from the last reading
	TimeBand   float64 // ... from the last reading of at least so much [A]; 0: from any
	ZeroHeld   bool    // a current of zero is taken for none, and the last one counts on
	DeadVolt   float64 // nothing is added while the voltage is below this, or above it if it is negative [V]; 0: always
	Smooth     float64 // the current goes this share of the way to each reading; 0: all of it
	SmoothZero bool    // ... and begins at zero, not at the first reading
	MeanOf     int     // the current is the mean of so many readings, the present one the last

	ResetSetting  bool    // totals fall to zero when a setting changes
	ResetMidnight int64   // totals fall to zero when the local day changes; zone [s] + 1<<40 marks on
	Hourly        bool    // ... and at each full hour
	ResetClock    Turn    // totals fall to zero when the clock is set so
	FaceFloor     bool    // nothing is added while the clock shows less than it did before
	SkipCard      bool    // nothing is added while the card fails
	ResetCard     bool    // totals fall to zero when a write fails
	ResetRows     float64 // ... at each row that fails, one being due each so many seconds; 0: at the first
	FreezeCard    bool    // totals never change after the first failed write
	HoldSetting   bool    // nothing is added in the step in which a setting changes
	ScaleSetting  float64 // totals are scaled by this at a setting
	StallLimit    float64 // a step longer than this [s] counts as StallClip, or not at all; 0 none
	StallClip     float64 // a step longer than this [s] counts as this
}

// Totals is a meter's state at the rows.
type Totals struct {
	Elapsed             []float64 // sum of the steps, and at a failed reading the time that waits to be bridged [s]
	Charge, Energy      []float64 // net [A·s], [W·s]
	In, Out             []float64 // charge of either direction, both positive [A·s], by step mean
	EnergyIn, EnergyOut []float64
}

// Local midnight marker for ResetMidnight.
const midnightOn = int64(1) << 40

// Midnight returns a ResetMidnight value for a zone [s east of UTC].
func Midnight(zone int64) int64 { return midnightOn + zone }

// Run replays the meter and returns its totals at the readings in rows, which must not decrease.
func (s *Series) Run(m Meter, rows []int) *Totals {
	w := s.Start(m, rows)
	w.To(len(rows))
	return w.Totals
}

// Work is a meter at work: a replay that may be stopped when its first totals say enough.
type Work struct {
	Totals *Totals // of the rows up to which it was played
	series *Series
	state  state
	energy *Work // plays the energy, where it goes by other readings than the charge
	rows   []int
	row, k int // next row to store, next reading to take
}

// Start begins a replay of the meter with totals at the readings in rows, which must not decrease.
func (s *Series) Start(m Meter, rows []int) *Work {
	n := len(rows)
	buf := make([]float64, 7*n)
	w := &Work{series: s, rows: rows, Totals: &Totals{
		Elapsed: buf[:n:n], Charge: buf[n : 2*n : 2*n], Energy: buf[2*n : 3*n : 3*n], In: buf[3*n : 4*n : 4*n],
		Out: buf[4*n : 5*n : 5*n], EnergyIn: buf[5*n : 6*n : 6*n], EnergyOut: buf[6*n:],
	}}
	w.begin(s, m)
	return w
}

func (w *Work) begin(s *Series, m Meter) {
	if w.energy = nil; m.Bad == BridgeEach {
		m.Bad = Bridge
		w.energy = s.Start(m, w.rows)
		e, t := w.energy.Totals, w.Totals
		t.Energy, t.EnergyIn, t.EnergyOut = e.Energy, e.EnergyIn, e.EnergyOut // which it writes last
		s = s.byShunt()
	}
	w.state.start(s, &m)
}

// Again begins the replay of another meter over the same readings, whose totals take the place of the last one's.
func (w *Work) Again(m Meter) {
	w.row, w.k = 0, 0
	w.begin(w.series, m)
}

// To plays on until the totals of the first n rows stand.
func (w *Work) To(n int) {
	st, s, lag := &w.state, w.state.s, w.state.m.Lag
	for ; w.row < n && w.k < s.Len(); w.k++ {
		k := w.k
		here := w.rows[w.row] == k
		isRow := here
		if s.RowAt != nil {
			isRow = s.RowAt[k]
		}
		if !here {
			st.add(k, isRow)
			continue
		}
		first := w.row
		if lag != NoLag {
			w.store(k)
		}
		st.add(k, isRow)
		if lag == NoLag {
			w.store(k)
		}
		if lag == LagSums {
			for j := first; j < w.row; j++ {
				w.Totals.Elapsed[j] = st.clock()
			}
		}
	}
	if w.energy != nil {
		w.energy.To(n)
	}
}

// store writes the totals of the rows at reading k.
func (w *Work) store(k int) {
	for ; w.row < len(w.rows) && w.rows[w.row] == k; w.row++ {
		w.state.store(w.Totals, w.row)
	}
}

// state is a meter at work.
type state struct {
	s *Series
	m *Meter
	// What a meter does not do costs it no time.
	cuts     bool      // power was cut
	steps    []float64 // the time of each step where it is a column of the series, else nil
	plain    bool      // readings are taken as they are
	rare     bool      // it looks at more than the last reading and the next
	quantum  bool      // it cuts or rounds current or power
	limits   bool      // it drops or clips long steps
	turns    bool      // a product of a step or a reading turns over
	odd      bool      // it leaves out steps by what the readings show, or times them from another one
	means    bool      // it takes means over the readings of a row or of the run
	plainSum bool      // it adds every step to net totals
	plainWay bool      // ... or what becomes of a step depends not on its direction

	started             bool
	waits               bool    // the last reading failed, and the next good one bridges it
	i, v, p             float64 // last reading taken
	at                  int     // its index
	zero                float64 // current of the first reading after power-up, where that is taken for nothing
	meanI, meanP        float64 // sums over the readings of a row
	pending             float64 // time since the last reading taken
	elapsed             float64
	q, e                float64
	qf, ef              float32
	in, outq, ein, eout float64
	stopped             bool
	frozen              bool
	floorTick           int64
	mask                int64
	sumV, rowV          float64
	nV, nRow            int
	rowQ, rowT, rowI    float64
	rowStartV, firstV   float64
	day                 int64
	face0, highest      int64
	faced               bool
	cardFailed          bool
	sinceRow            float64 // with ResetRows: time since the last row, written or not
	resets              bool
	count               int
	smooth              float64 // the smoothed current
	wasRow              bool    // the last reading taken was a row's
}

// start sets the meter to work on the first reading.
func (st *state) start(s *Series, m *Meter) {
	*st = state{s: s, m: m, floorTick: -1, day: math.MinInt64, mask: s.Mask()}
	st.cuts = s.Len() > 0 && s.Life[0] != s.Life[s.Len()-1]
	switch {
	case m.Source == ReadingsRTC:
		st.steps = s.ClockDt
	case m.Source == ReadingsTrue || m.Source == WindowTrue:
		st.steps = s.Dt
	case m.Clocking == Exact && m.WrapBits == 0 && m.Fold == NoFold && m.CutTime == 0 && m.Modulo == 0 && !m.Across:
		st.steps = s.TickDt
	}
	st.plain = m.Source != WindowTrue && m.Unsigned == 0 && m.Stale == 0 && m.Gain == 0 && m.Offset == 0 && m.DeadBand == 0 && m.Burden == 0 && !m.ZeroFirst && m.Clip == 0 && m.Median == 0 && m.Glitch == 0 &&
		!m.ZeroHeld && !m.ZeroFails && m.Smooth == 0 && m.MeanOf == 0
	st.rare = m.ResetClock != 0 || m.FaceFloor || m.Source == ReadingsShort || m.FromZero != Not || m.ReadingRate > 1 || m.RowRate || m.ResetSetting || m.HoldSetting ||
		m.ScaleSetting != 0 || m.ResetMidnight != 0 || m.SkipCard || m.ResetCard || m.FreezeCard
	st.quantum = (m.DeadPower > 0 || m.CutPower > 0 || m.CutCurrent > 0 || m.PowerOfCut || m.CutVolt > 0 || m.WrapPower > 0) && !m.CutMean
	st.turns = m.WrapStep > 0 || m.WrapPower > 0 || m.WrapCharge > 0
	st.odd = m.TimeAtRow || m.TimeBand > 0 || m.RowLost || m.RowForgets || m.DeadVolt != 0 || m.SkipSame
	st.limits = m.StallLimit > 0 || m.StallClip > 0
	st.means = m.Energy > StepMean || m.RowLength > 0
	st.plainWay = m.Side == Net && m.FlipCharge == 0 && m.FlipEnergy == 0 && m.Backward == BackAdds && m.AllCharge == 0 && m.AllEnergy == 0 && m.AlsoCharge == 0 && m.AlsoEnergy == 0
	st.plainSum = st.plainWay && m.CutStep == 0 && m.WrapStep == 0 && m.WrapCharge == 0 && m.Stop == 0 && m.Float32 == 0 && m.Wrap == 0 && m.WrapEnergy == 0 && m.Energy == Product &&
		m.RowLength == 0 && !m.CutMean
}

// leavesOut says that the step that ends with a reading adds nothing, whatever flowed.
func (st *state) leavesOut(i, v float64, row bool) bool {
	m, behind := st.m, st.wasRow
	st.wasRow = row
	return row && m.RowLost || behind && m.RowForgets || v < m.DeadVolt || m.DeadVolt < 0 && v > -m.DeadVolt || m.SkipSame && st.started && i == st.i && v == st.v
}

// source returns current and voltage of reading k as this meter takes them, and false if the reading is passed over.
func (st *state) source(k int) (i, v float64, ok bool) {
	s, m := st.s, st.m
	if m.Source == WindowTrue {
		if !s.Good(k) && m.Bad == Bridge {
			return 0, 0, false
		}
		return s.W[k], s.U[k], true
	}
	if m.Stale > 0 {
		k = max(k-m.Stale, 0)
	}
	i, v = s.I[k], s.V[k]
	if math.IsNaN(i) {
		half := s.Half(k)
		if m.BadOf == ShuntAlone && math.IsNaN(half.V) || m.BadOf == BusAlone && math.IsNaN(half.I) {
			return 0, 0, false
		}
		switch m.Bad {
		case Bridge:
			return 0, 0, false
		case Lost:
			st.pending = 0
			return 0, 0, false
		case Hold:
			return st.i, st.v, st.started
		case HoldEach:
			if !st.started {
				return 0, 0, false
			}
			i, _ = half.Or(st.i, 0)
			_, v = half.Or(0, st.v+i*m.Burden)
		case Zero:
			i, v = half.Or(0, 0)
		case FullScale, FullScaleNegative:
			full := float64(s.ShuntMax) * s.Amp
			if m.Bad == FullScaleNegative {
				full = -full
			}
			volts := st.v
			if !math.IsNaN(half.I) {
				volts = float64(s.BusMax) * s.Volt
			}
			i, v = half.Or(full, volts)
		case MinusOne:
			i, v = half.Or(-s.Amp, -s.Volt)
		}
	}
	if m.ZeroFails && i == 0 {
		return 0, 0, false
	}
	if m.Gain != 0 {
		i *= m.Gain
	}
	if i < 0 {
		i += m.Unsigned
	}
	switch {
	case m.OffsetWhere == Everywhere, i > 0 && m.OffsetWhere != Outflow, i < 0 && (m.OffsetWhere == Flowing || m.OffsetWhere == Outflow):
		i += m.Offset
	case i < 0 && m.OffsetWhere == Outward:
		i -= m.Offset
	}
	if m.ZeroFirst {
		if !st.started {
			st.zero = i
		}
		i -= st.zero
	}
	if m.DeadBand > 0 && math.Abs(i) < m.DeadBand {
		i = 0
	}
	if m.Clip > 0 {
		i = min(max(i, -m.Clip), m.Clip)
	}
	if m.Median > 0 {
		i = s.median(k, m.Median)
	}
	if m.Glitch > 0 && st.started && math.Abs(i-st.i) > m.Glitch {
		i = st.i
	}
	if m.ZeroHeld && i == 0 {
		i = st.i
	}
	switch {
	case m.Smooth > 0 && !st.started && !m.SmoothZero:
		st.smooth = i
	case m.Smooth > 0:
		st.smooth += m.Smooth * (i - st.smooth)
		i = st.smooth
	case m.MeanOf > 1:
		i = s.meanOf(k, m.MeanOf)
	}
	if m.Burden != 0 {
		v -= i * m.Burden
	}
	return i, v, true
}

// median is that of the good currents among the last n readings up to k: the upper one of two in the middle.
func (s *Series) median(k, n int) float64 {
	var window []float64
	for q := k; q >= 0 && len(window) < n && s.Life[q] == s.Life[k]; q-- {
		if s.Good(q) {
			window = append(window, s.I[q])
		}
	}
	slices.Sort(window)
	return window[len(window)/2]
}

// meanOf is the mean of the good currents among the last n readings up to k.
func (s *Series) meanOf(k, n int) float64 {
	sum, of := 0.0, 0
	for q := k; q >= 0 && of < n && s.Life[q] == s.Life[k]; q-- {
		if s.Good(q) {
			sum, of = sum+s.I[q], of+1
		}
	}
	return sum / float64(max(of, 1))
}

// quantized cuts, floors or rounds x to the meter's quantum; 0 leaves it.
func (m *Meter) quantized(x, quantum float64) float64 {
	switch {
	case quantum <= 0:
		return x
	case m.RoundCurrent:
		return math.Round(x/quantum) * quantum
	case m.CutFloor:
		return math.Floor(x/quantum+1e-9) * quantum
	}
	return math.Trunc(x/quantum*(1+1e-12)) * quantum
}

// step returns the time that the meter thinks has passed between readings j and k, which mostly follow each other, by the counter.
func (st *state) step(j, k int) float64 {
	s := st.s
	dt := s.TickDt[k]
	if j < k-1 {
		dt = float64(s.Tick[k]-s.Tick[j]) / s.Hz
	}
	c := st.m.Clocking
	if w := st.m.WrapBits; w > 0 && k > 0 && s.Life[k] == s.Life[j] && s.Tick[j]&^st.mask != s.Tick[k]&^st.mask {
		return dt + (math.Ldexp(1, w)-float64(st.mask)-1)/s.Hz
	}
	if st.m.Fold != NoFold && k > 0 && s.Life[k] == s.Life[j] {
		return st.folded(s.Tick[j], s.Tick[k])
	}
	if whole := st.m.Modulo; whole > 0 && k > 0 {
		return math.Mod(dt, whole)
	}
	if q := st.m.CutTime; q > 0 && k > 0 {
		if n := math.Floor(dt/q + 1e-9); n > 0 {
			return n * q
		}
		return 0
	}
	if c == Exact || k == 0 || s.Life[k] != s.Life[j] {
		return dt
	}
	whole := (float64(st.mask) + 1) / s.Hz
	a, b := s.Tick[j], s.Tick[k]
	half := int64(st.mask/2) + 1
	wraps := a&^st.mask != b&^st.mask
	halves := (a+half)&^st.mask != (b+half)&^st.mask
	switch c {
	case WrapNegative:
		if wraps {
			dt -= whole
		}
	case WrapPositive:
		if wraps {
			dt += whole
		}
	case WrapSkip:
		if wraps {
			dt = 0
		}
	case WrapZero:
		if wraps {
			dt = float64(b&st.mask) / s.Hz
		}
	case WrapStop:
		if wraps {
			st.stopped = true
		}
	case WrapFloor:
		if wraps {
			st.floorTick = a & st.mask
		}
		if st.floorTick >= 0 {
			dt = 0
		}
	case HalfNegative:
		if halves {
			dt -= whole
		}
	case HalfPositive:
		if halves {
			dt += whole
		}
	case HalfSkip:
		if halves {
			dt = 0
		}
	case HalfClamp:
		dt = float64((min(b&st.mask, half-1)-min(a&st.mask, half-1))&st.mask) / s.Hz
	case HalfStop:
		if b&half != 0 {
			dt = 0
		}
	case Nominal:
		if dt = s.Period; st.m.Each > 0 {
			dt = st.m.Each
		}
	case Whole:
		dt = math.Floor(dt + 1e-9)
	case WholeRounded:
		dt = math.Floor(dt + 0.5)
	case FaceSeconds, FaceForward, FaceOrNominal, FaceDay, FaceDayForward:
		d := st.face(j, k)
		if c == FaceForward && d < 0 {
			d = 0
		}
		if (c == FaceDay || c == FaceDayForward) && s.Face[j] != math.MinInt64 && s.Face[k] != math.MinInt64 {
			day := floorDiv(s.Face[k]+s.Zone, 86400) - floorDiv(s.Face[j]+s.Zone, 86400)
			d -= float64(day * 86400)
			if c == FaceDayForward && d < 0 {
				d += 86400
			}
		}
		if c == FaceOrNominal && (d < 0 || d > 10*s.Period) {
			d = s.Period
		}
		dt = d
	case Narrow16:
		dt = float64(uint16(int64(math.Round(dt*1000)))) / 1000
	case Narrow16Signed:
		dt = float64(int16(int64(math.Round(dt*1000)))) / 1000
	case Narrow32us:
		dt = float64(uint32(int64(math.Round(dt*1e6)))) / 1e6
	case FloatTime, FloatTimeMS:
		// What a wrap does is another mistake; here only the precision counts.
		unit := 1.0
		if c == FloatTime {
			unit = s.Hz
		}
		if !wraps {
			dt = float64(float32(float64(b&st.mask)/unit)-float32(float64(a&st.mask)/unit)) * unit / s.Hz
		}
	}
	return dt
}

// folded is the time between two ticks by whole units, of which a second has Factor, that come of products of 32 bits [s].
func (st *state) folded(from, to int64) float64 {
	m := st.m
	dt := (st.s.Product(to, m.Factor, m.FoldSigned) - st.s.Product(from, m.Factor, m.FoldSigned)) / float64(m.Factor)
	switch {
	case dt >= 0:
	case m.Fold == FoldZero:
		dt = 0
	case m.Fold == FoldOnward:
		dt += math.Ldexp(1, 32) / float64(m.Factor)
	}
	return dt
}

// Product is what an unwrapped tick gives where the counter is multiplied in 32 bits, with a sign or without, before it is divided by its rate: whole
// units, of which a second has factor.
func (s *Series) Product(tick, factor int64, signed bool) float64 {
	p := uint32(tick & s.Mask() * factor)
	if signed {
		return math.Trunc(float64(int32(p)) / s.Hz)
	}
	return math.Trunc(float64(p) / s.Hz)
}

// face is the difference of the clock's whole seconds between readings j and k; 0 without a clock.
func (st *state) face(j, k int) float64 {
	a, b := st.s.Face[j], st.s.Face[k]
	if a == math.MinInt64 || b == math.MinInt64 {
		return 0
	}
	return float64(b - a)
}

// add takes reading k.
func (st *state) add(k int, row bool) {
	s, m := st.s, st.m
	if st.cuts && k > 0 && s.Life[k] != s.Life[k-1] {
		st.pending = 0
		st.started = false
		if m.Anew != Kept {
			st.sumV, st.nV = 0, 0
		}
		if m.Anew == SumsAnew {
			st.clear()
		}
	}
	if st.steps != nil {
		st.pending += st.steps[k]
	} else if m.Across && st.started {
		st.pending = st.step(st.at, k)
	} else {
		st.pending += st.step(max(k-1, 0), k)
	}
	if st.rare && !st.takes(k, row) {
		return
	}
	i, v := s.I[k], s.V[k]
	if !st.plain || i != i {
		var ok bool
		if i, v, ok = st.source(k); !ok {
			st.waits = st.started
			return
		}
	}
	st.waits = false
	p := i * v
	if st.quantum {
		if m.CutPower > 0 {
			p = m.quantized(p, m.CutPower)
		}
		if m.CutCurrent > 0 {
			i = m.quantized(i, m.CutCurrent)
		}
		if m.PowerOfCut {
			p = i * v
		}
		if m.CutVolt > 0 {
			p = i * m.quantized(v, m.CutVolt)
		}
		if m.WrapPower > 0 {
			p = m.turned(p, m.WrapPower)
		}
		if m.DeadPower > 0 && math.Abs(p) < m.DeadPower {
			p = 0
		}
	}
	dt := st.pending
	if !st.odd || !st.started || (row || !m.TimeAtRow) && math.Abs(i) >= m.TimeBand {
		st.pending = 0
	}
	if st.limits {
		if dt > max(m.StallLimit, 1e-9) && (m.StallLimit > 0 || dt > m.StallClip) {
			dt = m.StallClip
		}
	}
	var mi, mp float64
	switch {
	case !st.started:
		mi, mp = i, p
		switch {
		case m.FromZero == Not || k > 0:
			dt = 0
		case m.FromZero == Half:
			mi, mp = i/2, p/2
		}
		st.firstV = v // after a power cut it is another
		st.rowStartV = v
	case m.Rule == Trapezoid:
		mi, mp = (st.i+i)/2, (st.p+p)/2
		if m.Energy == StepMean {
			mp = mi * (st.v + v) / 2
		}
		if m.DeadStep > 0 && (!m.DeadMean && math.Abs(i) < m.DeadStep || m.DeadMean && math.Abs(mi) < m.DeadStep) {
			mi, mp = 0, 0
		}
	case m.Rule == Left:
		mi, mp = st.i, st.p
	default:
		mi, mp = i, p
	}
	if st.odd && st.leavesOut(i, v, row) {
		mi, mp = 0, 0
	}
	st.started = true
	st.i, st.v, st.p, st.at = i, v, p, k
	if st.means {
		st.sumV += v
		st.nV++
		st.rowV += v
		st.nRow++
		st.meanI += i
		st.meanP += p
	}
	if !st.stopped && !st.frozen {
		st.elapsed += dt
		if m.FromZero != Not && k == 0 {
			st.elapsed -= dt // elapsed columns are compared from the first reading on
		}
		st.sum(mi, mp, dt)
		if row && m.RowAgain {
			st.sum(mi, mp, dt)
		}
	}
	if st.resets {
		st.clear()
		st.resets = false
	}
	if row && m.RowLength > 0 {
		st.meanAtRow()
	}
	if row && m.Energy > StepMean {
		st.energyAtRow(v)
	}
	if q := m.RoundRow; row && q > 0 {
		if m.CutRow && m.CutFloor {
			st.q, st.e = math.Floor(st.q/q+1e-9)*q, math.Floor(st.e/q+1e-9)*q
		} else {
			st.q, st.e = cut(st.q, q, !m.CutRow), cut(st.e, q, !m.CutRow)
		}
	}
}

// clock is the time that has passed for the meter: it goes on over failed readings, which are bridged when a good one comes.
func (st *state) clock() float64 {
	if st.waits && !st.stopped && !st.frozen {
		return st.elapsed + st.pending
	}
	return st.elapsed
}

// takes says whether the meter takes reading k, and does before what it does at certain readings.
func (st *state) takes(k int, row bool) bool {
	s, m := st.s, st.m
	if m.Source == ReadingsShort && st.started {
		st.pending = float64((s.Tick[k]-s.Tick[st.at])&st.mask) / s.Hz
	}
	if m.FromZero != Not && k == 0 {
		st.pending += s.FirstTick
	}
	st.special(k)
	if m.ReadingRate > 1 {
		st.count++
		if (st.count-1)%m.ReadingRate != 0 {
			return false
		}
	}
	return row || !m.RowRate
}

// special does what happens to totals at the events of reading k.
func (st *state) special(k int) {
	s, m := st.s, st.m
	if s.Setting[k] {
		if m.ResetSetting {
			st.clear()
		}
		if m.HoldSetting {
			st.pending = 0
		}
		if m.ScaleSetting != 0 {
			st.q *= m.ScaleSetting
			st.e *= m.ScaleSetting
		}
	}
	if m.ResetMidnight != 0 && s.Face[k] != math.MinInt64 {
		length := int64(86400)
		if m.Hourly {
			length = 3600
		}
		day := floorDiv(s.Face[k]+m.ResetMidnight-midnightOn, length)
		if st.day != math.MinInt64 && day != st.day {
			st.clear()
		}
		st.day = day
	}
	if face := s.Face[k]; (m.ResetClock != 0 || m.FaceFloor) && face != math.MinInt64 {
		// What the counter does not explain was set.
		if old := st.face0; k > 0 && st.faced && s.Life[k] == s.Life[k-1] {
			switch turned := float64(face-old) - s.TickDt[k]; {
			case turned < -2 && m.ResetClock&Back != 0, turned > 60 && m.ResetClock&Ahead != 0:
				st.clear()
			}
		}
		st.face0, st.faced = face, true
		if m.FaceFloor {
			if face < st.highest {
				st.pending = 0
			}
			st.highest = max(st.highest, face)
		}
	}
	fails := s.Flags[k]&4 != 0
	if m.ResetRows > 0 {
		if st.sinceRow += s.TickDt[k]; fails && st.sinceRow >= m.ResetRows-1e-6 {
			st.resets = true // once this reading is added: the row would show it
			st.sinceRow -= m.ResetRows
		}
		if s.RowAt != nil && s.RowAt[k] {
			st.sinceRow = 0
		}
	}
	if fails && m.SkipCard {
		st.pending = 0
	}
	if fails && !st.cardFailed {
		if m.ResetCard && m.ResetRows == 0 {
			st.clear()
		}
		if m.FreezeCard {
			st.frozen = true
		}
	}
	st.cardFailed = fails
}

func floorDiv(a, b int64) int64 {
	q := a / b
	if a%b < 0 {
		q--
	}
	return q
}

func (st *state) clear() {
	st.q, st.e, st.qf, st.ef, st.in, st.outq, st.ein, st.eout = 0, 0, 0, 0, 0, 0, 0, 0
	st.rowQ, st.rowT, st.rowI = 0, 0, 0
}

// sum adds a step of mean current mi and mean power mp over dt to the totals.
func (st *state) sum(mi, mp, dt float64) {
	m := st.m
	dq, de := mi*dt, mp*dt
	if st.plainSum {
		switch {
		case mi > 0 || mi == 0 && mp >= 0: // where a current is cut to nothing its power goes on
			st.in += math.Abs(dq)
			st.ein += math.Abs(de)
		default:
			st.outq += math.Abs(dq)
			st.eout += math.Abs(de)
		}
		st.q += dq
		st.e += de
		return
	}
	if m.RowLength > 0 {
		return
	}
	if m.CutMean {
		dq, de = m.quantized(mi, m.CutCurrent)*dt, m.quantized(mp, m.CutPower)*dt
	}
	if m.CutStep > 0 {
		if m.CutRaw {
			dq, de = math.Trunc(dq/m.CutStep*(1-1e-12))*m.CutStep, math.Trunc(de/m.CutEnergy*(1-1e-12))*m.CutEnergy
		} else {
			dq, de = cut(dq, m.CutStep, m.RoundStep), cut(de, m.CutEnergy, m.RoundStep)
		}
	}
	if st.turns {
		if m.WrapStep > 0 {
			de = m.turned(de, m.WrapStep)
		}
		if m.WrapCharge > 0 {
			dq = m.turned(dq, m.WrapCharge)
		}
	}
	into, sq, se := mi > 0 || mi == 0 && mp >= 0, math.Abs(dq), math.Abs(de)
	if st.turns { // what turned over takes away
		if (m.WrapStep > 0 || m.WrapPower > 0) && into != (de > 0) {
			se = -se
		}
		if m.WrapCharge > 0 && into != (dq > 0) {
			sq = -sq
		}
	}
	switch {
	case !st.plainWay:
		dq, de = st.directed(mi, dq, de, dt, into)
	case into:
		st.in += sq
		st.ein += se
	default:
		st.outq += sq
		st.eout += se
	}
	st.rowQ += dq
	st.rowT += dt
	st.rowI += st.i
	if m.Float32 > 0 {
		st.qf += float32(dq / m.Float32)
		st.ef += float32(de / m.Float32)
		st.q, st.e = float64(st.qf)*m.Float32, float64(st.ef)*m.Float32
		return
	}
	st.q += dq
	if m.Energy == Product || m.Energy == StepMean {
		st.e += de
	}
	if m.Stop != 0 {
		st.q, st.e = stopped(st.q, m.Stop), stopped(st.e, m.Stop)
	}
	if m.Wrap > 0 {
		st.q = wrapped(st.q, m.Wrap, m.WrapSigned, m.Saturate)
	}
	if m.WrapEnergy > 0 {
		st.e = wrapped(st.e, m.WrapEnergy, m.WrapSigned, m.Saturate)
	}
}

// directed adds a step to the totals of either direction, where the meter does so in a way of its own, and returns what it adds to the
// net totals.
func (st *state) directed(mi, dq, de, dt float64, into bool) (charge, energy float64) {
	m, sq, se := st.m, math.Abs(dq), math.Abs(de)
	if dt < 0 {
		switch m.Backward {
		case BackTakes:
			sq, se = -sq, -se
		case BackTurns:
			into = !into
		}
	}
	sideQ, sideE := m.Side, m.Side
	switch m.SideOf {
	case OfCharge:
		sideE = Net
	case OfEnergy:
		sideQ = Net
	}
	pair := func(side Side, all, also int, size float64, in, out *float64) {
		switch {
		case also > 0 && !into:
			*in += size
		case also < 0 && into:
			*out += size
		}
		into := into && all == 0 || all > 0
		if (into || side == Magnitude) && side != DischargeOnly {
			*in += size
		}
		if (!into || side == Magnitude) && side != ChargeOnly {
			*out += size
		}
	}
	pair(sideQ, m.AllCharge, m.AlsoCharge, sq, &st.in, &st.outq)
	pair(sideE, m.AllEnergy, m.AlsoEnergy, se, &st.ein, &st.eout)
	dq, de = sideQ.of(dq, mi), sideE.of(de, mi)
	if m.FlipCharge != 0 && mi*float64(m.FlipCharge) > 0 {
		dq = -dq
	}
	if m.FlipEnergy != 0 && mi*float64(m.FlipEnergy) > 0 {
		de = -de
	}
	return dq, de
}

// of is what a step at a mean current of mi adds to a net total.
func (s Side) of(step, mi float64) float64 {
	switch {
	case s == Magnitude || s == Sized:
		return math.Abs(step)
	case s == ChargeOnly && mi < 0, s == DischargeOnly && mi > 0:
		return 0
	}
	return step
}

func cut(x, quantum float64, round bool) float64 {
	if quantum <= 0 {
		return x
	}
	if round {
		return math.Round(x/quantum) * quantum
	}
	return math.Trunc(x/quantum*(1+1e-12)) * quantum
}

// turned is what is left of a number in an integer that holds so many of its units.
func (m *Meter) turned(x, whole float64) float64 {
	if m.WrapPositive {
		return x - whole*math.Floor(x/whole)
	}
	return x - whole*math.Floor(x/whole+0.5)
}

// stopped is a total that does not pass zero upward (way +1) or downward (-1).
func stopped(x float64, way int) float64 {
	if x*float64(way) > 0 {
		return 0
	}
	return x
}

func wrapped(x, whole float64, signed, saturate bool) float64 {
	if !signed {
		switch {
		case saturate:
			return min(max(x, 0), whole)
		case x >= whole:
			return x - whole
		case x < 0:
			return x + whole
		}
		return x
	}
	switch {
	case saturate:
		return min(max(x, -whole/2), whole/2)
	case x >= whole/2:
		return x - whole
	case x < -whole/2:
		return x + whole
	}
	return x
}

// meanAtRow adds the means of a row's readings for as long as a row is meant to be.
func (st *state) meanAtRow() {
	n := float64(max(st.nRow, 1))
	dq, de := st.meanI/n*st.m.RowLength, st.meanP/n*st.m.RowLength
	st.q += dq
	if dq >= 0 {
		st.in += dq
		st.ein += de
	} else {
		st.outq -= dq
		st.eout -= de
	}
	if st.m.Energy == RowMeanProduct {
		st.rowI, st.rowT = st.meanI, st.m.RowLength
	} else {
		st.e += de
		st.rowV, st.nRow = 0, 0
	}
	st.meanI, st.meanP = 0, 0
}

// energyAtRow adds the energy of a row by the mistaken ways.
func (st *state) energyAtRow(v float64) {
	meanV := st.rowV / float64(max(st.nRow, 1))
	switch st.m.Energy {
	case RowMean:
		st.e += meanV * st.rowQ
	case RowLast:
		st.e += v * st.rowQ
	case RowEnds:
		st.e += (st.rowStartV + v) / 2 * st.rowQ
	case RunMean:
		if st.m.Anew == MeanAnew && st.nV < 2 {
			break // it shows what it saved until it adds a step
		}
		st.e = st.sumV / float64(max(st.nV, 1)) * st.q
	case RunEnds:
		st.e = (st.firstV + v) / 2 * st.q
	case NowTimesTotal:
		st.e = v * st.q
	case FirstVolt:
		st.e += st.firstV * st.rowQ
	case RowMeanProduct:
		st.e += meanV * st.rowI / float64(max(st.nRow, 1)) * st.rowT
	}
	st.rowStartV = v
	st.rowV, st.nRow, st.rowQ, st.rowT, st.rowI = 0, 0, 0, 0, 0
}

// store writes the totals at row j.
func (st *state) store(t *Totals, j int) {
	t.Elapsed[j], t.Charge[j], t.Energy[j] = st.clock(), st.q, st.e
	t.In[j], t.Out[j], t.EnergyIn[j], t.EnergyOut[j] = st.in, st.outq, st.ein, st.eout
}
