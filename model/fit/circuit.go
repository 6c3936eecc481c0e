package fit

import (
	"errors"
	"fmt"
	"math"
	"slices"
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
	// Stretch is how many times the charge counts that is drawn: by what share more a slower discharge would have given; 0 is 1.
	Stretch float64
	// Temp is the cell's temperature [K] at each sample; nil if it was not logged.
	Temp []float64

	computed bool // Temp was computed, not logged
}

func (r *Run) stretch() float64 {
	if r.Stretch > 0 {
		return r.Stretch
	}
	return 1
}

// CircuitOptions steer FitCircuit. The zero value is the default.
type CircuitOptions struct {
	// Pairs is the most RC pairs, 1 or 2; 0 is 1. A second one that the logs do not tell is left out.
	Pairs int
	// Reference is the temperature of the figures [K]; 0 is 298.15.
	Reference float64
	// Heat, if not nil, is how runs without a temperature warmed themselves; else they are taken at Reference.
	Heat *Heating
}

// Heating is a body of one temperature T that warms itself: Capacity·dT/dt = i·(v - OCV) - (T - Ambient)/Resistance. It is assumed, not fitted.
type Heating struct {
	Capacity   float64 // [J/K]
	Resistance float64 // [K/W]
	Ambient    float64 // [K], of the cell at the beginning too
	// PerKelvin is the share by which resistances fall a kelvin [1/K].
	PerKelvin float64
}

// Circuit is an equivalent circuit found from logs:
//
//	v = OCV(q) + e·(T - Reference) + R(q)·f·i + sum x_k,  dx_k/dt = -x_k/Tau_k + R_k·f·i/Tau_k,  f = exp(-a·(T - Reference))
//
// over q, the charge drawn since full [A·s]. OCV and R are straight between their knots; where a log charges, the resistance of that
// direction is Charging. e and a are fitted where logged temperatures differ by 5 K or more. Values are of the whole pack.
//
// For given Tau and a everything else enters linearly and is solved for; only log Tau and a are searched (variable projection, Golub and Pereyra
// 1973: from memory). The errors come from the whole Jacobian at the end, Tau and a included, times Inflated.
type Circuit struct {
	Drawn    []float64 // knots of OCV [A·s], rising from 0
	OCV      []float64 // [V]
	OCVError []float64
	RDrawn   []float64 // knots of R [A·s]
	R        []float64 // [ohm]
	RError   []float64
	Pairs    []PairFound
	// Charging is the resistance while charging [ohm]; nil if no log charges.
	Charging *Value
	// PerKelvin is a, the share by which resistances fall a kelvin [1/K], OCVPerKelvin is e [V/K]; nil if no logged temperatures tell.
	PerKelvin, OCVPerKelvin *Value
	// Coldest and Hottest are the temperatures of the rows [K], logged or computed; equal if none are known.
	Coldest, Hottest float64
	// RMS is the root mean square of the residuals [V], Outside that of the rows before the last tenth of what each run draws, Worst the
	// largest; Runs gives the same for each run.
	RMS, Outside, Worst float64
	Runs                []RunFit
	// Inflation is the factor on the errors for the correlation of the residuals in time.
	Inflation float64
	Condition float64
	// Correlations are the strongest between any two figures, strongest first.
	Correlations []Correlated
	// Untold says, in sentences, what the logs do not tell.
	Untold []string
	Rows   int

	knots [][]float64 // of R: those that were fitted, then those that would have been tried next
	said  string
}

// Value is a figure with its standard error.
type Value struct{ Value, Error float64 }

// Told says that it is known to better than half of itself.
func (v Value) Told() bool { return math.Abs(v.Value) > 2*v.Error }

// Text writes the value and its error times a scale, both to the second figure of the error: "1.54 ± 0.97".
func (v Value) Text(scale float64) string {
	x, e := scale*v.Value, scale*v.Error
	places := 3
	if e > 0 && finite(e) {
		places = max(0, min(9, 1-int(math.Floor(math.Log10(e)))))
	}
	return fmt.Sprintf("%.*f ± %.*f", places, x, places, e)
}

// Correlated is the coefficient of correlation of two figures.
type Correlated struct {
	A, B string
	R    float64
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
	Name                string
	Rows                int
	RMS, Outside, Worst float64
	WorstAt             float64 // [s]
	Residual            []float64
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
	if o.Reference == 0 {
		o.Reference = 298.15
	}
	// How much detail the logs tell is found on fewer rows, the values on all of them.
	few := thinned(runs)
	c, err := fitPairs(few, o)
	if err == nil && len(few) > 0 && &few[0] != &runs[0] {
		c, err = c.again(runs, o)
	}
	if o.Heat == nil {
		return c, err
	}
	// The heat depends on the voltage at rest that is sought; three rounds leave less than a hundredth of a kelvin.
	for range 3 {
		if err != nil {
			break
		}
		c, err = c.again(warmed(runs, c, o.Heat), o)
	}
	return c, err
}

// again fits the same knots and as many pairs to other runs, from the values found before.
func (c *Circuit) again(runs []Run, o CircuitOptions) (*Circuit, error) {
	o.Pairs = len(c.Pairs)
	var starts []float64
	for _, p := range c.Pairs {
		starts = append(starts, math.Log(p.Tau))
	}
	next, err := fitCircuit(runs, o, c.knots, starts)
	if err != nil {
		return nil, err
	}
	next.say(c.said)
	return next, nil
}

// say puts a sentence before those on what the runs do not tell.
func (c *Circuit) say(what string) {
	if c.said = what; what != "" {
		c.Untold = append([]string{what}, c.Untold...)
	}
}

// enough is how many rows are enough to find out how much detail the logs tell.
const enough = 3000

// thinned keeps every so many rows of each run, and those at which the current changes, so that about enough are left; runs themselves if
// they are no more.
func thinned(runs []Run) []Run {
	n := 0
	for _, r := range runs {
		n += len(r.T)
	}
	every := n / enough
	if every < 2 {
		return runs
	}
	out := make([]Run, len(runs))
	for i, r := range runs {
		t := &out[i]
		t.Name, t.Drawn, t.Stretch = r.Name, r.Drawn, r.Stretch
		if len(r.T) != len(r.I) || len(r.T) != len(r.V) || r.Temp != nil && len(r.T) != len(r.Temp) {
			return runs // refused where it is fitted
		}
		for k := range r.T {
			step := k > 0 && math.Abs(r.I[k]-r.I[k-1]) > 0.2*math.Abs(r.I[k]) || k+1 < len(r.T) && math.Abs(r.I[k+1]-r.I[k]) > 0.2*math.Abs(r.I[k])
			if k%every != 0 && !step && k+1 < len(r.T) {
				continue
			}
			t.T, t.I, t.V = append(t.T, r.T[k]), append(t.I, r.I[k]), append(t.V, r.V[k])
			if r.Temp != nil {
				t.Temp = append(t.Temp, r.Temp[k])
			}
		}
	}
	return out
}

// warmed gives runs without a temperature the one that their own heat makes.
func warmed(runs []Run, c *Circuit, h *Heating) []Run {
	out := append([]Run(nil), runs...)
	for r := range out {
		run := &out[r]
		if run.Temp != nil {
			continue
		}
		run.Temp, run.computed = make([]float64, len(run.T)), true
		T, q := h.Ambient, run.Drawn
		for k := range run.T {
			if k > 0 {
				dt := run.T[k] - run.T[k-1]
				q -= (run.I[k] + run.I[k-1]) / 2 * dt * run.stretch()
				j, f := hat(c.Drawn, q)
				rest := c.OCV[j]
				if f > 0 {
					rest += f * (c.OCV[j+1] - rest)
				}
				steady := h.Ambient + h.Resistance*math.Max(0, run.I[k]*(run.V[k]-rest))
				T = steady + (T-steady)*math.Exp(-dt/(h.Capacity*h.Resistance))
			}
			run.Temp[k] = T
		}
	}
	return out
}

// fitPairs fits with as many pairs as are told.
func fitPairs(runs []Run, o CircuitOptions) (*Circuit, error) {
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
		o.Pairs = 1
		one, err := mostDetail(runs, o)
		if err != nil {
			return nil, err
		}
		one.say("A second RC pair is not told: log a pulse or a rest with short intervals.")
		return one, nil
	}
	return mostDetail(runs, o)
}

// mostDetail fits as much detail along the discharge as the logs tell.
func mostDetail(runs []Run, o CircuitOptions) (*Circuit, error) {
	// A resistance that is not larger than its error is no resistance.
	var c *Circuit
	for k := range rKnots {
		starts := []float64{math.Log(60)}
		if o.Pairs == 2 {
			starts = []float64{math.Log(15), math.Log(600)}
		}
		next, err := fitCircuit(runs, o, rKnots[k:], starts)
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
func fitCircuit(runs []Run, o CircuitOptions, knots [][]float64, starts []float64) (*Circuit, error) {
	s, err := newCircuitProblem(runs, o, knots[0])
	if err != nil {
		return nil, err
	}
	s.detail = len(knots)
	if s.thermal {
		starts = append(starts, 0.01)
	}
	f, err := Nonlinear(Problem{N: s.n, Residual: s.residual}, starts, Settings{Iterations: 200, Tolerance: 1e-7})
	if err != nil {
		return nil, err
	}
	c, err := s.circuit(f.Value)
	if err == nil {
		c.knots = knots
	}
	return c, err
}

// circuitProblem holds the rows of all runs.
type circuitProblem struct {
	runs    []Run
	o       CircuitOptions
	n       int
	t0      []int // first row of each run
	q, i    []float64
	v       []float64
	above   []float64 // temperature above the reference [K]
	ocv, r  []float64 // knots [A·s]
	seeR    []int     // knots of R that rows with current touch
	seeV    []int
	detail  int     // lists of knots of R that are left, this one included
	levels  int     // currents that differ by a tenth
	charges int     // rows that charge
	thermal bool    // e and a are fitted
	known   float64 // a where it is not fitted [1/K]
	// The linear part, by row: at most most columns that are not zero.
	column []int
	entry  []float64
	cols   int
	norm   []float64 // length of each column
}

// most is how many columns a row can touch: two knots of OCV, two of R, e, two pairs.
const most = 7

func newCircuitProblem(runs []Run, o CircuitOptions, knots []float64) (*circuitProblem, error) {
	s := &circuitProblem{runs: runs, o: o}
	deepest := 0.0
	coldest, hottest, logged := math.Inf(1), math.Inf(-1), 0
	var amps []float64
	for _, r := range runs {
		n := len(r.T)
		if n != len(r.I) || n != len(r.V) || r.Temp != nil && n != len(r.Temp) || n < 3 {
			return nil, fmt.Errorf("%w: run %s has %d times, %d currents, %d voltages", ErrData, r.Name, n, len(r.I), len(r.V))
		}
		s.t0 = append(s.t0, s.n)
		q := r.Drawn
		stretch := r.stretch()
		for k := range r.T {
			if !finite(r.T[k]) || !finite(r.I[k]) || !finite(r.V[k]) || r.Temp != nil && !finite(r.Temp[k]) || k > 0 && r.T[k] < r.T[k-1] {
				return nil, fmt.Errorf("%w: run %s, sample %d is not finite or not in order", ErrData, r.Name, k+1)
			}
			if k > 0 {
				q -= (r.I[k] + r.I[k-1]) / 2 * (r.T[k] - r.T[k-1]) * stretch
			}
			s.q, s.i, s.v = append(s.q, q), append(s.i, r.I[k]), append(s.v, r.V[k])
			deepest = math.Max(deepest, q)
			amps = append(amps, r.I[k])
			if r.I[k] > 0 {
				s.charges++
			}
			above := 0.0
			if r.Temp != nil {
				above = r.Temp[k] - o.Reference
				if !r.computed {
					coldest, hottest = math.Min(coldest, r.Temp[k]), math.Max(hottest, r.Temp[k])
					logged++
				}
			}
			s.above = append(s.above, above)
		}
		s.n += n
	}
	if s.n > mostRows {
		return nil, fmt.Errorf("%w: %d rows (at most %d; thin the logs out)", ErrData, s.n, mostRows)
	}
	if !(deepest > 0) {
		return nil, fmt.Errorf("%w: nothing is discharged", ErrData)
	}
	for _, f := range ocvKnots {
		s.ocv = append(s.ocv, f*deepest)
	}
	for _, f := range knots {
		s.r = append(s.r, f*deepest)
	}
	s.levels = levels(amps)
	s.thermal = logged == s.n && hottest-coldest >= 5
	if !s.thermal && o.Heat != nil {
		s.known = o.Heat.PerKelvin
	}
	// Knots without a row near them would be free.
	weightV, weightR := make([]float64, len(s.ocv)), make([]float64, len(s.r))
	for k, q := range s.q {
		j, f := hat(s.ocv, q)
		weightV[j] += 1 - f
		weightV[min(j+1, len(weightV)-1)] += f
		if s.i[k] < 0 || s.i[k] > 0 && s.charges < fewCharging {
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
	s.cols = s.pairsFrom() + o.Pairs
	if s.n < s.cols+2 {
		return nil, fmt.Errorf("%w: %d rows for %d unknowns", ErrData, s.n, s.cols)
	}
	s.norm = make([]float64, s.cols)
	s.column, s.entry = make([]int, most*s.n), make([]float64, most*s.n)
	return s, nil
}

// fewCharging is how many rows of charging make a resistance of that direction.
const fewCharging = 20

// charging is the column of the resistance while charging, -1 if there is none.
func (s *circuitProblem) charging() int {
	if s.charges < fewCharging {
		return -1
	}
	return len(s.seeV) + len(s.seeR)
}

// perKelvin is the column of e, -1 if there is none.
func (s *circuitProblem) perKelvin() int {
	if !s.thermal {
		return -1
	}
	return s.pairsFrom() - 1
}

// pairsFrom is the first column of a pair.
func (s *circuitProblem) pairsFrom() int {
	n := len(s.seeV) + len(s.seeR)
	if s.charges >= fewCharging {
		n++
	}
	if s.thermal {
		n++
	}
	return n
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

// fill writes the linear part at log Tau of each pair and, if that is fitted, a.
func (s *circuitProblem) fill(p []float64) {
	at := func(list []int, j int) int {
		k := sort.SearchInts(list, j)
		if k == len(list) || list[k] != j {
			return -1
		}
		return k
	}
	a := s.known
	if s.thermal {
		a = p[s.o.Pairs]
	}
	nv, charging, perKelvin, pairs := len(s.seeV), s.charging(), s.perKelvin(), s.pairsFrom()
	amps := make([]float64, s.n) // as the resistances feel them
	for k, q := range s.q {
		column, entry := s.column[most*k:most*(k+1)], s.entry[most*k:most*(k+1)]
		clear(entry)
		n := 0
		add := func(c int, v float64) {
			if c >= 0 && v != 0 {
				column[n], entry[n] = c, v
				n++
			}
		}
		amps[k] = s.i[k]
		if a != 0 {
			amps[k] *= math.Exp(-a * s.above[k])
		}
		j, f := hat(s.ocv, q)
		add(at(s.seeV, j), 1-f)
		add(at(s.seeV, j+1), f)
		if charging >= 0 && s.i[k] > 0 {
			add(charging, amps[k])
		} else {
			j, f = hat(s.r, q)
			if c := at(s.seeR, j); c >= 0 {
				add(nv+c, (1-f)*amps[k])
			}
			if c := at(s.seeR, j+1); c >= 0 {
				add(nv+c, f*amps[k])
			}
		}
		add(perKelvin, s.above[k])
	}
	for n := range s.o.Pairs {
		tau := math.Exp(p[n])
		for r, run := range s.runs {
			x := 0.0
			for k := range run.T {
				row := s.t0[r] + k
				if k > 0 {
					// The current is held at the later sample's value: exact for steps that fall on a sample.
					e := math.Exp(-(run.T[k] - run.T[k-1]) / tau)
					x = x*e + amps[row]*(1-e)
				}
				// Pairs take the last places of a row.
				s.column[most*row+most-1-n], s.entry[most*row+most-1-n] = pairs+n, x
			}
		}
	}
}

// dense is the linear part as a matrix.
func (s *circuitProblem) dense() *mat.Dense {
	a := mat.NewDense(s.n, s.cols, nil)
	for k := range s.n {
		for n, v := range s.entry[most*k : most*(k+1)] {
			if v != 0 {
				a.Set(k, s.column[most*k+n], v)
			}
		}
	}
	return a
}

// times is the linear part times the values.
func (s *circuitProblem) times(value []float64) []float64 {
	out := make([]float64, s.n)
	for k := range out {
		for n, v := range s.entry[most*k : most*(k+1)] {
			if v != 0 {
				out[k] += v * value[s.column[most*k+n]]
			}
		}
	}
	return out
}

// residual solves the linear part and writes what is left. It does so by the normal equations of columns of length one, which is enough for
// the search and much faster than QR, since a row has few entries; the result is solved anew by Linear.
func (s *circuitProblem) residual(p, r []float64) {
	refuse := s.thermal && !(math.Abs(p[s.o.Pairs]) < 0.2)
	for _, lt := range p[:s.o.Pairs] {
		refuse = refuse || !(lt > math.Log(0.1) && lt < math.Log(1e6))
	}
	if refuse {
		for k := range r {
			r[k] = math.Inf(1)
		}
		return
	}
	s.fill(p)
	gram, right := mat.NewSymDense(s.cols, nil), mat.NewVecDense(s.cols, nil)
	for k := range s.n {
		column, entry := s.column[most*k:most*(k+1)], s.entry[most*k:most*(k+1)]
		for a, va := range entry {
			if va == 0 {
				continue
			}
			right.SetVec(column[a], right.AtVec(column[a])+va*s.v[k])
			for b, vb := range entry[:a+1] {
				if vb != 0 {
					gram.SetSym(column[a], column[b], gram.At(column[a], column[b])+va*vb)
				}
			}
		}
	}
	for c := range s.norm {
		if s.norm[c] = math.Sqrt(gram.At(c, c)); s.norm[c] == 0 {
			s.norm[c] = 1
		}
	}
	for a := range s.cols {
		for b := range a + 1 {
			gram.SetSym(a, b, gram.At(a, b)/(s.norm[a]*s.norm[b]))
		}
		gram.SetSym(a, a, gram.At(a, a)+1e-12) // for what the data leave open
		right.SetVec(a, right.AtVec(a)/s.norm[a])
	}
	var chol mat.Cholesky
	var x mat.VecDense
	if !chol.Factorize(gram) || chol.SolveVecTo(&x, right) != nil && x.Len() != s.cols {
		for k := range r {
			r[k] = math.Inf(1)
		}
		return
	}
	value := make([]float64, s.cols)
	for c := range value {
		value[c] = x.AtVec(c) / s.norm[c]
	}
	for k, v := range s.times(value) {
		r[k] = s.v[k] - v
	}
}

// circuit makes the result at the values found.
func (s *circuitProblem) circuit(p []float64) (*Circuit, error) {
	s.fill(p)
	linear := s.dense()
	f, err := Linear(linear, s.v)
	if err != nil {
		return nil, err
	}
	// The whole Jacobian: the linear part, and the derivatives by log tau and a, by difference.
	whole := mat.NewDense(s.n, s.cols+len(p), nil)
	whole.Slice(0, s.n, 0, s.cols).(*mat.Dense).Copy(linear)
	for n := range p {
		h := 1e-3
		if n >= s.o.Pairs {
			h = 1e-5
		}
		moved := append([]float64(nil), p...)
		moved[n] = p[n] + h
		s.fill(moved)
		up := s.times(f.Value)
		moved[n] = p[n] - h
		s.fill(moved)
		for k, down := range s.times(f.Value) {
			whole.Set(k, s.cols+n, (up[k]-down)/(2*h))
		}
	}
	g := &Fitted{RSS: f.RSS, DOF: s.n - s.cols - len(p), Residual: f.Residual}
	spread(g, whole)
	c := &Circuit{RMS: math.Sqrt(f.RSS / float64(s.n)), Inflation: g.Inflated(), Condition: g.Condition, Rows: s.n, Coldest: math.Inf(1), Hottest: math.Inf(-1)}
	for _, T := range s.above {
		c.Coldest, c.Hottest = math.Min(c.Coldest, s.o.Reference+T), math.Max(c.Hottest, s.o.Reference+T)
	}
	value := func(col int) *Value {
		if col < 0 {
			return nil
		}
		return &Value{f.Value[col], g.Error[col] * c.Inflation}
	}
	nv := len(s.seeV)
	for k, j := range s.seeV {
		v := value(k)
		c.Drawn, c.OCV, c.OCVError = append(c.Drawn, s.ocv[j]), append(c.OCV, v.Value), append(c.OCVError, v.Error)
	}
	for k, j := range s.seeR {
		v := value(nv + k)
		c.RDrawn, c.R, c.RError = append(c.RDrawn, s.r[j]), append(c.R, v.Value), append(c.RError, v.Error)
	}
	c.Charging, c.OCVPerKelvin = value(s.charging()), value(s.perKelvin())
	if s.thermal {
		c.PerKelvin = &Value{p[s.o.Pairs], g.Error[s.cols+s.o.Pairs] * c.Inflation}
	}
	for n := range s.o.Pairs {
		tau, r := math.Exp(p[n]), value(s.pairsFrom()+n)
		x := PairFound{R: r.Value, RError: r.Error, Tau: tau, TauError: tau * g.Error[s.cols+n] * c.Inflation}
		x.Told = x.R > 2*x.RError && x.Tau > 2*x.TauError
		c.Pairs = append(c.Pairs, x)
	}
	c.Correlations = s.correlations(g)
	outside, before := 0.0, 0
	for k, run := range s.runs {
		part := f.Residual[s.t0[k] : s.t0[k]+len(run.T)]
		q := s.q[s.t0[k] : s.t0[k]+len(run.T)]
		rf := RunFit{Name: run.Name, Rows: len(part), RMS: math.Sqrt(sumSquares(part) / float64(len(part))), Residual: part}
		end, n := slices.Max(q), 0
		for j, v := range part {
			if math.Abs(v) > math.Abs(rf.Worst) {
				rf.Worst, rf.WorstAt = v, run.T[j]-run.T[0]
			}
			if q[j]-q[0] < 0.9*(end-q[0]) {
				rf.Outside += v * v
				n++
			}
		}
		outside, before = outside+rf.Outside, before+n
		rf.Outside = math.Sqrt(rf.Outside / math.Max(1, float64(n)))
		if math.Abs(rf.Worst) > math.Abs(c.Worst) {
			c.Worst = rf.Worst
		}
		c.Runs = append(c.Runs, rf)
	}
	c.Outside = math.Sqrt(outside / math.Max(1, float64(before)))
	s.untold(c)
	return c, nil
}

// correlations are the five strongest.
func (s *circuitProblem) correlations(g *Fitted) []Correlated {
	if g.Cov == nil {
		return nil
	}
	names := make([]string, s.cols, s.cols+s.o.Pairs+1)
	for k, j := range s.seeV {
		names[k] = fmt.Sprintf("voltage at rest after %.3g Ah", s.ocv[j]/3600)
	}
	for k, j := range s.seeR {
		names[len(s.seeV)+k] = fmt.Sprintf("resistance after %.3g Ah", s.r[j]/3600)
	}
	if c := s.charging(); c >= 0 {
		names[c] = "resistance while charging"
	}
	if c := s.perKelvin(); c >= 0 {
		names[c] = "voltage at rest per kelvin"
	}
	for n := range s.o.Pairs {
		names[s.pairsFrom()+n] = fmt.Sprintf("resistance of pair %d", n+1)
		names = append(names, fmt.Sprintf("time of pair %d", n+1))
	}
	if s.thermal {
		names = append(names, "resistance per kelvin")
	}
	var all []Correlated
	for a := range names {
		for b := range a {
			// Neighbouring knots of one curve lean on each other by construction.
			if r := g.Correlation(b, a); !math.IsNaN(r) && !(a < len(s.seeV)) {
				all = append(all, Correlated{names[b], names[a], r})
			}
		}
	}
	sort.SliceStable(all, func(a, b int) bool { return math.Abs(all[a].R) > math.Abs(all[b].R) })
	return all[:min(5, len(all))]
}

// untold says what the runs do not tell.
func (s *circuitProblem) untold(c *Circuit) {
	say := func(format string, a ...any) { c.Untold = append(c.Untold, fmt.Sprintf(format, a...)) }
	rests := 0
	for _, i := range s.i {
		if i == 0 {
			rests++
		}
	}
	if top := slices.Max(c.OCV); top > 1.01*c.OCV[0] {
		say("The voltage at rest comes out higher in mid discharge, %.2f V, than when full, %.2f V, which no battery has: these logs cannot tell it from the slowest RC pair. Do not use this pack; log rests or pulses in mid discharge, or a second current.", top, c.OCV[0])
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
			say("RC pair %d is not told (%s mohm, %s s): log a pulse or a rest with short intervals.", k+1, Value{p.R, p.RError}.Text(1000), Value{p.Tau, p.TauError}.Text(1))
		}
	}
	for k, r := range c.R {
		if !(r > 0) || !(c.RError[k] < r) {
			say("The resistance after %.3g Ah is not told (%s mohm).", c.RDrawn[k]/3600, Value{r, c.RError[k]}.Text(1000))
		}
	}
	if s.charges < fewCharging {
		say("No charge in the logs: the resistance in the other direction and the charge efficiency are not told.")
	}
	switch {
	case c.PerKelvin != nil && !c.PerKelvin.Told():
		say("Temperature: what it does to the resistance is not told (%s %%/K from %.1f to %.1f degC): log at temperatures further apart.", c.PerKelvin.Text(100), c.Coldest-273.15, c.Hottest-273.15)
	case c.PerKelvin == nil && s.known != 0:
		say("Temperature: no log has the cell's (or it moves by less than 5 K). It is computed from the heat of the test with constants of the chemistry, up to %.0f degC: assumed, not measured.", c.Hottest-273.15)
	case c.PerKelvin == nil:
		say("Temperature: every run is taken at one temperature; how the cell changes with it is not told.")
	}
	if v := c.Charging; v != nil && !v.Told() {
		say("The resistance while charging is not told (%s mohm).", v.Text(1000))
	}
	say("Age and self-discharge are not told.")
	if len(c.Correlations) > 0 && math.Abs(c.Correlations[0].R) > 0.99 {
		r := c.Correlations[0]
		say("The %s and the %s cannot be told apart (correlation %+.3f): do not read either alone.", r.A, r.B, r.R)
	}
	if c.Condition > 1e7 {
		say("Some combination of the figures is all but free (condition %.1g): do not read single values of it.", c.Condition)
	}
}
