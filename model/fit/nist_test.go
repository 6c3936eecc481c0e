package fit

import (
	"bufio"
	"encoding/json"
	"math"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"testing"

	"gonum.org/v1/gonum/mat"

	"stuntcell/model/outside"
)

// The files are those of the NIST/ITL Statistical Reference Datasets, see testdata/nist/README.md.
const nist = "../../testdata/nist"

// strd is one data file: certified values and data.
type strd struct {
	start      [2][]float64
	value, err []float64
	rss, sd    float64
	rows       [][]float64
}

func lines(t *testing.T, name string) []string {
	t.Helper()
	f, err := os.Open(filepath.Join(nist, name))
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	var out []string
	for sc := bufio.NewScanner(f); sc.Scan(); {
		out = append(out, sc.Text())
	}
	return out
}

func numbers(line string) ([]float64, bool) {
	var out []float64
	for _, w := range strings.Fields(line) {
		v, err := strconv.ParseFloat(w, 64)
		if err != nil {
			return nil, false
		}
		out = append(out, v)
	}
	return out, len(out) > 0
}

// nonlinear reads a file of the nonlinear sets.
func nonlinear(t *testing.T, name string) strd {
	var d strd
	data := false
	for n, l := range lines(t, name+".dat") {
		if name, rest, ok := strings.Cut(l, "="); ok && n < 60 && strings.HasPrefix(strings.TrimSpace(name), "b") {
			if v, ok := numbers(rest); ok && len(v) == 4 {
				d.start[0] = append(d.start[0], v[0])
				d.start[1] = append(d.start[1], v[1])
				d.value = append(d.value, v[2])
				d.err = append(d.err, v[3])
			}
		}
		if rest, ok := strings.CutPrefix(l, "Residual Sum of Squares:"); ok {
			v, _ := numbers(rest)
			d.rss = v[0]
		}
		if rest, ok := strings.CutPrefix(l, "Residual Standard Deviation:"); ok {
			v, _ := numbers(rest)
			d.sd = v[0]
		}
		if v, ok := numbers(l); ok && data {
			d.rows = append(d.rows, v)
		}
		data = data || strings.HasPrefix(l, "Data:") && n > 50
	}
	if len(d.value) == 0 || len(d.rows) == 0 || d.rss == 0 {
		t.Fatalf("%s was not understood: %+v", name, d)
	}
	return d
}

// lre is the log relative error: the count of correct digits, at most 15.
func lre(got, want float64) float64 {
	if got == want {
		return 15
	}
	e := math.Abs(got - want)
	if want != 0 {
		e /= math.Abs(want)
	}
	return math.Max(0, math.Min(15, -math.Log10(e)))
}

func worst(got, want []float64) float64 {
	w := 15.0
	for i := range want {
		w = math.Min(w, lre(got[i], want[i]))
	}
	return w
}

func TestNISTNonlinear(t *testing.T) {
	t.Log("source: NIST/ITL Statistical Reference Datasets (testdata/nist, header text as published)")
	rational := func(b []float64, x float64) float64 {
		return (b[0] + x*(b[1]+x*(b[2]+x*b[3]))) / (1 + x*(b[4]+x*(b[5]+x*b[6])))
	}
	sets := []struct {
		name  string
		f     func(b []float64, x float64) float64
		least float64 // digits of every parameter, reference/README.md section 7
	}{
		{"Misra1a", func(b []float64, x float64) float64 { return b[0] * (1 - math.Exp(-b[1]*x)) }, 8},
		{"Chwirut2", func(b []float64, x float64) float64 { return math.Exp(-b[0]*x) / (b[1] + b[2]*x) }, 8},
		{"Lanczos3", func(b []float64, x float64) float64 {
			return b[0]*math.Exp(-b[1]*x) + b[2]*math.Exp(-b[3]*x) + b[4]*math.Exp(-b[5]*x)
		}, 6},
		{"Hahn1", rational, 6},
		{"MGH17", func(b []float64, x float64) float64 {
			return b[0] + b[1]*math.Exp(-x*b[3]) + b[2]*math.Exp(-x*b[4])
		}, 6},
		{"Rat43", func(b []float64, x float64) float64 {
			return b[0] / math.Pow(1+math.Exp(b[1]-b[2]*x), 1/b[3])
		}, 6},
		{"MGH09", func(b []float64, x float64) float64 { return b[0] * (x*x + x*b[1]) / (x*x + x*b[2] + b[3]) }, 6},
		{"Thurber", rational, 6},
		{"BoxBOD", func(b []float64, x float64) float64 { return b[0] * (1 - math.Exp(-b[1]*x)) }, 6},
	}
	for _, set := range sets {
		d := nonlinear(t, set.name)
		pr := Problem{N: len(d.rows), Residual: func(b, r []float64) {
			for i, row := range d.rows {
				r[i] = row[0] - set.f(b, row[1])
			}
		}}
		for s, start := range d.start {
			f, err := Nonlinear(pr, start, Settings{})
			if err != nil {
				t.Errorf("%s start %d: %v", set.name, s+1, err)
				continue
			}
			v, e := worst(f.Value, d.value), worst(f.Error, d.err)
			t.Logf("%-9s start %d: LRE %4.1f of the parameters, %4.1f of their standard errors, %4.1f of the residual sum (%d iterations)",
				set.name, s+1, v, e, lre(f.RSS, d.rss), f.Iterations)
			if v < set.least || e < 4 || lre(f.SD, d.sd) < 5 {
				t.Errorf("%s start %d: %.1f digits, want %.0f: got %v, certified %v (source: NIST StRD)", set.name, s+1, v, set.least, f.Value, d.value)
			}
		}
	}
}

// certified reads the values that nist_certified.json holds under a name.
func certified[T any](t *testing.T, name string) T {
	t.Helper()
	b, err := os.ReadFile(filepath.Join(nist, "nist_certified.json"))
	if err != nil {
		t.Fatal(err)
	}
	var all map[string]json.RawMessage
	if err := json.Unmarshal(b, &all); err != nil {
		t.Fatal(err)
	}
	var v T
	if err := json.Unmarshal(all[name], &v); err != nil {
		t.Fatal(name, err)
	}
	return v
}

func TestNISTLongley(t *testing.T) {
	t.Log("source: NIST/ITL Statistical Reference Datasets (testdata/nist, header text as published)")
	rows, _ := outside.Table(t, filepath.Join(nist, "Longley.csv"))
	a, y := mat.NewDense(len(rows), 7, nil), make([]float64, len(rows))
	for i, row := range rows {
		v, _ := numbers(strings.Join(row, " "))
		y[i] = v[0]
		a.SetRow(i, append([]float64{1}, v[1:]...))
	}
	got, err := Linear(a, y)
	if err != nil {
		t.Fatal(err)
	}
	want, sd := certified[[]float64](t, "longley"), certified[float64](t, "longley_sd")
	t.Logf("Longley: LRE %.1f of the coefficients, %.1f of the residual sd, condition %.2g", worst(got.Value, want), lre(got.SD, sd), got.Condition)
	if worst(got.Value, want) < 10 || lre(got.SD, sd) < 10 {
		t.Errorf("got %v sd %v, certified %v sd %v", got.Value, got.SD, want, sd)
	}
}

func TestNISTFilip(t *testing.T) {
	t.Log("source: NIST/ITL Statistical Reference Datasets (testdata/nist, header text as published)")
	var want, wantErr, x, y []float64
	data := false
	for n, l := range lines(t, "Filip.dat") {
		if w := strings.Fields(l); len(w) == 3 && strings.HasPrefix(w[0], "B") && n < 60 {
			v, ok := numbers(w[1] + " " + w[2])
			if ok {
				want, wantErr = append(want, v[0]), append(wantErr, v[1])
			}
		}
		if v, ok := numbers(l); ok && data {
			y, x = append(y, v[0]), append(x, v[1])
		}
		data = data || strings.HasPrefix(l, "Data:") && n > 50
	}
	if len(want) != 11 || len(x) != 82 {
		t.Fatalf("Filip.dat was not understood: %d coefficients, %d rows", len(want), len(x))
	}
	got, err := Polynomial(x, y, 10)
	if err != nil {
		t.Fatal(err)
	}
	sd := certified[float64](t, "filip_sd")
	t.Logf("Filip: LRE %.1f of the coefficients, %.1f of their standard errors, %.1f of the residual sd", worst(got.Value, want), worst(got.Error, wantErr), lre(got.SD, sd))
	if worst(got.Value, want) < 6 || worst(got.Error, wantErr) < 6 || lre(got.SD, sd) < 6 {
		t.Errorf("got %v, certified %v", got.Value, want)
	}
}

func TestNISTUnivariate(t *testing.T) {
	t.Log("source: NIST/ITL Statistical Reference Datasets (testdata/nist, header text as published)")
	for name, want := range certified[map[string][4]float64](t, "univariate") {
		var x []float64
		data := false
		for _, l := range lines(t, name+".dat") {
			if v, ok := numbers(l); ok && data {
				x = append(x, v[0])
			}
			data = data || strings.HasPrefix(l, "----")
		}
		s := Summarise(x)
		t.Logf("%s: LRE mean %.1f, sd %.1f, lag-1 autocorrelation %.1f", name, lre(s.Mean, want[1]), lre(s.SD, want[2]), lre(s.Lag1, want[3]))
		if float64(s.N) != want[0] || lre(s.Mean, want[1]) < 9 || lre(s.SD, want[2]) < 6 || lre(s.Lag1, want[3]) < 6 {
			t.Errorf("%s: got %+v, certified %v", name, s, want)
		}
		if name == "NumAcc4" {
			// The set exists to tell the two-pass formula from the one-pass one: it must.
			var s1, s2 float64
			for _, v := range x {
				s1 += v
				s2 += v * v
			}
			n := float64(len(x))
			if one := math.Sqrt((s2 - s1*s1/n) / (n - 1)); lre(one, want[2]) > 3 {
				t.Errorf("the one-pass formula gave %v too: the set no longer tells them apart", one)
			}
		}
	}
}
