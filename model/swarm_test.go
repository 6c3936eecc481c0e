package model

import (
	"math"
	"testing"

	"pgregory.net/rapid"
)

// TestSwarm plays random plans with random defects, conditions and a bench that switches, draws and cuts power at random, on every pack on
// board: no panic, no number that is none, no endless course, time only forwards, and the books balance.
func TestSwarm(t *testing.T) {
	packs := PackNames()
	rapid.Check(t, func(t *rapid.T) {
		p := mustPackRapid(t, rapid.SampledFrom(packs).Draw(t, "pack"))
		plan := drawPlan(t, p)
		o := Options{
			Start:      rapid.Float64Range(0.01, 1).Draw(t, "start"),
			Ambient:    rapid.Float64Range(253, 323).Draw(t, "ambient"),
			Isothermal: rapid.Bool().Draw(t, "isothermal"),
			Seed:       rapid.Uint64Range(0, 5).Draw(t, "seed"),
		}
		if rapid.Bool().Draw(t, "defect") {
			o.Defects = []Defect{{Cell: rapid.IntRange(0, p.Series).Draw(t, "cell"), Capacity: rapid.Float64Range(0.3, 1.2).Draw(t, "capacity"),
				Charge: rapid.Float64Range(-0.3, 0.3).Draw(t, "charge"), Short: rapid.SampledFrom([]float64{0, 50}).Draw(t, "short")}}
		}
		for i := range plan {
			if plan[i].Kind == Discharge && rapid.IntRange(0, 2).Draw(t, "logger") == 0 {
				plan[i].Ends.Logger, plan[i].Ends.Hold = p.Rated.End, rapid.Int64Range(0, 60*second).Draw(t, "hold")
			}
		}
		c, err := NewCourse(p, plan, o)
		if err != nil {
			t.Fatalf("%v", err)
		}
		var charge float64
		still := 0 // how often time stood still in a row
		for n := 0; !c.Done(); n++ {
			before := c.Now()
			s := c.Next(before + rapid.Int64Range(1, hour).Draw(t, "on"))
			if s.T1 < s.T0 || c.Now() < before {
				t.Fatalf("time ran backwards")
			}
			if still++; c.Now() > before {
				still = 0
			}
			if still > 100 || n > 21000 {
				t.Fatalf("no end in sight at %d ns in step %d", c.Now(), c.StepIndex())
			}
			charge += s.Charge(s.T0, s.T1)
			for _, x := range []float64{s.Voltage(s.T1), s.Current(s.T1), s.Energy(s.T0, s.T1), s.MeanVoltage(s.T0, s.T1), s.Temperature(s.T1), s.StateOfCharge(s.T1)} {
				if math.IsNaN(x) || math.IsInf(x, 0) {
					t.Fatalf("%g at %d ns in step %d", x, s.T1, c.StepIndex())
				}
			}
			switch rapid.IntRange(0, 30).Draw(t, "bench") {
			case 0:
				load, charger := c.Contacts()
				c.Switch(!load, charger)
			case 1:
				load, charger := c.Contacts()
				c.Switch(load, !charger)
			case 2:
				c.SetDraw(rapid.Float64Range(0, p.Amps(0.01)).Draw(t, "draw"))
			case 3:
				c.Powered(rapid.Bool().Draw(t, "power"))
			case 4:
				c.HoldTaper(rapid.Float64Range(0, p.Amps(0.1)).Draw(t, "held"))
			}
			if c.Now() > 100*hour || n > 20000 { // a draw may ask for nothing but nanoseconds
				c.Stop()
			}
		}
		var steps float64
		for i, e := range c.Ended() {
			steps += e.Charge
			if e.End < e.Begin || e.MinV > e.MaxV || e.Why == "" {
				t.Fatalf("step %d: %+v", i, e)
			}
		}
		if math.Abs(steps-charge) > 1e-8*(1+math.Abs(charge))+1e-6 {
			t.Fatalf("steps sum to %g A·s, spans to %g", steps, charge)
		}
	})
}

func mustPackRapid(t *rapid.T, name string) *Pack {
	p, err := PackByName(name)
	if err != nil {
		t.Fatal(err)
	}
	return p
}
