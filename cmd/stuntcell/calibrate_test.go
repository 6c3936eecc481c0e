package main

import (
	"os"
	"testing"

	"stuntcell/emulator/rig"
	"stuntcell/validate/budget"
)

// FuzzCalibration feeds any bytes to the reader of calibrations: no panic, and what it takes makes a budget or an error.
func FuzzCalibration(f *testing.F) {
	f.Add([]byte(`{"schema":"stuntcell.calibration/1","rig":"shop-50a","lines":[{"quantity":"current","meter":"m","gain":1.01,"gain_error":1e-4,"offset_error":1e-3,"gain_offset_correlation":-0.3,"dof":5,"low":-5,"high":5}],"constants":[{"quantity":"current","meter":"m","adjust":true}]}`))
	f.Add([]byte(`{"schema":"stuntcell.calibration/1","lines":[null],"constants":[{"quantity":"voltage","adjust":true}]}`))
	f.Add([]byte("{"))
	r, err := rig.ByName("shop-50a")
	if err != nil {
		f.Fatal(err)
	}
	none, err := os.OpenFile(os.DevNull, os.O_WRONLY, 0)
	if err != nil {
		f.Fatal(err)
	}
	f.Fuzz(func(t *testing.T, data []byte) {
		k, err := parseCalibration("fuzz.json", data)
		if err != nil {
			return
		}
		c := budget.Capacity{Rig: r, Limits: budget.FromRig(r), Figure: budget.Figure{Charge: 25200, Duration: 72000, Current: 0.35, Voltage: 12, Every: 5}}
		if err := k.use(streams{out: none, err: none}, &c, "fuzz.json"); err != nil {
			return
		}
		if _, err := c.State(budget.Options{Seed: 1, Most: 1000}); err != nil {
			t.Logf("no budget: %v", err)
		}
	})
}
