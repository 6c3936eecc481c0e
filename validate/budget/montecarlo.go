package budget

import (
	"fmt"
	"math"
	"math/rand/v2"
	"slices"
)

// Trials steers MonteCarlo. The zero value is the default.
type Trials struct {
	// P is the coverage probability; 0 is 0.9545.
	P float64
	// Exactly runs so many trials; 0 goes on until the results are stable.
	Exactly int
	// Most is the most that are run in search of stability; 0 is 1,000,000.
	Most int
	// Digits of u(y) that shall be stable, 1 or 2; 0 is 2.
	Digits int
	// Finer divides the tolerance, 0 is 1. Compare needs 5 (JCGM 101, 8.2).
	Finer float64
	Seed  uint64
}

// Sampled is the outcome of MonteCarlo for one result.
type Sampled struct {
	Y, U float64
	// Low and High leave (1-p)/2 outside at each end.
	Low, High float64
	// ShortLow and ShortHigh are the shortest interval with probability p.
	ShortLow, ShortHigh float64
	Trials              int
	// Stable says that twice the standard deviation of each figure over the blocks fell below Tolerance.
	Stable bool
	// Tolerance is what the digits of u ask for, half of their last place, over Finer.
	Tolerance float64
}

// MonteCarlo propagates the distributions of the inputs (JCGM 101, 7). Inputs that are correlated must be normal, or Student with one DOF:
// those come from one scatter, so their t is the joint one (JCGM 102, 5.3.2: from memory), with one draw of the scatter for all of them. A
// rectangular input with finite DOF has a half-width that is itself uncertain by 1/sqrt(2 DOF) (JCGM 100, G.4.2), drawn anew in each trial.
// The same model and seed give the same result.
func MonteCarlo(m Model, tr Trials) ([]Sampled, error) {
	low, err := m.check()
	if err != nil {
		return nil, err
	}
	if tr.P == 0 {
		tr.P = 0.9545
	}
	if tr.Most == 0 {
		tr.Most = 1_000_000
	}
	if tr.Digits == 0 {
		tr.Digits = 2
	}
	if tr.Finer == 0 {
		tr.Finer = 1
	}
	if !(tr.P > 0 && tr.P < 1) || tr.Digits < 1 || tr.Digits > 2 || !(tr.Finer >= 1) || tr.Most < 0 || tr.Exactly < 0 {
		return nil, fmt.Errorf("%w: trials %+v", ErrModel, tr)
	}
	draw, err := newDraw(m, low, tr.Seed)
	if err != nil {
		return nil, err
	}
	if tr.Exactly > 0 {
		return draw.exactly(tr)
	}
	return draw.adaptive(tr)
}

// draw makes trials of a model.
type draw struct {
	m     Model
	rng   *rand.Rand
	joint []int       // correlated inputs
	tied  []bool      // by input: is it one of them
	group []int       // of each input: the lowest index of those that it hangs together with
	low   [][]float64 // the joint inputs' part of the Cholesky factor
	z     []float64   // a normal draw for each joint input
	wide  []float64   // by group, what the scatter that a Student input comes from makes of it in this trial
	x, y  []float64
	out   [][]float64 // results so far, by output
}

func newDraw(m Model, low [][]float64, seed uint64) (*draw, error) {
	d := &draw{m: m, tied: make([]bool, len(m.Inputs)), rng: rand.New(rand.NewPCG(seed, 0x9e3779b97f4a7c15)), x: make([]float64, len(m.Inputs)), y: make([]float64, m.Outputs), out: make([][]float64, m.Outputs)}
	if low == nil {
		return d, nil
	}
	for _, c := range m.Correlations {
		d.tied[c.A], d.tied[c.B] = true, true
	}
	for i, tied := range d.tied {
		if tied {
			d.joint = append(d.joint, i)
		}
	}
	d.group = groups(m)
	for _, i := range d.joint {
		a, b := m.Inputs[i], m.Inputs[d.group[i]]
		if a.Shape != Normal && a.Shape != Student || a.Shape != b.Shape || a.Shape == Student && a.DOF != b.DOF {
			return nil, fmt.Errorf("%w: %s is correlated and %s: only normal inputs, or Student's with the same degrees of freedom, can be drawn together", ErrModel, a.Name, a.Shape)
		}
	}
	for _, i := range d.joint {
		var row []float64
		for _, j := range d.joint {
			row = append(row, low[i][j])
		}
		d.low = append(d.low, row)
	}
	d.z = make([]float64, len(d.joint))
	d.wide = make([]float64, len(m.Inputs))
	return d, nil
}

// run adds n trials.
func (d *draw) run(n int) error {
	in := d.m.Inputs
	for t := 0; t < n; t++ {
		for i := range in {
			d.x[i] = in[i].Value
			if in[i].U > 0 && !d.tied[i] {
				d.x[i] += in[i].U * d.unit(in[i].Shape, in[i].DOF)
			}
		}
		for k := range d.joint {
			d.z[k] = d.rng.NormFloat64()
		}
		for _, i := range d.joint {
			if d.group[i] == i {
				d.wide[i] = d.spread(in[i])
			}
		}
		for k, i := range d.joint {
			s := 0.0
			for q := 0; q <= k; q++ {
				s += d.low[k][q] * d.z[q]
			}
			d.x[i] = in[i].Value + in[i].U*s*d.wide[d.group[i]]
		}
		d.m.F(d.x, d.y)
		for o, y := range d.y {
			if !finite(y) {
				return fmt.Errorf("%w: a trial gave %v", ErrModel, y)
			}
			d.out[o] = append(d.out[o], y)
		}
	}
	return nil
}

// unit draws from the shape with standard uncertainty 1. For Student that is the scale, as in JCGM 101, 6.4.9: its standard deviation is larger.
func (d *draw) unit(s Shape, dof float64) float64 {
	switch s {
	case Rectangular:
		half := math.Sqrt(3)
		if dof > 0 && !math.IsInf(dof, 1) {
			half += math.Sqrt(3) * math.Sqrt(3/(2*dof)) * (2*d.rng.Float64() - 1)
		}
		return half * (2*d.rng.Float64() - 1)
	case Triangular:
		return math.Sqrt(6) * (d.rng.Float64() - d.rng.Float64())
	case Arcsine:
		return math.Sqrt2 * math.Sin(2*math.Pi*d.rng.Float64())
	case Student:
		return d.rng.NormFloat64() * d.spread(Input{Shape: s, DOF: dof})
	}
	return d.rng.NormFloat64()
}

// spread draws what makes Student's t of a normal draw: the scatter as it may be over the scatter as it was seen. It is 1 for other shapes.
func (d *draw) spread(in Input) float64 {
	if in.Shape != Student || in.DOF == 0 || math.IsInf(in.DOF, 1) {
		return 1
	}
	return 1 / math.Sqrt(2*d.gamma(in.DOF/2)/in.DOF)
}

// gamma draws from the gamma distribution of this shape and scale 1 (Marsaglia and Tsang 2000: from memory; checked in the tests by its moments).
func (d *draw) gamma(shape float64) float64 {
	if shape < 1 {
		return d.gamma(shape+1) * math.Pow(1-d.rng.Float64(), 1/shape)
	}
	a := shape - 1.0/3
	c := 1 / math.Sqrt(9*a)
	for {
		x := d.rng.NormFloat64()
		v := 1 + c*x
		if v <= 0 {
			continue
		}
		v = v * v * v
		if math.Log(1-d.rng.Float64()) < x*x/2+a-a*v+a*math.Log(v) {
			return a * v
		}
	}
}

func (d *draw) exactly(tr Trials) ([]Sampled, error) {
	if err := d.run(tr.Exactly); err != nil {
		return nil, err
	}
	return d.results(tr, true), nil
}

// adaptive runs blocks of M = max(100/(1-p), 10,000) trials until the averages over the blocks are stable (JCGM 101, 7.9.4).
func (d *draw) adaptive(tr Trials) ([]Sampled, error) {
	block := max(int(math.Ceil(100/(1-tr.P))), 10_000)
	var blocks [][]Sampled
	scratch := make([]float64, block)
	for {
		from := len(d.out[0])
		if err := d.run(block); err != nil {
			return nil, err
		}
		b := make([]Sampled, d.m.Outputs)
		for o := range b {
			copy(scratch, d.out[o][from:])
			b[o] = summary(scratch, tr.P, false)
		}
		blocks = append(blocks, b)
		stable := len(blocks) > 1
		for o := 0; o < d.m.Outputs && stable; o++ {
			_, u := moments(d.out[o])
			tol := Tolerance(u, tr.Digits) / tr.Finer
			for _, f := range []func(Sampled) float64{
				func(s Sampled) float64 { return s.Y }, func(s Sampled) float64 { return s.U },
				func(s Sampled) float64 { return s.Low }, func(s Sampled) float64 { return s.High },
			} {
				var v []float64
				for _, b := range blocks {
					v = append(v, f(b[o]))
				}
				_, sd := moments(v)
				if 2*sd/math.Sqrt(float64(len(v))) > tol {
					stable = false
				}
			}
		}
		if stable || (len(blocks)+1)*block > tr.Most {
			return d.results(tr, stable), nil
		}
	}
}

func (d *draw) results(tr Trials, stable bool) []Sampled {
	out := make([]Sampled, d.m.Outputs)
	for o := range out {
		out[o] = summary(d.out[o], tr.P, true)
		out[o].Stable = stable
		out[o].Tolerance = Tolerance(out[o].U, tr.Digits) / tr.Finer
	}
	return out
}

// summary sorts y and takes its figures.
func summary(y []float64, p float64, shortest bool) Sampled {
	s := Sampled{Trials: len(y)}
	s.Y, s.U = moments(y)
	slices.Sort(y)
	n := len(y)
	// JCGM 101, 7.7: q of the n values lie inside, r outside below.
	q := min(int(p*float64(n)+0.5), n-1)
	r := (n - q) / 2
	s.Low, s.High = y[r], y[r+q-(r+q)/n]
	if shortest {
		best := math.Inf(1)
		for i := 0; i+q < n; i++ {
			if w := y[i+q] - y[i]; w < best {
				best, s.ShortLow, s.ShortHigh = w, y[i], y[i+q]
			}
		}
	}
	return s
}

// moments returns mean and standard deviation.
func moments(v []float64) (mean, sd float64) {
	for _, x := range v {
		mean += x
	}
	mean /= float64(len(v))
	for _, x := range v {
		sd += sq(x - mean)
	}
	if len(v) > 1 {
		sd = math.Sqrt(sd / float64(len(v)-1))
	}
	return mean, sd
}

// Tolerance returns the numerical tolerance of u: half of the last of so many significant digits (JCGM 101, 7.9.2), 0 for u 0.
func Tolerance(u float64, digits int) float64 {
	if u == 0 || !finite(u) {
		return 0
	}
	return 0.5 * math.Pow(10, float64(place(u, digits)))
}

// place returns the power of ten of the last of so many significant digits of u after rounding.
func place(u float64, digits int) int {
	l := int(math.Floor(math.Log10(math.Abs(u)))) - digits + 1
	// 0.0996 to two digits is 0.10, whose last digit stands one place higher.
	if math.Round(math.Abs(u)/math.Pow(10, float64(l))) >= math.Pow(10, float64(digits)) {
		l++
	}
	return l
}
