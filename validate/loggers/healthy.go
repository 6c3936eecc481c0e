package loggers

import (
	"fmt"

	"stuntcell/emulator/link"
)

// Healthy returns further healthy loggers, in other styles than the good one: a judge that fails one of them is wrong.
func Healthy() []Defect {
	var list []Defect
	add := func(name, summary string, change func(m *meter)) {
		list = append(list, Defect{Name: name, Summary: summary, New: build(change)})
	}

	// How it sums.
	add("left-rectangle", "Each reading stands until the next.", func(m *meter) { m.ledger = &book{rule: &left{}, sum: &plainSum{}} })
	add("right-rectangle", "Each reading stands for the time since the one before.",
		func(m *meter) { m.ledger = &book{rule: right{}, sum: &plainSum{}} })
	add("integer-micro", "Sums uA·ms and uW·ms in 64-bit integers, by the trapezoid.", func(m *meter) { m.ledger = &microSum{} })
	add("integer-counts", "Sums raw counts times milliseconds in 64-bit integers and scales for the row.",
		func(m *meter) { m.ledger = &countSum{} })
	add("kahan", "Sums in single precision and carries what each addition loses.",
		func(m *meter) { m.ledger = trapezoidInto(&kahanSum{}) })
	add("hold-last", "A failed reading is replaced by the one before.", func(m *meter) { m.front = &holding{} })
	add("hold-half", "The half of a reading that failed is replaced by that of the one before.", func(m *meter) { m.front = &holdingEach{} })
	add("zeroed", "Learns the shunt's offset while both contacts are open and subtracts it.", func(m *meter) { m.front = &zeroed{} })
	add("burden-added", "Adds the shunt's own drop back to the voltage where the bus is tapped behind it.",
		func(m *meter) { m.front = &unburdened{} })
	add("phase-totals", "Totals start anew with each charge and discharge, and the header says so.", func(m *meter) {
		m.ledger = &phases{ledger: m.ledger}
		m.sheet.columns = []column{dateTime("time"), rawTick("tick"), volts("V", 1, 4), amps("A", 1, 4),
			charge("Ah this phase", 3600, 6), energy("Wh this phase", 3600, 6)}
	})

	// What a row shows.
	add("row-means", "A row shows the means of its readings.", func(m *meter) { m.shown = &rowMean{} })
	add("written-means", "A row shows the means of the readings since the last row that the card took.", func(m *meter) { m.shown = &writtenMean{} })
	add("smoothed", "A row shows the mean of the latest two readings.", func(m *meter) { m.shown = &smoothed{} })

	// How it prints.
	add("charge-negative", "Current out of the battery is positive, as a load tester has it.", func(m *meter) {
		m.sheet = m.sheet.with(amps("A", -1, 4)).with(watts("W", -1, 4)).with(charge("Ah", -3600, 6)).with(energy("Wh", -3600, 6))
	})
	add("mixed-signs", "Current into the battery is positive, totals out of it are.", func(m *meter) {
		m.sheet = m.sheet.with(charge("Ah", -3600, 6)).with(energy("Wh", -3600, 6))
	})
	add("split-totals", "Ah and Wh in and out in columns of their own.", func(m *meter) { m.sheet = splitSheet() })
	add("milli-units", "mV, mA, mAh, mWh.", func(m *meter) {
		m.sheet.columns = []column{dateTime("time"), rawTick("tick"), volts("mV", 1e-3, 1), amps("mA", 1e-3, 1),
			charge("mAh", 3.6, 3), energy("mWh", 3.6, 3)}
	})
	add("decimal-comma", "Semicolons between columns and decimal commas.", func(m *meter) { m.sheet.separator, m.sheet.comma = ";", true })
	add("german", "German words, day.month.year and time of day in two columns, decimal commas.", func(m *meter) {
		east := func() int64 { return m.g.ZoneMin }
		m.sheet = sheet{separator: ";", comma: true, columns: []column{layout("Datum", "02.01.2006", east), layout("Uhrzeit", "15:04:05", east),
			volts("Spannung [V]", 1, 3), amps("Strom [A]", 1, 3), charge("Ladung [Ah]", 3600, 5), energy("Energie [Wh]", 3600, 4)}}
	})
	add("tabs", "Tabs between columns, names and units in the header.", func(m *meter) {
		m.sheet = sheet{separator: "\t", columns: []column{unixTime("Unix time"), elapsedSeconds("Elapsed (s)", 1),
			volts("Voltage (V)", 1, 3), amps("Current (A)", 1, 4), charge("Charge (Ah)", 3600, 5), energy("Energy (Wh)", 3600, 4)}}
	})
	add("unix-time", "Unix time is its only time.", func(m *meter) { m.sheet.columns = timedBy(unixTime("unix")) })
	add("iso-offset", "ISO time with the zone's offset.", func(m *meter) {
		m.sheet.columns = timedBy(layout("time", "2006-01-02T15:04:05-07:00", func() int64 { return m.g.ZoneMin }))
	})
	add("elapsed", "Hours, minutes and seconds since power-up, beyond 24 h.", func(m *meter) {
		m.sheet.columns = timedBy(hoursMinutes("elapsed"))
		m.cannot = append(m.cannot, "clock")
	})
	add("bare-tick", "The counter as it is, wraps and all, and no clock.", func(m *meter) {
		m.sheet.columns = timedBy(rawTick("tick"))
		m.cannot = append(m.cannot, "clock")
	})
	add("time-of-day", "The counter, and the time of day without a date.", func(m *meter) {
		m.sheet.columns = append([]column{layout("Zeit", "15:04:05", func() int64 { return m.g.ZoneMin })}, timedBy(rawTick("Tick"))...)
	})
	add("serial-days", "Date and time as days of a spreadsheet.", func(m *meter) {
		m.sheet.columns = timedBy(serialDays("Date", func() int64 { return m.g.ZoneMin }))
	})
	add("unix-and-uptime", "Unix time in whole seconds and hundredths of a second since power-up, held back by sixteens.", func(m *meter) {
		m.sheet.columns = append([]column{unixTime("unix")}, timedBy(elapsedSeconds("uptime_s", 2))...)
		m.output = &buffered{full: byRows(16)}
	})
	add("repeated-header", "The header again after each 50 rows.", func(m *meter) {
		m.output = &interspersed{output: m.output, every: 50, text: m.sheet.header}
	})
	add("comments", "Title lines, and a line for a person now and then, all with #.", func(m *meter) {
		titled := &titled{output: m.output, lines: []string{"# capacity meter", "# one row an interval"}}
		m.output = &interspersed{output: titled, every: 20, text: func() string { return fmt.Sprintf("# %.2f Ah so far", m.ledger.totals().charge/3600) }}
	})
	add("footer", "A closing line with the totals.", func(m *meter) {
		m.output = &footed{output: m.output, text: func() string {
			t := m.ledger.totals()
			return fmt.Sprintf("end of test: %.3f Ah, %.2f Wh", t.charge/3600, t.energy/3600)
		}}
	})

	// When and where it writes.
	add("buffer-8", "Rows are held back and written by eights, the rest at the end.", func(m *meter) { m.output = &buffered{full: byRows(8)} })
	add("buffer-3h", "Rows are held back for three hours.", func(m *meter) { m.output = &buffered{full: byTime(3*3600, &m.g)} })
	add("buffer-8-lost", "Rows are held back and written by eights; eight at a time are lost, and told of, while the card fails.",
		func(m *meter) { m.output = &dropping{buffered{full: byRows(8)}} })
	add("late-first-row", "The first row comes after one interval.", func(m *meter) { m.schedule = &everyInterval{late: true} })
	add("rows-made-up", "Rows that a stall has held up are written afterwards, one a reading.", func(m *meter) { m.schedule = &everyInterval{madeUp: true} })
	add("on-multiples", "Rows when the time since power-up passes a multiple of the interval.", func(m *meter) { m.schedule = &onMultiples{} })
	add("row-on-switch", "An extra row when a contact moves.", func(m *meter) { m.schedule = &withSwitches{} })
	add("row-on-turn", "An extra row when the current starts, stops or turns round.", func(m *meter) { m.schedule = &withTurns{} })
	add("file-a-day", "A new file at midnight; totals go on.", func(m *meter) {
		w := &dayWatch{calendar: m.calendar, begins: m.newFile}
		m.each = append(m.each, w.at)
	})

	// How it stops.
	add("hold-by-readings", "Counts the hold in readings.", func(m *meter) { m.cutoff = &byReadings{} })
	add("lead-compensated", "Adds the drop of 0.2 mohm of leads back before it compares with the level.",
		func(m *meter) { m.cutoff = &leadStop{ohm: 0.0002} })

	// What it does not take upon itself.
	add("built-in-interval", "Has its log interval of 10 s built in and says so.", func(m *meter) {
		m.mine, m.cannot, m.deaf = []constant{{"log_ms", 10_000}}, append(m.cannot, "set"), true
	})
	add("cannot-load", "Leaves load and charger alone and says so.", func(m *meter) {
		m.cutoff, m.charger, m.cannot, m.can = noStop{}, noFullStop{}, append(m.cannot, "load"), nil
	})
	add("cannot-set", "Its settings hold from power-up on, and it says so.", func(m *meter) { m.deaf, m.cannot = true, append(m.cannot, "set") })
	add("cannot-restore", "Totals start anew after a power cut, and it says so.", func(m *meter) { m.memory, m.cannot = forgetful{}, append(m.cannot, "restore") })
	add("cannot-count-charge", "Counts only what flows out, and says so.", func(m *meter) {
		m.ledger, m.cannot = bentBy(dischargeOnly), append(m.cannot, "count-charge")
	})
	add("cannot-count-discharge", "Counts only what flows in, and says so.", func(m *meter) {
		m.ledger, m.cannot = bentBy(chargeOnly), append(m.cannot, "count-discharge")
	})
	add("cannot-energy", "Has no energy, and says so.", func(m *meter) {
		m.sheet.columns = []column{dateTime("time"), rawTick("tick"), volts("V", 1, 4), amps("A", 1, 4), charge("Ah", 3600, 6)}
		m.cannot = append(m.cannot, "energy")
	})
	add("cannot-totals", "Writes readings only, and says so.", func(m *meter) {
		m.sheet.columns = []column{dateTime("time"), rawTick("tick"), volts("V", 1, 4), amps("A", 1, 4)}
		m.cannot = append(m.cannot, "totals")
	})
	return append(list, Defect{Name: "minimal", Summary: "Knows r, row and ok, and has its constants built in.",
		New: func(link.Store) link.Logger { return &minimal{} }})
}

// timedBy is the columns of a log with one column of time.
func timedBy(time column) []column {
	return []column{time, volts("V", 1, 4), amps("A", 1, 4), charge("Ah", 3600, 6), energy("Wh", 3600, 6)}
}

// splitSheet has totals by direction.
func splitSheet() sheet {
	return sheet{separator: ",", columns: []column{dateTime("time"), rawTick("tick"), volts("V", 1, 4), amps("A", 1, 4),
		total("Ah in", 3600, 6, func(t *totals) float64 { return t.in }),
		total("Ah out", 3600, 6, func(t *totals) float64 { return t.out }),
		total("Wh in", 3600, 6, func(t *totals) float64 { return t.energyIn }),
		total("Wh out", 3600, 6, func(t *totals) float64 { return t.energyOut })}}
}
