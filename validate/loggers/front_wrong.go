package loggers

import (
	"math"

	"stuntcell/emulator/link"
)

// adjusted applies a wrong calibration: `amps = counts*step*currentGain + offset` with constants from another board, from a
// meter that was itself off, or entered twice.
type adjusted struct {
	scaled
	currentGain, voltageGain float64
	offsetCounts             float64
	offsetVolts              float64
}

func (f *adjusted) measure(r *link.Reading, s *sample) bool {
	ok := f.scaled.measure(r, s)
	s.amps = (s.amps + f.offsetCounts*f.amp) * f.currentGain
	s.volts = s.volts*f.voltageGain + f.offsetVolts
	return ok
}

// firstZero learns its zero at power-up and does not ask whether the load is open then.
type firstZero struct {
	scaled
	amps float64
	any  bool
}

func (f *firstZero) measure(r *link.Reading, s *sample) bool {
	ok := f.scaled.measure(r, s)
	if ok && !f.any {
		f.amps, f.any = s.amps, true
	}
	s.amps -= f.amps
	return ok
}

// quiet takes small currents for noise and shows zero.
type quiet struct {
	scaled
	amps float64
}

func (f *quiet) measure(r *link.Reading, s *sample) bool {
	ok := f.scaled.measure(r, s)
	if math.Abs(s.amps) < f.amps {
		s.amps, s.shunt = 0, 0
	}
	return ok
}

// substituting puts a number in place of a failed reading, as a driver does that returns 0 (or all ones, cut to the
// largest count) on an error that nobody looks at.
type substituting struct {
	scaled
	fullScale bool
	max, top  int32
}

func (f *substituting) start(g *link.Greeting) {
	f.scaled.start(g)
	f.max, f.top = int32(g.ShuntMax), int32(g.BusMax)
}

func (f *substituting) measure(r *link.Reading, s *sample) bool {
	if r.Shunt != link.Failed && r.Bus != link.Failed {
		return f.scaled.measure(r, s)
	}
	if f.fullScale {
		f.convert(f.max, f.top, s)
	} else {
		f.convert(0, 0, s)
	}
	return true
}

// halfAsked asks one half of a reading alone whether it is good. The other's driver returns 0 on an error.
type halfAsked struct {
	scaled
	bus bool // it is the bus that is asked
}

func (f *halfAsked) measure(r *link.Reading, s *sample) bool {
	shunt, bus := r.Shunt, r.Bus
	if f.bus && bus == link.Failed || !f.bus && shunt == link.Failed {
		return false
	}
	if shunt == link.Failed {
		shunt = 0
	}
	if bus == link.Failed {
		bus = 0
	}
	f.convert(shunt, bus, s)
	return true
}

// unheeded lets a failed reading through as "not a number", the value that its driver returns for it: every sum that it enters is
// none any more.
type unheeded struct{ scaled }

func (f *unheeded) measure(r *link.Reading, s *sample) bool {
	if !f.scaled.measure(r, s) {
		s.amps, s.volts = math.NaN(), math.NaN()
	}
	return true
}

// queued takes readings from a queue that was filled before the loop began: each comes out two turns late and is booked
// and stamped with the present.
type queued struct {
	scaled
	held [2]link.Channel
	full bool
}

func (f *queued) measure(r *link.Reading, s *sample) bool {
	in := link.Channel{Shunt: r.Shunt, Bus: r.Bus}
	if !f.full {
		f.held, f.full = [2]link.Channel{in, in}, true
	}
	out := f.held[0]
	f.held = [2]link.Channel{f.held[1], in}
	if out.Shunt == link.Failed || out.Bus == link.Failed {
		return false
	}
	f.convert(out.Shunt, out.Bus, s)
	return true
}
