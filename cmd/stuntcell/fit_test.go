package main

import (
	"context"
	"encoding/json"
	"math"
	"os"
	"path/filepath"
	"testing"
)

// The measured 33.1 Ah cell (testdata/measured, source there): fitted to the logs of 1C and 3C, what does the pack deliver at 2C, which nothing
// was fitted to? And what does 1C alone say of the others? That is extrapolation, and printed as it is.
func TestMeasuredFitPredicts(t *testing.T) {
	log := func(rate string) string { return "../../testdata/measured/cell33Ah_" + rate + "_discharge.csv" }
	predict := func(from []string, of ...string) []fittedLog {
		out, err := os.Create(filepath.Join(t.TempDir(), "out"))
		if err != nil {
			t.Fatal(err)
		}
		defer out.Close()
		o := fitOptions{json: true, name: "fitted", pairs: 2, predict: of}
		if err := runFit(context.Background(), streams{out: out, err: out}, o, from); err != nil {
			t.Fatal(err)
		}
		var f fitted
		text, err := os.ReadFile(out.Name())
		if err != nil {
			t.Fatal(err)
		}
		if err := json.Unmarshal(text, &f); err != nil {
			t.Fatal(err)
		}
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
