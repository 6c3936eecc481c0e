package model

import (
	"fmt"
	"math"
	"math/rand/v2"
)

// unit is one cell as a course carries it; in a pack of equal cells one unit stands for all of them.
type unit struct {
	cell  *Cell
	size  float64 // capacity over that of the pack's Cell
	short float64 // conductance across it [S]
	st    cellState
}

// cellState is the state of one cell.
type cellState struct {
	z, u, h float64
	v       [3]float64
	gain    gainMemo
}

// gainMemo keeps the last solution of Pack.gain: loads return to the same currents.
type gainMemo struct{ amps, T, gain float64 }

// units makes the cells of the pack: one for all if they are equal, else every cell of every string, drawn from the seed.
func (p *Pack) units(o *Options) ([]unit, error) {
	first := cellState{z: o.Start}
	if p.Spread == (Spread{}) && len(o.Defects) == 0 {
		return []unit{{cell: &p.Cell, size: 1, st: first}}, nil
	}
	n := p.Series * p.Parallel
	if n > 2000 {
		return nil, fmt.Errorf("%d cells that differ (expected at most 2000)", n)
	}
	units, cells := make([]unit, n), make([]Cell, n)
	grow := o.grow
	if grow == 0 {
		grow = 1
	}
	rng := rand.New(rand.NewPCG(o.Seed, 0x5eed0fce11))
	draw := func(sd float64) float64 {
		for {
			if x := rng.NormFloat64(); math.Abs(x) <= 3 {
				return sd * x
			}
		}
	}
	for j := range units {
		cells[j] = p.Cell
		size := (1 + draw(p.Spread.Capacity)) * grow
		start := draw(p.Spread.Charge)
		resistance := 1 + draw(p.Spread.Resistance)
		var short float64
		for _, d := range o.Defects {
			if d.String != 0 && d.String != j/p.Series+1 || d.Cell != 0 && d.Cell != j%p.Series+1 {
				continue
			}
			if d.Capacity > 0 {
				size *= d.Capacity
			}
			if d.Resistance > 0 {
				resistance *= d.Resistance
			}
			if d.Short > 0 {
				short += 1 / d.Short
			}
			start += d.Charge
		}
		if !(size > 0.02) || !(resistance > 0.02) {
			return nil, fmt.Errorf("cell %d of string %d would have %.3g of its capacity and %.3g of its resistance (expected more than 0.02)",
				j%p.Series+1, j/p.Series+1, size, resistance)
		}
		cells[j].resize(size, resistance)
		st := first
		// A cell is not fuller than full.
		st.z = math.Max(0, math.Min(1, st.z+start))
		units[j] = unit{cell: &cells[j], size: size, short: short, st: st}
	}
	return units, nil
}

// resize scales capacity and resistance of a cell, its pairs with it (their capacity grows as their resistance falls).
func (c *Cell) resize(size, resistance float64) {
	c.Capacity *= size
	c.Gassing.Current *= size
	c.Resistance *= resistance
	c.Pairs = append([]Pair(nil), c.Pairs...)
	for k := range c.Pairs {
		c.Pairs[k].Resistance *= resistance
	}
}

// check refuses defects that are none.
func (d Defect) check(p *Pack) error {
	for _, x := range []float64{d.Capacity, d.Resistance, d.Short} {
		if !(x >= 0) || math.IsInf(x, 0) {
			return fmt.Errorf("a defect with %g (expected 0 or more)", x)
		}
	}
	if !(math.Abs(d.Charge) <= 1) {
		return fmt.Errorf("a defect that moves the charge by %g (expected -1 to 1)", d.Charge)
	}
	if d.String < 0 || d.String > p.Parallel || d.Cell < 0 || d.Cell > p.Series {
		return fmt.Errorf("a defect in cell %d of string %d (the pack has %d cells in each of %d strings)", d.Cell, d.String, p.Series, p.Parallel)
	}
	return nil
}

// ratingMatch is the factor that matchRating has found for the spread that a seed draws.
type ratingMatch struct {
	pack *Pack
	seed uint64
	grow float64
}

// Matched are the options with what a pack's spread needs solved, so that each course of it begins without solving that anew. A pack
// must not change afterwards.
func (o Options) Matched(p *Pack) (Options, error) {
	if p.Spread == (Spread{}) || o.match.pack == p && o.match.seed == o.Seed {
		return o, nil
	}
	grow, err := p.matchRating(o.Seed)
	if err == nil {
		o.match = ratingMatch{p, o.Seed, grow}
	}
	return o, err
}

// matchRating finds the factor on all cells' capacity with which the pack with its spread, but without defects, delivers its rated charge
// to its end voltage, or until its board opens: the figure is the pack's.
func (p *Pack) matchRating(seed uint64) (float64, error) {
	factor := 1.0
	for range 4 {
		c, err := newCourse(p, Plan{{Kind: Discharge, Load: Load{Current: p.Rated.Current()}, Ends: Ends{Voltage: p.Rated.End, Time: int64(3e9 * p.Rated.Hours)}}},
			Options{Start: 1, Isothermal: true, Seed: seed, Ambient: p.Cell.Reference, Cell: p.Cell.Reference, grow: factor, most: longest})
		if err != nil {
			return 0, err
		}
		for !c.Done() {
			c.Next(never)
		}
		delivered := -c.Ended()[0].Charge / (p.Rated.Charge * p.Health)
		if !(delivered > 0.1) {
			return 0, fmt.Errorf("with this spread the pack gives %.3g of its rated charge: no usable cell is left", delivered)
		}
		if math.Abs(delivered-1) < 2e-5 {
			break
		}
		if factor /= delivered; factor > 1.5 {
			return 0, fmt.Errorf("with this spread the weakest cell leaves %.3g of the rated charge; the cells would have to hold %.3g times theirs (expected at most 1.5)",
				delivered, factor)
		}
	}
	return factor, nil
}

// CellNow is one cell at an instant.
type CellNow struct {
	String, Cell  int     // from 1; 0 if it stands for all cells of a pack of equal cells
	Voltage       float64 // [V]
	StateOfCharge float64 // fraction of its own whole
}

// Cells returns every cell as it is now, string after string; one entry if they are all equal.
func (c *Course) Cells() []CellNow {
	out := make([]CellNow, len(c.units))
	if !c.playing {
		c.still()
	}
	for j := range c.units {
		w := &c.bench.waves[j]
		s := w.seconds(c.now)
		out[j] = CellNow{Voltage: w.voltage(s) / c.bench.each, StateOfCharge: w.z.at(s, w.tone)}
		if c.bench.mixed {
			out[j].String, out[j].Cell = j/c.bench.series+1, j%c.bench.series+1
		}
	}
	return out
}
