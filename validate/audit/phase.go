package audit

import (
	"fmt"
	"math"

	"stuntcell/validate/budget"
)

// Kind says what a phase is.
type Kind string

// The kinds of phase.
const (
	Rest      Kind = "rest"
	Charge    Kind = "charge"
	Discharge Kind = "discharge"
)

// Phase is a stretch of the log in which the current kept its direction. Charge and energy are magnitudes.
type Phase struct {
	Kind     Kind    `json:"kind"`
	First    int     `json:"first_line"`
	Last     int     `json:"last_line"`
	Begin    float64 `json:"begin_s"`
	End      float64 `json:"end_s"`
	Rows     int     `json:"rows"`
	Charge   float64 `json:"charge_As"`
	Energy   float64 `json:"energy_Ws"`
	Bound    float64 `json:"bound_As"`    // of the integration's error
	Sampling float64 `json:"sampling_As"` // its standard uncertainty
	Current  float64 `json:"current_A"`   // mean magnitude
	Most     float64 `json:"most_A"`
	EndI     float64 `json:"end_A"`
	// The voltages are not known where the log has none.
	VStart   budget.Maybe `json:"start_V"`
	VEnd     budget.Maybe `json:"end_V"`
	VLow     budget.Maybe `json:"low_V"`
	VHigh    budget.Maybe `json:"high_V"`
	Slope    float64      `json:"end_slope_V_per_s"`
	TempLow  float64      `json:"low_K,omitempty"`
	TempHigh float64      `json:"high_K,omitempty"`
	// Pulses counts the short breaks that were taken into the phase.
	Pulses int `json:"pulses,omitempty"`
	// Ended says how it ended, Intended that this was the end that was meant: only then is its charge a capacity.
	Ended    string `json:"ended"`
	Intended bool   `json:"intended"`

	vStart, vEnd, vLow, vHigh float64

	sign      int8
	q, e      integrals
	bound, uq float64
	flowing   float64 // time with current [s]
	temp      bool
	label     string
	drop      float64 // of the voltage over the last two rows [V]
	below     belowWatch
	opened    bool // something between pack and rig did
}

// kindOf returns the printed direction of a current: 0 inside the band.
func (a *Auditor) kindOf(i float64) int8 {
	switch b := a.band(); {
	case i > b:
		return 1
	case i < -b:
		return -1
	}
	return 0
}

const mostPhases = 20_000

// open begins a phase at a row.
func (a *Auditor) open(kind int8, r *row) {
	p := Phase{sign: kind, First: r.line, Last: r.line, Begin: a.time.t, End: a.time.t, vStart: r.v, vEnd: r.v, vLow: r.v, vHigh: r.v, label: r.phase,
		TempLow: math.Inf(1), TempHigh: math.Inf(-1)}
	a.phases = append(a.phases, p)
	a.extend(&a.phases[len(a.phases)-1], r)
	a.tail = tail{}
}

// extend takes a row into a phase.
func (a *Auditor) extend(p *Phase, r *row) {
	p.Rows++
	p.Last, p.End = r.line, a.time.t
	p.Most = max(p.Most, math.Abs(r.i))
	p.EndI = math.Abs(r.i)
	if !math.IsNaN(r.v) {
		if math.IsNaN(p.vStart) {
			p.vStart, p.vLow, p.vHigh = r.v, r.v, r.v
		}
		p.vEnd = r.v
		p.vLow, p.vHigh = min(p.vLow, r.v), max(p.vHigh, r.v)
	}
	if !math.IsNaN(r.temp) {
		p.temp = true
		p.TempLow, p.TempHigh = min(p.TempLow, r.temp), max(p.TempHigh, r.temp)
	}
}

// phase adds a row, and what passed before it, to the phase it belongs to. It reports whether a new one began.
func (a *Auditor) phase(kind int8, r *row, dt float64, dq, de integrals, bound, uq float64) bool {
	now := &a.phases[len(a.phases)-1]
	began := kind != now.sign || r.phase != now.label && kind == now.sign && r.phase != "" && len(a.phases) < mostPhases/2
	to := now
	if began {
		now.Slope, now.drop = a.tail.slope(a.vs), a.tail.drop()
		if a.join(kind, r) {
			began = false
			now = &a.phases[len(a.phases)-1]
			to = now
		} else {
			a.open(kind, r)
			now, to = &a.phases[len(a.phases)-2], &a.phases[len(a.phases)-1]
			if to.sign == 0 {
				to = now
			}
		}
	}
	// At a boundary what passed between the two rows belongs to the side with current.
	to.q.add(dq)
	to.e.add(de)
	to.bound += bound
	to.uq += uq
	if to.sign != 0 {
		to.flowing += dt
	}
	if !began {
		a.extend(now, r)
	}
	return began
}

// join closes short breaks: if the phase that ends was short and the one before it is of the new kind, both and the new row are one. It also
// keeps the list bounded.
func (a *Auditor) join(kind int8, r *row) bool {
	n := len(a.phases)
	if n < 2 {
		return false
	}
	last, before := &a.phases[n-1], &a.phases[n-2]
	short := last.Rows <= 4 && last.End-last.Begin <= 120 || n >= mostPhases
	if !short || before.sign != kind || last.sign != 0 && before.sign != 0 && last.sign != before.sign && last.Rows > 2 {
		return false
	}
	before.Pulses++
	before.Rows += last.Rows
	before.q.add(last.q)
	before.e.add(last.e)
	before.bound += last.bound
	before.uq += last.uq
	before.vLow, before.vHigh = min(before.vLow, last.vLow), max(before.vHigh, last.vHigh)
	before.Most = max(before.Most, last.Most)
	before.flowing += last.flowing
	before.below.add(last.below)
	a.phases = a.phases[:n-1]
	a.tail = tail{}
	return true
}

// kind names the phase when sign is +1 if printed positive is charge.
func (p *Phase) kind(orientation int8) Kind {
	switch p.sign * orientation {
	case 1:
		return Charge
	case -1:
		return Discharge
	}
	return Rest
}

// orientation is +1 if a printed positive current is charge, -1 if discharge.
func (a *Auditor) orientation() int8 {
	if a.direction != 0 {
		return a.direction
	}
	if a.evidence < 0 {
		return -1
	}
	return 1
}

// settlePhases gives the phases their names, figures and ends. what is small beside the rest of the log becomes rest and joins its neighbours.
func (a *Auditor) settlePhases() []Phase {
	var out []Phase
	for _, p := range a.phases {
		if p.sign != 0 && p.Most < 0.02*a.imax {
			p.sign = 0
		}
		if n := len(out); n > 0 && p.sign == 0 && out[n-1].sign == 0 && p.label == out[n-1].label {
			b := &out[n-1]
			b.Rows += p.Rows
			b.Last, b.End, b.vEnd = p.Last, p.End, p.vEnd
			b.vLow, b.vHigh = min(b.vLow, p.vLow), max(b.vHigh, p.vHigh)
			b.q.add(p.q)
			b.e.add(p.e)
			b.bound += p.bound
			b.uq += p.uq
			b.TempLow, b.TempHigh, b.temp = min(b.TempLow, p.TempLow), max(b.TempHigh, p.TempHigh), b.temp || p.temp
			b.Most = max(b.Most, p.Most)
			continue
		}
		out = append(out, p)
	}
	way := a.orientation()
	unsigned := a.direction == 0 && !(a.signs[0] && a.signs[1])
	for i := range out {
		p := &out[i]
		side := way
		if unsigned && p.sign != 0 {
			// Only one sign is printed: the voltage of each phase tells its direction.
			if d := p.vEnd - p.vStart; math.Abs(d) > 5*a.vs {
				side = 1
				if d*float64(p.sign) < 0 {
					side = -1
				}
			}
		}
		p.Kind = p.kind(side)
		p.Charge, p.Energy = math.Abs(p.q.net()), math.Abs(p.e.net())
		p.Bound, p.Sampling = p.bound, math.Sqrt(p.uq)
		if p.flowing > 0 {
			p.Current = p.Charge / p.flowing
		}
		if !p.temp {
			p.TempLow, p.TempHigh = 0, 0
		}
	}
	for i := range out {
		a.howEnded(out, i)
		p := &out[i]
		p.VStart, p.VEnd, p.VLow, p.VHigh = budget.Maybe(p.vStart), budget.Maybe(p.vEnd), budget.Maybe(p.vLow), budget.Maybe(p.vHigh)
	}
	return out
}

// howEnded says how phase i ended, from what follows.
func (a *Auditor) howEnded(all []Phase, i int) {
	p := &all[i]
	last := i == len(all)-1
	if last && p.Slope == 0 {
		p.Slope = a.tail.slope(a.vs)
	}
	next := Kind("")
	if !last {
		next = all[i+1].Kind
	}
	switch p.Kind {
	case Rest:
		if last {
			p.Ended = "the log ends"
		} else {
			p.Ended = string(next) + " began"
		}
	case Discharge:
		mean := math.Abs(p.vEnd-p.vStart) / max(p.End-p.Begin, 1e-9)
		tol := max(2*a.vs, 0.005*a.o.Cutoff)
		switch {
		case next == Rest && all[i+1].vHigh < p.vEnd/2:
			// No load does that. Whether it was the pack's own end or a fault is not told.
			p.Ended, p.opened = fmt.Sprintf("current and voltage gone at %.3f V: a protection board, a fuse or a wire opened", p.vEnd), true
		case a.o.Cutoff > 0 && !last && p.vLow > a.o.Cutoff+tol && p.vLow-1.5*p.drop <= a.o.Cutoff+tol:
			p.Ended, p.Intended = fmt.Sprintf("load off between two rows, on the way from %.3f V to the level of %.3f V", p.vEnd, a.o.Cutoff), true
		case a.o.Cutoff > 0 && p.vLow <= a.o.Cutoff+tol:
			p.Ended, p.Intended = fmt.Sprintf("at %.3f V, the level of %.3f V", p.vEnd, a.o.Cutoff), true
			if last {
				p.Ended += "; the log ends there"
			}
		case last:
			p.Ended = fmt.Sprintf("the log ends under load at %.3f V", p.vEnd)
			if a.o.Cutoff == 0 && p.Slope < 0 && math.Abs(p.Slope) > 2*mean && p.Rows > 20 {
				p.Ended += ", with the voltage falling fast"
			}
		case a.o.Cutoff > 0:
			p.Ended = fmt.Sprintf("load off at %.3f V, before the level of %.3f V", p.vEnd, a.o.Cutoff)
		case next == Charge:
			p.Ended = fmt.Sprintf("turned to charge at %.3f V", p.vEnd)
		case math.Abs(p.Slope) > 2*mean && p.Slope < 0 && p.Rows > 20:
			p.Ended, p.Intended = fmt.Sprintf("load off at %.3f V, where the voltage fell fast (level not told)", p.vEnd), true
		default:
			p.Ended = fmt.Sprintf("load off at %.3f V, before the voltage fell fast (level not told)", p.vEnd)
		}
	case Charge:
		held := p.vHigh-p.vEnd <= max(3*a.vs, 0.003*p.vHigh)
		switch {
		case a.o.Taper > 0 && p.EndI <= a.o.Taper*1.05 && held:
			p.Ended, p.Intended = fmt.Sprintf("taper to %.3g A at %.3f V", p.EndI, p.vEnd), true
		case last:
			p.Ended = fmt.Sprintf("the log ends at %.3g A, %.3f V", p.EndI, p.vEnd)
		case a.o.Taper == 0 && p.EndI < 0.2*p.Most && held:
			p.Ended, p.Intended = fmt.Sprintf("taper to %.3g A (%.0f %% of its most) at %.3f V (level not told)", p.EndI, 100*p.EndI/p.Most, p.vEnd), true
		case a.o.Taper == 0 && p.EndI > 0.9*p.Most && p.Slope < 0 && p.vHigh-p.vEnd > max(3*a.vs, 0.002*p.vHigh) && p.vHigh-p.vEnd < 0.03*p.vHigh:
			// Nickel cells are charged so: 5 to 10 mV a cell from the peak (common practice).
			p.Ended, p.Intended = fmt.Sprintf("charger off at %.3g A, after the voltage had fallen by %.3g mV from its peak", p.EndI, 1000*(p.vHigh-p.vEnd)), true
		default:
			p.Ended = fmt.Sprintf("charger off at %.3g A, %.3f V", p.EndI, p.vEnd)
		}
	}
}
