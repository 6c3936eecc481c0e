package page

import (
	"strconv"

	"stuntcell/emulator"
	"stuntcell/emulator/rig"
	"stuntcell/model"
	"stuntcell/scenarios/picture"
)

// reader takes the readings of a course while it is played: what the logger would be shown, and the charge that a healthy one would
// count from it, by the trapezoid over readings at their nominal distance. It has no faults: those need a logger.
type reader struct {
	setup  *emulator.Setup
	sensor *rig.Sensor
	every  int64        // between readings [ns]
	next   int64        // instant of the next reading
	most   int64        // readings that are taken; 0: all
	spans  []model.Span // the newest, as far back as a reading's window goes
	// ripples says that a load of the plan may swing faster than conversions follow one another.
	ripples bool
	// What was read, for a picture, and the last reading.
	volts, amps, counted picture.Envelope // [V], [A], [Ah]
	v, i                 float64
	any                  bool
	charge               float64 // counted so far [A·s]
}

func newReader(s *emulator.Setup) *reader {
	ambient := s.Options.Ambient
	if ambient == 0 {
		ambient = s.Pack.Cell.Reference
	}
	every := s.Rig.Readings.Interval()
	r := &reader{setup: s, sensor: rig.NewSensor(s.Rig, ambient, s.Seed), every: every, next: every}
	for _, step := range s.Plan {
		r.ripples = r.ripples || step.Load.RippleHz != 0 && step.Load.Ripple != 0
	}
	return r
}

// see takes a span of the course.
func (r *reader) see(s *model.Span) {
	r.enter(s)
	r.until(s.T1)
}

// enter begins with a span.
func (r *reader) enter(s *model.Span) {
	from := s.T0 - r.setup.Rig.Front.Window()
	keep := 0
	for keep < len(r.spans) && r.spans[keep].T1 <= from {
		keep++
	}
	r.spans = append(append(r.spans[:0], r.spans[keep:]...), *s)
}

// until takes the readings that are due, up to an instant of the span.
func (r *reader) until(t int64) {
	for ; r.next <= t && (r.most == 0 || r.next/r.every <= r.most); r.next += r.every {
		r.take(r.next)
	}
}

// take takes the reading at an instant.
func (r *reader) take(t int64) {
	f, nominal := &r.setup.Rig.Front, r.setup.Rig.Shunt.Nominal
	shunt, bus := r.sensor.Counts(r.sample(t))
	i := float64(shunt) * f.ShuntStep / nominal
	if r.any {
		r.charge += (r.i + i) / 2 * float64(r.every) * 1e-9
	}
	r.v, r.i, r.any = float64(bus)*f.BusStep, i, true
	x := float64(t) * 1e-9
	r.volts.Add(x, r.v)
	r.amps.Add(x, r.i)
	r.counted.Add(x, r.charge/3600)
}

// sample is the mean of the conversions of the reading at an instant [V]. Where nothing switches or ripples within the window, the middle one stands for
// all of them.
func (r *reader) sample(t int64) (shunt, bus float64) {
	f := &r.setup.Rig.Front
	middle := t - int64(max(f.Conversions, 1)-1)*f.Spacing/2
	if newest := &r.spans[len(r.spans)-1]; !r.ripples && t-f.Window() >= newest.T0 {
		return r.sensor.Volts(newest.Current(middle), newest.Voltage(middle), middle)
	}
	return r.sensor.Sample(r, t)
}

// Current implements [rig.Waveform]; an instant on an edge belongs to what was before.
func (r *reader) Current(t int64) float64 { return r.at(t).Current(t) }

// Voltage implements [rig.Waveform].
func (r *reader) Voltage(t int64) float64 { return r.at(t).Voltage(t) }

func (r *reader) at(t int64) *model.Span {
	for k := len(r.spans) - 1; k > 0; k-- {
		if t > r.spans[k].T0 {
			return &r.spans[k]
		}
	}
	return &r.spans[0]
}

// tabulator writes truth and readings of a course at equal steps of time.
type tabulator struct {
	*reader
	end  int64 // of the course [ns]
	k    int   // the next row
	sum  float64
	rows [][]string
}

func (t *tabulator) see(s *model.Span) {
	number := func(x float64) string { return strconv.FormatFloat(x, 'g', 7, 64) }
	t.enter(s)
	for ; t.k <= curveRows; t.k++ {
		at := int64(float64(t.end) / curveRows * float64(t.k))
		if at > s.T1 {
			break
		}
		t.until(at)
		row := []string{number(float64(at) * 1e-9), number(s.Voltage(at)), number(s.Current(at)), number((t.sum + s.Charge(s.T0, at)) / 3600),
			number(s.Temperature(at) - 273.15), "", "", ""}
		if t.any {
			row[5], row[6], row[7] = number(t.v), number(t.i), number(t.charge/3600)
		}
		t.rows = append(t.rows, row)
	}
	t.until(s.T1)
	t.sum += s.Charge(s.T0, s.T1)
}
