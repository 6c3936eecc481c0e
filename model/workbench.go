package model

// workbench is the scratch of a course: one entry a string or a unit, reused for every stretch.
type workbench struct {
	strings, series int     // of units
	each            float64 // cells in series that one unit stands for
	share           float64 // current of one unit for an ampere of its string
	mixed           bool
	points          []point
	i0, i1          []float64 // string currents at begin and end [A]
	volts, gain     []float64 // string voltage at the end and how it answers to the string's end current
	s0, s1          []float64 // side currents of the units at begin and end [A]
	waves           []wave
	heat            lag
	T1              float64 // temperature at the end
}

func newWorkbench(p *Pack, units int) workbench {
	b := workbench{strings: 1, series: 1, each: float64(p.Series), share: 1 / float64(p.Parallel)}
	if units > 1 || p.Series*p.Parallel == 1 && p.Spread != (Spread{}) {
		b = workbench{strings: p.Parallel, series: p.Series, each: 1, share: 1, mixed: true}
	}
	b.points = make([]point, b.strings)
	all := make([]float64, 4*b.strings+2*units)
	for _, x := range []*[]float64{&b.i0, &b.i1, &b.volts, &b.gain} {
		*x, all = all[:b.strings], all[b.strings:]
	}
	b.s0, b.s1 = all[:units], all[units:]
	b.waves = make([]wave, units)
	return b
}

// respond fills in how each string answers now.
func (c *Course) respond() {
	b := &c.bench
	for s := range b.points {
		p := point{}
		for j := s * b.series; j < (s+1)*b.series; j++ {
			u := &c.units[j]
			k, st := u.cell, &u.st
			y := st.z - st.u
			v := k.OCV.At(y) + k.OCVPerKelvin*(c.T-k.Reference) + k.Hysteresis.Volts*st.h
			for i := range k.Pairs {
				v += st.v[i]
			}
			ohm := k.Resistance * k.warmth(c.T) * b.share * b.each
			p.open += v * b.each
			p.ohmIn += ohm * k.Charging.At(y)
			p.ohmOut += ohm * k.Discharging.At(y)
		}
		b.points[s] = p
	}
}

// settle solves the law at this instant: the pack's current and voltage, and the strings' currents in bench.i0. respond was called before.
func (c *Course) settle(l law) (i, v float64, ok bool) {
	b := &c.bench
	if b.strings == 1 {
		i, ok = b.points[0].amps(l)
		b.i0[0] = i
		return i, b.points[0].volts(i), ok
	}
	// The direction that the law gives each string, to begin with.
	for s, p := range b.points {
		switch l.kind {
		case fixedVoltage:
			b.i0[s] = l.value - p.open
		case fixedResistance:
			b.i0[s] = -1
		default:
			b.i0[s] = l.value
		}
	}
	for range 8 {
		// Strings in parallel are one source; each string's direction is as the last pass found it.
		var g, e float64
		for s, p := range b.points {
			r := p.ohm(b.i0[s])
			g += 1 / r
			e += p.open / r
		}
		all := point{e / g, 1 / g, 1 / g}
		if i, ok = all.amps(l); !ok {
			return i, v, false
		}
		v = all.volts(i)
		again := false
		for s, p := range b.points {
			old := b.i0[s]
			b.i0[s] = (v - p.open) / p.ohm(old)
			again = again || (old > 0) != (b.i0[s] > 0)
		}
		if !again {
			break
		}
	}
	return i, v, ok
}
