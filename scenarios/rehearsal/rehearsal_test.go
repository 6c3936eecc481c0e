package rehearsal

import (
	"bytes"
	"encoding/csv"
	"encoding/json"
	"math"
	"strings"
	"testing"
	"unicode/utf8"

	"pgregory.net/rapid"

	"stuntcell/emulator"
	"stuntcell/emulator/rig"
	"stuntcell/model"
)

const second = int64(1e9)

// setup is a plan on the default pack and rig.
func setup(t testing.TB, plan ...model.Step) *emulator.Setup {
	t.Helper()
	pack, err := model.PackByName("agm-12v-7ah")
	if err != nil {
		t.Fatal(err)
	}
	r, err := rig.ByName("shop-50a")
	if err != nil {
		t.Fatal(err)
	}
	return &emulator.Setup{Pack: pack, Plan: plan, Rig: r, Settings: emulator.Settings{Log: 10 * second, CutoffHold: 5 * second}}
}

func rest(seconds int64) model.Step {
	return model.Step{Kind: model.Rest, Ends: model.Ends{Time: seconds * second}}
}

func discharge(amps float64, seconds int64) model.Step {
	return model.Step{Kind: model.Discharge, Load: model.Load{Current: amps}, Ends: model.Ends{Time: seconds * second}}
}

// handed is a discharge that the logger ends.
func handed(s *emulator.Setup, amps float64) model.Step {
	level, err := s.Pack.Level("end", amps)
	if err != nil {
		panic(err)
	}
	floor, err := s.Pack.Level("floor", amps)
	if err != nil {
		panic(err)
	}
	s.Settings.Cutoff = level
	return model.Step{Kind: model.Discharge, Load: model.Load{Current: amps}, Ends: model.Ends{Logger: level, Floor: floor, Hold: 60 * second}}
}

func rehearse(t testing.TB, s *emulator.Setup) *Rehearsal {
	t.Helper()
	r, err := Rehearse("under-test", "A plan under test.", s)
	if err != nil {
		t.Fatal(err)
	}
	return r
}

func TestTimelineOfKnownCharges(t *testing.T) {
	r := rehearse(t, setup(t, rest(60), discharge(1, 3600), rest(30), discharge(2, 900)))
	want := []struct{ begin, end, charge float64 }{{0, 60, 0}, {60, 3660, -1}, {3660, 3690, 0}, {3690, 4590, -0.5}}
	if len(r.Steps) != len(want) {
		t.Fatalf("%d steps, want %d", len(r.Steps), len(want))
	}
	for i, w := range want {
		s := r.Steps[i]
		if math.Abs(s.Begin-w.begin) > 1e-6 || math.Abs(s.End-w.end) > 1e-6 || math.Abs(s.Charge-w.charge) > 1e-9 {
			t.Errorf("step %d: %g to %g s, %g Ah, want %+v", i+1, s.Begin, s.End, s.Charge, w)
		}
	}
	if math.Abs(r.Total.Out-1.5) > 1e-9 || math.Abs(r.Total.In) > 1e-9 {
		t.Errorf("%g Ah out and %g in, want 1.5 and 0", r.Total.Out, r.Total.In)
	}
	// 1 A through 1.5 mohm is 1.5 mV, 250 counts of 6 uV.
	if math.Abs(r.Steps[1].Counts-250) > 1e-6 {
		t.Errorf("%g counts at 1 A, want 250", r.Steps[1].Counts)
	}
	if r.Log.Rows != 460 || r.Log.Readings != 4591 {
		t.Errorf("%d readings and %d rows, want 4591 and 460", r.Log.Readings, r.Log.Rows)
	}
}

func TestStopIsDueAfterTheHold(t *testing.T) {
	s := setup(t)
	s.Plan = model.Plan{rest(60), handed(s, 3.5), rest(60)}
	for _, hold := range []int64{0, 5 * second, 20 * second} {
		s.Settings.CutoffHold = hold
		c, err := Play(s, Options{})
		if err != nil {
			t.Fatal(err)
		}
		if c.Below < 0 || c.StopDue-c.Below != hold || c.StopDue%second != 0 {
			t.Errorf("hold %d: below at %d, due at %d", hold, c.Below, c.StopDue)
		}
		step := c.Steps[1]
		if step.Why != model.ByLogger || step.End != c.StopDue+60*second {
			t.Errorf("hold %d: ended by %s at %d, want by the logger 60 s after %d", hold, step.Why, step.End, c.StopDue)
		}
	}
	never, err := Play(s, Options{Never: true})
	if err != nil {
		t.Fatal(err)
	}
	if never.Steps[1].Why != model.ByFloor {
		t.Errorf("a logger that never acts: ended by %s, want by the floor", never.Steps[1].Why)
	}
}

// Facts of counters, from clock_facts.csv of the references (arithmetic): 2^32 ms are 4294967.296 s, 2^31 ms 24 d 20:31:23.648,
// 2^16 ms 65.536 s, 2^32 us 4294.967296 s.
func TestCounterFacts(t *testing.T) {
	for _, c := range []struct {
		bits      int
		hz, start int64
		days      int64
		wrap      float64 // first
		times     int64
		half      float64
	}{
		{32, 1000, 0, 60, 4294967.296, 1, 24*86400 + 20*3600 + 31*60 + 23.648},
		{16, 1000, 0, 1, 65.536, 1318, 32.768},
		{32, 1_000_000, 0, 1, 4294.967296, 20, 2147.483648},
		{32, 1000, -2_400_000, 1, 2400, 1, 0},
	} {
		s := setup(t, rest(c.days*86400))
		s.Rig.Tick = rig.Tick{Bits: c.bits, Hz: c.hz, Start: c.start}
		r := rehearse(t, s)
		var wrap, half *Counter
		for i := range r.Counters {
			switch x := &r.Counters[i]; {
			case strings.Contains(x.What, "wraps"):
				wrap = x
			case strings.Contains(x.What, "middle"):
				half = x
			}
		}
		if wrap == nil || math.Abs(wrap.At[0]-c.wrap) > 1e-6 || wrap.Times != c.times {
			t.Errorf("%d bits at %d Hz: wraps %+v, want first at %g, %d times", c.bits, c.hz, wrap, c.wrap, c.times)
		}
		if (half == nil) != (c.half == 0) || half != nil && math.Abs(half.At[0]-c.half) > 1e-6 {
			t.Errorf("%d bits at %d Hz: middle %+v, want %g", c.bits, c.hz, half, c.half)
		}
	}
}

func TestLimitsCrossed(t *testing.T) {
	find := func(r *Rehearsal, what string) *Crossing {
		for i := range r.Limits {
			if strings.Contains(r.Limits[i].What, what) {
				return &r.Limits[i]
			}
		}
		return nil
	}
	s := setup(t, rest(100), discharge(5, 60), discharge(0.1, 60))
	s.Rig.Shunt.RatedAmps = 6
	r := rehearse(t, s)
	c := find(r, "two thirds")
	if c == nil || math.Abs(c.Limit-4) > 1e-9 || math.Abs(c.Value-5) > 1e-9 || math.Abs(c.Since-100) > 1e-6 || math.Abs(c.For-60) > 1e-6 {
		t.Errorf("5 A on a shunt of 6 A: %+v, want 5 A against 4 A from 100 s for 60 s", c)
	}
	if c := find(r, "one count"); c == nil || math.Abs(c.Value-0.04) > 1e-9 {
		t.Errorf("0.1 A at 4 mA a count: %+v, want 4 %%", c)
	}
	for _, what := range []string{"last count", "dangerous", "arc", "above its rating"} {
		if c := find(r, what); c != nil {
			t.Errorf("crossed for no reason: %+v", c)
		}
	}
	s.Rig.Front.ShuntMax = 1000 // 4 A
	s.Rig.Wiring.Lead = 0.1
	r = rehearse(t, s)
	if c := find(r, "current beyond its last count"); c == nil || math.Abs(c.Limit-4) > 1e-9 {
		t.Errorf("5 A beyond 1000 counts of 4 mA: %+v", c)
	}
	if c := find(r, "tap"); c == nil || c.Value < 0.03 || c.Value > 0.05 {
		t.Errorf("0.5 V lost of about 12.5 V: %+v", c)
	}
}

func TestFailureSaysHowLongTheFloorTakes(t *testing.T) {
	s := setup(t)
	s.Plan = model.Plan{handed(s, 1.4)}
	r := rehearse(t, s)
	if len(r.Failures) != 1 || !strings.Contains(r.Failures[0].Then, "after the stop was due") {
		t.Fatalf("failures %+v", r.Failures)
	}
}

func TestTooMuchSwitchingIsRefused(t *testing.T) {
	s := setup(t, discharge(0.001, 1_000_000))
	s.Plan[0].Load.Period, s.Plan[0].Load.On = 100_000, 50_000
	if _, err := Play(s, Options{Most: 1000}); err != ErrTooLong {
		t.Errorf("error %v, want %v", err, ErrTooLong)
	}
}

// The fuse holds the current with a quarter in reserve and the wire carries the fuse, at any current that the tables know.
func TestWiringLaws(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		a := rapid.Float64Range(0.01, 300).Draw(t, "amps")
		b := rapid.Float64Range(a, 300).Draw(t, "more")
		x, y := WiringFor(a), WiringFor(b)
		if x.Fuse != 0 && x.Fuse < a*1.25-1e-9 {
			t.Fatalf("a fuse of %g A for %g A", x.Fuse, a)
		}
		if y.Fuse != 0 && (x.Fuse == 0 || x.Fuse > y.Fuse || x.Area > y.Area && y.Area != 0) {
			t.Fatalf("%g A: %+v, but %g A: %+v", a, x, b, y)
		}
	})
}

func TestRenderings(t *testing.T) {
	s := setup(t)
	s.Plan = model.Plan{rest(60), handed(s, 3.5), rest(60)}
	r := rehearse(t, s)
	r.Scenario, r.Summary = "a<b", `it's "<script>alert(1)</script>", and a summary that is so long that it does not fit on one line of a terminal`
	var text, js, table, sheet bytes.Buffer
	for _, err := range []error{r.Text(&text), r.JSON(&js), r.CSV(&table), r.Sheet(&sheet)} {
		if err != nil {
			t.Fatal(err)
		}
	}
	for _, line := range strings.Split(text.String(), "\n") {
		if utf8.RuneCountInString(line) > 80 {
			t.Errorf("longer than 80 columns: %s", line)
		}
	}
	var back Rehearsal
	if err := json.Unmarshal(js.Bytes(), &back); err != nil || back.Schema != Schema || len(back.Steps) != 3 {
		t.Errorf("JSON does not read back: %v", err)
	}
	rows, err := csv.NewReader(&table).ReadAll()
	if err != nil || len(rows) != 4 || len(rows[0]) != len(rows[3]) {
		t.Errorf("CSV has %d rows (%v), want a header and three", len(rows), err)
	}
	if strings.Contains(sheet.String(), "<script>") || !strings.Contains(sheet.String(), "a&lt;b") {
		t.Error("markup in a name is not escaped")
	}
	for name, out := range map[string]string{"text": text.String(), "JSON": js.String(), "sheet": sheet.String()} {
		flat := strings.Join(strings.Fields(out), " ")
		for _, must := range []string{"This is a simulation", "licensed practice"} {
			if !strings.Contains(flat, must) {
				t.Errorf("%s does not say %q", name, must)
			}
		}
	}
	for _, must := range []string{"Do not test if", "Dummy run", "polarity", "fuse", "875"} { // 3.5 A are 875 counts of 4 mA
		if !strings.Contains(strings.ToLower(sheet.String()), strings.ToLower(must)) && !strings.Contains(sheet.String(), must) {
			t.Errorf("the sheet does not say %q", must)
		}
	}
}

// A lithium or lead-acid charge that is not ended is held at its voltage, where the current has fallen. A nickel cell's voltage never reaches the
// charger's: all of the current goes on, as heat.
func TestWhatAChargerGoesOnWith(t *testing.T) {
	for name, want := range map[string]string{"agm-12v-7ah": "the charger holds 14.520 V", "nimh-7v2-3ah": "the charger goes on with 1.5 A into cells that are full"} {
		s := setup(t, rest(60))
		p, err := model.PackByName(name)
		if err != nil {
			t.Fatal(err)
		}
		s.Pack = p
		s.Plan = append(s.Plan, model.Step{Kind: model.Discharge, Load: model.Load{Current: p.Amps(0.5)}, Ends: model.Ends{Time: 1800e9, Voltage: p.Rated.End}})
		s.Plan = append(s.Plan, p.ChargeSteps(0, 0, 0)...)
		r := rehearse(t, s)
		if last := r.Failures[len(r.Failures)-1].Then; !strings.Contains(last, want) {
			t.Errorf("%s: %s", name, last)
		}
	}
}
