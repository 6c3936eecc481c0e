package model

import (
	"fmt"
	"math"
	"testing"

	"gonum.org/v1/gonum/integrate/quad"
	"pgregory.net/rapid"
)

// quadrature integrates f over [a, b] ns finely: 64 panels of 20 Gauss nodes.
func quadrature(f func(t float64) float64, a, b int64) float64 {
	sum := 0.0
	const panels = 64
	d := float64(b-a) / panels
	for i := range panels {
		from := float64(a) + float64(i)*d
		sum += quad.Fixed(func(x float64) float64 { return f(x) }, from, from+d, 20, quad.Legendre{}, 0)
	}
	return sum * 1e-9
}

// loads are one of each shape, for a pack of about 3 Ah and 4 V.
var loads = map[string]Load{
	"current":    {Current: 2.5},
	"power":      {Power: 9},
	"inverter":   {Power: 7, Ripple: 0.3, RippleHz: 2, Inverter: &Inverter{Rated: 20, Idle: 0.5, Efficiency: mustCurve([]float64{0, 0.1, 0.5, 1}, []float64{0.5, 0.85, 0.94, 0.9})}},
	"resistance": {Resistance: 1.6},
	"pulses":     {Current: 4, Period: 3 * second, On: second, Low: 0.1},
	"ripple":     {Current: 2, RippleHz: 3, Ripple: 0.6},
	"table":      {Table: []LoadPoint{{0, 1}, {40 * second, 3.5}, {95 * second, 0}, {130 * second, 2}}},
}

// TestIntegralsMatchQuadrature: charge, throughput, energy and mean voltage of any part of a span agree with a fine quadrature of its own
// waveform by gonum to 1e-9.
func TestIntegralsMatchQuadrature(t *testing.T) {
	for name, load := range loads {
		for _, kind := range []StepKind{Discharge, Charge} {
			if kind == Charge && (name == "resistance" || name == "inverter") {
				continue
			}
			t.Run(fmt.Sprint(name, " ", kind), func(t *testing.T) {
				p := plainPack()
				p.Rate = Rate{Model: Peukert, K: 1.1, Recovery: 600}
				p.Cell.Hysteresis = Hysteresis{0.01, 20}
				p.Cell.SelfDischarge = 1e-7
				p.Heat = Heat{60, 8}
				p.Cell.ResistancePerKelvin = 0.01
				step := Step{Kind: kind, Load: load, Voltage: 4.15, Ends: Ends{Time: 1500 * second, Voltage: 2.9}}
				if kind == Charge {
					step.Ends.Voltage = 0
				}
				c, err := NewCourse(p, Plan{step}, Options{Start: 0.55})
				if err != nil {
					t.Fatal(err)
				}
				rng := uint64(7)
				n := 0
				for !c.Done() {
					s := c.Next(never)
					rng = rng*6364136223846793005 + 1442695040888963407
					if rng>>60 != 0 && s.T1-s.T0 < 10*second && n > 20 {
						continue // look at one short span in sixteen
					}
					n++
					a := s.T0 + int64(float64(s.T1-s.T0)*float64(rng>>40%1000)/2000)
					b := min(s.T1, a+20*second)
					v := func(x float64) float64 { return s.wave.voltage((x - float64(s.origin)) * 1e-9) }
					i := func(x float64) float64 { return s.wave.current((x - float64(s.origin)) * 1e-9) }
					scale := float64(b-a) * 1e-9
					near(t, "charge", s.Charge(a, b)/scale, quadrature(i, a, b)/scale, 1e-9*5)
					near(t, "energy", s.Energy(a, b)/scale, quadrature(func(x float64) float64 { return v(x) * i(x) }, a, b)/scale, 1e-9*20)
					near(t, "mean voltage", s.MeanVoltage(a, b), quadrature(v, a, b)/scale, 1e-9*4)
					near(t, "throughput", s.Throughput(a, b)/scale, quadrature(func(x float64) float64 { return math.Abs(i(x)) }, a, b)/scale, 1e-9*5)
				}
				if n < 3 {
					t.Errorf("only %d spans were looked at", n)
				}
			})
		}
	}
}

// reference is the plain model by Runge-Kutta in small steps: slow, and written without any of the closed forms.
type reference struct {
	p       *Pack
	z       float64
	v       [3]float64
	seconds float64
}

func (r *reference) voltage(i float64) float64 {
	v := r.p.Cell.OCV.At(r.z) + r.p.Cell.Resistance*r.p.Cell.factor(i > 0).At(r.z)*i
	for k := range r.p.Cell.Pairs {
		v += r.v[k]
	}
	return v
}

// solve finds the current that the law wants by bisection.
func (r *reference) solve(f func(v float64) float64) float64 {
	low, high := -100.0, 100.0
	for range 100 {
		i := (low + high) / 2
		if i > f(r.voltage(i)) {
			high = i
		} else {
			low = i
		}
	}
	return low
}

func (r *reference) step(h float64, f func(v float64) float64) {
	type state struct {
		z float64
		v [3]float64
	}
	rate := func(s state) state {
		at := *r
		at.z, at.v = s.z, s.v
		i := at.solve(f)
		d := state{z: i / r.p.Cell.Capacity}
		for k, pair := range r.p.Cell.Pairs {
			d.v[k] = (i*pair.Resistance - s.v[k]) / pair.Tau
		}
		return d
	}
	plus := func(s, d state, h float64) state {
		s.z += h * d.z
		for k := range s.v {
			s.v[k] += h * d.v[k]
		}
		return s
	}
	s := state{r.z, r.v}
	k1 := rate(s)
	k2 := rate(plus(s, k1, h/2))
	k3 := rate(plus(s, k2, h/2))
	k4 := rate(plus(s, k3, h))
	s = plus(plus(plus(plus(s, k1, h/6), k2, h/3), k3, h/3), k4, h/6)
	r.z, r.v = s.z, s.v
	r.seconds += h
}

// TestCourseAgreesWithSmallSteps: the course against the slow reference under every law.
func TestCourseAgreesWithSmallSteps(t *testing.T) {
	cases := []struct {
		name string
		step Step
		law  func(v float64) float64
		tol  float64
	}{
		{"current", Step{Kind: Discharge, Load: Load{Current: 3}}, func(float64) float64 { return -3 }, 1e-7},
		{"power", Step{Kind: Discharge, Load: Load{Power: 12}}, func(v float64) float64 { return -12 / v }, 2e-6},
		{"resistance", Step{Kind: Discharge, Load: Load{Resistance: 1.2}}, func(v float64) float64 { return -v / 1.2 }, 2e-6},
		// A limit that holds from the start, and a charger that could give much more.
		{"voltage", Step{Kind: Charge, Load: Load{Current: 1000}, Voltage: 3.95}, nil, 3e-6},
		{"charging power", Step{Kind: Charge, Load: Load{Power: 8}}, func(v float64) float64 { return 8 / v }, 2e-6},
	}
	for _, x := range cases {
		t.Run(x.name, func(t *testing.T) {
			p := plainPack()
			x.step.Ends = Ends{Time: 900 * second}
			c, err := NewCourse(p, Plan{x.step}, Options{Start: 0.5})
			if err != nil {
				t.Fatal(err)
			}
			r := &reference{p: p, z: 0.5}
			for !c.Done() {
				s := c.Next(c.Now() + 5*second)
				for r.seconds < float64(s.T1)*1e-9-1e-9 {
					h := math.Min(0.25, float64(s.T1)*1e-9-r.seconds)
					if x.law != nil {
						r.step(h, x.law)
						continue
					}
					// v fixed: its law is steep, a conductance of 1e7.
					r.step(math.Min(h, 0.05), func(v float64) float64 { return (3.95 - v) * 1e7 })
				}
				if x.law != nil {
					near(t, fmt.Sprintf("voltage at %g s", r.seconds), s.Voltage(s.T1), r.voltage(r.solve(x.law)), x.tol)
				} else {
					i := r.solve(func(v float64) float64 { return (3.95 - v) * 1e7 })
					near(t, fmt.Sprintf("current at %g s", r.seconds), s.Current(s.T1), i, 5e-4)
					near(t, "voltage", s.Voltage(s.T1), 3.95, 3e-6)
				}
			}
			// 2 uV over 20 mohm are 0.1 mA, for 900 s of 3 Ah.
			near(t, "state of charge", c.StateOfCharge(), r.z, 1e-5)
		})
	}
}

// TestConstantVoltageIsStableForAnyStep: with R0 20 mohm, R1 60 mohm and tau 1 s a held current diverges at steps of 1 s; ours must not.
func TestConstantVoltageIsStableForAnyStep(t *testing.T) {
	p := plainPack()
	p.Cell.Discharging, p.Cell.Charging = Curve{}, Curve{}
	p.Cell.Resistance = 0.02
	p.Cell.Pairs = []Pair{{0.06, 1}}
	c := play(t, p, Plan{{Kind: Charge, Load: Load{Current: 6}, Voltage: 4.1, Ends: Ends{Time: 3 * hour, Current: 0.05}}}, Options{Start: 0.5})
	e := c.Ended()[0]
	if e.Why != ByTaper {
		t.Errorf("ended by %s, want the taper", e.Why)
	}
	near(t, "highest voltage", e.MaxV, 4.1, 5e-6)
	near(t, "last current", e.EndI, 0.05, 1e-6)
}

func TestWhatHappensDoesNotDependOnPolling(t *testing.T) {
	p := mustPack(t, "agm-12v-7ah")
	plan := Plan{
		{Kind: Discharge, Load: Load{Power: 30}, Ends: Ends{Voltage: 11, VoltageFor: 3 * second}},
		{Kind: Rest, Ends: Ends{Time: hour}},
		{Kind: Charge, Load: Load{Current: 2}, Voltage: 14.5, Ends: Ends{Time: 5 * hour, Charge: 8 * 3600}},
	}
	run := func(every int64) []StepEnd {
		c, err := NewCourse(p, plan, Options{})
		if err != nil {
			t.Fatal(err)
		}
		for !c.Done() {
			c.Next(c.Now() + every)
		}
		return c.Ended()
	}
	whole, polled := run(never/2), run(7*second/3)
	for i := range whole {
		if whole[i] != polled[i] {
			t.Errorf("step %d: %+v unpolled, %+v polled", i, whole[i], polled[i])
		}
	}
}

// TestEventsAreLocatedToAMicrosecond: the voltage is on one side of the level 1 us before the event, on the other 1 us after.
func TestEventsAreLocatedToAMicrosecond(t *testing.T) {
	for name, load := range loads {
		t.Run(name, func(t *testing.T) {
			c, err := NewCourse(plainPack(), Plan{{Kind: Discharge, Load: load, Ends: Ends{Voltage: 3.3}}}, Options{Start: 0.6})
			if err != nil {
				t.Fatal(err)
			}
			var last Span
			for !c.Done() {
				last = c.Next(never)
				if v := last.Voltage(last.T0 + (last.T1-last.T0)/2); v < 3.3-1e-9 {
					t.Fatalf("%.9f V within a span, below the end", v)
				}
			}
			if c.Ended()[0].Why != ByVoltage {
				t.Fatalf("ended by %s", c.Ended()[0].Why)
			}
			if last.T1-last.T0 < 1000 {
				t.Skip("an edge crossed the level")
			}
			if before, after := last.Voltage(last.T1-1000), last.Voltage(last.T1); before <= 3.3 || after > 3.3 {
				t.Errorf("1 us before the end %.12f V, at it %.12f V", before, after)
			}
		})
	}
}

func TestVoltageEndWaitsForItsTime(t *testing.T) {
	// 2 s on, 2 s off: the dips below are shorter than 3 s until deep in the discharge.
	p := plainPack()
	load := Load{Current: 6, Period: 4 * second, On: 2 * second}
	dip := play(t, p, Plan{{Kind: Discharge, Load: load, Ends: Ends{Voltage: 3.45}}}, Options{})
	held := play(t, p, Plan{{Kind: Discharge, Load: load, Ends: Ends{Voltage: 3.45, VoltageFor: 3 * second}}}, Options{})
	if a, b := dip.Ended()[0].End, held.Ended()[0].End; b < a+20*second {
		t.Errorf("with 3 s it ended at %d ns, without at %d ns: dips of 2 s counted", b, a)
	}
	// Already true at the start: counts only after its time.
	c := play(t, p, Plan{{Kind: Discharge, Load: Load{Current: 3}, Ends: Ends{Voltage: 4.19, VoltageFor: 7 * second}}}, Options{})
	if e := c.Ended()[0]; e.End != 7*second || e.Why != ByVoltage {
		t.Errorf("ended at %d ns by %s, want 7 s by voltage", e.End, e.Why)
	}
	// Without a time it ends at once, and the account is empty.
	c = play(t, p, Plan{{Kind: Discharge, Load: Load{Current: 3}, Ends: Ends{Voltage: 4.19}}}, Options{})
	if e := c.Ended()[0]; e.End != 0 || e.Charge != 0 || math.IsInf(e.MinV, 0) {
		t.Errorf("got %+v", e)
	}
}

func TestEndsOfEachKind(t *testing.T) {
	p := plainPack()
	p.Heat = Heat{20, 50}
	cases := []struct {
		name string
		step Step
		why  Reason
		o    Options
	}{
		{"time", Step{Kind: Discharge, Load: Load{Current: 1}, Ends: Ends{Time: 60 * second}}, ByTime, Options{}},
		{"charge", Step{Kind: Discharge, Load: Load{Current: 1}, Ends: Ends{Charge: 123}}, ByCharge, Options{}},
		{"floor", Step{Kind: Discharge, Load: Load{Current: 1}, Ends: Ends{Floor: 3}}, ByFloor, Options{}},
		{"temperature", Step{Kind: Discharge, Load: Load{Current: 9}, Ends: Ends{Floor: 2.6, Temperature: 302}}, ByTemperature, Options{}},
		{"empty", Step{Kind: Discharge, Load: Load{Current: 0.1}, Ends: Ends{Floor: 1}}, ByEmpty, Options{}},
		{"power", Step{Kind: Discharge, Load: Load{Power: 150}, Ends: Ends{Floor: 0.5}}, ByPower, Options{}},
		{"power at once", Step{Kind: Discharge, Load: Load{Power: 500}, Ends: Ends{Floor: 0.5}}, ByPower, Options{}},
		{"taper", Step{Kind: Charge, Load: Load{Current: 3}, Voltage: 4.1, Ends: Ends{Current: 0.2, Time: 10 * hour}}, ByTaper, Options{Start: 0.5}},
	}
	for _, x := range cases {
		t.Run(x.name, func(t *testing.T) {
			c := play(t, p, Plan{x.step, {Kind: Rest, Ends: Ends{Time: second}}}, x.o)
			e := c.Ended()[0]
			if e.Why != x.why {
				t.Errorf("ended by %s, want %s: %+v", e.Why, x.why, e)
			}
			if x.why == ByCharge {
				near(t, "charge", e.Charge, -123, 2e-9)
			}
			if n := len(c.Ended()); n != 2 {
				t.Errorf("%d steps ended, want 2", n)
			}
		})
	}
}

// TestFallingVoltageEndsANickelCharge: warmth lowers the voltage of an overcharged cell; the fall from the peak ends the charge.
func TestFallingVoltageEndsANickelCharge(t *testing.T) {
	p := plainPack()
	p.Cell.OCVPerKelvin = -0.003
	p.Cell.Acceptance = mustCurve([]float64{0, 0.8, 0.95, 1.02}, []float64{1, 0.95, 0.3, 0})
	p.Heat = Heat{40, 12}
	c := play(t, p, Plan{{Kind: Charge, Load: Load{Current: 3}, Ends: Ends{Slope: 0.008, Time: 10 * hour}}}, Options{Start: 0.5})
	e := c.Ended()[0]
	if e.Why != BySlope {
		t.Fatalf("ended by %s", e.Why)
	}
	near(t, "fall from the peak", e.MaxV-e.EndV, 0.008, 5e-4)
}

func TestLoggerEndsItsStepAfterTheHold(t *testing.T) {
	plan := Plan{{Kind: Discharge, Load: Load{Current: 1}, Ends: Ends{Logger: 3.5, Floor: 3, Hold: 60 * second}}}
	c, err := NewCourse(plainPack(), plan, Options{})
	if err != nil {
		t.Fatal(err)
	}
	c.Next(100 * second)
	c.Switch(false, false)
	c.Next(130 * second)
	c.Powered(false) // 30 s were counted
	c.Next(500 * second)
	c.Powered(true)
	c.Next(510 * second)
	c.Switch(true, false) // closes again: the count starts anew
	c.Next(600 * second)
	c.Switch(false, false)
	for !c.Done() {
		c.Next(never)
	}
	e := c.Ended()[0]
	if e.Why != ByLogger || e.End != 660*second {
		t.Errorf("ended at %d s by %s, want 660 s by logger", e.End/second, e.Why)
	}
	near(t, "charge", e.Charge, -190, 1e-9)
}

func TestLoggerThatNeverStopsReachesTheFloor(t *testing.T) {
	p := mustPack(t, "agm-12v-7ah")
	end, _ := p.Level("end", 7)
	floor, _ := p.Level("floor", 7)
	c := play(t, p, Plan{{Kind: Discharge, Load: Load{Current: 7}, Ends: Ends{Logger: end, Floor: floor, Hold: 60 * second}}}, Options{})
	if e := c.Ended()[0]; e.Why != ByFloor {
		t.Errorf("ended by %s", e.Why)
	}
}

// TestHighRateRebounds: the load opens at `end` of a one-hour rate; the terminals recover by at least 0.3 V.
func TestHighRateRebounds(t *testing.T) {
	p := mustPack(t, "agm-12v-7ah")
	end, _ := p.Level("end", p.Amps(1))
	c := play(t, p, Plan{
		{Kind: Discharge, Load: Load{Current: p.Amps(1)}, Ends: Ends{Voltage: end}},
		{Kind: Rest, Ends: Ends{Time: 60 * second}},
	}, Options{})
	up := c.Ended()[1].EndV - c.Ended()[0].EndV
	t.Logf("%.3f V in 60 s after %.2f V", up, end)
	if up < 0.3 {
		t.Errorf("rebound of %.3f V in 60 s", up)
	}
}

func TestDrawLeakAndHeldTaper(t *testing.T) {
	p := plainPack()
	c, err := NewCourse(p, Plan{
		{Kind: Discharge, Load: Load{Current: 1}, Ends: Ends{Logger: 3.5, Floor: 3, Hold: 100 * second}},
		{Kind: Rest, Ends: Ends{Time: 100 * second}},
		{Kind: Charge, Load: Load{Current: 3}, Voltage: 4.1, Ends: Ends{Current: 0.1, Time: 4 * hour}},
	}, Options{Start: 0.8})
	if err != nil {
		t.Fatal(err)
	}
	c.SetDraw(0.05)
	s := c.Next(10 * second)
	near(t, "with the draw", s.Current(5*second), -1.05, 1e-12)
	c.Switch(false, false)
	c.SetLeak(0.01)
	s = c.Next(20 * second)
	near(t, "with the leak", s.Current(15*second), -0.06, 1e-12)
	for c.StepIndex() == 0 {
		s = c.Next(never)
	}
	s = c.Next(c.Now() + second)
	near(t, "at rest", s.Current(s.T1), -0.05, 1e-12)
	c.HoldTaper(0.25)
	for !c.Done() {
		s = c.Next(never)
		if s.Step == 2 && (s.Current(s.T1) < 0.25-1e-9 || s.Voltage(s.T1) > 4.1+1e-5) {
			t.Fatalf("%g A, %g V at %d ns", s.Current(s.T1), s.Voltage(s.T1), s.T1)
		}
	}
	if e := c.Ended()[2]; e.Why != ByTime {
		t.Errorf("a taper that never comes ended by %s", e.Why)
	}
}

// TestDrawFromAnEmptyPack: a rest with a draw goes on without current once the pack has nothing left.
func TestDrawFromAnEmptyPack(t *testing.T) {
	c, err := NewCourse(plainPack(), Plan{{Kind: Rest, Ends: Ends{Time: 100 * hour}}}, Options{Start: 0.01})
	if err != nil {
		t.Fatal(err)
	}
	c.SetDraw(1)
	for !c.Done() {
		c.Next(never)
	}
	near(t, "charge", c.Ended()[0].Charge, -0.01*3*3600, 1)
}

func TestChargerOnAFullPackIdles(t *testing.T) {
	p := plainPack()
	c := play(t, p, Plan{
		{Kind: Charge, Load: Load{Current: 1}, Voltage: 3.7, Ends: Ends{Time: hour}},
	}, Options{Start: 0.9})
	near(t, "charge", c.Ended()[0].Charge, 0, 1e-9)
}

func TestCourseRefuses(t *testing.T) {
	p := plainPack()
	bad := map[string]Plan{
		"a rest without end":             {{Kind: Rest}},
		"a discharge without end":        {{Kind: Discharge, Load: Load{Current: 1}}},
		"a charge without time":          {{Kind: Charge, Load: Load{Current: 1}, Voltage: 4.2, Ends: Ends{Current: 0.1}}},
		"a negative current":             {{Kind: Discharge, Load: Load{Current: -1}, Ends: Ends{Time: 1}}},
		"a current that is none":         {{Kind: Discharge, Load: Load{Current: math.NaN()}, Ends: Ends{Time: 1}}},
		"a discharge without load":       {{Kind: Discharge, Ends: Ends{Voltage: 3}}},
		"a table that runs backwards":    {{Kind: Discharge, Load: Load{Table: []LoadPoint{{5, 1}, {5, 2}}}, Ends: Ends{Time: 1}}},
		"ripple on a table":              {{Kind: Discharge, Load: Load{Table: []LoadPoint{{0, 1}}, Ripple: 0.1, RippleHz: 5}, Ends: Ends{Time: 1}}},
		"a store that is not there":      {{Kind: Discharge, Load: Load{Current: 1}, Store: true, Ends: Ends{Time: 1}}},
		"an inverter that is too small":  {{Kind: Discharge, Load: Load{Power: 100, Inverter: &Inverter{Rated: 50}}, Ends: Ends{Time: 1}}},
		"on for longer than its period":  {{Kind: Discharge, Load: Load{Current: 1, Period: 1000, On: 2000}, Ends: Ends{Time: 1}}},
		"a step of no kind":              {{Kind: 9, Ends: Ends{Time: 1}}},
		"an infinite voltage of the end": {{Kind: Discharge, Load: Load{Current: 1}, Ends: Ends{Voltage: math.Inf(1)}}},
	}
	for name, plan := range bad {
		if _, err := NewCourse(p, plan, Options{}); err == nil {
			t.Errorf("%s was accepted", name)
		}
	}
	if _, err := NewCourse(p, nil, Options{Start: 2}); err == nil {
		t.Error("a pack with 200 % of its charge was accepted")
	}
	if _, err := NewCourse(p, nil, Options{Ambient: 25}); err == nil {
		t.Error("25 K was accepted")
	}
}

// drawPlan draws a random harmless-or-not plan.
func drawPlan(t *rapid.T, p *Pack) Plan {
	var plan Plan
	for range rapid.IntRange(1, 5).Draw(t, "steps") {
		s := Step{Kind: StepKind(rapid.IntRange(0, 2).Draw(t, "kind"))}
		s.Ends.Time = rapid.Int64Range(1, 3*hour).Draw(t, "time")
		amps := rapid.Float64Range(0.001, p.Amps(2)).Draw(t, "amps")
		switch shape := rapid.IntRange(0, 3).Draw(t, "shape"); {
		case shape == 1:
			s.Load.Power = amps * p.Nominal()
		case shape == 2 && s.Kind == Discharge:
			s.Load.Resistance = p.Nominal() / amps
		case shape == 3:
			s.Load = Load{Current: amps, Period: 60 * second, On: rapid.Int64Range(0, 60*second).Draw(t, "on"), Low: 0.1}
		default:
			s.Load.Current = amps
		}
		switch s.Kind {
		case Charge:
			s.Voltage = p.Volts(p.Levels.Absorb)
			if s.Voltage == 0 {
				s.Voltage = 4.1
			}
			s.Ends.Current = rapid.Float64Range(0, p.Amps(0.1)).Draw(t, "taper")
		case Discharge:
			s.Ends.Floor = p.Rated.End * 0.95
			if rapid.Bool().Draw(t, "end") {
				s.Ends.Voltage, s.Ends.VoltageFor = p.Rated.End, rapid.Int64Range(0, 10*second).Draw(t, "for")
			}
		}
		plan = append(plan, s)
	}
	return plan
}

// TestLawsOfThePack: charge balance, energy that only gets less, the sum of the spans is the step, the same twice.
func TestLawsOfThePack(t *testing.T) {
	packs := []*Pack{plainPack(), mustPack(t, "agm-12v-7ah")}
	rapid.Check(t, func(t *rapid.T) {
		p := packs[rapid.IntRange(0, len(packs)-1).Draw(t, "pack")]
		plan := drawPlan(t, p)
		o := Options{Start: rapid.Float64Range(0.2, 1).Draw(t, "start")}
		every := rapid.Int64Range(second/10, hour).Draw(t, "every")
		run := func(every int64) (*Course, float64, float64) {
			c, err := NewCourse(p, plan, o)
			if err != nil {
				t.Fatal(err)
			}
			q, e := 0.0, 0.0
			for n := 0; !c.Done(); n++ {
				if n > 500000 {
					t.Fatalf("no end in sight")
				}
				s := c.Next(c.Now() + every)
				q += s.Charge(s.T0, s.T1)
				e += s.Energy(s.T0, s.T1)
			}
			return c, q, e
		}
		c, q, e := run(every)
		var steps, energy float64
		for _, x := range c.Ended() {
			steps += x.Charge
			energy += x.Energy
		}
		if math.Abs(steps-q) > 1e-9*(1+math.Abs(q)) || math.Abs(energy-e) > 1e-8*(1+math.Abs(e)) {
			t.Fatalf("steps sum to %g A·s and %g W·s, spans to %g and %g", steps, energy, q, e)
		}
		if p.Cell.SelfDischarge == 0 && p.Cell.Gassing.Current == 0 {
			if moved := (c.StateOfCharge() - o.Start) * p.Cell.Capacity * float64(p.Parallel); math.Abs(moved-q) > 1e-7*(1+math.Abs(q)) {
				t.Fatalf("charge in the pack changed by %g A·s, %g went in", moved, q)
			}
		}
		again, _, _ := run(every)
		for i, x := range again.Ended() {
			if x != c.Ended()[i] {
				t.Fatalf("the same twice differs: %+v, %+v", x, c.Ended()[i])
			}
		}
	})
}

// TestRestTendsToOCV: after any discharge a long rest shows the voltage of the charge that is left.
func TestRestTendsToOCV(t *testing.T) {
	for _, p := range []*Pack{plainPack(), mustPack(t, "agm-12v-7ah")} {
		quiet := *p
		quiet.Cell.SelfDischarge = 0
		c := play(t, &quiet, Plan{
			{Kind: Discharge, Load: Load{Current: p.Amps(0.7)}, Ends: Ends{Charge: p.Rated.Charge / 3}},
			{Kind: Rest, Ends: Ends{Time: 100 * hour}},
		}, Options{Isothermal: true})
		near(t, p.Name, c.Ended()[1].EndV, quiet.Volts(quiet.Cell.OCV.At(c.StateOfCharge())), 1e-7)
	}
}

// TestMoreCurrentNeverDeliversMore, isothermal and without self-discharge, to one voltage.
func TestMoreCurrentNeverDeliversMore(t *testing.T) {
	p := *mustPack(t, "agm-12v-7ah")
	p.Cell.SelfDischarge = 0
	last := math.Inf(1)
	for rate := 0.01; rate < 4; rate *= 1.2 {
		c := play(t, &p, Plan{{Kind: Discharge, Load: Load{Current: p.Amps(rate)}, Ends: Ends{Voltage: 10.5}}}, Options{Isothermal: true})
		q := -c.Ended()[0].Charge
		if q > last+1e-6 {
			t.Errorf("%.3g C delivers %.6f A·s, a smaller current %.6f", rate, q, last)
		}
		last = q
	}
}

func TestRatedMeansRated(t *testing.T) {
	for _, name := range PackNames() {
		p := mustPack(t, name)
		c := play(t, p, Plan{{Kind: Discharge, Load: Load{Current: p.Rated.Current()}, Ends: Ends{Voltage: p.Rated.End}}}, Options{Isothermal: true})
		e := c.Ended()[0]
		t.Logf("%s: %.5f Ah of %.5f Ah, by %s", name, -e.Charge/3600, p.Rated.Charge/3600, e.Why)
		near(t, name, -e.Charge/p.Rated.Charge, 1, 1e-3)
	}
}

func BenchmarkSpanSecond(b *testing.B) {
	p := plainPack()
	c, err := NewCourse(p, Plan{{Kind: Rest, Ends: Ends{Time: never / 2}}}, Options{})
	if err != nil {
		b.Fatal(err)
	}
	b.ReportAllocs()
	for b.Loop() {
		s := c.Next(c.Now() + second)
		if s.T1 == s.T0 {
			b.Fatal("done")
		}
	}
}

func BenchmarkReading(b *testing.B) {
	p := mustPack(b, "agm-12v-7ah")
	var c *Course
	b.ReportAllocs()
	for b.Loop() {
		if c == nil || c.Done() {
			c, _ = NewCourse(p, Plan{{Kind: Discharge, Load: Load{Current: 0.35}, Ends: Ends{Voltage: 10.5}}}, Options{Isothermal: true})
		}
		s := c.Next(c.Now() + second)
		s.Means(s.T0, s.T1)
	}
}

// TestRippleOverManyPeriods: the sum over many periods from five of them agrees with all of them one by one.
func TestRippleOverManyPeriods(t *testing.T) {
	if got := sumBetween([5]float64{0, 16, 256, 1296, 4096}, 2); got != 0+1+16+81+256+625+1296+2401+4096 {
		t.Errorf("the sum of n^4 to 8 is %g", got)
	}
	for _, p := range []*Pack{plainPack(), mustPack(t, "lfp-12v8-12ah")} {
		c, err := NewCourse(p, Plan{{Kind: Discharge, Load: Load{Current: p.Amps(0.5), RippleHz: 5, Ripple: 0.7}, Ends: Ends{Time: 3000 * second}}}, Options{Start: 0.9})
		if err != nil {
			t.Fatal(err)
		}
		for !c.Done() {
			s := c.Next(never)
			a, b := s.seconds(s.T0)+0.013, s.seconds(s.T1)
			if !(b > a) {
				continue
			}
			v, e := s.integrals(a, b)
			v1, e1 := s.quadrature(a, b)
			if !s.mixed {
				v1, e1 = v1*s.series, e1*s.series
			}
			near(t, p.Name+" mean voltage", v/(b-a), v1/(b-a), 1e-9*v1/(b-a))
			near(t, p.Name+" mean power", e/(b-a), e1/(b-a), 1e-9*math.Abs(e1)/(b-a))
		}
	}
}

// BenchmarkRippledReading averages over one second of a ripple of 100 Hz.
func BenchmarkRippledReading(b *testing.B) {
	p := mustPack(b, "agm-12v-7ah")
	var c *Course
	for b.Loop() {
		if c == nil || c.Done() {
			c, _ = NewCourse(p, Plan{{Kind: Discharge, Load: Load{Current: 1.4, RippleHz: 100, Ripple: 0.5}, Ends: Ends{Voltage: 10.5}}}, Options{})
		}
		s := c.Next(c.Now() + second)
		s.Means(s.T0, s.T1)
	}
}

// BenchmarkSolvedSecond solves the circuit anew each second, as a switched load makes the course do; BenchmarkSpanSecond only looks at a
// stretch that is solved.
func BenchmarkSolvedSecond(b *testing.B) {
	p := plainPack()
	c, err := NewCourse(p, Plan{{Kind: Discharge, Load: Load{Current: 1e-9}, Ends: Ends{Time: never / 2}}}, Options{})
	if err != nil {
		b.Fatal(err)
	}
	b.ReportAllocs()
	for b.Loop() {
		c.Next(c.Now() + second)
		c.cut()
	}
}

// TestLawHoldsInTheWarm: the voltage at rest moves with temperature, and with it where the end voltage lies; the charge of the law does not.
func TestLawHoldsInTheWarm(t *testing.T) {
	p := mustPack(t, "agm-12v-7ah")
	p.Cell.OCVPerKelvin, p.CapacityPerKelvin, p.CapacityPerKelvinFast = -0.002, 0, 0
	for _, T := range []float64{p.Cell.Reference - 15, p.Cell.Reference + 15} {
		amps := p.Amps(0.2)
		end, err := p.Level("end", amps)
		if err != nil {
			t.Fatal(err)
		}
		c := play(t, p, Plan{{Kind: Discharge, Load: Load{Current: amps}, Ends: Ends{Voltage: end}}}, Options{Isothermal: true, Ambient: T})
		want := PeukertTime(p.Rated.Charge, p.Rated.Hours, amps, p.Rate.K)
		near(t, "time over the law's", float64(c.Ended()[0].End)*1e-9/want, 1, 2e-3)
	}
}
