package loggers

import "stuntcell/emulator/link"

// front turns a reading's counts into a sample's amperes and volts.
type front interface {
	start(g *link.Greeting)
	// measure fills in counts, amps and volts; false if there is nothing to go by.
	measure(r *link.Reading, s *sample) bool
}

// scaled multiplies by the step of one count. A failed reading is no reading: the ledger then bridges it.
type scaled struct {
	amp, volt float64 // of one count
}

func (f *scaled) start(g *link.Greeting) {
	f.amp = float64(g.ShuntStepNV) / float64(g.ShuntNohm)
	f.volt = float64(g.BusStepUV) * 1e-6
}

func (f *scaled) measure(r *link.Reading, s *sample) bool {
	if r.Shunt == link.Failed || r.Bus == link.Failed {
		return false
	}
	f.convert(r.Shunt, r.Bus, s)
	return true
}

func (f *scaled) convert(shunt, bus int32, s *sample) {
	s.shunt, s.bus = shunt, bus
	s.amps, s.volts = float64(shunt)*f.amp, float64(bus)*f.volt
}

// holding stands in for a failed reading with the one before.
type holding struct {
	scaled
	shunt, bus int32
	any        bool
}

func (f *holding) measure(r *link.Reading, s *sample) bool {
	if r.Shunt != link.Failed && r.Bus != link.Failed {
		f.shunt, f.bus, f.any = r.Shunt, r.Bus, true
	}
	if f.any {
		f.convert(f.shunt, f.bus, s)
	}
	return f.any
}

// holdingEach stands in for the half of a reading that failed with that of the one before.
type holdingEach struct {
	scaled
	shunt, bus int32
	any        bool
}

func (f *holdingEach) measure(r *link.Reading, s *sample) bool {
	if r.Shunt != link.Failed {
		f.shunt = r.Shunt
	}
	if r.Bus != link.Failed {
		f.bus = r.Bus
	}
	if f.any = f.any || r.Shunt != link.Failed && r.Bus != link.Failed; f.any {
		f.convert(f.shunt, f.bus, s)
	}
	return f.any
}

// unburdened adds the shunt's own drop back where the bus is tapped behind the shunt, so that rows show the pack's terminals.
type unburdened struct {
	scaled
	ohm float64 // between the tap and the pack
}

func (f *unburdened) start(g *link.Greeting) {
	f.scaled.start(g)
	if f.ohm = 0; g.BusAt == 1 {
		f.ohm = float64(g.ShuntNohm) * 1e-9
	}
}

func (f *unburdened) measure(r *link.Reading, s *sample) bool {
	ok := f.scaled.measure(r, s)
	s.volts -= s.amps * f.ohm
	return ok
}

// zeroed learns the shunt's count at rest, while both contacts are known to be open, and subtracts it.
type zeroed struct {
	scaled
	sum, n float64
}

func (f *zeroed) measure(r *link.Reading, s *sample) bool {
	if !f.scaled.measure(r, s) {
		return false
	}
	// More than three counts is a current, not an offset.
	if r.Load == link.Off && r.Charge == link.Off && r.Shunt >= -3 && r.Shunt <= 3 && f.n < 64 {
		f.sum += float64(r.Shunt)
		f.n++
	}
	if f.n >= 16 {
		s.amps -= f.sum / f.n * f.amp
	}
	return true
}
