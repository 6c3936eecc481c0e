package audit

import (
	"math"
)

// move says how time went on from the row before.
type move uint8

const (
	onward  move = iota
	again        // the same instant
	back         // before the row before: out of order
	wrapped      // onward, over the end of the counter
	restart      // the counter or the elapsed time began again
	setBack      // the clock was set back and nothing else tells the time
)

// timebase makes seconds since the first row out of the columns that tell time.
type timebase struct {
	kind string // tick, elapsed, clock
	hz   float64
	// typical is the usual time between rows [s], from the first rows.
	typical float64
	bits    int // of a counter that wrapped
	wraps   int

	begun       bool
	raw         float64 // last value of the column in use
	counts      int64   // ticks since the first row
	shift       float64 // added to elapsed or clock [s]
	clock       float64 // last clock, to bridge restarts
	t           float64 // [s] since the first row
	given       float64 // to rows without a time since the last one that had one [s]
	pendingBack int
	start       float64 // value with which the present life began
}

// counterBits are the widths that counters have.
var counterBits = [...]int{8, 16, 24, 31, 32}

// value picks the column in use.
func (b *timebase) value(r *row) float64 {
	switch b.kind {
	case "tick":
		return r.tick
	case "elapsed":
		return r.elapsed
	}
	return r.clock
}

// seconds turns a difference of values into seconds.
func (b *timebase) seconds(d float64) float64 {
	if b.kind == "tick" {
		return d / b.hz
	}
	return d
}

// take moves on to the row and says how. On again and back, time stays.
func (b *timebase) take(r *row) (dt float64, m move) {
	if dt, m = b.move(r); m != back && m != again && !math.IsNaN(r.clock) {
		b.clock = r.clock
	}
	return dt, m
}

// move does what take does, but for remembering the clock.
func (b *timebase) move(r *row) (dt float64, m move) {
	x := b.value(r)
	if math.IsNaN(x) {
		if b.kind == "clock" && b.begun && b.typical > 0 {
			// No time, or a date that does not exist: a row all the same, the usual interval after the one before.
			b.t += b.typical
			b.given += b.typical
			return b.typical, onward
		}
		return 0, again
	}
	if !b.begun {
		b.begun, b.raw, b.start = true, x, x
		if b.kind != "tick" {
			b.shift = -x
		}
		b.clock = math.NaN()
		return 0, onward
	}
	unit := 1.0
	if b.kind == "tick" {
		unit = 1 / b.hz
	}
	d := (x - b.raw) * unit
	if b.given > 0 {
		// Rows without a time took their share of what passed, or more.
		b.raw, b.given, d = b.raw+b.given, 0, d-b.given
		if d < 0 && -d < 50*b.typical {
			b.rebase(x, 0)
			return 0, onward
		}
	}
	switch {
	case d > 0:
		b.pendingBack = 0
		b.step(x, d)
		return d, onward
	case d == 0:
		return 0, again
	}
	if b.kind == "tick" {
		if w, bits := b.wrap(x); w > 0 {
			b.bits = bits
			b.wraps++
			b.counts += int64(w)
			b.raw = x
			dt = w / b.hz
			b.t = float64(b.counts) / b.hz
			return dt, wrapped
		}
	}
	if b.kind == "clock" && r.noDate && d < -43200 {
		b.shift += 86400
		d += 86400
		b.step(x, d)
		return d, onward
	}
	if b.kind == "clock" && -d > 50*b.typical && -d > 600 {
		// Too far back for a row out of order: the clock was set.
		b.rebase(x, b.typical)
		return b.typical, setBack
	}
	// A row out of order is followed by one in order; a restart is not. The clock goes on over it, and a header may be written again.
	near := 20*max(b.typical, 1) >= x*unit
	// So has the beginning been written already, if the time is there again.
	began := r.headed || r.clock > b.clock || math.Abs(x-b.start)*unit < b.typical/2 && -d > 1.5*b.typical
	if b.kind != "clock" && near && (began || b.raw*unit > 5*max(b.typical, 1e-3)) {
		dt = 0
		if !math.IsNaN(r.clock) && !math.IsNaN(b.clock) && r.clock > b.clock && b.kind != "clock" {
			dt = r.clock - b.clock
		}
		b.rebase(x, dt)
		b.start = x
		return dt, restart
	}
	if b.pendingBack++; b.pendingBack >= 3 {
		// Three rows in a row lie behind: time itself was set back.
		b.pendingBack = 0
		b.rebase(x, b.typical)
		return b.typical, setBack
	}
	return 0, back
}

// step moves to x, d seconds on.
func (b *timebase) step(x, d float64) {
	if b.kind == "tick" {
		b.counts += int64(x - b.raw)
		b.raw = x
		b.t = float64(b.counts) / b.hz
		return
	}
	b.raw = x
	b.t = x + b.shift
}

// rebase goes on at x, dt after the last row.
func (b *timebase) rebase(x, dt float64) {
	if b.kind == "tick" {
		b.counts += int64(math.Round(dt * b.hz))
		b.raw = x
		b.t = float64(b.counts) / b.hz
		return
	}
	b.t += dt
	b.shift = b.t - x
	b.raw = x
}

// undo takes a leap of the clock out again: only the usual interval has passed.
func (b *timebase) undo(dt float64) {
	b.shift -= dt - b.typical
	b.t -= dt - b.typical
}

// wrap returns the counts that passed if the counter wrapped between the last row and x, 0 if it did not.
func (b *timebase) wrap(x float64) (counts float64, bits int) {
	most := 50 * max(b.typical*b.hz, 1)
	for _, bits := range counterBits {
		if b.bits != 0 && bits != b.bits {
			continue
		}
		size := math.Ldexp(1, bits)
		if b.raw >= size || x >= size {
			continue
		}
		if bits == 31 && b.raw < 0 {
			continue
		}
		if c := x + size - b.raw; c > 0 && c <= most && c < size/2 {
			return c, bits
		}
	}
	// Printed signed: from 2147483647 to -2147483648.
	if x < 0 && b.raw > 0 {
		for _, bits := range [...]int{16, 32} {
			if c := x + math.Ldexp(1, bits) - b.raw; c > 0 && c <= most {
				return c, bits
			}
		}
	}
	return 0, 0
}

// clocks compares the clock with the time in use, by least squares of their difference over time.
type clocks struct {
	n                float64
	t0, first        float64
	st, sd, stt, std float64
	step             float64 // printed unit of the clock [s]
	last             float64 // last difference
	lastT            float64
	low, high        float64
	sets             int
	setLine          int
	atMidnight       bool // it was set to the first row of a day
	setBy            float64
}

// firstOfDay says that a clock is past midnight by less than the row before lies back.
func firstOfDay(c, dt float64) bool { return math.Mod(c, 86400) < dt+1 }

// take adds a row at t with clock c.
func (k *clocks) take(t, c, step float64, line int) {
	if k.n == 0 {
		k.t0, k.first = t, c-t
		k.low, k.high = math.Inf(1), math.Inf(-1)
	}
	d := c - t - k.first
	if k.n > 0 && math.Abs(d-k.last) > 2.5*max(step, 1) {
		// It was set: begin again with what follows, unless more came before.
		k.sets++
		k.setLine, k.setBy, k.atMidnight = line, d-k.last, firstOfDay(c, t-k.lastT)
		if t-k.lastT < 0 {
			return
		}
		k.first += d - k.last
		d = k.last
	}
	x := t - k.t0
	k.n++
	k.st += x
	k.sd += d
	k.stt += x * x
	k.std += x * d
	k.step = max(k.step, step)
	k.last, k.lastT = d, t
	k.low, k.high = min(k.low, d), max(k.high, d)
}

// rate returns the clock's rate less that of the time in use [1], and the bound of its error: a clock that is cut to its printed unit and
// happens to go over an edge in mid log makes a line of least squares as steep as one and a half units over the time compared. ok says that there is enough.
func (k *clocks) rate() (rate, bound float64, ok bool) {
	span := k.lastT - k.t0
	if k.n < 10 || span <= 0 {
		return 0, 0, false
	}
	det := k.n*k.stt - k.st*k.st
	if det <= 0 {
		return 0, 0, false
	}
	return (k.n*k.std - k.st*k.sd) / det, 1.5 * k.step / span, true
}
