package loggers

import "stuntcell/emulator/link"

// fromNow sets the next row one interval after this one, however late this one was: the lateness adds up.
type fromNow struct{ everyInterval }

func (p *fromNow) due(s *sample) bool {
	if !p.everyInterval.due(s) {
		return false
	}
	p.next = s.up + p.interval
	return true
}

// tickSchedule keeps the counter's own tick of the next row.
type tickSchedule struct {
	interval, next, last uint64
	bits                 uint
	running              bool
}

func (p *tickSchedule) start(g *link.Greeting) {
	*p = tickSchedule{interval: ticks(g.LogMS, g), bits: uint(min(g.TickBits, 64))}
}

func (p *tickSchedule) retime(g *link.Greeting) {
	p.interval = ticks(g.LogMS, g)
	p.next = p.last + p.interval
}

// begin makes the first reading's row due.
func (p *tickSchedule) begin(tick uint64) {
	if !p.running {
		p.next, p.running = tick, true
	}
}

// advance sets the next row behind this tick; late is how long this row was due.
func (p *tickSchedule) advance(tick, late uint64) {
	p.last = tick
	p.next += (late/p.interval + 1) * p.interval
}

// absolute compares the counter itself with the tick of the next row. After the wrap the counter never gets there.
type absolute struct{ tickSchedule }

func (p *absolute) due(s *sample) bool {
	p.begin(s.tick)
	if s.tick < p.next {
		return false
	}
	p.advance(s.tick, s.tick-p.next)
	return true
}

// signedCompare does it with signed numbers of the counter's width: `(int32_t)now >= (int32_t)next`. Just before half range
// the next row lies among the negative numbers, so that each reading is due, and each moves the next row on.
type signedCompare struct{ tickSchedule }

func (p *signedCompare) due(s *sample) bool {
	p.begin(s.tick)
	now, next := int64(s.tick<<(64-p.bits)), int64(p.next<<(64-p.bits))
	if now < next {
		return false
	}
	late := uint64(now-next) >> (64 - p.bits)
	if late > 1<<(p.bits-1) {
		late = 0
	}
	p.advance(s.tick, late)
	return true
}

// narrowInterval keeps the interval's milliseconds in 16 bits. Signed, 40 s are negative and each reading is due;
// unsigned, 70 s are 4.464 s and an hour is 61.056 s.
type narrowInterval struct {
	everyInterval
	signed bool
}

func (p *narrowInterval) cut(ms int64) int64 {
	if p.signed {
		return int64(int16(ms))
	}
	return int64(uint16(ms))
}

func (p *narrowInterval) start(g *link.Greeting) {
	cut := *g
	cut.LogMS = p.cut(g.LogMS)
	p.everyInterval.start(&cut)
}

func (p *narrowInterval) retime(g *link.Greeting) {
	cut := *g
	cut.LogMS = p.cut(g.LogMS)
	p.everyInterval.retime(&cut)
}

// byClock writes when the clock reaches the second of the next row. Set back by an hour, it is silent for an hour.
type byClock struct {
	everyInterval
	period, nextSecond int64 // [s]; 0 if rows do not come in whole seconds, which then are left to the counter
	started            bool
}

func (p *byClock) start(g *link.Greeting) {
	p.everyInterval.start(g)
	p.period, p.started = wholeSeconds(g.LogMS), false
}

func (p *byClock) retime(g *link.Greeting) {
	p.everyInterval.retime(g)
	p.nextSecond += wholeSeconds(g.LogMS) - p.period
	p.period = wholeSeconds(g.LogMS)
}

func (p *byClock) due(s *sample) bool {
	if s.clock == link.NoClock || p.period == 0 {
		return p.everyInterval.due(s)
	}
	if !p.started {
		p.nextSecond, p.started = s.clock, true
	}
	if s.clock < p.nextSecond {
		return false
	}
	p.nextSecond += ((s.clock-p.nextSecond)/p.period + 1) * p.period
	return true
}

func wholeSeconds(ms int64) int64 {
	if ms%1000 != 0 {
		return 0
	}
	return ms / 1000
}
