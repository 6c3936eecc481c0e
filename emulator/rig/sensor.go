package rig

import (
	"math"
	"math/rand/v2"
)

// Reference is the temperature at which a shunt has its nominal value [K].
const Reference = 298.15

// Waveform is a stretch of the pack's truth.
type Waveform interface {
	Current(t int64) float64 // [A], into the battery positive
	Voltage(t int64) float64 // terminals [V]
}

// Sensor is the shunt with its front end: from the pack's truth to counts. It is deterministic in its seed.
type Sensor struct {
	rig     Rig
	ambient float64 // [K]
	noise   *rand.Rand
}

// NewSensor returns the sensor of a rig at an ambient temperature [K].
func NewSensor(r Rig, ambient float64, seed uint64) *Sensor {
	return &Sensor{rig: r, ambient: ambient, noise: rand.New(rand.NewPCG(seed, 0x5e45))}
}

// conversions is how many conversions one reading averages, at least 1.
func (f FrontEnd) conversions() int { return max(f.Conversions, 1) }

// Window is how long before its tick the conversions of a reading begin [ns]: Conversions·Spacing.
func (f FrontEnd) Window() int64 { return int64(f.conversions()) * f.Spacing }

// Volts is what one conversion at an instant measures, without noise, clipped to the range [V]: shunt and bus of a pack current
// [A] and terminal voltage [V].
func (s *Sensor) Volts(i, v float64, t int64) (shunt, bus float64) {
	drop, tap := s.Taps(i, v)
	f := &s.rig.Front
	days := float64(t) * (1e-9 / 86400)
	shunt = (drop + f.ShuntOffset + f.DriftPerDay*days) * (1 + f.ShuntGain)
	bus = (tap + f.BusOffset) * (1 + f.BusGain)
	limit := float64(f.ShuntMax) * f.ShuntStep
	return max(-limit, min(limit, shunt)), max(0, min(float64(f.BusMax)*f.BusStep, bus))
}

// Taps is the true voltage at the shunt's and the bus's taps [V], before the front end.
func (s *Sensor) Taps(i, v float64) (drop, tap float64) {
	w, shunt := &s.rig.Wiring, &s.rig.Shunt
	through := i
	if !w.DrawThroughShunt {
		through += w.Draw
	}
	through *= 1 - w.Bypass
	hot := s.ambient - Reference + shunt.Rise*through*through*shunt.Nominal
	drop = through * shunt.Nominal * (1 + shunt.Error) * (1 + shunt.TempCo*hot)
	tap = v + i*w.Lead
	if w.BusBehindShunt {
		tap += drop
	}
	return drop, tap
}

// Sample averages the conversions of the reading whose last conversion is at end: the waveform is looked at once for each.
func (s *Sensor) Sample(w Waveform, end int64) (shunt, bus float64) {
	n := s.rig.Front.conversions()
	for k := range n {
		t := end - int64(k)*s.rig.Front.Spacing
		a, b := s.Volts(w.Current(t), w.Voltage(t), t)
		shunt += a
		bus += b
	}
	return shunt / float64(n), bus / float64(n)
}

// Counts adds the noise of a mean of all conversions to it and rounds to counts, clipped to the range.
func (s *Sensor) Counts(shunt, bus float64) (int32, int32) {
	f := &s.rig.Front
	n := math.Sqrt(float64(f.conversions()))
	shunt += f.ShuntNoise / n * s.noise.NormFloat64()
	bus += f.BusNoise / n * s.noise.NormFloat64()
	return count(shunt, f.ShuntStep, -f.ShuntMax, f.ShuntMax), count(bus, f.BusStep, 0, f.BusMax)
}

// count rounds to the nearest count within low and high; halves go away from zero.
func count(volts, step float64, low, high int32) int32 {
	return int32(max(float64(low), min(float64(high), math.Round(volts/step))))
}
