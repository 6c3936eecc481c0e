package model

import (
	"fmt"
	"math"
)

// Inverter stands between the pack and a load of Load.Power watts: it draws more than it gives, draws when nothing is asked, and gives up by
// itself when the pack is low. The pack sees Power/Efficiency + Idle.
type Inverter struct {
	Rated float64 // highest power that it gives [W]
	Idle  float64 // its own draw while it is on [W]
	// Efficiency is the share that comes out, over the share of the rated power that is asked (zero: all of it). Idle is not in it.
	Efficiency Curve
	// It switches off when the terminals fall to Lockout [V] (0: never), draws Standby [W] from then on, and on again at Restart [V] (0: never).
	Lockout, Restart float64
	Delay            int64 // it stays off for at least so long [ns], 0: 5 s
	Standby          float64
}

// draws is the power that the inverter takes from the pack to give out [W].
func (v *Inverter) draws(out float64) float64 {
	return out/math.Min(1, math.Max(0.01, v.Efficiency.At(out/v.Rated))) + v.Idle
}

// delay is how long it stays off at least [ns].
func (v *Inverter) delay() int64 {
	if v.Delay <= 0 {
		return 5e9
	}
	return v.Delay
}

func (v *Inverter) validate(power float64) error {
	for _, x := range []float64{v.Rated, v.Idle, v.Lockout, v.Restart, v.Standby} {
		if !(x >= 0) || math.IsInf(x, 0) {
			return fmt.Errorf("a figure of the inverter is %g (expected 0 or more)", x)
		}
	}
	switch {
	case v.Rated == 0:
		return fmt.Errorf("the inverter has no rated power")
	case power > v.Rated:
		return fmt.Errorf("%g W are asked of an inverter of %g W", power, v.Rated)
	case v.Restart > 0 && v.Restart <= v.Lockout:
		return fmt.Errorf("the inverter would start again at %g V, not above its lockout at %g V", v.Restart, v.Lockout)
	}
	return nil
}
