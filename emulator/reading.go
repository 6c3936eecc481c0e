package emulator

import (
	"stuntcell/emulator/link"
	"stuntcell/model"
)

// read takes the reading at an instant, up to which the truth was played, and returns its index.
func (r *run) read(t int64) int {
	rd := &r.rec.Readings
	n := len(rd.T)
	tr := &r.truth
	last := &tr.spans[len(tr.spans)-1]
	w := tr.look(r.ripples(last))
	var shunt, bus float64
	if w.smooth {
		shunt, bus = r.sensor.Volts(w.amps, w.volts, t)
	} else {
		shunt, bus = r.sensor.Sample(tr, t)
	}
	shuntCount, busCount := r.sensor.Counts(shunt, bus)
	if n == 0 {
		r.base = integrals{tr.charge, tr.energy, tr.throughput}
	}
	rd.T = append(rd.T, t)
	rd.Tick = append(rd.Tick, r.counter.At(t))
	rd.Shunt = append(rd.Shunt, shuntCount)
	rd.Bus = append(rd.Bus, busCount)
	rd.Clock = append(rd.Clock, r.clock(t))
	rd.ClockRate = append(rd.ClockRate, r.face.Rate(t))
	rd.MeanI = append(rd.MeanI, w.amps)
	rd.MeanV = append(rd.MeanV, w.volts)
	rd.Charge = append(rd.Charge, tr.charge-r.base.charge)
	rd.Energy = append(rd.Energy, tr.energy-r.base.energy)
	rd.Throughput = append(rd.Throughput, tr.throughput-r.base.throughput)
	rd.Step = append(rd.Step, int16(last.Step))
	rd.Life = append(rd.Life, r.life)
	rd.Flags = append(rd.Flags, r.flags())
	return n
}

// ripples says that the current of a span may swing faster than conversions follow one another.
func (r *run) ripples(s *model.Span) bool {
	c := r.truth.course
	step := s.Step - len(c.Ended()) // 0: the running step; -1: one that has just ended
	i := c.StepIndex() + step
	if i < 0 || i >= len(r.setup.Plan) {
		return false
	}
	l := &r.setup.Plan[i].Load
	return l.RippleHz != 0 && l.Ripple != 0 && (s.LoadClosed || s.ChargeClosed)
}

func (r *run) clock(t int64) int64 {
	if r.setup.Rig.Clock.Absent {
		return link.NoClock
	}
	return r.face.At(t)
}

func (r *run) flags() Flag {
	var f Flag
	if r.load {
		f |= LoadClosed
	}
	if r.charge {
		f |= ChargeClosed
	}
	return f
}

// reading is what the link carries of reading n.
func (r *run) reading(n int) link.Reading {
	rd := &r.rec.Readings
	return link.Reading{
		Tick: r.counter.Wrap(rd.Tick[n]), Shunt: rd.Shunt[n], Bus: rd.Bus[n], Clock: rd.Clock[n],
	}
}
