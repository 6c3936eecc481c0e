package lesson

import (
	"math"
	"slices"

	"stuntcell/emulator"
	"stuntcell/model"
	"stuntcell/scenarios/rehearsal"
)

// Panel is one panel of a lesson's picture: curves over one axis.
type Panel struct {
	Title string
	// XLabel and YLabel name the axes, XUnit and YUnit their units.
	XLabel, XUnit string
	YLabel, YUnit string
	Curves        []Curve
}

// Curve is one curve, thinned so that it looks the same as all of its points would. X and Y have one length and are in the panel's units.
type Curve struct {
	Name string
	X, Y []float64
	// Dots says that these are single readings rather than a course.
	Dots bool
}

// panelPlan is a panel that is still to be drawn.
type panelPlan struct {
	title, yLabel, yUnit string
	xUnit                string // of time; or of charge if over is charge; or of the drawn figure
	over                 string // time, charge or rigs
	from, to             int64  // [ns]; to 0: to the end
	curves               []curvePlan
}

// curvePlan is a curve of the truth of a run, of a meter, or of a drawn figure.
type curvePlan struct {
	name, of           string
	run, meter, figure string // exactly one is set
	dots               bool
}

const (
	overTime   = "time"
	overCharge = "charge"
	overRigs   = "rigs"
)

var (
	runCurves   = []string{"current", "voltage", "charge", "energy", "temperature"}
	meterCurves = []string{"current", "voltage", "charge", "energy", "charge-error", "energy-error", "time-error"}
)

// buckets is how many places along the axis a curve keeps apart, at up to four points each.
const buckets = 240

// draw makes a panel's curves of what was played.
func (p *panelPlan) draw(b *bench) (Panel, error) {
	out := Panel{Title: p.title, XUnit: p.xUnit, YLabel: p.yLabel, YUnit: p.yUnit}
	switch p.over {
	case overTime:
		out.XLabel = "time"
	case overCharge:
		out.XLabel = "charge drawn"
	case overRigs:
		out.XLabel = p.title
	}
	x, y := unitSize(p.xUnit), unitSize(p.yUnit)
	for i := range p.curves {
		c := &p.curves[i]
		curve := Curve{Name: c.name, Dots: c.dots}
		switch {
		case c.figure != "":
			curve.X, curve.Y = cumulative(b.values[c.figure])
		case c.meter != "":
			curve.X, curve.Y = p.ofMeter(b.tally(c.meter)[0], c.of)
		default:
			var err error
			if curve.X, curve.Y, err = p.ofRun(b, c); err != nil {
				return out, err
			}
		}
		curve.X, curve.Y = thin(curve.X, curve.Y)
		for k := range curve.X {
			curve.X[k] /= x
			curve.Y[k] /= y
		}
		out.Curves = append(out.Curves, curve)
	}
	return out, nil
}

// cumulative is the share of values up to each.
func cumulative(values []float64) (x, y []float64) {
	x = slices.Clone(values)
	slices.Sort(x)
	y = make([]float64, len(x))
	for i := range y {
		y[i] = (float64(i) + 0.5) / float64(len(x))
	}
	return x, y
}

// end is the last instant that the panel shows.
func (p *panelPlan) end() int64 {
	if p.to == 0 {
		return math.MaxInt64
	}
	return p.to
}

// ofMeter is what a meter had at its readings, in SI.
func (p *panelPlan) ofMeter(t *tally, of string) (x, y []float64) {
	for n, k := range t.at {
		at := t.rec.Readings.T[k]
		if at < p.from || at > p.end() {
			continue
		}
		charge, energy, seconds := t.true(n)
		i, v := t.reading(int(k))
		var value float64
		switch of {
		case "current":
			value = i
		case "voltage":
			value = v
		case "charge":
			value = t.charge[n]
		case "energy":
			value = t.energy[n]
		case "charge-error":
			value = t.charge[n] - charge
		case "energy-error":
			value = t.energy[n] - energy
		case "time-error":
			value = t.time[n] - seconds
		}
		if p.over == overCharge {
			x = append(x, math.Abs(t.rec.Readings.Charge[k]))
		} else {
			x = append(x, float64(at)*1e-9)
		}
		y = append(y, value)
	}
	return x, y
}

// ofRun is the truth of a run, in SI.
func (p *panelPlan) ofRun(b *bench, c *curvePlan) (x, y []float64, err error) {
	plan := b.plan(c.run)
	if plan.logger != silent {
		x, y = p.ofRecord(b.records[c.run][0], c.of)
		return x, y, nil
	}
	// Between two instants at which something changes the course is smooth, or a ripple: so many points of it make a curve.
	points := int64(60)
	if slices.ContainsFunc(plan.setup.Plan, func(s model.Step) bool { return s.Load.Ripple > 0 }) {
		points = 600
	}
	charge, energy := 0.0, 0.0
	_, err = rehearsal.Play(&plan.setup, rehearsal.Options{Visit: func(s *model.Span) {
		from, to := max(s.T0, p.from), min(s.T1, p.end())
		step := max((to-from)/points, 1)
		for t := from; t <= to && s.T1 > s.T0; t = min(t+step, to) {
			var value float64
			switch c.of {
			case "current":
				value = s.Current(t)
			case "voltage":
				value = s.Voltage(t)
			case "charge":
				value = charge + s.Charge(s.T0, t)
			case "energy":
				value = energy + s.Energy(s.T0, t)
			case "temperature":
				value = s.Temperature(t)
			}
			at := float64(t) * 1e-9
			if p.over == overCharge {
				at = math.Abs(charge + s.Charge(s.T0, t))
			}
			x, y = append(x, at), append(y, value)
			if t == to {
				break
			}
		}
		charge += s.Charge(s.T0, s.T1)
		energy += s.Energy(s.T0, s.T1)
	}})
	return x, y, err
}

// ofRecord is the truth at the readings of a run, in SI: where a logger switches, only the record knows when.
func (p *panelPlan) ofRecord(rec *emulator.Record, of string) (x, y []float64) {
	rd := &rec.Readings
	for k, t := range rd.T {
		if t < p.from || t > p.end() {
			continue
		}
		at := float64(t) * 1e-9
		if p.over == overCharge {
			at = math.Abs(rd.Charge[k])
		}
		x = append(x, at)
		switch of {
		case "current":
			y = append(y, rd.MeanI[k])
		case "voltage":
			y = append(y, rd.MeanV[k])
		case "charge":
			y = append(y, rd.Charge[k])
		case "energy":
			y = append(y, rd.Energy[k])
		}
	}
	return x, y
}

// thin keeps of each stretch of a curve its first, last, lowest and highest point.
func thin(x, y []float64) ([]float64, []float64) {
	if len(x) <= 4*buckets {
		return x, y
	}
	low, high := slices.Min(x), slices.Max(x)
	bucket := func(v float64) int { return min(int((v-low)/(high-low)*buckets), buckets-1) }
	var outX, outY []float64
	for from := 0; from < len(x); {
		to := from + 1
		for to < len(x) && bucket(x[to]) == bucket(x[from]) {
			to++
		}
		lowest, highest := from, from
		for k := from; k < to; k++ {
			if y[k] < y[lowest] {
				lowest = k
			}
			if y[k] > y[highest] {
				highest = k
			}
		}
		keep := []int{from, min(lowest, highest), max(lowest, highest), to - 1}
		for _, k := range slices.Compact(keep) {
			outX, outY = append(outX, x[k]), append(outY, y[k])
		}
		from = to
	}
	return outX, outY
}
