package budget

import (
	"encoding/json"
	"errors"
	"math"
	"os"
	"testing"
)

// read takes a file of testdata/gum into v; every test below uses the published values in it.
func read(t *testing.T, name string, v any) {
	t.Helper()
	b, err := os.ReadFile("../../testdata/gum/" + name)
	if err != nil {
		t.Fatal(err)
	}
	if err := json.Unmarshal(b, v); err != nil {
		t.Fatal(name, err)
	}
}

func near(t *testing.T, what string, got, want, tol float64) {
	t.Helper()
	if !(math.Abs(got-want) <= tol) {
		t.Errorf("%s: got %.8g, want %.8g within %g", what, got, want, tol)
	}
}

// JCGM 100:2008, H.1: an end gauge, with Welch-Satterthwaite.
func TestGUMH1(t *testing.T) {
	t.Log("source: JCGM 100:2008, H.1 (values as in the test suites of two public uncertainty libraries; testdata/gum/gum_h1.json)")
	var d struct {
		Inputs struct {
			Ls    []float64   `json:"ls"`
			Parts [][]float64 `json:"d_parts"`
		} `json:"inputs_nm"`
		Published struct {
		}
		Raw map[string]any `json:"published"`
	}
	read(t, "gum_h1.json", &d)
	pub := func(k string) float64 { return d.Raw[k].(float64) }
	var in []Input
	for _, p := range append([][]float64{d.Inputs.Ls}, d.Inputs.Parts...) {
		in = append(in, Input{Value: p[0], U: p[1], DOF: p[2]})
	}
	in = append(in,
		Input{Name: "alpha_s", Value: 11.5e-6, U: Rectangular.Half(2e-6), Shape: Rectangular},
		Input{Name: "dalpha", U: Rectangular.Half(1e-6), Shape: Rectangular, DOF: 50},
		Input{Name: "dtheta", U: Rectangular.Half(0.05), Shape: Rectangular, DOF: 2},
		Input{Name: "theta mean", Value: -0.1, U: 0.2},
		Input{Name: "theta swing", U: Arcsine.Half(0.5), Shape: Arcsine})
	m := Model{Inputs: in, Outputs: 2, F: func(x, y []float64) {
		y[1] = x[1] + x[2] + x[3]
		y[0] = x[0] + y[1] - x[0]*(x[5]*(x[7]+x[8])+x[4]*x[6])
	}}
	p, err := Propagate(m)
	if err != nil {
		t.Fatal(err)
	}
	t.Logf("H.1: u %.3f nm, dof %.2f, u(d) %.3f, dof(d) %.2f, U99 %.1f nm", p.U[0], p.DOF[0], p.U[1], p.DOF[1], Coverage(0.99, p.DOF[0])*p.U[0])
	near(t, "l", p.Y[0], pub("l_nm"), 0.5)
	near(t, "u(l)", p.U[0], pub("u_l_nm"), 0.4)
	near(t, "dof", p.DOF[0], pub("dof"), 1)
	near(t, "u(d)", p.U[1], pub("u_d"), 0.05)
	// The guide's 25.6 comes from 9.7 rounded; from unrounded parts it is 25.45.
	near(t, "dof(d)", p.DOF[1]*math.Pow(9.7/p.U[1], 4), pub("dof_d"), 0.05)
	near(t, "k", Coverage(0.99, p.DOF[0]), pub("k"), 0.005)
	near(t, "U99", Coverage(0.99, p.DOF[0])*p.U[0], pub("U99_nm"), 1)
}

// JCGM 100:2008, H.2: resistance, reactance and impedance from correlated observations; Monte Carlo beside it.
func TestGUMH2(t *testing.T) {
	t.Log("source: JCGM 100:2008, H.2 (values as in the test suites of two public uncertainty libraries; testdata/gum/gum_h2.json)")
	var d struct {
		V, I      []float64
		IMA       []float64 `json:"I_mA"`
		Phi       []float64 `json:"phi_rad"`
		Published map[string]any
		Computed  map[string]float64
		Memory    map[string]float64 `json:"published_from_memory"`
	}
	read(t, "gum_h2.json", &d)
	m, err := Observed([]string{"V", "I", "phi"}, [][]float64{d.V, d.IMA, d.Phi})
	if err != nil {
		t.Fatal(err)
	}
	m.Outputs = 3
	m.F = func(x, y []float64) {
		z := x[0] / x[1] * 1000
		y[0], y[1], y[2] = z*math.Cos(x[2]), z*math.Sin(x[2]), z
	}
	p, err := Propagate(m)
	if err != nil {
		t.Fatal(err)
	}
	t.Logf("H.2: R %.6f ± %.6f, X %.6f ± %.6f, Z %.6f ± %.6f; r(R,X) %.5f r(R,Z) %.5f r(X,Z) %.5f",
		p.Y[0], p.U[0], p.Y[1], p.U[1], p.Y[2], p.U[2], p.Correlation(0, 1), p.Correlation(0, 2), p.Correlation(1, 2))
	for i, n := range []string{"R", "X", "Z"} {
		near(t, n+" published", p.Y[i], d.Published[n].(float64), 0.0005)
		near(t, "u("+n+") published", p.U[i], d.Published["u_"+n].(float64), 0.001)
		near(t, n+" computed", p.Y[i], d.Computed[n], 1e-8)
		near(t, "u("+n+") computed", p.U[i], d.Computed["u_"+n], 1e-8)
	}
	near(t, "r(R,X)", p.Correlation(0, 1), d.Computed["r_RX"], 1e-6)
	near(t, "r(R,Z)", p.Correlation(0, 2), d.Computed["r_RZ"], 1e-6)
	near(t, "r(X,Z)", p.Correlation(1, 2), d.Computed["r_XZ"], 1e-6)
	near(t, "r(R,X) published", p.Correlation(0, 1), d.Memory["r_RX"], 0.0005)
	near(t, "dof", p.DOF[0], 4, 1e-6)
	s, err := MonteCarlo(m, Trials{Exactly: 200_000, Seed: 1})
	if err != nil {
		t.Fatal(err)
	}
	for i := range s {
		near(t, "Monte Carlo u", s[i].U, p.U[i], 0.01*p.U[i])
		near(t, "Monte Carlo y", s[i].Y, p.Y[i], 0.01*p.U[i])
	}
}

type s1 struct {
	Normal struct{ Exact float64 } `json:"9.2.2_four_normal_sd1"`
	Rect   struct{ Exact float64 } `json:"9.2.3_four_rect_sd1"`
	Mixed  struct {
		U        float64 `json:"exact_u"`
		Endpoint float64 `json:"exact_endpoint"`
	} `json:"9.2.4_three_rect_sd1_one_rect_sd10"`
	Loss map[string]json.RawMessage `json:"9.4_comparison_loss_u0.005_r0_values_x1e-6"`
	Log  struct {
		GUF, MC []float64
		Upper   float64   `json:"guf_upper95"`
		Short   []float64 `json:"mc_shortest95"`
		Tol     float64   `json:"tolerance"`
	} `json:"NPL_DEM-ES-011_log"`
}

func sum4(u [4]float64, shape Shape) Model {
	m := Model{Outputs: 1, F: func(x, y []float64) { y[0] = x[0] + x[1] + x[2] + x[3] }}
	for _, u := range u {
		m.Inputs = append(m.Inputs, Input{U: u, Shape: shape})
	}
	return m
}

// JCGM 101:2008, 9.2: additive models.
func TestGUMS1Additive(t *testing.T) {
	t.Log("source: JCGM 101:2008, 9.2 (9.2.2 and 9.2.3 as in two public uncertainty libraries, 9.2.4 from memory; testdata/gum/gum_s1.json)")
	var d s1
	read(t, "gum_s1.json", &d)
	// 0.016 is three standard deviations of the 97.5 % point of a million trials: sqrt(0.975·0.025/1e6)/0.0292.
	for _, c := range []struct {
		name             string
		m                Model
		u, end, tol, guf float64
		mc               bool // Monte Carlo is to be quoted
	}{
		{"9.2.2", sum4([4]float64{1, 1, 1, 1}, Normal), 2, d.Normal.Exact, 0.016, 3.92, false},
		{"9.2.3", sum4([4]float64{1, 1, 1, 1}, Rectangular), 2, d.Rect.Exact, 0.016, 3.92, false},
		{"9.2.4", sum4([4]float64{1, 1, 1, 10}, Rectangular), d.Mixed.U, d.Mixed.Endpoint, 0.05, 19.9, true},
	} {
		p, err := Propagate(c.m)
		if err != nil {
			t.Fatal(err)
		}
		s, err := MonteCarlo(c.m, Trials{P: 0.95, Exactly: 1_000_000, Seed: 1})
		if err != nil {
			t.Fatal(err)
		}
		t.Logf("%s: u %.4f, law ±%.3f, Monte Carlo [%.4f, %.4f], exact ±%.4f", c.name, s[0].U, Coverage(0.95, math.Inf(1))*p.U[0], s[0].Low, s[0].High, c.end)
		near(t, c.name+" u of the law", p.U[0], c.u, 1e-6)
		near(t, c.name+" u", s[0].U, c.u, 0.005*c.u)
		near(t, c.name+" low", s[0].Low, -c.end, c.tol)
		near(t, c.name+" high", s[0].High, c.end, c.tol)
		near(t, c.name+" law", 1.959964*p.U[0], c.guf, 0.05)
		if q := Compare(p, s, 0, 0.95, 2); q.ByMonteCarlo != c.mc {
			t.Errorf("%s: quoted by Monte Carlo %v, want %v: %s", c.name, q.ByMonteCarlo, c.mc, q.Why)
		}
	}
}

// JCGM 101:2008, 9.4: comparison loss, y = x1² + x2² about zero, where the law of propagation fails.
func TestGUMS1ComparisonLoss(t *testing.T) {
	t.Log("source: JCGM 101:2008, 9.4 (intervals as in the documentation of a public image-measurement library; exact values computed; testdata/gum/gum_s1.json)")
	var d s1
	read(t, "gum_s1.json", &d)
	for _, x1 := range []string{"0.000", "0.010", "0.050"} {
		var c struct{ GUF, Exact []json.RawMessage }
		if err := json.Unmarshal(d.Loss["x1_"+x1], &c); err != nil {
			t.Fatal(err)
		}
		var v struct {
			gufY, gufU, y, u float64
			guf, end         [2]float64
		}
		for i, p := range []any{&v.gufY, &v.gufU, &v.guf} {
			if err := json.Unmarshal(c.GUF[i], p); err != nil {
				t.Fatal(err)
			}
		}
		for i, p := range []any{&v.y, &v.u, &v.end} {
			if err := json.Unmarshal(c.Exact[i], p); err != nil {
				t.Fatal(err)
			}
		}
		var at float64
		if err := json.Unmarshal([]byte(x1), &at); err != nil {
			t.Fatal(err)
		}
		m := Model{Outputs: 1, Inputs: []Input{{Name: "x1", Value: at, U: 0.005}, {Name: "x2", U: 0.005}},
			F: func(x, y []float64) { y[0] = 1e6 * (x[0]*x[0] + x[1]*x[1]) }}
		p, err := Propagate(m)
		if err != nil {
			t.Fatal(err)
		}
		s, err := MonteCarlo(m, Trials{P: 0.95, Exactly: 1_000_000, Seed: 3})
		if err != nil {
			t.Fatal(err)
		}
		t.Logf("9.4 x1 %s: law %.1f ± %.1f; Monte Carlo %.2f, u %.2f, shortest [%.1f, %.1f]; exact %v", x1, p.Y[0], p.U[0], s[0].Y, s[0].U, s[0].ShortLow, s[0].ShortHigh, v)
		near(t, x1+" law y", p.Y[0], v.gufY, 1e-6)
		near(t, x1+" law u", p.U[0], v.gufU, 1e-6)
		near(t, x1+" law low", p.Y[0]-1.959964*p.U[0], v.guf[0], 0.5)
		near(t, x1+" law high", p.Y[0]+1.959964*p.U[0], v.guf[1], 0.5)
		near(t, x1+" y", s[0].Y, v.y, 1.5)
		near(t, x1+" u", s[0].U, v.u, 1.5)
		near(t, x1+" shortest low", s[0].ShortLow, v.end[0], 6)
		near(t, x1+" shortest high", s[0].ShortHigh, v.end[1], 6)
		if q := Compare(p, s, 0, 0.95, 2); !q.ByMonteCarlo {
			t.Errorf("x1 %s: the law of propagation is quoted: %s", x1, q.Why)
		}
	}
}

// NPL report DEM-ES-011, 9.2: y = ln x, x uniform on 0.1 to 1.1. Numbers are the mean and standard deviation.
func TestGUMLogOfUniform(t *testing.T) {
	t.Log("source: NPL report DEM-ES-011, 9.2, ln x of x uniform on (0.1, 1.1) (as in a public uncertainty library; testdata/gum/gum_s1.json)")
	var d s1
	read(t, "gum_s1.json", &d)
	m := Model{Outputs: 1, Inputs: []Input{{Name: "x", Value: 0.6, U: Rectangular.Half(0.5), Shape: Rectangular}}, F: func(x, y []float64) { y[0] = math.Log(x[0]) }}
	p, err := Propagate(m)
	if err != nil {
		t.Fatal(err)
	}
	s, err := MonteCarlo(m, Trials{P: 0.95, Exactly: 1_000_000, Seed: 11})
	if err != nil {
		t.Fatal(err)
	}
	t.Logf("ln x: law %.4f ± %.4f; Monte Carlo %.4f ± %.4f, shortest [%.4f, %.4f]", p.Y[0], p.U[0], s[0].Y, s[0].U, s[0].ShortLow, s[0].ShortHigh)
	near(t, "law y", p.Y[0], d.Log.GUF[0], d.Log.Tol)
	near(t, "law u", p.U[0], d.Log.GUF[1], d.Log.Tol)
	near(t, "law upper end", p.Y[0]+1.959964*p.U[0], d.Log.Upper, d.Log.Tol)
	near(t, "Monte Carlo y", s[0].Y, d.Log.MC[0], d.Log.Tol)
	near(t, "Monte Carlo u", s[0].U, d.Log.MC[1], d.Log.Tol)
	near(t, "shortest low", s[0].ShortLow, d.Log.Short[0], 0.01)
	near(t, "shortest high", s[0].ShortHigh, d.Log.Short[1], d.Log.Tol)
	if q := Compare(p, s, 0, 0.95, 2); !q.ByMonteCarlo {
		t.Error("the law of propagation is quoted for a logarithm over a decade")
	}
}

func TestAdaptiveStopsWhenStable(t *testing.T) {
	m := sum4([4]float64{1, 1, 1, 1}, Normal)
	one, err := MonteCarlo(m, Trials{P: 0.95, Digits: 1, Seed: 5})
	if err != nil {
		t.Fatal(err)
	}
	five, err := MonteCarlo(m, Trials{P: 0.95, Digits: 2, Seed: 5})
	if err != nil {
		t.Fatal(err)
	}
	if !one[0].Stable || !five[0].Stable || one[0].Trials >= five[0].Trials {
		t.Errorf("one digit %+v, two digits %+v: more digits need more trials", one[0], five[0])
	}
	near(t, "tolerance", five[0].Tolerance, 0.05, 1e-12)
	short, err := MonteCarlo(m, Trials{P: 0.95, Finer: 100, Most: 50_000, Seed: 5})
	if err != nil {
		t.Fatal(err)
	}
	if short[0].Stable || short[0].Trials > 50_000 {
		t.Errorf("stopped at the limit, but says %+v", short[0])
	}
	again, err := MonteCarlo(m, Trials{P: 0.95, Digits: 2, Seed: 5})
	if err != nil || again[0] != five[0] {
		t.Errorf("the same seed gave %+v and %+v (%v)", again, five, err)
	}
}

func TestShapesHaveUnitVariance(t *testing.T) {
	for _, c := range []struct {
		in   Input
		want float64
	}{
		{Input{U: 1, Shape: Normal}, 1},
		{Input{U: 1, Shape: Rectangular}, 1},
		{Input{U: 1, Shape: Triangular}, 1},
		{Input{U: 1, Shape: Arcsine}, 1},
		{Input{U: 1, Shape: Student, DOF: 6}, math.Sqrt(6.0 / 4)},
		{Input{U: 1, Shape: Student, DOF: 9}, math.Sqrt(9.0 / 7)},
		// Half-width itself of variance 1/(2 dof): E a² = 1 + 1/(2 dof).
		{Input{U: 1, Shape: Rectangular, DOF: 5}, math.Sqrt(1.1)},
	} {
		s, err := MonteCarlo(Model{Inputs: []Input{c.in}, Outputs: 1, F: func(x, y []float64) { y[0] = x[0] }}, Trials{Exactly: 400_000, Seed: 2})
		if err != nil {
			t.Fatal(err)
		}
		near(t, c.in.Shape.String(), s[0].U, c.want, 0.01*c.want)
		near(t, c.in.Shape.String()+" mean", s[0].Y, 0, 0.01)
	}
}

// Student's t at 95 %, from any printed table: 12.71, 2.78, 2.23, 1.96; at 95.45 % without limit 2.00 (JCGM 100, table G.2).
func TestCoverage(t *testing.T) {
	for _, c := range []struct{ p, dof, want float64 }{
		{0.95, 1, 12.71}, {0.95, 4, 2.78}, {0.95, 10.9, 2.23}, {0.95, math.Inf(1), 1.96}, {0.9545, math.Inf(1), 2}, {0.95, 0.3, 12.71},
		{0.9545, 10, 2.28}, {0.99, 16, 2.92},
	} {
		near(t, "k", Coverage(c.p, c.dof), c.want, 0.006)
	}
}

func TestRound(t *testing.T) {
	for _, c := range []struct {
		y, u   float64
		digits int
		ys, us string
	}{
		// JCGM 100, 7.2.6: 10.47 mohm may become 11 mohm; 10.05762 ohm with 27 mohm is 10.058 ohm.
		{10.05762, 0.027, 2, "10.058", "0.027"},
		{6.2971, 0.0996, 2, "6.30", "0.10"},
		{6.2971, 0.1049, 2, "6.30", "0.10"},
		{6.2971, 0.104, 1, "6.3", "0.1"},
		{6.2971, 0.149, 1, "6.3", "0.2"},
		{1234.5, 27, 1, "1230", "30"},
		{-0.00123456, 0.0000321, 2, "-0.001235", "0.000032"},
		{5, 0, 2, "5", "0"},
		{100, 99.7, 2, "100", "100"},
	} {
		ys, us := Round(c.y, c.u, c.digits)
		if ys != c.ys || us != c.us {
			t.Errorf("%v ± %v to %d digits: %s ± %s, want %s ± %s", c.y, c.u, c.digits, ys, us, c.ys, c.us)
		}
	}
}

func TestImpossibleModels(t *testing.T) {
	f := func(x, y []float64) { y[0] = x[0] }
	a, b, c := Input{Name: "a", U: 1}, Input{Name: "b", U: 1}, Input{Name: "c", U: 1}
	for name, m := range map[string]Model{
		"negative u":     {Inputs: []Input{{U: -1}}, Outputs: 1, F: f},
		"infinite u":     {Inputs: []Input{{U: math.Inf(1)}}, Outputs: 1, F: f},
		"NaN value":      {Inputs: []Input{{Value: math.NaN()}}, Outputs: 1, F: f},
		"NaN dof":        {Inputs: []Input{{DOF: math.NaN()}}, Outputs: 1, F: f},
		"no result":      {Inputs: []Input{a}, F: f},
		"shape":          {Inputs: []Input{{Shape: 99}}, Outputs: 1, F: f},
		"correlation":    {Inputs: []Input{a, b}, Outputs: 1, F: f, Correlations: []Correlation{{0, 1, 1.1}}},
		"contradiction":  {Inputs: []Input{a, b, c}, Outputs: 1, F: f, Correlations: []Correlation{{0, 1, 0.9}, {0, 2, 0.9}, {1, 2, -0.9}}},
		"itself":         {Inputs: []Input{a, b}, Outputs: 1, F: f, Correlations: []Correlation{{1, 1, 0.5}}},
		"divide by zero": {Inputs: []Input{a}, Outputs: 1, F: func(x, y []float64) { y[0] = 1 / x[0] }},
	} {
		if _, err := Propagate(m); !errors.Is(err, ErrModel) {
			t.Errorf("%s: %v", name, err)
		}
	}
	m := Model{Inputs: []Input{a, {Name: "r", U: 1, Shape: Rectangular}}, Outputs: 1, F: f, Correlations: []Correlation{{0, 1, 0.5}}}
	if _, err := MonteCarlo(m, Trials{}); !errors.Is(err, ErrModel) {
		t.Errorf("a correlated rectangular input was drawn: %v", err)
	}
	if _, err := MonteCarlo(Model{Inputs: []Input{a}, Outputs: 1, F: f}, Trials{P: 2}); !errors.Is(err, ErrModel) {
		t.Errorf("a probability of 2: %v", err)
	}
	// Fully correlated is possible.
	full := Model{Inputs: []Input{a, b}, Outputs: 1, F: func(x, y []float64) { y[0] = x[0] + x[1] }, Correlations: []Correlation{{0, 1, 1}}}
	p, err := Propagate(full)
	if err != nil {
		t.Fatal(err)
	}
	near(t, "fully correlated", p.U[0], 2, 1e-9)
	s, err := MonteCarlo(full, Trials{Exactly: 100_000})
	if err != nil {
		t.Fatal(err)
	}
	near(t, "fully correlated, drawn", s[0].U, 2, 0.02)
}

// Gain and offset of one fit share its scatter, so that their joint distribution is a t with the fit's degrees of freedom: any sum of them, and
// so a reading at any current, is k(nu)·u wide. Drawn as normal ones they would give 2·u whatever the degrees of freedom.
func TestCorrelatedStudent(t *testing.T) {
	const dof, r = 3, 0.8
	in := func(name string) Input { return Input{Name: name, U: 1, Shape: Student, DOF: dof} }
	m := Model{Inputs: []Input{in("gain"), in("offset")}, Outputs: 1, Correlations: []Correlation{{0, 1, r}}, F: func(x, y []float64) { y[0] = x[0] + x[1] }}
	p, err := Propagate(m)
	if err != nil {
		t.Fatal(err)
	}
	near(t, "u", p.U[0], math.Sqrt(2+2*r), 1e-9)
	near(t, "degrees of freedom", p.DOF[0], dof, 1e-9)
	s, err := MonteCarlo(m, Trials{P: 0.95, Exactly: 1_000_000, Seed: 1})
	if err != nil {
		t.Fatal(err)
	}
	// 3.182: table G.2 of JCGM 100, nu 3, 95 %.
	near(t, "upper end", s[0].High, 3.182*math.Sqrt(2+2*r), 0.04)
	near(t, "lower end", s[0].Low, -3.182*math.Sqrt(2+2*r), 0.04)
	m.Inputs[1].DOF = 4
	if _, err := MonteCarlo(m, Trials{Exactly: 10}); !errors.Is(err, ErrModel) {
		t.Errorf("two scatters were drawn as one: %v", err)
	}
}
