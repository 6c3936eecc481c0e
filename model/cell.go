package model

import (
	"fmt"
	"math"
)

// Cell is one cell as an equivalent circuit. Currents into it are positive; z is its charge as a fraction of all that it can
// hold, y = z less what the rate makes unavailable. At a constant temperature
//
//	v = OCV(y) + Σ v_k + R0(y, sign of i)·i + M·h
//	dv_k/dt = -v_k/τ_k + i·R_k/τ_k
//	dz/dt = (i - side currents)/Capacity
//	dh/dt = -(γ·|i|/Capacity)·(h - sign of i)
type Cell struct {
	// OCV is the voltage at rest [V] over y from 0 to 1, rising.
	OCV Curve
	// OCVPerKelvin moves all of it with temperature [V/K].
	OCVPerKelvin float64
	// Capacity is all the charge between y = 0 and 1 [A·s]; rated capacity is less.
	Capacity float64
	// Resistance is R0 [ohm] at the reference temperature, times the factor of Discharging or Charging over y (zero: 1).
	Resistance            float64
	Discharging, Charging Curve
	// Pairs are up to three RC pairs.
	Pairs []Pair
	// Reference is the temperature of all these figures [K]. Resistances fall by the share ResistancePerKelvin a kelvin, as exp(-a·(T - Reference)).
	Reference, ResistancePerKelvin float64
	Hysteresis                     Hysteresis
	Gassing                        Gassing
	// Acceptance is the share of a charging current that is stored, over z (zero: all of it). The rest becomes heat: nickel cells.
	Acceptance Curve
	// SelfDischarge is the share of the charge lost [1/s] at the reference temperature; it doubles every 10 K.
	SelfDischarge float64
	// Reversal is how far a cell that is driven below empty goes [V], at most 0.
	Reversal float64
}

// Pair is one RC pair: at a constant current its voltage tends to i·Resistance with the time constant Tau.
type Pair struct {
	Resistance float64 // [ohm] at the reference temperature
	Tau        float64 // [s]
}

// Hysteresis is the part of the voltage that remembers the direction of the last current.
type Hysteresis struct {
	Volts float64 // half the gap between charge and discharge [V]; 0 is none
	// PerCharge is how fast it turns over: exp(-PerCharge·q/Capacity) remains of the old direction after the charge q.
	PerCharge float64
}

// Gassing is the side current of water splitting: Current·exp((v - Volts)/Fold + PerKelvin·(T - Reference)), which is not stored.
type Gassing struct {
	Current   float64 // [A] at Volts; 0 is none
	Volts     float64 // [V]
	Fold      float64 // rise in voltage that makes e times the current [V]
	PerKelvin float64 // [1/K]
}

// at is the side current at v and a temperature above reference dT [A].
func (g *Gassing) at(v, dT float64) float64 {
	if g.Current == 0 {
		return 0
	}
	x := (v-g.Volts)/g.Fold + g.PerKelvin*dT
	// Below a billionth it is nothing; above, a bound keeps trial values of a solver finite.
	if x < -20 {
		return 0
	}
	return g.Current * math.Exp(math.Min(x, 40))
}

// factor is the curve of R0 for the direction.
func (c *Cell) factor(charging bool) *Curve {
	if charging {
		return &c.Charging
	}
	return &c.Discharging
}

// knot is the nearest knot of the curves that the voltage follows beyond y, upwards or downwards.
func (c *Cell) knot(y float64, up, charging bool) float64 {
	const past = 1e-12
	if up {
		_, a := c.OCV.bounds(y + past)
		_, b := c.factor(charging).bounds(y + past)
		return min(a, b)
	}
	a, _ := c.OCV.bounds(y - past)
	b, _ := c.factor(charging).bounds(y - past)
	return max(a, b)
}

// warmth is the factor of all resistances at temperature T [K].
func (c *Cell) warmth(T float64) float64 {
	if c.ResistancePerKelvin == 0 || T == c.Reference {
		return 1
	}
	return math.Exp(-c.ResistancePerKelvin * (T - c.Reference))
}

// leakage is the self-discharge [1/s] at temperature T.
func (c *Cell) leakage(T float64) float64 {
	if c.SelfDischarge == 0 {
		return 0
	}
	return c.SelfDischarge * math.Exp2((T-c.Reference)/10)
}

// Total is the resistance that a long constant current sees at full charge, R0 and all pairs [ohm].
func (c *Cell) Total() float64 {
	r := c.Resistance * c.Discharging.At(1)
	for _, p := range c.Pairs {
		r += p.Resistance
	}
	return r
}

// bottom lets the OCV end at the voltage of reversal a little below empty, where the table's slope would fall without end.
func (c *Cell) bottom() error {
	x, y := []float64{-1, -0.06}, []float64{c.Reversal - 0.01, c.Reversal}
	if c.OCV.IsZero() || c.OCV.x[0] < 0 || c.OCV.c[0][0] <= c.Reversal {
		return nil
	}
	for i, at := range c.OCV.x {
		x = append(x, at)
		y = append(y, c.OCV.At(c.OCV.x[i]))
	}
	k, err := NewCurve(x, y)
	if err != nil {
		return err
	}
	c.OCV = k
	return nil
}

// validate returns what makes the cell impossible.
func (c *Cell) validate() error {
	positive := func(name string, x float64) error {
		if !(x > 0) || math.IsInf(x, 0) {
			return fmt.Errorf("%s is %g (expected more than 0)", name, x)
		}
		return nil
	}
	switch {
	case c.OCV.IsZero():
		return fmt.Errorf("there is no table of the voltage at rest")
	case !c.OCV.rises():
		return fmt.Errorf("the voltage at rest does not rise with charge")
	case len(c.Pairs) > 3:
		return fmt.Errorf("%d RC pairs (expected at most 3)", len(c.Pairs))
	case c.Resistance < 0 || math.IsNaN(c.Resistance) || math.IsInf(c.Resistance, 0):
		return fmt.Errorf("resistance is %g ohm (expected 0 or more)", c.Resistance)
	}
	if err := positive("capacity", c.Capacity); err != nil {
		return err
	}
	if err := positive("reference temperature", c.Reference); err != nil {
		return err
	}
	for i, p := range c.Pairs {
		if err := positive(fmt.Sprintf("resistance of RC pair %d", i+1), p.Resistance); err != nil {
			return err
		}
		if err := positive(fmt.Sprintf("time of RC pair %d", i+1), p.Tau); err != nil {
			return err
		}
	}
	return nil
}
