package budget

import (
	"errors"
	"fmt"
	"math"
	"slices"
	"sort"
)

// ErrFigure marks a figure that no budget can be made for. Test with errors.Is.
var ErrFigure = errors.New("no budget can be made for this figure")

// Options steer State. The zero value is the default.
type Options struct {
	// P is the coverage probability; 0 is 0.9545, for which k = 2 without limit on the degrees of freedom.
	P float64
	// Aim is the expanded uncertainty that is wanted, relative (0.01 is 1 %), 0 if none.
	Aim float64
	// Most trials of Monte Carlo; 0 is 1,000,000.
	Most int
	Seed uint64
}

// Line is one contribution to the uncertainty of a result.
type Line struct {
	Name string  `json:"name"`
	U    float64 `json:"u"` // standard uncertainty in Unit
	Unit string  `json:"unit"`
	// Charge and Energy are what it contributes to the standard uncertainties [Ah], [Wh]; ShareCharge and ShareEnergy its parts of u².
	Charge      float64 `json:"charge_Ah"`
	Energy      float64 `json:"energy_Wh"`
	ShareCharge float64 `json:"share_charge"`
	ShareEnergy float64 `json:"share_energy"`
	Shape       string  `json:"shape"`
	DOF         float64 `json:"dof,omitempty"` // 0: infinite
	From        string  `json:"from"`
	Assumed     bool    `json:"assumed"`
	Mend        string  `json:"mend"`

	input int // of the model
}

// Stated is a budget.
type Stated struct {
	Rig    string `json:"rig"`
	From   string `json:"from"`
	Charge Result `json:"charge_Ah"`
	Energy Result `json:"energy_Wh"`
	// Correlation of charge and energy.
	Correlation Maybe `json:"correlation"`
	// Lines are sorted by their part of the charge's u², largest first; those that contribute nothing are left out.
	Lines []Line `json:"lines"`
	// Standards says of clauses on equipment whether this rig would meet them in this test.
	Standards []Clause `json:"standards"`
	Advice    []string `json:"advice"`
	// Sentence is what may be written into a report.
	Sentence string `json:"sentence"`
	// Assumed names what nobody stated.
	Assumed []string `json:"assumed"`
}

// Result is one result in both ways of computing it.
type Result struct {
	// Logged is what the log says, Y the estimate with all corrections, U1 its standard uncertainty, DOF its degrees of freedom (0: infinite).
	Logged float64 `json:"logged"`
	Y      float64 `json:"y"`
	U1     float64 `json:"u"`
	DOF    float64 `json:"dof,omitempty"`
	// K and U are coverage factor and expanded uncertainty by the law of propagation.
	K float64 `json:"k"`
	U float64 `json:"U"`
	// Monte Carlo beside it.
	MonteCarlo MonteCarloResult `json:"monte_carlo"`
	// Quote is which of the two to state, and why.
	Quote  string  `json:"quote"`
	Why    string  `json:"why"`
	Stated string  `json:"stated"`
	P      float64 `json:"p"`
	quote  Quote
}

// MonteCarloResult is Sampled as it is written to JSON.
type MonteCarloResult struct {
	Y float64 `json:"y"`
	// U1 is not known where the result has no standard deviation: see endless.
	U1     Maybe   `json:"u"`
	Low    float64 `json:"low"`
	High   float64 `json:"high"`
	Trials int     `json:"trials"`
	Stable bool    `json:"stable"`
}

// check says what is wrong with a figure before anything is divided by it.
func (c Capacity) check() error {
	f := c.Figure
	for _, v := range []struct {
		name  string
		value float64
		zero  bool
	}{
		{"charge", f.Charge, false}, {"duration", f.Duration, false}, {"current", f.Current, false}, {"voltage", f.Voltage, false},
		{"energy", f.Energy, true}, {"end level", f.End, true}, {"slope at the end", f.EndSlope, true}, {"reading interval", f.Every, true}, {"time behind the level", f.Late, true},
		{"rated current", f.RatedCurrent, true}, {"period", f.Period, true},
		{"shunt value", c.Rig.Shunt.Nominal, false},
	} {
		if !finite(v.value) || v.value < 0 || v.value == 0 && !v.zero {
			return fmt.Errorf("%w: the %s is %v", ErrFigure, v.name, v.value)
		}
	}
	if f.EndSlope > 0 && f.End == 0 {
		return fmt.Errorf("%w: it ends by voltage, but the level is 0", ErrFigure)
	}
	return nil
}

// State makes the budget of a capacity figure. It returns ErrFigure or ErrModel.
func (c Capacity) State(o Options) (*Stated, error) {
	if o.P == 0 {
		o.P = 0.9545
	}
	if !(o.P > 0 && o.P < 1) {
		return nil, fmt.Errorf("%w: coverage probability %v", ErrFigure, o.P)
	}
	if err := c.check(); err != nil {
		return nil, err
	}
	m := c.model()
	p, err := Propagate(m)
	if err != nil {
		return nil, err
	}
	// Limits of a rig are known to one digit at best, so one digit of u is what the two intervals must share (JCGM 101, 8.2: a fifth of its
	// tolerance for Monte Carlo itself).
	const digits = 1
	mc, err := MonteCarlo(m, Trials{P: o.P, Digits: digits, Finer: 5, Most: o.Most, Seed: o.Seed})
	if err != nil {
		return nil, err
	}
	s := &Stated{Rig: c.Rig.Name, From: c.Figure.From, Correlation: Maybe(p.Correlation(0, 1))}
	logged := [2]float64{c.Figure.Charge / 3600, c.Figure.Energy / 3600}
	for i, to := range []*Result{&s.Charge, &s.Energy} {
		if endless(m, p, i) {
			mc[i].Y, mc[i].U = p.Y[i], math.NaN()
		}
		q := Compare(p, mc, i, o.P, digits)
		k := Coverage(o.P, p.DOF[i])
		*to = Result{Logged: logged[i], Y: p.Y[i], U1: p.U[i], K: k, U: k * p.U[i], P: o.P, Why: q.Why, quote: q, Quote: "law of propagation",
			MonteCarlo: MonteCarloResult{Y: mc[i].Y, U1: Maybe(mc[i].U), Low: mc[i].Low, High: mc[i].High, Trials: mc[i].Trials, Stable: mc[i].Stable}}
		if finite(p.DOF[i]) {
			to.DOF = p.DOF[i]
		}
		if q.ByMonteCarlo {
			to.Quote = "Monte Carlo"
		}
		to.Stated = stated(q, []string{"Ah", "Wh"}[i])
	}
	for i, in := range m.Inputs {
		if in.U == 0 || p.Sensitivity[0][i] == 0 && p.Sensitivity[1][i] == 0 {
			continue
		}
		s.Lines = append(s.Lines, Line{
			Name: in.Name, U: in.U, Unit: in.Unit, Shape: in.Shape.String(), DOF: in.DOF, From: in.From, Assumed: in.Assumed, Mend: c.mend(i), input: i,
			Charge: math.Abs(p.Sensitivity[0][i]) * in.U, Energy: math.Abs(p.Sensitivity[1][i]) * in.U,
			ShareCharge: p.Share[0][i], ShareEnergy: p.Share[1][i],
		})
		if in.Assumed {
			s.Assumed = append(s.Assumed, in.Name)
		}
	}
	sort.SliceStable(s.Lines, func(i, j int) bool { return s.Lines[i].Charge > s.Lines[j].Charge })
	s.Standards = c.Clauses()
	s.Advice = s.advise(m, o.Aim)
	s.Sentence = s.sentence(c)
	return s, nil
}

// endless says that a result has no standard deviation, so that those of trials settle nowhere: an input is Student's t with 2 degrees of
// freedom or fewer (JCGM 101, 6.4.9.4: from memory). Its quantiles are as good as any.
func endless(m Model, p *Propagated, result int) bool {
	for i, in := range m.Inputs {
		if in.Shape == Student && in.DOF > 0 && in.DOF <= 2 && p.Sensitivity[result][i]*in.U != 0 {
			return true
		}
	}
	return false
}

// stated writes a quote with its unit.
func stated(q Quote, unit string) string {
	y, u := Round(q.Y, q.U, 2)
	if q.ByMonteCarlo {
		low, _ := Round(q.Low, q.U, 2)
		high, _ := Round(q.High, q.U, 2)
		return fmt.Sprintf("%s %s, within %s to %s %s", y, unit, low, high, unit)
	}
	return fmt.Sprintf("%s %s ± %s %s (k = %.2f)", y, unit, u, unit, q.K)
}

// sentence says what may be written into a report.
func (s *Stated) sentence(c Capacity) string {
	f := c.Figure
	at := fmt.Sprintf("at %.3g A", f.Current)
	if f.RatedCurrent > 0 {
		at = fmt.Sprintf("brought to %.3g A from %.3g A", f.RatedCurrent, f.Current)
	}
	if f.Cell != 0 || f.Reference != 0 {
		at += fmt.Sprintf(" and %.1f degC", f.Reference-273.15)
	}
	if f.End > 0 {
		at += fmt.Sprintf(", to an end voltage of %.4g V", f.End)
	}
	_, u := Round(s.Charge.Y, s.Charge.U1, 2)
	how := fmt.Sprintf("the number after ± is the expanded uncertainty U = k·u, from the combined standard uncertainty u = %s Ah and k from Student's t (JCGM 100)", u)
	if s.Charge.quote.ByMonteCarlo {
		how = "the limits are those of the shortest coverage interval by Monte Carlo (JCGM 101)"
	}
	what := "The capacity is"
	if f.AtLeast {
		what = "Since the discharge did not begin full, or did not end as intended, the capacity is at least"
	}
	text := fmt.Sprintf("%s %s %s; %s, for a coverage probability of about %.4g %%.", what, s.Charge.Stated, at, how, 100*s.Charge.P)
	if n := len(s.Assumed); n > 0 {
		text += fmt.Sprintf(" %d of its %d contributions are assumed (common practice), not known for this rig.", n, len(s.Lines))
	}
	return text
}

// advise says what to improve first, and by how much: the model propagated anew with less of one contribution, so that correlations and degrees of
// freedom count.
func (s *Stated) advise(m Model, aim float64) []string {
	if len(s.Lines) == 0 {
		return nil
	}
	less := m
	less.Inputs = slices.Clone(m.Inputs)
	expanded := func() float64 {
		p, err := Propagate(less)
		if err != nil {
			return math.NaN() // the whole model could be propagated
		}
		return Coverage(s.Charge.P, p.DOF[0]) * p.U[0]
	}
	part := func(l Line, share float64) float64 {
		was := less.Inputs[l.input].U
		less.Inputs[l.input].U = share * m.Inputs[l.input].U
		u := expanded()
		less.Inputs[l.input].U = was
		return u
	}
	first, halved := s.Lines[0], math.Inf(1)
	for _, l := range s.Lines {
		if u := part(l, 0.5); u < halved*(1-1e-9) {
			first, halved = l, u
		}
	}
	var out []string
	out = append(out, fmt.Sprintf("First: %s (%.0f %% of u²). Halved, U falls from %.2g to %.2g Ah; gone, to %.2g Ah. To do so: %s.",
		first.Name, 100*first.ShareCharge, s.Charge.U, halved, part(first, 0), first.Mend))
	if aim <= 0 {
		return out
	}
	y := math.Abs(s.Charge.Y)
	if s.Charge.U <= aim*y {
		return append(out, fmt.Sprintf("The aim of %.3g %% is met: U is %.2g %%.", 100*aim, 100*s.Charge.U/y))
	}
	for i, l := range s.Lines {
		rest := part(l, 0)
		if rest < aim*y {
			low, high := 0.0, 1.0
			for range 50 {
				if mid := (low + high) / 2; part(l, mid) < aim*y {
					low = mid
				} else {
					high = mid
				}
			}
			out = append(out, fmt.Sprintf("Aim of %.3g %%: %s must shrink by a factor of %.3g (to a standard uncertainty of %.2g %s)%s.",
				100*aim, l.Name, 1/low, l.U*low, l.Unit, map[bool]string{true: ", with those above gone"}[i > 0]))
			return out
		}
		out = append(out, fmt.Sprintf("Aim of %.3g %%: without %s%s U would still be %.3g %%.", 100*aim, l.Name, map[bool]string{true: " as well"}[i > 0], 100*rest/y))
		less.Inputs[l.input].U = 0
	}
	return out
}
