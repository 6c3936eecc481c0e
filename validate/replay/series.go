// Package replay computes what a logger would have written: it integrates the readings of a run by a stated rule, in a
// stated timebase, with or without a stated mistake.
//
// A [Series] is what the logger could know (the counts and ticks that it was sent, in engineering units) beside what
// really happened. A [Meter] is one way of integrating it: the zero value is a healthy meter (trapezoid over the unwrapped
// tick), each other field is one habit or one mistake. [Series.Run] replays a meter over the readings and returns its
// totals at the rows. The judge compares a log with healthy meters (JUDGING.md, "its readings"); package cause compares it
// with mistaken ones.
//
// Units: s, A, V, A·s, W·s. Current into the battery is positive.
package replay

import (
	"math"
	"slices"

	"stuntcell/emulator"
	"stuntcell/emulator/link"
)

// Series is the readings of one run in engineering units. All slices have one length.
type Series struct {
	I, V       []float64 // from the counts [A], [V]; NaN where the reading failed
	W, U       []float64 // true window means of current and voltage [A], [V]
	Dt         []float64 // true time since the reading before [s]; 0 at the first and after a power cut
	TickDt     []float64 // the same by the counter, unwrapped [s]
	ClockDt    []float64 // the same by the clock's rate [s]
	Tick       []int64   // unwrapped counter, start value included
	Face       []int64   // clock's face, link.NoClock if there is none
	Step       []int16
	Life       []int16
	Flags      []emulator.Flag
	Charge     []float64 // truth since the first reading [A·s]
	Energy     []float64 // [W·s]
	Throughput []float64 // [A·s]
	Setting    []bool    // a setting changed between the reading before and this one
	Amp, Volt  float64   // one count [A], [V]
	ShuntMax   int64     // last counts
	BusMax     int64
	Period     float64 // nominal time between readings [s]
	Hz         float64 // nominal rate of the counter
	Bits       int64   // width of the counter
	Zone       int64   // the user's zone [s east of UTC]
	// RowAt marks the readings of rows, where totals are asked for at other readings too; nil: they are the rows.
	RowAt     []bool
	HasClock  bool
	HasFailed bool
	Lone      map[int]Lone // readings of which only one half came: I and V have neither
	Uneven    bool         // the readings do not come at the nominal period
	FirstTick float64      // counter at the first reading, unwrapped, as it was sent [s]
}

// Lone is a reading of which only one half came, the other is NaN.
type Lone struct{ I, V float64 }

// neither is what came of a failed reading.
var neither = Lone{math.NaN(), math.NaN()}

// Or is a reading whose failed halves are replaced.
func (h Lone) Or(i, v float64) (float64, float64) {
	if !math.IsNaN(h.I) {
		i = h.I
	}
	if !math.IsNaN(h.V) {
		v = h.V
	}
	return i, v
}

// byShunt is the series as a meter of charge sees it that asks nothing of the bus: good where the shunt is.
func (s *Series) byShunt() *Series {
	t := *s
	t.I = slices.Clone(s.I)
	for k, half := range s.Lone {
		t.I[k] = half.I
	}
	return &t
}

// Half is what came of a failed reading.
func (s *Series) Half(k int) Lone {
	if half, ok := s.Lone[k]; ok {
		return half
	}
	return neither
}

// NewSeries converts a record's readings.
func NewSeries(rec *emulator.Record) *Series {
	r, g := &rec.Readings, &rec.Greeting
	n := len(r.T)
	s := &Series{
		I: make([]float64, n), V: make([]float64, n), W: r.MeanI, U: r.MeanV,
		Dt: make([]float64, n), TickDt: make([]float64, n), ClockDt: make([]float64, n),
		Tick: r.Tick, Face: r.Clock, Step: r.Step, Life: r.Life, Flags: r.Flags,
		Charge: r.Charge, Energy: r.Energy, Throughput: r.Throughput,
		Setting:  make([]bool, n),
		Amp:      float64(g.ShuntStepNV) / float64(g.ShuntNohm),
		Volt:     float64(g.BusStepUV) * 1e-6,
		ShuntMax: g.ShuntMax, BusMax: g.BusMax,
		Period: float64(g.ReadMS) / 1000,
		Hz:     float64(g.TickHz),
		Bits:   g.TickBits,
		Zone:   g.ZoneMin * 60,
	}
	for k := range n {
		if shunt, bus := r.Shunt[k] != link.Failed, r.Bus[k] != link.Failed; !shunt || !bus {
			s.I[k], s.V[k] = math.NaN(), math.NaN()
			s.HasFailed = true
			if shunt || bus {
				if s.Lone == nil {
					s.Lone = map[int]Lone{}
				}
				half := neither
				if shunt {
					half.I = float64(r.Shunt[k]) * s.Amp
				} else {
					half.V = float64(r.Bus[k]) * s.Volt
				}
				s.Lone[k] = half
			}
		} else {
			s.I[k], s.V[k] = float64(r.Shunt[k])*s.Amp, float64(r.Bus[k])*s.Volt
		}
		if r.Clock[k] != link.NoClock {
			s.HasClock = true
		}
		if k == 0 || r.Life[k] != r.Life[k-1] {
			continue
		}
		s.Dt[k] = float64(r.T[k]-r.T[k-1]) * 1e-9
		s.TickDt[k] = float64(r.Tick[k]-r.Tick[k-1]) / s.Hz
		s.ClockDt[k] = r.ClockRate[k] - r.ClockRate[k-1]
		if math.Abs(s.Dt[k]-s.Period) > 0.02*s.Period {
			s.Uneven = true
		}
	}
	if n > 0 {
		s.FirstTick = float64(r.Tick[0]&(1<<uint(g.TickBits)-1)) / s.Hz
	}
	for _, e := range rec.Events {
		if e.Kind == emulator.Setting && e.Reading < n {
			s.Setting[e.Reading] = true
		}
	}
	return s
}

// Mask holds the bits of the counter: of an unwrapped tick they are what it showed.
func (s *Series) Mask() int64 {
	if s.Bits < 63 {
		return 1<<uint(s.Bits) - 1
	}
	return math.MaxInt64
}

// Len is the number of readings.
func (s *Series) Len() int { return len(s.I) }

// Outruns says that the time between two good readings is longer than the counter's range somewhere.
func (s *Series) Outruns() bool {
	if s.Bits >= 63 {
		return false
	}
	whole := math.Ldexp(1, int(s.Bits)) / s.Hz
	t := 0.0
	for k := range s.TickDt {
		if t += s.TickDt[k]; t >= whole {
			return true
		}
		if s.Good(k) {
			t = 0
		}
	}
	return false
}

// Good says that reading k did not fail.
func (s *Series) Good(k int) bool { return !math.IsNaN(s.I[k]) }
