package main

import (
	"context"
	"encoding/json"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"stuntcell/model/fit"
)

// The measured 33.1 Ah cell (testdata/measured, source there): fitted to the logs of 1C and 3C, what does the pack deliver at 2C, which nothing
// was fitted to? And what does 1C alone say of the others? That is extrapolation, and printed as it is.
func TestMeasuredFitPredicts(t *testing.T) {
	log := func(rate string) string { return "../../testdata/measured/cell33Ah_" + rate + "_discharge.csv" }
	predict := func(from []string, of ...string) []fittedLog {
		f := fits(t, fitOptions{predict: of}, from...)
		for _, l := range f.Logs {
			t.Logf("from %d logs, predicted %v: %s %.4f Ah, measured %.4f Ah (%+.2f %%)", len(from), l.Predicted, l.Log, l.Delivered/3600, l.Measured/3600, 100*(l.Delivered/l.Measured-1))
		}
		return f.Logs
	}
	logs := predict([]string{log("1c"), log("3c")}, log("2c"))
	if two := logs[2]; !two.Predicted || math.Abs(two.Delivered/two.Measured-1) > 0.01 {
		t.Errorf("2C predicted from 1C and 3C: %+v, wanted within 1 %%", two)
	}
	predict([]string{log("1c")}, log("2c"), log("3c"))
}

// fits runs fit and returns what it writes as JSON.
func fits(t *testing.T, o fitOptions, logs ...string) fitted {
	t.Helper()
	out, text := file(t, "out")
	o.json, o.name, o.pairs = true, "fitted", 2
	if err := runFit(context.Background(), streams{out: out, err: out}, o, logs); err != nil {
		t.Fatal(err)
	}
	var f fitted
	if err := json.Unmarshal([]byte(text()), &f); err != nil {
		t.Fatal(err)
	}
	return f
}

// A made-up battery at three temperatures and two currents, each log with a rest and half a charge behind: what temperature and rate do to
// capacity and resistance is found, and the fitted pack gives at each what was measured.
func TestFitFindsTemperatureAndRate(t *testing.T) {
	const lambda, k, ohm, perKelvin = 0.006, 1.02, 0.05, 0.02
	dir := t.TempDir()
	var logs []string
	for n, c := range []struct{ amps, celsius float64 }{{2, 10}, {2, 25}, {2, 40}, {6, 25}} {
		whole := 7 * 3600 * (1 + lambda*(c.celsius-25)) * math.Pow(c.amps/2, 1-k)
		warmth := math.Exp(-perKelvin * (c.celsius - 25))
		var b strings.Builder
		b.WriteString("t (s),U (V),I (A),T (degC)\n")
		q, x, now := 0.0, 0.0, 0
		row := func(i float64) float64 {
			q, now = q-i*30, now+30
			x = x*math.Exp(-0.3) + 0.03*warmth*i*(1-math.Exp(-0.3))
			r := ohm * warmth
			if i > 0 {
				r *= 1.5
			}
			z := 1 - q/whole
			v := 11.4 + 1.5*z - 1.2*math.Exp(-30*z) + r*i + x
			fmt.Fprintf(&b, "%d,%.4f,%.4f,%.2f\n", now, v, i, c.celsius)
			return v
		}
		for range 20 {
			row(0)
		}
		for row(-c.amps) > 10.5 {
		}
		for range 40 {
			row(0)
		}
		for range int(0.017 * whole) {
			row(1)
		}
		name := filepath.Join(dir, fmt.Sprintf("log%d.csv", n))
		if err := os.WriteFile(name, []byte(b.String()), 0o644); err != nil {
			t.Fatal(err)
		}
		logs = append(logs, name)
	}
	f := fits(t, fitOptions{chemistry: "agm", cutoff: 10.5}, logs...)
	for _, l := range f.Logs {
		t.Logf("%.3g A at %.1f degC: %.4f Ah, measured %.4f Ah (%+.2f %%)", l.Current, l.Temp-273.15, l.Delivered/3600, l.Measured/3600, 100*(l.Delivered/l.Measured-1))
		if math.Abs(l.Delivered/l.Measured-1) > 0.015 {
			t.Errorf("%s: %.4f Ah, measured %.4f Ah", l.Log, l.Delivered/3600, l.Measured/3600)
		}
	}
	near := func(what string, v *fit.Value, planted, within float64) {
		if v == nil || !v.Told() || math.Abs(v.Value-planted) > within {
			t.Errorf("%s: %+v, planted %v", what, v, planted)
		}
	}
	near("capacity per kelvin", f.Rates.PerKelvin, lambda, 0.0005)
	near("resistance per kelvin", f.Circuit.PerKelvin, perKelvin, 0.002)
	near("resistance while charging", f.Circuit.Charging, 1.5*ohm, 0.02)
	if r := f.Circuit.R[0]; math.Abs(r-ohm) > 0.01 {
		t.Errorf("resistance %.4f ohm, planted %v", r, ohm)
	}
}
