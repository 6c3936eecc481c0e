package rehearsal

import (
	"math"
	"sort"

	"stuntcell/emulator"
	"stuntcell/model"
)

// watch sees every span of a course and compares it with what the parts stand.
type watch struct {
	setup  *emulator.Setup
	limits []limit
	found  map[int]*Crossing
	maxI   map[int]float64 // by executed step
}

// limit is one bound of one part.
type limit struct {
	part, what, unit, note string
	bound                  float64
	// value is what is compared, of a current and a voltage of the pack.
	value func(i, v float64) float64
}

func newWatch(s *emulator.Setup) *watch {
	return &watch{setup: s, limits: limitsOf(s), found: map[int]*Crossing{}, maxI: map[int]float64{}}
}

// limitsOf lists the bounds of a rig and a pack.
func limitsOf(s *emulator.Setup) []limit {
	r, f := s.Rig.Shunt, s.Rig.Front
	amps := func(i, _ float64) float64 { return math.Abs(i) }
	bus := func(i, v float64) float64 {
		v += i * s.Rig.Wiring.Lead
		if s.Rig.Wiring.BusBehindShunt {
			v += i * r.Nominal
		}
		return v
	}
	out := []limit{
		{"front end", "current beyond its last count", "A", "Readings stand still there and the charge above it is not counted.",
			f.ShuntStep * float64(f.ShuntMax) / r.Nominal, amps},
		{"front end", "voltage beyond its last count", "V", "Readings stand still there.", f.BusStep * float64(f.BusMax), bus},
		{"leads", "drop between pack and voltage tap, as a share of the voltage", "1", "Energy is wrong by as much while this current flows.", 0.001,
			func(i, v float64) float64 { return share(v-bus(i, v), v) }},
	}
	if r.RatedAmps > 0 {
		out = append(out, limit{"shunt", "current above two thirds of its rating", "A", "It warms, drifts and is hot to touch. " + PracticeStatus + ".",
			shuntShare * r.RatedAmps, amps}, limit{"shunt", "current above its rating", "A", "It may be damaged for good.", r.RatedAmps, amps})
	}
	out = append(out, limit{"shunt", "burden, its own drop as a share of the voltage", "1", "The load sees less than the pack gives.", 0.01,
		func(i, v float64) float64 { return share(i*r.Nominal, v) }})
	if f.Damage > 0 {
		out = append(out, limit{"front end", "voltage that damages it", "V", "Do not connect it.", f.Damage, bus})
	}
	l := s.Pack.Limits
	if l.Fuse > 0 {
		out = append(out, limit{"fuse", "current above the pack's fuse", "A", "It opens, under load.", l.Fuse, amps})
	}
	return append(out,
		limit{"relay", "direct voltage at which a contact may not break the arc", "V", "Alternating ratings say nothing here. " + PracticeStatus + ".", arcVolts,
			func(_, v float64) float64 { return v }},
		limit{"people", "direct voltage that is dangerous to touch", "V", "Covered terminals, a licensed person.", touchVolts, func(_, v float64) float64 { return v }})
}

// share is |a| over v; nothing where there is no voltage.
func share(a, v float64) float64 {
	if v <= 0 {
		return 0
	}
	return math.Abs(a) / v
}

// see compares a span. Current and voltage are looked at near both of its ends: within a span they run from one to the other.
func (w *watch) see(s *model.Span) {
	if s.T1 <= s.T0 || s.Step < 0 {
		return
	}
	ends := [2][2]float64{{s.Current(s.T0), s.Voltage(s.T0)}, {s.Current(s.T1), s.Voltage(s.T1)}}
	for _, e := range ends {
		w.maxI[s.Step] = math.Max(w.maxI[s.Step], math.Abs(e[0]))
	}
	for n, l := range w.limits {
		worst := math.Max(l.value(ends[0][0], ends[0][1]), l.value(ends[1][0], ends[1][1]))
		if worst <= l.bound {
			continue
		}
		c := w.found[n]
		if c == nil {
			c = &Crossing{Part: l.part, What: l.what, Limit: l.bound, Unit: l.unit, Since: seconds(s.T0), Note: l.note}
			w.found[n] = c
		}
		c.Value = math.Max(c.Value, worst)
		c.For += seconds(s.T1 - s.T0)
	}
}

// crossings lists what was crossed in the order of the limits, with what only the whole course shows.
func (w *watch) crossings(c *Course) []Crossing {
	keys := make([]int, 0, len(w.found))
	for n := range w.found {
		keys = append(keys, n)
	}
	sort.Ints(keys)
	var out []Crossing
	for _, n := range keys {
		out = append(out, *w.found[n])
	}
	count := w.setup.Rig.Front.ShuntStep / w.setup.Rig.Shunt.Nominal
	for i, e := range c.Steps {
		if amps := w.maxI[i]; w.setup.Plan[e.Plan].Kind != model.Rest && amps > 0 && count/amps > coarse {
			out = append(out, Crossing{Part: "shunt", What: "one count as a share of this step's current", Limit: coarse, Value: count / amps, Unit: "1",
				Since: seconds(e.Begin), For: seconds(e.End - e.Begin), Note: "A smaller test current than this shunt is for; one of more ohms suits it."})
		}
	}
	return out
}

// coarse is the share of a current that one count may be.
const coarse = 0.01
