package budget

import (
	"errors"
	"math"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"stuntcell/emulator/rig"
	"stuntcell/model"
)

// bench is a rig without any error of its own, and a figure of 7 Ah in 20 h.
func bench() Capacity {
	return Capacity{
		Rig: rig.Rig{Name: "bench", Shunt: rig.Shunt{Nominal: 1.5e-3}, Front: rig.FrontEnd{ShuntStep: 6e-6, BusStep: 3e-3, ShuntNoise: 6e-6, BusNoise: 3e-3, Conversions: 64, Spacing: 1e6}},
		Figure: Figure{Charge: 25200, Energy: 25200 * 12.2, Duration: 72000, Current: 0.35, Voltage: 12.2,
			End: 10.8, EndSlope: 1e-3, Every: 1, Late: 1, From: "a test"},
		Limits: Assume(),
	}
}

// The measurement model takes each error of the rig out again: what a rig with that error logs comes back as the truth. The logs are
// made here from the equations of package rig, not from the model under test.
func TestModelUndoesTheRig(t *testing.T) {
	const (
		q, i, dur, v, ohm = 25200.0, 0.35, 72000.0, 12.2, 1.5e-3
	)
	for _, c := range []struct {
		name string
		set  func(x []float64)
		log  func(f *Figure)
	}{
		{"shunt", func(x []float64) { x[inShunt] = 0.01 }, func(f *Figure) { f.Charge *= 1.01; f.Energy *= 1.01 }},
		{"shunt warm", func(x []float64) { x[inAmbient], x[inRise] = 1e-4*20, 1e-4*10*i*i*ohm },
			func(f *Figure) {
				r := 1 + 1e-4*(20+10*i*i*ohm)
				f.Charge *= r
				f.Energy *= r
			}},
		{"gain and offset", func(x []float64) { x[inGain], x[inOffset] = -0.02, 15e-6 }, func(f *Figure) {
			// Here the offset stands behind the gain, as what is read with the circuit open.
			shown := i*0.98 + 15e-6/ohm
			f.Charge, f.Energy = shown*dur, shown*dur*v
		}},
		{"thermal voltages and drift", func(x []float64) { x[inThermal], x[inDrift] = 4e-6, 1e-10 }, func(f *Figure) {
			shown := i*dur + (4e-6*dur+1e-10*dur*dur/2)/ohm
			f.Charge, f.Energy = shown, shown*v
		}},
		{"tick", func(x []float64) { x[inTick] = 100e-6 }, func(f *Figure) { f.Charge *= 1.0001; f.Energy *= 1.0001 }},
		{"bypass", func(x []float64) { x[inBypass] = 0.1 }, func(f *Figure) { f.Charge *= 0.9; f.Energy *= 0.9 }},
		{"own draw", func(x []float64) { x[inDraw] = 0.02 }, func(f *Figure) { f.Charge -= 0.02 * dur; f.Energy = f.Charge * v }},
		{"bus", func(x []float64) { x[inBusGain], x[inBusOffset] = 0.01, 0 }, func(f *Figure) { f.Energy *= 1.01; f.Voltage *= 1.01 }},
		{"lead", func(x []float64) { x[inLead] = 0.1 }, func(f *Figure) { f.Energy = q * (v - 0.035) }},
		{"start", func(x []float64) { x[inStart] = 0.02 }, func(f *Figure) { f.Charge /= 1.02; f.Energy /= 1.02 }},
	} {
		b := bench()
		b.Figure.EndSlope, b.Figure.End = 0, 0
		c.log(&b.Figure)
		m := b.model()
		x, y := make([]float64, inputs), make([]float64, 2)
		for k, in := range m.Inputs {
			x[k] = in.Value
		}
		c.set(x)
		m.F(x, y)
		if math.Abs(y[0]-7) > 1e-9 || math.Abs(y[1]-7*12.2) > 1e-8 {
			t.Errorf("%s: %.12g Ah, %.12g Wh, want 7 and 85.4", c.name, y[0], y[1])
		}
	}
}

// Stopped 10 mV above the level on a slope of 1 mV/s at 0.35 A: 3.5 A·s are missing.
func TestCutoffByLevelAndSlope(t *testing.T) {
	b := bench()
	m := b.model()
	x, y := make([]float64, inputs), make([]float64, 2)
	for k, in := range m.Inputs {
		x[k] = in.Value
	}
	x[inLate] = 0
	m.F(x, y)
	before := y[0]
	x[inBusOffset] = -0.010
	m.F(x, y)
	if got := (y[0] - before) * 3600; math.Abs(got-3.5) > 1e-6 {
		t.Errorf("10 mV cost %.6g A·s, want 3.5", got)
	}
	// One second late, half of it expected: the other half costs 0.175 A·s.
	x[inBusOffset], x[inLate] = 0, 0.5
	m.F(x, y)
	if got := (before - y[0]) * 3600; math.Abs(got-0.175) > 1e-6 {
		t.Errorf("half a second cost %.6g A·s", got)
	}
}

// A hand budget: one limit only, everything else exact.
func TestSingleContribution(t *testing.T) {
	b := bench()
	b.Limits = Limits{Shunt: Limit{Half: 0.006, From: "label"}}
	b.Figure.EndSlope, b.Figure.End, b.Figure.Every = 0, 0, 0
	b.Rig.Front = rig.FrontEnd{}
	s, err := b.State(Options{})
	if err != nil {
		t.Fatal(err)
	}
	want := 7 * 0.006 / math.Sqrt(3)
	if len(s.Lines) != 1 || math.Abs(s.Charge.U1-want) > 1e-6 || math.Abs(s.Charge.U1*2-s.Charge.U) > 1e-4 {
		t.Errorf("%+v, want u %v and one line", s, want)
	}
	if len(s.Assumed) != 0 || s.Lines[0].From != "label" {
		t.Errorf("nothing is assumed here: %+v", s.Assumed)
	}
	// A single rectangular input: k = 2 covers more than all of it; Monte Carlo's interval is inside ± the half-width.
	if s.Charge.MonteCarlo.High > 7*1.0061 {
		t.Errorf("quoted by %s (%s), high %v", s.Charge.Quote, s.Charge.Why, s.Charge.MonteCarlo.High)
	}
}

func TestBudgetOfTheDefaultRig(t *testing.T) {
	r, err := rig.ByName("shop-50a")
	if err != nil {
		t.Fatal(err)
	}
	b := bench()
	b.Rig, b.Limits = r, FromRig(r)
	s, err := b.State(Options{Aim: 0.01})
	if err != nil {
		t.Fatal(err)
	}
	// 10 uV of offset on 1.5 mohm is 6.7 mA of 0.35 A: by far the most.
	if s.Lines[0].Name != "current offset" {
		t.Errorf("largest is %+v", s.Lines[0])
	}
	want := 10e-6 / 1.5e-3 / math.Sqrt(3) * 20
	if math.Abs(s.Lines[0].Charge-want) > 0.01*want {
		t.Errorf("offset contributes %v Ah, want %v", s.Lines[0].Charge, want)
	}
	sum := 0.0
	for i, l := range s.Lines {
		sum += l.ShareCharge
		if i > 0 && l.Charge > s.Lines[i-1].Charge {
			t.Errorf("line %d is not sorted", i)
		}
		if l.Mend == "" || l.From == "" || l.Name == "" {
			t.Errorf("line without words: %+v", l)
		}
	}
	if math.Abs(sum-1) > 1e-6 {
		t.Errorf("shares sum to %v", sum)
	}
	for _, l := range s.Lines {
		if l.Name == "tick rate" && l.Assumed {
			t.Error("the rig states its tick rate, yet it is called assumed")
		}
	}
	var text strings.Builder
	if err := s.WriteText(&text); err != nil {
		t.Fatal(err)
	}
	t.Log("\n" + text.String())
	for n, line := range strings.Split(text.String(), "\n") {
		if len([]rune(line)) > 80 {
			t.Errorf("line %d is %d wide: %s", n+1, len([]rune(line)), line)
		}
	}
	if !strings.Contains(s.Sentence, "Ah ±") || !strings.Contains(s.Sentence, "assumed") {
		t.Errorf("sentence: %s", s.Sentence)
	}
}

// Laws of any budget: adding uncertainty never shrinks U; shares sum to one; Monte Carlo and propagation agree on u within a few per cent
// where the model is nearly linear.
func TestBudgetLaws(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		b := bench()
		b.Limits.Shunt.Half = rapid.Float64Range(0, 0.02).Draw(t, "shunt")
		b.Limits.Offset.Half = rapid.Float64Range(0, 2e-5).Draw(t, "offset")
		b.Limits.Start.Half = rapid.Float64Range(0, 0.02).Draw(t, "start")
		b.Limits.Runs = rapid.IntRange(0, 5).Draw(t, "runs")
		b.Limits.Reference = rapid.SampledFrom([]float64{0, 0.5, 1}).Draw(t, "reference")
		b.Figure.EndSlope = rapid.Float64Range(1e-4, 0.1).Draw(t, "slope")
		one, err := Propagate(b.model())
		if err != nil {
			t.Fatal(err)
		}
		b.Limits.Thermal.Half += rapid.Float64Range(0, 1e-5).Draw(t, "thermal")
		two, err := Propagate(b.model())
		if err != nil {
			t.Fatal(err)
		}
		if two.U[0] < one.U[0]*(1-1e-9) {
			t.Fatalf("more uncertainty made u smaller: %v to %v", one.U[0], two.U[0])
		}
		s, err := MonteCarlo(b.model(), Trials{Exactly: 4000, Seed: 1})
		if err != nil {
			t.Fatal(err)
		}
		if b.Limits.Runs == 0 && math.Abs(s[0].U/two.U[0]-1) > 0.06 {
			t.Fatalf("Monte Carlo u %v, law %v", s[0].U, two.U[0])
		}
	})
}

func TestSwitchedLoad(t *testing.T) {
	b := bench()
	b.Rig.Front.Conversions = 1
	b.Figure.Period, b.Figure.On = 0.1, 0.05
	locked, err := b.State(Options{})
	if err != nil {
		t.Fatal(err)
	}
	if locked.Lines[0].Name != "integration rule" || locked.Charge.U < 3 {
		t.Errorf("ten periods in each reading: the mean is unknown within half, but U is %v Ah, first %+v", locked.Charge.U, locked.Lines[0])
	}
	b.Figure.Period, b.Figure.On = 0.0987, 0.05
	free, err := b.State(Options{})
	if err != nil {
		t.Fatal(err)
	}
	if free.Charge.U > locked.Charge.U/5 {
		t.Errorf("out of step: U %v Ah against %v", free.Charge.U, locked.Charge.U)
	}
	b.Rig.Front.Conversions, b.Rig.Front.Spacing = 64, 10e6
	averaged, err := b.State(Options{})
	if err != nil {
		t.Fatal(err)
	}
	for _, l := range averaged.Lines {
		if l.Name == "integration rule" && !strings.Contains(l.From, "averaged") {
			t.Errorf("a window of 640 ms averages 6 periods: %+v", l)
		}
	}
}

// What a window sees of a switched load, and a set of phases, held against the load itself at a thousand phases.
func TestWindowOfASwitchedLoad(t *testing.T) {
	mean := func(duty, from, window float64) float64 {
		on := func(x float64) float64 { return math.Floor(x)*duty + math.Min(x-math.Floor(x), duty) }
		return (on(from+window) - on(from)) / window
	}
	for _, c := range []struct{ duty, window float64 }{{0.3, 0.1}, {0.3, 0.5}, {0.3, 0.9}, {0.3, 1}, {0.3, 1.5}, {0.7, 1.5}, {0.5, 6.4}, {0.05, 2.98}} {
		worst, squares := 0.0, 0.0
		for k := range 1000 {
			d := mean(c.duty, float64(k)/1000, c.window) - c.duty
			worst, squares = math.Max(worst, math.Abs(d)), squares+d*d/1000
		}
		most, scatter := windowed(c.duty, c.window)
		near(t, "the most", most, worst, 2e-3)
		if math.Sqrt(squares) > scatter+1e-9 {
			t.Errorf("%+v: scatter %v, at most %v was promised", c, math.Sqrt(squares), scatter)
		}
	}
	// A window of one and a half periods, in step: two thirds or one third where one half is true, for the whole run.
	b := bench()
	b.Rig.Front.Conversions, b.Rig.Front.Spacing = 15, 1e6
	b.Figure.Period, b.Figure.On = 0.01, 0.005
	u := b.sampling(b.Figure.Duration / b.Figure.Every).U
	near(t, "in step", u*math.Sqrt(3), 0.7/6*b.Figure.Duration, 1)
	// Read twice in each period, a quarter on: one reading of two sees it, or none; never half of one.
	b.Rig.Front.Conversions, b.Rig.Front.Spacing = 1, 0
	b.Figure.Period, b.Figure.On = 2, 0.5
	u = b.sampling(b.Figure.Duration / b.Figure.Every).U
	near(t, "two phases", u*math.Sqrt(3), 1.4*0.25*b.Figure.Duration, 1)
	// Seven phases and two sevenths on: two readings of seven, as it is.
	b.Figure.Period, b.Figure.On = 7, 2
	near(t, "seven phases", b.sampling(b.Figure.Duration/b.Figure.Every).U, 0, 1e-6)
}

func TestFigureRefused(t *testing.T) {
	for name, set := range map[string]func(*Capacity){
		"no charge":         func(c *Capacity) { c.Figure.Charge = 0 },
		"NaN current":       func(c *Capacity) { c.Figure.Current = math.NaN() },
		"negative duration": func(c *Capacity) { c.Figure.Duration = -1 },
		"no shunt":          func(c *Capacity) { c.Rig.Shunt.Nominal = 0 },
		"slope, no level":   func(c *Capacity) { c.Figure.End = 0 },
	} {
		b := bench()
		set(&b)
		if _, err := b.State(Options{}); !errors.Is(err, ErrFigure) {
			t.Errorf("%s: %v", name, err)
		}
	}
	if _, err := bench().State(Options{P: 1}); !errors.Is(err, ErrFigure) {
		t.Error("coverage of 1 was taken")
	}
}

// The clauses against a hand sum: 0.5 A on 10 mohm, offset 25 uV is 0.5 %, gain 0.2 %, shunt 0.25 %.
func TestEquipmentClauses(t *testing.T) {
	c := Capacity{
		Rig: rig.Rig{Shunt: rig.Shunt{Nominal: 0.01}},
		Limits: Limits{Shunt: Limit{Half: 0.0025}, Gain: Limit{Half: 0.002}, Offset: Limit{Half: 25e-6}, BusGain: Limit{Half: 0.0005}, BusOffset: Limit{Half: 0.004},
			Tick: Limit{Half: 50e-6}, Cell: Limit{Half: 1.5}},
		Figure: Figure{Charge: 3600, Duration: 7200, Current: 0.5, Voltage: 12, End: 10},
	}
	h := c.Has()
	if math.Abs(h.Current-0.0095) > 1e-12 || math.Abs(h.Voltage-0.0009) > 1e-12 || h.Time != 50e-6 {
		t.Fatalf("%+v", h)
	}
	got := map[string]string{}
	for _, k := range c.Clauses() {
		got[k.Standard] = strings.Join(k.Fails, " ")
	}
	for standard, want := range map[string]string{"IEC 62660-2, 4.3": "", "IEC 60896-2-1:2002, 3.1": "current temperature", "IEC 61951-2:2022, 4": ""} {
		if f, ok := got[standard]; !ok || f != want {
			t.Errorf("%s: fails %q, want %q", standard, f, want)
		}
	}
}

func BenchmarkMonteCarloMillion(b *testing.B) {
	m := bench().model()
	for b.Loop() {
		if _, err := MonteCarlo(m, Trials{Exactly: 1_000_000, Seed: 1}); err != nil {
			b.Fatal(err)
		}
	}
}

func TestTolerancesOfARigFile(t *testing.T) {
	base, err := rig.ByName("shop-50a")
	if err != nil {
		t.Fatal(err)
	}
	r, err := rig.Parse("mine.yaml", []byte("rig: mine\ntolerance: {shunt: 0.1 %, shunt_offset: 1 uV, thermal: 2 uV, bus_gain: 0.05 %, shunt_gain: 0.05 %, reference: 0.8}\n"), base)
	if err != nil {
		t.Fatal(err)
	}
	l := FromRig(r)
	if l.Shunt.Half != 0.001 || l.Shunt.Assumed || l.Offset.Half != 1e-6 || l.Reference != 0.8 || !l.BusOffset.Assumed {
		t.Errorf("%+v", l)
	}
	b := bench()
	b.Rig, b.Limits = r, l
	s, err := b.State(Options{})
	if err != nil {
		t.Fatal(err)
	}
	c := bench()
	c.Rig, c.Limits = base, FromRig(base)
	u, err := c.State(Options{})
	if err != nil {
		t.Fatal(err)
	}
	if s.Charge.U1 >= u.Charge.U1 {
		t.Errorf("a better rig has u %v, the plain one %v", s.Charge.U1, u.Charge.U1)
	}
	if _, err := rig.Parse("mine.yaml", []byte("rig: mine\ntolerance: {shunt: -1 %, sunt: 1 %}\n"), base); err == nil || !strings.Contains(err.Error(), "mine.yaml:2:") {
		t.Errorf("a negative tolerance and an unknown key: %v", err)
	}
}

// A calibrated channel: gain and offset of one straight line are correlated, and the charge of a discharge I·T at the current -I has
// u² = (I·T·u_G)² + (T·u_O)² - 2·r·I·T²·u_G·u_O + the meter's own parts (JCGM 100, equation 13). Everything else is taken as known.
func TestCalibratedChannel(t *testing.T) {
	r, err := rig.ByName("shop-50a")
	if err != nil {
		t.Fatal(err)
	}
	r.Front.ShuntStep, r.Front.ShuntNoise = 1e-15, 0
	const amps, hours, ug, uo, corr, mg, mo = 2.0, 5.0, 4e-4, 1.5e-3, -0.6, 3e-4, 2e-3
	c := Capacity{Rig: r, Figure: Figure{Charge: amps * hours * 3600, Duration: hours * 3600, Current: amps, Voltage: 12, Every: 1e-9},
		Current: &Calibrated{Gain: ug, Offset: uo, R: corr, DOF: 9, MeterGain: mg, MeterOffset: mo, From: "a test"}}
	s, err := c.State(Options{Seed: 1})
	if err != nil {
		t.Fatal(err)
	}
	want := math.Sqrt(sq(amps*hours*ug) + sq(hours*uo) - 2*corr*amps*hours*hours*ug*uo + sq(amps*hours*mg) + sq(hours*mo))
	if math.Abs(s.Charge.U1-want) > 1e-3*want {
		t.Errorf("u %.6g Ah, by hand %.6g Ah", s.Charge.U1, want)
	}
	for _, l := range s.Lines {
		if l.Name == "shunt tolerance" {
			t.Error("the shunt's label counts beside its calibration")
		}
	}
	if has := c.Has(); math.Abs(has.Current-2*(math.Hypot(ug, mg)+math.Hypot(uo, mo)/amps)) > 1e-6 {
		t.Errorf("limit of the current %v", has.Current)
	}
}

// Three pairs leave one degree of freedom: the interval is 13.97·u wide (Student's t, 95.45 %), by either way of computing it, and no trial has a
// standard deviation. Advice counts that fewer degrees of freedom go with a part that is gone.
func TestCalibratedByThreePairs(t *testing.T) {
	r, err := rig.ByName("shop-50a")
	if err != nil {
		t.Fatal(err)
	}
	pack, err := model.PackByName("agm-12v-7ah")
	if err != nil {
		t.Fatal(err)
	}
	f, err := Rehearsed(pack, r, 0, 0)
	if err != nil {
		t.Fatal(err)
	}
	f.Reference, f.Lambda = f.Cell, 0.006
	c := Capacity{Rig: r, Limits: FromRig(r), Figure: f, Current: &Calibrated{Gain: 4.1e-3, Offset: 13e-3, R: 0.8, DOF: 1, MeterGain: 6e-5, MeterOffset: 6e-4, From: "three pairs"}}
	s, err := c.State(Options{Seed: 1})
	if err != nil {
		t.Fatal(err)
	}
	near(t, "k", s.Charge.K, 13.97, 0.01)
	half := (s.Charge.quote.High - s.Charge.quote.Low) / 2
	if math.Abs(half/s.Charge.U-1) > 0.1 {
		t.Errorf("quoted within ±%.3g Ah, by propagation ±%.3g Ah", half, s.Charge.U)
	}
	if s.Charge.MonteCarlo.U1.Known() {
		t.Errorf("a standard deviation of %v for one degree of freedom", s.Charge.MonteCarlo.U1)
	}
	if first := s.Advice[0]; !strings.Contains(first, "take more pairs") || strings.Contains(first, "gone, to 0 Ah") {
		t.Error(first)
	}
}

// Rounding with noise, held against the exact mean of a rounded normal value at a thousand places within a count.
func TestRoundingWithNoise(t *testing.T) {
	cdf := func(x float64) float64 { return math.Erfc(-x/math.Sqrt2) / 2 }
	for _, noise := range []float64{0.02, 0.05, 0.125, 0.25, 0.4, 0.6, 1} {
		const places = 1000
		squares := 0.0
		for p := range places {
			x := (float64(p)+0.5)/places - 0.5
			mean := 0.0
			for count := -12; count <= 12; count++ {
				mean += float64(count) * (cdf((float64(count)+0.5-x)/noise) - cdf((float64(count)-0.5-x)/noise))
			}
			squares += sq(mean-x) / places
		}
		stays, scatters := rounded(noise)
		near(t, "what stays", stays, math.Sqrt(squares), 1e-5)
		near(t, "the whole", sq(stays)+sq(scatters), 1.0/12, 1e-12)
	}
	// 64 conversions of one count of noise are averaged before they are rounded: an eighth is left, and 0.1686 of 4 mA
	// stays for 20 h: exp(-(2·pi/8)²)/(2·pi²) + exp(-(4·pi/8)²)/(8·pi²) and so on, by hand.
	r, err := rig.ByName("shop-50a")
	if err != nil {
		t.Fatal(err)
	}
	b := bench()
	b.Rig = r
	near(t, "counts of the default rig", b.model().Inputs[inCounts].U, 0.1686*4e-3*72000, 0.02)
	b.Rig.Front.Conversions = 1
	near(t, "not averaged before", b.model().Inputs[inCounts].U, 4e-3/math.Sqrt(12)*math.Sqrt(72000), 1e-3)
}

// A capacity means little without the voltage to which it was drawn, and a charge that stopped short of it is a bound.
func TestSentenceOfACapacity(t *testing.T) {
	b := bench()
	s, err := b.State(Options{Most: 20_000})
	if err != nil {
		t.Fatal(err)
	}
	if !strings.HasPrefix(s.Sentence, "The capacity is 7.") || !strings.Contains(s.Sentence, "to an end voltage of 10.8 V") {
		t.Error(s.Sentence)
	}
	b.Figure.End, b.Figure.EndSlope, b.Figure.AtLeast = 0, 0, true
	if s, err = b.State(Options{Most: 20_000}); err != nil {
		t.Fatal(err)
	}
	if !strings.Contains(s.Sentence, "the capacity is at least 7.") || strings.Contains(s.Sentence, "end voltage") {
		t.Error(s.Sentence)
	}
}

// A temperature coefficient of unknown sign, in surroundings that may be warmer or colder: both lie about zero, so their product has no slope there. It counts all the same,
// as in trials of the two factors themselves.
func TestProductOfTwoUnknowns(t *testing.T) {
	b := bench()
	b.Limits = Limits{TempCo: Limit{Half: 500e-6, From: "label"}, Ambient: Limit{Half: 20, From: "a garage"}}
	b.Figure.EndSlope, b.Figure.End, b.Figure.Every = 0, 0, 0
	b.Rig.Front = rig.FrontEnd{}
	s, err := b.State(Options{})
	if err != nil {
		t.Fatal(err)
	}
	trials, err := MonteCarlo(Model{Outputs: 1, Inputs: []Input{{U: Rectangular.Half(500e-6), Shape: Rectangular}, {U: Rectangular.Half(20), Shape: Rectangular}},
		F: func(x, y []float64) { y[0] = 7 / (1 + x[0]*x[1]) }}, Trials{Exactly: 400_000, Seed: 1})
	if err != nil {
		t.Fatal(err)
	}
	near(t, "u", s.Charge.U1, trials[0].U, 0.01*trials[0].U)
	if s.Lines[0].Name != "shunt in other surroundings" {
		t.Errorf("the first line is %+v", s.Lines[0])
	}
	// Self-heating: 10 W at 20 K/W, give or take 5 K/W.
	b.Limits = Limits{TempCo: Limit{Half: 500e-6, From: "label"}, Rise: Limit{Half: 5, From: "label"}}
	b.Rig.Shunt.Rise, b.Figure.Current = 20, math.Sqrt(10/b.Rig.Shunt.Nominal)
	if s, err = b.State(Options{}); err != nil {
		t.Fatal(err)
	}
	near(t, "u of self-heating", s.Charge.U1, 7*math.Hypot(500e-6/math.Sqrt(3)*200, 500e-6/math.Sqrt(3)*50/math.Sqrt(3)), 1e-3)
}

// The budget of a rehearsed pack goes by that pack's own temperature coefficient, at the current of the discharge.
func TestRehearsedPackHasItsOwnLambda(t *testing.T) {
	r, err := rig.ByName("shop-50a")
	if err != nil {
		t.Fatal(err)
	}
	for _, c := range []struct {
		pack         string
		amps, lambda float64
	}{
		{"agm-12v-7ah", 0.35, 0.006}, {"agm-12v-7ah", 7, 0.01}, {"nimh-7v2-3ah", 0.15, 0.003},
		{"lfp-12v8-100ah", 20, 0.005 + 0.003*math.Log(2)/math.Log(10.0/3)}, // five hours, between ten and three
	} {
		p, err := model.PackByName(c.pack)
		if err != nil {
			t.Fatal(err)
		}
		f, err := Rehearsed(p, r, c.amps, 0)
		if err != nil {
			t.Fatal(err)
		}
		near(t, c.pack, f.Lambda, c.lambda, 1e-9)
	}
}
