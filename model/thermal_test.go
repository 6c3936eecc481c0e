package model

import (
	"bytes"
	"encoding/json"
	"math"
	"os/exec"
	"testing"

	"stuntcell/model/outside"
)

// knots are a curve as values and slopes at its points.
func knots(k *Curve) (x, y, slope []float64) {
	for _, at := range k.x {
		v, d := k.Both(at)
		x, y, slope = append(x, at), append(y, v), append(slope, d)
	}
	return x, y, slope
}

// TestPublishedIntegrator: the coupled thermal case against a general integrator of differential equations with a tolerance of 1e-11.
func TestPublishedIntegrator(t *testing.T) {
	python := outside.Python(t, "scipy")
	t.Log("source: SciPy, solve_ivp with DOP853 (E. Hairer, S. P. Norsett, G. Wanner); equations in testdata/thermal.py")
	p := plainPack()
	p.Cell.ResistancePerKelvin, p.Cell.OCVPerKelvin = 0.02, 0.0005
	p.Heat = Heat{Capacity: 60, Resistance: 6}
	const ambient, seconds = 283.15, 2400
	z, ocv, ocvSlope := knots(&p.Cell.OCV)
	rz, r, rSlope := knots(&p.Cell.Discharging)
	for _, x := range []struct {
		law  string
		load Load
	}{
		{"current", Load{Current: 3}}, {"power", Load{Power: 10}}, {"resistance", Load{Resistance: 1.3}},
	} {
		in, err := json.Marshal(map[string]any{
			"z": z, "ocv": ocv, "ocv_slope": ocvSlope, "rz": rz, "r": r, "r_slope": rSlope,
			"a": p.Cell.ResistancePerKelvin, "reference": p.Cell.Reference, "ocv_per_kelvin": p.Cell.OCVPerKelvin, "R0": p.Cell.Resistance,
			"Q": p.Cell.Capacity, "pairs": [][2]float64{{p.Cell.Pairs[0].Resistance, p.Cell.Pairs[0].Tau}, {p.Cell.Pairs[1].Resistance, p.Cell.Pairs[1].Tau}},
			"Cth": p.Heat.Capacity, "Rth": p.Heat.Resistance, "ambient": ambient, "seconds": seconds,
			"law": x.law, "level": x.load.Current + x.load.Power + x.load.Resistance,
		})
		if err != nil {
			t.Fatal(err)
		}
		cmd := exec.Command(python, "testdata/thermal.py")
		cmd.Stdin = bytes.NewReader(in)
		var stderr bytes.Buffer
		cmd.Stderr = &stderr
		data, err := cmd.Output()
		if err != nil {
			t.Fatalf("%v\n%s", err, stderr.Bytes())
		}
		var want map[string][]float64
		if err := json.Unmarshal(data, &want); err != nil || len(want["t"]) != 20 {
			t.Fatalf("%d points, %v; want 20", len(want["t"]), err)
		}
		c, err := NewCourse(p, Plan{{Kind: Discharge, Load: x.load, Ends: Ends{Time: seconds * second}}}, Options{Ambient: ambient})
		if err != nil {
			t.Fatal(err)
		}
		var offV, offT, offZ float64
		for k, at := range want["t"] {
			until := int64(math.Round(at * 1e9))
			var s Span
			for c.Now() < until && !c.Done() {
				s = c.Next(until)
			}
			offV = math.Max(offV, math.Abs(s.Voltage(s.T1)-want["v"][k]))
			offT = math.Max(offT, math.Abs(s.Temperature(s.T1)-want["T"][k]))
			offZ = math.Max(offZ, math.Abs(s.StateOfCharge(s.T1)-want["z"][k]))
		}
		t.Logf("%s, %.2f K warmer at the end: largest differences %.3g V, %.3g K, %.3g of the charge", x.law, want["T"][19]-ambient, offV, offT, offZ)
		if offV > 1e-4 || offT > 2e-3 || offZ > 2e-6 {
			t.Errorf("%s: %.3g V, %.3g K and %.3g of the charge off, want at most 0.1 mV, 2 mK and 2e-6", x.law, offV, offT, offZ)
		}
	}
}
