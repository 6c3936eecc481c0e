package validate_test

import (
	"fmt"
	"testing"

	"stuntcell/emulator/link"
	"stuntcell/scenarios"
	"stuntcell/validate/loggers"
)

// TestHealthyScenarios: scenarios in which a healthy logger once failed, or was told something of its firmware that is not so.
func TestHealthyScenarios(t *testing.T) {
	for _, alarm := range []struct{ logger, why, scenario string }{
		{"left-rectangle", "the current changes within the row of a wrap: a step less by another rule comes to the same", `
scenario: wrap-in-the-row-of-an-edge
summary: A counter of microseconds wraps in each row of two hours, and one of them has the edge.
plan:
  - {rest: 3 h}
  - {discharge: 0.02 C, ends: {time: 9 h}}
settings: {log: 2 h}
rig: {tick: {bits: 32, rate: 1 MHz}, readings: {nominal: 20 s}, front: {shunt_step: 1 uV}}
`},
		{"right-rectangle", "a row that came late over failed readings, and an extra row taken for one too many near the end", `
scenario: hunt-2234
summary: Drawn by a hunt.
start: {charge: 9 %}
plan:
  - {rest: 69 s}
  - {discharge: 0.57 C, ends: {logger: end, floor: floor, time: 347 s}}
  - {rest: 69 s}
settings: {log: 30000 ms, cutoff_hold: 5000 ms, zone: 0 min}
rig:
  readings: {nominal: 1000 ms, every: 1000 ms}
  tick: {bits: 32, rate: 1000 Hz, start: 0}
  clock: {start: "2026-03-02T08:00:00Z", fraction: 0}
faults:
  - {at: {stop: -19127 ms}, fault: setting, set: {log: 60000 ms}}
  - {at: 267319 ms, fault: failed-read, for: 8622 ms}
seed: 2234
`},
		{"buffer-8", "rows in memory that a power cut at the very end takes: nothing told the logger to write them", `
scenario: ends-without-power
summary: The power fails again and has not come back when the run ends.
plan:
  - {discharge: 0.095 C, ends: {time: 416 s}}
  - {charge: 0.09 C, to: absorb, ends: {logger: taper, time: 5000 s}}
  - {rest: 250 s}
settings: {log: 150000 ms, cutoff_hold: 5000 ms, zone: 0 min}
rig:
  readings: {nominal: 10000 ms, every: 10000 ms}
  tick: {bits: 32, rate: 1000 Hz, start: 0}
  clock: {start: "2026-03-02T08:00:00Z", fraction: 0}
faults:
  - {at: {stop: -55394 ms}, fault: power-cut, for: 213845 ms}
  - {at: 262435 ms, fault: power-cut, for: 78494 ms}
seed: 88031237
`},
		{"buffer-8-lost", "rows that were held back when the card failed, told of as lost, at an interval that a setting had made longer", `
scenario: hunt-733430123
summary: Drawn by a hunt.
start: {charge: 60 %}
plan:
  - {discharge: 0.621 C, ends: {time: 200 s}}
  - {charge: 0.077 C, to: absorb, ends: {time: 800 s}}
settings: {log: 10000 ms, cutoff_hold: 5000 ms, zone: 0 min}
rig:
  readings: {nominal: 1000 ms, every: 1000 ms}
  tick: {bits: 32, rate: 1000 Hz, start: 0}
  clock: {start: "2026-03-02T08:00:00Z", fraction: 0}
faults:
  - {at: 152795 ms, fault: setting, set: {log: 15000 ms}}
  - {at: 978317 ms, fault: card-fail, for: 16619 ms}
seed: 733430123
`},
		{"rows-made-up", "rows that become due while those are written that a stall held up", `
scenario: hunt-77035160
summary: Drawn by a hunt.
plan:
  - {discharge: 0.306 C, ends: {time: 54 s}}
  - {discharge: 0.059 C, ends: {time: 108 s}}
settings: {log: 2500 ms, cutoff_hold: 5000 ms, zone: 0 min}
rig:
  readings: {nominal: 500 ms, every: 500 ms}
  tick: {bits: 32, rate: 1000 Hz, start: 0}
  clock: {start: "2026-03-02T08:00:00Z", fraction: 0}
faults:
  - {at: 89425 ms, fault: stall, for: 52000 ms}
seed: 77035160
`},
		{"buffer-3h", "readings that come unevenly, a row for each: two fall into one interval of the schedule and none into the next", `
scenario: hunt-77032272
summary: Drawn by a hunt.
start: {charge: 60 %}
plan:
  - {rest: 5 s}
  - {discharge: 0.83 C, ends: {time: 23 s}}
  - {rest: 5 s}
  - {charge: 0.181 C, to: absorb, ends: {time: 23 s}}
  - {rest: 5 s}
settings: {log: 100 ms, cutoff_hold: 5000 ms, zone: 0 min}
rig:
  readings: {nominal: 100 ms, every: 100 ms, jitter: 25 ms}
  tick: {bits: 32, rate: 1000 Hz, start: 0}
  clock: {start: "2026-03-02T08:00:00Z", fraction: 0}
faults:
  - {at: 10542 ms, fault: setting, set: {log: 100 ms}}
seed: 77032272
`},
		{"row-on-turn", "a stall of many turns of a load whose turns have rows of their own", `
scenario: hunt-37065
summary: Drawn by a hunt.
plan:
  - {discharge: 0.5 C, pulse: {every: 15 s, on: 8 s, low: 0 %}, ends: {time: 232 s}}
settings: {log: 15000 ms, cutoff_hold: 5000 ms, zone: 0 min}
rig:
  readings: {nominal: 1000 ms, every: 1000 ms}
  tick: {bits: 32, rate: 1000 Hz, start: 0}
  clock: {start: "2026-03-02T08:00:00Z", fraction: 0}
faults:
  - {at: 118536 ms, fault: stall, for: 55800 ms}
seed: 37065
`},
		{"buffer-8-lost", "rows held back, lost with a card that fails, and told of", `
scenario: hunt-31075
summary: Drawn by a hunt.
start: {charge: 60 %}
plan:
  - {charge: 0.149 C, to: absorb, ends: {time: 1179 s}}
settings: {log: 60000 ms, cutoff_hold: 5000 ms, zone: 0 min}
rig:
  readings: {nominal: 2000 ms, every: 2000 ms}
  tick: {bits: 32, rate: 1000 Hz, start: 0}
  clock: {start: "2026-03-02T08:00:00Z", fraction: 0}
faults:
  - {at: 883338 ms, fault: card-fail, for: 34863 ms}
seed: 31075
`},
		{"row-means", "a battery whose protection is open from the start: its voltage stands at the level and no current ever flows", `
scenario: hunt-10088
summary: Drawn by a hunt.
pack: lfp-48v-50ah
start: {charge: 99 %}
plan:
  - {charge: 0.17 C, to: absorb, ends: {logger: taper, time: 144 s}}
settings: {log: 40000 ms, cutoff_hold: 5000 ms, zone: 0 min}
rig:
  readings: {nominal: 4000 ms, every: 4000 ms}
  tick: {bits: 32, rate: 1000 Hz, start: 0}
  clock: {start: "2026-03-02T08:00:00Z", fraction: 0}
seed: 10088
`},
		{"row-on-turn", "more extra rows than five within an interval, one for each pulse", `
scenario: hunt-30360073
summary: Drawn by a hunt.
plan:
  - {discharge: 0.5 C, pulse: {every: 11 s, on: 7 s, low: 0 %}, ends: {time: 170 s}}
settings: {log: 60000 ms, cutoff_hold: 5000 ms, zone: 0 min}
rig:
  readings: {nominal: 1000 ms, every: 1000 ms, jitter: 266 ms}
  tick: {bits: 32, rate: 1000 Hz, start: 0}
  clock: {start: "2026-03-02T08:00:00Z", fraction: 0}
seed: 30360073
`},
		{"burden-added", "a power cut while readings fail: what was held over them counts", `
scenario: hunt-50090024
summary: Drawn by a hunt.
start: {charge: 60 %}
plan:
  - {charge: 0.116 C, to: absorb, ends: {time: 43 s}}
  - {discharge: 0.036 C, ends: {time: 42 s}}
settings: {log: 5000 ms, cutoff_hold: 5000 ms, zone: 0 min}
rig:
  readings: {nominal: 500 ms, every: 500 ms}
  tick: {bits: 32, rate: 1000 Hz, start: 0}
  clock: {start: "2026-03-02T08:00:00Z", fraction: 0}
faults:
  - {at: 56097 ms, fault: failed-read, for: 10997 ms}
  - {at: 59121 ms, fault: power-cut, for: 636 ms}
seed: 50090024
`},
		{"row-on-turn", "an extra row between a late one and the last", `
scenario: hunt-50360200
summary: Drawn by a hunt.
plan:
  - {rest: 10 s}
  - {discharge: 0.046 C, ends: {time: 52 s}}
  - {discharge: 0.261 C, ends: {time: 52 s}}
  - {rest: 10 s}
settings: {log: 7500 ms, cutoff_hold: 5000 ms, zone: 0 min}
rig:
  readings: {nominal: 500 ms, every: 500 ms}
  tick: {bits: 32, rate: 1000 Hz, start: 0}
  clock: {start: "2026-03-02T08:00:00Z", fraction: 0}
faults:
  - {at: 104222 ms, fault: card-fail, for: 8543 ms}
seed: 50360200
`},
		{"hold-by-readings", "a hold counted in readings that come slower than they should", `
scenario: hunt-50380152
summary: Drawn by a hunt.
start: {charge: 4 %}
plan:
  - {discharge: 0.99 C, ends: {logger: end, floor: floor, time: 63 s}}
settings: {log: 1000 ms, cutoff_hold: 5000 ms, zone: 0 min}
rig:
  readings: {nominal: 100 ms, every: 138 ms}
  tick: {bits: 32, rate: 1000 Hz, start: 0}
  clock: {start: "2026-03-02T08:00:00Z", fraction: 0}
seed: 50380152
`},
		{"written-means", "the mean of a pulsed row, by chance what a reading before was", `
scenario: hunt-50120049
summary: Drawn by a hunt.
plan:
  - {rest: 46 s}
  - {discharge: 0.5 C, pulse: {every: 4 s, on: 1 s, low: 30 %}, ends: {time: 117 s}}
settings: {log: 35000 ms, cutoff_hold: 5000 ms, zone: 0 min}
rig:
  readings: {nominal: 1000 ms, every: 1379 ms}
  tick: {bits: 32, rate: 1000 Hz, start: 0}
  clock: {start: "2026-03-02T08:00:00Z", fraction: 0}
seed: 50120049
`},
		{"row-on-turn", "an extra row a reading before the one that is due, time and again", `
scenario: hunt-110010138
summary: Drawn by a hunt.
plan:
  - {discharge: 0.383 C, pulse: {every: 29 s, on: 9 s, low: 0 %}, ends: {time: 587 s}}
settings: {log: 10000 ms, cutoff_hold: 5000 ms, zone: 0 min}
rig:
  readings: {nominal: 1000 ms, every: 1000 ms}
  tick: {bits: 32, rate: 1000 Hz, start: 0}
  clock: {start: "2026-03-02T08:00:00Z", fraction: 0}
seed: 110010138
`},
		{"row-on-turn", "many extra rows around one that a failing card took", `
scenario: hunt-120030004
summary: Drawn by a hunt.
plan:
  - {discharge: 0.5 C, pulse: {every: 6 s, on: 3 s, low: 0 %}, ends: {time: 135 s}}
settings: {log: 15000 ms, cutoff_hold: 5000 ms, zone: 0 min}
rig:
  readings: {nominal: 500 ms, every: 500 ms}
  tick: {bits: 32, rate: 1000 Hz, start: 0}
  clock: {start: "2026-03-02T08:00:00Z", fraction: 0}
faults:
  - {at: 89650 ms, fault: card-fail, for: 2834 ms}
seed: 120030004
`},
		{"cannot-load", "a late row, and the last one an interval before the end", `
scenario: hunt-40040
summary: Drawn by a hunt.
start: {charge: 6 %}
plan:
  - {rest: 55 s}
  - {discharge: 0.44 C, ends: {logger: end, floor: floor, time: 138 s}}
  - {rest: 55 s}
settings: {log: 30000 ms, cutoff_hold: 20000 ms, zone: 0 min}
rig:
  readings: {nominal: 500 ms, every: 500 ms}
  tick: {bits: 32, rate: 1000 Hz, start: 0}
  clock: {start: "2026-03-02T08:00:00Z", fraction: 0}
faults:
  - {at: 176182 ms, fault: failed-read, for: 6897 ms}
seed: 40040
`},
	} {
		t.Run(alarm.logger+": "+alarm.why, func(t *testing.T) {
			sc, err := scenarios.Parse("scenario.yaml", []byte(alarm.scenario), scenarios.Env{})
			if err != nil {
				t.Fatal(err)
			}
			h, ok := loggers.ByName(alarm.logger)
			if !ok {
				t.Fatal("no such logger")
			}
			v, _ := judged(t, sc, h.New)
			if c := complaint(v); c != "" {
				t.Error(c)
			}
			for _, f := range v.Findings {
				if f.Of == "firmware" && f.Cause != "clumsy-number" {
					t.Errorf("%s: %s", f.Cause, f.Evidence)
				}
			}
		})
	}
}

// compensated is a logger that knows the resistance of its leads, and stops when the pack, not the tap, has been below the level for the hold.
type compensated struct {
	printer
	lead, below float64
	off         bool
}

func (l *compensated) Greet(g *link.Greeting, a *link.Answer) {
	l.g, l.below = g, -1
	a.Row("tick,V,A,Ah,Wh")
}

func (l *compensated) Read(r *link.Reading, a *link.Answer) {
	l.printer.Read(r, a)
	if (l.volts-l.amps*l.lead)*1000 >= float64(l.g.CutoffMV) {
		l.below = -1
	} else if l.below < 0 {
		l.below = l.up
	}
	if l.below >= 0 && !l.off && (l.up-l.below)*1000 >= float64(l.g.CutoffHoldMS) {
		l.off = true
		a.Do(link.LoadOff)
	}
}

// TestLeadCompensationIsHealthy: who adds the drop of the leads back stops later than the readings alone say, by what the leads are; by more
// than that is late.
func TestLeadCompensationIsHealthy(t *testing.T) {
	sc, err := scenarios.Parse("leads.yaml", []byte(`
scenario: leads
summary: The voltage is tapped behind 60 mohm of lead, and falls slowly to the level.
plan:
  - {discharge: 0.5 C, ends: {logger: end, floor: floor}}
  - {rest: 10 min}
start: {charge: 40 %}
rig: {wiring: {lead: 60 mohm}}
`), scenarios.Env{})
	if err != nil {
		t.Fatal(err)
	}
	for ohm, want := range map[float64]string{0: "", 0.06: "", 0.12: "cutoff-late"} {
		v, _ := judged(t, sc, func(link.Store) link.Logger {
			return &compensated{lead: ohm, printer: printer{print: func(l *printer, r *link.Reading) string {
				return fmt.Sprintf("%d,%.3f,%.4f,%.6f,%.5f", r.Tick, l.volts, l.amps, l.charge/3600, l.energy/3600)
			}}}
		})
		got := ""
		if !*v.Pass && len(v.Findings) > 0 {
			got = v.Findings[0].Cause
		}
		if got != want {
			t.Errorf("%g ohm: %q, want %q: %s", ohm, got, want, complaint(v))
		}
	}
}

// worded loses rows while the card fails, and says so in its own words or not at all.
type worded struct {
	printer
	words string
	said  bool
}

func (l *worded) Read(r *link.Reading, a *link.Answer) {
	if !r.CardFail {
		l.printer.Read(r, a)
		return
	}
	var lost link.Answer
	l.printer.Read(r, &lost)
	if l.words != "" && !l.said {
		a.Tell(link.Say, l.words)
		l.said = true
	}
}

// TestCardFailureToldInAnyWords: it need not be the word lost and a number.
func TestCardFailureToldInAnyWords(t *testing.T) {
	sc, err := scenarios.ByName("card-fails-mid-run", scenarios.Env{})
	if err != nil {
		t.Fatal(err)
	}
	for words, want := range map[string]bool{"": true, "SD card does not take rows": false} {
		v, _ := judged(t, sc, func(link.Store) link.Logger {
			return &worded{words: words, printer: printer{header: "tick,V,A,Ah,Wh", print: func(l *printer, r *link.Reading) string {
				return fmt.Sprintf("%d,%.3f,%.4f,%.6f,%.5f", r.Tick, l.volts, l.amps, l.charge/3600, l.energy/3600)
			}}}
		})
		silent := false
		for _, f := range v.Findings {
			silent = silent || f.Cause == "silent-card-loss"
		}
		if c := complaint(v); c != "" || silent != want {
			t.Errorf("%q: silent %v, want %v; %s", words, silent, want, c)
		}
	}
}
