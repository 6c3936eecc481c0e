package lesson

import (
	"math"
	"slices"

	"stuntcell/emulator"
	"stuntcell/model"
	"stuntcell/scenarios/picture"
	"stuntcell/scenarios/rehearsal"
)

// picturePlan is a lesson's picture that is still to be drawn: panels over one axis.
type picturePlan struct {
	over     string // time, charge or rigs
	unit     string // of the axis; time has its own
	from, to int64  // [ns]; to 0: to the end
	panels   []panelPlan
	marks    []picture.Mark
}

// panelPlan is one panel.
type panelPlan struct {
	label, unit string
	curves      []curvePlan
	levels      []picture.Level
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
	runCurves   = []string{"current", "voltage", "charge", "energy"}
	meterCurves = []string{"current", "voltage", "charge", "energy", "current-error", "voltage-error", "charge-error", "energy-error", "time-error"}
)

// buckets is how many places along the axis a curve keeps apart, at up to four points each.
const buckets = 240

// draw makes the picture of what was played. title stands above it.
func (p *picturePlan) draw(b *bench, title string) (*picture.Picture, error) {
	out := &picture.Picture{Title: title, Marks: p.marks}
	switch p.over {
	case overCharge:
		out.Axis = "charge that has flowed [" + p.unit + "]"
	case overRigs:
		out.Axis = "off by [" + p.unit + "]"
	}
	for i := range p.panels {
		panel := &p.panels[i]
		drawn := picture.Panel{Label: panel.label + " [" + panel.unit + "]", Levels: panel.levels}
		for k := range panel.curves {
			curve, err := p.curve(b, &panel.curves[k], unitSize(panel.unit))
			if err != nil {
				return nil, err
			}
			drawn.Curves = append(drawn.Curves, curve)
		}
		out.Panels = append(out.Panels, drawn)
	}
	return out, nil
}

// curve makes one curve, thinned so that it looks the same as all of its points would; unit is the SI value of one on its vertical axis.
func (p *picturePlan) curve(b *bench, c *curvePlan, unit float64) (picture.Curve, error) {
	var x, y []float64
	var err error
	switch {
	case c.figure != "":
		x, y = cumulative(b.values[c.figure])
	case c.meter != "":
		x, y = p.ofMeter(b.tally(c.meter)[0], c.of)
	default:
		x, y, err = p.ofRun(b, c)
	}
	out := picture.Curve{Name: c.name, Dots: c.dots}
	x, y = thin(x, y)
	size := 1.0 // of time, which the picture wants in seconds
	if p.over != overTime {
		size = unitSize(p.unit)
	}
	for k := range x {
		out.Points = append(out.Points, picture.Point{X: x[k] / size, Y: y[k] / unit})
	}
	return out, err
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

// end is the last instant that the picture shows.
func (p *picturePlan) end() int64 {
	if p.to == 0 {
		return math.MaxInt64
	}
	return p.to
}

// ofMeter is what a meter had at its readings, in SI.
func (p *picturePlan) ofMeter(t *tally, of string) (x, y []float64) {
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
		case "current-error":
			value = i - t.rec.Readings.MeanI[k]
		case "voltage-error":
			value = v - t.rec.Readings.MeanV[k]
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
func (p *picturePlan) ofRun(b *bench, c *curvePlan) (x, y []float64, err error) {
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
func (p *picturePlan) ofRecord(rec *emulator.Record, of string) (x, y []float64) {
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
