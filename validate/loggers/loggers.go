package loggers

import (
	"math"

	"stuntcell/emulator/link"
)

// Build makes a logger on a store, as power-up does. Each call is a new life; what is in the store is from earlier ones.
type Build func(store link.Store) link.Logger

// Defect is a built-in logger with a name. Healthy ones have no cause.
type Defect struct {
	Name    string // as for `prove --defect`; variants of a cause begin with its name
	Cause   string // the cause that a verdict should name; "" if healthy
	Summary string // one sentence: what is different about it
	New     Build
}

// Good returns the good logger.
func Good() Build { return build(func(*meter) {}) }

// ByName finds a logger among Defects and Healthy.
func ByName(name string) (Defect, bool) {
	for _, list := range [...][]Defect{Defects(), Healthy()} {
		for _, d := range list {
			if d.Name == name {
				return d, true
			}
		}
	}
	return Defect{}, false
}

// build makes loggers of the good one and a change.
func build(change func(m *meter)) Build {
	return func(store link.Store) link.Logger {
		m := newMeter(store)
		change(m)
		return m
	}
}

// fail is how a part ends the logger.
func (m *meter) fail(f *link.Failure) { m.failure = f }

// clear sets the totals to zero.
func (m *meter) clear() { m.ledger.restore(totals{}) }

// Parts with the good logger's defaults around one choice.

func trapezoidInto(s sum) ledger { return &book{rule: &trapezoid{}, sum: s} }

func plainBook(r rule) book { return book{rule: r, sum: &plainSum{}} }

func bentBy(b func(q, e float64) (float64, float64)) ledger {
	return trapezoidInto(&bent{bend: b})
}

// Defects returns one logger or several for each cause of JUDGING.md's table that is firmware's, in the order of the table.
func Defects() []Defect {
	var list []Defect
	cause := ""
	add := func(name, summary string, change func(m *meter)) {
		list = append(list, Defect{Name: name, Cause: cause, Summary: summary, New: build(change)})
	}

	cause = "tick-wrap"
	add("tick-wrap", "Subtracts ticks in 64 bits with a sign: the step over the wrap is short by a whole turn of the counter.",
		func(m *meter) { m.timer = &widened{} })
	add("tick-wrap-float", "Turns ticks into seconds in floating point and subtracts those.",
		func(m *meter) { m.timer = &floated{} })
	add("tick-wrap-rescaled", "Divides ticks down to hundredths of a second before an unsigned subtraction, which then wraps elsewhere.",
		func(m *meter) { m.timer = &rescaled{} })
	add("tick-wrap-product", "Multiplies ticks by 1000 in 32 bits before it divides them by their rate: the product turns over after 71 minutes.",
		func(m *meter) { m.timer = &multiplied{} })
	add("tick-wrap-skip", "Drops the one step in which the counter went back (advice: it costs one step).",
		func(m *meter) { m.timer = &guarded{} })
	add("tick-wrap-freeze", "Adds only while the tick is above the last one that it added: nothing after the wrap.",
		func(m *meter) { m.timer = &frozen{} })
	add("tick-wrap-schedule", "Compares the tick with the tick of the next row: no row after the wrap.",
		func(m *meter) { m.schedule = &absolute{} })

	cause = "signed-tick"
	add("signed-tick", "Compares ticks as signed numbers before it adds: nothing above half range.",
		func(m *meter) { m.timer = &signedFrozen{} })
	add("signed-tick-widened", "Keeps the tick in a signed number and subtracts in a wider one: short by a whole turn at half range.",
		func(m *meter) { m.timer = &signedWide{} })
	add("signed-tick-skip", "Drops the one step that crosses half range.",
		func(m *meter) { m.timer = &signedGuarded{} })
	add("signed-tick-schedule", "Compares the next row's tick as a signed number: rows at every reading before half range, none for long after it.",
		func(m *meter) { m.schedule = &signedCompare{} })

	add("signed-tick-saturated", "Reads the tick into a signed number that stays at its last value.",
		func(m *meter) { m.timer = &saturated{} })

	cause = "first-interval"
	add("first-interval", "The last tick is 0 at power-up: the first step is all that the counter ever counted (by the trapezoid, half of it).",
		func(m *meter) { m.timer = &fromZero{} })
	add("first-interval-whole", "The same with the right rectangle, which takes the first current for the whole of it.",
		func(m *meter) { m.timer, m.ledger = &fromZero{}, &book{rule: right{}, sum: &plainSum{}} })

	cause = "narrow-interval"
	add("narrow-interval", "Keeps the log interval's milliseconds in 16 bits, unsigned: 70 s become 4.464 s.",
		func(m *meter) { m.schedule = &narrowInterval{} })
	add("narrow-interval-signed", "The same, signed: 40 s become negative and each reading a row.",
		func(m *meter) { m.schedule = &narrowInterval{signed: true} })
	add("narrow-interval-step", "Keeps the step's milliseconds in 16 bits, unsigned: a stall of 90 s counts as 24.464 s.",
		func(m *meter) { m.timer = &narrow{} })
	add("narrow-interval-step-signed", "The same, signed: a stall of 40 s counts backwards.",
		func(m *meter) { m.timer = &narrow{signed: true} })

	add("narrow-interval-tenths", "Keeps the step's tenths of a second in 8 bits: what is over 25.6 s is lost.",
		func(m *meter) { m.timer = &narrowTenths{} })

	cause = "schedule-creep"
	add("schedule-creep", "Sets the next row one interval after this one, so that each row's lateness is added to the next.",
		func(m *meter) { m.schedule = &fromNow{} })

	cause = "nominal-dt"
	add("nominal-dt", "Adds the loop's nominal period, whatever passed.", func(m *meter) { m.timer = &nominal{} })
	add("nominal-dt-rows", "Adds the mean of a row's readings for the nominal length of a row.",
		func(m *meter) { m.ledger = &rowMeans{g: &m.g} })

	cause = "truncated-dt"
	add("truncated-dt", "Divides the step down to whole seconds: 999 ms are none.",
		func(m *meter) { m.timer = &truncated{perSecond: 1} })
	add("truncated-dt-tenths", "Divides the step down to whole tenths of a second.",
		func(m *meter) { m.timer = &truncated{perSecond: 10} })
	add("truncated-dt-quarters", "Counts in quarters of a second.", func(m *meter) { m.timer = &truncated{perSecond: 4} })

	cause = "rtc-as-dt"
	add("rtc-as-dt", "Takes the step from the clock's face, which shows whole seconds and can be set.",
		func(m *meter) { m.timer = &faceTimer{} })
	add("rtc-as-dt-guarded", "The same, ignoring steps back.", func(m *meter) { m.timer = &faceTimer{guarded: true} })

	cause = "rtc-trusting"
	add("rtc-trusting", "Writes rows when the clock gets to their second: set back by an hour, it is silent for an hour.",
		func(m *meter) { m.schedule = &byClock{} })
	add("rtc-trusting-totals", "Drops readings whose clock is older than the newest seen: set back, it counts nothing until the clock catches up.",
		func(m *meter) { m.timer = &newerOnly{} })

	cause = "gain"
	add("gain", "Current 2 % high: another board's calibration.",
		func(m *meter) { m.front = &adjusted{currentGain: 1.02, voltageGain: 1} })
	add("gain-voltage", "Voltage 2 % low: another divider's calibration.",
		func(m *meter) { m.front = &adjusted{currentGain: 1, voltageGain: 0.98} })
	add("gain-efficiency", "Counts 95 % of what flows in, for losses that no shunt can see.", func(m *meter) { m.ledger = bentBy(efficiency) })

	cause = "offset"
	add("offset", "Current five counts high: an offset that was measured under load.",
		func(m *meter) { m.front = &adjusted{currentGain: 1, voltageGain: 1, offsetCounts: 5} })
	add("offset-quiescent", "Takes 25 mA of its own supply off the totals, on a board whose supply does not pass the shunt.",
		func(m *meter) { m.ledger = &quiescent{book: plainBook(&trapezoid{}), amps: 0.025} })
	add("offset-first", "Takes the first reading after power-up for the zero, whether current flows or not.", func(m *meter) { m.front = &firstZero{} })
	add("offset-voltage", "Voltage 0.2 V high: a diode's drop that is added back where there is no diode.",
		func(m *meter) { m.front = &adjusted{currentGain: 1, voltageGain: 1, offsetVolts: 0.2} })

	cause = "unit-factor"
	add("unit-factor", "Divides A·s by 60, not 3600, for the Ah that it prints.",
		func(m *meter) { m.sheet = m.sheet.with(charge("Ah", 60, 6)) })
	add("unit-factor-kilo", "Divides A·s by 1000, not 3600: a factor of 3.6.",
		func(m *meter) { m.sheet = m.sheet.with(charge("Ah", 1000, 6)) })
	add("unit-factor-energy", "Prints mWh below Wh.", func(m *meter) { m.sheet = m.sheet.with(energy("Wh", 3.6, 3)) })
	add("unit-factor-current", "Prints mA below A.", func(m *meter) { m.sheet = m.sheet.with(amps("A", 1e-3, 1)) })

	cause = "sign"
	add("sign", "Energy from an unsigned power register: Wh grow in both directions, Ah are right.",
		func(m *meter) { m.ledger = bentBy(energyMagnitude) })
	add("sign-charge", "Ah from a current that was made positive for the display; Wh are right.",
		func(m *meter) { m.ledger = bentBy(chargeMagnitude) })
	add("sign-current", "Prints a minus in front of every current.",
		func(m *meter) { m.sheet = m.sheet.with(alwaysMinus("A", current)) })
	add("sign-power", "Prints a minus in front of every power.",
		func(m *meter) { m.sheet = m.sheet.with(alwaysMinus("W", power)) })
	add("sign-below-one", "Prints mA as A by division and remainder: between -1 A and 0 the minus is lost.",
		func(m *meter) { m.sheet = m.sheet.with(wholeAndRest("A")) })

	cause = "both-add"
	add("both-add", "Totals grow in both directions.", func(m *meter) { m.ledger = bentBy(magnitudes) })
	add("both-add-split", "Of its split totals, the one for charge grows in both directions.",
		func(m *meter) { m.sheet, m.ledger = splitSheet(), trapezoidInto(&inAlways{}) })

	cause = "one-way"
	add("one-way", "Drops what flows in.", func(m *meter) { m.ledger = bentBy(dischargeOnly) })
	add("one-way-discharge", "Drops what flows out.", func(m *meter) { m.ledger = bentBy(chargeOnly) })

	cause = "dead-band"
	add("dead-band", "Currents below 30 mA are left out of the totals.",
		func(m *meter) { m.ledger = &deadBand{book: plainBook(&trapezoid{}), amps: 0.030} })
	add("dead-band-shown", "Currents below 30 mA are taken for zero everywhere.",
		func(m *meter) { m.front = &quiet{amps: 0.030} })

	cause = "truncated-sum"
	add("truncated-sum", "Adds whole mA·s: each step's remainder is thrown away.", func(m *meter) { m.ledger = &milliampSum{} })
	add("truncated-sum-uah", "Adds whole uAh: each step's remainder is thrown away.", func(m *meter) { m.ledger = &microampHours{} })

	cause = "float32-stall"
	add("float32-stall", "Sums Ah in single precision: small steps vanish in a large sum.",
		func(m *meter) { m.ledger = trapezoidInto(&floatHours{}) })
	add("float32-stall-seconds", "Sums A·s in single precision.", func(m *meter) { m.ledger = trapezoidInto(&floatSeconds{}) })

	cause = "rounded-sum"
	add("rounded-sum", "Keeps the totals as printed, to 0.0001 Ah and 0.001 Wh, and adds to that.", func(m *meter) {
		m.sheet = m.sheet.with(charge("Ah", 3600, 4)).with(energy("Wh", 3600, 3))
		m.ledger = trapezoidInto(&printedSum{ahUnit: 1e-4, whUnit: 1e-3})
	})
	add("rounded-sum-rows", "Sums what it prints of each row, rounded to 0.001 Ah and 0.01 Wh.", func(m *meter) {
		m.sheet = m.sheet.with(charge("Ah", 3600, 3)).with(energy("Wh", 3600, 2))
		m.ledger = &printedRows{book: plainBook(&trapezoid{}), rows: printedSum{ahUnit: 1e-3, whUnit: 1e-2}}
	})

	cause = "total-overflow"
	add("total-overflow", "Sums raw counts times milliseconds in 32 bits, which wrap after a few Ah.",
		func(m *meter) { m.ledger = &counts32{book: plainBook(&left{})} })
	add("total-overflow-micro", "Sums uA·s in 32 bits, which wrap at 0.6 Ah.",
		func(m *meter) { m.ledger = &micro32{book: plainBook(&trapezoid{})} })
	add("total-overflow-energy", "Sums 10 mW times milliseconds in 32 bits, which wrap at 6 Wh.",
		func(m *meter) { m.ledger = &power32{book: plainBook(&trapezoid{})} })

	cause = "row-rate-sum"
	add("row-rate-sum", "Integrates only when it writes a row, by the trapezoid from row to row.",
		func(m *meter) { m.ledger = &rowRate{book: plainBook(&trapezoid{})} })
	add("row-rate-sum-right", "The same with the row's current for all the time since the row before.",
		func(m *meter) { m.ledger = &rowRate{book: plainBook(right{})} })

	cause = "mean-energy"
	add("mean-energy", "Wh from each row's charge times the mean voltage of its readings.",
		func(m *meter) { m.ledger = &meanEnergy{book: plainBook(&trapezoid{})} })
	add("mean-energy-test", "Wh from the whole charge times the mean voltage of the whole test.",
		func(m *meter) { m.ledger = &meanEnergy{book: plainBook(&trapezoid{}), whole: true} })

	cause = "nominal-voltage"
	add("nominal-voltage", "Wh from Ah times 12 V.", func(m *meter) { m.ledger = &nameplate{plainBook(&trapezoid{}), 12} })

	cause = "stale-reading"
	add("stale-reading", "A row shows the reading two before its own.", func(m *meter) { m.shown = &third{} })
	add("stale-reading-queue", "All it does, it does with the reading two before.", func(m *meter) { m.front = &queued{} })

	cause = "setting-jump"
	add("setting-jump", "Keeps totals in units of one row's length: a new log_ms changes what was ever counted.",
		func(m *meter) { m.ledger = &perInterval{rule: &trapezoid{}, g: &m.g} })
	add("setting-jump-reset", "Starts from zero when a setting changes.", func(m *meter) { m.onSet = (*meter).clear })

	cause = "midnight-reset"
	add("midnight-reset", "Totals start from zero at midnight.", func(m *meter) {
		w := &dayWatch{calendar: m.calendar, begins: func(string, *link.Answer) { m.clear() }}
		m.each = append(m.each, w.at)
	})
	add("midnight-reset-file", "A new file each day, and totals start from zero in it.", func(m *meter) {
		w := &dayWatch{calendar: m.calendar, begins: func(day string, a *link.Answer) {
			m.newFile(day, a)
			m.clear()
		}}
		m.each = append(m.each, w.at)
	})

	cause = "failed-reading"
	add("failed-reading", "A failed reading counts as 0 A and 0 V.", func(m *meter) { m.front = &substituting{} })
	add("failed-reading-full", "A failed reading counts as full scale.", func(m *meter) { m.front = &substituting{fullScale: true} })
	add("failed-reading-bus", "Asks the shunt alone whether a reading is good: a failed bus counts as 0 V.", func(m *meter) { m.front = &halfAsked{} })
	add("failed-reading-shunt", "Asks the bus alone whether a reading is good: a failed shunt counts as 0 A.",
		func(m *meter) { m.front = &halfAsked{bus: true} })
	add("failed-reading-untimed", "The time that a failed reading stood for is left out.", func(m *meter) {
		m.each = append(m.each, func(m *meter, s *sample, _ *link.Answer) {
			if !s.good {
				m.gap = 0
			}
		})
	})
	add("failed-reading-nan", "A failed reading is not a number, and no total after it is one.", func(m *meter) { m.front = &unheeded{} })

	cause = "missing-rows"
	add("missing-rows", "The rows still in its buffer of ten are not written at the end.",
		func(m *meter) { m.output = &unflushed{buffered{full: byRows(10)}} })
	add("missing-rows-fencepost", "Its buffer of ten rows holds nine: each tenth row is lost.",
		func(m *meter) { m.output = &fencepost{} })

	cause = "duplicate-rows"
	add("duplicate-rows", "Each buffer of ten begins with the last row of the one before.",
		func(m *meter) { m.output = &leftover{buffered{full: byRows(10)}} })
	add("duplicate-rows-retry", "After a failed write it writes the row before once more.",
		func(m *meter) { m.output = &rewriting{} })

	cause = "disordered-rows"
	add("disordered-rows", "Of two buffers of four rows, the one that filled last is written first.",
		func(m *meter) { m.output = &swapped{} })
	add("disordered-rows-stack", "Takes the eight rows of its buffer off where it put them on.",
		func(m *meter) { m.output = &stacked{} })

	cause = "broken-row"
	add("broken-row", "A row that crosses the end of a 512-byte sector is cut off there.", func(m *meter) { m.output = &sectors{} })
	add("broken-row-minus", "Prints mA as A by division and remainder, and the remainder's minus with it: -1.-400.",
		func(m *meter) { m.sheet = m.sheet.with(twoSigns("A")) })

	cause = "clumsy-number"
	add("clumsy-number", "Prints Ah with two places and Wh with one.",
		func(m *meter) { m.sheet = m.sheet.with(charge("Ah", 3600, 2)).with(energy("Wh", 3600, 1)) })
	add("clumsy-number-coarse", "Prints Ah with one place and whole Wh.",
		func(m *meter) { m.sheet = m.sheet.with(charge("Ah", 3600, 1)).with(energy("Wh", 3600, 0)) })

	cause = "card-loss"
	add("card-loss", "Sets everything up anew when a write fails, totals too.",
		func(m *meter) { m.output = &reinitialised{setup: m.clear} })
	add("card-loss-rows", "Writes no more rows after a write has failed.", func(m *meter) { m.output = &closed{} })
	add("card-loss-pause", "Does nothing but try the card again while it fails: what flows meanwhile is not counted.",
		func(m *meter) { m.each = append(m.each, busyWithCard) })

	cause = "silent-card-loss"
	add("silent-card-loss", "Loses rows when the card fails, and tells nobody.", func(m *meter) { m.output = &untold{} })

	cause = "restart-loss"
	add("restart-loss", "Keeps no totals over a power cut.", func(m *meter) { m.memory = forgetful{} })
	add("restart-loss-hourly", "Keeps totals once an hour: a power cut costs up to an hour of them.",
		func(m *meter) { m.memory = &hourly{slots: slots{store: m.store}, g: &m.g} })

	cause = "restart-double"
	add("restart-double", "Restores its totals and adds the last row's once more.", func(m *meter) { m.memory = &doubling{slots{store: m.store}} })

	cause = "latch-lost"
	add("latch-lost", "Closes the load after a restart, also one that it had opened for good.",
		func(m *meter) { m.cutoff = &forgetfulStop{} })

	cause = "local-time"
	add("local-time", "Prints local time with summer time: an hour repeats each autumn and is missing each spring.",
		func(m *meter) { m.calendar = &summerTime{} })

	cause = "wrong-date"
	add("wrong-date", "Counts the days itself and knows no 29 February.",
		func(m *meter) { m.calendar = &ownDays{lengths: februaryIs28()} })
	add("wrong-date-month", "Counts the days itself, with 31 and 30 in turn all year.",
		func(m *meter) { m.calendar = &ownDays{lengths: alternating()} })
	add("wrong-date-zero", "Counts months from 0 and prints them so.", func(m *meter) { m.calendar = &monthFromZero{} })
	add("wrong-date-year", "Prints the year that the week belongs to.", func(m *meter) { m.calendar = &weekYear{} })

	cause = "epoch-2038"
	add("epoch-2038", "Keeps Unix seconds in 32 bits.", func(m *meter) { m.calendar = &int32Epoch{} })

	cause = "cutoff-late"
	add("cutoff-late", "Waits 90 s longer than the hold, in case it was only a pulse.", func(m *meter) {
		m.cutoff = &lowStop{hold: func(ms int64) int64 { return ms + 90_000 }}
	})
	add("cutoff-late-filter", "Compares a voltage that is smoothed over more than a minute.", func(m *meter) { m.cutoff = &filtered{} })

	cause = "cutoff-early"
	add("cutoff-early", "Opens the load at the first reading below the level, whatever the hold.", func(m *meter) {
		m.cutoff = &lowStop{hold: func(int64) int64 { return 0 }}
	})

	cause = "cutoff-never"
	add("cutoff-never", "Compares volts with a level that it takes for millivolts.", func(m *meter) {
		m.cutoff = &lowStop{level: func(mv int64) int64 { return mv / 1000 }}
	})
	add("cutoff-never-hold", "Starts the hold anew at each reading below the level.", func(m *meter) { m.cutoff = &restless{} })

	cause = "cutoff-chatter"
	add("cutoff-chatter", "Closes the load again when the battery has recovered by 0.1 V.", func(m *meter) { m.cutoff = &thermostat{} })

	cause = "cutoff-wrong-level"
	add("cutoff-wrong-level", "Applies the divider's correction of 4 % to the level as well as to the readings.", func(m *meter) {
		m.cutoff = &lowStop{level: func(mv int64) int64 { return int64(math.Round(float64(mv) * 1.04)) }}
	})

	cause = "charge-late"
	add("charge-late", "Goes on for two hours after the taper.", func(m *meter) { m.charger = &fullStop{wait: 7_200_000} })

	cause = "charge-never"
	add("charge-never", "Compares amperes with a taper that it takes for milliamperes.", func(m *meter) {
		m.charger = &fullStop{taper: func(ma int64) int64 { return ma / 1000 }}
	})

	cause = "charge-wrong-level"
	add("charge-wrong-level", "Ends the charge when the voltage is reached, without waiting for the taper.", func(m *meter) {
		m.charger = &fullStop{taper: func(int64) int64 { return math.MaxInt64 }}
	})
	add("charge-wrong-level-taper", "Takes the taper ten times too large.", func(m *meter) {
		m.charger = &fullStop{taper: func(ma int64) int64 { return 10 * ma }}
	})

	cause = "load-left-on"
	add("load-left-on", "A failed reading ends the hold: if the sensor dies below the level, the load stays on.",
		func(m *meter) { m.cutoff = &sensorBound{} })

	cause = "hang"
	add("hang", "Waits for room in a buffer of a hundred rows that nobody empties.", func(m *meter) { m.output = &stuck{fail: m.fail} })
	add("hang-sensor", "Waits for a sensor that no longer answers, without a time-out.",
		func(m *meter) { m.each = append(m.each, waitForSensor) })

	cause = "crash"
	add("crash", "Keeps a voltage a minute in an array for half an hour and does not check the index.",
		func(m *meter) { m.each = append(m.each, minuteCurve()) })
	add("crash-card", "Uses the file's handle when the card did not let it open one.", func(m *meter) { m.output = &noFile{} })

	cause = "garbled-output"
	add("garbled-output", "A line of debugging was left in, on the port that carries the log.",
		func(m *meter) { m.output = &chatty{fail: m.fail} })
	return list
}
