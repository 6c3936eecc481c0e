package scenarios

import (
	"fmt"
	"slices"
	"strconv"
	"strings"

	"stuntcell/emulator/link"
	"stuntcell/model/quantity"
)

// MaxReadings bounds a run: a scenario that would need more is refused rather than run until the memory is gone.
const MaxReadings = 10_000_000

// Parse reads a scenario file. file is only a name for messages. The error is quantity.Diagnostics, all that is wrong in order
// of place.
//
// The keys, those in brackets optional:
//
//	scenario  its name: small letters, digits, hyphens
//	summary   one line
//	plan      a list of steps, see below
//	[purpose] why it exists, and what a careless judge would get wrong
//	[pack]    a name on board, or a file that ends in .yaml; default: the project's, else agm-12v-7ah
//	[start]   {charge: 40 %, ambient: 10 degC, cells: 20 degC, isothermal: true}, default full, rested, at the pack's reference
//	          temperature; odd: a list of cells that differ, {cell: 2, string: 1, capacity: 70 %, resistance: 2 x, charge: -5 %, short: 5 ohm}
//	[store]   {capacity: 90 Wh, level: 0 Wh, in: 90 %, out: 90 %, own: 1 W, grain: 0.1 A} for steps with store: true; energies may be shares
//	          of the pack's rated energy
//	[rig]     a name, or a mapping of what differs from the default or from `name`; default: the project's, else shop-50a
//	[settings] {log: 10 s, cutoff_hold: 5 s, zone: 60 min or Europe/Berlin}
//	[faults]  a list of {at: INSTANT, fault: KIND, ...}
//	[wire]    what the line of an emulated device does, each with its share of the bytes or of the answers: {flip: 0.1 %, delay: 1 %, seed: 3};
//	          or a trace of what a line did: {trace: FILE}
//	[seed]    of noise and jitter, default 1
//	[varies]  greeting keys that the scenario exists to vary: a logger that has one built in skips it
//	[shows]   causes that it exists to show
//	[expect]  limits: {charge: 0.2 %, energy: 0.3 %, elapsed:, interval:, cutoff:, clock: 1 s, total: 1 %, pulses: true, standard:}
//	          or the name of a standard
//
// A step is one of
//
//	{rest: 5 min}
//	{charge: 0.1 C, to: absorb, ends: {current: taper}}
//	{charge: usual, to: full, float: 2 h}    by the rules of the chemistry, which also end it, at half of the current that the pack allows or at a
//	                                         level of one's own; float where the chemistry has one
//	{discharge: 0.2 C, ends: {voltage: end, for: 5 s}}
//	{steps: [...], repeat: 3}
//
// each with repeat. The level is a rate (0.2 C), a current (1.4 A), the word rated (capacity over rated hours) or, for a discharge,
// a power or a resistance; as: power or as: resistance beside a rate makes one of it, at the pack's nominal voltage. The level
// `table` takes rows of [time, current] from the key table, or from a CSV file that it names. The shape may be changed by
//
//	pulse:    {every: 7 s, on: 2 s, low: 10 %, phase: 0 s}     switched
//	ripple:   {rate: 100 Hz, share: 20 %}                      a sine on top
//	inverter: {rated: 100 W, idle: 2 W, efficiency: [[10 %, 80 %], [100 %, 90 %]], lockout: end, restart: 5 %, standby: 1 W}
//	store:    true                                             the energy goes to the store, or comes from it
//
// ends holds what ends the step; the first that happens does:
//
//	time, temperature
//	charge    7 Ah, or a share of the rated capacity
//	voltage   a word of the pack (end, floor; absorb, float), with for: so long
//	current   of a charge: taper, or a rate
//	slope     of a charge: falling, or volts that the voltage falls from its peak
//	logger    hands the end over: on a discharge a level, with floor: floor and margin: so much above the level; on a charge
//	          taper. hold: how long it must be off, default 60 s
//
// A charge without backstops gets 1.3 times the rated capacity, and the time that the wanted current takes for it and 12 h.
//
// An INSTANT is a time since the plan began, {step: 2, share: 40 %, plus: 10 s} or {stop: 2 min}, counted from where the
// logger's stop is due.
func Parse(file string, data []byte, env Env) (*Scenario, error) {
	doc := quantity.Read(file, data)
	m := doc.Root()
	s := &Scenario{File: file, Source: append([]byte(nil), data...)}
	s.Name = readName(m.Get("scenario"))
	s.Summary = readLine(m.Get("summary"))
	s.Purpose = strings.TrimSpace(m.TextOr("purpose", ""))
	s.Setup.Varies = m.Words("varies", link.Keys()...)
	s.Shows = readShows(m)
	if f, ok := m.Find("expect"); ok {
		s.Expect = readExpect(f)
	}
	s.Expect = s.Expect.or(env.Limits)
	if f, ok := m.Find("wire"); ok {
		s.Wire = readWire(f, env.Open)
	}
	s.read(doc, m, env)
	if err := doc.Err(); err != nil {
		return nil, err
	}
	return s, nil
}

// within reads what is to be run from a mapping of another kind of file: the keys pack, start, store, plan, rig, settings, faults and
// seed mean what they do in a scenario, and the plan is examined in the same way. Every key of m must be one of these or have been asked
// for already. What is wrong is recorded in doc, whose mapping m is; the scenario is complete only if doc has no error afterwards.
func within(doc *quantity.Document, m *quantity.Map, env Env) *Scenario {
	s := &Scenario{}
	s.read(doc, m, env)
	return s
}

// read reads the setup, which must be the last to be read of m, and examines its plan if nothing is wrong so far.
func (s *Scenario) read(doc *quantity.Document, m *quantity.Map, env Env) {
	s.Setup.Seed = uint64(m.IntOr("seed", 0, 1<<62, 1))
	s.Setup.Pack, s.PackNamed = readPack(m, env)
	s.Setup.Rig, s.RigNamed = readRig(m, env)
	if s.Setup.Pack == nil { // what is wrong with the pack has been said
		return
	}
	s.Setup.Options = readStart(m, s.Setup.Pack)
	s.Setup.Options.Seed = s.Setup.Seed
	if t := env.Instead.Ambient; t != 0 {
		s.Setup.Options.Ambient = t
	}
	s.Setup.Settings = readSettings(m, s.Setup.Rig.Clock.Start)
	plan := planReader{pack: s.Setup.Pack, absolute: s.PackNamed, start: s.Setup.Options, rate: env.Instead.Rate, open: env.Open}
	plan.list(m.Get("plan"), 0)
	faults := readFaults(m, s.Setup.Pack)
	m.Done()
	if doc.Err() != nil {
		return
	}
	for _, p := range plan.steps {
		s.Setup.Plan = append(s.Setup.Plan, p.step)
	}
	examine(&s.Setup, plan.steps, faults, m)
}

// readName reads the name of a scenario, which is also a file name and a word on command lines.
func readName(f quantity.Field) string {
	name := f.Text()
	if f.Present() && !quantity.IsName(name) {
		f.Fail(fmt.Sprintf("%s is no name for a scenario", quote(name)), "small letters, digits and hyphens, beginning with a letter, at most 64", "")
	}
	return name
}

// readShows reads the names of causes. There are too many to list in a message.
func readShows(m *quantity.Map) []string {
	f, ok := m.Find("shows")
	if !ok {
		return nil
	}
	items := []quantity.Field{f}
	if !f.IsText() {
		items = f.List()
	}
	var out []string
	for _, item := range items {
		name := item.Text()
		if item.IsText() && !slices.Contains(Causes(), name) {
			hint := ""
			if near := quantity.Nearest(name, Causes()); near != "" {
				hint = near + "?"
			}
			item.Fail(fmt.Sprintf("unknown cause %s", quote(name)), "the name of a cause; stuntcell list causes shows them all", hint)
		}
		out = append(out, name)
	}
	return out
}

// readLine reads a text of one line.
func readLine(f quantity.Field) string {
	s := f.Text()
	if f.Present() && (strings.TrimSpace(s) == "" || strings.ContainsAny(s, "\n\r") || len(s) > 200) {
		f.Fail(f.Name()+" is no single line", "one line of at most 200 bytes", "")
	}
	return s
}

// quote prints a text of the file so that it can stand in a message.
func quote(s string) string {
	if len(s) > 40 {
		s = s[:37] + "..."
	}
	return strconv.Quote(s)
}

func join(words []string) string { return strings.Join(words, ", ") }
