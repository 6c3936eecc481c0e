package rehearsal

import (
	"fmt"
	"math"

	"stuntcell/emulator"
	"stuntcell/model"
)

const (
	kelvin = 273.15
	hours  = 3600.0
)

// seconds converts an instant or a duration in ns.
func seconds(ns int64) float64 { return float64(ns) * 1e-9 }

// Rehearse runs the plan of a setup and says what it would do. Name and summary are the scenario's.
func Rehearse(name, summary string, s *emulator.Setup) (*Rehearsal, error) {
	return RehearseSeen(name, summary, s, func(*model.Span) {})
}

// RehearseSeen is Rehearse for someone who wants to see the spans of the course as well: it is played once only.
func RehearseSeen(name, summary string, s *emulator.Setup, see func(*model.Span)) (*Rehearsal, error) {
	w := newWatch(s)
	var drawn curves
	course, err := Play(s, Options{Visit: func(span *model.Span) { w.see(span); drawn.see(span); see(span) }})
	if err != nil {
		return nil, err
	}
	count := s.Rig.Front.ShuntStep / s.Rig.Shunt.Nominal
	r := &Rehearsal{
		Schema: Schema, Notice: Simulated, Scenario: name, Summary: summary, Deferral: model.Deference(), family: s.Pack.Family, curves: drawn,
		Pack: Pack{s.Pack.Name, s.Pack.Chemistry, s.Pack.Series, s.Pack.Rated.Charge / hours, s.Pack.Nominal()},
		Rig:  Rig{s.Rig.Name, count, count * float64(s.Rig.Front.ShuntMax)},
	}
	for i, e := range course.Steps {
		step := describe(i, s, e, w.maxI[i])
		if err := correct(&step, s, course.Steps, i); err != nil {
			return nil, err
		}
		r.Steps = append(r.Steps, step)
		r.Total.add(&r.Steps[i], e)
	}
	r.Total.Seconds = seconds(course.End)
	if a := course.Store; s.Options.Store != nil {
		r.Store = &Store{a.Start / hours, a.Taken / hours, a.Given / hours, a.Lost / hours, a.Level / hours}
	}
	r.Log = logOf(s, course)
	r.Counters = counters(s, course, &r.Total)
	r.Limits = w.crossings(course)
	r.Wiring = WiringFor(r.Total.MaxI)
	if r.Failures, err = failures(s, course); err != nil {
		return nil, err
	}
	r.Doubts = s.Pack.Doubts(s.Plan, course.Steps)
	r.Cautions = r.cautions(s)
	return r, nil
}

// describe turns an executed step into what is printed of it.
func describe(i int, s *emulator.Setup, e model.StepEnd, maxI float64) Step {
	plan := s.Plan[e.Plan]
	return Step{
		Number: i + 1, Kind: plan.Kind.String(), What: what(plan), Begin: seconds(e.Begin), End: seconds(e.End),
		Charge: e.Charge / hours, Energy: e.Energy / hours, MinV: e.MinV, MaxV: e.MaxV, EndV: e.EndV, EndI: e.EndI,
		MaxI: maxI, Counts: maxI * s.Rig.Shunt.Nominal / s.Rig.Front.ShuntStep, Warmest: e.MaxTemperature - kelvin,
		Why: string(e.Why), Because: because(plan, e, s.Settings.ChargeTaper) + opened(e), level: levelOf(plan),
	}
}

// what words the load of a step.
func what(p model.Step) string {
	l := p.Load
	if p.Kind == model.Rest {
		return "rest"
	}
	level := engineering(l.Current, "A")
	switch {
	case len(l.Table) > 0:
		level = fmt.Sprintf("%d currents", len(l.Table))
	case l.Power > 0:
		level = engineering(l.Power, "W")
	case l.Resistance > 0:
		level = engineering(l.Resistance, "ohm")
	}
	s := p.Kind.String() + " " + level
	if l.Period > 0 {
		s += ", pulsed"
	}
	if p.Kind == model.Charge {
		s += fmt.Sprintf(" to %.4g V", p.Voltage)
	}
	return s
}

// because words why a step ended; taper is the current at which a logger was to end a charge [A].
func because(p model.Step, e model.StepEnd, taper float64) string {
	switch e.Why {
	case model.ByTime:
		return "ended by time, at " + volts(e.EndV)
	case model.ByCharge:
		return fmt.Sprintf("ended by charge, %.4g Ah moved, at %s", math.Abs(e.Charge)/hours, volts(e.EndV))
	case model.ByVoltage:
		return "ended by voltage, at " + volts(e.EndV)
	case model.ByFloor:
		return "ended by the bench's own floor of " + volts(p.Ends.Floor) + ": the logger has failed"
	case model.ByTaper:
		return "ended by current, tapered to " + engineering(math.Abs(e.EndI), "A")
	case model.ByTemperature:
		return fmt.Sprintf("ended by temperature, %.1f degC", e.MaxTemperature-kelvin)
	case model.BySlope:
		return "ended by the voltage falling from its peak"
	case model.ByLogger:
		if p.Kind == model.Charge {
			return "ended by the logger when the current had tapered to " + engineering(taper, "A")
		}
		return fmt.Sprintf("ended by the logger at %s, lowest %s, then off for %s", volts(p.Ends.Logger), volts(e.MinV), clock(seconds(p.Ends.Hold)))
	case model.ByEmpty:
		return "ended because the pack had nothing left to give"
	case model.ByPower:
		return "ended because more power was asked than the pack can give"
	case model.ByProtection:
		return "ended by the pack's protection board"
	case model.ByStore:
		return "ended by the store, which was full or had nothing left"
	}
	return "ended: " + string(e.Why)
}

// opened says on which cell a protection board opened in a step: the terminals are dead then.
func opened(e model.StepEnd) string {
	if e.MinV > 0 || e.Cell == 0 {
		return ""
	}
	return fmt.Sprintf("; the protection board opened on cell %d of string %d", e.Cell, e.String)
}

func volts(v float64) string { return fmt.Sprintf("%.3f V", v) }

// add sums a step up.
func (t *Total) add(s *Step, e model.StepEnd) {
	// A step moves charge one way, but for a draw that is not its own.
	out := (e.Throughput - e.Charge) / 2 / hours
	in := (e.Throughput + e.Charge) / 2 / hours
	t.Out, t.In = t.Out+out, t.In+in
	if s.Energy < 0 {
		t.EnergyOut -= s.Energy
	} else {
		t.EnergyIn += s.Energy
	}
	if t.MinV == 0 || s.MinV < t.MinV {
		t.MinV = s.MinV
	}
	t.MaxV, t.MaxI, t.Warmest = math.Max(t.MaxV, s.MaxV), math.Max(t.MaxI, s.MaxI), math.Max(t.Warmest, s.Warmest)
}

// logOf counts readings and rows; a changed log interval counts from its instant on.
func logOf(s *emulator.Setup, c *Course) Log {
	l := Log{Readings: c.End/s.Rig.Readings.Interval() + 1, Every: seconds(s.Settings.Log)}
	every, from := s.Settings.Log, int64(0)
	for _, f := range s.Faults {
		if f.Kind == emulator.FaultSetting && f.Key == "log_ms" && f.Value > 0 && f.At <= c.End {
			l.Rows += (f.At - from) / max(every, s.Rig.Readings.Interval())
			every, from = f.Value*1e6, f.At
		}
	}
	l.Rows += (c.End-from)/max(every, s.Rig.Readings.Interval()) + 1
	l.Bytes = l.Rows * bytesPerRow
	return l
}

// cautions gathers what belongs to the chemistry and to the numbers of this test.
func (r *Rehearsal) cautions(s *emulator.Setup) []string {
	n := facts{maxAmps: r.Total.MaxI, hours: r.Total.Seconds / hours, grounded: s.Rig.Shunt.Low, ambient: s.Options.Ambient}
	if rated := s.Rig.Shunt.RatedAmps; rated > 0 {
		n.shunt = r.Total.MaxI / rated
	}
	if n.ambient == 0 {
		n.ambient = s.Pack.Cell.Reference
	}
	for _, p := range s.Plan {
		n.charges = n.charges || p.Kind == model.Charge
	}
	return append(byNumber(s.Pack.Family, n), s.Pack.Cautions()...)
}

// failures says what goes on running when the one thing that ends a step fails.
func failures(s *emulator.Setup, c *Course) ([]Failure, error) {
	var out []Failure
	seen := map[string]bool{} // plans repeat their loads: one line for each is enough
	for i, e := range c.Steps {
		p := s.Plan[e.Plan]
		n := i + 1
		switch {
		case p.Kind == model.Rest:
		case p.Kind == model.Charge:
			if load := what(p); !seen[load] {
				seen[load] = true
				goesOn := "holds " + volts(p.Voltage)
				if s.Pack.Family == model.Nickel {
					// Its voltage does not rise to the charger's: nothing makes the current less.
					goesOn = fmt.Sprintf("goes on with %s into cells that are full and grow hot", engineering(p.Load.Most(s.Pack.Nominal()), "A"))
				}
				out = append(out, Failure{n, "what ends the charge fails", fmt.Sprintf(
					"the charger %s for as long as it has power. Here %s or %.4g Ah stop it as well: a real rig needs a timer of its own.",
					goesOn, clock(seconds(p.Ends.Time)), p.Ends.Charge/hours)})
			}
		case p.Ends.Logger > 0:
			f, err := unstopped(n, s, c)
			if err != nil {
				return nil, err
			}
			out = append(out, f)
		default:
			if load := what(p); !seen[load] {
				seen[load] = true
				out = append(out, Failure{n, "the load does not open", fmt.Sprintf(
					"%s goes on until the pack is empty; about %s are left in it then.", load, left(s, c, i))})
			}
		}
	}
	return out, nil
}

// unstopped plays the plan with a logger that never acts.
func unstopped(n int, s *emulator.Setup, c *Course) (Failure, error) {
	never, err := Play(s, Options{Never: true})
	if err != nil {
		return Failure{}, err
	}
	e := never.Steps[n-1]
	then := "nothing on the bench but its floor stops it, and a real rig has no such floor"
	if e.Why == model.ByFloor && c.StopDue >= 0 {
		then = fmt.Sprintf("%s after the stop was due the pack is at %s, which the bench calls its floor. A real rig has no such floor.",
			clock(seconds(e.End-c.StopDue)), volts(e.EndV))
	}
	return Failure{n, "the logger hangs, its voltage reading freezes or its relay welds", then}, nil
}

// left words how much of the rated charge the pack still holds after a step.
func left(s *emulator.Setup, c *Course, step int) string {
	q := s.Pack.Rated.Charge * s.Pack.Health
	if s.Options.Start > 0 || s.Options.Empty {
		q *= s.Options.Start
	}
	for i := 0; i <= step; i++ {
		q += c.Steps[i].Charge
	}
	return fmt.Sprintf("%.3g Ah", math.Max(0, q)/hours)
}
