package fit

import (
	"errors"
	"fmt"
	"math"
	"sort"

	"gonum.org/v1/gonum/mat"
)

// Run is one stretch of a log: rest, discharge, pulses. All slices have one length.
type Run struct {
	Name string
	// T is time [s], rising; I current [A], positive into the battery; V voltage at the terminals [V].
	T, I, V []float64
	// Drawn is the charge that had been drawn from full before the first sample [A·s].
	Drawn float64
}

// CircuitOptions steer FitCircuit. The zero value is the default.
type CircuitOptions struct {
	// Pairs is the most RC pairs, 1 or 2; 0 is 1. A second one that the logs do not tell is left out.
	Pairs int
}

// Circuit is an equivalent circuit found from logs:
//
//	v = OCV(q) + R(q)·i + sum x_k,  dx_k/dt = -x_k/Tau_k + R_k·i/Tau_k
//
// over q, the charge drawn since full [A·s]. OCV and R are straight between their knots. Values are of the whole pack.
//
// For given Tau everything else enters linearly and is solved for by Linear; only log Tau is searched (variable projection, Golub and Pereyra 1973:
// from memory). The errors come from the whole Jacobian at the end, Tau included, times Inflated.
type Circuit struct {
	Drawn    []float64 // knots of OCV [A·s], rising from 0
	OCV      []float64 // [V]
	OCVError []float64
	RDrawn   []float64 // knots of R [A·s]
	R        []float64 // [ohm]
	RError   []float64
	Pairs    []PairFound
	// RMS is the root mean square of the residuals [V], Worst the largest; Runs gives the same for each run.
	RMS, Worst float64
	Runs       []RunFit
	// Inflation is the factor on the errors for the correlation of the residuals in time.
	Inflation float64
	Condition float64
	// Correlation is that of R (mean) with the first pair's resistance.
	Correlation float64
	// Untold says, in sentences, what the logs do not tell.
	Untold []string
	Rows   int
}

// PairFound is one RC pair with standard errors.
type PairFound struct {
	R, RError     float64 // [ohm]
	Tau, TauError float64 // [s]
	// Told says that both are known to better than half of themselves.
	Told bool
}

// worth says that resistance and time are at least larger than their errors.
func (p PairFound) worth() bool { return p.R > p.RError && p.Tau > p.TauError }

// RunFit is how well a run is described.
type RunFit struct {
	Name       string
	Rows       int
	RMS, Worst float64
	WorstAt    float64 // [s]
	Residual   []float64
}

// Shares of the charge drawn at which the knots of OCV and R stand: closer where the voltage bends. R has several lists, tried in turn.
var (
	ocvKnots = [...]float64{0, 0.03, 0.08, 0.15, 0.25, 0.35, 0.45, 0.55, 0.65, 0.75, 0.83, 0.89, 0.93, 0.96, 0.98, 1}
	rKnots   = [...][]float64{{0, 0.5, 0.85, 1}, {0, 1}, {0}}
)

const mostRows = 200_000

// FitCircuit finds the circuit that describes all runs together. The error is ErrData or that of Nonlinear.
func FitCircuit(runs []Run, o CircuitOptions) (*Circuit, error) {
	if o.Pairs == 0 {
		o.Pairs = 1
	}
	if o.Pairs < 0 || o.Pairs > 2 {
		return nil, fmt.Errorf("%w: %d RC pairs", ErrData, o.Pairs)
	}
	if o.Pairs == 2 {
		// A second pair that is worth nothing spoils what is told.
		two, err := mostDetail(runs, o)
		if err != nil && !errors.Is(err, ErrNoConvergence) {
			return nil, err
		}
		if err == nil && two.Pairs[0].worth() && two.Pairs[1].worth() {
			return two, nil
		}
		one, err := mostDetail(runs, CircuitOptions{Pairs: 1})
		if err != nil {
			return nil, err
		}
		one.Untold = append([]string{"A second RC pair is not told: log a pulse or a rest with short intervals."}, one.Untold...)
		return one, nil
	}
	return mostDetail(runs, o)
}

// mostDetail fits as much detail along the discharge as the logs tell.
func mostDetail(runs []Run, o CircuitOptions) (*Circuit, error) {
	// A resistance that is not larger than its error is no resistance.
	var c *Circuit
	for k := range rKnots {
		next, err := fitCircuit(runs, o, rKnots[k:])
		if err != nil {
			return nil, err
		}
		if c = next; c.told() {
			break
		}
	}
	return c, nil
}

// told says that all resistances are larger than their errors.
func (c *Circuit) told() bool {
	for k, r := range c.R {
		if !(r > c.RError[k]) {
			return false
		}
	}
	return true
}

// fitCircuit fits with the first of the lists of knots of R.
func fitCircuit(runs []Run, o CircuitOptions, knots [][]float64) (*Circuit, error) {
	s, err := newCircuitProblem(runs, o, knots[0])
	if err != nil {
		return nil, err
	}
	s.detail = len(knots)
	starts := []float64{math.Log(60)}
	if o.Pairs == 2 {
		starts = []float64{math.Log(15), math.Log(600)}
	}
	f, err := Nonlinear(Problem{N: s.n, Residual: s.residual}, starts, Settings{Iterations: 200, Tolerance: 1e-7})
	if err != nil {
		return nil, err
	}
	return s.circuit(f.Value)
}

// circuitProblem holds the rows of all runs.
type circuitProblem struct {
	runs   []Run
	o      CircuitOptions
	n      int
	t0     []int // first row of each run
	q, i   []float64
	v      []float64
	ocv, r []float64 // knots [A·s]
	seeR   []int     // knots of R that rows with current touch
	seeV   []int
	detail int // lists of knots of R that are left, this one included
	levels int // currents that differ by a tenth
	a      *mat.Dense
	norm   []float64 // length of each column
	value  []float64
}

func newCircuitProblem(runs []Run, o CircuitOptions, knots []float64) (*circuitProblem, error) {
	s := &circuitProblem{runs: runs, o: o}
	most := 0.0
	var amps []float64
	for _, r := range runs {
		n := len(r.T)
		if n != len(r.I) || n != len(r.V) || n < 3 {
			return nil, fmt.Errorf("%w: run %s has %d times, %d currents, %d voltages", ErrData, r.Name, n, len(r.I), len(r.V))
		}
		s.t0 = append(s.t0, s.n)
		q := r.Drawn
		for k := range r.T {
			if !finite(r.T[k]) || !finite(r.I[k]) || !finite(r.V[k]) || k > 0 && r.T[k] < r.T[k-1] {
				return nil, fmt.Errorf("%w: run %s, sample %d is not finite or not in order", ErrData, r.Name, k+1)
			}
			if k > 0 {
				q -= (r.I[k] + r.I[k-1]) / 2 * (r.T[k] - r.T[k-1])
			}
			s.q, s.i, s.v = append(s.q, q), append(s.i, r.I[k]), append(s.v, r.V[k])
			most = math.Max(most, q)
			amps = append(amps, r.I[k])
		}
		s.n += n
	}
	if s.n > mostRows {
		return nil, fmt.Errorf("%w: %d rows (at most %d; thin the logs out)", ErrData, s.n, mostRows)
	}
	if !(most > 0) {
		return nil, fmt.Errorf("%w: nothing is discharged", ErrData)
	}
	for _, f := range ocvKnots {
		s.ocv = append(s.ocv, f*most)
	}
	for _, f := range knots {
		s.r = append(s.r, f*most)
	}
	s.levels = levels(amps)
	// Knots without a row near them would be free.
	weightV, weightR := make([]float64, len(s.ocv)), make([]float64, len(s.r))
	for k, q := range s.q {
		j, f := hat(s.ocv, q)
		weightV[j] += 1 - f
		weightV[min(j+1, len(weightV)-1)] += f
		if s.i[k] != 0 {
			j, f = hat(s.r, q)
			weightR[j] += 1 - f
			weightR[min(j+1, len(weightR)-1)] += f
		}
	}
	for j, w := range weightV {
		if w > 0.2 {
			s.seeV = append(s.seeV, j)
		}
	}
	if s.levels < 2 {
		// One current only: OCV and resistance cannot be told apart along the discharge. One resistance is left, for steps.
		s.r = []float64{0}
		s.seeR = []int{0}
	} else {
		for j, w := range weightR {
			if w > 0.2 {
				s.seeR = append(s.seeR, j)
			}
		}
	}
	s.a = mat.NewDense(s.n, len(s.seeV)+len(s.seeR)+o.Pairs, nil)
	rows, cols := s.a.Dims()
	if rows < cols+2 {
		return nil, fmt.Errorf("%w: %d rows for %d unknowns", ErrData, rows, cols)
	}
	s.norm, s.value = make([]float64, cols), make([]float64, cols)
	return s, nil
}

// levels counts discharging currents that differ by a tenth or more and hold for a fiftieth of the rows.
func levels(amps []float64) int {
	var x []float64
	for _, a := range amps {
		if a < 0 {
			x = append(x, -a)
		}
	}
	sort.Float64s(x)
	n, run, base := 0, 0, 0.0
	for k, a := range x {
		if k == 0 || a > base*1.1 {
			base, run = a, 0
		}
		if run++; run == max(3, len(x)/50) {
			n++
		}
	}
	return n
}

// hat returns the knot below q and the share of the next one.
func hat(knots []float64, q float64) (j int, f float64) {
	n := len(knots)
	if n == 1 || q <= knots[0] {
		return 0, 0
	}
	if q >= knots[n-1] {
		return n - 1, 0
	}
	j = sort.SearchFloat64s(knots, q)
	if knots[j] == q {
		return j, 0
	}
	j--
	return j, (q - knots[j]) / (knots[j+1] - knots[j])
}

// fill writes the linear part at the time constants.
func (s *circuitProblem) fill(logTau []float64) {
	at := func(list []int, j int) int {
		k := sort.SearchInts(list, j)
		if k == len(list) || list[k] != j {
			return -1
		}
		return k
	}
	s.a.Zero()
	add := func(row, col int, v float64) {
		if col >= 0 && v != 0 {
			s.a.Set(row, col, s.a.At(row, col)+v)
		}
	}
	nv, nr := len(s.seeV), len(s.seeR)
	for k, q := range s.q {
		j, f := hat(s.ocv, q)
		add(k, at(s.seeV, j), 1-f)
		if f > 0 {
			add(k, at(s.seeV, j+1), f)
		}
		j, f = hat(s.r, q)
		if c := at(s.seeR, j); c >= 0 {
			add(k, nv+c, (1-f)*s.i[k])
		}
		if f > 0 {
			if c := at(s.seeR, j+1); c >= 0 {
				add(k, nv+c, f*s.i[k])
			}
		}
	}
	for p, lt := range logTau {
		tau := math.Exp(lt)
		for r, run := range s.runs {
			x := 0.0
			for k := range run.T {
				if k > 0 {
					// The current is held at the later sample's value: exact for steps that fall on a sample.
					e := math.Exp(-(run.T[k] - run.T[k-1]) / tau)
					x = x*e + run.I[k]*(1-e)
				}
				s.a.Set(s.t0[r]+k, nv+nr+p, x)
			}
		}
	}
}

// residual solves the linear part and writes what is left.
func (s *circuitProblem) residual(logTau, r []float64) {
	for _, lt := range logTau {
		if !(lt > math.Log(0.1) && lt < math.Log(1e6)) {
			for k := range r {
				r[k] = math.Inf(1)
			}
			return
		}
	}
	s.fill(logTau)
	// Columns of one length: volts beside amperes beside shares.
	_, cols := s.a.Dims()
	for c := range cols {
		length := 0.0
		for k := range s.n {
			length += sq(s.a.At(k, c))
		}
		s.norm[c] = math.Sqrt(length)
		for k := range s.n {
			if s.norm[c] > 0 {
				s.a.Set(k, c, s.a.At(k, c)/s.norm[c])
			}
		}
	}
	if err := solve(s.a, s.v, s.value, r); err != nil {
		for k := range r {
			r[k] = math.Inf(1)
		}
	}
}

// circuit makes the result at the time constants found.
func (s *circuitProblem) circuit(logTau []float64) (*Circuit, error) {
	s.fill(logTau)
	f, err := Linear(s.a, s.v)
	if err != nil {
		return nil, err
	}
	// The whole Jacobian: the linear part, and the derivatives by log tau, by difference.
	nv, nr, np := len(s.seeV), len(s.seeR), s.o.Pairs
	whole := mat.NewDense(s.n, nv+nr+2*np, nil)
	whole.Slice(0, s.n, 0, nv+nr+np).(*mat.Dense).Copy(s.a)
	const h = 1e-3
	for p := range logTau {
		shifted := append([]float64(nil), logTau...)
		col := nv + nr + p
		shifted[p] = logTau[p] + h
		s.fill(shifted)
		up := mat.Col(nil, col, s.a)
		shifted[p] = logTau[p] - h
		s.fill(shifted)
		down := mat.Col(nil, col, s.a)
		for k := range up {
			whole.Set(k, nv+nr+np+p, f.Value[col]*(up[k]-down[k])/(2*h))
		}
	}
	g := &Fitted{RSS: f.RSS, DOF: s.n - nv - nr - 2*np, Residual: f.Residual}
	spread(g, whole)
	c := &Circuit{RMS: math.Sqrt(f.RSS / float64(s.n)), Inflation: g.Inflated(), Condition: g.Condition, Correlation: math.NaN(), Rows: s.n}
	for k, j := range s.seeV {
		c.Drawn = append(c.Drawn, s.ocv[j])
		c.OCV = append(c.OCV, f.Value[k])
		c.OCVError = append(c.OCVError, g.Error[k]*c.Inflation)
	}
	for k, j := range s.seeR {
		c.RDrawn = append(c.RDrawn, s.r[j])
		c.R = append(c.R, f.Value[nv+k])
		c.RError = append(c.RError, g.Error[nv+k]*c.Inflation)
	}
	for p := range logTau {
		tau := math.Exp(logTau[p])
		x := PairFound{R: f.Value[nv+nr+p], RError: g.Error[nv+nr+p] * c.Inflation, Tau: tau, TauError: tau * g.Error[nv+nr+np+p] * c.Inflation}
		x.Told = x.R > 2*x.RError && x.Tau > 2*x.TauError
		c.Pairs = append(c.Pairs, x)
	}
	if g.Cov != nil && np > 0 {
		c.Correlation = g.Correlation(nv, nv+nr)
	}
	for k, run := range s.runs {
		part := f.Residual[s.t0[k] : s.t0[k]+len(run.T)]
		rf := RunFit{Name: run.Name, Rows: len(part), RMS: math.Sqrt(sumSquares(part) / float64(len(part))), Residual: part}
		for j, v := range part {
			if math.Abs(v) > math.Abs(rf.Worst) {
				rf.Worst, rf.WorstAt = v, run.T[j]-run.T[0]
			}
		}
		if math.Abs(rf.Worst) > math.Abs(c.Worst) {
			c.Worst = rf.Worst
		}
		c.Runs = append(c.Runs, rf)
	}
	s.untold(c)
	return c, nil
}

// untold says what the runs do not tell.
func (s *circuitProblem) untold(c *Circuit) {
	say := func(format string, a ...any) { c.Untold = append(c.Untold, fmt.Sprintf(format, a...)) }
	rests, charges := 0, 0
	for _, i := range s.i {
		if i == 0 {
			rests++
		}
		if i > 0 {
			charges++
		}
	}
	if s.levels < 2 {
		say("One current only: how the resistance changes along the discharge cannot be told from the voltage at rest; one value stands for all of it.")
	}
	if rests < 10 && s.levels < 2 {
		say("No rest and no second current: resistance and voltage at rest cannot be told apart at all.")
	}
	if s.levels >= 2 && s.detail < len(rKnots) {
		say("How the resistance changes along the discharge is not told in more detail than the %d values here.", len(c.R))
	}
	for k, p := range c.Pairs {
		if !p.Told {
			say("RC pair %d is not told (%.3g ± %.2g ohm, %.3g ± %.2g s): log a pulse or a rest with short intervals.", k+1, p.R, p.RError, p.Tau, p.TauError)
		}
	}
	for k, r := range c.R {
		if !(r > 0) || !(c.RError[k] < r) {
			say("The resistance after %.3g Ah is not told (%.3g ± %.2g ohm).", c.RDrawn[k]/3600, r, c.RError[k])
		}
	}
	if charges < 10 {
		say("No charge in the logs: the resistance in the other direction and the charge efficiency are not told.")
	}
	say("Temperature: every run is taken at one temperature; how the cell changes with it is not told. Nor are age and self-discharge.")
	if c.Condition > 1e7 {
		say("Some combination of the figures is all but free (condition %.1g): do not read single values of it.", c.Condition)
	}
}
