package audit

import (
	"errors"
	"io"
	"math"
	"os"
	"strconv"
	"strings"
	"testing"

	"stuntcell/model/outside"
	"stuntcell/validate/logfile"
)

// run audits a log as the command does.
func run(t testing.TB, in io.Reader, o Options) *Report {
	t.Helper()
	rd := logfile.NewReader(in, logfile.Options{})
	a := New(o)
	for {
		b, err := rd.Next()
		if errors.Is(err, io.EOF) {
			break
		}
		if err != nil {
			t.Fatal(err)
		}
		if err := a.Add(b); err != nil {
			t.Fatal(err)
		}
	}
	return a.Finish()
}

// The measured logs (testdata/measured, source there): charge and energy beside the test rig's own counters, within 0.015 Ah and 0.25 % Wh
// (check_values.csv, whose trapezoids hold the first sample back to the start of the step: one interval of a second).
func TestMeasured(t *testing.T) {
	t.Log("source: G. Wiggins, S. Allu, H. Wang, Battery cell data, Oak Ridge National Laboratory (MIT licence, testdata/measured)")
	rows, _ := outside.Table(t, "../../testdata/published/check_values.csv")
	done := 0
	for _, row := range rows {
		if row[1] != "1" {
			continue
		}
		v := func(i int) float64 {
			x, err := strconv.ParseFloat(row[i], 64)
			if err != nil {
				t.Fatal(err)
			}
			return x
		}
		log, err := os.Open("../../testdata/measured/cell33Ah_" + row[0] + "_discharge.csv")
		if err != nil {
			t.Fatal(err)
		}
		rep := run(t, log, Options{Cutoff: 3})
		log.Close()
		p, atLeast := rep.Capacity()
		if p == nil || atLeast {
			t.Fatalf("%s: no capacity: %+v", row[0], rep.Phases)
		}
		t.Logf("%s: %.4f Ah, %.3f Wh (rig's counters %s, %s), bound ±%.4f Ah; ended %s; %d findings", row[0], p.Charge/3600, p.Energy/3600, row[6], row[7], p.Bound/3600, p.Ended, len(rep.Findings))
		if d := p.Charge/3600 - v(6); math.Abs(d) > 0.015 {
			t.Errorf("%s: %.4f Ah from the counter", row[0], d)
		}
		if d := p.Energy/3600/v(7) - 1; math.Abs(d) > 0.0025 {
			t.Errorf("%s: %.3f %% Wh from the counter", row[0], 100*d)
		}
		if rep.Sign != 1 || p.Kind != Discharge {
			t.Errorf("%s: sign %d", row[0], rep.Sign)
		}
		for _, c := range rep.Totals {
			if !c.Holds {
				t.Errorf("%s: the rig's own total does not hold: %+v", row[0], c)
			}
		}
		for _, g := range rep.Findings {
			t.Errorf("%s: finding %s in a healthy log: %s", row[0], g.Cause, g.Evidence)
		}
		var text strings.Builder
		if err := rep.WriteText(&text); err != nil {
			t.Fatal(err)
		}
		if row[0] == "1c" {
			t.Log("\n" + text.String())
		}
		for n, line := range strings.Split(text.String(), "\n") {
			if len([]rune(line)) > 80 {
				t.Errorf("%s: line %d is %d wide: %s", row[0], n+1, len([]rune(line)), line)
			}
		}
		done++
	}
	if done != 3 {
		t.Errorf("%d logs of 3", done)
	}
}
