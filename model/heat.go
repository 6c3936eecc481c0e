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

// heatNow is the heat of the whole pack [W] at the begin of the stretch, heatEnd at its end.
func (c *Course) heatNow() float64 {
	b, q := &c.bench, 0.0
	for j := range c.units {
		st, s := &c.units[j].st, j/b.series
		q += c.units[j].cell.heat(st.z-st.u, st.v, b.i0[s]*b.share, b.s0[j], c.T)
	}
	return q * c.eachCell()
}

func (c *Course) heatEnd(h float64) float64 {
	b, q := &c.bench, 0.0
	for j := range c.units {
		w, s := &b.waves[j], j/b.series
		var v [3]float64
		for k := range w.pairs {
			v[k] = w.pair[k].at(h, tone{})
		}
		q += c.units[j].cell.heat(w.level(h), v, b.i1[s]*b.share, b.s1[j], b.T1)
	}
	return q * c.eachCell()
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
