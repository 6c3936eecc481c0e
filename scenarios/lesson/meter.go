package lesson

import (
	"stuntcell/emulator"
	"stuntcell/emulator/link"
)

// meter makes figures of the readings of a run.
type meter struct {
	name, run string
	rule      rule
	timing    timing
	single    bool // sums Ah and Wh in single precision
	every     int  // looks at every n-th reading only
	step      int  // of this executed step only, from 1; 0: of all
	zero      int  // takes the mean current of this executed step off every reading; 0: does not
}

type rule string

const (
	trapezoid rule = "trapezoid"
	left      rule = "left"
	right     rule = "right"
)

type timing string

const (
	counter     timing = "counter"      // modulo the counter's range, as it should be
	counterWide timing = "counter-wide" // difference of two wrapped counts in a wider signed type: wrong at the wrap
	clock       timing = "clock"        // whole seconds of the clock's face
	nominal     timing = "nominal"      // the nominal step, whatever has passed
)

var (
	rules   = []string{string(trapezoid), string(left), string(right)}
	timings = []string{string(counter), string(counterWide), string(clock), string(nominal)}
)

// tally is what a meter has after each of its readings. All slices have one length.
type tally struct {
	rec            *emulator.Record
	offset         float64   // taken off each current [A]
	at             []int32   // which reading of the record
	charge, energy []float64 // the meter's sums since its first reading [A·s], [W·s]
	time           []float64 // ... and its time [s]
}

// of returns what the meter makes of a record; empty if the record has no good reading for it.
func (m *meter) of(rec *emulator.Record) *tally {
	rd := &rec.Readings
	first, last := m.bounds(rec)
	room := max(0, last-first)/m.every + 1
	out := &tally{rec: rec, offset: m.offset(rec), at: make([]int32, 0, room), charge: make([]float64, 0, room), energy: make([]float64, 0, room), time: make([]float64, 0, room)}
	var charge, energy, seconds float64 // [A·s], [W·s], [s]
	var charge32, energy32 float32      // [Ah], [Wh]
	var i0, v0 float64
	for k := first; k <= last; k += m.every {
		if rd.Shunt[k] == link.Failed || rd.Bus[k] == link.Failed {
			continue
		}
		n := len(out.at)
		i, v := out.reading(k)
		if n > 0 {
			dt := m.elapsed(rec, int(out.at[n-1]), k)
			mean, power := m.rule.means(i0, i, v0, v)
			seconds += dt
			charge += mean * dt
			energy += power * dt
			charge32 += float32(mean * dt / 3600)
			energy32 += float32(power * dt / 3600)
		}
		i0, v0 = i, v
		if m.single {
			charge, energy = float64(charge32)*3600, float64(energy32)*3600
		}
		out.at = append(out.at, int32(k))
		out.charge, out.energy, out.time = append(out.charge, charge), append(out.energy, energy), append(out.time, seconds)
	}
	return out
}

// reading is what the meter takes reading k of the record for [A], [V].
func (t *tally) reading(k int) (i, v float64) {
	return amps(&t.rec.Greeting, t.rec.Readings.Shunt[k]) - t.offset, volts(&t.rec.Greeting, t.rec.Readings.Bus[k])
}

// true is what really happened from the meter's first reading to its n-th [A·s], [W·s], [s].
func (t *tally) true(n int) (charge, energy, seconds float64) {
	rd, from, to := &t.rec.Readings, t.at[0], t.at[n]
	return rd.Charge[to] - rd.Charge[from], rd.Energy[to] - rd.Energy[from], float64(rd.T[to]-rd.T[from]) * 1e-9
}

// bounds are the first and the last reading that the meter may use.
func (m *meter) bounds(rec *emulator.Record) (first, last int) {
	if m.step == 0 {
		return 0, len(rec.Readings.T) - 1
	}
	if m.step > len(rec.Steps) {
		return 0, -1
	}
	s := &rec.Steps[m.step-1]
	return s.First, s.Last
}

// offset is what the meter takes for its zero [A].
func (m *meter) offset(rec *emulator.Record) float64 {
	if m.zero == 0 || m.zero > len(rec.Steps) {
		return 0
	}
	s, sum, n := &rec.Steps[m.zero-1], 0.0, 0
	for k := s.First; k <= s.Last; k++ {
		if c := rec.Readings.Shunt[k]; c != link.Failed {
			sum += amps(&rec.Greeting, c)
			n++
		}
	}
	return sum / float64(max(n, 1))
}

// elapsed is the time that the meter takes to have passed between two readings [s].
func (m *meter) elapsed(rec *emulator.Record, from, to int) float64 {
	rd, g := &rec.Readings, &rec.Greeting
	switch m.timing {
	case clock:
		return float64(rd.Clock[to] - rd.Clock[from])
	case nominal:
		return float64(g.ReadMS) * 1e-3 * float64(m.every)
	}
	ticks := rd.Tick[to] - rd.Tick[from]
	if g.TickBits < 63 {
		size := int64(1) << g.TickBits
		if m.timing == counterWide {
			ticks = wrapped(rd.Tick[to], size) - wrapped(rd.Tick[from], size)
		} else {
			ticks = wrapped(ticks, size)
		}
	}
	return float64(ticks) / float64(g.TickHz)
}

// wrapped is what a counter of so many counts shows.
func wrapped(count, size int64) int64 { return (count%size + size) % size }

// means are mean current and mean power of a step between two readings, as the rule has it.
func (r rule) means(i0, i1, v0, v1 float64) (amps, power float64) {
	switch r {
	case left:
		return i0, i0 * v0
	case right:
		return i1, i1 * v1
	}
	return (i0 + i1) / 2, (i0*v0 + i1*v1) / 2
}

func amps(g *link.Greeting, counts int32) float64 {
	return float64(counts) * float64(g.ShuntStepNV) / float64(g.ShuntNohm)
}

func volts(g *link.Greeting, counts int32) float64 {
	return float64(counts) * float64(g.BusStepUV) * 1e-6
}
