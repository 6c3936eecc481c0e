package model

import (
	"encoding/json"
	"math"
	"os"
	"strings"
	"testing"
)

// wells is a bare two-well battery of q A·s: no resistance, empty when the available well is.
func wells(q, c, k float64) *Pack {
	p := plainPack()
	p.Cell.Pairs, p.Cell.Discharging, p.Cell.Charging = nil, Curve{}, Curve{}
	p.Cell.Capacity, p.Cell.Resistance = q, 1e-9
	p.Rate = Rate{Model: TwoWell, Well: c, Flow: k}
	return p
}

// pattern repeats phases of (amperes, seconds) into a table long enough for every lifetime.
func pattern(phases ...[2]float64) Load {
	var l Load
	for t := int64(0); t < 8*hour; {
		for _, ph := range phases {
			l.Table = append(l.Table, LoadPoint{t, ph[0]})
			t += int64(ph[1] * 1e9)
		}
	}
	return l
}

// lifetime plays until the available well is empty [s].
func lifetime(t *testing.T, p *Pack, l Load) float64 {
	c := play(t, p, Plan{{Kind: Discharge, Load: l, Ends: Ends{Floor: 1e-3}}}, Options{})
	if c.Ended()[0].Why != ByEmpty {
		t.Fatalf("ended by %s", c.Ended()[0].Why)
	}
	return float64(c.Ended()[0].End) * 1e-9
}

func TestPublishedTwoWellLifetimes2009(t *testing.T) {
	t.Log("source: Jongerden, Haverkort, Bohnenkamp, Katoen, DSN 2009, DOI 10.1109/DSN.2009.5270351; printed values from memory, reproduced by the closed form (testdata)")
	loads := map[string]Load{
		"CL_250": {Current: 0.25}, "CL_500": {Current: 0.5}, "CL_alt": pattern([2]float64{0.5, 60}, [2]float64{0.25, 60}),
		"ILs_250": pattern([2]float64{0.25, 60}, [2]float64{0, 60}), "ILs_500": pattern([2]float64{0.5, 60}, [2]float64{0, 60}),
		"ILs_alt": pattern([2]float64{0.5, 60}, [2]float64{0, 60}, [2]float64{0.25, 60}, [2]float64{0, 60}),
		"ILl_250": pattern([2]float64{0.25, 60}, [2]float64{0, 120}), "ILl_500": pattern([2]float64{0.5, 60}, [2]float64{0, 120}),
	}
	n := 0
	for _, r := range table(t, "testdata/two_well_lifetimes_2009.csv") {
		load, ok := loads[r["load"]]
		if !ok {
			t.Fatalf("no load %q", r["load"])
		}
		got := lifetime(t, wells(number(t, r["capacity_A_min"])*60, 0.166, 0.122/60), load) / 60
		near(t, r["battery"]+" "+r["load"]+" printed", got, number(t, r["published_min_from_memory"]), 0.005)
		near(t, r["battery"]+" "+r["load"]+" computed", got, number(t, r["computed_min"]), 1e-6)
		n++
	}
	if n != 16 {
		t.Errorf("%d rows, want 16", n)
	}
}

func TestPublishedTwoWellLifetimes2007(t *testing.T) {
	t.Log("source: Cloth, Jongerden, Haverkort, DSN 2007, DOI 10.1109/DSN.2007.26; printed values from memory, computed ones by the closed form (testdata)")
	loads := map[string]Load{
		"continuous 0.96 A": {Current: 0.96},
		"square 1 Hz":       {Current: 0.96, Period: second, On: second / 2},
		"square 0.2 Hz":     {Current: 0.96, Period: 5 * second, On: 5 * second / 2},
	}
	for _, r := range table(t, "testdata/two_well_lifetimes_2007.csv") {
		got := lifetime(t, wells(7200, 0.625, 1.92e-4), loads[r["load"]]) / 60
		near(t, r["load"], got, number(t, r["computed_min"]), 1e-5)
		near(t, r["load"]+" printed", got, number(t, r["model_min_from_memory"]), 0.5)
	}
}

func TestPublishedTwoWellState(t *testing.T) {
	data, err := os.ReadFile("testdata/two_well_state_check.json")
	if err != nil {
		t.Fatal(err)
	}
	var x struct {
		C      float64 `json:"c"`
		K      float64 `json:"k_prime_per_min"`
		Y1_0   float64 `json:"y1_0"`
		Y2_0   float64 `json:"y2_0"`
		I      float64 `json:"I_A"`
		T      float64 `json:"t_min"`
		Y1, Y2 float64
		Status string
	}
	if err := json.Unmarshal(data, &x); err != nil {
		t.Fatal(err)
	}
	t.Logf("source: %s (testdata/two_well_state_check.json)", x.Status)
	p := wells((x.Y1_0+x.Y2_0)*60, x.C, x.K/60)
	c := play(t, p, Plan{{Kind: Discharge, Load: Load{Current: x.I}, Ends: Ends{Time: int64(x.T * 60e9)}}}, Options{})
	st := c.units[0].st
	y1 := x.C * (st.z - st.u) * p.Cell.Capacity / 60
	near(t, "available", y1, x.Y1, 1e-11)
	near(t, "bound", st.z*p.Cell.Capacity/60-y1, x.Y2, 1e-11)
}

// TestTwoWellFollowsPeukert: within 2.5 % of a law with this exponent between 1 and 20 times the rated current, as trials
// showed of the bare models. The pack is held to its rating, so that the law that it is nearest to may have another capacity: half the gap between the largest
// and the smallest error counts.
func TestTwoWellFollowsPeukert(t *testing.T) {
	// 1.05 to 1.15 is what is published of this chemistry; at 1.2 its resistance bends the curve further.
	for k, most := range map[string]float64{"1.05": 0.025, "1.1": 0.025, "1.15": 0.025, "1.2": 0.04} {
		p, err := LoadPack("x.yaml", []byte("pack: x\nchemistry: agm\ncells: 6\nrated: {capacity: 100 Ah, time: 20 h, end: 10.5 V}\nrate: {model: two-well, k: "+k+"}\n"))
		if err != nil {
			t.Fatal(err)
		}
		low, high := 0.0, 0.0
		for _, r := range []float64{1, 2, 3, 5, 8, 12, 20} {
			q, _, err := p.Delivered(r*5, 0)
			if err != nil {
				t.Fatal(err)
			}
			e := q/3600/(100*math.Pow(r, 1-p.Rate.K)) - 1
			low, high = math.Min(low, e), math.Max(high, e)
		}
		worst := (high - low) / 2
		t.Logf("k %s: c %.3f, k' %.3g/s, whole %.1f Ah, worst %.2f %%", k, p.Rate.Well, p.Rate.Flow, p.Cell.Capacity/3600, worst*100)
		if worst > most {
			t.Errorf("k %s: off by %.2f %%", k, worst*100)
		}
	}
}

func TestRatingTableIsFitted(t *testing.T) {
	// Claims of k = 1.12, one of them 2 % high.
	yaml := `pack: x
chemistry: agm
cells: 6
rated:
  capacity: 100 Ah
  time: 20 h
  end: 10.5 V
  table:
    - {time: 10 h, capacity: 92.8 Ah, end: 10.5 V}
    - {time: 5 h, capacity: 87.8 Ah, end: 10.2 V}
    - {time: 1 h, capacity: 72.5 Ah, end: 9.6 V}
`
	p, err := LoadPack("x.yaml", []byte(yaml))
	if err != nil {
		t.Fatal(err)
	}
	near(t, "exponent", p.Rate.K, 1.12, 0.01)
	for _, r := range p.Table {
		t.Logf("%.3g h: misfit %+.2f %%", r.Hours/3600, r.Misfit*100)
		near(t, "misfit", r.Misfit, 0, 0.025)
		end, _ := p.Level("end", r.Charge/r.Hours)
		near(t, "end", end, r.End, 1e-9)
	}
	_, err = LoadPack("x.yaml", []byte(strings.Replace(yaml, "72.5 Ah", "140 Ah", 1)))
	if err == nil || !strings.Contains(err.Error(), "more current would deliver more") {
		t.Errorf("got %v", err)
	}
}
