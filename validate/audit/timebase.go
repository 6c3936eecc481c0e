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
	ended   int    // times a time since the start came to its end
	ends    string // what ended

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
	if b.kind == "elapsed" {
		if dt, what := b.usedUp(x); dt > 0 {
			b.ended++
			b.ends = what
			b.rebase(x, dt)
			return dt, wrapped
		}
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

// elapsedEnds are where a printed time since the start is used up [s]: seconds in 16 bits; ms and us in 32; a day of hours.
var elapsedEnds = [...]struct {
	s    float64
	what string
}{{65536, "seconds in 16 bits"}, {32768, "seconds in 15 bits"}, {4294967.296, "milliseconds in 32 bits"}, {2147483.648, "milliseconds in 31 bits"}, {4294.967296, "microseconds in 32 bits"},
	{65.536, "milliseconds in 16 bits"}, {86400, "hours up to 24"}}

// usedUp returns how long passed if a time since the start came to its end between the last row and x, and what ends there.
func (b *timebase) usedUp(x float64) (dt float64, what string) {
	for _, e := range elapsedEnds {
		if c := x + e.s - b.raw; b.raw < e.s && c > 0 && c < 1.5*b.typical && x < 1.5*b.typical {
			return c, e.what
		}
	}
	return 0, ""
}

// twelveHours says that a clock went from between twelve and one back to one, half a day, as one without a.m. and p.m. does.
func twelveHours(from, to, typical float64) bool {
	by := to - from + 43200
	return math.Mod(from, 43200) < 3600 && math.Mod(from, 86400) >= 43200 && by > 0 && by < 1.5*typical+2
}

// minutes sees whether the minute of the clock ever moves.
type minutes struct {
	rows     int
	at       float64
	moved    bool
	low, top float64 // clock [s]
}

func (k *minutes) take(clock float64) {
	if k.moved || math.IsNaN(clock) {
		return
	}
	m := math.Floor(math.Mod(clock, 3600) / 60)
	if k.rows == 0 {
		k.at, k.low, k.top = m, clock, clock
	}
	k.rows++
	k.moved = m != k.at
	k.low, k.top = min(k.low, clock), max(k.top, clock)
}

// stand says that the minute never moved, in rows over hours.
func (k *minutes) stand() bool { return !k.moved && k.rows > 60 && k.top-k.low >= 3600 }

// top is the largest reading of one direction and how many rows show it.
type top struct {
	x    float64
	rows int
}

func (k *top) take(x float64) {
	switch x = math.Abs(x); {
	case x > k.x:
		k.x, k.rows = x, 1
	case x == k.x:
		k.rows++
	}
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
	atNight          bool // ... to an hour in which summer time begins or ends
	setBy            float64
}

// firstOfDay says that a clock is past midnight by less than the row before lies back.
func firstOfDay(c, dt float64) bool { return math.Mod(c, 86400) < dt+1 }

// night says that a clock shows an hour in which summer time begins or ends somewhere: between midnight and four, but in zones whose clock the log
// does not keep. The day is Sunday nearly everywhere.
func night(c float64) bool {
	hour, day := math.Mod(c, 86400)/3600, math.Mod(math.Floor(c/86400), 7) // 1970 began on a Thursday
	return hour < 4.1 && (day == 3 || c < 7*86400)
}

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
		k.setLine, k.setBy, k.atMidnight, k.atNight = line, d-k.last, firstOfDay(c, t-k.lastT), night(c)
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
