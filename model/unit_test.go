package model

import (
	"math"
	"strconv"
	"testing"
)

// same makes a pack be carried cell by cell though no cell differs.
var same = []Defect{{Capacity: 1}}

func bare(t testing.TB, name string, series, parallel int) *Pack {
	p := *mustPack(t, name)
	scale := float64(series) / float64(p.Series)
	p.Rated.End *= scale
	p.Limits.ChargeVoltage *= scale
	p.Series, p.Parallel = series, parallel
	p.Rated.Charge *= float64(parallel)
	p.Spread, p.Board = Spread{}, Board{}
	return &p
}

// testPlan goes through every kind of step at pack level.
func testPlan(p *Pack) Plan {
	end, _ := p.Level("end", p.Amps(0.5))
	return Plan{
		{Kind: Discharge, Load: Load{Current: p.Amps(0.5)}, Ends: Ends{Voltage: end}},
		{Kind: Rest, Ends: Ends{Time: hour}},
		{Kind: Charge, Load: Load{Current: p.Amps(0.3)}, Voltage: p.Volts(p.Levels.Absorb), Ends: Ends{Current: p.Amps(0.05), Time: 9 * hour}},
		{Kind: Discharge, Load: Load{Power: p.Amps(0.3) * p.Nominal()}, Ends: Ends{Voltage: end}},
		{Kind: Discharge, Load: Load{Current: p.Amps(0.1), RippleHz: 50, Ripple: 0.4}, Ends: Ends{Time: 300 * second, Floor: end * 0.9}},
	}
}

// agree compares two ways to carry one pack. Stretches of different length see the temperature differently, by less than a ten-thousandth.
func agree(t *testing.T, what string, a, b *Course, scale float64) {
	t.Helper()
	if len(a.Ended()) != len(b.Ended()) {
		t.Fatalf("%s: %d and %d steps", what, len(a.Ended()), len(b.Ended()))
	}
	for i, x := range a.Ended() {
		y := b.Ended()[i]
		if x.Why != y.Why {
			t.Errorf("%s: step %d ended by %s and %s", what, i, x.Why, y.Why)
		}
		near(t, what+" time", float64(x.End), float64(y.End), 1e-4*float64(y.End)+1e6)
		near(t, what+" charge", x.Charge*scale, y.Charge, 1e-4*y.Throughput+1e-3)
		near(t, what+" energy", x.Energy*scale, y.Energy, 1e-4*math.Abs(y.Energy)+1e-2)
		near(t, what+" end voltage", x.EndV, y.EndV, 1e-3)
		near(t, what+" temperature", x.MaxTemperature, y.MaxTemperature, 2e-3)
	}
}

func TestCellByCellEqualsOneForAll(t *testing.T) {
	for _, name := range []string{"agm-12v-7ah", "lfp-12v8-12ah", "nimh-7v2-3ah"} {
		for _, parallel := range []int{1, 2} {
			p := bare(t, name, 3, parallel)
			agree(t, name, play(t, p, testPlan(p), Options{Defects: same}), play(t, p, testPlan(p), Options{}), 1)
		}
	}
}

func TestTwoHalfStringsAreOneWhole(t *testing.T) {
	half := bare(t, "agm-12v-7ah", 3, 2)
	whole := bare(t, "agm-12v-7ah", 3, 1)
	whole.Rated = half.Rated
	whole.Cell.resize(2, 0.5)
	agree(t, "halves", play(t, half, testPlan(half), Options{Defects: same}), play(t, whole, testPlan(whole), Options{}), 1)
}

func TestStringsTradeChargeAtRest(t *testing.T) {
	p := bare(t, "agm-12v-7ah", 3, 2)
	p.Cell.SelfDischarge = 0
	p.Cell.Gassing = Gassing{}
	c := play(t, p, Plan{{Kind: Rest, Ends: Ends{Time: 5000 * hour}}}, Options{Start: 0.6, Isothermal: true, Defects: []Defect{{String: 1, Charge: 0.1}, {String: 2, Charge: -0.1}}})
	cells := c.Cells()
	near(t, "charge lost by the fuller", cells[0].StateOfCharge, 0.6, 2e-3)
	near(t, "charge together", cells[0].StateOfCharge+cells[3].StateOfCharge, 1.2, 1e-9)
	near(t, "pack current", c.Ended()[0].Throughput, 0, 1e-9)
}

func TestBoardOpensOnTheWeakestCell(t *testing.T) {
	p := mustPack(t, "lfp-12v8-12ah")
	weak := []Defect{{String: 1, Cell: 3, Capacity: 0.8}}
	end, _ := p.Level("end", 2.4)
	c := play(t, p, Plan{
		{Kind: Discharge, Load: Load{Current: 2.4}, Ends: Ends{Voltage: end}},
		{Kind: Rest, Ends: Ends{Time: hour}},
		{Kind: Charge, Load: Load{Current: 3}, Voltage: 14.2, Ends: Ends{Time: 20 * hour, Current: 0.6}},
	}, Options{Defects: weak})
	e := c.Ended()
	if e[0].Why != ByProtection || e[0].Cell != 3 || e[0].LowestCell > p.Board.Low {
		t.Errorf("ended by %s on cell %d at %g V", e[0].Why, e[0].Cell, e[0].LowestCell)
	}
	if q := -e[0].Charge / p.Rated.Charge; q < 0.7 || q > 0.85 {
		t.Errorf("%.3f of the rated charge was delivered with a cell of 80 %%", q)
	}
	if e[1].EndV == 0 {
		t.Error("the board did not close again though the cells recovered")
	}
	if e[2].Charge < 0.7*p.Rated.Charge {
		t.Errorf("only %g Ah went in again", e[2].Charge/3600)
	}
}

func TestLoggerSeesThePackVanish(t *testing.T) {
	p := mustPack(t, "lfp-12v8-12ah")
	weak := []Defect{{String: 1, Cell: 2, Capacity: 0.7}}
	end, _ := p.Level("end", 2.4)
	floor, _ := p.Level("floor", 2.4)
	plan := Plan{{Kind: Discharge, Load: Load{Current: 2.4}, Ends: Ends{Logger: end, Floor: floor, Hold: 10 * second}}}
	c, err := NewCourse(p, plan, Options{Defects: weak})
	if err != nil {
		t.Fatal(err)
	}
	gone := int64(0)
	for !c.Done() {
		s := c.Next(c.Now() + second)
		if s.Voltage(s.T1) == 0 && gone == 0 && s.T1 > s.T0 {
			gone = s.T0
			if s.Current(s.T1) != 0 || !s.LoadClosed {
				t.Errorf("%g A through an open board, contact %v", s.Current(s.T1), s.LoadClosed)
			}
			c.Switch(false, false)
		}
	}
	if e := c.Ended()[0]; gone == 0 || e.Why != ByLogger || e.Cell != 2 {
		t.Errorf("gone at %d, ended by %s, cell %d", gone, e.Why, e.Cell)
	}
	// A logger that does not notice.
	c = play(t, p, plan, Options{Defects: weak})
	if e := c.Ended()[0]; e.Why != ByProtection {
		t.Errorf("ended by %s", e.Why)
	}
}

func TestBoardOpensOnCurrentAndOnTheStrongestCell(t *testing.T) {
	p := mustPack(t, "lfp-12v8-12ah")
	c := play(t, p, Plan{{Kind: Discharge, Load: Load{Current: 50}, Ends: Ends{Time: hour, Floor: 9}}}, Options{})
	if e := c.Ended()[0]; e.Why != ByProtection || e.End != p.Board.CurrentDelay {
		t.Errorf("50 A ended by %s after %d ns", e.Why, e.End)
	}
	c = play(t, p, Plan{
		{Kind: Discharge, Load: Load{Current: 6}, Ends: Ends{Charge: 5 * 3600, Floor: 9}},
		{Kind: Charge, Load: Load{Current: 6}, Voltage: 14.9, Ends: Ends{Time: 9 * hour, Current: 0.1}},
		{Kind: Discharge, Load: Load{Current: 6}, Ends: Ends{Time: 60 * second, Floor: 9}},
	}, Options{Defects: []Defect{{String: 1, Cell: 4, Charge: -0.1}}})
	e := c.Ended()
	// Cell 4 is behind, so that another is full first.
	if e[1].Why != ByProtection || e[1].Cell == 0 || e[1].Cell == 4 {
		t.Errorf("the charge ended by %s on cell %d at %g V", e[1].Why, e[1].Cell, e[1].EndV)
	}
	if e[2].Why != ByTime || e[2].Throughput < 300 {
		t.Errorf("the board did not let the discharge through: %+v", e[2])
	}
}

func TestWeakCellReversesWithoutABoard(t *testing.T) {
	p := bare(t, "nimh-7v2-3ah", 6, 1)
	c := play(t, p, Plan{{Kind: Discharge, Load: Load{Current: 1}, Ends: Ends{Floor: 5}}}, Options{Defects: []Defect{{Cell: 5, Capacity: 0.7}}})
	e := c.Ended()[0]
	if e.LowestCell >= 0 || e.Cell != 5 {
		t.Errorf("lowest cell %d at %g V", e.Cell, e.LowestCell)
	}
	if e.LowestCell < p.Cell.Reversal-0.2 {
		t.Errorf("a reversed cell at %g V", e.LowestCell)
	}
}

func TestShortedCellRunsDown(t *testing.T) {
	p := bare(t, "agm-12v-7ah", 6, 1)
	c := play(t, p, Plan{{Kind: Rest, Ends: Ends{Time: 30 * hour}}}, Options{Defects: []Defect{{Cell: 2, Short: 10}}})
	cells := c.Cells()
	lost := cells[0].StateOfCharge - cells[1].StateOfCharge
	near(t, "charge lost through 10 ohm", lost*p.Cell.Capacity, 2.1/10*30*3600, 600)
}

func TestSpreadIsTheSeeds(t *testing.T) {
	p := mustPack(t, "lfp-48v-50ah")
	run := func(seed uint64) StepEnd {
		return play(t, p, Plan{{Kind: Discharge, Load: Load{Current: 20}, Ends: Ends{Voltage: 37.5}}}, Options{Seed: seed}).Ended()[0]
	}
	if run(3) != run(3) {
		t.Error("the same seed gave two results")
	}
	if run(3) == run(4) {
		t.Error("two seeds gave the same result")
	}
	// A spread that leaves no usable cell.
	wild := *p
	wild.Spread, wild.Board = Spread{Capacity: 0.3, Charge: 0.3}, Board{Low: 2.9}
	refused := 0
	for seed := range uint64(20) {
		if _, err := NewCourse(&wild, nil, Options{Seed: seed}); err != nil {
			refused++
		}
	}
	if refused == 0 {
		t.Error("every wild spread was accepted")
	}
	if _, err := NewCourse(p, nil, Options{Defects: []Defect{{Cell: 99}}}); err == nil {
		t.Error("a defect in a cell that is not there was accepted")
	}
}

func BenchmarkFortyEightCells(b *testing.B) {
	p := bare(b, "lfp-48v-50ah", 48, 1)
	p.Spread = Spread{0.01, 0.005, 0.05}
	var c *Course
	b.ReportAllocs()
	for b.Loop() {
		if c == nil || c.Done() {
			b.StopTimer()
			c, _ = NewCourse(p, Plan{{Kind: Discharge, Load: Load{Current: 10}, Ends: Ends{Voltage: p.Rated.End}}}, Options{Isothermal: true})
			b.StartTimer()
		}
		s := c.Next(c.Now() + second)
		s.Voltage(s.T1)
	}
}

// BenchmarkCells discharges strings of more and more unequal cells: the time must grow no faster than their number.
func BenchmarkCells(b *testing.B) {
	for _, cells := range []int{6, 12, 24, 48, 96} {
		b.Run(strconv.Itoa(cells), func(b *testing.B) {
			p := bare(b, "lfp-48v-50ah", cells, 1)
			p.Spread = Spread{0.01, 0.005, 0.05}
			plan := Plan{{Kind: Discharge, Load: Load{Current: 10}, Ends: Ends{Time: 3600 * second}}}
			for b.Loop() {
				c, err := NewCourse(p, plan, Options{})
				if err != nil {
					b.Fatal(err)
				}
				for !c.Done() {
					c.Next(c.Now() + second)
				}
			}
		})
	}
}
