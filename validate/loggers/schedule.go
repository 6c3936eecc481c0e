package loggers

import "stuntcell/emulator/link"

// schedule says when a row is due.
type schedule interface {
	start(g *link.Greeting)
	// due is asked at each good reading.
	due(s *sample) bool
	// retime takes over a changed log_ms.
	retime(g *link.Greeting)
}

// everyInterval writes the first row at once and then one in each interval, on a grid that a late reading does not shift.
type everyInterval struct {
	interval, next, last uint64 // ticks of uptime
	late                 bool   // the first row comes after one interval, not at once
	madeUp               bool   // rows that a stall has held up are written afterwards, one a reading
	running              bool
}

func (p *everyInterval) start(g *link.Greeting) {
	*p = everyInterval{interval: ticks(g.LogMS, g), late: p.late, madeUp: p.madeUp}
}

func (p *everyInterval) due(s *sample) bool {
	if !p.running {
		p.running, p.last, p.next = true, s.up, s.up
		if p.late {
			p.next += p.interval
		}
	}
	if s.up < p.next {
		return false
	}
	p.last = s.up
	if p.madeUp {
		p.next += p.interval
		return true
	}
	// After a stall the rows that were missed stay missed.
	p.next += ((s.up-p.next)/p.interval + 1) * p.interval
	return true
}

func (p *everyInterval) retime(g *link.Greeting) {
	p.interval = ticks(g.LogMS, g)
	p.next = p.last + p.interval
}

// ticks turns milliseconds into ticks, at least one.
func ticks(ms int64, g *link.Greeting) uint64 {
	return uint64(max(float64(ms)*float64(g.TickHz)/1000, 1))
}

// onMultiples writes when the uptime passes a multiple of the interval.
type onMultiples struct {
	interval, passed uint64
	running          bool
}

func (p *onMultiples) start(g *link.Greeting)  { *p = onMultiples{interval: ticks(g.LogMS, g)} }
func (p *onMultiples) retime(g *link.Greeting) { p.interval, p.running = ticks(g.LogMS, g), false }

func (p *onMultiples) due(s *sample) bool {
	n := s.up / p.interval
	if !p.running {
		p.passed, p.running = n, true
	}
	if n == p.passed {
		return false
	}
	p.passed = n
	return true
}

// withSwitches writes an extra row when a contact moves.
type withSwitches struct {
	everyInterval
	load, charge link.Contact
}

func (p *withSwitches) due(s *sample) bool {
	moved := s.load != p.load || s.charge != p.charge
	known := p.load != link.Unsaid || p.charge != link.Unsaid
	p.load, p.charge = s.load, s.charge
	return p.everyInterval.due(s) || moved && known
}

// withTurns writes an extra row when the current has started, stopped or turned round and three readings agree on it. No contact
// tells it: a load may be switched by hand.
type withTurns struct {
	everyInterval
	way, seen, readings int
}

func (p *withTurns) due(s *sample) bool {
	way := 0
	switch {
	case s.amps > 0.02:
		way = 1
	case s.amps < -0.02:
		way = -1
	}
	if way != p.seen {
		p.seen, p.readings = way, 0
	}
	p.readings++
	turned := way != p.way && p.readings >= 3
	if turned {
		p.way = way
	}
	return p.everyInterval.due(s) || turned
}
