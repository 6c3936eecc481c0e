package validate_test

import (
	"context"
	"fmt"
	"math"
	"strings"
	"testing"

	"stuntcell/scenarios"
	"stuntcell/validate/campaign"
	"stuntcell/validate/loggers"
	"stuntcell/validate/verdict"
)

// holds says that a finding is true of a logger with one known mistake: it names it, or what it did besides. A process that ended has
// really left the load on if that is what it says.
func holds(f *verdict.Finding, d *loggers.Defect) bool {
	switch d.Cause {
	case "hang", "crash", "garbled-output":
		return f.Cause == d.Cause || f.Cause == "load-left-on"
	}
	return f.Cause == d.Cause
}

// TestConfidenceIsCalibrated: over random scenarios with known mistakes, of the failures that are given a confidence as many hold as it
// says, or more. STUNTCELL_DRAWS=6000 go test -v gives the table in DEVELOPERS.md.
func TestConfidenceIsCalibrated(t *testing.T) {
	type bin struct{ hold, all int }
	bands := []float64{0.97, 0.94, 0.9, 0.8, 0.7, 0.5, 0}
	table := make([]bin, len(bands))
	defects := loggers.Defects()
	var wrong []string
	first, failing := 0, 0
	n := draws(450)
	err := campaign.Each(context.Background(), n, 2, func(_ context.Context, i int) (*verdict.Verdict, error) {
		d := campaign.NewDraw(uint64(2_000_000+i), scenarios.Env{})
		sc, err := d.Parse(scenarios.Env{})
		if err != nil {
			return nil, nil // no scenario: nothing to say of it
		}
		v, _ := judged(t, sc, defects[i%len(defects)].New)
		return v, nil
	}, func(i int, v *verdict.Verdict) error {
		if v == nil || v.Pass == nil || *v.Pass {
			return nil
		}
		failing++
		defect := &defects[i%len(defects)]
		rank := 0
		for k := range v.Findings {
			f := &v.Findings[k]
			if f.Severity != verdict.Failure {
				continue
			}
			band := 0
			for f.Confidence < bands[band] {
				band++
			}
			table[band].all++
			if rank++; holds(f, defect) {
				table[band].hold++
				if rank == 1 {
					first++
				}
			} else if f.Confidence >= 0.9 {
				wrong = append(wrong, fmt.Sprintf("%s is taken for %s (%.2f), seed %d", defect.Name, f.Cause, f.Confidence, 2_000_000+i))
			}
		}
		return nil
	})
	if err != nil {
		t.Fatal(err)
	}
	var sure bin
	for i, low := range bands {
		b := table[i]
		t.Logf("confidence from %.2f: %d of %d hold", low, b.hold, b.all)
		if low >= 0.9 {
			sure.hold, sure.all = sure.hold+b.hold, sure.all+b.all
		}
		// Three standard deviations below what is promised are no chance.
		if promised := low * float64(b.all); float64(b.hold) < promised-3*math.Sqrt(promised*(1-low))-1e-9 {
			t.Errorf("confidence from %.2f: only %d of %d hold", low, b.hold, b.all)
		}
	}
	t.Logf("%d of %d draws fail, in %d of them the true cause is the first named", failing, n, first)
	if float64(sure.hold) < 0.9*float64(sure.all) {
		t.Errorf("of %d findings given 0.9 or more only %d hold:\n%s", sure.all, sure.hold, strings.Join(wrong, "\n"))
	}
	t.Logf("wrong though 0.9 or more:\n%s", strings.Join(wrong, "\n"))
	if sure.all < n/8 {
		t.Errorf("of %d draws only %d gave a finding of 0.9 or more: the test shows little", n, sure.all)
	}
}
