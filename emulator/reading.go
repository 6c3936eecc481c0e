package emulator

import (
	"math"

	"stuntcell/emulator/link"
	"stuntcell/emulator/rig"
	"stuntcell/model"
)

// read takes the reading at an instant, up to which the truth was played, and returns its index.
func (r *run) read(t int64) int {
	rd := &r.rec.Readings
	n := len(rd.T)
	tr := &r.truth
	last := &tr.spans[len(tr.spans)-1]
	w := tr.look(r.ripples(last))
	shunt, bus := r.convert(r.sensor, w, 1, t)
	for i, s := range r.more {
		// Channel 2 sees half of the current, and so on: see the rig.
		a, b := r.convert(s, w, 1/float64(i+2), t)
		rd.More[i] = append(rd.More[i], Counts{a, b})
	}
	if n == 0 {
		r.base = integrals{tr.charge, tr.energy, tr.throughput}
	}
	rd.room(r.expected)
	rd.T = append(rd.T, t)
	rd.Tick = append(rd.Tick, r.counter.At(t))
	rd.Shunt = append(rd.Shunt, shunt)
	rd.Bus = append(rd.Bus, bus)
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
	if r.setup.Rig.Readings.Temperature {
		rd.Temp = append(rd.Temp, millidegrees(last.Temperature(t)))
	}
	if r.setup.Rig.Readings.Aux {
		rd.Aux = append(rd.Aux, millidegrees(r.ambient))
	}
	r.stalled = false
	return n
}

func millidegrees(kelvin float64) int32 { return int32(math.Round((kelvin - 273.15) * 1000)) }

// convert is what a channel's front end makes of its share of the window's current.
func (r *run) convert(s *rig.Sensor, w seen, share float64, t int64) (int32, int32) {
	var shunt, bus float64
	if w.smooth {
		shunt, bus = s.Volts(share*w.amps, w.volts, t)
	} else {
		shunt, bus = s.Sample(shared{&r.truth, share}, t)
	}
	// Noise is drawn even if the reading fails: a fault must not change what comes after it.
	a, b := s.Counts(shunt, bus)
	r.watchDamage(s, w, t)
	if r.damaged || r.shuntFails > 0 {
		a = link.Failed
	}
	if r.damaged || r.busFails > 0 {
		b = link.Failed
	}
	return a, b
}

// shared is a waveform with a share of the current.
type shared struct {
	*truth
	share float64
}

// Current implements [rig.Waveform].
func (s shared) Current(t int64) float64 { return s.share * s.truth.Current(t) }

// watchDamage breaks the front end for good when its bus input sees more than it stands.
func (r *run) watchDamage(s *rig.Sensor, w seen, t int64) {
	limit := r.setup.Rig.Front.Damage
	if limit == 0 || r.damaged {
		return
	}
	if _, tap := s.Taps(w.amps, w.volts); tap > limit {
		r.damaged = true
		r.note(t, Damaged, whole(tap, 1e-3), "")
	}
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
	for _, x := range []struct {
		is   bool
		flag Flag
	}{{r.load, LoadClosed}, {r.charge, ChargeClosed}, {r.cardFails > 0, CardFails}, {r.stalled, Stalled}} {
		if x.is {
			f |= x.flag
		}
	}
	return f
}

// reading is what the link carries of reading n.
func (r *run) reading(n int) link.Reading {
	rd := &r.rec.Readings
	out := link.Reading{
		Tick: r.counter.Wrap(rd.Tick[n]), Shunt: rd.Shunt[n], Bus: rd.Bus[n], Clock: rd.Clock[n], CardFail: rd.Flags[n]&CardFails != 0,
	}
	for _, channel := range rd.More {
		out.More = append(out.More, link.Channel(channel[n]))
	}
	d := &r.setup.Rig.Readings
	if d.Temperature {
		out.HasTemp, out.Temp = true, rd.Temp[n]
	}
	if d.Aux {
		out.HasAux1, out.Aux1 = true, rd.Aux[n]
	}
	if d.Contacts {
		out.Load, out.Charge = contact(r.load), contact(r.charge)
	}
	return out
}

func contact(closed bool) link.Contact {
	if closed {
		return link.On
	}
	return link.Off
}
