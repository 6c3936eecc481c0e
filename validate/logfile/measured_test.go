package logfile

import (
	"math"
	"os"
	"strconv"
	"testing"

	"stuntcell/model/outside"
)

// The logs of testdata/measured come with the test rig's own counters (check_values.csv, source there). A trapezoid over
// what is read, the first sample held back to the start of its step, must agree with them within 0.015 Ah and 0.25 % of Wh.
func TestMeasured(t *testing.T) {
	t.Log("source: G. Wiggins, S. Allu, H. Wang, Battery cell data, Oak Ridge National Laboratory (MIT licence, testdata/measured)")
	checks, header := outside.Table(t, "../../testdata/published/check_values.csv")
	field := map[string]int{}
	for i, name := range header {
		field[name] = i
	}
	read := 0
	for _, row := range checks {
		if row[field["discharge_no"]] != "1" {
			continue
		}
		number := func(name string) float64 {
			v, err := strconv.ParseFloat(row[field[name]], 64)
			if err != nil {
				t.Fatal(err)
			}
			return v
		}
		rate := row[field["rate"]]
		log := stream(t, "../../testdata/measured/cell33Ah_"+rate+"_discharge.csv")
		read++
		want := []struct {
			header string
			kind   Kind
			unit   string
			step   bool
		}{{"time_s", Elapsed, "s", false}, {"step_time_s", Elapsed, "s", true}, {"current_A", Current, "A", false}, {"voltage_V", Voltage, "V", false},
			{"power_W", Power, "W", false}, {"capacity_Ah", Charge, "Ah", false}, {"energy_Wh", Energy, "Wh", false}, {"mode", Phase, "", false}}
		if len(log.Columns) != len(want) || len(log.Problems) != 0 {
			t.Fatalf("%s: %d columns, problems %v", rate, len(log.Columns), log.Problems)
		}
		for i, w := range want {
			if c := log.Columns[i]; c.Header != w.header || c.Kind != w.kind || c.Unit != w.unit || c.PerStep != w.step || c.Guessed {
				t.Errorf("%s: column %d is %+v, want %+v", rate, i, c, w)
			}
		}
		time, current, volts := log.Columns[1].Value, log.Columns[2].Value, log.Columns[3].Value
		charge, energy := 0.0, 0.0 // of the discharge, by the trapezoid
		samples := 0
		for i := range time {
			if log.Columns[7].Text[i] != "DCHG" {
				continue
			}
			if samples == 0 {
				charge += time[i] * current[i]
				energy += time[i] * current[i] * volts[i]
			} else {
				dt := time[i] - time[i-1]
				charge += dt * (current[i] + current[i-1]) / 2
				energy += dt * (current[i]*volts[i] + current[i-1]*volts[i-1]) / 2
			}
			samples++
		}
		if float64(samples) != number("samples") {
			t.Errorf("%s: %d samples of discharge, want %v", rate, samples, number("samples"))
		}
		if d := -charge/3600 - number("rig_Ah"); math.Abs(d) > 0.015 {
			t.Errorf("%s: trapezoid %.4f Ah, the rig counted %.2f", rate, -charge/3600, number("rig_Ah"))
		}
		if d := -energy/3600/number("rig_Wh") - 1; math.Abs(d) > 0.0025 {
			t.Errorf("%s: trapezoid %.4f Wh, the rig counted %.2f", rate, -energy/3600, number("rig_Wh"))
		}
		if d := -charge/3600 - number("my_trap_Ah"); math.Abs(d) > 1e-4 {
			t.Errorf("%s: trapezoid %.5f Ah, check_values.csv has %.5f", rate, -charge/3600, number("my_trap_Ah"))
		}
		rig := log.Columns[5].Value
		if got := -rig[len(rig)-1] / 3600; math.Abs(got-number("rig_Ah")) > 0.005 {
			t.Errorf("%s: the rig's counter ends at %.3f Ah, want %.2f", rate, got, number("rig_Ah"))
		}
	}
	if read != 3 {
		t.Errorf("%d logs read, want 3", read)
	}
}

func stream(t testing.TB, name string) *Table {
	t.Helper()
	f, err := os.Open(name)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	table, err := readAll(NewReader(f, Options{}))
	if err != nil {
		t.Fatal(err)
	}
	return table
}
