package model

import (
	"fmt"
	"math"
)

// Store takes the energy of a discharge and gives it back for a charge, with losses: a second battery with its converter. Steps that use it
// have Step.Store set. A full store refuses: the discharge ends; an empty one has nothing to give: the charge ends (ByStore).
//
//	level' = In·(power out of the pack) - Own       while the pack is discharged
//	level' = -(power into the pack)/Out - Own       while it is charged
type Store struct {
	Capacity float64 // [W·s]
	Level    float64 // at the beginning [W·s]
	In, Out  float64 // efficiency of taking and giving, above 0 to 1
	Own      float64 // what the converter uses while it runs [W]
	// Grain is the step in which the current of a charge can be set [A]: it is the next lower multiple, and falls by one grain each
	// time the voltage limit is met. 0 is fine.
	Grain float64
}

// StoreAccount says where the energy of all steps went [W·s]. Taken + Start = Given + Lost + Level, and Taken and Given are the pack's own.
type StoreAccount struct {
	Start, Level float64
	Taken        float64 // out of the pack
	Given        float64 // into the pack
	Lost         float64 // in both directions and by the converter
}

func (s *Store) validate() error {
	switch {
	case !(s.Capacity > 0) || math.IsInf(s.Capacity, 0):
		return fmt.Errorf("the store has a capacity of %g W·s (expected more than 0)", s.Capacity)
	case !(s.Level >= 0 && s.Level <= s.Capacity):
		return fmt.Errorf("the store begins with %g W·s of %g (expected no more than that)", s.Level, s.Capacity)
	case !(s.In > 0 && s.In <= 1) || !(s.Out > 0 && s.Out <= 1):
		return fmt.Errorf("the store has efficiencies %g and %g (expected above 0, at most 1)", s.In, s.Out)
	case !(s.Own >= 0) || !(s.Grain >= 0) || math.IsInf(s.Own, 0) || math.IsInf(s.Grain, 0):
		return fmt.Errorf("the store uses %g W and has a grain of %g A (expected 0 or more)", s.Own, s.Grain)
	}
	return nil
}

// level is the store's after energy [W·s, into the pack] has flowed for the time s.
func (s *Store) level(level, energy, seconds float64) float64 {
	if energy < 0 {
		return level - energy*s.In - s.Own*seconds
	}
	return level - energy/s.Out - s.Own*seconds
}

// Account is where the energy of the steps with a store has gone so far.
func (c *Course) Account() StoreAccount { return c.store }

// book moves the energy of a played stretch to or from the store.
func (c *Course) book(energy, seconds float64) {
	a, s := &c.store, c.opts.Store
	next := s.level(a.Level, energy, seconds)
	if next < 0 {
		next = 0 // the last nanosecond of a located end
	}
	if energy < 0 {
		a.Taken -= energy
	} else {
		a.Given += energy
	}
	a.Lost += a.Level - energy - next
	a.Level = next
}

// locateStore finds where the store is full or empty.
func (c *Course) locateStore(take func(float64, eventKind, Reason), first *float64) {
	s := c.opts.Store
	after := func(t float64) float64 {
		_, energy := c.w.integrals(0, t)
		return s.level(c.store.Level, energy, t)
	}
	end := after(*first)
	switch {
	case end >= s.Capacity && end > c.store.Level:
		take(bisect(func(t float64) float64 { return after(t) - s.Capacity }, 0, *first), endOfStep, ByStore)
	case end <= 0:
		take(bisect(func(t float64) float64 { return -after(t) }, 0, *first), endOfStep, ByStore)
	}
}

// grains is the current of a charge from the store: the next lower multiple of its grain, less the grains that the voltage limit has cost.
func (c *Course) grains(amps float64) float64 {
	g := c.opts.Store.Grain
	if g == 0 {
		return amps
	}
	return math.Max(0, math.Floor(amps/g*(1+1e-12))-float64(c.step.fewer)) * g
}
