package fit

import (
	"math"
	"testing"
)

// Charges made from known constants give them back, and what the deliveries do not tell is not told.
func TestRatesFindWhatWasPlanted(t *testing.T) {
	const k, lambda = 1.08, 0.006
	at := func(amps, T float64) Delivery {
		return Delivery{Charge: 36000 * math.Pow(amps, 1-k) * (1 + lambda*(T-298.15)), Current: amps, Temp: T}
	}
	r := FitRates([]Delivery{at(1, 298.15), at(5, 298.15), at(5, 278.15), at(20, 310)}, 0.005)
	if r.K == nil || math.Abs(r.K.Value-k) > 1e-9 || r.PerKelvin == nil || math.Abs(r.PerKelvin.Value-lambda) > 1e-9 {
		t.Errorf("%+v, planted k %v and %v", r, k, lambda)
	} else if !(r.K.Error > 0.001) || !(r.PerKelvin.Error > 1e-5) || r.Correlation == nil {
		t.Errorf("errors %v and %v for charges good to 0.5 %%, correlation %v", r.K.Error, r.PerKelvin.Error, r.Correlation)
	}
	for name, d := range map[string][]Delivery{
		"one":               {at(1, 298)},
		"one current":       {at(1, 298), at(1.05, 298)},
		"no temperature":    {at(1, math.NaN()), at(1, math.NaN())},
		"one temperature":   {at(1, 298), at(1.05, 301)},
		"nothing delivered": {at(1, 298), {Charge: 0, Current: 5, Temp: 298}},
	} {
		if r := FitRates(d, 0.005); r.K != nil || r.PerKelvin != nil {
			t.Errorf("%s: told %+v", name, r)
		}
	}
	// Warmer runs that were faster runs: one of the two cannot be parted from the other.
	if r := FitRates([]Delivery{at(1, 288.15), at(5, 308.15)}, 0.005); r.PerKelvin != nil {
		t.Errorf("two runs tell %+v", r)
	}
}

// The exponents that the published check values give for the measured cell: 1.018, 1.113, 1.053 (testdata/published/check_values.csv, my_trap_Ah).
func TestMeasuredRates(t *testing.T) {
	t.Log("source: G. Wiggins, S. Allu, H. Wang, Battery cell data, Oak Ridge National Laboratory (MIT licence, testdata/measured); exponents computed from it")
	q := map[string]Delivery{"1c": {30.33480 * 3600, 30.6, math.NaN()}, "2c": {29.95910 * 3600, 61.2, math.NaN()}, "3c": {28.62022 * 3600, 91.8, math.NaN()}}
	for _, c := range []struct {
		a, b string
		k    float64
	}{{"1c", "2c", 1.018}, {"2c", "3c", 1.113}, {"1c", "3c", 1.053}} {
		r := FitRates([]Delivery{q[c.a], q[c.b]}, 0.002)
		t.Logf("%s to %s: k %.4f ± %.4f, published %.3f", c.a, c.b, r.K.Value, r.K.Error, c.k)
		if math.Abs(r.K.Value-c.k) > 0.0006 {
			t.Errorf("%s to %s: k %.4f, published %.3f", c.a, c.b, r.K.Value, c.k)
		}
	}
}
