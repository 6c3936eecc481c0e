package loggers

import (
	"stuntcell/emulator/link"
)

// sample is one reading as the meter sees it.
type sample struct {
	tick  uint64 // the counter as read
	up    uint64 // ticks since power-up, unwrapped
	clock int64  // the clock's face [Unix s], or link.NoClock
	// good says that the four below are valid.
	good        bool
	shunt, bus  int32   // counts
	amps, volts float64 // into the battery positive
	load        link.Contact
	charge      link.Contact
	cardFails   bool
}

// meter is the firmware of a small capacity meter. The parts are what variants swap.
type meter struct {
	store link.Store // in the memory's hands

	timer    timer
	front    front
	ledger   ledger
	shown    shown
	schedule schedule
	calendar calendar
	sheet    sheet
	output   output
	memory   memory
	cutoff   cutoff
	charger  charger

	// each runs at every reading, before anything else is done with it; onSet after a setting was taken over.
	each  []func(m *meter, s *sample, a *link.Answer)
	onSet func(m *meter)
	// mine, cannot and can are said in answer to the greeting.
	mine        []constant
	cannot, can []string
	deaf        bool // settings hold from power-up on

	g       link.Greeting // settings in force
	count   float64       // amperes of one shunt count
	uptime  uptime
	gap     float64 // seconds since the last good reading
	now     sample
	text    []byte
	failure *link.Failure
}

// constant is a setting that a logger has built in.
type constant struct {
	key   string
	value int64
}

// newMeter returns the good logger.
func newMeter(store link.Store) *meter {
	return &meter{
		store:    store,
		timer:    &wrappedTimer{},
		front:    &scaled{},
		ledger:   &book{rule: &trapezoid{}, sum: &plainSum{}},
		shown:    &newest{},
		schedule: &everyInterval{},
		calendar: &fixedZone{},
		sheet:    plainSheet(),
		output:   &direct{},
		memory:   &slots{store: store},
		cutoff:   &lowStop{},
		charger:  &fullStop{},
		can:      []string{"charge"},
	}
}

// Greet implements [link.Logger]: power-up.
func (m *meter) Greet(g *link.Greeting, a *link.Answer) {
	m.g = *g
	for _, c := range m.mine {
		a.State(link.Mine, c.key, c.value)
		setting(&m.g, c.key, c.value)
	}
	for _, name := range m.cannot {
		a.Tell(link.Cannot, name)
	}
	for _, name := range m.can {
		a.Tell(link.Can, name)
	}
	m.uptime = uptime{mask: tickMask(m.g.TickBits)}
	m.calendar.zone(m.g.ZoneMin)
	m.timer.start(&m.g)
	m.schedule.start(&m.g)
	m.scale()

	kept, resumed := m.memory.recall()
	if resumed {
		m.ledger.restore(kept.totals)
		m.output.restore(kept.lost)
	}
	m.cutoff.powerUp(resumed, kept.stopped, a)
	m.charger.powerUp(resumed, kept.full, a)
	if !resumed {
		m.output.header(m.sheet.header(), a)
	}
}

// scale takes over the settings that turn counts into volts and amperes.
func (m *meter) scale() {
	m.front.start(&m.g)
	m.count = float64(m.g.ShuntStepNV) / float64(m.g.ShuntNohm)
}

// Read implements [link.Logger]: one turn of the main loop.
func (m *meter) Read(r *link.Reading, a *link.Answer) {
	if m.failure != nil {
		return
	}
	s := &m.now
	s.tick, s.clock, s.up = r.Tick, r.Clock, m.uptime.at(r.Tick)
	s.load, s.charge, s.cardFails = r.Load, r.Charge, r.CardFail
	m.gap += m.timer.lap(r.Tick, r.Clock)
	s.good = m.front.measure(r, s)
	for _, do := range m.each {
		do(m, s, a)
	}
	if m.failure != nil {
		return
	}
	if s.good {
		m.ledger.add(s, m.gap)
		m.shown.see(s, m.gap)
		m.gap = 0
	}
	stops := m.cutoff.watch(m, s, a)
	full := m.charger.watch(m, s, a)
	if stops || full {
		// What must not be forgotten is kept twice, so that one torn copy does no harm.
		m.keep(s)
		m.keep(s)
	}
	if s.good && m.schedule.due(s) {
		m.row(s, a)
	}
}

// row writes a row of the log and keeps the totals that it shows.
func (m *meter) row(s *sample, a *link.Answer) {
	m.ledger.row()
	l := line{clock: s.clock, tick: s.tick, up: s.up, hz: m.g.TickHz, totals: m.ledger.totals(), calendar: m.calendar}
	l.amps, l.volts = m.shown.row()
	m.text = m.sheet.row(m.text[:0], &l)
	m.output.put(string(m.text), s, a)
	m.keep(s)
}

// keep stores what the next life needs.
func (m *meter) keep(s *sample) {
	m.memory.keep(state{totals: m.ledger.totals(), stopped: m.cutoff.stopped(), full: m.charger.full(), lost: m.output.lost()}, s)
}

// Set implements [link.Logger]: somebody changed a setting.
func (m *meter) Set(key string, value int64, a *link.Answer) {
	if m.failure != nil || m.deaf || !setting(&m.g, key, value) {
		return
	}
	switch key {
	case "log_ms":
		m.schedule.retime(&m.g)
	case "shunt_nohm", "shunt_step_nv", "bus_step_uv":
		m.scale()
	case "zone_min":
		m.calendar.zone(value)
	}
	if m.onSet != nil {
		m.onSet(m)
	}
}

// End implements [link.Logger]: the test is over.
func (m *meter) End(a *link.Answer) {
	if m.failure == nil {
		m.output.end(a)
	}
}

// Failure implements [link.Failing].
func (m *meter) Failure() *link.Failure { return m.failure }

// setting takes a setting over; false if it is unknown, cannot be changed while running, or makes no sense.
func setting(g *link.Greeting, key string, value int64) bool {
	var at *int64
	least := int64(0)
	switch key {
	case "log_ms":
		at, least = &g.LogMS, 1
	case "shunt_nohm":
		at, least = &g.ShuntNohm, 1
	case "shunt_step_nv":
		at, least = &g.ShuntStepNV, 1
	case "bus_step_uv":
		at, least = &g.BusStepUV, 1
	case "cutoff_mv":
		at = &g.CutoffMV
	case "cutoff_hold_ms":
		at = &g.CutoffHoldMS
	case "charge_end_mv":
		at = &g.ChargeEndMV
	case "charge_taper_ma":
		at = &g.ChargeTaperMA
	case "zone_min":
		at, least = &g.ZoneMin, -14*60
	case "tick_bits":
		at, least = &g.TickBits, 1
	case "tick_hz":
		at, least = &g.TickHz, 1
	default:
		return false
	}
	if value < least {
		return false
	}
	*at = value
	return true
}
