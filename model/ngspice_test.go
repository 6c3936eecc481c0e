package model

import (
	"bufio"
	"fmt"
	"math"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"testing"
	"time"

	"stuntcell/model/outside"
)

// circuit is a cell for both: R0 without a factor, so that it is a resistor.
func circuit() *Pack {
	p := plainPack()
	p.Cell.Discharging, p.Cell.Charging = Curve{}, Curve{}
	return p
}

// netlist writes the cell of circuit with a load between the nodes t and 0. The charge is the voltage of a capacitor, OCV its function, as
// straight pieces so short that they are the cubic within a tenth of a microvolt.
func netlist(p *Pack, start float64, load string, seconds, step float64, out string) string {
	var b strings.Builder
	fmt.Fprintf(&b, "* one cell\nBz 0 z I = I(Vi)/%.17g\nCz z 0 1 ic=%.17g\n", p.Cell.Capacity, start)
	fmt.Fprintf(&b, "Bocv ocv 0 V = pwl(V(z)")
	for i := 0; i <= 2400; i++ {
		z := float64(i) / 2400
		fmt.Fprintf(&b, ",%.9g,%.12g", z, p.Cell.OCV.At(z))
		if i%8 == 7 {
			b.WriteString("\n+ ")
		}
	}
	b.WriteString(")\n")
	last := "ocv"
	for k, pair := range p.Cell.Pairs {
		next := fmt.Sprintf("n%d", k)
		fmt.Fprintf(&b, "R%d %s %s %.17g\nC%d %s %s %.17g ic=0\n", k, next, last, pair.Resistance, k, next, last, pair.Tau/pair.Resistance)
		last = next
	}
	fmt.Fprintf(&b, "Rs m %s %.17g\nVi t m 0\n%s\n", last, p.Cell.Resistance, load)
	fmt.Fprintf(&b, ".options reltol=1e-3 abstol=1e-9 vntol=1e-9 numdgt=12\n.control\nset wr_vecnames\ntran %.9g %.9g 0 %.9g uic\nwrdata %s v(t) i(Vi)\nquit\n.endc\n.end\n", step, seconds, step, out)
	return b.String()
}

type sample struct{ t, v, i float64 }

// spice runs the netlist and reads what came; an abort is an error though the program says 0.
func spice(t testing.TB, program string, p *Pack, start float64, load string, seconds, step float64) []sample {
	t.Helper()
	dir := t.TempDir()
	file, out := filepath.Join(dir, "cell.cir"), filepath.Join(dir, "out.txt")
	if err := os.WriteFile(file, []byte(netlist(p, start, load, seconds, step, out)), 0o600); err != nil {
		t.Fatal(err)
	}
	cmd := exec.Command(program, "-b", file)
	cmd.Dir = dir
	log, err := cmd.CombinedOutput()
	if err != nil || strings.Contains(strings.ToLower(string(log)), "abort") {
		t.Fatalf("ngspice: %v\n%.2000s", err, log)
	}
	f, err := os.Open(out)
	if err != nil {
		t.Fatalf("%v\n%.2000s", err, log)
	}
	defer f.Close()
	var rows []sample
	for in := bufio.NewScanner(f); in.Scan(); {
		x := strings.Fields(in.Text())
		if len(x) < 4 {
			continue
		}
		var n [4]float64
		ok := true
		for j := range n {
			n[j], err = strconv.ParseFloat(x[j], 64)
			ok = ok && err == nil
		}
		if ok {
			rows = append(rows, sample{n[0], n[1], n[3]})
		}
	}
	if len(rows) < int(seconds/step) || math.Abs(rows[len(rows)-1].t-seconds) > step {
		t.Fatalf("ngspice gave %d rows to %g s\n%.2000s", len(rows), rows[len(rows)-1].t, log)
	}
	return rows
}

// TestPublishedCircuitSimulator: six circuits and plans against ngspice, 10 uV for current and resistance, 150 uV for power.
func TestPublishedCircuitSimulator(t *testing.T) {
	program := outside.Program(t, "ngspice")
	t.Log("source: ngspice, a general circuit simulator; netlists are made in this test")
	p := circuit()
	pulse := func(at int64, amps ...float64) (l Load) {
		for i, a := range amps {
			l.Table = append(l.Table, LoadPoint{int64(i) * at, a})
		}
		return l
	}
	// Edges of 1 ms: ours stand in their middle.
	pulses := pulse(60*second, 3, 0, 2, 0.5, 0)
	for i := 1; i < len(pulses.Table); i++ {
		pulses.Table[i].T += second / 2000
	}
	const edge = "PWL(0 3 60 3 60.001 0 120 0 120.001 2 180 2 180.001 0.5 240 0.5 240.001 0)"
	cases := []struct {
		name    string
		step    Step
		load    string
		seconds float64
		tol     float64 // [V]
		edges   float64 // distance between edges [s], 0: none
	}{
		{"constant current", Step{Kind: Discharge, Load: Load{Current: 2}}, "Il t 0 DC 2", 900, 10e-6, 0},
		{"charging current", Step{Kind: Charge, Load: Load{Current: 1.5}}, "Il 0 t DC 1.5", 600, 10e-6, 0},
		{"pulses", Step{Kind: Discharge, Load: pulses}, "Il t 0 " + edge, 300, 10e-6, 60},
		{"voltage limit", Step{Kind: Charge, Load: Load{Current: 500}, Voltage: 3.95}, "Vl t 0 DC 3.95", 600, 10e-6, 0},
		{"constant power", Step{Kind: Discharge, Load: Load{Power: 8}}, "Bl t 0 I = 8/V(t)", 600, 150e-6, 0},
		{"constant resistance", Step{Kind: Discharge, Load: Load{Resistance: 1.8}}, "Rl t 0 1.8", 600, 10e-6, 0},
		{"PWM", Step{Kind: Discharge, Load: Load{Current: 4, Period: 4 * second, On: second, Phase: -second / 2000}}, "Il t 0 PULSE(0 4 0 1m 1m 0.999 4)", 60, 10e-6, 1},
	}
	for _, x := range cases {
		t.Run(x.name, func(t *testing.T) {
			x.step.Ends = Ends{Time: int64(x.seconds * 1e9)}
			if x.name == "PWM" {
				// The first edge is half a millisecond late, the load is off until then.
				x.step.Load.Phase = 4*second - second/2000
			}
			const start = 0.75
			compare := func(step float64) (worst float64, at float64, last float64) {
				c, err := NewCourse(p, Plan{x.step}, Options{Start: start})
				if err != nil {
					t.Fatal(err)
				}
				s := c.Next(never)
				for _, r := range spice(t, program, p, start, x.load, x.seconds, step) {
					now := int64(math.Round(r.t * 1e9))
					if r.t < 0.01 || x.edges > 0 && math.Abs(math.Remainder(r.t, x.edges)) < 0.01 || now >= int64(x.seconds*1e9) {
						continue // a sample on an edge is a convention
					}
					for s.T1 <= now && !c.Done() {
						s = c.Next(never)
					}
					// Within a source of voltage the current is what may differ.
					d := s.Voltage(now) - r.v
					if x.step.Voltage > 0 {
						d = (s.Current(now) - r.i) * p.Cell.Resistance
					}
					if math.Abs(d) > worst {
						worst, at = math.Abs(d), r.t
					}
					last = d
				}
				return worst, at, last
			}
			worst, at, last := compare(0.1)
			_, _, half := compare(0.05)
			t.Logf("largest difference %.2f uV at %.2f s; halving its step moves the last by %.3f uV", worst*1e6, at, math.Abs(half-last)*1e6)
			if math.Abs(half-last) > 3e-6 {
				t.Errorf("halving ngspice's step moves it by %g V: it has not converged", half-last)
			}
			if worst > x.tol {
				t.Errorf("differs by %.2f uV at %g s, allowed %.0f", worst*1e6, at, x.tol*1e6)
			}
		})
	}
}

// BenchmarkAgainstCircuitSimulator runs the same constant current in both and reports how many times faster ours is, computing only: the
// program's start is measured by a run of one step and taken off. Both give a value each second.
func BenchmarkAgainstCircuitSimulator(b *testing.B) {
	program := outside.Program(b, "ngspice")
	p := circuit()
	const seconds = 5000.0
	for b.Loop() {
		wall := func(seconds float64) float64 {
			from := time.Now()
			spice(b, program, p, 1, "Il t 0 DC 2", seconds, 0.1)
			return time.Since(from).Seconds()
		}
		theirs := math.Inf(1)
		for range 3 {
			theirs = math.Min(theirs, wall(seconds)-wall(1))
		}
		ours := math.Inf(1)
		for range 3 {
			from := time.Now()
			c, err := NewCourse(p, Plan{{Kind: Discharge, Load: Load{Current: 2}, Ends: Ends{Time: int64(seconds * 1e9)}}}, Options{})
			if err != nil {
				b.Fatal(err)
			}
			for !c.Done() {
				s := c.Next(c.Now() + second)
				s.Voltage(s.T1)
			}
			ours = math.Min(ours, time.Since(from).Seconds())
		}
		b.ReportMetric(theirs/ours, "times")
		b.ReportMetric(ours/seconds*1e9, "ns/second")
	}
}
