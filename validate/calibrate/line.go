// Package calibrate finds the gain and offset of a rig from its readings beside a meter, and says what they are worth.
//
// For readings x of the rig and y of a meter, in the same unit, the line
//
//	y = offset + gain·x
//
// is fitted by least squares: it is the correction that firmware should apply to its reading. Scatter of the pairs gives the standard errors and
// covariance of both (n-2 degrees of freedom, JCGM 100, H.3). The meter's own stated accuracy is common to all pairs and does not average
// out: its percent of reading goes to the gain, what is fixed (digits, percent of range) to the offset, each as a rectangular limit, kept apart from the scatter.
// The prediction band at x is
//
//	u²(x) = s²·(1/n + (x - mean)²/Sxx) + (reading·x)²/3 + fixed²/3     (of the line; for a single new reading + s²)
//
// with k from Student's t at the effective degrees of freedom. The rig's reading is taken to be free of scatter beside the spread of the
// currents, so that the fit of y on x holds. Currents: positive into the battery.
package calibrate

import (
	"fmt"
	"math"

	"gonum.org/v1/gonum/mat"
	"gonum.org/v1/gonum/stat/distuv"

	"stuntcell/model/fit"
	"stuntcell/model/quantity"
	"stuntcell/validate/budget"
)

// Options steer Fit. The zero value is the default.
type Options struct {
	// Tolerance is what the rig claims without calibration, relative: its shunt's label. 0 is 0.005.
	Tolerance float64
	// Aim is the statistical uncertainty that more pairs should reach, relative at the largest current; 0 is a quarter of the meter's
	// accuracy there, below which its own error rules.
	Aim float64
	// To is how far the constants will be used [A] or [V], 0: as far as the pairs reach.
	To float64
}

// Line is the fit of one quantity against one meter. Values are in Unit.
type Line struct {
	Quantity string `json:"quantity"` // current or voltage
	Unit     string `json:"unit"`
	Meter    string `json:"meter"`
	Accuracy string `json:"accuracy"` // as stated, empty if it was not
	Pairs    int    `json:"pairs"`

	Gain   float64 `json:"gain"`
	Offset float64 `json:"offset"`
	// GainError, OffsetError are standard errors from the scatter; GainOffset is their correlation.
	GainError   float64 `json:"gain_error"`
	OffsetError float64 `json:"offset_error"`
	GainOffset  float64 `json:"gain_offset_correlation"`
	// GainMeter, OffsetMeter are standard uncertainties from the meter's accuracy.
	GainMeter   float64 `json:"gain_meter"`
	OffsetMeter float64 `json:"offset_meter"`
	Residual    float64 `json:"residual_sd"`
	DOF         int     `json:"dof"`

	// Low and High are the ends of what was compared; Range is the meter's.
	Low   float64 `json:"low"`
	High  float64 `json:"high"`
	Range float64 `json:"meter_range,omitempty"`

	Linearity Linearity `json:"linearity"`
	Band      []Point   `json:"band"`
	More      More      `json:"more"`
	Adjust    bool      `json:"adjust"`
	// Why says why or why not.
	Why      string   `json:"why"`
	Warnings []string `json:"warnings"`

	residuals []float64
	x         []float64
	mean, sxx float64
	meter     Meter
	kind      quantity.Kind
}

// Linearity says whether the pairs lie on a line.
type Linearity struct {
	// Worst is the largest residual, at reading At.
	Worst float64 `json:"worst"`
	At    float64 `json:"at"`
	// Bend is how far a parabola through the pairs departs from the line at most, between Low and High, with the probability P that scatter alone bends it as
	// much. P is NaN with fewer than four readings that differ, then Bend is 0.
	Bend float64      `json:"bend"`
	P    budget.Maybe `json:"p"`
	// Step is the gain above zero less that below, with its P; NaN unless both signs have two readings that differ.
	Step  budget.Maybe `json:"step"`
	StepP budget.Maybe `json:"step_p"`
}

// Point is one point of the prediction band.
type Point struct {
	Reading   float64 `json:"reading"`
	Corrected float64 `json:"corrected"`
	// Statistic is the expanded uncertainty from scatter alone, U with the meter's accuracy, New of a single new reading with all. K is that of U.
	Statistic float64 `json:"U_scatter"`
	U         float64 `json:"U"`
	New       float64 `json:"U_new_reading"`
	K         float64 `json:"k"`
	// Beyond says what the point lies beyond: pairs, meter or both; empty if it lies inside.
	Beyond string `json:"beyond,omitempty"`
}

// More says how many more pairs would serve, and where.
type More struct {
	Pairs int     `json:"pairs"`
	Low   float64 `json:"low"`
	High  float64 `json:"high"`
	Text  string  `json:"text"`
}

const coverage = 0.9545

// Fit fits the line of one series. It needs three pairs or more that are not all at one reading, as Parse makes sure.
func Fit(s Series, o Options) (*Line, error) {
	if o.Tolerance == 0 {
		o.Tolerance = 0.005
	}
	if !(o.Tolerance > 0) || !(o.Aim >= 0) || !(o.To >= 0) || math.IsInf(o.Tolerance+o.Aim+o.To, 0) {
		return nil, fmt.Errorf("calibrate: options %+v", o)
	}
	n := len(s.Pairs)
	l := &Line{Quantity: "current", Unit: "A", Meter: s.Meter.Name, Accuracy: s.Meter.Text, Pairs: n, DOF: n - 2, Range: s.Meter.Range, meter: s.Meter, kind: s.Meter.Quantity,
		Low: math.Inf(1), High: math.Inf(-1)}
	if s.Meter.Quantity == quantity.Voltage {
		l.Quantity, l.Unit = "voltage", "V"
	}
	y := make([]float64, n)
	for i, p := range s.Pairs {
		l.x = append(l.x, p.Rig)
		y[i] = p.Meter
		l.Low, l.High = math.Min(l.Low, p.Rig), math.Max(l.High, p.Rig)
		l.mean += p.Rig / float64(n)
	}
	f, err := fit.Polynomial(l.x, y, 1)
	if err != nil {
		return nil, fmt.Errorf("calibrate: %w", err)
	}
	if f.Cov == nil || f.DOF < 1 {
		return nil, fmt.Errorf("calibrate: %w: gain and offset are not both told by the pairs", fit.ErrData)
	}
	for _, x := range l.x {
		l.sxx += (x - l.mean) * (x - l.mean)
	}
	l.Offset, l.Gain = f.Value[0], f.Value[1]
	l.OffsetError, l.GainError = f.Error[0], f.Error[1]
	if f.SD > 0 {
		l.GainOffset = f.Correlation(0, 1)
	}
	l.Residual, l.residuals = f.SD, f.Residual
	l.GainMeter = budget.Rectangular.Half(s.Meter.Reading) * math.Abs(l.Gain)
	l.OffsetMeter = budget.Rectangular.Half(s.Meter.Fixed)
	l.linearity(y)
	l.band(o.To)
	l.more(o)
	l.judge(o)
	return l, nil
}

// At returns the corrected reading, its standard uncertainty from scatter and from the meter.
func (l *Line) At(x float64) (y, scatter, meter float64) {
	y = l.Offset + l.Gain*x
	scatter = l.Residual * math.Sqrt(1/float64(l.Pairs)+(x-l.mean)*(x-l.mean)/l.sxx)
	return y, scatter, math.Hypot(l.GainMeter*x, l.OffsetMeter)
}

// point makes a point of the band.
func (l *Line) point(x float64) Point {
	y, a, b := l.At(x)
	// Welch-Satterthwaite with the meter's part known exactly.
	k := budget.Coverage(coverage, effective(a, b, l.DOF))
	single := math.Hypot(a, l.Residual)
	// With few pairs the effective degrees of freedom can make the whole smaller than its part; the part stands then.
	p := Point{Reading: x, Corrected: y, Statistic: budget.Coverage(coverage, float64(l.DOF)) * a, U: k * math.Hypot(a, b), K: k}
	if p.Statistic > p.U {
		p.U, p.K = p.Statistic, p.Statistic/math.Hypot(a, b)
	}
	p.New = budget.Coverage(coverage, effective(single, b, l.DOF)) * math.Hypot(single, b)
	p.New = math.Max(p.New, p.U)
	span := 1e-9 * (l.High - l.Low)
	pairs := x < l.Low-span || x > l.High+span
	meter := l.Range > 0 && math.Abs(y) > l.Range*(1+1e-9)
	switch {
	case pairs && meter:
		p.Beyond = "pairs and meter"
	case pairs:
		p.Beyond = "pairs"
	case meter:
		p.Beyond = "meter"
	}
	return p
}

func effective(a, b float64, dof int) float64 {
	if a == 0 {
		return math.Inf(1)
	}
	u2 := a*a + b*b
	return u2 * u2 / (a * a * a * a) * float64(dof)
}

func (l *Line) band(to float64) {
	at := []float64{l.Low, (l.Low + l.High) / 2, l.High}
	if l.Low < 0 && l.High > 0 {
		at[1] = 0
	}
	if to > 0 {
		if -to < l.Low && l.Low < 0 {
			at = append([]float64{-to}, at...)
		}
		if to > l.High {
			at = append(at, to)
		}
	}
	for _, x := range at {
		l.Band = append(l.Band, l.point(x))
	}
}

func (l *Line) linearity(y []float64) {
	unknown := budget.Maybe(math.NaN())
	l.Linearity = Linearity{P: unknown, Step: unknown, StepP: unknown}
	for i, r := range l.residuals {
		if math.Abs(r) >= math.Abs(l.Linearity.Worst) {
			l.Linearity.Worst, l.Linearity.At = r, l.x[i]
		}
	}
	if distinct(l.x) >= 4 && len(y) >= 4 {
		if f, err := fit.Polynomial(l.x, y, 2); err == nil && f.Cov != nil && f.DOF > 0 {
			// Against its own chord a parabola departs by c·(span/2)² in the middle.
			half := (l.High - l.Low) / 2
			l.Linearity.Bend = math.Abs(f.Value[2]) * half * half
			l.Linearity.P = chance(f.Value[2], f.Error[2], f.DOF)
		}
	}
	// One gain for each sign, one offset: y = a + b·x + step·max(x, 0).
	var up, down []float64
	for _, x := range l.x {
		if x > 0 {
			up = append(up, x)
		} else if x < 0 {
			down = append(down, x)
		}
	}
	if distinct(up) < 2 || distinct(down) < 2 || len(y) < 4 {
		return
	}
	a := mat.NewDense(len(y), 3, nil)
	for i, x := range l.x {
		a.SetRow(i, []float64{1, x, math.Max(x, 0)})
	}
	if f, err := fit.Linear(a, y); err == nil && f.Cov != nil && f.DOF > 0 {
		l.Linearity.Step = budget.Maybe(f.Value[2])
		l.Linearity.StepP = chance(f.Value[2], f.Error[2], f.DOF)
	}
}

// chance is the two-sided probability of an estimate at least so far from zero if the truth is zero.
func chance(value, err float64, dof int) budget.Maybe {
	if err == 0 {
		if value == 0 {
			return 1
		}
		return 0
	}
	return budget.Maybe(2 * distuv.StudentsT{Mu: 0, Sigma: 1, Nu: float64(dof)}.Survival(math.Abs(value)/err))
}

func distinct(x []float64) int {
	seen := map[float64]bool{}
	for _, v := range x {
		seen[v] = true
	}
	return len(seen)
}

// more finds how many further pairs, half at each end, bring the scatter's part at the largest reading to the aim.
func (l *Line) more(o Options) {
	far := math.Max(math.Abs(l.Low), math.Abs(l.High))
	if o.To > 0 {
		far = o.To
	}
	low, high := l.Low, l.High
	if o.To > 0 {
		high = math.Max(high, o.To)
		if low < 0 {
			low = math.Min(low, -o.To)
		}
	}
	if l.Range > 0 {
		low, high = math.Max(low, -l.Range), math.Min(high, l.Range)
	}
	aim := o.Aim
	from := fmt.Sprintf("the aim of %.2g %%", 100*aim)
	if aim == 0 {
		aim = l.meter.Limit(far) / far / 4
		from = "a quarter of the meter's accuracy"
		if !l.meter.Stated {
			aim, from = o.Tolerance/4, "a quarter of the rig's tolerance"
		}
	}
	want := aim * far
	l.More = More{Low: low, High: high}
	if limit := l.meter.Limit(far); o.Aim > 0 && limit > want {
		l.More.Text = fmt.Sprintf("No number of pairs reaches %s at %.3g %s: the meter itself is good for %.2g %% there. A better meter would.", from, far, l.Unit, 100*limit/far)
		return
	}
	n, sum, sxx, mean := float64(l.Pairs), l.mean*float64(l.Pairs), 0.0, l.mean
	for _, x := range l.x {
		sxx += x * x
	}
	at := math.Max(math.Abs(low), math.Abs(high))
	if far < at {
		at = far
	}
	const most = 1000
	for k := 0; k <= most; k++ {
		spread := sxx - n*mean*mean
		u := l.Residual * math.Sqrt(1/n+math.Max((high-mean)*(high-mean), (low-mean)*(low-mean))/spread)
		if budget.Coverage(coverage, n-2)*u <= want {
			l.More.Pairs = k
			break
		}
		if k == most {
			l.More.Pairs = -1
			l.More.Text = fmt.Sprintf("More than %d further pairs would be needed for %s: find what scatters by %.2g %s first.", most, from, l.Residual, l.Unit)
			return
		}
		x := low
		if k%2 == 0 {
			x = high
		}
		sum += x
		sxx += x * x
		n++
		mean = sum / n
	}
	switch l.More.Pairs {
	case 0:
		l.More.Text = fmt.Sprintf("Enough pairs: scatter is below %s.", from)
	case 1:
		l.More.Text = fmt.Sprintf("1 more, near %.3g %s, brings scatter below %s.", high, l.Unit, from)
	default:
		l.More.Text = fmt.Sprintf("%d more, half near %.3g %s and half near %.3g %s, bring scatter below %s.", l.More.Pairs, low, l.Unit, high, l.Unit, from)
	}
}

// judge decides whether to adjust and collects warnings.
func (l *Line) judge(o Options) {
	far := math.Max(math.Abs(l.Low), math.Abs(l.High))
	limit := l.meter.Limit(far)
	told := false
	for _, p := range l.Band {
		if p.Beyond == "" && math.Abs(p.Corrected-p.Reading) > p.U {
			told = true
		}
	}
	ratio := math.Inf(1)
	if limit > 0 {
		ratio = o.Tolerance * far / limit
	}
	switch {
	case !l.meter.Stated:
		l.Why = "Do not adjust: the meter's accuracy is not stated, so nobody knows which of the two is right. State it (meter: NAME, 0.5 % + 3 digits of 0.01 " + l.Unit + ", range 20 " + l.Unit + ")."
	case ratio < 1:
		l.Why = fmt.Sprintf("Do not adjust: at %.3g %s the meter is good for %.2g %%, the rig's own label for %.2g %%. The weaker would correct the better.", far, l.Unit, 100*limit/far, 100*o.Tolerance)
	case !told:
		l.Why = "Nothing to adjust: the rig differs from the meter by less than the uncertainty of the comparison."
	case ratio < 4:
		l.Adjust = true
		l.Why = fmt.Sprintf("Adjust, and state the uncertainty: the meter is %.2g times as good as the rig's label, less than the 4 to 1 that is common practice.", ratio)
	default:
		l.Adjust = true
		l.Why = "Adjust: the difference is told, and the meter is at least four times as good as the rig's label (4 to 1, common practice)."
	}
	warn := func(format string, a ...any) { l.Warnings = append(l.Warnings, fmt.Sprintf(format, a...)) }
	if l.Quantity == "current" && (l.Low >= 0 || l.High <= 0) {
		warn("All pairs have one sign: what the rig reads in the other direction is not known.")
	}
	if l.Linearity.P < 0.01 {
		warn("Not a line: the pairs bend by %.2g %s (scatter alone would do so in %.2g of 100 cases). Two constants do not mend that.", l.Linearity.Bend, l.Unit, 100*l.Linearity.P)
	}
	if l.Linearity.StepP < 0.01 {
		warn("Charge and discharge have gains that differ by %.2g %% (by chance in %.2g of 100 cases): keep one constant for each.", 100*l.Linearity.Step, 100*l.Linearity.StepP)
	}
	for _, p := range l.Band {
		if p.Beyond != "" {
			warn("At %.4g %s the constants are used beyond the %s: that is extrapolation, its U of %.2g %s assumes that the line goes on.", p.Reading, l.Unit, p.Beyond, p.U, l.Unit)
		}
	}
	if n := outside(l.residuals, l.Residual); n > 0 {
		warn("%d of %d pairs lie more than 3 standard deviations off the line: look at them before you use the rest.", n, l.Pairs)
	}
}

func outside(r []float64, sd float64) int {
	n := 0
	for _, v := range r {
		if math.Abs(v) > 3*sd {
			n++
		}
	}
	return n
}

// Calibrated is what the line leaves open of its channel, for a budget.
func (l *Line) Calibrated() (*budget.Calibrated, error) {
	c := &budget.Calibrated{Gain: l.GainError / l.Gain, Offset: l.OffsetError, R: l.GainOffset, DOF: float64(l.DOF), MeterGain: l.GainMeter / l.Gain, MeterOffset: l.OffsetMeter}
	for _, x := range [...]float64{c.Gain, c.Offset, c.MeterGain, c.MeterOffset} {
		if !(x >= 0) || math.IsInf(x, 0) {
			return nil, fmt.Errorf("the %s against %s: an uncertainty is no positive number", l.Quantity, l.meter.name())
		}
	}
	if !(math.Abs(c.R) <= 1) || !(c.DOF > 0) {
		return nil, fmt.Errorf("the %s against %s: correlation %v with %v degrees of freedom", l.Quantity, l.meter.name(), c.R, c.DOF)
	}
	c.R = max(-0.999999, min(0.999999, c.R))
	return c, nil
}
