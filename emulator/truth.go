package emulator

import (
	"math"

	"stuntcell/emulator/rig"
	"stuntcell/model"
)

// truth plays the course and keeps its integrals, and the waveform of the newest window.
type truth struct {
	course *model.Course
	window int64 // length of a reading's window [ns]
	spans  []model.Span
	sums   model.Integrator
	// Integrals since the plan began [A·s], [W·s], [A·s].
	charge, energy, throughput float64
}

// play advances the course at most to until and returns the span that was played; it is empty when the course is done.
func (tr *truth) play(until int64) model.Span {
	s := tr.course.Next(until)
	if s.T1 <= s.T0 {
		return s
	}
	tr.charge += s.MeanCurrent(s.T0, s.T1) * float64(s.T1-s.T0) * 1e-9
	tr.energy += tr.sums.Energy(&s, s.T0, s.T1)
	tr.throughput += s.Throughput(s.T0, s.T1)
	// Spans that ended before the window are of no use any more.
	from := s.T1 - tr.window
	keep := 0
	for keep < len(tr.spans) && tr.spans[keep].T1 <= from {
		keep++
	}
	tr.spans = append(tr.spans[:0], tr.spans[keep:]...)
	tr.spans = append(tr.spans, s)
	return s
}

// seen is the truth of one reading's window.
type seen struct {
	amps, volts float64 // means over the window
	smooth      bool    // nothing switches or ripples in it
}

// look returns the truth of the window that ends now, which is the end of the last span played.
func (tr *truth) look(ripple bool) seen {
	last := &tr.spans[len(tr.spans)-1]
	from := max(last.T1-tr.window, tr.spans[0].T0)
	if from >= last.T1 {
		return seen{last.Current(last.T1), last.Voltage(last.T1), true}
	}
	var out seen
	out.smooth = !ripple
	for i := range tr.spans {
		s := &tr.spans[i]
		a, b := max(s.T0, from), s.T1
		if b <= a {
			continue
		}
		share := float64(b-a) / float64(last.T1-from)
		out.amps += s.MeanCurrent(a, b) * share
		out.volts += tr.sums.MeanVoltage(s, a, b) * share
		if i > 0 && a == s.T0 && a > from && edge(&tr.spans[i-1], s) {
			out.smooth = false
		}
	}
	return out
}

// edge says that the current jumps between two neighbouring spans; the model also ends spans where it only renews its solution.
func edge(a, b *model.Span) bool {
	before, after := a.Current(a.T1), b.Current(b.T0)
	return math.Abs(before-after) > 1e-6*(math.Abs(before)+math.Abs(after))+1e-9
}

// Current implements [rig.Waveform]; an instant on an edge belongs to what was before.
func (tr *truth) Current(t int64) float64 { return tr.at(t).Current(t) }

// Voltage implements [rig.Waveform].
func (tr *truth) Voltage(t int64) float64 { return tr.at(t).Voltage(t) }

func (tr *truth) at(t int64) *model.Span {
	for i := len(tr.spans) - 1; i > 0; i-- {
		if t > tr.spans[i].T0 {
			return &tr.spans[i]
		}
	}
	return &tr.spans[0]
}

var _ rig.Waveform = (*truth)(nil)
