// Package readings is what the sensors of a rig show in a run, one line a reading, for programs that keep a log of it: the plain stream of
// the bench link, over a wire.
//
// The run has been played before; its lines are those of a recorded file. Each client gets all of them, the first when it comes and each
// other as long after it as it was in the run; none is left out for one that is late. What a client says is not heard.
package readings

import (
	"stuntcell/emulator/dialect"
	"stuntcell/emulator/instrument"
)

// Run is a run that was played.
type Run struct {
	T []int64 // the instants of its readings, ascending [ns]
	// Line appends the line of a reading, with its end.
	Line func(line []byte, k int) []byte
}

// Readings is the dialect.
type Readings struct {
	bench *instrument.Bench // whose time it goes by
	run   *Run
	begun int64 // the bench's instant of the first reading [ns]
	k     int   // what comes next
}

// New returns a conversation that begins now.
func New(b *instrument.Bench, run *Run) *Readings {
	return &Readings{bench: b, run: run, begun: b.Now()}
}

// Next implements [dialect.Dialect].
func (r *Readings) Next() int64 {
	if r.k == len(r.run.T) {
		return dialect.Never
	}
	return r.begun + r.run.T[r.k] - r.run.T[0]
}

// Speak implements [dialect.Dialect].
func (r *Readings) Speak(out []byte) []byte {
	out = r.run.Line(out, r.k)
	r.k++
	return out
}

// Hear implements [dialect.Dialect].
func (r *Readings) Hear(_, out []byte) []byte { return out }

// Quiet implements [dialect.Dialect].
func (r *Readings) Quiet(out []byte) []byte { return out }

// Restart implements [dialect.Dialect]: sensors have nothing to forget.
func (r *Readings) Restart() {}
