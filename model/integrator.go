package model

import "math"

// Integrator answers for the integrals of one course's spans as a logger's readings ask for them: many short parts, one after the other. It
// puts a polynomial through the voltage of a piece of the stretch and integrates that in closed form, where the piece is smooth enough for
// the polynomial to be the voltage to a few 1e-13; elsewhere it is [Span.Energy] and [Span.MeanVoltage], which are the plain way of
// all this. The zero Integrator is ready.
type Integrator struct {
	of       *wave
	from, to float64 // the piece [s since the wave's origin]; empty: none
	plain    bool    // no polynomial in this piece
	mid, by  float64 // x = (s - mid)·by is -1 to 1 over the piece
	// By powers of x: the voltage [V]; its integral over x and that of voltage times current [W], which both begin with x.
	at     [nodes]float64
	volts  [nodes]float64
	energy [nodes + 1]float64
	length float64 // of the last piece that was smooth [s]

	last, lastEnergy float64 // the end of the last energy, and the integral there
}

// nodes is how many points of a piece the polynomial goes through.
const nodes = 10

// Pieces of an Integrator are worth their making from so many parts on, and hold at most so many: of more, differences of integrals would
// lose figures.
const (
	fewParts  = 8
	mostParts = 1024
)

// Energy is the energy into the pack over [a, b] of a span [W·s].
func (g *Integrator) Energy(s *Span, a, b int64) float64 {
	from, to := s.seconds(a), s.seconds(b)
	if !g.covers(s, from, to) {
		return s.Energy(a, b)
	}
	begin := g.lastEnergy
	if g.last != from {
		begin = g.energyTo(from)
	}
	g.last, g.lastEnergy = to, g.energyTo(to)
	return g.lastEnergy - begin
}

// MeanVoltage is the mean voltage of the terminals over [a, b] of a span, a before b [V].
func (g *Integrator) MeanVoltage(s *Span, a, b int64) float64 {
	from, to := s.seconds(a), s.seconds(b)
	if g.of != s.wave || g.plain || from < g.from || to > g.to {
		return s.MeanVoltage(a, b)
	}
	if d := (to - from) * g.by; d < 0.02 {
		// Of so short a part the difference of two integrals would keep few figures, and two Gauss points are exact.
		x, d := ((from+to)/2-g.mid)*g.by, d/2*gaussShort[1][0]
		return (g.voltsAt(x-d) + g.voltsAt(x+d)) / 2
	}
	return (g.voltsTo(to) - g.voltsTo(from)) / (to - from)
}

// covers says whether a polynomial answers for [from, to] of a span, after a new piece was begun where they leave the last one.
func (g *Integrator) covers(s *Span, from, to float64) bool {
	if g.of != s.wave || from < g.from || to > g.to {
		g.begin(s, from, to-from)
	}
	return !g.plain && to <= g.to
}

// begin begins a piece, of parts that are about as long as the first.
func (g *Integrator) begin(s *Span, from, part float64) {
	g.of, g.from, g.plain = s.wave, from, true
	rest := s.seconds(s.stop) - from
	if s.tone.amp != 0 || s.series == 0 || rest < fewParts*part {
		g.to = from + rest
		return
	}
	for h := min(rest, mostParts*part, max(2*g.length, 2*fewParts*part)); h >= fewParts*part; h /= 2 {
		end, _ := s.panel(from, from+h)
		if end-from < fewParts*part {
			break
		}
		if g.fit(s.wave, end) {
			g.to, g.length, g.plain = end, end-from, false
			g.last, g.lastEnergy = from, g.energyTo(from)
			return
		}
	}
	g.to = from + fewParts*part
}

// chebyshev holds the nodes of the polynomial on -1 to 1, and what takes the values there to coefficients: of Chebyshev polynomials, and of
// powers of x.
var chebyshev = newChebyshev()

type chebyshevTable struct {
	x       [nodes]float64
	values  [nodes][nodes]float64 // values[k][j]: share of the value at node j in the coefficient of T_k
	toPower [nodes][nodes]float64 // toPower[k][n]: coefficient of x^n in T_k
}

func newChebyshev() *chebyshevTable {
	t := &chebyshevTable{}
	for j := range nodes {
		angle := math.Pi * (float64(j) + 0.5) / nodes
		t.x[j] = math.Cos(angle)
		for k := range nodes {
			t.values[k][j] = 2. / nodes * math.Cos(float64(k)*angle)
		}
		t.values[0][j] = 1. / nodes
	}
	t.toPower[0][0], t.toPower[1][1] = 1, 1
	for k := 2; k < nodes; k++ {
		// T_k = 2x·T_k-1 - T_k-2
		for n := range nodes {
			t.toPower[k][n] = -t.toPower[k-2][n]
			if n > 0 {
				t.toPower[k][n] += 2 * t.toPower[k-1][n-1]
			}
		}
	}
	return t
}

// fit puts the polynomial through the voltage from the beginning of the piece to end, and says whether it is the voltage: its last
// coefficients are nothing, and each of an analytic function's is a fraction of the one before.
func (g *Integrator) fit(w *wave, end float64) bool {
	g.mid, g.by = (g.from+end)/2, 2/(end-g.from)
	var v [nodes]float64
	for j, x := range chebyshev.x {
		v[j] = w.voltage(g.mid + x/g.by)
	}
	g.at = [nodes]float64{}
	for k := nodes - 1; k >= 0; k-- {
		var c float64
		for j := range v {
			c += chebyshev.values[k][j] * v[j]
		}
		if k >= nodes-2 && math.Abs(c) > 1e-13*math.Abs(v[0]) {
			return false
		}
		for n := k & 1; n <= k; n += 2 {
			g.at[n] += c * chebyshev.toPower[k][n]
		}
	}
	// The current is a line: i0 + i1·x.
	i0, i1 := w.current(g.mid), (w.m+w.pastm)/g.by
	g.energy = [nodes + 1]float64{}
	for n, c := range g.at {
		g.volts[n] = c / float64(n+1)
		g.energy[n] += c * i0 / float64(n+1)
		g.energy[n+1] += c * i1 / float64(n+2)
	}
	return true
}

// voltsAt is the voltage at x of the piece [V].
func (g *Integrator) voltsAt(x float64) float64 {
	var y float64
	for n := nodes - 1; n >= 0; n-- {
		y = y*x + g.at[n]
	}
	return y
}

// voltsTo is the integral of the voltage from mid piece to s [V·s].
func (g *Integrator) voltsTo(s float64) float64 {
	x := (s - g.mid) * g.by
	var y float64
	for n := nodes - 1; n >= 0; n-- {
		y = y*x + g.volts[n]
	}
	return y * x / g.by
}

// energyTo is the integral of voltage times current from mid piece to s [W·s].
func (g *Integrator) energyTo(s float64) float64 {
	x := (s - g.mid) * g.by
	var y float64
	for n := nodes; n >= 0; n-- {
		y = y*x + g.energy[n]
	}
	return y * x / g.by
}
