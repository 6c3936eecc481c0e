package validate_test

import (
	"fmt"
	"math"
	"strings"
	"testing"
	"time"

	"stuntcell/emulator/link"
	"stuntcell/scenarios"
)

// printer is a logger whose sums are right and whose rows are printed by a function.
type printer struct {
	g              *link.Greeting
	header         string
	print          func(l *printer, r *link.Reading) string
	later          bool // writes when more than the interval has passed, not when it has
	n              int
	tick           uint64
	up, last       float64
	amps, volts    float64
	charge, energy float64 // [A·s], [W·s]
}

func (l *printer) Greet(g *link.Greeting, a *link.Answer) {
	l.g = g
	a.Tell(link.Cannot, "load")
	a.Row(l.header)
}

func (l *printer) Read(r *link.Reading, a *link.Answer) {
	amps, volts := float64(r.Shunt)*float64(l.g.ShuntStepNV)/float64(l.g.ShuntNohm), float64(r.Bus)*float64(l.g.BusStepUV)*1e-6
	if l.n > 0 {
		dt := float64(uint32(r.Tick-l.tick)) / float64(l.g.TickHz)
		l.up += dt
		l.charge += (l.amps + amps) / 2 * dt
		l.energy += (l.amps*l.volts + amps*volts) / 2 * dt
	}
	l.tick, l.amps, l.volts = r.Tick, amps, volts
	log := float64(l.g.LogMS) / 1000
	if since := l.up - l.last; l.n == 0 || l.later && since > log+1e-6 || !l.later && since >= log-1e-6 {
		l.last = l.up
		for row := range strings.SplitSeq(l.print(l, r), "\n") {
			a.Row(row)
		}
	}
	l.n++
}

func (l *printer) Set(string, int64, *link.Answer) {}
func (l *printer) End(*link.Answer)                {}

// Mistakes of the print, of the clock and of the schedule beside sums that are right are named as what they are; the same logger
// without them passes.
func TestPrintsAreNamed(t *testing.T) {
	const header = "time,V,A,Ah,Wh"
	when := func(unix int64) string { return time.Unix(unix, 0).UTC().Format("2006-01-02 15:04:05") }
	plain := func(l *printer, r *link.Reading) string {
		return fmt.Sprintf("%s,%.3f,%.4f,%.5f,%.4f", when(r.Clock), l.volts, l.amps, l.charge/3600, l.energy/3600)
	}
	thousandths := func(x float64) string {
		n := int(math.Round(x * 1000))
		return fmt.Sprintf("%d.%03d", n/1000, max(n%1000, -(n%1000)))
	}
	for name, tc := range map[string]struct {
		header string
		print  func(l *printer, r *link.Reading) string
		later  bool
		clock  string
		want   string
	}{
		"as it should be": {header, plain, false, "2026-03-02T08:00:00Z", ""},
		"day and time behind a name": {"# log", func(l *printer, r *link.Reading) string {
			return fmt.Sprintf("t=%s U=%.3fV I=%.4fA Q=%.5fAh E=%.4fWh", when(r.Clock), l.volts, l.amps, l.charge/3600, l.energy/3600)
		}, false, "2026-03-02T08:00:00Z", ""},
		"cut off at 48 characters": {"time,V,A,Ah,mWh", func(l *printer, r *link.Reading) string {
			row := fmt.Sprintf("%s,%.3f,%.4f,%.5f,%.3f", when(r.Clock), l.volts, l.amps, l.charge/3600, l.energy/3.6)
			return row[:min(len(row), 48)]
		}, false, "2026-03-02T08:00:00Z", "broken-row"},
		"a total that is not shown any more": {header, func(l *printer, r *link.Reading) string {
			if l.up < 1200 {
				return plain(l, r)
			}
			return fmt.Sprintf("%s,%.3f,%.4f,,%.4f", when(r.Clock), l.volts, l.amps, l.energy/3600)
		}, false, "2026-03-02T08:00:00Z", "broken-row"},
		"a total that is never shown": {header, func(l *printer, r *link.Reading) string {
			return fmt.Sprintf("%s,%.3f,%.4f,,%.4f", when(r.Clock), l.volts, l.amps, l.energy/3600)
		}, false, "2026-03-02T08:00:00Z", "broken-row"},
		"a total in each tenth row": {header, func(l *printer, r *link.Reading) string {
			if int(l.up/10)%10 == 0 {
				return plain(l, r)
			}
			return fmt.Sprintf("%s,%.3f,%.4f,,", when(r.Clock), l.volts, l.amps)
		}, false, "2026-03-02T08:00:00Z", ""},
		"minutes without seconds": {"Date;Time;V;A;Ah;Wh", func(l *printer, r *link.Reading) string {
			return fmt.Sprintf("%s;%.3f;%.4f;%.5f;%.4f", time.Unix(r.Clock, 0).UTC().Format("02.01.06;15:04"), l.volts, l.amps, l.charge/3600, l.energy/3600)
		}, false, "2026-03-02T08:00:00Z", ""},
		"a row for each channel": {"ms,ch,V,A,Ah,Wh", func(l *printer, r *link.Reading) string {
			row := fmt.Sprintf("%d,1,%.3f,%.4f,%.5f,%.4f", r.Tick, l.volts, l.amps, l.charge/3600, l.energy/3600)
			return row + fmt.Sprintf("\n%d,2,%.3f,%.4f,%.5f,%.4f", r.Tick, 3.3, 0.5, l.up*0.5/3600, l.up*0.5*3.3/3600)
		}, false, "2026-03-02T08:00:00Z", ""},
		"units beside each number": {"# log", func(l *printer, r *link.Reading) string {
			return fmt.Sprintf("%.1f s, %.3f V, %.4f A, %.5f Ah, %.4f Wh", l.up, l.volts, l.amps, l.charge/3600, l.energy/3600)
		}, false, "2026-03-02T08:00:00Z", ""},
		"an object a line": {"# log", func(l *printer, r *link.Reading) string {
			return fmt.Sprintf(`{"time": "%s", "V": %.3f, "A": %.4f, "Ah": %.5f, "Wh":%.4f, "state":"on"}`, when(r.Clock), l.volts, l.amps, l.charge/3600, l.energy/3600)
		}, false, "2026-03-02T08:00:00Z", ""},
		"hundreds of mAh": {"time,V,A,mAh,Wh", func(l *printer, r *link.Reading) string {
			return fmt.Sprintf("%s,%.3f,%.4f,%d,%.4f", when(r.Clock), l.volts, l.amps, 100*int(math.Round(l.charge/360)), l.energy/3600)
		}, false, "2026-03-02T08:00:00Z", "clumsy-number"},
		"no minus below one": {header, func(l *printer, r *link.Reading) string {
			return fmt.Sprintf("%s,%.3f,%.4f,%s,%s", when(r.Clock), l.volts, l.amps, thousandths(l.charge/3600), thousandths(l.energy/3600))
		}, false, "2026-03-02T08:00:00Z", "sign"},
		"seconds that end in 2038": {header, func(l *printer, r *link.Reading) string {
			return plain(l, &link.Reading{Clock: min(r.Clock, math.MaxInt32)})
		}, false, "2038-01-19T02:50:00Z", "epoch-2038"},
		"longer than the interval": {header, plain, true, "2026-03-02T08:00:00Z", "schedule-creep"},
	} {
		t.Run(name, func(t *testing.T) {
			sc, err := scenarios.Parse("print.yaml", []byte(`scenario: print
summary: Two currents, one hour.
plan:
  - {rest: 2 min}
  - {discharge: 0.3 C, ends: {time: 45 min}}
  - {discharge: 0.2 C, ends: {time: 10 min}}
  - {rest: 2 min}
rig: {clock: {start: "`+tc.clock+`"}}
`), scenarios.Env{})
			if err != nil {
				t.Fatal(err)
			}
			v, _ := judged(t, sc, func(link.Store) link.Logger { return &printer{header: tc.header, print: tc.print, later: tc.later} })
			got := ""
			if !*v.Pass && len(v.Findings) > 0 {
				got = v.Findings[0].Cause
			}
			if got != tc.want || *v.Pass != (tc.want == "") {
				t.Errorf("pass %v, named %q, want %q: %s", *v.Pass, got, tc.want, complaint(v))
			}
		})
	}
}
