package emulator_test

import (
	"context"
	"errors"
	"fmt"
	"math"
	"os"
	"os/exec"
	"path/filepath"
	"reflect"
	"strconv"
	"strings"
	"sync"
	"testing"
	"time"

	"stuntcell/emulator"
	"stuntcell/emulator/link"
	"stuntcell/emulator/rig"
	"stuntcell/model"
	"stuntcell/model/outside"
)

const (
	second = int64(1e9)
	minute = 60 * second
	hour   = 60 * minute
)

// setup is a discharge of the default pack on the default rig; rigYAML overrides fields of it.
func setup(t testing.TB, rigYAML string, plan ...model.Step) emulator.Setup {
	t.Helper()
	pack, err := model.PackByName("agm-12v-7ah")
	if err != nil {
		t.Fatal(err)
	}
	r, err := rig.ByName("shop-50a")
	if err == nil && rigYAML != "" {
		r, err = rig.Parse("test.yaml", []byte(rigYAML), r)
	}
	if err != nil {
		t.Fatal(err)
	}
	s := emulator.Setup{Pack: pack, Plan: plan, Rig: r, Seed: 1, Settings: emulator.Settings{Log: 10 * second}}
	for _, step := range plan {
		if step.Kind == model.Discharge && step.Ends.Logger > 0 {
			s.Settings.Cutoff = step.Ends.Logger
		}
	}
	return s
}

func rest(ns int64) model.Step { return model.Step{Kind: model.Rest, Ends: model.Ends{Time: ns}} }

func discharge(amps float64, ns int64) model.Step {
	return model.Step{Kind: model.Discharge, Load: model.Load{Current: amps}, Ends: model.Ends{Time: ns, Floor: 9.6}}
}

func charge(amps, volts float64, ns int64) model.Step {
	return model.Step{Kind: model.Charge, Load: model.Load{Current: amps}, Voltage: volts, Ends: model.Ends{Time: ns, Charge: 1e5}}
}

// toLogger is a discharge that the logger ends at a level.
func toLogger(amps, level float64) model.Step {
	return model.Step{Kind: model.Discharge, Load: model.Load{Current: amps},
		Ends: model.Ends{Logger: level, Hold: minute, Floor: level - 0.9, Time: 40 * hour}}
}

// scripted is a logger of a test: each field that is set answers its kind of message.
type scripted struct {
	greet func(a *link.Answer)
	read  func(r *link.Reading, a *link.Answer)
	set   func(key string, value int64, a *link.Answer)
	end   func(a *link.Answer)
}

func (s scripted) Greet(_ *link.Greeting, a *link.Answer) {
	if s.greet != nil {
		s.greet(a)
	}
}
func (s scripted) Read(r *link.Reading, a *link.Answer) {
	if s.read != nil {
		s.read(r, a)
	}
}
func (s scripted) Set(key string, value int64, a *link.Answer) {
	if s.set != nil {
		s.set(key, value, a)
	}
}
func (s scripted) End(a *link.Answer) {
	if s.end != nil {
		s.end(a)
	}
}

func run(t testing.TB, s emulator.Setup, l link.Logger) *emulator.Record {
	t.Helper()
	return play(t, s, link.NewInProcess(func(link.Store) link.Logger { return l }, s.Seed))
}

func play(t testing.TB, s emulator.Setup, l link.Link) *emulator.Record {
	t.Helper()
	rec, err := emulator.Run(context.Background(), s, l)
	if err != nil {
		t.Fatal(err)
	}
	return rec
}

// echoes writes what it reads as rows.
func echoes() scripted {
	return scripted{read: func(r *link.Reading, a *link.Answer) {
		a.Row(fmt.Sprintf("%d %d %d %d", r.Tick, r.Shunt, r.Bus, r.Clock))
	}}
}

func TestSameSeedSameRecord(t *testing.T) {
	s := setup(t, "readings: {jitter: 50 ms}", rest(minute), discharge(1.4, 20*minute), rest(minute), charge(1, 14.4, 10*minute))
	a, b := run(t, s, echoes()), run(t, s, echoes())
	if !reflect.DeepEqual(a, b) {
		t.Error("two runs of one seed differ")
	}
	s.Seed = 2
	c := run(t, s, echoes())
	if reflect.DeepEqual(a.Readings.Shunt, c.Readings.Shunt) || reflect.DeepEqual(a.Readings.T, c.Readings.T) {
		t.Error("another seed changed neither noise nor jitter")
	}
}

func TestReadingsComeWhenTheRigSays(t *testing.T) {
	s := setup(t, "readings: {every: 1.35 s, jitter: 0.5 s}", rest(hour))
	rec := run(t, s, echoes())
	rd := rec.Readings
	if rd.T[0] != second {
		t.Errorf("the first window ends at %d ns, want one nominal interval", rd.T[0])
	}
	var shortest, longest, total int64 = math.MaxInt64, 0, 0
	for i := 1; i < len(rd.T); i++ {
		d := rd.T[i] - rd.T[i-1]
		shortest, longest, total = min(shortest, d), max(longest, d), total+d
	}
	if shortest < 850e6 || longest > 1850e6 || shortest > 900e6 || longest < 1800e6 {
		t.Errorf("intervals from %d to %d ns, want 1.35 s +- 0.5 s", shortest, longest)
	}
	// The mean of n uniform draws has a standard error of 0.5/sqrt(3n): six of them.
	n := float64(len(rd.T) - 1)
	if mean := float64(total) / n * 1e-9; math.Abs(mean-1.35) > 6*0.5/math.Sqrt(3*n) {
		t.Errorf("mean interval %v s", mean)
	}
	if len(rec.Rows) != len(rd.T) || !rec.Complete || rec.Greeting.ReadMS != 1000 {
		t.Errorf("%d rows of %d readings, complete %v, read_ms %d", len(rec.Rows), len(rd.T), rec.Complete, rec.Greeting.ReadMS)
	}
}

func TestTruthBesideTheReadings(t *testing.T) {
	s := setup(t, "", rest(minute), discharge(1.4, 10*minute), charge(1, 14.4, 10*minute))
	rec := run(t, s, echoes())
	rd := rec.Readings
	var steps, through float64
	for _, st := range rec.Steps {
		steps += st.Charge
		through += st.Throughput
	}
	last := len(rd.T) - 1
	// The rest before the first reading carries nothing, and the last reading is at the plan's end.
	if math.Abs(rd.Charge[last]-steps) > 1e-9*rd.Throughput[last] {
		t.Errorf("charge %v A·s, the steps' sum %v", rd.Charge[last], steps)
	}
	if math.Abs(rd.Throughput[last]-through) > 1e-9*through || math.Abs(rec.Steps[1].Charge+1.4*600) > 1e-6 {
		t.Errorf("throughput %v A·s, the steps' %v; discharged %v", rd.Throughput[last], through, rec.Steps[1].Charge)
	}
	for i := range rd.T {
		amps := float64(rd.Shunt[i]) * 6e-6 / 1.5e-3
		volts := float64(rd.Bus[i]) * 3e-3
		// Half a count and five sigma of the mean's noise (6 uV and 3 mV over the root of 64).
		if math.Abs(amps-rd.MeanI[i]) > 0.002+5*6e-6/8/1.5e-3 || math.Abs(volts-rd.MeanV[i]) > 0.0015+5*3e-3/8 {
			t.Fatalf("reading %d: %v A, %v V; truth %v A, %v V", i, amps, volts, rd.MeanI[i], rd.MeanV[i])
		}
		if i > 0 && rd.Step[i] == rd.Step[i-1] {
			dq, step := rd.Charge[i]-rd.Charge[i-1], (rd.MeanI[i]+rd.MeanI[i-1])/2
			if math.Abs(dq-step) > 1e-9 && rd.Step[i] < 2 {
				t.Fatalf("reading %d: %v A·s in a second at %v A", i, dq, step)
			}
		}
	}
	if got := []int{rec.Steps[0].First, rec.Steps[0].Last, rec.Steps[1].First, rec.Steps[2].Last}; !reflect.DeepEqual(got, []int{0, 59, 60, last}) {
		t.Errorf("readings of the steps: %v", got)
	}
}

func TestEdgesInTheWindowAreSampled(t *testing.T) {
	// 2 A for 0.5 s of each second in phase with the readings: the window of 64 ms sees one level only, the truth's mean is that of the window.
	step := discharge(2, minute)
	step.Load.Period, step.Load.On = second, second/2
	rec := run(t, setup(t, "front: {shunt_noise: 0 V}", step), echoes())
	for i, c := range rec.Readings.Shunt {
		if c != 0 || rec.Readings.MeanI[i] != 0 {
			t.Fatalf("reading %d: %d counts, %v A: want none, the load is off in the window", i, c, rec.Readings.MeanI[i])
		}
	}
	// With the edge in the window a point sample in 64 decides: 32 ms of 64 at 2 A.
	step.Load.Phase = 532 * second / 1000
	rec = run(t, setup(t, "front: {shunt_noise: 0 V}", step), echoes())
	if c, mean := rec.Readings.Shunt[5], rec.Readings.MeanI[5]; c == 0 || c == -500 || math.Abs(float64(c)*4e-3-mean) > 2.0/64+0.004 {
		t.Errorf("an edge in the window: %d counts, truth %v A", c, mean)
	}
	// A ripple that is a multiple of the conversions' rate (1 kHz) is seen as a steady current, the truth's mean is not.
	ripple := discharge(2, minute)
	ripple.Load.RippleHz, ripple.Load.Ripple = 1000, 0.5
	rec = run(t, setup(t, "front: {shunt_noise: 0 V}", ripple), echoes())
	one := rec.Readings.Shunt[5]
	for i, c := range rec.Readings.Shunt[5:] {
		if c != one || math.Abs(rec.Readings.MeanI[5+i]+2) > 1e-9 {
			t.Fatalf("ripple: %d then %d counts, truth %v A", one, c, rec.Readings.MeanI[5+i])
		}
	}
}

func TestLoggerEndsTheDischarge(t *testing.T) {
	s := setup(t, "relay: {delay: 30 ms}", toLogger(7, 10.8), rest(minute))
	rec := run(t, s, scripted{read: func(r *link.Reading, a *link.Answer) {
		if r.Bus < 3600 {
			a.Do(link.LoadOff)
		}
	}})
	if !rec.Complete || rec.Steps[0].Why != model.ByLogger {
		t.Fatalf("the step ended by %s", rec.Steps[0].Why)
	}
	var said, moved int64 = -1, -1
	for _, e := range rec.Events {
		if e.Kind == emulator.SaidLoad && said < 0 {
			said = e.T
			if rec.Readings.T[e.Reading] != e.T {
				t.Errorf("said at %d, the reading is at %d", e.T, rec.Readings.T[e.Reading])
			}
		}
		if e.Kind == emulator.LoadMoves && e.Value == 0 && moved < 0 {
			moved = e.T
		}
	}
	if said < 0 || moved != said+30e6 {
		t.Errorf("said off at %d, the contact opened at %d: want the relay's 30 ms", said, moved)
	}
	if end := rec.Steps[0].End; end != moved+minute {
		t.Errorf("the step ended at %d, want a minute after the contact opened at %d", end, moved)
	}
	if rec.Greeting.CutoffMV != 10800 {
		t.Errorf("cutoff_mv = %d", rec.Greeting.CutoffMV)
	}
}

func TestLoadThatIsClosedAgainStartsTheHoldAnew(t *testing.T) {
	reading := 0
	s := setup(t, "", toLogger(1, 10.8))
	rec := run(t, s, scripted{read: func(r *link.Reading, a *link.Answer) {
		reading++
		switch reading {
		case 10:
			a.Do(link.LoadOff)
		case 40:
			a.Do(link.LoadOn)
		case 50:
			a.Do(link.LoadOff)
		}
	}})
	if got, want := rec.Steps[0].End, 50*second+12e6+minute; got != want {
		t.Errorf("ended at %d, want %d", got, want)
	}
	if q, want := rec.Steps[0].Charge, -(10.012 + 10); math.Abs(q-want) > 1e-6 {
		t.Errorf("charge %v A·s, want %v: the load was on for 10.012 s and 10 s", q, want)
	}
}

func TestSwitchesOutsideTheLoggersStepsAreOnlyNoted(t *testing.T) {
	rec := run(t, setup(t, "", discharge(1, 10*minute)), scripted{read: func(r *link.Reading, a *link.Answer) { a.Do(link.LoadOff) }})
	if q := rec.Steps[0].Charge; math.Abs(q+600) > 1e-6 {
		t.Errorf("charge %v A·s, want -600", q)
	}
	noted := 0
	for _, e := range rec.Events {
		if e.Kind == emulator.SaidLoad {
			noted++
		}
		if e.Kind == emulator.LoadMoves && e.T < 10*minute {
			t.Errorf("the contact moved at %d", e.T)
		}
	}
	if noted != len(rec.Readings.T) {
		t.Errorf("%d of %d switches were noted", noted, len(rec.Readings.T))
	}
}

func TestWhatTheLoggerHasBuiltIn(t *testing.T) {
	s := setup(t, "tick: {start: -1 min}", toLogger(7, 10.8))
	mine := scripted{greet: func(a *link.Answer) {
		a.State(link.Mine, "tick_bits", 24)
		a.State(link.Mine, "tick_hz", 32768)
		a.State(link.Mine, "read_ms", 500)
		a.State(link.Mine, "shunt_nohm", 1000000)
		a.State(link.Mine, "shunt_step_nv", 10000)
		a.State(link.Mine, "cutoff_mv", 11000)
		a.State(link.Mine, "log_ms", 30000)
		a.Tell(link.Cannot, "load")
		a.Tell(link.Can, "charge")
	}}
	rec := run(t, s, mine)
	g := rec.Greeting
	if g.TickBits != 24 || g.TickHz != 32768 || g.ReadMS != 500 || g.CutoffMV != 11000 || g.LogMS != 30000 || g.ShuntStepNV != 10000 {
		t.Errorf("adopted %+v", g)
	}
	if !rec.Cannot["load"] || !rec.Can["charge"] || rec.Mine["tick_hz"] != 32768 {
		t.Errorf("mine %v, cannot %v, can %v", rec.Mine, rec.Cannot, rec.Can)
	}
	if e := rec.Steps[0]; e.Why != model.ByVoltage || math.Abs(e.EndV-11) > 1e-4 {
		t.Errorf("the step ended by %s at %v V: want the bench at the logger's own level", e.Why, e.EndV)
	}
	rd := rec.Readings
	if d := rd.T[1] - rd.T[0]; d != second/2 {
		t.Errorf("readings are %d ns apart", d)
	}
	if got := rd.Tick[1] - rd.Tick[0]; got != 16384 {
		t.Errorf("the tick steps by %d", got)
	}
	// A minute before the wrap stays a minute.
	if before := 1<<24 - rd.Tick[0]; math.Abs(float64(before)/32768-59.5) > 0.01 {
		t.Errorf("%d ticks before the wrap at the first reading, want 59.5 s", before)
	}
	if c := rd.Shunt[10]; math.Abs(float64(c)+700) > 2 { // 7 A · 1 mohm / 10 uV
		t.Errorf("%d counts at 7 A", c)
	}

	s.Varies = []string{"tick_bits"}
	rec = run(t, s, mine)
	if !strings.Contains(rec.Skipped, "tick_bits=24") || len(rec.Readings.T) > 0 {
		t.Errorf("skipped %q after %d readings", rec.Skipped, len(rec.Readings.T))
	}
}

func TestConstantsOutsideTheGreetingAreGarbled(t *testing.T) {
	rec := run(t, setup(t, "", rest(hour)), scripted{read: func(r *link.Reading, a *link.Answer) { a.Tell(link.Cannot, "load") }})
	if f := rec.Outcome.Failure; f == nil || f.Kind != link.Garbled || rec.Complete {
		t.Errorf("outcome %+v", rec.Outcome)
	}
}

func TestFloodOfRowsEnds(t *testing.T) {
	line := strings.Repeat("x", 1000)
	rec := run(t, setup(t, "", rest(hour)), scripted{read: func(r *link.Reading, a *link.Answer) {
		for range 1000 {
			a.Row(line)
		}
	}})
	if f := rec.Outcome.Failure; f == nil || f.Kind != link.Garbled || len(rec.Readings.T) > 20 {
		t.Errorf("outcome %+v after %d readings", rec.Outcome.Failure, len(rec.Readings.T))
	}
}

func TestCancelledRunIsAnError(t *testing.T) {
	ctx, cancel := context.WithCancel(context.Background())
	n := 0
	l := link.NewInProcess(func(link.Store) link.Logger {
		return scripted{read: func(*link.Reading, *link.Answer) {
			if n++; n == 100 {
				cancel()
			}
		}}
	}, 1)
	rec, err := emulator.Run(ctx, setup(t, "", rest(hour)), l)
	if !errors.Is(err, context.Canceled) || rec != nil {
		t.Errorf("%v, %v", rec, err)
	}
}

// build compiles a C logger of testdata or of the firmware once.
var builds sync.Map

func build(t testing.TB, source string) string {
	t.Helper()
	cc, err := exec.LookPath("cc")
	if err != nil {
		outside.Missing(t, "a C compiler (cc)")
	}
	once, _ := builds.LoadOrStore(source, sync.OnceValues(func() (string, error) {
		out := filepath.Join(buildDir, strings.TrimSuffix(filepath.Base(source), ".c"))
		cmd := exec.Command(cc, "-std=c99", "-O1", "-Wall", "-Wextra", "-pedantic", "-Werror", "-Ifirmware", "-o", out, source)
		if b, err := cmd.CombinedOutput(); err != nil {
			return "", fmt.Errorf("%v: %s", err, b)
		}
		return out, nil
	}))
	path, err := once.(func() (string, error))()
	if err != nil {
		t.Fatal(err)
	}
	return path
}

var buildDir string

func TestMain(m *testing.M) {
	dir, err := os.MkdirTemp("", "stuntcell-loggers")
	if err != nil {
		fmt.Fprintln(os.Stderr, err)
		os.Exit(1)
	}
	buildDir = dir
	code := m.Run()
	os.RemoveAll(dir)
	os.Exit(code)
}

// child runs a C logger through a setup.
func child(t testing.TB, s emulator.Setup, source string) *emulator.Record {
	t.Helper()
	return play(t, s, link.NewChild(link.ChildOptions{Args: []string{build(t, source)}, Dir: t.TempDir(), Timeout: 2 * time.Second}))
}

// totals reads Ah and Wh of a logger's last row.
func totals(t testing.TB, rec *emulator.Record) (ah, wh float64) {
	t.Helper()
	if len(rec.Rows) == 0 {
		t.Fatal("no rows")
	}
	text := rec.Rows[len(rec.Rows)-1].Text
	fields := strings.FieldsFunc(text, func(r rune) bool { return strings.ContainsRune(",;\t", r) })
	if len(fields) < 4 {
		t.Fatalf("row %q", text)
	}
	var out [2]float64
	for i := range out {
		v, err := strconv.ParseFloat(strings.TrimSpace(fields[len(fields)-2+i]), 64)
		if err != nil {
			t.Fatalf("row %q: %v", text, err)
		}
		out[i] = v
	}
	return out[0], out[1]
}

// truthAt is the truth at the reading at which the last row was written [Ah, Wh].
func truthAt(rec *emulator.Record) (ah, wh float64) {
	n := min(rec.Rows[len(rec.Rows)-1].After, len(rec.Readings.T)-1)
	return rec.Readings.Charge[n] / 3600, rec.Readings.Energy[n] / 3600
}

func TestHealthyLoggersAgreeWithTheTruth(t *testing.T) {
	s := setup(t, "tick: {start: -20 min}", rest(minute), discharge(1.4, 2*hour), charge(1.4, 14.4, hour), rest(10*second))
	for source, sign := range map[string]float64{
		"firmware/host/logger.c": 1, "../testdata/loggers/plain.c": 1, "../testdata/loggers/integer.c": 1, "../testdata/loggers/sketch.c": -1,
	} {
		t.Run(filepath.Base(source), func(t *testing.T) {
			rec := child(t, s, source)
			if rec.Outcome.Failure != nil || !rec.Complete {
				t.Fatalf("outcome %+v", rec.Outcome.Failure)
			}
			ah, wh := totals(t, rec)
			trueAh, trueWh := truthAt(rec)
			through := rec.Readings.Throughput[len(rec.Readings.T)-1] / 3600
			if math.Abs(sign*ah-trueAh) > 0.001*through || math.Abs(sign*wh-trueWh) > 0.001*through*12 {
				t.Errorf("logged %v Ah, %v Wh; truth %v Ah, %v Wh", ah, wh, trueAh, trueWh)
			}
		})
	}
}

// Each mistake shows where it should: how far the last row is from the truth, in shares of the throughput.
func TestMistakesShow(t *testing.T) {
	pulsed := discharge(3, 2*hour)
	pulsed.Load.Period, pulsed.Load.On, pulsed.Load.Low = 40*second, 20*second, 0.1
	wrap := setup(t, "tick: {start: -20 min}", discharge(1.4, hour))
	half := setup(t, "tick: {start: 2147000000}", discharge(1.4, hour))
	slow := setup(t, "readings: {every: 1.35 s, jitter: 0.5 s}", discharge(1.4, hour))
	both := setup(t, "", discharge(1.4, hour), charge(1.4, 14.4, hour))
	rows := setup(t, "", pulsed)
	rows.Settings.Log = 70 * second
	for _, tc := range []struct {
		mistake      string
		s            emulator.Setup
		ahLow, whLow float64 // |error| of Ah and Wh is above these shares
	}{
		{"tick-wrap", wrap, 100, 100},
		{"signed-tick", half, 100, 100},
		{"nominal-dt", slow, 0.2, 0.2},
		{"truncated-dt", slow, 0.2, 0.2},
		{"both-add", both, 0.9, 0.9},
		{"row-rate-sum", rows, 0.005, 0.005},
		{"mean-energy", rows, 0, 0.002},
	} {
		t.Run(tc.mistake, func(t *testing.T) {
			rec := child(t, tc.s, "../testdata/loggers/mistake-"+tc.mistake+".c")
			if rec.Outcome.Failure != nil {
				t.Fatalf("outcome %+v", rec.Outcome.Failure)
			}
			ah, wh := totals(t, rec)
			trueAh, trueWh := truthAt(rec)
			through := rec.Readings.Throughput[len(rec.Readings.T)-1] / 3600
			dAh, dWh := math.Abs(ah-trueAh)/through, math.Abs(wh-trueWh)/through/12
			if dAh < tc.ahLow || dWh < tc.whLow {
				t.Errorf("off by %.4f of Ah, %.4f of Wh: want above %v, %v", dAh, dWh, tc.ahLow, tc.whLow)
			}
			// On a rig that does not provoke it the same logger is right.
			if tc.ahLow >= 0.2 && tc.mistake != "both-add" {
				rec := child(t, setup(t, "", discharge(1.4, 10*minute)), "../testdata/loggers/mistake-"+tc.mistake+".c")
				ah, _ := totals(t, rec)
				if trueAh, _ := truthAt(rec); math.Abs(ah-trueAh) > 0.01*math.Abs(trueAh) {
					t.Errorf("off where nothing provokes it: %v Ah, truth %v", ah, trueAh)
				}
			}
		})
	}
}

func TestCutoffOfCLoggers(t *testing.T) {
	s := setup(t, "", toLogger(7, 10.8), rest(minute))
	s.Settings.CutoffHold = 5 * second
	for source, why := range map[string]model.Reason{
		"firmware/host/logger.c": model.ByLogger, "../testdata/loggers/integer.c": model.ByLogger, "../testdata/loggers/sketch.c": model.ByLogger,
		"../testdata/loggers/mistake-cutoff-never.c": model.ByFloor, "../testdata/loggers/mistake-cutoff-chatter.c": model.ByLogger,
	} {
		rec := child(t, s, source)
		if rec.Outcome.Failure != nil || rec.Steps[0].Why != why {
			t.Errorf("%s: %v, ended by %s, want %s", source, rec.Outcome.Failure, rec.Steps[0].Why, why)
		}
		again := 0
		for _, e := range rec.Events {
			if e.Kind == emulator.LoadMoves && e.Value == 1 {
				again++
			}
		}
		if chatters := strings.Contains(source, "chatter"); (again > 0) != chatters {
			t.Errorf("%s: the load was closed again %d times", source, again)
		}
	}
}

func TestDyingLoggers(t *testing.T) {
	s := setup(t, "", discharge(1.4, hour))
	for _, tc := range []struct {
		mistake string
		kind    link.FailureKind
		reading int
		in      string
	}{
		{"crash", link.Crash, 299, "buffer full at reading 300"},
		{"hang", link.Hang, 299, "no `ok`"},
		{"garbled-output", link.Garbled, 99, "debug: 100 readings"},
	} {
		rec := child(t, s, "../testdata/loggers/mistake-"+tc.mistake+".c")
		o := rec.Outcome
		if o.Failure == nil || o.Failure.Kind != tc.kind || o.Reading != tc.reading || !strings.Contains(o.Failure.Error(), tc.in) {
			t.Errorf("%s: %+v at reading %d", tc.mistake, o.Failure, o.Reading)
		}
		if !o.Greeted || !o.LoadClosed || o.ChargeClosed || rec.Complete || len(rec.Steps) != 1 || rec.Steps[0].Why != model.ByStop {
			t.Errorf("%s: outcome %+v, complete %v, steps %+v: want the load left closed", tc.mistake, o, rec.Complete, rec.Steps)
		}
	}
}

func BenchmarkRunInProcess(b *testing.B) {
	s := setup(b, "", rest(minute), discharge(0.35, 20*hour))
	n := 0
	for b.Loop() {
		n += len(run(b, s, scripted{}).Readings.T)
	}
	b.ReportMetric(float64(n)/b.Elapsed().Seconds(), "readings/s")
}

func BenchmarkRunChild(b *testing.B) {
	s := setup(b, "", rest(minute), discharge(1.4, hour))
	n := 0
	for b.Loop() {
		n += len(child(b, s, "firmware/host/logger.c").Readings.T)
	}
	b.ReportMetric(float64(n)/b.Elapsed().Seconds(), "readings/s")
}
