package audit

import (
	"fmt"
	"math"

	"gonum.org/v1/gonum/stat/distuv"

	"stuntcell/model/fit"
	"stuntcell/validate/budget"
)

// Conditions are what a capacity is brought to.
type Conditions struct {
	// Reference and Cell are temperatures [K]; Cell 0 is not known: no correction.
	Reference, Cell float64
	// Lambda is the temperature coefficient of capacity [1/K], LambdaU its standard uncertainty.
	Lambda, LambdaU float64
	// RatedCurrent [A] and the exponent K of C = C_r·(I_r/I)^(K-1); RatedCurrent 0: no correction.
	RatedCurrent, K, KU float64
	// Rated is the rated capacity [A·s], 0 if there is none.
	Rated float64
}

// Brought is a capacity at reference temperature and rate [A·s].
type Brought struct {
	Logged float64 `json:"logged_As"`
	Value  float64 `json:"value_As"`
	// Temperature and Rate are the factors that were applied.
	Temperature float64 `json:"temperature_factor"`
	Rate        float64 `json:"rate_factor"`
	// U is the standard uncertainty that the corrections alone add [A·s].
	U float64 `json:"u_As"`
	// Share is Value over Rated, NaN if there is no rating.
	Share budget.Maybe `json:"share_of_rated"`
	Text  string       `json:"text"`
}

// Bring corrects a capacity measured at amps to the conditions: C/(1 + lambda·(T - reference)), the form of the battery standards (from memory),
// and (I/I_r)^(k-1) after Peukert, which holds for constant current from full only.
func Bring(charge, amps float64, c Conditions) Brought {
	b := Brought{Logged: charge, Value: charge, Temperature: 1, Rate: 1, Share: budget.Maybe(math.NaN())}
	var u2 float64
	if c.Cell > 0 && c.Reference > 0 {
		d := c.Cell - c.Reference
		b.Temperature = 1 / (1 + c.Lambda*d)
		u2 += sq(d * c.LambdaU * b.Temperature)
		b.Text = fmt.Sprintf("brought from %.1f to %.1f degC with %.2g %%/K", c.Cell-273.15, c.Reference-273.15, 100*c.Lambda)
	}
	if c.RatedCurrent > 0 && amps > 0 && c.K > 0 {
		b.Rate = math.Pow(amps/c.RatedCurrent, c.K-1)
		u2 += sq(math.Log(amps/c.RatedCurrent) * c.KU)
		if b.Text != "" {
			b.Text += ", "
		}
		b.Text += fmt.Sprintf("from %.3g to %.3g A with k %.3g", amps, c.RatedCurrent, c.K)
	}
	if b.Text == "" {
		b.Text = "as logged: neither temperature nor rate was corrected"
	}
	b.Value *= b.Temperature * b.Rate
	b.U = b.Value * math.Sqrt(u2)
	if c.Rated > 0 {
		b.Share = budget.Maybe(b.Value / c.Rated)
	}
	return b
}

// ReplaceBelow is the share of rated capacity below which a battery is replaced (common practice, 80 %: TM 5-684, FIST 3-6); the maker's and the
// standard's own limit come first.
const ReplaceBelow = 0.8

// Grade is what can be said of a capacity against a limit, with the risk of being wrong kept to one side of a guard band (JCGM 106:2012, 8.3: from memory).
type Grade string

// The grades.
const (
	Above     Grade = "above" // the limit is passed by more than the guard band
	Undecided Grade = "undecided"
	Under     Grade = "below"
)

// Guard is the width of the guard band beside a limit for a standard uncertainty u with so many degrees of freedom (0: infinite): the one-sided 95 %
// point of Student's t, 1.645·u for infinitely many.
func Guard(u, dof float64) float64 {
	if dof == 0 {
		dof = math.Inf(1)
	}
	return budget.Coverage(0.90, dof) * u // 5 % beyond either end of 90 %
}

// Judge holds value with standard uncertainty u of so many degrees of freedom (0: infinite) against a limit, all in one unit, with the guard band of
// Guard. p is the probability that the true value is at or above the limit, for a scaled Student's t.
func Judge(value, u, dof, limit float64) (g Grade, p float64) {
	if u <= 0 {
		if value >= limit {
			return Above, 1
		}
		return Under, 0
	}
	p = distuv.UnitNormal.CDF((value - limit) / u)
	if dof > 0 && !math.IsInf(dof, 1) {
		p = distuv.StudentsT{Mu: 0, Sigma: 1, Nu: math.Max(1, math.Floor(dof))}.CDF((value - limit) / u)
	}
	switch guard := Guard(u, dof); {
	case value >= limit+guard:
		return Above, p
	case value <= limit-guard:
		return Under, p
	}
	return Undecided, p
}

// Equality compares two capacities with expanded uncertainties (about 95 %) in one unit: E_n = |a - b|/sqrt(Ua² + Ub²); at most 1 means that
// they are not told apart.
func Equality(a, ua, b, ub float64) (en float64, equal bool) {
	d := math.Abs(a - b)
	if d == 0 {
		return 0, true
	}
	en = d / math.Hypot(ua, ub)
	return en, en <= 1
}

// Exponent returns Peukert's exponent from two capacities at two currents, k = 1 + ln(qa/qb)/ln(ib/ia), and what the relative standard
// uncertainty u of each capacity makes of it.
func Exponent(qa, ia, qb, ib, u float64) (k, uk float64) {
	d := math.Log(ib / ia)
	if d == 0 {
		return math.NaN(), math.Inf(1)
	}
	return 1 + math.Log(qa/qb)/d, u * math.Sqrt2 / math.Abs(d)
}

// repeatable is the standard deviation from run to run of a capacity, as a share (common practice, assumed).
const repeatable = 0.005

// Fade is what the capacities of one pack over time say.
type Fade struct {
	// PerYear is the slope over First, the line's value at the first test [1/year], Error its standard error, Repeat the scatter about the line, relative.
	PerYear float64 `json:"per_year"`
	First   float64 `json:"first"`
	Error   float64 `json:"per_year_error"`
	Repeat  float64 `json:"repeatability"`
	// Told says that the slope differs from none at 95 %.
	Told bool   `json:"told"`
	Text string `json:"text"`
}

// Fading fits a line through three or more capacities [any unit] at times [s]. Fewer, or all at one time, give an error of package fit.
func Fading(t, capacity []float64) (Fade, error) {
	years := make([]float64, len(t))
	for i := range t {
		years[i] = (t[i] - t[0]) / (365.25 * 86400)
	}
	f, err := fit.Polynomial(years, capacity, 1)
	if err != nil {
		return Fade{}, err
	}
	if f.Cov == nil || f.DOF < 1 {
		return Fade{}, fmt.Errorf("%w: a line needs three capacities at two times or more", fit.ErrData)
	}
	d := Fade{PerYear: f.Value[1] / f.Value[0], First: f.Value[0], Error: f.Error[1] / math.Abs(f.Value[0]), Repeat: f.SD / math.Abs(f.Value[0])}
	// Few runs leave few degrees of freedom: with three, the slope must be 12.7 times its error. What is known of repeatability otherwise helps.
	scatter := (distuv.StudentsT{Mu: 0, Sigma: 1, Nu: float64(f.DOF)}).Quantile(0.975) * d.Error
	// Where the runs scatter by more than chance makes of that (chi-squared, 95 %), it is not these runs' repeatability.
	assumed, repeat := math.Inf(1), math.Max(repeatable, d.Repeat)
	if nu := float64(f.DOF); d.Repeat > 0 && sq(d.Repeat/repeatable)*nu <= (distuv.ChiSquared{K: nu}).Quantile(0.95) {
		assumed = distuv.UnitNormal.Quantile(0.975) * d.Error * repeat / d.Repeat
	}
	known := fmt.Sprintf("with an assumed standard deviation of %.2g %% from run to run", 100*repeat)
	if repeat == repeatable {
		known += " (common practice)"
	} else {
		known += fmt.Sprintf(" (as seen; %.2g %% is common practice)", 100*repeatable)
	}
	slope := fmt.Sprintf("%+.2g %% a year", 100*d.PerYear)
	switch {
	case math.Abs(d.PerYear) > scatter:
		d.Told = true
		d.Text = fmt.Sprintf("%s ± %.2g %% (95 %%, Student's t of %d runs), beside a repeatability of %.2g %% from run to run", slope, 100*scatter, len(capacity), 100*d.Repeat)
	case math.Abs(d.PerYear) > assumed:
		d.Told = true
		d.Text = fmt.Sprintf("%s ± %.2g %% (95 %%) %s; the scatter of %d runs alone would not tell it (± %.2g %%)", slope, 100*assumed, known, len(capacity), 100*scatter)
	case assumed < scatter:
		d.Text = fmt.Sprintf("no fade that can be told from repeatability (%s, ± %.2g %% at 95 %% %s; %.2g %% from run to run)", slope, 100*assumed, known, 100*d.Repeat)
	default:
		d.Text = fmt.Sprintf("no fade that can be told from repeatability (%s, ± %.2g %% at 95 %%; %.2g %% from run to run)", slope, 100*scatter, 100*d.Repeat)
	}
	return d, nil
}

// Until is the time [years] in which a capacity falls from last to limit if it goes on as the line does; not above 0 where it never does.
func (f Fade) Until(last, limit float64) float64 { return (last - limit) / -(f.PerYear * f.First) }

// Figure puts a phase into the form that a budget takes; every is the time between readings [s], or between rows.
func (r *Report) Figure(p *Phase, every float64) budget.Figure {
	drawn, _ := r.drawnBefore(p)
	f := budget.Figure{Charge: p.Charge, Energy: p.Energy, Duration: p.End - p.Begin, Current: p.Current, Every: every, Sampling: p.Bound, AtLeast: !p.Intended || drawn > 0,
		From: fmt.Sprintf("log %s, lines %d to %d", r.Log, p.First, p.Last)}
	if p.Charge > 0 {
		f.Voltage = p.Energy / p.Charge
	}
	if p.Intended && p.Slope < 0 {
		f.End, f.EndSlope = p.vEnd, -p.Slope
		if r.Level > 0 {
			f.End = r.Level
			if p.vLow <= r.Level {
				f.Late = every
			}
		}
	}
	if p.TempHigh > 0 {
		f.Cell = (p.TempLow + p.TempHigh) / 2
	}
	return f
}
