package model

import "math"

// warming reports whether the temperature moves enough to bound the stretch.
func (c *Course) warming(i0 float64) bool {
	return !c.isothermal() && (i0 != 0 || math.Abs(c.T-c.opts.Ambient) > 1e-4)
}

func (c *Course) isothermal() bool { return c.opts.Isothermal || c.pack.Heat.Capacity == 0 }

// guessHeat sets the end temperature of the stretch from the heat at its begin.
func (c *Course) guessHeat(h float64) {
	b := &c.bench
	b.heat, b.T1 = lag{a: c.T}, c.T
	if !c.isothermal() {
		c.warmTo(c.heatNow(), h)
	}
}

// warmTo solves the temperature for a constant heat [W].
func (c *Course) warmTo(watts, h float64) {
	p := c.pack
	k := 1 / (p.Heat.Capacity * p.Heat.Resistance)
	c.bench.heat = solve(c.T, k, k*c.opts.Ambient+watts/p.Heat.Capacity, 0, 0, 0, tone{})
	c.bench.T1 = c.bench.heat.at(h, tone{})
}

// heatNow is the heat of the whole pack [W] at the beginning of the stretch.
func (c *Course) heatNow() float64 {
	b, q := &c.bench, 0.0
	for j := range c.units {
		st, s := &c.units[j].st, j/b.series
		q += c.units[j].cell.heat(st.z-st.u, st.v, b.i0[s]*b.share, b.s0[j], c.T)
	}
	return q * c.eachCell()
}

// heatAt is the heat of the whole pack [W] when the share part of a stretch of h seconds has passed.
func (c *Course) heatAt(part, h float64) float64 {
	b, q := &c.bench, 0.0
	between := func(begin, end float64) float64 { return begin + part*(end-begin) }
	T := between(c.T, b.T1)
	for j := range c.units {
		w, s := &b.waves[j], j/b.series
		var v [3]float64
		for k := range w.pairs {
			v[k] = w.pair[k].at(part*h, tone{})
		}
		q += c.units[j].cell.heat(w.level(part*h), v, between(b.i0[s], b.i1[s])*b.share, between(b.s0[j], b.s1[j]), T)
	}
	return q * c.eachCell()
}

// meanHeat is the mean over a stretch of h seconds by Simpson's rule: near full and near empty the resistance bends too much for the mean of both ends.
func (c *Course) meanHeat(h float64) float64 {
	return (c.heatNow() + 4*c.heatAt(0.5, h) + c.heatAt(1, h)) / 6
}

// eachCell is how many cells a unit stands for.
func (c *Course) eachCell() float64 {
	return float64(c.pack.Series) * float64(c.pack.Parallel) / float64(len(c.units))
}

// heat is the heat of one cell [W] at level y, pair voltages v, current i and side current s.
func (k *Cell) heat(y float64, v [3]float64, i, s, T float64) float64 {
	warm := k.warmth(T)
	q := i * i * k.Resistance * warm * k.factor(i > 0).At(y)
	for j, pair := range k.Pairs {
		q += v[j] * v[j] / (pair.Resistance * warm)
	}
	return q + s*k.OCV.At(y)
}
