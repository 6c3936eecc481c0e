package validate_test

import (
	"context"
	"encoding/json"
	"fmt"
	"math"
	"os"
	"slices"
	"strings"
	"testing"

	"stuntcell/emulator"
	"stuntcell/emulator/link"
	"stuntcell/scenarios"
	"stuntcell/validate"
	"stuntcell/validate/cause"
	"stuntcell/validate/loggers"
	"stuntcell/validate/verdict"
)

// library is the embedded set; every scenario must parse.
func library(t testing.TB) []*scenarios.Scenario {
	t.Helper()
	all, refused := scenarios.Library(scenarios.Env{})
	for _, r := range refused {
		t.Errorf("refused: %v", r)
	}
	if len(all) == 0 {
		t.Fatal("no scenarios")
	}
	return all
}

// judged runs a built-in logger through a scenario and judges it.
func judged(t testing.TB, sc *scenarios.Scenario, build loggers.Build) (*verdict.Verdict, *emulator.Record) {
	t.Helper()
	l := link.NewInProcess(build, sc.Setup.Seed)
	rec, err := emulator.Run(context.Background(), sc.Setup, l)
	if err != nil {
		t.Fatalf("%s: %v", sc.Name, err)
	}
	return validate.Judge(sc, rec, validate.Options{Tool: "test", Logger: "built-in"}), rec
}

// complaint is why a verdict is not a clean pass, "" if it is.
func complaint(v *verdict.Verdict) string {
	if v.Pass == nil || *v.Pass {
		return ""
	}
	var b strings.Builder
	for _, c := range v.Checks {
		if c.Pass != nil && !*c.Pass {
			fmt.Fprintf(&b, "check %s", c.Name)
			if c.Value != nil && c.LimitHigh != nil {
				fmt.Fprintf(&b, " %.4g (limit %.4g)", *c.Value, *c.LimitHigh)
			}
			fmt.Fprintf(&b, " %s; ", c.Detail)
		}
	}
	for _, f := range v.Findings {
		fmt.Fprintf(&b, "%s %s %.2f (%s); ", f.Severity, f.Cause, f.Confidence, f.Evidence)
	}
	return b.String()
}

// TestHealthyLoggersPass: a false alarm is a bug of the same rank as a missed defect.
func TestHealthyLoggersPass(t *testing.T) {
	all := library(t)
	healthy := append([]loggers.Defect{{Name: "good", New: loggers.Good()}}, loggers.Healthy()...)
	// All of them through all scenarios takes minutes: CI does it, elsewhere each logger takes a share that moves with it.
	share := 5
	if os.Getenv("STUNTCELL_REQUIRE") == "all" && !testing.Short() {
		share = 1
	}
	if testing.Short() {
		share = 25 // the race detector needs the paths, not the pairs
	}
	for i, h := range healthy {
		t.Run(h.Name, func(t *testing.T) {
			t.Parallel()
			for k, sc := range all {
				long := sc.Name == "ten-readings-a-second-for-20h"
				if (i+k)%share != 0 && h.Name != "good" || long && i%8 != 0 {
					continue
				}
				v, _ := judged(t, sc, h.New)
				if c := complaint(v); c != "" {
					t.Errorf("%s: %s", sc.Name, c)
				}
				for _, f := range v.Findings { // advice that is not so is a false alarm too
					so := f.Cause == "clumsy-number" || f.Cause == "silent-card-loss" && h.Name == "minimal"
					if f.Of == "firmware" && !so {
						t.Errorf("%s: %s: %s", sc.Name, f.Cause, f.Evidence)
					}
				}
			}
		})
	}
}

// TestDefectsAreNamed: every built-in defect is caught and named first in a scenario that exists to show its cause.
func TestDefectsAreNamed(t *testing.T) {
	all := library(t)
	advice := map[string]bool{"first-interval": true, "clumsy-number": true, "silent-card-loss": true, "tick-wrap-skip": true}
	for i, d := range loggers.Defects() {
		if testing.Short() && i%6 != 0 {
			continue
		}
		t.Run(d.Name, func(t *testing.T) {
			t.Parallel()
			shown, named := 0, 0
			var notes []string
			for _, sc := range all {
				// A process fails by itself, or over a card or a sensor that fails: no scenario is about it.
				process := slices.Contains([]string{"hang", "crash", "garbled-output"}, d.Cause) &&
					slices.Contains([]string{"discharge-two-rates", "card-fails-mid-run", "readings-fail-mid-discharge"}, sc.Name)
				if !process && !slices.Contains(sc.Shows, d.Cause) {
					continue
				}
				shown++
				v, _ := judged(t, sc, d.New)
				if v.Pass == nil {
					continue
				}
				first := ""
				if len(v.Findings) > 0 {
					first = v.Findings[0].Cause
				}
				if first == d.Cause {
					named++
				} else {
					notes = append(notes, fmt.Sprintf("%s: first finding %q, pass %v: %s", sc.Name, first, *v.Pass, complaint(v)))
				}
				if !*v.Pass && (advice[d.Name] || advice[d.Cause]) && first == d.Cause && v.Findings[0].Severity == verdict.Failure {
					notes = append(notes, sc.Name+": a failure where advice is due")
				}
			}
			if shown == 0 {
				t.Fatalf("no scenario shows %s", d.Cause)
			}
			if named == 0 {
				t.Errorf("never named first in %d scenarios:\n%s", shown, strings.Join(notes, "\n"))
			} else if testing.Verbose() && len(notes) > 0 {
				t.Logf("named in %d of %d:\n%s", named, shown, strings.Join(notes, "\n"))
			}
		})
	}
}

// TestBlameSums: sampling, front end, clock and firmware sum to logged minus truth, for every logger with a net total.
func TestBlameSums(t *testing.T) {
	for _, sc := range library(t) {
		v, _ := judged(t, sc, loggers.Good())
		for key, b := range v.Blame {
			sum := b.Sampling + b.FrontEnd + b.Clock + b.Firmware
			for _, c := range v.Checks {
				name := map[string]string{"charge_As": "charge", "energy_Ws": "energy"}[key]
				if c.Name != name || c.Total == nil {
					continue
				}
				scale := v.Truth.Throughput
				if key == "energy_Ws" {
					continue // the energy throughput is not in the verdict
				}
				if math.Abs(sum-*c.Total*scale) > 1e-6*(scale+1) && scale > 1 {
					t.Errorf("%s %s: parts sum to %g, total is %g", sc.Name, key, sum, *c.Total*scale)
				}
			}
		}
	}
}

// TestSameBytes: the same scenario and logger give the same verdict, byte for byte.
func TestSameBytes(t *testing.T) {
	for _, sc := range library(t)[:6] {
		a, _ := judged(t, sc, loggers.Good())
		b, _ := judged(t, sc, loggers.Good())
		x, err := json.Marshal(a)
		if err != nil {
			t.Fatal(err)
		}
		y, _ := json.Marshal(b)
		if string(x) != string(y) {
			t.Errorf("%s: two runs, two verdicts", sc.Name)
		}
	}
}

// TestEveryFindingHasAMend: what is named can be mended.
func TestEveryFindingHasAMend(t *testing.T) {
	for _, name := range scenarios.Causes() {
		if cause.MendOf(name) == "" {
			t.Errorf("%s has no mend", name)
		}
	}
}
