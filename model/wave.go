package model

import "math"

// wave is the solution over one stretch of time in which current is a line (plus a sine) and no parameter changes: terminal
// voltage and its integrals follow from it exactly. Times s are seconds since its origin.
//
// Uniform packs: v = S·[OCV(y) + e + ρ·R0(y)·i/P + Σ v_k + M·h], y = z - u/Q.
// Packs of unequal cells: v = base(s) + Σ v_k, where base is the cubic through values and slopes of the sum of all cells' OCV
// and ohmic parts at both ends of the stretch.
type wave struct {
	origin int64 // [ns]
	// Current into the pack [A]: i0 + m·s + tone, and past0 + pastm·s that flows beside the cells (a taper that is held up).
	i0, m        float64
	past0, pastm float64
	tone         tone

	cell     *Cell
	series   float64 // cells in series; 0: the terminals are cut off (the protection board is open) and show cut
	cut      float64 // [V]
	share    float64 // current of one cell for each ampere of the pack, 1/P
	charging bool    // which resistance curve holds
	z, u     lag     // charge fraction; unavailable charge as a fraction of the whole
	pair     [3]lag  // [V] of one cell, or of the whole string if mixed
	pairs    int
	hyst     lag     // -1 to 1
	heat     lag     // temperature [K]
	rho, rhs float64 // R0 [ohm of one cell, full charge] is rho + rhs·s
	e, es    float64 // added to OCV [V of one cell]: e + es·s
	mixed    bool
	base     [4]float64 // [V]
	toneOhm  float64    // what the tone's current drops in all R0 [ohm]
}

// seconds converts an instant to time since the origin.
func (w *wave) seconds(t int64) float64 { return float64(t-w.origin) * 1e-9 }

// current is the pack's current at s.
func (w *wave) current(s float64) float64 {
	i := w.i0 + w.past0 + (w.m+w.pastm)*s
	if w.tone.amp != 0 {
		i += w.tone.amp * math.Sin(w.tone.omega*s+w.tone.phase)
	}
	return i
}

// through is the current through the cells at s: without what flows beside them.
func (w *wave) through(s float64) float64 {
	i := w.i0 + w.m*s
	if w.tone.amp != 0 {
		i += w.tone.amp * math.Sin(w.tone.omega*s+w.tone.phase)
	}
	return i
}

// level is the charge fraction that the voltage follows: what is there less what the rate makes unavailable.
func (w *wave) level(s float64) float64 { return w.z.at(s, w.tone) - w.u.at(s, tone{}) }

// core is the part of the voltage [V of one cell, of the pack if mixed] that has no closed integral: OCV and the ohmic drop.
func (w *wave) core(s float64) float64 {
	if w.mixed {
		v := w.base[0] + s*(w.base[1]+s*(w.base[2]+s*w.base[3]))
		if w.tone.amp != 0 {
			v += w.toneOhm * w.tone.amp * math.Sin(w.tone.omega*s+w.tone.phase)
		}
		return v
	}
	y := w.level(s)
	v := w.cell.OCV.At(y) + w.e + w.es*s
	if i := w.through(s) * w.share; i != 0 {
		v += (w.rho + w.rhs*s) * w.cell.factor(w.charging).At(y) * i
	}
	return v
}

// voltage is the terminal voltage at s.
func (w *wave) voltage(s float64) float64 {
	if w.series == 0 {
		return w.cut
	}
	v := w.core(s)
	for k := range w.pairs {
		v += w.pair[k].at(s, w.tone)
	}
	if w.mixed {
		return v
	}
	if m := w.cell.Hysteresis.Volts; m != 0 {
		v += m * w.hyst.at(s, tone{})
	}
	return v * w.series
}

// coreSlope is the derivative of core.
func (w *wave) coreSlope(s float64) float64 {
	var ripple float64
	if w.tone.amp != 0 {
		ripple = w.tone.amp * w.tone.omega * math.Cos(w.tone.omega*s+w.tone.phase)
	}
	if w.mixed {
		return w.base[1] + s*(2*w.base[2]+3*s*w.base[3]) + w.toneOhm*ripple
	}
	y, dy := w.level(s), w.z.slope(s, w.tone)-w.u.slope(s, tone{})
	_, ocv := w.cell.OCV.Both(y)
	r, dr := w.cell.factor(w.charging).Both(y)
	i, di := w.through(s)*w.share, (w.m+ripple)*w.share
	ohm := w.rho + w.rhs*s
	return (ocv+ohm*dr*i)*dy + ohm*r*di + w.rhs*r*i + w.es
}

// slope is dv/ds of the terminals.
func (w *wave) slope(s float64) float64 {
	if w.series == 0 {
		return 0
	}
	d := w.coreSlope(s)
	for k := range w.pairs {
		d += w.pair[k].slope(s, w.tone)
	}
	if w.mixed {
		return d
	}
	return (d + w.cell.Hysteresis.Volts*w.hyst.slope(s, tone{})) * w.series
}

// swing is how far the tone moves the terminals from the smooth part around s [V]: the amplitude of its steady response, a thousandth more.
func (w *wave) swing(s float64) float64 {
	if w.tone.amp == 0 || w.series == 0 {
		return 0
	}
	// Each lag answers with g/(k + jω).
	var re, im float64
	answer := func(l *lag, scale float64) {
		f := scale * l.g / (l.k*l.k + w.tone.omega*w.tone.omega)
		re += f * l.k
		im -= f * w.tone.omega
	}
	for k := range w.pairs {
		answer(&w.pair[k], 1)
	}
	if w.mixed {
		return math.Hypot(re+w.toneOhm, im) * math.Abs(w.tone.amp) * 1.001
	}
	y := w.level(s)
	_, ocv := w.cell.OCV.Both(y)
	re += (w.rho + w.rhs*s) * w.cell.factor(w.charging).At(y) * w.share
	answer(&w.z, ocv)
	return math.Hypot(re, im) * math.Abs(w.tone.amp) * w.series * 1.001
}

// charge is the integral of current over [a, b].
func (w *wave) charge(a, b float64) float64 {
	d := b - a
	q := d * (w.i0 + w.past0 + (w.m+w.pastm)*(a+d/2))
	if w.tone.amp != 0 {
		q += w.tone.amp / w.tone.omega * (math.Cos(w.tone.omega*a+w.tone.phase) - math.Cos(w.tone.omega*b+w.tone.phase))
	}
	return q
}

// throughput is the integral of |current| over [a, b].
func (w *wave) throughput(a, b float64) float64 {
	line := func(s float64) float64 { return w.i0 + w.past0 + (w.m+w.pastm)*s }
	amp := math.Abs(w.tone.amp)
	lo, hi := min(line(a), line(b)), max(line(a), line(b))
	if lo >= amp || hi <= -amp {
		return math.Abs(w.charge(a, b))
	}
	if amp == 0 {
		zero := min(b, max(a, -(w.i0+w.past0)/(w.m+w.pastm)))
		return math.Abs(w.charge(a, zero)) + math.Abs(w.charge(zero, b))
	}
	// The sine carries the current through zero: find each crossing between neighbouring quarter periods.
	total, from := 0.0, a
	quarter := math.Pi / 2 / w.tone.omega
	for s := a; s < b; {
		next := min(b, s+quarter)
		if (w.current(s) < 0) != (w.current(next) < 0) {
			zero := bisect(w.current, s, next)
			total += math.Abs(w.charge(from, zero))
			from = zero
		}
		s = next
	}
	return total + math.Abs(w.charge(from, b))
}

// gauss holds nodes (on -1 to 1) and weights of the five-point Gauss-Legendre rule, exact to degree nine: OCV is a cubic of a
// quadratic, the ohmic part times current one degree more than the rule needs. gaussShort is the two-point rule, for a panel so
// short (see [short]) that its error, (d/dx)^4/135 on -1 to 1, is below 1e-11 of what the integrand changes between two knots.
var gaussShort = [2][2]float64{{-0.577350269189625764509149, 1}, {0.577350269189625764509149, 1}}

var gauss = [5][2]float64{
	{-0.906179845938663992797627, 0.236926885056189087514264}, {-0.538469310105683091036314, 0.478628670499366468041292},
	{0, 0.568888888888888888888889},
	{0.538469310105683091036314, 0.478628670499366468041292}, {0.906179845938663992797627, 0.236926885056189087514264},
}

// integrals returns the integrals of v and of v·i over [a, b]: pairs in closed form, OCV and ohmic part by Gauss quadrature split
// where the charge fraction crosses a knot of a curve, so that each panel is smooth.
func (w *wave) integrals(a, b float64) (volts, energy float64) {
	d := b - a
	if w.series == 0 || !(d > 0) {
		return w.cut * d, w.cut * w.charge(a, b)
	}
	if w.tone.amp == 0 {
		ia := w.current(a)
		m := w.m + w.pastm
		for k := range w.pairs {
			plain, moment := w.pair[k].integral(a, d)
			volts += plain
			energy += ia*plain + m*moment
		}
		if !w.mixed && w.cell.Hysteresis.Volts != 0 {
			plain, moment := w.hyst.integral(a, d)
			volts += w.cell.Hysteresis.Volts * plain
			energy += w.cell.Hysteresis.Volts * (ia*plain + m*moment)
		}
	}
	v, e := 0.0, 0.0
	if w.tone.amp != 0 {
		v, e = w.periods(a, b)
	} else {
		v, e = w.quadrature(a, b)
	}
	volts, energy = volts+v, energy+e
	if w.mixed {
		return volts, energy
	}
	return volts * w.series, energy * w.series
}

// quadrature integrates by Gauss panels what has no closed form: OCV and ohmic part, and with a tone everything.
func (w *wave) quadrature(a, b float64) (volts, energy float64) {
	for s := a; s < b; {
		next, brief := w.panel(s, b)
		nodes := gauss[:]
		if brief {
			nodes = gaussShort[:]
		}
		half, mid := (next-s)/2, (next+s)/2
		var v, e float64
		for _, g := range nodes {
			at := mid + half*g[0]
			x := w.core(at)
			if w.tone.amp != 0 {
				for k := range w.pairs {
					x += w.pair[k].at(at, w.tone)
				}
				if !w.mixed {
					x += w.cell.Hysteresis.Volts * w.hyst.at(at, tone{})
				}
			}
			v += g[1] * x
			e += g[1] * x * w.current(at)
		}
		volts += v * half
		energy += e * half
		s = next
	}
	return volts, energy
}

// periods integrates over many periods of the tone. From one period to the next the integral over a period changes slowly, as a
// polynomial of the fourth degree over a stretch without a knot: five periods at equal distances give the sum of all between them.
func (w *wave) periods(a, b float64) (volts, energy float64) {
	period := 2 * math.Pi / w.tone.omega
	slow := *w
	slow.tone = tone{}
	s := a
	for {
		end, _ := slow.panel(s, b)
		for k := range w.pairs {
			if l := &w.pair[k]; l.c != 0 && math.Abs(l.c)*math.Exp(-l.k*s) > 1e-12 {
				end = math.Min(end, s+0.5/l.k)
			}
		}
		m := math.Floor(((end-s)/period - 1) / 4)
		if m < 2 {
			// Too few periods: all of them.
			end = math.Max(end, math.Min(b, s+period))
			v, e := w.quadrature(s, end)
			volts, energy = volts+v, energy+e
		} else {
			var pv, pe [5]float64
			for j := range pv {
				from := s + float64(j)*m*period
				pv[j], pe[j] = w.quadrature(from, from+period)
			}
			volts += sumBetween(pv, m)
			energy += sumBetween(pe, m)
			end = s + (4*m+1)*period
		}
		if end >= b {
			return volts, energy
		}
		s = end
	}
}

// sumBetween is the sum over n = 0 to 4·m of the polynomial that takes the values p at n = 0, m, 2·m, 3·m and 4·m.
func sumBetween(p [5]float64, m float64) float64 {
	// Newton's forward differences, d[k] = Δ^k p(0).
	d := p
	for k := 1; k < 5; k++ {
		for j := 4; j >= k; j-- {
			d[j] -= d[j-1]
		}
	}
	// Sums of t^r with t = n/m.
	n := 4 * m
	t1 := n * (n + 1) / 2 / m
	t2 := n * (n + 1) * (2*n + 1) / 6 / (m * m)
	t3 := t1 * t1 / m
	t4 := n * (n + 1) * (2*n + 1) * (3*n*n + 3*n - 1) / 30 / (m * m * m * m)
	return d[0]*(n+1) + d[1]*t1 + d[2]*(t2-t1)/2 + d[3]*(t3-3*t2+2*t1)/6 + d[4]*(t4-6*t3+11*t2-6*t1)/24
}

// short is the share of the way to the next knot, and of a time constant, up to which a panel is brief.
const short = 1. / 64

// panel returns the end of the longest stretch from s, at most to b, over which the integrand is smooth enough for the five-point rule,
// and whether it is so brief that two points do as well.
func (w *wave) panel(s, b float64) (end float64, brief bool) {
	next := b
	if w.tone.amp != 0 {
		// An eighth of a period: the rule's error is then far below 1e-12 of the sine's part.
		next = min(next, s+math.Pi/4/w.tone.omega)
	}
	if w.mixed {
		return next, false
	}
	relaxes := w.u.c != 0 && w.u.k*s < gone
	if relaxes {
		next = min(next, s+0.5/w.u.k)
	}
	y, last := w.level(s), w.level(next)
	edge := w.cell.knot(y, last > y, w.charging)
	if last > y && last <= edge || last <= y && last >= edge {
		return next, w.tone.amp == 0 && math.Abs(last-y) <= short*math.Abs(edge-y) && (!relaxes || w.u.k*(next-s) <= short)
	}
	cross := bisect(func(t float64) float64 { return w.level(t) - edge }, s, next)
	return min(next, max(cross, s+1e-9*(b-s))), false
}
