package cause

import (
	"fmt"
	"math"
	"slices"

	"stuntcell/emulator"
	"stuntcell/validate/replay"
)

// hypothesis is one mistaken meter and the cause that it stands for.
type hypothesis struct {
	cause string
	meter replay.Meter
	how   string // what it does, for the evidence
	rank  int    // order among causes that explain equally well: lower first
	// most is how much it can take of a total at most [A·s, W·s]; 0: anything.
	most float64
}

// reaches says that it can take most of what a column is off by.
func (h *hypothesis) reaches(wrong []*Column) bool {
	return h.most == 0 || slices.ContainsFunc(wrong, func(col *Column) bool { return h.most >= 0.8*col.Unrolled.Worst })
}

// searched says that the meter's constant is one of many that were tried: it fits about as often as one that is fitted.
func (h *hypothesis) searched() bool {
	return h.meter.CutCurrent > 0 && h.meter.CutStep == 0 || h.meter.CutPower > 0 && h.meter.CutStep == 0 ||
		h.meter.DeadBand > 0 || h.meter.DeadStep > 0 || h.meter.DeadPower > 0
}

// hypotheses lists the mistaken meters that could explain a log with these readings. Every one starts from the healthy
// meter that the log was found to use and from each of the other rules, since a mistake can hide the rule.
func (c *Case) hypotheses() []hypothesis {
	s := c.Series
	wraps, halves := c.crossings()
	longest, longestGood := c.longestStep(), c.longestGood()
	bands := c.deadBands()
	watts, amps, long, lasts := 0.0, 0.0, 0.0, 0.0 // at most; all steps [s]
	volts := 1.0                                   // at most; a charge is off by no more than an energy
	for k := range s.I {
		lasts += max(0, s.Dt[k])
		if s.Good(k) {
			volts = max(volts, s.V[k])
			watts, amps, long = max(watts, math.Abs(s.I[k]*s.V[k])), max(amps, math.Abs(s.I[k])), max(long, s.Dt[k])
		}
	}
	folds := c.foldsThatMatter()
	var out []hypothesis
	for _, rule := range []replay.Rule{replay.Trapezoid, replay.Left, replay.Right} {
		base := replay.Meter{Rule: rule, Bad: c.Meter.Bad}
		add := func(cause string, rank int, how string, change func(*replay.Meter)) {
			m := base
			change(&m)
			out = append(out, hypothesis{cause: cause, meter: m, how: how, rank: rank})
			back := m.Fold == replay.FoldBack
			switch m.Clocking {
			case replay.WrapNegative, replay.HalfNegative, replay.FaceSeconds, replay.FaceDay:
				back = true
			}
			if back && c.splits() {
				for _, m.Backward = range []replay.Backward{replay.BackTakes, replay.BackTurns} {
					out = append(out, hypothesis{cause: cause, meter: m, how: how, rank: rank})
				}
			}
		}
		if wraps {
			for _, v := range []struct {
				c   replay.Clocking
				how string
			}{
				{replay.WrapNegative, "the step over the wrap is taken as new minus old in a wider type: short by a whole wrap"},
				{replay.WrapPositive, "the step over the wrap is long by a whole wrap"},
				{replay.WrapZero, "the step over the wrap is counted from zero"},
				{replay.WrapStop, "nothing is added any more after the wrap"},
				{replay.WrapFloor, "after the wrap nothing is added until the counter passes its old value"},
				{replay.WrapSkip, "the step over the wrap is dropped"},
			} {
				add("tick-wrap", 10, v.how, func(m *replay.Meter) { m.Clocking = v.c })
			}
		}
		for _, w := range []int{16, 24, 31, 32, 64} {
			if wraps && int64(w) != s.Bits {
				how := fmt.Sprintf("the step over the wrap is taken as if the counter had %d bits", w)
				if w == 64 {
					how += ", as an unsigned long has on most computers"
				}
				add("tick-wrap", 10, how, func(m *replay.Meter) { m.WrapBits = w })
			}
		}
		for _, f := range folds {
			for _, v := range f.steps {
				add("tick-wrap", 10, f.how+": "+v.how, func(m *replay.Meter) { m.Fold, m.Factor, m.FoldSigned = v.fold, f.factor, f.signed })
			}
		}
		if halves {
			for _, v := range []struct {
				c   replay.Clocking
				how string
			}{
				{replay.HalfNegative, "the step over half range is short by a whole wrap: the counter was held as a signed number"},
				{replay.HalfPositive, "the step over half range is long by a whole wrap"},
				{replay.HalfStop, "nothing is added while the counter's top bit is set: it was compared as a signed number"},
				{replay.HalfSkip, "the step over half range is dropped"},
				{replay.HalfClamp, "the counter stands still while its top bit is set: it was read into a signed number"},
			} {
				add("signed-tick", 11, v.how, func(m *replay.Meter) { m.Clocking = v.c })
			}
		}
		add("nominal-dt", 20, "every reading is taken to last the nominal period, whatever time passed", func(m *replay.Meter) { m.Clocking = replay.Nominal })
		if s.Period != 1 {
			// Where readings are even this is a factor: that of a unit of time if they come each minute or hour, else hardly chance.
			rank := 4
			if s.Period == 60 || s.Period == 3600 {
				rank = 6
			}
			add("nominal-dt", rank, "every reading is taken to last one second, whatever time passed", func(m *replay.Meter) { m.Clocking, m.Each = replay.Nominal, 1 })
		}
		add("truncated-dt", 21, "the step is cut to whole seconds", func(m *replay.Meter) { m.Clocking = replay.Whole })
		add("truncated-dt", 22, "the step is rounded to whole seconds", func(m *replay.Meter) { m.Clocking = replay.WholeRounded })
		for _, q := range timeQuanta {
			how := fmt.Sprintf("the step is cut to multiples of %g s", q)
			// With a longer one it would count nothing, ever.
			if q <= longest {
				add("truncated-dt", 22, how, func(m *replay.Meter) { m.CutTime = q })
			}
			if s.HasFailed && q <= longestGood {
				add("truncated-dt", 22, how, func(m *replay.Meter) { m.CutTime, m.Across = q, true })
			}
		}
		// All steps are shorter: no total ever moves, which other mistakes explain as well.
		add("truncated-dt", 45, "the step is cut to a multiple of a time longer than any step, so that nothing is ever added",
			func(m *replay.Meter) { m.CutTime = math.Inf(1) })
		add("nominal-dt", 20, "the mean of a row's readings counts for the nominal length of a row", func(m *replay.Meter) { m.RowLength = c.Log })
		// Where rows are as long as they are meant to be, this is mean-energy.
		add("nominal-dt", 31, "the means of a row's voltages and currents count for the nominal length of a row",
			func(m *replay.Meter) { m.RowLength, m.Energy = c.Log, replay.RowMeanProduct })
		if s.FirstTick > 0 {
			add("first-interval", 13, "the first step is counted from tick 0", func(m *replay.Meter) { m.FromZero = replay.Full })
			add("first-interval", 13, "the first step is counted from tick 0 and a current of zero", func(m *replay.Meter) { m.FromZero = replay.Half })
		}
		add("offset", 43, "the first reading after power-up is taken for the zero of all that follow", func(m *replay.Meter) { m.ZeroFirst = true })
		if s.HasClock {
			if c.clockIsSet() {
				add("rtc-as-dt", 25, "steps are differences of the clock's whole seconds, and the clock was set", func(m *replay.Meter) { m.Clocking = replay.FaceSeconds })
				add("rtc-as-dt", 25, "steps are differences of the clock's whole seconds, negative ones as zero, and the clock was set", func(m *replay.Meter) { m.Clocking = replay.FaceForward })
			} else {
				add("rtc-as-dt", 24, "steps are differences of the clock's whole seconds", func(m *replay.Meter) { m.Clocking = replay.FaceSeconds })
			}
			name := "rtc-as-dt"
			if c.clockIsSet() {
				name = "rtc-trusting"
			}
			if c.clockIsSet() || c.midnight() {
				add(name, 26, "steps are differences of the second of the day, which falls back at midnight", func(m *replay.Meter) { m.Clocking = replay.FaceDay })
				add(name, 26, "steps are differences of the second of the day, a negative one taken for midnight", func(m *replay.Meter) { m.Clocking = replay.FaceDayForward })
			}
		}
		for _, across := range []bool{false, true} {
			if across && !s.HasFailed {
				continue
			}
			add("narrow-interval", 23, "the step in milliseconds is kept in 16 bits", func(m *replay.Meter) { m.Clocking, m.Across = replay.Narrow16, across })
			add("narrow-interval", 23, "the step in milliseconds is kept in 16 bits with a sign",
				func(m *replay.Meter) { m.Clocking, m.Across = replay.Narrow16Signed, across })
			if turn := 65536 / s.Hz; s.Hz != 1000 && turn < longestGood {
				add("narrow-interval", 24, "the step in counts of the counter is kept in 16 bits", func(m *replay.Meter) { m.Modulo, m.Across = turn, across })
			}
			for _, turn := range narrowTurns {
				if turn < longestGood && turn > s.Period {
					add("narrow-interval", 62, fmt.Sprintf("of the step only what is left of whole turns of %g s is kept", turn),
						func(m *replay.Meter) { m.Modulo, m.Across = turn, across })
				}
			}
			if across {
				add("nominal-dt", 20, "the time from one good reading to the next is taken for the nominal period, whatever passed",
					func(m *replay.Meter) { m.Clocking, m.Across = replay.Nominal, true })
			}
		}
		add("float32-stall", 33, "the counter in seconds is held in single precision", func(m *replay.Meter) { m.Clocking = replay.FloatTime })
		add("float32-stall", 33, "the counter in milliseconds is held in single precision", func(m *replay.Meter) { m.Clocking = replay.FloatTimeMS })
		add("sign", 44, "the drop in the shunt is taken off the voltage, where it should be added", func(m *replay.Meter) { m.Burden = -c.shunt() })
		// Products reach the end of an integer before sums do.
		for _, x := range []struct {
			whole float64
			of    string
		}{{65.536, "milliwatts in 16 bits"}, {65536 * s.Amp * s.Volt, "counts times counts in 16 bits"}} {
			if watts > x.whole/2 {
				how := "the power of a reading turns over, as " + x.of + " do"
				add("total-overflow", 20, how, func(m *replay.Meter) { m.WrapPower = x.whole })
				add("total-overflow", 20, how, func(m *replay.Meter) { m.WrapPower, m.CutPower = x.whole, 1e-3 })
			}
		}
		for _, x := range []struct {
			whole float64
			of    string
		}{{math.Ldexp(s.Amp*s.Volt/s.Hz, 32), "counts times counts times ticks in 32 bits"}, {math.Ldexp(1e-9, 32), "milliamperes times millivolts times milliseconds in 32 bits"},
			{math.Ldexp(1e-6, 32), "milliwatts times milliseconds in 32 bits"}, {65.536, "milliwatt-seconds in 16 bits"}} {
			if watts*long > x.whole/2 {
				add("total-overflow", 20, "the energy of a step turns over, as "+x.of+" does", func(m *replay.Meter) { m.WrapStep = x.whole })
			}
		}
		for _, x := range []struct {
			whole float64
			of    string
		}{{math.Ldexp(s.Amp/s.Hz, 32), "counts times ticks in 32 bits"}, {math.Ldexp(1e-9, 32), "microamperes times milliseconds in 32 bits"},
			{65.536, "milliampere-seconds in 16 bits"}} {
			if amps*long > x.whole/2 {
				add("total-overflow", 20, "the charge of a step turns over, as "+x.of+" does", func(m *replay.Meter) { m.WrapCharge = x.whole })
			}
		}
		// One total of both directions beside right ones is as well one with the wrong sign in one direction: both are said.
		add("both-add", 39, "charge and discharge are both added to the charge total", func(m *replay.Meter) { m.Side, m.SideOf = replay.Magnitude, replay.OfCharge })
		add("both-add", 39, "charge and discharge are both added to the energy total", func(m *replay.Meter) { m.Side, m.SideOf = replay.Magnitude, replay.OfEnergy })
		add("both-add", 40, "charge and discharge are both added to one total", func(m *replay.Meter) { m.Side = replay.Magnitude })
		if c.splits() {
			for _, way := range []int{1, -1} {
				const how = "what flows either way is added to one total of a pair"
				add("both-add", 39, how, func(m *replay.Meter) { m.AllCharge, m.AllEnergy = way, way })
				add("both-add", 39, how, func(m *replay.Meter) { m.AllCharge = way })
				add("both-add", 39, how, func(m *replay.Meter) { m.AllEnergy = way })
				const also = "what flows either way is added to one total of a pair, while the other counts its own direction"
				add("both-add", 39, also, func(m *replay.Meter) { m.AlsoCharge = way }) // each column by its own: it spoils no other
				add("both-add", 39, also, func(m *replay.Meter) { m.AlsoEnergy = way })
			}
		}
		// The narrower first: it spoils no column that is right.
		for _, x := range []struct {
			of   replay.SideOf
			what string
		}{{replay.OfCharge, "charge"}, {replay.OfEnergy, "energy"}, {replay.OfBoth, "what flows"}} {
			add("one-way", 41, "only "+x.what+" into the battery is counted", func(m *replay.Meter) { m.Side, m.SideOf = replay.ChargeOnly, x.of })
			add("one-way", 41, "only "+x.what+" out of the battery is counted", func(m *replay.Meter) { m.Side, m.SideOf = replay.DischargeOnly, x.of })
		}
		for _, way := range []int{1, -1} {
			add("one-way", 43, "a total that comes back to zero stays there and does not change its sign", func(m *replay.Meter) { m.Stop = way })
		}
		add("row-rate-sum", 35, "only the readings at which a row was written are integrated", func(m *replay.Meter) { m.RowRate = true })
		for _, n := range []int{2, 3, 4, 5, 8, 10} {
			how := fmt.Sprintf("the reading %d before is integrated", n)
			if math.Abs(float64(n)*s.Period/c.Log-1) < 0.01 {
				how += ", or each row shows the totals of the row before"
			}
			add("stale-reading", 36, how, func(m *replay.Meter) { m.Stale = n })
		}
		if slices.Contains(s.I, 0) {
			add("failed-reading", 37, "a current of zero is taken for a reading that failed, and bridged", func(m *replay.Meter) { m.ZeroFails = true })
			add("failed-reading", 37, "a current of zero is taken for a reading that failed, and the one before counts on", func(m *replay.Meter) { m.ZeroHeld = true })
		}
		if s.HasFailed {
			add("failed-reading", 15, "a failed reading is counted as zero", func(m *replay.Meter) { m.Bad = replay.Zero })
			add("failed-reading", 15, "a failed reading is counted as full scale", func(m *replay.Meter) { m.Bad = replay.FullScale })
			add("failed-reading", 15, "a failed reading is counted as full scale, negative", func(m *replay.Meter) { m.Bad = replay.FullScaleNegative })
			add("failed-reading", 15, "a failed reading is counted as -1", func(m *replay.Meter) { m.Bad = replay.MinusOne })
			add("failed-reading", 15, "the time of a failed reading is left out", func(m *replay.Meter) { m.Bad = replay.Lost })
		}
		if s.Lone != nil {
			for _, half := range []struct {
				of   replay.BadOf
				what string
			}{{replay.ShuntAlone, "a failed shunt beside a good bus"}, {replay.BusAlone, "a failed bus beside a good shunt"}} {
				for _, bad := range []struct {
					as   replay.Bad
					what string
				}{{replay.Zero, "zero"}, {replay.FullScale, "full scale"}, {replay.FullScaleNegative, "full scale, negative"}, {replay.MinusOne, "-1"}} {
					add("failed-reading", 15, half.what+" is counted as "+bad.what, func(m *replay.Meter) { m.Bad, m.BadOf = bad.as, half.of })
				}
			}
		}
		if c.hasSettings() {
			add("setting-jump", 16, "totals fall to zero when a setting changes", func(m *replay.Meter) { m.ResetSetting = true })
			for _, r := range c.settingRatios() {
				add("setting-jump", 16, fmt.Sprintf("totals are multiplied by %.4g when the setting changes", r), func(m *replay.Meter) { m.ScaleSetting = r })
			}
			add("setting-jump", 16, "the step in which a setting changes is dropped", func(m *replay.Meter) { m.HoldSetting = true })
		}
		if c.clockIsSet() {
			add("rtc-trusting", 17, "totals fall to zero when the clock is set back", func(m *replay.Meter) { m.ResetClock = replay.Back })
			add("rtc-trusting", 17, "totals fall to zero when the clock is set ahead", func(m *replay.Meter) { m.ResetClock = replay.Ahead })
			add("rtc-trusting", 17, "totals fall to zero when the clock is set", func(m *replay.Meter) { m.ResetClock = replay.Back | replay.Ahead })
			add("rtc-trusting", 18, "nothing is added until the clock passes its old value", func(m *replay.Meter) { m.FaceFloor = true })
		}
		if s.HasClock {
			zones := []int64{s.Zone, 0}
			if s.Zone == 0 {
				zones = zones[:1]
			}
			for _, z := range zones {
				add("midnight-reset", 17, "totals fall to zero at midnight", func(m *replay.Meter) { m.ResetMidnight = replay.Midnight(z) })
				add("midnight-reset", 19, "totals fall to zero at each full hour, as with a file for each hour", func(m *replay.Meter) {
					m.ResetMidnight, m.Hourly = replay.Midnight(z), true
				})
			}
		}
		if c.cardFails() {
			add("card-loss", 14, "nothing is added while the card fails", func(m *replay.Meter) { m.SkipCard = true })
			add("card-loss", 14, "totals fall to zero when a write fails", func(m *replay.Meter) { m.ResetCard = true })
			add("card-loss", 14, "totals fall to zero at each write that fails", func(m *replay.Meter) { m.ResetCard, m.ResetRows = true, c.Log })
			add("card-loss", 14, "totals stand still after the failed write", func(m *replay.Meter) { m.FreezeCard = true })
		}
		if longestGood > 4*s.Period {
			add("nominal-dt", 60, "a step longer than usual counts as one period", func(m *replay.Meter) { m.StallClip = s.Period })
			for _, n := range []float64{2, 3, 5, 10} {
				if (n+0.1)*s.Period >= longestGood {
					break
				}
				many := fmt.Sprintf("a step longer than %g periods ", n)
				add("nominal-dt", 60, many+"is dropped", func(m *replay.Meter) { m.StallLimit = (n + 0.1) * s.Period })
				add("nominal-dt", 60, many+"counts as one period", func(m *replay.Meter) { m.StallLimit, m.StallClip = (n+0.1)*s.Period, s.Period })
			}
		}
		for _, most := range []float64{0.5, 1, 1.5, 2, 3, 5, 10, 30, 60} {
			if most > 1.05*s.Period && most < 0.95*longestGood {
				add("nominal-dt", 61, fmt.Sprintf("a step counts as %g s at most", most), func(m *replay.Meter) { m.StallClip = most })
			}
		}
		small := len(out) // from here on a current or a power is off by no more than the constant at any time
		for _, a := range bands {
			add("dead-band", 45, "currents below a threshold are counted as zero", func(m *replay.Meter) { m.DeadBand = a })
			if rule == replay.Trapezoid {
				add("dead-band", 45, "a step at the end of which the current is below a threshold is left out", func(m *replay.Meter) { m.DeadStep = a })
				add("dead-band", 45, "a step whose mean current is below a threshold is left out", func(m *replay.Meter) { m.DeadStep, m.DeadMean = a, true })
			}
		}
		for _, w := range []float64{0.1, 0.2, 0.25, 0.5, 1, 2, 5} {
			add("dead-band", 46, "powers below a threshold are counted as zero", func(m *replay.Meter) { m.DeadPower = w })
		}
		for _, q := range []float64{1, 0.5, 0.25, 0.1, 0.05, 0.01, 0.005, 0.001} {
			if n := s.Amp / q; math.Abs(n-math.Round(n)) < 1e-9 {
				continue // all readings are multiples of it
			}
			add("truncated-sum", 46, fmt.Sprintf("the current is cut to multiples of %g A before it is added", q), func(m *replay.Meter) { m.CutCurrent = q })
			add("truncated-sum", 46, fmt.Sprintf("the current is cut downward to multiples of %g A before it is added", q), func(m *replay.Meter) { m.CutCurrent, m.CutFloor = q, true })
			add("truncated-sum", 46, fmt.Sprintf("current, and power from it, are cut to multiples of %g A", q), func(m *replay.Meter) { m.CutCurrent, m.PowerOfCut = q, true })
			add("truncated-sum", 46, fmt.Sprintf("current, and power from it, are cut downward to multiples of %g A", q), func(m *replay.Meter) {
				m.CutCurrent, m.CutFloor, m.PowerOfCut = q, true, true
			})
			add("rounded-sum", 47, fmt.Sprintf("current, and power from it, are rounded to multiples of %g A", q), func(m *replay.Meter) {
				m.CutCurrent, m.RoundCurrent, m.PowerOfCut = q, true, true
			})
			add("rounded-sum", 47, fmt.Sprintf("the current is rounded to multiples of %g A before it is added", q), func(m *replay.Meter) { m.CutCurrent, m.RoundCurrent = q, true })
		}
		if rule == replay.Trapezoid {
			add("truncated-sum", 46, "the mean current of a step is cut to whole counts", func(m *replay.Meter) { m.CutCurrent, m.CutMean = s.Amp, true })
		}
		for _, q := range []float64{1, 0.5, 0.1} {
			add("truncated-sum", 46, fmt.Sprintf("the voltage is cut to multiples of %g V before it is multiplied", q), func(m *replay.Meter) { m.CutVolt = q })
			add("rounded-sum", 47, fmt.Sprintf("the voltage is rounded to multiples of %g V before it is multiplied", q), func(m *replay.Meter) { m.CutVolt, m.RoundCurrent = q, true })
		}
		for _, q := range []float64{1, 0.5, 0.1, 0.05, 0.01} {
			add("truncated-sum", 46, fmt.Sprintf("the power is cut to multiples of %g W before it is added", q), func(m *replay.Meter) { m.CutPower = q })
			if rule == replay.Trapezoid {
				add("truncated-sum", 46, fmt.Sprintf("the mean power of a step is cut to multiples of %g W", q), func(m *replay.Meter) { m.CutPower, m.CutMean = q, true })
				add("truncated-sum", 46, fmt.Sprintf("the mean current of a step is cut to multiples of %g A", q), func(m *replay.Meter) { m.CutCurrent, m.CutMean = q, true })
			}
		}
		for i := range out[small:] {
			h := &out[small+i]
			m := &h.meter
			h.most = lasts * max(m.DeadBand*volts, m.DeadStep*volts, m.DeadPower, m.CutCurrent*volts, m.CutPower, m.CutVolt*amps)
		}
		for _, q := range stepQuanta {
			from := len(out)
			how := fmt.Sprintf("the remainder of each step below %.3g A·s is thrown away", q)
			add("truncated-sum", 46, how, func(m *replay.Meter) { m.CutStep, m.CutEnergy = q, q })
			if q >= 1e-3 {
				add("truncated-sum", 46, how, func(m *replay.Meter) { m.CutStep, m.CutEnergy, m.CutRaw = q, q, true })
			}
			if q >= 0.01 {
				add("rounded-sum", 48, fmt.Sprintf("each step is rounded to %.3g A·s", q), func(m *replay.Meter) { m.CutStep, m.CutEnergy, m.RoundStep = q, q, true })
			}
			// Integer arithmetic often has milliamperes and milliwatts to begin with.
			add("truncated-sum", 46, how, func(m *replay.Meter) { m.CutStep, m.CutEnergy, m.CutCurrent, m.CutPower = q, q, 1e-3, 1e-3 })
			add("truncated-sum", 46, how, func(m *replay.Meter) {
				m.CutStep, m.CutEnergy, m.CutCurrent, m.CutPower, m.RoundCurrent = q, q, 1e-3, 1e-3, true
			})
			if rule == replay.Trapezoid {
				add("truncated-sum", 46, how, func(m *replay.Meter) {
					m.CutStep, m.CutEnergy, m.CutCurrent, m.CutPower, m.CutMean = q, q, 1e-3, 1e-3, true
				})
			}
			for i := range out[from:] {
				h := &out[from+i]
				h.most = q * float64(s.Len())
				if h.meter.CutCurrent > 0 {
					h.most += 1e-3 * lasts
				}
			}
		}
		printed := len(out)
		for _, q := range c.printedQuanta() {
			add("rounded-sum", 44, "each step is rounded to what is printed, and the rounded value is summed", func(m *replay.Meter) {
				m.CutStep, m.CutEnergy, m.RoundStep = q, q, true
			})
			// What is shown or stored elsewhere may have fewer places than the log.
			for _, places := range []float64{1, 10, 100, 1000} {
				what, rank := "what is printed", 44
				if places > 1 {
					rank = 49
					what = fmt.Sprintf("%g times the last place printed", places)
				}
				add("rounded-sum", rank, "the total is rounded to "+what+" at each row and goes on from there", func(m *replay.Meter) { m.RoundRow = places * q })
				add("rounded-sum", rank, "the total is cut to "+what+" at each row and goes on from there", func(m *replay.Meter) { m.RoundRow, m.CutRow = places*q, true })
				add("rounded-sum", rank, "the total is cut downward to "+what+" at each row and goes on from there", func(m *replay.Meter) {
					m.RoundRow, m.CutRow, m.CutFloor = places*q, true, true
				})
			}
			add("truncated-sum", 44, "each step is cut to what is printed, and the cut value is summed", func(m *replay.Meter) {
				m.CutStep, m.CutEnergy = q, q
			})
		}
		for i := range out[printed:] {
			h := &out[printed+i]
			h.most = h.meter.CutStep*float64(s.Len()) + h.meter.RoundRow*float64(len(c.At))
		}
		for _, u := range []float64{3600, 1, 3.6, 1e-3, 3.6e-3} {
			add("float32-stall", 34, "the total is kept in single precision, in which a small step vanishes", func(m *replay.Meter) { m.Float32 = u })
		}
		for _, e := range []struct {
			by  replay.EnergyBy
			how string
		}{
			{replay.StepMean, "energy is the mean voltage of a step's two readings times their mean current"},
			{replay.RowMean, "energy is the mean voltage of a row times the charge of the row"},
			{replay.RowMeanProduct, "energy is the mean voltage times the mean current of a row"},
			{replay.RowEnds, "energy is the mean of the voltages at two rows times the charge between them"},
			{replay.RowLast, "energy is the voltage at the row times the charge of the row"},
			{replay.RunMean, "energy is the mean voltage of the whole run times the total charge"},
			{replay.RunEnds, "energy is the mean of the first and the present voltage times the total charge"},
			{replay.NowTimesTotal, "energy is the present voltage times the total charge"},
			{replay.FirstVolt, "energy is the first voltage times the charge"},
		} {
			add("mean-energy", 30, e.how, func(m *replay.Meter) { m.Energy = e.by })
			if (e.by == replay.RunMean || e.by == replay.RunEnds || e.by == replay.NowTimesTotal) && len(s.Life) > 0 && s.Life[0] != s.Life[s.Len()-1] {
				add("mean-energy", 30, e.how+", each since power-up", func(m *replay.Meter) { m.Energy, m.Anew = e.by, replay.SumsAnew })
				add("mean-energy", 30, e.how+", the mean since power-up", func(m *replay.Meter) { m.Energy, m.Anew = e.by, replay.MeanAnew })
			}
		}
		c.unsigned(func(how string, change func(*replay.Meter)) { add("sign", 42, how, change) })
		for _, way := range []int{1, -1} {
			add("sign", 38, "one direction has the wrong sign in the charge total, which so grows both ways", func(m *replay.Meter) { m.FlipCharge = way })
			add("sign", 38, "one direction has the wrong sign in the energy total, which so grows both ways", func(m *replay.Meter) { m.FlipEnergy = way })
		}
	}
	return out
}

// timeQuanta are the units to which integer arithmetic cuts a step [s]: parts of a second, ms/3600 in whole units, minutes.
var timeQuanta = []float64{0.01, 0.02, 0.05, 0.1, 0.2, 0.25, 0.5, 3.6, 10, 36, 60}

// narrowTurns are the turns of small counters of a step [s]: 8 bits of hundredths, tenths and seconds, 16 bits of tenths of a millisecond.
var narrowTurns = []float64{2.56, 6.5536, 25.6, 256}

// midnight says that the day changes in the user's zone.
func (c *Case) midnight() bool {
	for _, h := range c.happenings() {
		if h.cause == "midnight-reset" {
			return true
		}
	}
	return false
}

// longestGood is the longest time between two good readings [s].
func (c *Case) longestGood() float64 {
	longest, t := 0.0, 0.0
	for k, d := range c.Series.TickDt {
		if t += d; c.Series.Good(k) {
			longest, t = max(longest, t), 0
		}
	}
	return longest
}

// stepQuanta are the amounts below which integer arithmetic throws a step's remainder away [A·s]: mA·s, uA·s, uAh, mAh and
// their tenths, also per second and per millisecond.
var stepQuanta = []float64{3600, 36, 3.6, 1, 0.36, 0.1, 0.036, 0.01, 3.6e-3, 1e-3, 3.6e-4, 1e-4, 3.6e-5, 1e-5, 3.6e-6, 1e-6}

// printedQuanta are the units in which the totals are printed [A·s, W·s].
func (c *Case) printedQuanta() []float64 {
	var out []float64
	for _, col := range c.Column {
		if col.Role == Elapsed {
			continue
		}
		for _, u := range col.Printed.Unit {
			if u > 0 && !math.IsNaN(u) {
				seen := false
				for _, q := range out {
					seen = seen || math.Abs(q-u) < u*1e-6
				}
				if !seen && len(out) < 4 {
					out = append(out, u)
				}
				break
			}
		}
	}
	return out
}

// unsigned lists what becomes of negative numbers where a product or a reading is held without a sign, as far as the totals are off by so much:
// each negative step makes them larger by all that the number holds.
func (c *Case) unsigned(add func(how string, change func(*replay.Meter))) {
	s := c.Series
	steps, time := 0.0, 0.0 // of negative current
	for k := range s.I {
		if s.Good(k) && s.I[k] < 0 {
			steps++
			time += max(0, s.Dt[k])
		}
	}
	charge, energy := c.off()
	const part = 0.2 // some of the steps may be missing, or what they add be taken off again
	type number struct {
		whole float64
		of    string
	}
	for _, x := range []number{{65536 * s.Amp, "16 bits"}, {65.536, "16 bits, in milliamperes"}, {math.Ldexp(s.Amp, 32), "32 bits"},
		{math.Ldexp(1e-3, 32), "32 bits, in milliamperes"}, {math.Ldexp(1e-6, 32), "32 bits, in microamperes"}} {
		if time > 0 && (charge > part*x.whole*time || energy > part*x.whole*time) {
			add("a negative current is read as a number of "+x.of+" without a sign", func(m *replay.Meter) { m.Unsigned = x.whole })
		}
	}
	for _, x := range []number{{math.Ldexp(s.Amp/s.Hz, 32), "counts times ticks"}, {math.Ldexp(1e-3, 32), "milliamperes times seconds"},
		{math.Ldexp(1e-6, 32), "milliamperes times milliseconds"}, {math.Ldexp(1e-9, 32), "microamperes times milliseconds"}} {
		if steps > 0 && charge > part*x.whole*steps {
			add("a negative charge of a step is taken for a large positive one: "+x.of+" in 32 bits without a sign",
				func(m *replay.Meter) { m.WrapCharge, m.WrapPositive = x.whole, true })
		}
	}
	for _, x := range []number{{math.Ldexp(s.Amp*s.Volt, 32), "counts times counts"}, {math.Ldexp(1e-3, 32), "milliwatts"},
		{math.Ldexp(1e-6, 32), "milliamperes times millivolts"}} {
		if time > 0 && energy > part*x.whole*time {
			add("a negative power is taken for a large positive one: "+x.of+" in 32 bits without a sign",
				func(m *replay.Meter) { m.WrapPower, m.WrapPositive = x.whole, true })
		}
	}
	for _, x := range []number{{math.Ldexp(1e-3, 32), "milliwatts times seconds"}, {math.Ldexp(1e-6, 32), "milliwatts times milliseconds"},
		{math.Ldexp(1e-9, 32), "milliamperes times millivolts times milliseconds"}} {
		if steps > 0 && energy > part*x.whole*steps {
			add("a negative energy of a step is taken for a large positive one: "+x.of+" in 32 bits without a sign",
				func(m *replay.Meter) { m.WrapStep, m.WrapPositive = x.whole, true })
		}
	}
}

// off is by how much the wrong totals are off at most [A·s], [W·s].
func (c *Case) off() (charge, energy float64) {
	for _, col := range c.Column {
		switch {
		case col.OK || col.Role == Elapsed:
		case col.Role.IsEnergy():
			energy = max(energy, col.Unrolled.Worst)
		default:
			charge = max(charge, col.Unrolled.Worst)
		}
	}
	return charge, energy
}

// splits says that the log has totals of one direction.
func (c *Case) splits() bool {
	return slices.ContainsFunc(c.Column, func(col *Column) bool { return col.Role.Splits() })
}

// crossings says whether the counter wraps, and whether it passes half range, between two readings.
func (c *Case) crossings() (wraps, halves bool) {
	s := c.Series
	if s.Bits >= 63 {
		return false, false
	}
	mask := s.Mask()
	half := int64(1) << uint(s.Bits-1)
	for k := 1; k < len(s.Tick); k++ {
		if s.Life[k] != s.Life[k-1] {
			continue
		}
		a, b := s.Tick[k-1], s.Tick[k]
		wraps = wraps || a&^mask != b&^mask
		halves = halves || (a+half)&^mask != (b+half)&^mask
	}
	// A counter that is above half range from the start shows as well.
	for _, t := range s.Tick[:min(1, len(s.Tick))] {
		halves = halves || t&half != 0
	}
	return wraps, halves
}

// longestStep is the longest time between two readings [s].
func (c *Case) longestStep() float64 {
	m := 0.0
	for _, d := range c.Series.Dt {
		m = max(m, d)
	}
	return m
}

// settingRatios are the ratios of log intervals after and before a setting, and their inverses.
func (c *Case) settingRatios() []float64 {
	before := float64(c.Record.Greeting.LogMS)
	for _, e := range c.Record.Events {
		if e.Kind == emulator.Setting && e.Text == "log_ms" && before > 0 && e.Value > 0 {
			r := float64(e.Value) / before
			return []float64{r, 1 / r}
		}
	}
	return nil
}

// deadBands are the thresholds, round ones in counts and amperes, below which firmware may take a current for nothing [A]. Each has readings
// below it that are not below the one before: the others would do the same, or nothing.
func (c *Case) deadBands() []float64 {
	var all []float64
	for _, n := range []float64{1, 2, 3, 4, 5, 10, 20, 50} {
		all = append(all, (n+0.5)*c.Series.Amp)
	}
	for _, a := range []float64{0.005, 0.01, 0.02, 0.025, 0.03, 0.05, 0.1, 0.15, 0.2, 0.25, 0.3, 0.5, 1} {
		if a > c.Series.Amp {
			all = append(all, a)
		}
	}
	slices.Sort(all)
	first := make([]bool, len(all)+1) // some reading has this threshold for its first
	for _, i := range c.Series.I {
		if i != 0 && !math.IsNaN(i) {
			k, same := slices.BinarySearch(all, math.Abs(i))
			if same {
				k++
			}
			first[k] = true
		}
	}
	var out []float64
	for k, a := range all {
		if first[k] {
			out = append(out, a)
		}
	}
	return out
}
