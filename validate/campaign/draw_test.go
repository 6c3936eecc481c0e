package campaign_test

import (
	"bytes"
	"context"
	"slices"
	"testing"

	"pgregory.net/rapid"

	"stuntcell/emulator"
	"stuntcell/emulator/link"
	"stuntcell/scenarios"
	"stuntcell/validate/campaign"
	"stuntcell/validate/loggers"
)

// TestDrawsAreShortAndOfEveryKind: nearly all draws are scenarios, none is long, and each kind of step, pack and fault is among them.
func TestDrawsAreShortAndOfEveryKind(t *testing.T) {
	const n = 200
	var sizes []int
	refused := 0
	seen := map[string]int{}
	for seed := range n {
		d := campaign.NewDraw(uint64(seed), scenarios.Env{})
		sc, err := d.Parse(scenarios.Env{})
		if err != nil {
			refused++
			continue
		}
		rec, err := emulator.Run(context.Background(), sc.Setup, link.NewInProcess(loggers.Good(), sc.Setup.Seed))
		if err != nil {
			t.Fatal(err)
		}
		sizes = append(sizes, len(rec.Readings.T))
		seen["pack "+d.Pack]++
		for _, s := range d.Steps {
			seen[s.Kind]++
		}
		for _, f := range d.Faults {
			seen[f.Kind]++
			if f.Stop {
				seen["from the stop"]++
			}
		}
	}
	if refused > n/20 {
		t.Errorf("%d of %d draws are no scenario", refused, n)
	}
	slices.Sort(sizes)
	if m := sizes[len(sizes)/2]; m > 1000 {
		t.Errorf("the median draw has %d readings", m)
	}
	if m := sizes[len(sizes)-1]; m > 7500 {
		t.Errorf("the longest draw has %d readings", m)
	}
	for _, kind := range []string{"rest", "discharge", "charge", "cutoff", "taper", "power-cut", "card-fail", "stall", "failed-read", "setting",
		"clock-set", "from the stop", "pack ", "pack agm-6v-4ah", "pack agm-12v-35ah", "pack flooded-12v-60ah", "pack gel-12v-50ah",
		"pack lfp-12v8-12ah", "pack lfp-48v-50ah", "pack nimh-7v2-3ah", "pack nmc-3v7-3ah", "pack nmc-36v-10ah"} {
		if seen[kind] == 0 {
			t.Errorf("no draw has %s: %v", kind, seen)
		}
	}
}

// length is how long a draw may take [s].
func length(d campaign.Draw) (s int64) {
	for _, step := range d.Steps {
		s += step.Seconds
	}
	return s
}

// TestDrawsAreRepeatable: the same seed gives the same file, and what is simpler is never longer.
func TestDrawsAreRepeatable(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		seed := rapid.Uint64().Draw(t, "seed")
		d, again := campaign.NewDraw(seed, scenarios.Env{}), campaign.NewDraw(seed, scenarios.Env{})
		if !bytes.Equal(d.YAML("x", "x"), again.YAML("x", "x")) {
			t.Fatal("two files of one seed")
		}
		for _, s := range d.Simpler() {
			if length(s) > length(d) || len(s.Faults) > len(d.Faults) {
				t.Fatalf("longer:\n%s\nthan\n%s", s.YAML("x", "x"), d.YAML("x", "x"))
			}
		}
		if !bytes.Equal(d.YAML("x", "x"), again.YAML("x", "x")) {
			t.Fatal("listing what is simpler changed the draw")
		}
	})
}

// TestDrawsStayWithinARigOfOnesOwn: the pack is the caller's, and no current is beyond what the shunt or the front end measures.
func TestDrawsStayWithinARigOfOnesOwn(t *testing.T) {
	p, err := scenarios.ParseProject(scenarios.ProjectFile, []byte("pack: agm-12v-100ah\nrig: {shunt: {nominal: 10 mohm, rated: 12 A}}\n"), nil)
	if err != nil {
		t.Fatal(err)
	}
	for seed := range uint64(100) {
		d := campaign.NewDraw(seed, p.Env)
		sc, err := d.Parse(p.Env)
		if err != nil {
			continue
		}
		if sc.PackNamed {
			t.Fatalf("seed %d names a pack of its own", seed)
		}
		for _, s := range sc.Setup.Plan {
			if s.Load.Current > 8.2 { // 81.9 mV over 10 mohm
				t.Errorf("seed %d: %.3g A through a front end that ends at 8.19 A", seed, s.Load.Current)
			}
		}
	}
}
