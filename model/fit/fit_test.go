package fit

import (
	"errors"
	"math"
	"testing"

	"gonum.org/v1/gonum/mat"
	"pgregory.net/rapid"
)

func TestNonlinearRefusesWhatCannotBeFitted(t *testing.T) {
	line := func(p, r []float64) {
		for i := range r {
			r[i] = p[0] - float64(i)
		}
	}
	for _, c := range []struct {
		name  string
		pr    Problem
		start []float64
		set   Settings
		want  error
	}{
		{"fewer data than parameters", Problem{N: 1, Residual: line}, []float64{1, 2}, Settings{}, ErrData},
		{"no parameter", Problem{N: 3, Residual: line}, nil, Settings{}, ErrData},
		{"NaN at the start", Problem{N: 3, Residual: func(p, r []float64) { r[0] = math.NaN() }}, []float64{1}, Settings{}, ErrStart},
		{"too few iterations", Problem{N: 3, Residual: func(p, r []float64) {
			for i := range r {
				r[i] = math.Exp(p[0]) - 1e6
			}
		}}, []float64{0}, Settings{Iterations: 2}, ErrNoConvergence},
	} {
		if _, err := Nonlinear(c.pr, c.start, c.set); !errors.Is(err, c.want) {
			t.Errorf("%s: %v, want %v", c.name, err, c.want)
		}
	}
}

// Two parameters of which only the sum matters: the fit ends, and says so.
func TestNonlinearSaysWhatTheDataDoNotTell(t *testing.T) {
	noise := []float64{0.1, -0.2, 0.05, 0.07, -0.02, 0}
	f, err := Nonlinear(Problem{N: 6, Residual: func(p, r []float64) {
		for i := range r {
			r[i] = p[0] + p[1] + p[2]*float64(i) - 3 - 2*float64(i) + noise[i]
		}
	}}, []float64{1, 1, 1}, Settings{})
	if err != nil {
		t.Fatal(err)
	}
	if !math.IsInf(f.Condition, 1) || !math.IsInf(f.Error[0], 1) || !math.IsInf(f.Error[1], 1) {
		t.Errorf("condition %g, errors %v: parameters 0 and 1 are not determined", f.Condition, f.Error)
	}
	if !(f.Error[2] > 0 && f.Error[2] < 0.1) {
		t.Errorf("the slope is determined, its error is %v", f.Error[2])
	}
	if len(f.Weak) != 2 || f.Weak[0] != 0 || f.Weak[1] != 1 {
		t.Errorf("weak parameters %v, want 0 and 1", f.Weak)
	}
}

func TestAnalyticAndNumericJacobianAgree(t *testing.T) {
	x := []float64{0, 1, 2, 3, 4, 5}
	y := []float64{5, 3.2, 2.1, 1.3, 0.8, 0.55}
	pr := Problem{N: 6, Residual: func(p, r []float64) {
		for i := range r {
			r[i] = y[i] - p[0]*math.Exp(-p[1]*x[i])
		}
	}}
	a, err := Nonlinear(pr, []float64{1, 1}, Settings{})
	if err != nil {
		t.Fatal(err)
	}
	pr.Jacobian = func(p []float64, j *mat.Dense) {
		for i := range x {
			e := math.Exp(-p[1] * x[i])
			j.Set(i, 0, -e)
			j.Set(i, 1, p[0]*x[i]*e)
		}
	}
	b, err := Nonlinear(pr, []float64{1, 1}, Settings{})
	if err != nil {
		t.Fatal(err)
	}
	for i := range a.Value {
		if lre(a.Value[i], b.Value[i]) < 9 || lre(a.Error[i], b.Error[i]) < 8 {
			t.Errorf("parameter %d: %v ± %v against %v ± %v", i, a.Value[i], a.Error[i], b.Value[i], b.Error[i])
		}
	}
}

// A law of linear least squares: what is exactly a polynomial is found, whatever the range of x.
func TestPolynomialFindsItsOwn(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		b := rapid.SliceOfN(rapid.Float64Range(-10, 10), 1, 5).Draw(t, "b")
		mid := rapid.Float64Range(-100, 100).Draw(t, "mid")
		half := rapid.Float64Range(0.1, 50).Draw(t, "half")
		var x, y []float64
		size := 0.0
		for i := 0; i < 12; i++ {
			u := mid + half*(float64(i)/5.5-1)
			v, p := 0.0, 1.0
			for _, c := range b {
				v += c * p
				size = math.Max(size, math.Abs(c*p))
				p *= u
			}
			x, y = append(x, u), append(y, v)
		}
		f, err := Polynomial(x, y, len(b)-1)
		if err != nil {
			t.Fatal(err)
		}
		for i := range x {
			if math.Abs(f.Residual[i]) > 1e-12*(size+1) {
				t.Fatalf("residual %g at %g of size %g", f.Residual[i], x[i], size)
			}
		}
	})
}

func TestLinearRefusesBadData(t *testing.T) {
	for name, c := range map[string]struct {
		a *mat.Dense
		y []float64
	}{
		"lengths":  {mat.NewDense(3, 1, []float64{1, 1, 1}), []float64{1, 2}},
		"too few":  {mat.NewDense(1, 2, []float64{1, 1}), []float64{1}},
		"NaN in y": {mat.NewDense(2, 1, []float64{1, 1}), []float64{1, math.NaN()}},
		"Inf in a": {mat.NewDense(2, 1, []float64{1, math.Inf(1)}), []float64{1, 1}},
	} {
		if _, err := Linear(c.a, c.y); !errors.Is(err, ErrData) {
			t.Errorf("%s: %v", name, err)
		}
	}
	f, err := Linear(mat.NewDense(3, 2, []float64{1, 2, 2, 4, 3, 6}), []float64{1, 2, 3.1})
	if err != nil {
		t.Fatal(err)
	}
	if f.Cov != nil || !math.IsInf(f.Error[0], 1) {
		t.Errorf("columns that depend on each other: %+v", f)
	}
}

func TestSummariseEdges(t *testing.T) {
	if s := Summarise(nil); !math.IsNaN(s.Mean) || !math.IsNaN(s.SD) {
		t.Errorf("nothing: %+v", s)
	}
	if s := Summarise([]float64{3}); s.Mean != 3 || !math.IsNaN(s.SD) {
		t.Errorf("one: %+v", s)
	}
	if s := Summarise([]float64{3, 3, 3}); s.SD != 0 || !math.IsNaN(s.Lag1) {
		t.Errorf("equal: %+v", s)
	}
}
