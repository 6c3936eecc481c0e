package model

import (
	"fmt"
	"math"
)

// Delivered runs a discharge at a constant current [A] from full and rested to the end voltage of that rate, with the cells held at T [K] (0: the
// reference), and returns the charge [A·s] and the time [s] that it took.
func (p *Pack) Delivered(amps, T float64) (charge, seconds float64, err error) {
	if !(amps > 0) || math.IsInf(amps, 0) {
		return 0, 0, fmt.Errorf("a discharge with %g A (expected more than 0)", amps)
	}
	c, err := NewCourse(p, Plan{{Kind: Discharge, Load: Load{Current: amps}, Ends: Ends{Voltage: p.endOf(amps)}}}, Options{Isothermal: true, Ambient: T})
	if err != nil {
		return 0, 0, err
	}
	for !c.Done() {
		c.Next(never)
	}
	e := c.Ended()[0]
	return -e.Charge, float64(e.End) * 1e-9, nil
}

// Exponent reads Peukert's exponent from two simulated discharges, whatever the pack's rate model: k = ln(t1/t2)/ln(I2/I1).
func (p *Pack) Exponent(slow, fast float64) (float64, error) {
	_, t1, err := p.Delivered(slow, 0)
	if err != nil {
		return 0, err
	}
	_, t2, err := p.Delivered(fast, 0)
	if err != nil {
		return 0, err
	}
	return math.Log(t1/t2) / math.Log(fast/slow), nil
}

// ToRated corrects a charge [A·s] that was delivered at amps [A] and T [K] to the rated current and the reference temperature, by what this
// pack's model delivers at both. The result says as much about a real battery as the model does.
func (p *Pack) ToRated(charge, amps, T float64) (float64, error) {
	there, _, err := p.Delivered(amps, T)
	if err != nil {
		return 0, err
	}
	if there <= 0 {
		return 0, fmt.Errorf("this pack delivers nothing at %.4g A and %.4g degC", amps, T-273.15)
	}
	return charge / there * p.Rated.Charge * p.Health, nil
}

// Aged is the pack with the share health of its capacity left and its resistances grown by the factor growth; growth 0 takes 1 + 2·(1 - health):
// plausible, invented.
func (p *Pack) Aged(health, growth float64) (*Pack, error) {
	if !(health >= 0.1 && health <= 1) {
		return nil, fmt.Errorf("health is %g (expected 10 %% to 100 %%)", health)
	}
	if growth == 0 {
		growth = 1 + 2*(1-health)
	}
	if !(growth >= 0.2 && growth <= 20) {
		return nil, fmt.Errorf("resistance grows by %g (expected 0.2 to 20)", growth)
	}
	q := *p
	q.Health = p.Health * health
	q.Cell.resize(health, growth)
	// Gassing is the plates', which age does not make smaller.
	q.Cell.Gassing = p.Cell.Gassing
	return &q, nil
}

// DischargePlan is a plan of one discharge at amps [A] to a voltage [V], with time to spare.
func DischargePlan(amps, end float64) Plan {
	const most = 60 * 86400e9
	return Plan{{Kind: Discharge, Load: Load{Current: amps}, Ends: Ends{Voltage: end, Time: most}}}
}

// DischargeTo discharges the pack at amps [A] from full and rested to a voltage [V], its cells held at the reference temperature, and
// returns how it ended and the slope of the voltage in the last minute [V/s].
func (p *Pack) DischargeTo(amps, end float64) (StepEnd, float64, error) {
	c, err := NewCourse(p, DischargePlan(amps, end), Options{Isothermal: true})
	if err != nil {
		return StepEnd{}, 0, err
	}
	var slope float64
	var t0 int64
	v0 := math.NaN()
	for !c.Done() {
		s := c.Next(c.Now() + 60e9)
		if s.T1 <= s.T0 {
			continue
		}
		v := s.Voltage(s.T1)
		if !math.IsNaN(v0) {
			slope = (v - v0) / (float64(s.T1-t0) / 1e9)
		}
		t0, v0 = s.T1, v
	}
	return c.Ended()[0], slope, nil
}
