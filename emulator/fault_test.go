package emulator_test

import (
	"context"
	"fmt"
	"math"
	"math/rand/v2"
	"reflect"
	"strings"
	"testing"
	"time"

	"stuntcell/emulator"
	"stuntcell/emulator/link"
	"stuntcell/model"
)

func with(s emulator.Setup, faults ...emulator.Fault) emulator.Setup {
	s.Faults = faults
	return s
}

// events returns the instants of the events of a kind.
func events(rec *emulator.Record, kind emulator.EventKind) []int64 {
	var at []int64
	for _, e := range rec.Events {
		if e.Kind == kind {
			at = append(at, e.T)
		}
	}
	return at
}

func TestPowerCut(t *testing.T) {
	s := with(setup(t, "clock: {lost: true, start: 0, error: 0 ppm}", discharge(1.4, 20*minute)),
		emulator.Fault{Kind: emulator.FaultPowerCut, At: 5*minute + second/2, For: 2 * minute})
	var store link.Store
	starts := 0
	l := link.NewInProcess(func(files link.Store) link.Logger {
		store = files
		starts++
		memory := 0
		return scripted{
			greet: func(a *link.Answer) { a.Row(fmt.Sprintf("start %d, kept %s", starts, files.Load("n"))) },
			read: func(r *link.Reading, a *link.Answer) {
				memory++
				files.Save("n", fmt.Append(nil, memory))
			},
		}
	}, 1)
	rec := play(t, s, l)
	if starts != 2 || len(store.Load("n")) == 0 || !rec.Complete {
		t.Fatalf("%d starts, complete %v", starts, rec.Complete)
	}
	if len(rec.Rows) != 2 || rec.Rows[1].Text != "start 2, kept 300" || rec.Rows[1].Life != 1 || rec.Rows[0].Life != 0 || rec.Rows[1].After != 299 {
		t.Errorf("rows %+v", rec.Rows)
	}
	rd := rec.Readings
	back := 7*minute + second/2
	for i, at := range rd.T {
		if at > 5*minute+second/2 && at < back+second {
			t.Fatalf("a reading at %d, without power", at)
		}
		// 1 kHz, 12 ppm fast; it starts at 1500.
		want := 1500 + float64(at)*1e-6*1.000012
		if rd.Life[i] == 1 {
			want = float64(at-back) * 1e-6 * 1.000012
		}
		if math.Abs(float64(rd.Tick[i])-want) > 1 {
			t.Fatalf("reading %d of life %d: tick %d, want %.0f", i, rd.Life[i], rd.Tick[i], want)
		}
	}
	if first := rd.Clock[300]; first != 1 {
		t.Errorf("a clock without battery shows %d after the cut", first)
	}
	if rate := rd.ClockRate[300] - rd.ClockRate[299]; math.Abs(rate-121.5) > 1e-6 {
		t.Errorf("the clock's rate stood still: %v s", rate)
	}
	// The load is open while there is no power: 18 of 20 min at 1.4 A.
	if q := rec.Steps[0].Charge; math.Abs(q+1.4*18*60) > 1e-6 {
		t.Errorf("charge %v A·s", q)
	}
	if a, b := events(rec, emulator.PowerFails), events(rec, emulator.PowerBack); len(a) != 1 || a[0] != 5*minute+second/2 || len(b) != 1 || b[0] != back {
		t.Errorf("power fails %v, comes back %v", a, b)
	}
	if moves := events(rec, emulator.LoadMoves); len(moves) < 2 || moves[0] != 5*minute+second/2 || moves[1] != back {
		t.Errorf("the contact moves at %v", moves)
	}
}

func TestTimeWithoutPowerDoesNotCountForTheHold(t *testing.T) {
	s := with(setup(t, "relay: {delay: 0 s}", toLogger(1, 10.8)), emulator.Fault{Kind: emulator.FaultPowerCut, At: 20 * second, For: 5 * minute})
	rec := run(t, s, scripted{read: func(r *link.Reading, a *link.Answer) {
		if r.Tick >= 11499 && r.Tick < 12000 { // the tenth second, counted from 1500
			a.Do(link.LoadOff)
		}
	}})
	// Off at 10 s; 10 s until the cut, 50 s after it.
	if got, want := rec.Steps[0].End, 20*second+5*minute+50*second; got != want {
		t.Errorf("ended at %d, want %d", got, want)
	}
	for _, f := range rec.Readings.Flags[30:] {
		if f&emulator.LoadClosed != 0 {
			t.Fatal("the load is closed again after the cut although it stood open before")
		}
	}
}

func TestRelayStandsAfterTheCutAsBefore(t *testing.T) {
	s := with(setup(t, "", toLogger(1, 10.8)), emulator.Fault{Kind: emulator.FaultPowerCut, At: 30*second + 1, For: minute})
	n := 0
	rec := run(t, s, scripted{read: func(r *link.Reading, a *link.Answer) {
		if n++; n == 100 {
			a.Do(link.LoadOff)
		}
	}})
	if q, want := rec.Steps[0].Charge, -(30 + 70 + 0.012); math.Abs(q-want) > 1e-6 {
		t.Errorf("charge %v A·s, want %v: closed before the cut, closed after it", q, want)
	}
}

func TestHealthyLoggerFindsItsTotalsAfterCuts(t *testing.T) {
	for _, torn := range []bool{false, true} {
		s := with(setup(t, "", discharge(1.4, hour)),
			emulator.Fault{Kind: emulator.FaultPowerCut, At: 10*minute + 5*second, For: minute, Torn: torn},
			emulator.Fault{Kind: emulator.FaultPowerCut, At: 30*minute + 7*second, For: 10 * second, Torn: torn})
		rec := child(t, s, "firmware/host/logger.c")
		if rec.Outcome.Failure != nil || !rec.Complete {
			t.Fatalf("torn %v: %+v", torn, rec.Outcome.Failure)
		}
		ah, _ := totals(t, rec)
		trueAh, _ := truthAt(rec)
		// Each cut loses what came after the last saved row (one of 10 s, torn: one more) and the first interval after it.
		if lost := math.Abs(ah - trueAh); lost > 2*(22+1)*1.4/3600 || lost < 1.4/3600 {
			t.Errorf("torn %v: logged %v Ah, truth %v", torn, ah, trueAh)
		}
	}
}

func TestFaultsOfCardSensorAndLoop(t *testing.T) {
	s := with(setup(t, "", discharge(1.4, 10*minute)),
		emulator.Fault{Kind: emulator.FaultCardFail, At: minute + 1, For: 10 * second},
		emulator.Fault{Kind: emulator.FaultFailedRead, At: 2*minute + 1, For: 5 * second},
		emulator.Fault{Kind: emulator.FaultStall, At: 3*minute + 1, For: 90 * second},
		emulator.Fault{Kind: emulator.FaultCardFull, At: 9*minute + 1})
	var got []string
	rec := run(t, s, scripted{read: func(r *link.Reading, a *link.Answer) {
		got = append(got, fmt.Sprintf("%v %v", r.CardFail, r.Shunt == link.Failed && r.Bus == link.Failed))
	}})
	counts := map[string]int{}
	for _, g := range got {
		counts[g]++
	}
	if counts["true false"] != 10+60 || counts["false true"] != 5 {
		t.Errorf("card fails and sensor fails: %v", counts)
	}
	rd := rec.Readings
	stalled := 0
	for i, f := range rd.Flags {
		if f&emulator.Stalled != 0 {
			stalled++
			if d := rd.T[i] - rd.T[i-1]; d != 90*second+1 {
				t.Errorf("the stall took %d ns", d)
			}
		}
	}
	if stalled != 1 {
		t.Errorf("%d readings say that they are late", stalled)
	}
	for _, kind := range []emulator.EventKind{emulator.CardBack, emulator.SensorFails, emulator.SensorBack, emulator.StallBegins} {
		if len(events(rec, kind)) != 1 {
			t.Errorf("%s: %v", kind, events(rec, kind))
		}
	}
	if len(events(rec, emulator.CardBegins)) != 2 {
		t.Error("the card did not fail twice")
	}
}

func TestNoiseIsTheSameWithAndWithoutFaults(t *testing.T) {
	plain := setup(t, "", discharge(1.4, 2*minute))
	a := run(t, plain, scripted{})
	b := run(t, with(plain, emulator.Fault{Kind: emulator.FaultFailedRead, At: 30 * second, For: 10 * second}), scripted{})
	if !reflect.DeepEqual(a.Readings.Shunt[50:], b.Readings.Shunt[50:]) {
		t.Error("failed readings change the noise of those after them")
	}
}

// TestHalfOfAReadingFails: the other half is what it would have been.
func TestHalfOfAReadingFails(t *testing.T) {
	plain := setup(t, "", discharge(1.4, 2*minute))
	whole := run(t, plain, scripted{}).Readings
	for _, only := range []emulator.Half{emulator.Both, emulator.Shunt, emulator.Bus} {
		got := run(t, with(plain, emulator.Fault{Kind: emulator.FaultFailedRead, Only: only, At: 30 * second, For: 10 * second}), scripted{}).Readings
		for k, at := range whole.T {
			shunt, bus := whole.Shunt[k], whole.Bus[k]
			if at >= 30*second && at < 40*second {
				if only != emulator.Bus {
					shunt = link.Failed
				}
				if only != emulator.Shunt {
					bus = link.Failed
				}
			}
			if got.Shunt[k] != shunt || got.Bus[k] != bus {
				t.Errorf("only %q: reading %d is %d, %d; want %d, %d", only, k, got.Shunt[k], got.Bus[k], shunt, bus)
			}
		}
	}
}

func TestSettingsReachTheLogger(t *testing.T) {
	s := with(setup(t, "", rest(10*minute)),
		emulator.Fault{Kind: emulator.FaultSetting, At: 5 * minute, Key: "log_ms", Value: 70000},
		emulator.Fault{Kind: emulator.FaultPowerCut, At: 6 * minute, For: second})
	var got []string
	var greeted []int64
	l := recordsGreeting{scripted{set: func(key string, v int64, a *link.Answer) {
		got = append(got, fmt.Sprintf("%s=%d", key, v))
		a.Row("set")
	}}, &greeted}
	rec := run(t, s, l)
	if !reflect.DeepEqual(got, []string{"log_ms=70000"}) || !reflect.DeepEqual(greeted, []int64{10000, 70000}) {
		t.Errorf("set %v, greeted with log_ms %v", got, greeted)
	}
	if rec.Rows[0].After != 298 || rec.Greeting.LogMS != 10000 {
		t.Errorf("row after reading %d, greeting %d", rec.Rows[0].After, rec.Greeting.LogMS)
	}

	got, greeted = nil, nil
	l.greet = func(a *link.Answer) { a.Tell(link.Cannot, "set") }
	rec = run(t, s, l)
	if len(got) > 0 || len(events(rec, emulator.Setting)) > 0 || !reflect.DeepEqual(greeted, []int64{10000, 10000}) {
		t.Errorf("a logger that takes no settings got %v, greeted %v", got, greeted)
	}
}

type recordsGreeting struct {
	scripted
	logMS *[]int64
}

func (l recordsGreeting) Greet(g *link.Greeting, a *link.Answer) {
	*l.logMS = append(*l.logMS, g.LogMS)
	l.scripted.Greet(g, a)
}

func TestClocks(t *testing.T) {
	read := scripted{read: func(r *link.Reading, a *link.Answer) {}}
	face := func(rec *emulator.Record, i int) int64 { return rec.Readings.Clock[i] }

	s := with(setup(t, "clock: {start: 1000000, fraction: 0.5, error: 0 ppm}", rest(2*minute)),
		emulator.Fault{Kind: emulator.FaultClockSet, At: minute + second/4, Value: -3600})
	rec := run(t, s, read)
	if a, b := face(rec, 59), face(rec, 60); a != 1000060 || b != 1000061-3600 {
		t.Errorf("set back by an hour: %d then %d", a, b)
	}
	if rate := rec.Readings.ClockRate; rate[60]-rate[59] != 1 {
		t.Errorf("the rate knows of it: %v", rate[60]-rate[59])
	}

	s = with(setup(t, `clock: {build_time: "2024-02-29T23:59:59Z", error: 0 ppm}`, rest(2*minute)),
		emulator.Fault{Kind: emulator.FaultPowerCut, At: minute + 1, For: second})
	rec = run(t, s, read)
	const build = 1709251199
	if a, b := face(rec, 0), face(rec, 60); a != build+1 || b != build+1 {
		t.Errorf("set to its build time at each start: %d, %d after the restart", a, b)
	}

	n := 0
	rec = run(t, setup(t, "clock: {error: 0 ppm}", rest(2*minute)), scripted{read: func(r *link.Reading, a *link.Answer) {
		if n++; n == 30 {
			a.State(link.Clock, "", 1<<31-2)
		}
	}})
	if a, b := face(rec, 30), face(rec, 32); a != 1<<31-1 || b != 1<<31+1 {
		t.Errorf("set by the logger: %d, %d", a, b)
	}

	rec = run(t, setup(t, "clock: {absent: true}", rest(minute)), read)
	if face(rec, 5) != link.NoClock {
		t.Errorf("no clock: %d", face(rec, 5))
	}
}

func TestRelayThatWeldsOrLeaks(t *testing.T) {
	off := scripted{read: func(r *link.Reading, a *link.Answer) { a.Do(link.LoadOff) }}
	step := toLogger(2, 10.8)
	step.Ends.Time = 10 * minute
	rec := run(t, with(setup(t, "", step), emulator.Fault{Kind: emulator.FaultRelayWeld, At: 0},
		emulator.Fault{Kind: emulator.FaultPowerCut, At: 5 * minute, For: minute}), off)
	if q := rec.Steps[0].Charge; rec.Steps[0].Why != model.ByTime || math.Abs(q+1200) > 1e-6 {
		t.Errorf("welded: %v A·s, ended by %s", q, rec.Steps[0].Why)
	}
	rec = run(t, with(setup(t, "", toLogger(2, 10.8)), emulator.Fault{Kind: emulator.FaultRelayLeak, At: 0, Value2: 0.05}), off)
	if q, want := rec.Steps[0].Charge, -(2*1.012 + 0.05*60); rec.Steps[0].Why != model.ByLogger || math.Abs(q-want) > 1e-6 {
		t.Errorf("leaking: %v A·s, want %v, ended by %s", q, want, rec.Steps[0].Why)
	}
	cv := charge(2, 14.4, 4*hour)
	cv.Ends.Current = 0.14
	if rec := run(t, setup(t, "", cv), scripted{}); rec.Steps[0].Why != model.ByTaper {
		t.Errorf("a charge of a full pack ends by %s", rec.Steps[0].Why)
	}
	rec = run(t, with(setup(t, "", cv), emulator.Fault{Kind: emulator.FaultTaperHeld, At: 0, Value2: 0.3}), scripted{})
	if rec.Steps[0].Why != model.ByTime || math.Abs(rec.Steps[0].EndI-0.3) > 1e-9 {
		t.Errorf("held taper: ended by %s at %v A", rec.Steps[0].Why, rec.Steps[0].EndI)
	}
}

func TestContactThatFlapsForEverEnds(t *testing.T) {
	rec := run(t, setup(t, "readings: {nominal: 10 s}", toLogger(7, 10.8)), scripted{read: func(r *link.Reading, a *link.Answer) {
		a.Do(link.LoadOn)
		a.Do(link.LoadOff)
	}})
	if rec.Steps[0].Why != model.ByTime || !rec.Complete {
		t.Errorf("ended by %s", rec.Steps[0].Why)
	}
}

func TestBoardThatLivesOnThePack(t *testing.T) {
	// Heavy load to below the drop-out: the board stops, the load falls off, the pack recovers, the board starts and closes the load again.
	never := scripted{}
	step := toLogger(14, 9.5)
	step.Ends.Floor = 6
	s := setup(t, "wiring: {on_pack: true, dropout: 10.9 V}", step)
	rec := run(t, s, never)
	f := rec.Outcome.Failure
	if f == nil || f.Kind != link.Loop || rec.Complete {
		t.Fatalf("outcome %+v, complete %v, %d drop-outs", f, rec.Complete, len(events(rec, emulator.PowerFails)))
	}
	if n := len(events(rec, emulator.PowerFails)); n < 5 || n > 30 {
		t.Errorf("%d drop-outs", n)
	}
	// One that keeps the load open after a restart recovers.
	starts := 0
	l := link.NewInProcess(func(link.Store) link.Logger {
		starts++
		return scripted{greet: func(a *link.Answer) {
			if starts > 1 {
				a.Do(link.LoadOff)
			}
		}}
	}, 1)
	rec = play(t, s, l)
	if rec.Outcome.Failure != nil || rec.Steps[0].Why != model.ByLogger || starts != 2 {
		t.Errorf("%d starts, %+v, ended by %s", starts, rec.Outcome.Failure, rec.Steps[0].Why)
	}
	at := events(rec, emulator.PowerFails)[0]
	i := 0
	for rec.Readings.T[i] < at {
		i++
	}
	if v := rec.Readings.MeanV[i-1]; v > 11.2 || v < 10.85 {
		t.Errorf("dropped out at about %v V", v)
	}
}

func TestPackThatNeverFeedsItsBoardAgain(t *testing.T) {
	s := setup(t, "wiring: {on_pack: true, dropout: 12.75 V, draw: 1 A}", model.Step{Kind: model.Discharge,
		Load: model.Load{Current: 5}, Ends: model.Ends{Voltage: 10.5, Floor: 9.6}})
	rec := run(t, s, scripted{})
	if rec.Complete || rec.Outcome.Failure != nil {
		t.Errorf("complete %v, %+v: want a plan that was stopped", rec.Complete, rec.Outcome.Failure)
	}
}

func TestDamageChannelsAndTemperatures(t *testing.T) {
	s := setup(t, "{channels: 4, readings: {temperature: true, aux: true, contacts: true}, front: {damage: 13.9 V, shunt_noise: 0 V}}",
		discharge(2, minute), charge(2, 14.4, hour))
	s.Options.Ambient = 293.15
	var readings []link.Reading
	rec := run(t, s, scripted{read: func(r *link.Reading, a *link.Answer) {
		m := *r
		m.More = append([]link.Channel(nil), r.More...)
		readings = append(readings, m)
	}})
	r := readings[30]
	if len(r.More) != 3 || r.Shunt != -500 || r.More[0].Shunt != -250 || r.More[1].Shunt != -167 || r.More[2].Shunt != -125 {
		t.Errorf("channels: %d, %+v", r.Shunt, r.More)
	}
	if !r.HasTemp || r.Temp < 20000 || r.Temp > 25000 || !r.HasAux1 || r.Aux1 != 20000 {
		t.Errorf("temperatures: %+v", r)
	}
	if r.Load != link.On || r.Charge != link.Off || readings[100].Load != link.Off || readings[100].Charge != link.On {
		t.Errorf("contacts: %+v, %+v", r, readings[100])
	}
	if rec.Greeting.Channels != 4 || len(rec.Readings.More) != 3 || len(rec.Readings.Temp) != len(rec.Readings.T) {
		t.Error("the record has other columns")
	}
	broken := events(rec, emulator.Damaged)
	if len(broken) != 1 {
		t.Fatalf("damaged at %v", broken)
	}
	for i, at := range rec.Readings.T {
		if failed := rec.Readings.Bus[i] == link.Failed; failed != (at >= broken[0]) {
			t.Fatalf("reading at %d, front end damaged at %d: failed %v", at, broken[0], failed)
		}
	}
}

func TestFaultsThatAreNone(t *testing.T) {
	for _, tc := range []struct {
		f    emulator.Fault
		want string
	}{
		{emulator.Fault{Kind: emulator.FaultPowerCut, At: 5}, "expected more than 0"},
		{emulator.Fault{Kind: emulator.FaultStall, At: -5, For: 1}, "before the plan"},
		{emulator.Fault{Kind: emulator.FaultSetting, Key: "colour"}, "no key"},
		{emulator.Fault{Kind: "earthquake"}, "none that the bench knows"},
	} {
		_, err := emulator.Run(context.Background(), with(setup(t, "", rest(minute)), tc.f), link.NewInProcess(func(link.Store) link.Logger { return scripted{} }, 1))
		if err == nil || !strings.Contains(err.Error(), tc.want) {
			t.Errorf("%+v: %v", tc.f, err)
		}
	}
}

// swarm draws a setup with several steps and faults.
func swarm(t *testing.T, seed uint64) emulator.Setup {
	r := rand.New(rand.NewPCG(seed, 1))
	within := func(d int64) int64 { return r.Int64N(d) }
	s := setup(t, "", rest(10*second+within(minute)), discharge(1+4*r.Float64(), 2*minute+within(5*minute)), toLogger(7, 12.2),
		rest(within(minute)+1), charge(1, 14.4, minute+within(5*minute)))
	s.Seed = seed
	if r.IntN(2) == 0 {
		s.Rig.Readings.Jitter = within(400e6)
	}
	for range r.IntN(5) {
		f := emulator.Fault{At: within(12 * minute), For: 1 + within(90*second)}
		switch r.IntN(7) {
		case 0:
			f.Kind = emulator.FaultPowerCut
		case 1:
			f.Kind = emulator.FaultCardFail
		case 2:
			f.Kind = emulator.FaultStall
		case 3:
			f.Kind = emulator.FaultFailedRead
		case 4:
			f.Kind, f.Key, f.Value = emulator.FaultSetting, "log_ms", 1000+within(30000)
		case 5:
			f.Kind, f.Value = emulator.FaultClockSet, within(7200)-3600
		case 6:
			f.Kind, f.Torn = emulator.FaultPowerCut, false
		}
		s.Faults = append(s.Faults, f)
	}
	return s
}

// The record of a run that is sent ahead is that of one in lock step, whatever goes wrong in it.
func TestAheadIsLockStep(t *testing.T) {
	for _, source := range []string{"firmware/host/logger.c", "../testdata/loggers/mistake-crash.c", "../testdata/loggers/mistake-garbled-output.c"} {
		path := build(t, source)
		for seed := range uint64(8) {
			var records []*emulator.Record
			for _, ahead := range []int{1, 256} {
				l := link.NewChild(link.ChildOptions{Args: []string{path}, Dir: t.TempDir(), Timeout: 5 * time.Second, Ahead: ahead, Seed: seed})
				records = append(records, play(t, swarm(t, seed), l))
			}
			a, b := records[0], records[1]
			if reflect.DeepEqual(a, b) {
				continue
			}
			t.Errorf("%s, seed %d: the records differ (%d and %d readings, %d and %d rows, %+v and %+v)", source, seed, len(a.Readings.T), len(b.Readings.T),
				len(a.Rows), len(b.Rows), a.Outcome, b.Outcome)
			if len(a.Events) != len(b.Events) || !reflect.DeepEqual(a.Readings, b.Readings) {
				t.Errorf("%d and %d events; readings are the same: %v", len(a.Events), len(b.Events), reflect.DeepEqual(a.Readings, b.Readings))
			}
			for i := range min(len(a.Events), len(b.Events)) {
				if a.Events[i] != b.Events[i] {
					t.Errorf("event %d: %+v and %+v", i, a.Events[i], b.Events[i])
					break
				}
			}
			for i := range min(len(a.Steps), len(b.Steps)) {
				if !reflect.DeepEqual(a.Steps[i], b.Steps[i]) {
					t.Errorf("step %d: %+v and %+v", i, a.Steps[i], b.Steps[i])
				}
			}
		}
	}
}

// A process of its own does not make a run depend on the machine: two runs of one seed give one record, torn files included.
func TestSameSeedSameRecordOfAChild(t *testing.T) {
	s := with(setup(t, "readings: {jitter: 100 ms}", discharge(1.4, 20*minute)),
		emulator.Fault{Kind: emulator.FaultPowerCut, At: 5 * minute, For: 10 * second, Torn: true},
		emulator.Fault{Kind: emulator.FaultPowerCut, At: 12 * minute, For: 10 * second, Torn: true},
		emulator.Fault{Kind: emulator.FaultSetting, At: 15 * minute, Key: "log_ms", Value: 3000})
	a := child(t, s, "firmware/host/logger.c")
	for range 3 {
		if b := child(t, s, "firmware/host/logger.c"); !reflect.DeepEqual(a, b) {
			t.Fatal("two runs of one seed differ")
		}
	}
}
