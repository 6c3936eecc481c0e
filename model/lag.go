package model

import "math"

// lag is the exact solution of a first-order linear equation over a stretch of time s from 0:
//
//	dx/dt = -k·x + g·i(t) + w(t)
//
// with a current i = i0 + m·s + A·sin(ω·s + φ) and a forcing w that is a quadratic in s. The solution is
//
//	x(s) = a + b·s + q·s² + c·exp(-k·s) + (particular of the sine)
//
// k = 0 is a plain integral; then c is 0 and a is the start. An RC pair is k = 1/τ, g = 1/C; the state of charge is
// k = 0, g = 1/Q.
type lag struct {
	a, b, q, c, k, g float64
}

// gone is the number of time constants after which nothing is left of a lag's start: e^-45 is below 1e-19.
const gone = 45

// tone is the sine in a current: amplitude [A], angular frequency [rad/s], phase at s = 0 [rad]. The zero tone is none.
type tone struct{ amp, omega, phase float64 }

// solve returns the solution that starts at x0, where the forcing besides the tone is f0 + f1·s + f2·s².
func solve(x0, k, f0, f1, f2, g float64, tn tone) lag {
	l := lag{k: k, g: g}
	if k == 0 {
		// A cubic term never occurs: f2 is 0 wherever k is.
		l.a, l.b, l.q = x0, f0, f1/2
		if tn.amp != 0 {
			l.a -= l.wave(0, tn)
		}
		return l
	}
	l.q = f2 / k
	l.b = (f1 - 2*l.q) / k
	l.a = (f0 - l.b) / k
	l.c = x0 - l.a
	if tn.amp != 0 {
		l.c -= l.wave(0, tn)
	}
	return l
}

// wave is the part of the solution that follows the tone.
func (l *lag) wave(s float64, tn tone) float64 {
	sin, cos := math.Sincos(tn.omega*s + tn.phase)
	return l.g * tn.amp / (l.k*l.k + tn.omega*tn.omega) * (l.k*sin - tn.omega*cos)
}

// at is x(s).
func (l *lag) at(s float64, tn tone) float64 {
	x := l.a + s*(l.b+s*l.q)
	if past := l.k * s; l.c != 0 && past < gone {
		x += l.c * math.Exp(-past)
	}
	if tn.amp != 0 {
		x += l.wave(s, tn)
	}
	return x
}

// slope is dx/ds.
func (l *lag) slope(s float64, tn tone) float64 {
	x := l.b + 2*s*l.q
	if past := l.k * s; l.c != 0 && past < gone {
		x -= l.k * l.c * math.Exp(-past)
	}
	if tn.amp != 0 {
		sin, cos := math.Sincos(tn.omega*s + tn.phase)
		x += l.g * tn.amp / (l.k*l.k + tn.omega*tn.omega) * tn.omega * (l.k*cos + tn.omega*sin)
	}
	return x
}

// ring lets a solution without tone answer to one, starting where it did.
func (l *lag) ring(tn tone) {
	if l.k == 0 {
		l.a -= l.wave(0, tn)
	} else {
		l.c -= l.wave(0, tn)
	}
}

// times scales a solution.
func (l *lag) times(f float64) {
	l.a *= f
	l.b *= f
	l.q *= f
	l.c *= f
	l.g *= f
}

// add sums two solutions of equal k: pairs of cells in series.
func (l *lag) add(o lag) {
	l.a += o.a
	l.b += o.b
	l.q += o.q
	l.c += o.c
	l.g += o.g
	l.k = o.k
}

// integral returns the integrals of x and of x·(s - from) over [from, from+d], without the tone.
func (l *lag) integral(from, d float64) (plain, moment float64) {
	a := l.a + from*(l.b+from*l.q)
	b := l.b + 2*from*l.q
	plain = d * (a + d*(b/2+d*l.q/3))
	moment = d * d * (a/2 + d*(b/3+d*l.q/4))
	if past := l.k * from; l.c != 0 && past < gone {
		e := l.c * math.Exp(-past)
		p1, p2 := phi(l.k * d)
		plain += e * d * p1
		moment += e * d * d * p2
	}
	return plain, moment
}

// phi returns (1 - e^-x)/x and (1 - (1+x)·e^-x)/x², by their series where the closed forms cancel.
func phi(x float64) (p1, p2 float64) {
	// So many terms that the first left out is below 1e-17.
	n := len(phiSeries)
	switch m := math.Abs(x); {
	case m >= 0.5:
		e := math.Exp(-x)
		return (1 - e) / x, (1 - (1+x)*e) / (x * x)
	case m < 0.01:
		n = 7
	case m < 0.1:
		n = 11
	}
	for n--; n >= 0; n-- {
		c := &phiSeries[n]
		p1, p2 = c[0]-x*p1, c[1]-x*p2
	}
	return p1, p2
}

// phiSeries holds 1/(n+1)! and 1/(n!·(n+2)): the closed forms of phi are Σ (-x)^n times these.
var phiSeries = [16][2]float64{
	{1, 1. / 2}, {1. / 2, 1. / 3}, {1. / 6, 1. / 8}, {1. / 24, 1. / 30}, {1. / 120, 1. / 144}, {1. / 720, 1. / 840},
	{1. / 5040, 1. / 5760}, {1. / 40320, 1. / 45360}, {1. / 362880, 1. / 403200}, {1. / 3628800, 1. / 3991680},
	{1. / 39916800, 1. / 43545600}, {1. / 479001600, 1. / 518918400}, {1. / 6227020800, 1. / 6706022400},
	{1. / 87178291200, 1. / 93405312000}, {1. / 1307674368000, 1. / 1394852659200}, {1. / 20922789888000, 1. / 22230464256000},
}
