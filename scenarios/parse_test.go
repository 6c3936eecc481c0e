package scenarios

import (
	"fmt"
	"math"
	"os"
	"strconv"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"stuntcell/emulator"
	"stuntcell/emulator/wire"
	"stuntcell/model"
	"stuntcell/scenarios/rehearsal"
)

// parsed parses a scenario whose lines follow name and summary.
func parsed(t testing.TB, lines ...string) *Scenario {
	t.Helper()
	s, err := Parse("x.yaml", []byte("scenario: x\nsummary: A line.\n"+strings.Join(lines, "\n")+"\n"), Env{})
	if err != nil {
		t.Fatal(err)
	}
	return s
}

func near(t testing.TB, what string, got, want float64) {
	t.Helper()
	if math.Abs(got-want) > 1e-9*math.Max(1, math.Abs(want)) {
		t.Errorf("%s is %g, want %g", what, got, want)
	}
}

func TestLevelsAreThePacks(t *testing.T) {
	s := parsed(t, "plan:", "  - {discharge: 0.2 C, ends: {voltage: end, for: 5 s, time: 10 min}}", "  - {charge: 0.1 C, to: absorb, ends: {current: taper}}",
		"  - {discharge: 0.3 C, ends: {logger: end, margin: 5 %, floor: floor}}", "start: {charge: 60 %}", "settings: {cutoff_hold: 7 s}")
	p := s.Setup.Pack
	end := func(word string, amps float64) float64 {
		v, err := p.Level(word, amps)
		if err != nil {
			t.Fatal(err)
		}
		return v
	}
	near(t, "current of 0.2 C of 7 Ah", s.Setup.Plan[0].Load.Current, 1.4)
	near(t, "end", s.Setup.Plan[0].Ends.Voltage, end("end", 1.4))
	near(t, "for", float64(s.Setup.Plan[0].Ends.VoltageFor), 5e9)
	near(t, "absorb", s.Setup.Plan[1].Voltage, end("absorb", 0.7))
	near(t, "taper", s.Setup.Plan[1].Ends.Current, p.Taper())
	near(t, "level of the logger", s.Setup.Plan[2].Ends.Logger, 1.05*end("end", 2.1))
	near(t, "cutoff", s.Setup.Settings.Cutoff, 1.05*end("end", 2.1))
	near(t, "hold of the step", float64(s.Setup.Plan[2].Ends.Hold), 60e9)
	near(t, "hold of the cutoff", float64(s.Setup.Settings.CutoffHold), 7e9)
	near(t, "charge at the start", s.Setup.Options.Start, 0.6)
}

// The end voltage falls with rate (common practice): a pulsed load goes by its mean, a power by what it draws.
func TestLevelsGoByTheMeanCurrent(t *testing.T) {
	s := parsed(t, "plan:", "  - {discharge: 1 C, pulse: {every: 10 s, on: 1 s, low: 10 %}, ends: {voltage: end}}", "  - {discharge: 1 C, ends: {voltage: end}}",
		"  - {discharge: 0.5 C, as: power, ends: {voltage: end}}", "  - {discharge: 0.5 C, as: resistance, ends: {voltage: end}}")
	p := s.Setup.Pack
	for i, amps := range []float64{7 * 0.19, 7, 3.5, 3.5} {
		want, err := p.Level("end", amps)
		if err != nil {
			t.Fatal(err)
		}
		near(t, s.Setup.Plan[i].Kind.String(), s.Setup.Plan[i].Ends.Voltage, want)
	}
	near(t, "power", s.Setup.Plan[2].Load.Power, 3.5*p.Nominal())
	near(t, "resistance", s.Setup.Plan[3].Load.Resistance, p.Nominal()/3.5)
}

func TestChargeHasBackstops(t *testing.T) {
	s := parsed(t, "plan:", "  - {discharge: 0.2 C, ends: {time: 1 h}}", "  - {charge: 0.1 C, to: absorb}", "  - {charge: 0.1 C, to: absorb, ends: {time: 2 h, charge: 1 Ah}}")
	e := s.Setup.Plan[1].Ends
	near(t, "backstop of charge [A·s]", e.Charge, 1.3*7*3600)
	near(t, "backstop of time [h]", float64(e.Time)/3600e9, 13+12)
	e = s.Setup.Plan[2].Ends
	near(t, "own charge", e.Charge, 3600)
	near(t, "own time", float64(e.Time), 7200e9)
}

func TestRepeatsAndGroups(t *testing.T) {
	s := parsed(t, "plan:", "  - repeat: 3", "    steps:", "      - {rest: 1 min}", "      - {discharge: 0.1 C, ends: {time: 2 min}, repeat: 2}", "  - {rest: 5 min}")
	var kinds []string
	for _, p := range s.Setup.Plan {
		kinds = append(kinds, p.Kind.String()[:1])
	}
	if got := strings.Join(kinds, ""); got != "rddrddrddr" {
		t.Errorf("steps %s, want rddrddrddr", got)
	}
}

func TestInstantsOfFaults(t *testing.T) {
	s := parsed(t, "plan:", "  - {rest: 10 min}", "  - {discharge: 0.5 C, ends: {logger: end, floor: floor}}", "  - {rest: 10 min}", "faults:",
		"  - {at: {step: 2, share: 50 %, plus: 3 s}, fault: stall, for: 2 s}", "  - {at: {stop: 30 s}, fault: failed-read, for: 1 s}",
		"  - {at: 90 s, fault: setting, set: {log: 4 s, cutoff_hold: 1 s}}", "  - {at: 2 min, fault: clock-set, by: -1 h}")
	setup := s.Setup
	setup.Faults = nil
	c, err := rehearsal.Play(&setup, rehearsal.Options{})
	if err != nil {
		t.Fatal(err)
	}
	f := s.Setup.Faults
	if len(f) != 5 {
		t.Fatalf("%d faults, want 5: a setting of two keys is two", len(f))
	}
	near(t, "middle of step 2", float64(f[0].At), float64(c.Steps[1].Begin+(c.Steps[1].End-c.Steps[1].Begin)/2+3*second))
	near(t, "after the stop", float64(f[1].At), float64(c.StopDue+30*second))
	for i, want := range []struct {
		key   string
		value int64
	}{{"log_ms", 4000}, {"cutoff_hold_ms", 1000}} {
		if g := f[2+i]; g.Kind != emulator.FaultSetting || g.Key != want.key || g.Value != want.value || g.At != 90*second {
			t.Errorf("setting %+v, want %+v", g, want)
		}
	}
	if f[4].Value != -3600 {
		t.Errorf("the clock moves by %d s, want -3600", f[4].Value)
	}
}

// Berlin is an hour east of UTC in winter and two in summer (tz database).
func TestZoneAtTheClocksStart(t *testing.T) {
	for clock, want := range map[string]int64{"2026-01-15T00:00:00Z": 60, "2026-07-15T00:00:00Z": 120, "2026-10-25T00:59:59Z": 120, "2026-10-25T01:00:00Z": 60} {
		s := parsed(t, "plan: [{rest: 1 min}]", "settings: {zone: Europe/Berlin}", `rig: {clock: {start: "`+clock+`"}}`)
		if s.Setup.Settings.Zone != want || s.Setup.Settings.ZoneName != "Europe/Berlin" {
			t.Errorf("at %s the zone is %d min %s, want %d", clock, s.Setup.Settings.Zone, s.Setup.Settings.ZoneName, want)
		}
	}
	if s := parsed(t, "plan: [{rest: 1 min}]", "settings: {zone: -210 min}"); s.Setup.Settings.Zone != -210 {
		t.Errorf("zone %d, want -210", s.Setup.Settings.Zone)
	}
}

// Accuracy clauses of instrument_accuracy.csv: IEC 62660-2, 4.3 (identical national edition, 2014) and IEC 60896-2-1:2002, 3.1 (draft).
func TestStandards(t *testing.T) {
	for _, c := range []struct {
		name                   Standard
		voltage, current, time float64
	}{{IEC62660, 0.001, 0.01, 0.001}, {IEC60896, 0.005, 0.005, 0.001}} {
		a, ok := c.name.Accuracy()
		if !ok || a.Voltage != c.voltage || a.Current != c.current || a.Time != c.time {
			t.Errorf("%s: %+v, want %+v", c.name, a, c)
		}
		near(t, "charge", a.Charge(), c.current+c.time)
		near(t, "energy", a.Energy(), c.voltage+c.current+c.time)
		if s := parsed(t, "plan: [{rest: 1 min}]", "expect: "+string(c.name)); s.Expect.Standard != c.name {
			t.Errorf("expect: %s gives %q", c.name, s.Expect.Standard)
		}
	}
	if _, ok := NoStandard.Accuracy(); ok {
		t.Error("no standard has an accuracy")
	}
}

// A rate means the same on every pack: so many hours to move the rated charge.
func TestRatesScale(t *testing.T) {
	var packs []*model.Pack
	for _, name := range model.PackNames() {
		p, err := model.PackByName(name)
		if err != nil {
			t.Fatal(err)
		}
		packs = append(packs, p)
	}
	rapid.Check(t, func(t *rapid.T) {
		p := rapid.SampledFrom(packs).Draw(t, "pack")
		rate := rapid.IntRange(1, 400).Draw(t, "rate in thousandths of C")
		data := []byte("scenario: x\nsummary: A line.\nplan: [{discharge: " + strconv.FormatFloat(float64(rate)/1000, 'f', -1, 64) + " C, ends: {time: 1 min}}]\n")
		s, err := Parse("x.yaml", data, Env{Pack: p})
		if err != nil {
			t.Fatal(err)
		}
		if got, want := s.Setup.Plan[0].Load.Current*3600/p.Rated.Charge, float64(rate)/1000; math.Abs(got-want) > 1e-12 {
			t.Fatalf("%g C of %s is %g C", want, p.Name, got)
		}
	})
}

func TestLineOfADevice(t *testing.T) {
	s := parsed(t, "plan: [{rest: 1 min}]", "wire: {flip: 0.1 %, delay: 1 %, seed: 3}")
	if f := s.Wire; len(f.Rates) != 2 || f.Seed != 3 || f.Replay != nil {
		t.Errorf("%+v", f)
	}
	near(t, "flip", s.Wire.Rates[wire.Flip], 0.001)
	near(t, "delay", s.Wire.Rates[wire.Delay], 0.01)
	if s := parsed(t, "plan: [{rest: 1 min}]"); !s.Wire.None() {
		t.Errorf("without a word of it: %+v", s.Wire)
	}
	files := map[string]string{"done": "0/0 to 5 flip 3\n", "wrong": "0/0 to 5 flip 3\n0/0 to x flip 3\n"}
	for name, want := range map[string]string{"done": "", "wrong": "s.yaml:4:15: trace: wrong:2:8: ", "nowhere": "s.yaml:4:15: trace: file does not exist"} {
		text := "scenario: x\nsummary: A line.\nplan: [{rest: 1 min}]\nwire: {trace: " + name + "}\n"
		s, err := Parse("s.yaml", []byte(text), Env{Open: func(name string) ([]byte, error) {
			if text, ok := files[name]; ok {
				return []byte(text), nil
			}
			return nil, os.ErrNotExist
		}})
		switch {
		case want == "" && (err != nil || len(s.Wire.Replay) != 1 || s.Wire.Rates != nil):
			t.Errorf("%s: %v", name, err)
		case want != "" && (err == nil || !strings.HasPrefix(err.Error(), want)):
			t.Errorf("%s: %v, want %s", name, err, want)
		}
	}
}

// A charge to full follows the chemistry: its own steps, its own ends, a backstop on each.
func TestChargeToFull(t *testing.T) {
	const file = "scenario: top-up\nsummary: A charge.\nstart: {charge: 60 %%}\nplan:\n  - {charge: %s}\n"
	parse := func(pack, charge string) (*Scenario, error) {
		p, err := model.PackByName(pack)
		if err != nil {
			t.Fatal(err)
		}
		return Parse("top-up.yaml", fmt.Appendf(nil, file, charge), Env{Pack: p})
	}
	for _, x := range []struct {
		pack, charge string
		steps        int
		why          func(model.Ends) bool
	}{
		{"agm-12v-7ah", "usual, to: full, float: 2 h", 2, func(e model.Ends) bool { return e.Current > 0 }},
		{"agm-12v-7ah", "0.1 C, to: full", 1, func(e model.Ends) bool { return e.Current > 0 }},
		{"lfp-12v8-12ah", "usual, to: full", 1, func(e model.Ends) bool { return e.Current > 0 }},
		{"nimh-7v2-3ah", "usual, to: full", 1, func(e model.Ends) bool { return e.Slope > 0 && e.Temperature > 0 && e.Current == 0 }},
	} {
		s, err := parse(x.pack, x.charge)
		if err != nil {
			t.Errorf("%s, %s: %v", x.pack, x.charge, err)
			continue
		}
		if len(s.Setup.Plan) != x.steps || !x.why(s.Setup.Plan[0].Ends) {
			t.Errorf("%s, %s: %d steps, ends %+v", x.pack, x.charge, len(s.Setup.Plan), s.Setup.Plan[0].Ends)
		}
		for _, p := range s.Setup.Plan {
			if p.Ends.Time == 0 || p.Ends.Charge == 0 {
				t.Errorf("%s, %s: a step without its backstops: %+v", x.pack, x.charge, p.Ends)
			}
		}
	}
	for _, x := range []struct{ pack, charge, want string }{
		{"lfp-12v8-12ah", "usual, to: full, float: 2 h", "is not floated"},
		{"agm-12v-7ah", "usual, to: full, ends: {time: 2 h}", "the chemistry says how its charge runs and ends"},
		{"agm-12v-7ah", "usual, to: absorb", "usual"},
		{"agm-12v-7ah", "-1 A, to: full", "top-up.yaml:5:14"},
		{"agm-12v-7ah", "3 C, to: full", "this would harm agm-12v-7ah"},
	} {
		if _, err := parse(x.pack, x.charge); err == nil || !strings.Contains(err.Error(), x.want) {
			t.Errorf("%s, %s: %v, want an error that says %q", x.pack, x.charge, err, x.want)
		}
	}
}
