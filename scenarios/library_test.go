package scenarios

import (
	"bytes"
	"errors"
	"reflect"
	"slices"
	"strings"
	"testing"

	"stuntcell/emulator/rig"
	"stuntcell/model"
	"stuntcell/model/quantity"
	"stuntcell/scenarios/rehearsal"
)

// The largest scenario is what a child process in lock step does in a second; float32-stall alone needs more.
const (
	mostReadings  = 20_000
	mostInAll     = 600_000
	theLongOne    = "ten-readings-a-second-for-20h"
	theLongOnesMn = 700_000
)

func TestLibraryParses(t *testing.T) {
	all, refused := Library(Env{})
	for _, r := range refused {
		t.Errorf("%s: %v", r.Name, r.Err)
	}
	if len(all) < 30 {
		t.Fatalf("%d scenarios on board, want at least 30", len(all))
	}
	var sum int64
	for _, s := range all {
		if s.File != s.Name+".yaml" {
			t.Errorf("%s stands in %s", s.Name, s.File)
		}
		if d, ok := Describe(s.Name); !ok || !reflect.DeepEqual(d, Description{s.Name, s.Summary, s.Purpose, s.Shows}) {
			t.Errorf("%s is described as %+v", s.Name, d)
		}
		if s.Purpose == "" || len(s.Shows) == 0 {
			t.Errorf("%s: no purpose, or nothing that it shows", s.Name)
		}
		if !strings.Contains(s.Purpose, "areless judge") {
			t.Errorf("%s: the purpose does not say what a careless judge would get wrong", s.Name)
		}
		course, err := rehearsal.Play(&s.Setup, rehearsal.Options{})
		if err != nil {
			t.Errorf("%s: %v", s.Name, err)
			continue
		}
		n := course.End / s.Setup.Rig.Readings.Interval()
		if s.Name == theLongOne {
			if n < theLongOnesMn {
				t.Errorf("%s has %d readings: too few to show a sum that stalls", s.Name, n)
			}
			continue
		}
		if n > mostReadings {
			t.Errorf("%s has %d readings, want at most %d", s.Name, n, mostReadings)
		}
		sum += n
	}
	if sum > mostInAll {
		t.Errorf("the library has %d readings, want at most %d", sum, mostInAll)
	}
}

// Each cause that a logger or a rig can show has a scenario that exists to show it, but for those that any scenario shows and for the
// one that scenarios are refused for.
func TestLibraryCoversCauses(t *testing.T) {
	all, _ := Library(Env{})
	shown := map[string]bool{}
	for _, s := range all {
		for _, c := range s.Shows {
			shown[c] = true
		}
	}
	anywhere := []string{"hang", "crash", "garbled-output", "unsafe-end"}
	for _, c := range Causes() {
		if !shown[c] && !slices.Contains(anywhere, c) {
			t.Errorf("no scenario shows %s", c)
		}
	}
}

func TestSameFileSameScenario(t *testing.T) {
	for _, name := range []string{"power-cut-after-stop", "pulses-rows-70s"} {
		a, err := ByName(name, Env{})
		if err != nil {
			t.Fatal(err)
		}
		b, err := ByName(name, Env{})
		if err != nil {
			t.Fatal(err)
		}
		a.Setup.Pack, b.Setup.Pack = nil, nil
		if !reflect.DeepEqual(a, b) || !bytes.Equal(a.Source, Source(name)) {
			t.Errorf("%s parsed twice differs", name)
		}
	}
}

func BenchmarkDescribeAll(b *testing.B) {
	for b.Loop() {
		for _, name := range Names() {
			Describe(name)
		}
	}
}

func BenchmarkLibrary(b *testing.B) {
	for b.Loop() {
		Library(Env{})
	}
}

func TestByNameUnknown(t *testing.T) {
	_, err := ByName("tick-wrap-mid-dischrage", Env{})
	if err == nil || !strings.Contains(err.Error(), "tick-wrap-mid-discharge?") {
		t.Errorf("error %v does not name the nearest", err)
	}
}

// Scenarios are written for any pack: rates and words, no amperes and volts that would be wrong for another.
func TestLibraryFitsOtherPacks(t *testing.T) {
	for _, name := range []string{"flooded-6v-200ah", "lfp-12v8-12ah", "nimh-7v2-3ah"} {
		pack, err := model.PackByName(name)
		if err != nil {
			t.Fatal(err)
		}
		_, refused := Library(Env{Pack: pack})
		for _, r := range refused {
			t.Errorf("%s: %v", name, r.Err)
		}
	}
}

// With a pack that a plan would harm the scenario is refused, with its place.
func TestLibraryRefusesWithPlace(t *testing.T) {
	pack, err := model.PackByName("agm-12v-7ah")
	if err != nil {
		t.Fatal(err)
	}
	frail := *pack
	frail.Limits.DischargeCurrent = 1 // A
	all, refused := Library(Env{Pack: &frail})
	if len(refused) == 0 || len(all) == 0 {
		t.Fatalf("%d run and %d refused with a pack that stands 1 A, want some of both", len(all), len(refused))
	}
	for _, r := range refused {
		var d quantity.Diagnostics
		if !errors.As(r.Err, &d) || d[0].File != r.Name+".yaml" || d[0].Line == 0 || d[0].Hint == "" {
			t.Errorf("%s: refused without place and caution: %v", r.Name, r.Err)
		}
	}
}

// The project's pack and rig replace the defaults of scenarios that name none; what a scenario names it keeps.
func TestEnvReplacesDefaults(t *testing.T) {
	pack, err := model.PackByName("agm-12v-100ah")
	if err != nil {
		t.Fatal(err)
	}
	own, err := rig.ByName(DefaultRig)
	if err != nil {
		t.Fatal(err)
	}
	own.Name, own.Shunt.Nominal, own.Tick.Start = "mine", 0.75e-3, 77
	env := Env{Pack: pack, Rig: &own}
	s, err := ByName("tick-wrap-mid-discharge", env)
	if err != nil {
		t.Fatal(err)
	}
	if s.Setup.Pack != pack || s.Setup.Rig.Shunt.Nominal != 0.75e-3 || s.Setup.Rig.Tick.Start == 77 {
		t.Errorf("pack %s, shunt %g, tick start %d: want the project's pack and shunt, and the scenario's start",
			s.Setup.Pack.Name, s.Setup.Rig.Shunt.Nominal, s.Setup.Rig.Tick.Start)
	}
	if got, want := s.Setup.Plan[1].Load.Current, 20.0; got != want {
		t.Errorf("0.2 C is %g A, want %g A of the project's pack", got, want)
	}
	named := []byte("scenario: own\nsummary: A scenario that names its own.\npack: agm-12v-7ah\nrig: {name: shop-50a}\nplan:\n  - {discharge: 0.2 C, ends: {time: 1 min}}\n")
	if s, err = Parse("own.yaml", named, env); err != nil {
		t.Fatal(err)
	}
	if s.Setup.Pack.Name != "agm-12v-7ah" || s.Setup.Rig.Name != DefaultRig || s.Setup.Rig.Shunt.Nominal != 1.5e-3 {
		t.Errorf("a scenario that names pack and rig runs with %s and %s", s.Setup.Pack.Name, s.Setup.Rig.Name)
	}
}
