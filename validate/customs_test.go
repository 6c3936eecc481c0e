package validate_test

import (
	"context"
	"fmt"
	"math"
	"slices"
	"strings"
	"testing"
	"time"

	"stuntcell/emulator"
	"stuntcell/emulator/link"
	"stuntcell/scenarios"
	"stuntcell/validate"
)

// TestHealthyCustoms: what people do and no built-in logger does, that is no mistake.
func TestHealthyCustoms(t *testing.T) {
	short := func(l *habitual) string {
		return fmt.Sprintf("%.3f,%.3f,%.4f,%.5f,%.4f", l.up, l.v, l.i, l.q/3600, l.e/3600)
	}
	var shownV, shownI []float64
	keep := func(l *habitual, _ *link.Reading) { shownV, shownI = append(shownV, l.v), append(shownI, l.i) }
	medianOf5 := func(v []float64) float64 {
		v = slices.Clone(v[max(0, len(v)-5):])
		slices.Sort(v)
		return v[len(v)/2]
	}
	var beforeV, beforeI, rowI float64
	for name, tc := range map[string]struct {
		habit    habit
		scenario string
	}{
		"a row for each interval while the sensor is silent, its values blank": {habit{blind: true, header: "s,V,A,Ah,Wh",
			row: func(l *habitual, r *link.Reading) string {
				if r.Shunt == link.Failed || r.Bus == link.Failed {
					return fmt.Sprintf("%.3f,,,%.5f,%.4f", l.now, l.q/3600, l.e/3600)
				}
				return short(l)
			}}, "readings-fail-mid-discharge"},
		"the median of the latest five is shown, and each is added": {habit{read: keep, row: func(l *habitual, r *link.Reading) string {
			return fmt.Sprintf("%d,%.3f,%.3f,%.4f,%.5f,%.4f", r.Clock, l.up, medianOf5(shownV), medianOf5(shownI), l.q/3600, l.e/3600)
		}}, "readings-jittered"},
		"the same in a short log, where the reading two before is the median of five": {habit{header: "s,V,A,Ah,Wh", read: keep, row: func(l *habitual, r *link.Reading) string {
			return fmt.Sprintf("%.3f,%.3f,%.4f,%.5f,%.4f", l.up, medianOf5(shownV), medianOf5(shownI), l.q/3600, l.e/3600)
		}}, `
scenario: hunt-91280011
summary: Drawn by a hunt.
start: {charge: 60 %}
plan:
  - {discharge: 0.228 C, ends: {time: 72 s}}
  - {rest: 28 s}
  - {charge: 0.2 C, to: absorb, ends: {time: 36 s}}
settings: {log: 10000 ms, cutoff_hold: 5000 ms, zone: 0 min}
rig:
  readings: {nominal: 1000 ms, every: 1000 ms, jitter: 28 ms}
  tick: {bits: 32, rate: 1000 Hz, start: 0}
  clock: {start: "2026-03-02T08:00:00Z", fraction: 0}
seed: 91280011
`},
		"a net total under the word for what was used": {habit{header: "s,V,A,used_Ah,used_Wh", row: func(l *habitual, r *link.Reading) string {
			return fmt.Sprintf("%.3f,%.3f,%.4f,%.5f,%.4f", l.up, l.v, l.i, -l.q/3600, -l.e/3600)
		}}, "charge-then-discharge"},
		"the same in a charge of three rows": {habit{header: "s,V,A,used_Ah,used_Wh", row: func(l *habitual, r *link.Reading) string {
			return fmt.Sprintf("%.3f,%.3f,%.4f,%.5f,%.4f", l.up, l.v, l.i, -l.q/3600, -l.e/3600)
		}}, `
scenario: short-charge
summary: Two intervals of charge, and nothing else.
pack: nmc-3v7-3ah
plan:
  - {charge: 0.05 C, to: absorb, ends: {time: 108 s}}
settings: {log: 50 s}
rig: {readings: {nominal: 5 s}, shunt: {nominal: 10 mohm, rated: 10 A}}
`},
		"the counter as it is, in seconds, wraps and all": {habit{header: "seconds,V,A,Ah,Wh", row: func(l *habitual, r *link.Reading) string {
			return fmt.Sprintf("%.2f,%.3f,%.4f,%.5f,%.4f", float64(r.Tick)/float64(l.g.TickHz), l.v, l.i, l.q/3600, l.e/3600)
		}}, "tick-wrap-mid-discharge"},
		"the same in hours, minutes and seconds": {habit{header: "uptime,V,A,Ah,Wh", row: func(l *habitual, r *link.Reading) string {
			s := int64(r.Tick) / l.g.TickHz
			return fmt.Sprintf("%d:%02d:%02d,%.3f,%.4f,%.5f,%.4f", s/3600, s/60%60, s%60, l.v, l.i, l.q/3600, l.e/3600)
		}}, "tick-16-bit"},
		"a column of current for each direction": {habit{header: "s,V,A_in,A_out,Ah,Wh", row: func(l *habitual, r *link.Reading) string {
			return fmt.Sprintf("%.3f,%.3f,%.4f,%.4f,%.5f,%.4f", l.up, l.v, max(l.i, 0), max(-l.i, 0), l.q/3600, l.e/3600)
		}}, "charge-then-discharge"},
		"names that say nothing": {habit{header: "t_s,Vp,Ip,Cp,Ep", row: func(l *habitual, r *link.Reading) string { return short(l) }}, "charge-then-discharge"},
		"the values of the reading before, across a step of half a percent": {habit{header: "tick,V,A,Ah,Wh", row: func(l *habitual, r *link.Reading) string {
			return fmt.Sprintf("%d,%.3f,%.4f,%.5f,%.4f", r.Tick, beforeV, beforeI, l.q/3600, l.e/3600)
		}, amps: func(i float64) float64 { beforeI, rowI = rowI, i; return i },
			read: func(l *habitual, r *link.Reading) {
				if beforeV, l.clock = l.clock, l.v; l.n == 1 {
					beforeV, beforeI = l.v, l.i
				}
			}}, `
scenario: small-step
summary: Half a percent more current.
pack: agm-12v-35ah
plan:
  - {discharge: 0.319 C, ends: {time: 43 s}}
  - {discharge: 0.314 C, ends: {time: 43 s}}
settings: {log: 2 s}
rig: {readings: {nominal: 1 s, jitter: 395 ms}}
seed: 12074
`},
		"counts of the counter under a name that says no unit": {habit{header: "t,V,A,Ah,Wh", row: func(l *habitual, r *link.Reading) string {
			return fmt.Sprintf("%d,%.3f,%.4f,%.5f,%.4f", r.Tick, l.v, l.i, l.q/3600, l.e/3600)
		}}, "tick-past-half"},
		"the same while it is small": {habit{header: "t,V,A,Ah,Wh", row: func(l *habitual, r *link.Reading) string {
			return fmt.Sprintf("%d,%.3f,%.4f,%.5f,%.4f", r.Tick, l.v, l.i, l.q/3600, l.e/3600)
		}}, "tiny-total"},
		"the same through a counter of 16 bits": {habit{header: "t,V,A,Ah,Wh", row: func(l *habitual, r *link.Reading) string {
			return fmt.Sprintf("%d,%.3f,%.4f,%.5f,%.4f", r.Tick, l.v, l.i, l.q/3600, l.e/3600)
		}}, "tick-16-bit"},
		"a row besides with each change of a fifth": {habit{header: "s,V,A,Ah,Wh", row: func(l *habitual, r *link.Reading) string {
			rowI = l.i
			return short(l)
		}, extra: func(l *habitual) bool { return math.Abs(l.i-rowI) > 0.2*math.Abs(rowI)+0.2 }}, `
scenario: pulses-of-23-s
summary: Pulses whose edges fall between rows in another place each time.
pack: agm-12v-35ah
plan:
  - {rest: 150 s}
  - {discharge: 0.5 C, pulse: {every: 23 s, on: 14 s, low: 5 %}, ends: {time: 1502 s}}
settings: {log: 5 s}
rig: {readings: {nominal: 500 ms, every: 651 ms}}
`},
		"the same while a charge tapers off": {habit{header: "s,V,A,Ah,Wh", row: func(l *habitual, r *link.Reading) string {
			rowI = l.i
			return short(l)
		}, extra: func(l *habitual) bool { return math.Abs(l.i-rowI) > 0.2*math.Abs(rowI)+0.2 }}, `
scenario: tapers-between-rows
summary: A current that falls by a fifth between two rows, slowly.
pack: nmc-36v-10ah
start: {charge: 94 %}
plan:
  - {charge: 0.14 C, to: absorb, ends: {logger: taper, time: 2245 s}}
settings: {log: 100 s}
rig: {readings: {nominal: 10 s}}
seed: 901038
`},
		"a charge that its battery's protection ends": {habit{header: "s,V,A,Ah,Wh", row: func(l *habitual, r *link.Reading) string { return short(l) },
			full: func(l *habitual) bool {
				return l.i > 0 && l.i*1000 <= float64(l.g.ChargeTaperMA) && l.v*1000 >= float64(l.g.ChargeEndMV)*0.995
			}}, `
scenario: protection-opens
summary: A full battery opens while it is charged, and no current flows that could be switched off.
pack: lfp-48v-50ah
start: {charge: 98 %}
plan:
  - {charge: 0.18 C, to: absorb, ends: {logger: taper, time: 328 s}}
settings: {log: 50 s}
rig: {readings: {nominal: 5 s, every: 4208 ms}}
seed: 10087
`},
	} {
		t.Run(name, func(t *testing.T) {
			shownV, shownI, beforeV, beforeI, rowI = nil, nil, 0, 0, 0
			var sc *scenarios.Scenario
			if strings.Contains(tc.scenario, "\n") {
				var err error
				if sc, err = scenarios.Parse("inline.yaml", []byte(tc.scenario), scenarios.Env{}); err != nil {
					t.Fatal(err)
				}
			} else {
				sc = named(t, tc.scenario)
			}
			v, _ := judged(t, sc, func(link.Store) link.Logger { return &habitual{habit: tc.habit} })
			if complaint(v) != "" || !*v.Pass {
				t.Errorf("pass %v: %s", *v.Pass, complaint(v))
			}
		})
	}
}

// TestTimeCutBelowItsCount: a time that was made of seconds in floating point and cut is now and then one less than the counter showed. In a
// log that came whole nothing else places such a row; but one that is exact throughout is placed where it is exact, not a reading beside.
func TestTimeCutBelowItsCount(t *testing.T) {
	for scenario, ms := range map[string]func(l *habitual, r *link.Reading) int64{
		"tick-past-half": func(l *habitual, r *link.Reading) int64 { return int64(r.Tick) - int64(r.Tick)/1000%2 },
		"load-steps":     func(l *habitual, r *link.Reading) int64 { return int64(math.Round(l.up * 1000)) },
	} {
		sc := named(t, scenario)
		_, rec := judged(t, sc, func(link.Store) link.Logger {
			return &habitual{habit: habit{header: "uptime_ms,V,A,Ah,Wh", row: func(l *habitual, r *link.Reading) string {
				return fmt.Sprintf("%d,%.3f,%.4f,%.5f,%.4f", ms(l, r), l.v, l.i, l.q/3600, l.e/3600)
			}}}
		})
		rec.Stream = true
		for i := range rec.Rows {
			rec.Rows[i].After = len(rec.Readings.T)
		}
		if v := validate.Judge(sc, rec, validate.Options{}); complaint(v) != "" {
			t.Errorf("%s: %s", scenario, complaint(v))
		}
	}
}

// TestLogThatEndsWithItsStop: a tester that writes nothing more once it has stopped the load is told so, not that a buffer is lost.
func TestLogThatEndsWithItsStop(t *testing.T) {
	stops := func(l *habitual, good bool) bool {
		return l.below >= 0 && l.now-l.below >= float64(l.g.CutoffHoldMS)/1000
	}
	read := func(l *habitual, r *link.Reading) {
		if l.off {
			l.due = math.Inf(1)
		}
	}
	v, _ := judged(t, named(t, "logger-ends-with-rebound"), func(link.Store) link.Logger { return &habitual{habit: habit{stops: stops, read: read}} })
	if len(v.Findings) == 0 || v.Findings[0].Cause != "missing-rows" || !strings.Contains(v.Findings[0].Evidence, "after the load was switched off") {
		t.Errorf("%s", complaint(v))
	}
}

// heldBack writes its rows by dozens, the rest at the end.
type heldBack struct {
	habitual
	rows []link.Said
}

func (l *heldBack) Read(r *link.Reading, a *link.Answer) {
	var said link.Answer
	l.habitual.Read(r, &said)
	for _, s := range said.Said {
		if s.Word != link.Row {
			a.Said = append(a.Said, s)
		} else if l.rows = append(l.rows, s); len(l.rows) == 12 {
			l.End(a)
		}
	}
}

func (l *heldBack) End(a *link.Answer) { a.Said, l.rows = append(a.Said, l.rows...), nil }

// TestSecondsSinceStartBesideAClockNearZero: seconds since power-up look like the face of a clock that starts in 1970; the row that ends
// a block at the end of the run is older than the reading that was answered then.
func TestSecondsSinceStartBesideAClockNearZero(t *testing.T) {
	sc, err := scenarios.Parse("inline.yaml", []byte(`
scenario: clock-starts-at-zero
summary: A clock that has lost its time, and a run that ends between two rows.
plan:
  - {rest: 5 min}
  - {discharge: 0.5 C, ends: {time: 40 min}}
  - {rest: 5 min}
rig: {clock: {start: 0, lost: true}}
faults:
  - {at: 25 min, fault: power-cut, for: 30 s}
`), scenarios.Env{})
	if err != nil {
		t.Fatal(err)
	}
	v, _ := judged(t, sc, func(link.Store) link.Logger {
		return &heldBack{habitual: habitual{habit: habit{header: "s,V,A,Ah,Wh", row: func(l *habitual, r *link.Reading) string {
			return fmt.Sprintf("%.3f,%.3f,%.4f,%.5f,%.4f", l.up, l.v, l.i, l.q/3600, l.e/3600)
		}}}}
	})
	if complaint(v) != "" || v.Found.Columns["s"] != "elapsed" {
		t.Errorf("%v: %s", v.Found.Columns, complaint(v))
	}
}

// TestAmountOfEachPhase: a total that begins anew with each direction of the current and says how much flowed, whichever way, is one total a
// phase; one that goes on over a turn adds both directions.
func TestAmountOfEachPhase(t *testing.T) {
	for name, anew := range map[string]func(turn int) bool{"each turn": func(int) bool { return true }, "each other turn": func(turn int) bool { return turn%2 == 0 }} {
		way, turn := 0.0, 0
		v, _ := judged(t, named(t, "store-and-return"), func(link.Store) link.Logger {
			return &habitual{habit: habit{header: "s,V,A,capacity_Ah,energy_Wh", row: func(l *habitual, r *link.Reading) string {
				return fmt.Sprintf("%.3f,%.3f,%.4f,%.5f,%.4f", l.up, l.v, l.i, l.q/3600, l.e/3600)
			}, amps: math.Abs, read: func(l *habitual, r *link.Reading) {
				now := math.Copysign(1, float64(r.Shunt))
				if math.Abs(float64(r.Shunt)) < 10 || now == way {
					return
				}
				if way = now; anew(turn) {
					l.q, l.e = 0, 0
				}
				turn++
			}}}
		})
		if right := complaint(v) == "" && *v.Pass; right != (name == "each turn") {
			t.Errorf("%s: %s", name, complaint(v))
		}
	}
}

// TestHeldRowsOfWholeSeconds: rows that are held back and show whole seconds, where ten readings come in each: which of them a row is of,
// the interval and the values tell.
func TestHeldRowsOfWholeSeconds(t *testing.T) {
	jittered, err := scenarios.Parse("inline.yaml", []byte(`
scenario: hunt-91306007
summary: Drawn by a hunt.
start: {charge: 4 %}
plan:
  - {rest: 27 s}
  - {discharge: 0.58 C, ends: {time: 34 s}}
settings: {log: 10000 ms, cutoff_hold: 2000 ms, zone: 0 min}
rig:
  readings: {nominal: 1000 ms, every: 1000 ms, jitter: 118 ms}
  tick: {bits: 32, rate: 1000 Hz, start: 0}
  clock: {start: "2026-03-02T08:00:00Z", fraction: 0}
faults:
  - {at: 41253 ms, fault: failed-read, for: 18290 ms}
seed: 91306007
`), scenarios.Env{})
	if err != nil {
		t.Fatal(err)
	}
	for _, sc := range []*scenarios.Scenario{named(t, "second-locked-load"), named(t, "rows-half-second"), named(t, "stalls-short"), jittered} {
		v, _ := judged(t, sc, func(link.Store) link.Logger {
			return &heldBack{habitual: habitual{habit: habit{header: "s,V,A,Ah,Wh", row: func(l *habitual, r *link.Reading) string {
				return fmt.Sprintf("%d,%.3f,%.4f,%.5f,%.4f", int(l.up+1e-9), l.v, l.i, l.q/3600, l.e/3600)
			}}}}
		})
		if complaint(v) != "" || !*v.Pass {
			t.Errorf("%s: %s", sc.Name, complaint(v))
		}
	}
}

// TestRowsOnChange: rows that are added whenever the current has moved by so many counts since the last row are no rows too many, be the
// moves large or small; in a log that came whole the interval is that of the others.
func TestRowsOnChange(t *testing.T) {
	onChange := func(counts float64, since time.Duration) func(link.Store) link.Logger {
		last := math.NaN()
		return func(link.Store) link.Logger {
			return &habitual{habit: habit{
				extra: func(l *habitual) bool {
					return l.up >= since.Seconds() && math.Abs(l.i-last) > counts*float64(l.g.ShuntStepNV)/float64(l.g.ShuntNohm)
				},
				row: func(l *habitual, r *link.Reading) string {
					last = l.i
					return l.plain(time.Unix(r.Clock, 0).UTC().Format(time.DateTime))
				}}}
		}
	}
	for _, name := range []string{"inverter-locks-out", "ripple-aliased", "logger-ends-slowly"} {
		if v, _ := judged(t, named(t, name), onChange(10, 0)); complaint(v) != "" {
			t.Errorf("%s: %s", name, complaint(v))
		}
	}
	// Each reading is written while the voltage is near the level where the load stops.
	for _, name := range []string{"logger-ends-slowly", "logger-ends-after-start-pulse", "weak-cell-in-string"} {
		v, _ := judged(t, named(t, name), func(link.Store) link.Logger {
			return &habitual{habit: habit{
				extra: func(l *habitual) bool { return math.Abs(l.v-float64(l.g.CutoffMV)/1000) < 0.3 },
				row: func(l *habitual, r *link.Reading) string {
					return l.plain(time.Unix(r.Clock, 0).UTC().Format(time.DateTime))
				},
				stops: func(l *habitual, good bool) bool {
					return l.below >= 0 && l.now-l.below >= float64(l.g.CutoffHoldMS)/1000
				}}}
		})
		if complaint(v) != "" {
			t.Errorf("near the level, %s: %s", name, complaint(v))
		}
	}
	// So is every fifth, half way between those that are due.
	for _, name := range []string{"logger-ends-slowly", "tick-wrap-mid-discharge", "weak-cell-in-string"} {
		n := 0
		v, _ := judged(t, named(t, name), func(link.Store) link.Logger {
			n = 0
			return &habitual{habit: habit{
				extra: func(l *habitual) bool {
					n++
					return n%10 == 6 && math.Abs(l.v-float64(l.g.CutoffMV)/1000) < 0.5
				},
				row: func(l *habitual, r *link.Reading) string {
					return l.plain(time.Unix(r.Clock, 0).UTC().Format(time.DateTime))
				},
				stops: func(l *habitual, good bool) bool {
					return l.below >= 0 && l.now-l.below >= float64(l.g.CutoffHoldMS)/1000
				}}}
		})
		if complaint(v) != "" {
			t.Errorf("closer near the level, %s: %s", name, complaint(v))
		}
	}
	// Rows at each reading, whatever the current does, are no rows at changes.
	if v, _ := judged(t, named(t, "discharge-two-rates"), onChange(-1, 10*time.Minute)); *v.Pass {
		t.Error("rows at each reading are taken for rows at changes")
	}

	sc, err := scenarios.Parse("inline.yaml", []byte(`
scenario: whole-log
summary: The current changes more often than a row is due.
plan:
  - rest: 1 min
  - repeat: 12
    steps:
      - {discharge: 0.2 C, ends: {time: 36 s}}
      - {discharge: 0.5 C, ends: {time: 43 s}}
      - {rest: 38 s}
settings: {log: 60 s}
`), scenarios.Env{})
	if err != nil {
		t.Fatal(err)
	}
	rec, err := emulator.Run(context.Background(), sc.Setup, link.NewInProcess(onChange(10, 0), sc.Setup.Seed))
	if err != nil {
		t.Fatal(err)
	}
	rec.Stream, rec.Greeting.LogMS = true, 21_400 // as the mean of all spacings is
	for i := range rec.Rows {
		rec.Rows[i].After = len(rec.Readings.T) - 1
	}
	if v := validate.Judge(sc, rec, validate.Options{Tool: "test"}); complaint(v) != "" {
		t.Error(complaint(v))
	}
}

// keptToTheEnd holds all rows back until the end.
type keptToTheEnd struct{ heldBack }

func (l *keptToTheEnd) Read(r *link.Reading, a *link.Answer) {
	var said link.Answer
	l.habitual.Read(r, &said)
	l.rows = append(l.rows, said.Said...)
}

func (l *keptToTheEnd) Set(key string, v int64, a *link.Answer) {
	g := *l.g
	g.LogMS, l.g = v, &g
	l.habitual.Set(key, v, a)
}

// TestHeldRowsOfASecondShownTwice: rows that come at the end and show nothing but a clock, which was set back by 50 minutes, or whose seconds have two
// readings each: it is the one that follows the row before.
func TestHeldRowsOfASecondShownTwice(t *testing.T) {
	set, err := scenarios.Parse("inline.yaml", []byte(`
scenario: hunt-774240105
summary: Drawn by a hunt.
start: {charge: 60 %}
plan:
  - {charge: 0.2 C, to: absorb, ends: {time: 54 s}}
  - {discharge: 0.227 C, ends: {time: 54 s}}
settings: {log: 5000 ms, cutoff_hold: 5000 ms, zone: 0 min}
rig:
  readings: {nominal: 500 ms, every: 500 ms}
  tick: {bits: 32, rate: 1000 Hz, start: 0}
  clock: {start: "2026-03-02T08:00:00Z", fraction: 0}
faults:
  - {at: 81033 ms, fault: setting, set: {log: 500 ms}}
seed: 774240105
`), scenarios.Env{})
	if err != nil {
		t.Fatal(err)
	}
	for _, sc := range []*scenarios.Scenario{named(t, "clock-set-back"), set} {
		v, _ := judged(t, sc, func(link.Store) link.Logger {
			return &keptToTheEnd{heldBack{habitual: habitual{habit: habit{header: "time,V,A,Ah,Wh", row: func(l *habitual, r *link.Reading) string {
				return fmt.Sprintf("%s,%.3f,%.4f,%.5f,%.4f", time.Unix(r.Clock, 0).UTC().Format(time.DateTime), l.v, l.i, l.q/3600, l.e/3600)
			}}}}}
		})
		if complaint(v) != "" || !*v.Pass {
			t.Errorf("%s: %s", sc.Name, complaint(v))
		}
	}
}

// TestUnitOfATimeThatDeparts: elapsed time whose header says no unit departs by seconds, not by Ah.
func TestUnitOfATimeThatDeparts(t *testing.T) {
	v, _ := judged(t, named(t, "load-steps"), func(link.Store) link.Logger {
		return &habitual{habit: habit{header: "elapsed,V,A,Ah,Wh", row: func(l *habitual, r *link.Reading) string {
			return fmt.Sprintf("%.1f,%.3f,%.4f,%.5f,%.4f", l.up+300*math.Sin(l.up/200), l.v, l.i, l.q/3600, l.e/3600)
		}}}
	})
	if s := complaint(v); !strings.Contains(s, "departs from the time that passed") || !strings.Contains(s, " s off") {
		t.Error(s)
	}
}

// TestNumbersWithoutZerosAtTheirEnd: 0.0 is no sign that a column is printed in tenths, where the other rows have five places.
func TestNumbersWithoutZerosAtTheirEnd(t *testing.T) {
	short := func(x float64, places int) string {
		s := strings.TrimRight(fmt.Sprintf("%.*f", places, x), "0")
		if strings.HasSuffix(s, ".") {
			s += "0"
		}
		return s
	}
	v, _ := judged(t, named(t, "load-steps"), func(link.Store) link.Logger {
		return &habitual{habit: habit{header: "# one object a line", row: func(l *habitual, r *link.Reading) string {
			return fmt.Sprintf(`{"t": %s, "V": %s, "A": %s, "Ah": %s, "Wh": %s}`, short(l.up, 2), short(l.v, 3), short(l.i, 4), short(l.q/3600, 5), short(l.e/3600, 4))
		}}}
	})
	for _, f := range v.Findings {
		if f.Cause == "clumsy-number" || f.Severity == "failure" {
			t.Errorf("%s: %s", f.Cause, f.Evidence)
		}
	}
}

// greetsWithRow writes its totals at power-up, before there is a reading.
type greetsWithRow struct{ habitual }

func (l *greetsWithRow) Greet(g *link.Greeting, a *link.Answer) {
	l.habitual.Greet(g, a)
	a.Row("0.0,,,0.00000,0.0000")
}

// TestRowBeforeTheFirstReading: it belongs to no reading, and tells nothing of what a column of seconds beside a clock that starts in 1970 is.
func TestRowBeforeTheFirstReading(t *testing.T) {
	for _, name := range []string{"clock-without-battery", "power-cuts-twice"} {
		v, _ := judged(t, named(t, name), func(link.Store) link.Logger {
			return &greetsWithRow{habitual{habit: habit{header: "s,V,A,Ah,Wh", row: func(l *habitual, r *link.Reading) string {
				return fmt.Sprintf("%.1f,%.3f,%.4f,%.5f,%.4f", l.up, l.v, l.i, l.q/3600, l.e/3600)
			}}}}
		})
		if complaint(v) != "" || !*v.Pass {
			t.Errorf("%s: %s", name, complaint(v))
		}
	}
}

// triesAgain keeps the row that a card did not take, and writes it as it was when it does.
type triesAgain struct {
	habitual
	kept  string
	stops bool // time and sums stand while it waits
}

func (l *triesAgain) Read(r *link.Reading, a *link.Answer) {
	if l.kept != "" && r.CardFail {
		if !l.stops {
			var said link.Answer
			l.habitual.Read(r, &said)
		}
		return
	}
	if l.kept != "" {
		a.Row(l.kept)
		if l.kept = ""; l.stops {
			l.tick = r.Tick
		}
	}
	var said link.Answer
	l.habitual.Read(r, &said)
	for _, s := range said.Said {
		if s.Word == link.Row && r.CardFail {
			l.kept = s.Text
			a.Tell(link.Say, "lost 1 for now")
			continue
		}
		a.Said = append(a.Said, s)
	}
}

// TestRowTriedAgain: a row that waited while the card failed shows how old it is; one whose logger waited with it has lost what flowed.
func TestRowTriedAgain(t *testing.T) {
	for _, stops := range []bool{false, true} {
		v, _ := judged(t, named(t, "card-fails-mid-run"), func(link.Store) link.Logger {
			return &triesAgain{stops: stops, habitual: habitual{habit: habit{header: "s,V,A,Ah,Wh", row: func(l *habitual, r *link.Reading) string {
				return fmt.Sprintf("%.1f,%.3f,%.4f,%.5f,%.4f", l.up, l.v, l.i, l.q/3600, l.e/3600)
			}}}}
		})
		if stops == *v.Pass || stops && v.Findings[0].Cause != "card-loss" {
			t.Errorf("stops %t: %s", stops, complaint(v))
		}
	}
}

// TestHoursOfUse: a time that stands while no current flows is no elapsed time that goes wrong.
func TestHoursOfUse(t *testing.T) {
	for _, name := range []string{"charge-then-discharge", "tick-starts-near-zero", "load-steps"} {
		used, last := 0.0, 0.0
		v, _ := judged(t, named(t, name), func(link.Store) link.Logger {
			return &habitual{habit: habit{header: "time,run_h,V,A,Ah,Wh", read: func(l *habitual, _ *link.Reading) {
				if math.Abs(l.i) > 0.01 {
					used += l.up - last
				}
				last = l.up
			}, row: func(l *habitual, r *link.Reading) string {
				return fmt.Sprintf("%s,%.4f,%.3f,%.4f,%.5f,%.4f", time.Unix(r.Clock, 0).UTC().Format(time.DateTime), used/3600, l.v, l.i, l.q/3600, l.e/3600)
			}}}
		})
		if complaint(v) != "" || !*v.Pass {
			t.Errorf("%s: %s", name, complaint(v))
		}
	}
}

// onTheMinute writes a row when the clock's face begins a new interval.
type onTheMinute struct {
	habitual
	slot int64
}

func (l *onTheMinute) Read(r *link.Reading, a *link.Answer) {
	slot := r.Clock / (l.g.LogMS / 1000)
	if l.due = math.Inf(1); slot != l.slot {
		l.slot, l.due = slot, l.now
	}
	l.habitual.Read(r, a)
}

// TestRowsOnTheMinuteOfAClockThatIsSet: a row more where the clock is set by whole minutes is none too many.
func TestRowsOnTheMinuteOfAClockThatIsSet(t *testing.T) {
	sc, err := scenarios.Parse("inline.yaml", []byte(`
scenario: hunt-889350147
summary: Drawn by a hunt.
start: {charge: 60 %}
plan:
  - {discharge: 0.096 C, ends: {time: 2094 s}}
  - {charge: 0.2 C, to: absorb, ends: {time: 2094 s}}
settings: {log: 60000 ms, cutoff_hold: 5000 ms, zone: 0 min}
rig:
  readings: {nominal: 2000 ms, every: 2000 ms}
  tick: {bits: 32, rate: 1000 Hz, start: 0}
  clock: {start: "2026-03-02T08:00:00Z", fraction: 0}
faults:
  - {at: 4122637 ms, fault: clock-set, by: -3000 s}
seed: 889350147
`), scenarios.Env{})
	if err != nil {
		t.Fatal(err)
	}
	if v, _ := judged(t, sc, func(link.Store) link.Logger { return &onTheMinute{slot: -1} }); complaint(v) != "" || !*v.Pass {
		t.Error(complaint(v))
	}
}

// TestTotalsOfTheDay: a total whose header says that it is one of the day begins anew at midnight; one of which it does not is lost.
func TestTotalsOfTheDay(t *testing.T) {
	for header, want := range map[string]bool{"time,V,A,Ah today,Wh today": true, "time,V,A,daily Ah,daily Wh": true, "time,V,A,Ah,Wh": false} {
		day := int64(-1)
		v, _ := judged(t, named(t, "midnight-mid-discharge"), func(link.Store) link.Logger {
			face := func(l *habitual, r *link.Reading) time.Time { return time.Unix(r.Clock+60*l.g.ZoneMin, 0).UTC() }
			return &habitual{habit: habit{header: header, row: func(l *habitual, r *link.Reading) string {
				return fmt.Sprintf("%s,%.3f,%.4f,%.5f,%.4f", face(l, r).Format(time.DateTime), l.v, l.i, l.q/3600, l.e/3600)
			}, read: func(l *habitual, r *link.Reading) {
				if d := int64(face(l, r).YearDay()); d != day {
					day, l.q, l.e = d, 0, 0
				}
			}}}
		})
		if pass := complaint(v) == "" && *v.Pass; pass != want {
			t.Errorf("%s: pass %v, want %v: %s", header, pass, want, complaint(v))
		}
	}
}

// besideLog keeps a second file with a row for each so many of its log.
type besideLog struct {
	habitual
	n int
}

func (l *besideLog) Read(r *link.Reading, a *link.Answer) {
	var said link.Answer
	l.habitual.Read(r, &said)
	for _, s := range said.Said {
		a.Said = append(a.Said, s)
		if s.Word != link.Row {
			continue
		}
		if l.n++; l.n%60 == 0 {
			a.Tell(link.File, "HOURS.CSV")
			a.Row(fmt.Sprintf("%d;%.4f", l.n/60, l.q/3600))
			a.Tell(link.File, "LOG.CSV")
		}
	}
}

// TestFilesSideBySide: of two files that are written by turns the one with most rows is the log.
func TestFilesSideBySide(t *testing.T) {
	for _, name := range []string{"charge-then-discharge", "power-cut-mid-discharge"} {
		v, _ := judged(t, named(t, name), func(link.Store) link.Logger { return &besideLog{} })
		other, _ := judged(t, named(t, name), func(link.Store) link.Logger { return &habitual{} })
		if got, want := complaint(v), complaint(other); got != want || !strings.Contains(strings.Join(v.Notes, " "), "HOURS.CSV") {
			t.Errorf("%s: %s, want %s; %v", name, got, want, v.Notes)
		}
	}
}

// TestFileNamesAgainAfterARestart: a logger that begins its names anew after a restart goes on in the file of before, then in the first, then in that.
func TestFileNamesAgainAfterARestart(t *testing.T) {
	v, _ := judged(t, named(t, "power-cut-mid-discharge"), func(link.Store) link.Logger { return &numbersFiles{} })
	other, _ := judged(t, named(t, "power-cut-mid-discharge"), func(link.Store) link.Logger { return &habitual{} })
	if got, want := complaint(v), complaint(other); got != want {
		t.Errorf("%s, want %s", got, want)
	}
}

// numbersFiles begins a new file with each fortieth row.
type numbersFiles struct {
	habitual
	n int
}

func (l *numbersFiles) Read(r *link.Reading, a *link.Answer) {
	var said link.Answer
	l.habitual.Read(r, &said)
	for _, s := range said.Said {
		if s.Word == link.Row {
			if l.n++; l.n%40 == 0 {
				a.Tell(link.File, fmt.Sprintf("LOG%d.CSV", l.n/40))
			}
		}
		a.Said = append(a.Said, s)
	}
}
