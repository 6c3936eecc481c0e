package model

import "math"

// RateModel names how the rate of a discharge costs charge.
type RateModel string

// The rate models.
const (
	// NoRate loses nothing to the rate but what resistance costs.
	NoRate RateModel = "none"
	// Peukert is t = H·(C/(I·H))^k for a constant current from full to the end voltage of that rate, made to hold exactly: what the
	// resistance costs is part of it, not added to it.
	Peukert RateModel = "peukert"
	// TwoWell holds available and bound charge with a flow between them.
	TwoWell RateModel = "two-well"
)

// Rate is the rate effect of a pack. Unavailable charge u (a fraction of the whole) follows
//
//	du/dt = G·|i|/Capacity + (law - u)/Recovery     peukert: law = G·(1 - z), G from the exponent; discharge only
//	du/dt = -i·(1 - c)/(c·Capacity) - k'·u          two-well: y = z - u is the height of the available well
//
// so that with a constant current from full Peukert's u is exactly G·(1 - z) and at rest it returns with the time Recovery.
type Rate struct {
	Model RateModel
	// K is Peukert's exponent, 1 or more, as the simulated discharge to the end voltage shows it.
	K float64
	// Recovery is the time constant of the return at rest [s] (plausible, invented).
	Recovery float64
	// Well and Flow are c and k' [1/s] of the two wells.
	Well, Flow float64
}

// PeukertTime is the time [s] that a constant current [A] takes from full to the end, by t = H·(C/(I·H))^k with the rated charge C [A·s]
// at the H-second rate.
func PeukertTime(rated, hours, amps, k float64) float64 {
	return hours * math.Pow(rated/(amps*hours), k)
}

// law is the charge of one cell [A·s] that Peukert's law promises at the cell's current amps and temperature T, not more than
// the cell holds.
func (p *Pack) law(amps, T float64) float64 {
	c := p.Rated.Charge / float64(p.Parallel)
	q := c * p.Health * math.Pow(c/p.Rated.Hours/amps, p.Rate.K-1) * p.capacityFactor(amps, T)
	return math.Min(q, p.Cell.Capacity)
}

// PerKelvinAt is λ, the relative change of the capacity per kelvin, at the pack's current amps [A]: slow for ten hours and more, fast for three hours and less and
// between them on a logarithmic scale.
func (p *Pack) PerKelvinAt(amps float64) float64 {
	h := p.Rated.Charge / amps / 3600
	share := math.Min(1, math.Max(0, math.Log(10/h)/math.Log(10.0/3)))
	return p.CapacityPerKelvin + (p.CapacityPerKelvinFast-p.CapacityPerKelvin)*share
}

// capacityFactor is the share of the rated charge that temperature T leaves at a cell's current: 1 + λ·(T - Reference).
func (p *Pack) capacityFactor(amps, T float64) float64 {
	d := T - p.Cell.Reference
	if d == 0 {
		return 1
	}
	return math.Min(1.3, math.Max(0.05, 1+p.PerKelvinAt(amps*float64(p.Parallel))*d))
}

// gain solves G for a constant cell current amps (a magnitude) at T: with it the voltage meets the level `end` of that rate when the
// charge of the law has been drawn. It is 0 where resistance alone costs that much or the law promises more than there is.
func (p *Pack) gain(amps, T float64) float64 {
	if p.Rate.Model != Peukert || !(amps > 0) {
		return 0
	}
	q := p.law(amps, T)
	end := p.endOf(amps*float64(p.Parallel)) / float64(p.Series)
	y := p.levelAt(end, amps, q/amps, T)
	return math.Max(0, (1-y)*p.Cell.Capacity/(q+p.lost(q, amps, T))-1)
}

// lost is about what self-discharge takes while a full cell gives q at amps [A·s].
func (p *Pack) lost(q, amps, T float64) float64 {
	whole := p.Cell.Capacity
	return p.Cell.leakage(T) * q / amps * (whole - q/2)
}

// levelAt is the charge fraction y at which a cell that has given amps for the time t [s] shows v; 0 to 1.
func (p *Pack) levelAt(v, amps, t, T float64) float64 {
	c := &p.Cell
	warm := c.warmth(T)
	for _, k := range c.Pairs {
		v += k.Resistance * warm * amps * -math.Expm1(-t/k.Tau)
	}
	if c.Hysteresis.Volts != 0 {
		// From full and rested (h = 0) h tends to -1.
		v += c.Hysteresis.Volts * -math.Expm1(-c.Hysteresis.PerCharge*amps*t/c.Capacity)
	}
	v -= c.OCVPerKelvin * (T - c.Reference)
	ohm := c.Resistance * warm
	// OCV less the ohmic drop rises with y.
	return root(0, 1, func(y float64) (float64, float64) {
		ocv, slope := c.OCV.Both(y)
		r, dr := c.Discharging.Both(y)
		return ocv - ohm*r*amps - v, slope - ohm*dr*amps
	})
}
