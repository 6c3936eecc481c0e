package model

import (
	"math"
	"testing"
)

// TestStoreAndReturn: discharge into a store, charge from it, until the round has lost what there was; the account closes.
func TestStoreAndReturn(t *testing.T) {
	p := mustPack(t, "lfp-12v8-12ah")
	var plan Plan
	for range 8 {
		plan = append(plan,
			Step{Kind: Discharge, Load: Load{Current: 4}, Store: true, Ends: Ends{Voltage: 10.4, Time: 10 * hour}},
			Step{Kind: Rest, Ends: Ends{Time: 600 * second}},
			Step{Kind: Charge, Load: Load{Current: 4}, Voltage: 14.2, Store: true, Ends: Ends{Time: 10 * hour}})
	}
	for _, grain := range []float64{0, 0.5} {
		store := &Store{Capacity: 140 * 3600, In: 0.9, Out: 0.88, Own: 0.4, Grain: grain}
		c := play(t, p, plan, Options{Store: store})
		a := c.Account()
		var taken, given float64
		reasons := map[Reason]int{}
		for i, e := range c.Ended() {
			reasons[e.Why]++
			if i%3 == 0 {
				taken -= e.Energy
			} else if i%3 == 2 {
				given += e.Energy
			}
		}
		t.Logf("grain %g A: taken %.2f Wh, given %.2f Wh, lost %.2f Wh, left %.2f Wh; ends %v", grain, a.Taken/3600, a.Given/3600, a.Lost/3600, a.Level/3600, reasons)
		near(t, "taken", a.Taken, taken, 1e-9*taken)
		near(t, "given", a.Given, given, 1e-9*given)
		near(t, "account", a.Start+a.Taken, a.Given+a.Lost+a.Level, 1e-9*a.Taken)
		if reasons[ByStore] == 0 {
			t.Error("the store never ran dry though a fifth of the energy is lost in each round")
		}
		if a.Given > a.Taken*0.9*0.88 {
			t.Errorf("%g W·s were given of %g", a.Given, a.Taken)
		}
	}
}

func TestStoreThatIsFullRefuses(t *testing.T) {
	p := mustPack(t, "lfp-12v8-12ah")
	c := play(t, p, Plan{{Kind: Discharge, Load: Load{Current: 4}, Store: true, Ends: Ends{Voltage: 10}}}, Options{Store: &Store{Capacity: 36000, Level: 18000, In: 0.9, Out: 0.9}})
	e := c.Ended()[0]
	if e.Why != ByStore {
		t.Fatalf("ended by %s", e.Why)
	}
	near(t, "energy", -e.Energy, 18000/0.9, 1e-3)
	c = play(t, p, Plan{{Kind: Discharge, Load: Load{Current: 4}, Store: true, Ends: Ends{Voltage: 10}}}, Options{Store: &Store{Capacity: 36000, Level: 36000, In: 0.9, Out: 0.9}})
	if e := c.Ended()[0]; e.Why != ByStore || e.End != 0 {
		t.Errorf("a full store ended it by %s at %d ns", e.Why, e.End)
	}
	for _, bad := range []Store{{}, {Capacity: 1, In: 1}, {Capacity: 1, In: 2, Out: 1}, {Capacity: 1, Level: 2, In: 1, Out: 1}, {Capacity: math.NaN(), In: 1, Out: 1}} {
		if _, err := NewCourse(p, nil, Options{Store: &bad}); err == nil {
			t.Errorf("%+v was accepted", bad)
		}
	}
}

// TestCoarseCurrentNeverPassesTheLimit: with a grain the current comes in multiples and falls by one each time the voltage is met.
func TestCoarseCurrentNeverPassesTheLimit(t *testing.T) {
	p := mustPack(t, "lfp-12v8-12ah")
	c, err := NewCourse(p, Plan{{Kind: Charge, Load: Load{Current: 4.3}, Voltage: 14.2, Store: true, Ends: Ends{Time: 10 * hour}}},
		Options{Start: 0.3, Store: &Store{Capacity: 1e6, Level: 1e6, In: 0.9, Out: 0.9, Grain: 0.5}})
	if err != nil {
		t.Fatal(err)
	}
	seen := map[float64]bool{}
	for !c.Done() {
		s := c.Next(never)
		if v := s.Voltage(s.T1); v > 14.2+1e-6 {
			t.Fatalf("%.6f V", v)
		}
		i := s.Current(s.T0)
		seen[i] = true
		if math.Abs(math.Remainder(i, 0.5)) > 1e-12 {
			t.Fatalf("%g A is no multiple of the grain", i)
		}
	}
	if e := c.Ended()[0]; e.Why != ByTaper || len(seen) < 5 || !seen[4] {
		t.Errorf("ended by %s after the currents %v", e.Why, seen)
	}
}

// TestInverterLocksOutAndRestarts: its own lockout takes the load off, the pack recovers, it starts again: the chatter of a real one.
func TestInverterLocksOutAndRestarts(t *testing.T) {
	p := mustPack(t, "agm-12v-7ah")
	inv := &Inverter{Rated: 150, Idle: 4, Efficiency: mustCurve([]float64{0, 0.1, 0.5, 1}, []float64{0.5, 0.8, 0.92, 0.88}), Lockout: 10.5, Restart: 11.8, Standby: 0.2}
	c, err := NewCourse(p, Plan{{Kind: Discharge, Load: Load{Power: 60, Inverter: inv}, Ends: Ends{Time: 3 * hour}}}, Options{})
	if err != nil {
		t.Fatal(err)
	}
	off := 0
	was := true
	for !c.Done() {
		s := c.Next(never)
		on := s.Current(s.T0) < -1
		if was && !on {
			off++
			if v := s.Voltage(s.T0); v < 10.5 {
				t.Errorf("off at %.3f V", v)
			}
		}
		was = on
		if on && s.T0 == 0 {
			near(t, "power", -s.Current(0)*s.Voltage(0), inv.draws(60), 1e-6)
		}
	}
	t.Logf("locked out %d times; %.3f Ah", off, -c.Ended()[0].Charge/3600)
	if off < 2 {
		t.Errorf("locked out %d times, want a restart in between", off)
	}
	near(t, "idle alone", inv.draws(0), 4, 1e-12)
}

// TestInverterLocksOutAtAJump: a load that takes the voltage below the level as it comes on locks it out at once, without crossing it.
func TestInverterLocksOutAtAJump(t *testing.T) {
	p := mustPack(t, "agm-12v-7ah")
	inv := &Inverter{Rated: 150, Idle: 4, Efficiency: mustCurve([]float64{0, 1}, []float64{0.9, 0.9}), Lockout: 12.75, Standby: 0.2}
	c := play(t, p, Plan{{Kind: Rest, Ends: Ends{Time: 60 * second}}, {Kind: Discharge, Load: Load{Power: 100, Inverter: inv}, Ends: Ends{Time: hour}}}, Options{})
	if e := c.Ended()[1]; e.Charge < -0.3*3600/12 {
		t.Errorf("%.1f A·s drawn, want no more than the standby draws in an hour", -e.Charge)
	}
}
