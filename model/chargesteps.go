package model

import "math"

// ChargeSteps is the charge that belongs to the chemistry, in steps of a plan, for surroundings at T [K] (0: the reference): lead-acid bulk and
// absorption to the taper and then float for the time float (ns, 0: none); lithium constant current and voltage to the taper,
// without float; nickel a constant current ended by falling voltage, a rise of 25 K or the limit of the cells, or the clock. Every step has a time and an
// Ah backstop. rate is the current in multiples of the rated capacity an hour, 0: half of the pack's limit. Common practice; the
// maker's data come first.
func (p *Pack) ChargeSteps(rate, T float64, float int64) []Step {
	if T == 0 {
		T = p.Cell.Reference
	}
	amps := p.Amps(rate)
	if rate == 0 {
		amps = p.Limits.ChargeCurrent / 2
	}
	whole := p.Cell.Capacity * float64(p.Parallel)
	const hour = 3600e9
	absorb, _ := p.LevelAt("absorb", amps, T)
	main := Step{Kind: Charge, Load: Load{Current: amps}, Voltage: absorb}
	switch p.Family {
	case Nickel:
		main.Ends = Ends{
			Time:        int64(1.5 * whole / amps * 1e9),
			Charge:      1.6 * whole,
			Slope:       p.Volts(p.Levels.Falling),
			Temperature: p.warmest(T + 25),
		}
		return []Step{main}
	case Lithium:
		main.Ends = Ends{Time: int64(whole/amps*1e9) + 4*hour, Charge: 1.2 * whole, Current: p.Taper()}
		return []Step{main}
	}
	main.Ends = Ends{Time: int64(whole/amps*1e9) + 16*hour, Charge: 1.4 * whole, Current: p.Taper()}
	steps := []Step{main}
	if level, err := p.LevelAt("float", amps, T); err == nil && float > 0 {
		steps = append(steps, Step{Kind: Charge, Load: Load{Current: amps}, Voltage: level, Ends: Ends{Time: float, Charge: whole}})
	}
	return steps
}

// warmest is a temperature of the cells [K], or the highest at which they may be charged.
func (p *Pack) warmest(T float64) float64 {
	if p.Limits.Hottest > 0 {
		T = math.Min(T, p.Limits.Hottest)
	}
	return T
}
