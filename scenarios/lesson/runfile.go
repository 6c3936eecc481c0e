package lesson

import (
	"fmt"
	"math"
	"slices"

	"stuntcell/emulator"
	"stuntcell/emulator/rig"
	"stuntcell/model"
	"stuntcell/model/quantity"
)

func (p *parser) runs(f quantity.Field) []runPlan {
	m, names := p.names(f, maxRuns)
	var out []runPlan
	total := 0.0
	defer func() { p.l.readings = max(p.l.readings, total) }()
	for _, name := range names {
		field, _ := m.Find(name)
		r := p.run(field)
		r.name = name
		if p.doc.Err() == nil {
			n := p.length(field, &r)
			if total += n; total > maxReadings {
				field.Fail(fmt.Sprintf("the runs take %.0f readings up to here", total), fmt.Sprintf("at most %d in all", maxReadings), "readings further apart, or a shorter plan")
			}
		}
		out = append(out, r)
	}
	return out
}

// run reads one run.
func (p *parser) run(f quantity.Field) runPlan {
	m := f.Map()
	out := runPlan{logger: silent}
	loggerField, hasLogger := m.Find("logger")
	if hasLogger {
		out.logger = loggerKind(loggerField.Word(loggerKinds...))
	}
	out.rigs = int(m.IntOr("rigs", 2, MostRigs, 0))
	if name, ok := m.Find("scenario"); ok {
		word := name.Word(p.from.Names...)
		m.Done()
		if p.doc.Err() != nil || word == "" {
			return out
		}
		var err error
		if out.setup, err = p.from.ByName(word); err != nil {
			name.FailWith(err)
			return out
		}
	} else {
		out.setup = p.from.Within(p.doc, m)
	}
	if p.doc.Err() != nil {
		return out
	}
	s := &out.setup
	if (s.Settings.Cutoff != 0) != (out.logger != silent) {
		f.Fail("a logger that switches goes with a discharge that the logger ends, and the other way round", "both or neither",
			"logger: latching beside the plan, ends: {logger: end, floor: floor} in it")
	}
	if s.Settings.ChargeEnd != 0 {
		f.Fail("a charge that the logger ends", "a charge with an end of its own", "current: taper")
	}
	for _, fault := range s.Faults {
		if fault.Kind == emulator.FaultPowerCut {
			f.Fail("a power cut in a lesson", "a run that goes through", "a meter does not outlive a power cut")
		}
	}
	if out.rigs == 0 {
		return out
	}
	if s.Rig.Tolerance == (rig.Tolerance{}) {
		f.Fail("rigs are drawn, but the rig has no tolerance to draw from", "rig: {tolerance: {shunt: 0.5 %}}", "")
	} else if name := undrawn(s.Rig.Tolerance); name != "" {
		f.Fail("the tolerance "+name+" is not drawn in lessons", "shunt, shunt_gain, shunt_offset, thermal, bus_gain, bus_offset, tick", "")
	}
	return out
}

// length is how many readings a run takes, by its plan. Too long a plan has been refused when it was examined.
func (p *parser) length(f quantity.Field, r *runPlan) float64 {
	end := 0.0
	for _, s := range r.setup.Plan {
		end += longest(s, r.setup.Pack)
	}
	n := end*1e9/float64(r.setup.Rig.Readings.Interval()) + 1
	if r.rigs == 0 {
		return n
	}
	if n > maxDrawReadings {
		f.Fail(fmt.Sprintf("a run with drawn rigs of %.0f readings", n), fmt.Sprintf("at most %d", maxDrawReadings), "readings further apart")
	}
	return n * float64(r.rigs)
}

// chattering is what a discharge may take that a logger ends and does not: as the bench does, half a day and twice what the charge lasts [s].
func chattering(s model.Step, charge, amps float64) float64 {
	if s.Ends.Logger == 0 {
		return charge / amps
	}
	return 43200 + 2*charge/amps
}

// longest bounds the length of a step [s]: a lesson's steps end by time, or when their charge has flowed.
func longest(s model.Step, pack *model.Pack) float64 {
	out := math.Inf(1)
	if s.Ends.Time > 0 {
		out = float64(s.Ends.Time) * 1e-9
	}
	if amps := s.Load.Mean(pack.Nominal()); s.Kind == model.Discharge && amps > 0 {
		charge := pack.Cell.Capacity * float64(pack.Parallel)
		if s.Ends.Charge > 0 {
			charge = math.Min(charge, s.Ends.Charge)
		}
		out = math.Min(out, chattering(s, charge, amps))
	}
	return out
}

func (p *parser) meters(m *quantity.Map) {
	f, ok := m.Find("meters")
	if !ok {
		return
	}
	all, names := p.names(f, maxMeters)
	runs := p.runNames()
	for _, name := range names {
		field, _ := all.Find(name)
		k := field.Map()
		x := meter{name: name, rule: trapezoid, timing: counter}
		x.run = p.known(k.Get("run"), "run", runs)
		if f, ok := k.Find("rule"); ok {
			x.rule = rule(f.Word(rules...))
		}
		if f, ok := k.Find("time"); ok {
			x.timing = timing(f.Word(timings...))
			if i := slices.Index(runs, x.run); i >= 0 && x.timing == clock && p.l.runs[i].setup.Rig.Clock.Absent {
				f.Fail("the rig of this run has no clock", "another time", "")
			}
		}
		if f, ok := k.Find("sum"); ok {
			x.single = f.Word("double", "single") == "single"
		}
		x.every = int(k.IntOr("every", 1, 1e6, 1))
		x.step = int(k.IntOr("step", 1, 1000, 0))
		x.zero = int(k.IntOr("zero", 1, 1000, 0))
		k.Done()
		p.l.meters = append(p.l.meters, x)
	}
}

func (p *parser) runNames() []string {
	var names []string
	for _, r := range p.l.runs {
		names = append(names, r.name)
	}
	return names
}

func (p *parser) meterNames() []string {
	var names []string
	for _, m := range p.l.meters {
		names = append(names, m.name)
	}
	return names
}

// isMany says that a run is played with drawn rigs.
func (p *parser) isMany(run string) bool {
	return slices.ContainsFunc(p.l.runs, func(r runPlan) bool { return r.name == run && r.rigs > 0 })
}

func (p *parser) meterIsMany(name string) bool {
	return slices.ContainsFunc(p.l.meters, func(m meter) bool { return m.name == name && p.isMany(m.run) })
}
