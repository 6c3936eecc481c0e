package audit

import (
	"fmt"
	"math"
	"strings"
	"testing"
	"time"

	"pgregory.net/rapid"
)

// The exponents that reference/README.md, section 11, computes from the three logs that ship: 1.018 (1C to 2C), 1.113 (2C to 3C), 1.053 (1C to 3C).
func TestMeasuredPeukert(t *testing.T) {
	t.Log("source: G. Wiggins, S. Allu, H. Wang, Battery cell data, Oak Ridge National Laboratory (MIT licence, testdata/measured)")
	q := map[string]float64{"1c": 30.33480, "2c": 29.95910, "3c": 28.62022} // check_values.csv, my_trap_Ah
	i := map[string]float64{"1c": 30.60, "2c": 61.20, "3c": 91.80}
	for _, c := range []struct {
		a, b string
		want float64
	}{{"1c", "2c", 1.018}, {"2c", "3c", 1.113}, {"1c", "3c", 1.053}} {
		k, u := Exponent(q[c.a], i[c.a], q[c.b], i[c.b], 0.0005)
		if math.Abs(k-c.want) > 0.0006 || !(u > 0 && u < 0.01) {
			t.Errorf("%s to %s: k %.4f ± %.4f, want %.3f", c.a, c.b, k, u, c.want)
		}
	}
}

func TestBring(t *testing.T) {
	// 100 Ah at 15 degC with 0.6 %/K is 100/(1 - 0.06) = 106.38 Ah at 25 degC.
	b := Bring(360000, 5, Conditions{Reference: 298.15, Cell: 288.15, Lambda: 0.006, LambdaU: 0.001, Rated: 360000})
	if math.Abs(b.Value/3600-106.38298) > 1e-4 || math.Abs(float64(b.Share)-1.0638298) > 1e-6 {
		t.Errorf("%+v", b)
	}
	if math.Abs(b.U/b.Value-0.01*1.0638298) > 1e-6 {
		t.Errorf("0.001 1/K over 10 K is 1 %% of the correction, got %v", b.U/b.Value)
	}
	// Twice the rated current with k 1.2: 2^0.2 more at the rated one.
	b = Bring(3600, 2, Conditions{RatedCurrent: 1, K: 1.2})
	if math.Abs(b.Value/3600-math.Pow(2, 0.2)) > 1e-12 {
		t.Errorf("%+v", b)
	}
	if b = Bring(3600, 2, Conditions{}); b.Value != 3600 || b.U != 0 || b.Share.Known() {
		t.Errorf("nothing to correct: %+v", b)
	}
}

func TestGradesWithGuardBand(t *testing.T) {
	for _, c := range []struct {
		value, u, dof, limit float64
		want                 Grade
		p                    float64
	}{
		{0.85, 0.01, 0, 0.8, Above, 1}, {0.81, 0.01, 0, 0.8, Undecided, 0.8413}, {0.8, 0.01, 0, 0.8, Undecided, 0.5}, {0.75, 0.02, 0, 0.8, Under, 0.0062},
		{0.8, 0, 0, 0.8, Above, 1}, {0.79, 0, 0, 0.8, Under, 0},
		// One degree of freedom: t is 6.314 one-sided at 95 %, and its distribution 1/2 + atan(t)/pi.
		{0.85, 0.01, 1, 0.8, Undecided, 0.9372}, {0.864, 0.01, 1.9, 0.8, Above, 0.9507},
	} {
		g, p := Judge(c.value, c.u, c.dof, c.limit)
		if g != c.want || math.Abs(p-c.p) > 1e-3 {
			t.Errorf("%v ± %v against %v: %s, p %.4f; want %s, %.4f", c.value, c.u, c.limit, g, p, c.want, c.p)
		}
	}
}

func TestEquality(t *testing.T) {
	if en, equal := Equality(6.3, 0.1, 6.4, 0.1); !equal || math.Abs(en-0.1/math.Hypot(0.1, 0.1)) > 1e-12 {
		t.Errorf("E_n %v", en)
	}
	if en, equal := Equality(6.3, 0.1, 6.6, 0.1); equal || en < 2 {
		t.Errorf("E_n %v", en)
	}
	rapid.Check(t, func(t *rapid.T) {
		a, b := rapid.Float64Range(1, 10).Draw(t, "a"), rapid.Float64Range(1, 10).Draw(t, "b")
		ua, ub := rapid.Float64Range(0.01, 1).Draw(t, "ua"), rapid.Float64Range(0.01, 1).Draw(t, "ub")
		x, e1 := Equality(a, ua, b, ub)
		y, e2 := Equality(b, ub, a, ua)
		if x != y || e1 != e2 {
			t.Fatalf("not symmetric: %v %v", x, y)
		}
	})
}

func TestFading(t *testing.T) {
	var at, q []float64
	for m := range 12 {
		at = append(at, float64(time.Date(2025, time.Month(1+m), 1, 0, 0, 0, 0, time.UTC).Unix()))
		q = append(q, 7*(1-0.05*float64(m)/12)+0.01*math.Sin(float64(m)*2.4))
	}
	f, err := Fading(at, q)
	if err != nil {
		t.Fatal(err)
	}
	if math.Abs(f.PerYear+0.05) > 0.005 || f.Repeat > 0.002 {
		t.Errorf("%+v", f)
	}
	// 7 Ah new, of 10 Ah rated, lose 0.35 Ah a year: from 8.3 Ah it is not a year to 8 Ah but 0.3/0.35 of one.
	if left := f.Until(8.3, 8); math.Abs(left-0.3/0.35) > 0.1 {
		t.Errorf("%v years from 8.3 to 8 Ah", left)
	}
	if _, err := Fading(at[:2], q[:2]); err == nil {
		t.Error("two capacities make no line")
	}
}

// Cell B0005 of B. Saha and K. Goebel, Battery Data Set, NASA Prognostics Data Repository, 2007: 2 A at 24 degC to 2.7 V. Its record is not kept here (the
// licence is not stated); what was computed from it, and the published capacities of discharges 1, 2 and 168, allow this much.
func TestMeasuredB0005(t *testing.T) {
	t.Log("source: B. Saha, K. Goebel, Battery Data Set, NASA Prognostics Data Repository, 2007, cell B0005: published capacities, and sums computed from the record for the common reference")
	const first, second, last = 1.8564874208181574, 1.846327249719927, 1.3250793286429356   // published [Ah]
	const left, right, trapezoid, less = 1.851209568, 1.861765274, 1.856487421, 1.845468106 // computed of discharge 1 [Ah]
	if d := (left+right)/2 - trapezoid; math.Abs(d) > 1e-9 {
		t.Errorf("the mean of both rectangles is off the trapezoid by %v Ah", d)
	}
	if d := trapezoid - first; math.Abs(d) > 1e-9 {
		t.Errorf("the trapezoid is off the published capacity by %v Ah", d)
	}
	// One row less at the end, and the left rectangle: 0.59 % and 0.28 % low. The audit takes the first row at the level with the discharge, and the bound
	// that it states covers any rectangle: half the difference of the two is what the current's steps leave open.
	for _, c := range []struct {
		what   string
		ah, by float64
	}{{"one sample less", less, 0.0059}, {"left rectangle", left, 0.0028}} {
		if by := 1 - c.ah/first; math.Abs(by-c.by) > 5e-5 {
			t.Errorf("%s loses %.3f %%, %.2f %% is on record", c.what, 100*by, 100*c.by)
		}
	}
	// A discharge at 2 A whose last row is the first at or below 2.7 V, as in that record: rows of 10 s, then the load goes off.
	var b strings.Builder
	b.WriteString("t (s),U (V),I (A)\n")
	rows := 0
	for k := 0; ; k++ {
		v := 4.2 - 0.0045*float64(k)
		fmt.Fprintf(&b, "%d,%.4f,-2.0000\n", 10*k, v)
		if rows = k; v <= 2.7 {
			break
		}
	}
	fmt.Fprintf(&b, "%d,3.0000,0.0000\n%d,3.1000,0.0000\n%d,3.1500,0.0000\n", 10*rows+10, 10*rows+20, 10*rows+30)
	p, atLeast := run(t, strings.NewReader(b.String()), Options{Cutoff: 2.7}).Capacity()
	if p == nil || atLeast {
		t.Fatal("no capacity")
	}
	// To the row at the level, and the half interval in which the load went off, which lies within the stated bound.
	if want := 2 * 10 * float64(rows); math.Abs(p.Charge-want) > p.Bound+1e-9 {
		t.Errorf("%.3f A·s to the level, %.3f by hand, bound %.3f", p.Charge, want, p.Bound)
	}
	// Faded from discharge 1 to 168: below the limit of 80 %, whatever 1 % of uncertainty does.
	if g, _ := Judge(last/first, 0.01*last/first, 0, ReplaceBelow); g != Under {
		t.Errorf("%.1f %% of the first discharge is graded %v", 100*last/first, g)
	}
	if en, equal := Equality(first, 0.01*first, second, 0.01*second); !equal {
		t.Errorf("discharges 1 and 2 differ by E_n %.2f with 1 %%", en)
	}
	if en, equal := Equality(first, 0.01*first, last, 0.01*last); equal {
		t.Errorf("discharges 1 and 168 are equal, E_n %.2f", en)
	}
}

// Three runs that fall by a tenth: their scatter alone cannot tell it (Student's t with one degree of freedom is 12.7), what runs usually repeat within can. Three
// that fall by what they scatter tell nothing.
func TestFadingOfFewRuns(t *testing.T) {
	const day = 86400.0
	f, err := Fading([]float64{0, 100 * day, 200 * day}, []float64{7, 6.7, 6.3})
	if err != nil || !f.Told || !strings.Contains(f.Text, "assumed") {
		t.Errorf("a tenth in 200 days: %+v, %v", f, err)
	}
	f, err = Fading([]float64{0, 100 * day, 200 * day}, []float64{7, 7.03, 6.97})
	if err != nil || f.Told {
		t.Errorf("scatter only: %+v, %v", f, err)
	}
	var at, q []float64
	for k := range 12 {
		at, q = append(at, float64(k)*30*day), append(q, 7*(1-0.01*float64(k))+0.01*float64(k*k%3-1))
	}
	if f, err = Fading(at, q); err != nil || !f.Told || math.Abs(f.PerYear+0.01*365.25/30) > 0.01 || strings.Contains(f.Text, "assumed") {
		t.Errorf("a hundredth a month: %+v, %v", f, err)
	}
	// Three that scatter by four times what capacities usually do: that they fall by twice as much may be chance, and no common practice says otherwise.
	f, err = Fading([]float64{0, 100 * day, 200 * day}, []float64{7, 6.68, 6.7})
	if err != nil || f.Told || f.Repeat < 0.018 {
		t.Errorf("scattered runs: %+v, %v", f, err)
	}
}

// A clock of whole seconds that gains next to nothing, but passes an edge somewhere in the log: what the fit makes of it stays within the bound, and
// comes near it where the edge lies in the middle.
func TestClockRateBound(t *testing.T) {
	nearest := 0.0
	for f := range 200 {
		var k clocks
		const ppm = 3e-6
		for s := 0.0; s <= 3600; s += 10 {
			k.take(s, math.Floor(s*(1+ppm)+float64(f)/200), 1, 0)
		}
		rate, bound, ok := k.rate()
		if off := math.Abs(rate - ppm); !ok || off > bound {
			t.Fatalf("fraction %d/200: the rate is off by %.0f ppm, bound %.0f ppm", f, off*1e6, bound*1e6)
		} else {
			nearest = math.Max(nearest, off/bound)
		}
	}
	if nearest < 0.8 {
		t.Errorf("the bound is never come near to: %.2f", nearest)
	}
}

// The figure of a log is brought to the level that was asked for, from a row at most behind it. Without a level the end is where the voltage was, and
// nothing lies behind that.
func TestFigureEndsAtTheLevel(t *testing.T) {
	var b strings.Builder
	b.WriteString("t (s),U (V),I (A)\n")
	for k := range 400 {
		v, i := 12.6-0.001*float64(k)-3e-8*float64(k*k*k), -2.0
		if k >= 390 {
			v, i = 11.9, 0
		}
		fmt.Fprintf(&b, "%d,%.4f,%.4f\n", 60*k, v, i)
	}
	const last = 12.6 - 0.389 - 3e-8*389*389*389 // the row before it has 10.460 V
	for _, c := range []struct{ level, end, late float64 }{{10.45, 10.45, 60}, {0, last, 0}} {
		r := run(t, strings.NewReader(b.String()), Options{Cutoff: c.level})
		p, atLeast := r.Capacity()
		if p == nil || atLeast {
			t.Fatalf("level %v: no capacity", c.level)
		}
		f := r.Figure(p, r.Interval)
		if math.Abs(f.End-c.end) > 1e-3 || f.Late != c.late || !(f.EndSlope > 0) {
			t.Errorf("level %v: %+v", c.level, f)
		}
	}
}
