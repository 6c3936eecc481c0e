package link

import (
	"context"
	"errors"
	"fmt"
	"os"
	"time"
)

// lane is how a child's lines travel.
type lane interface {
	send(m *Message)
	// receive returns the next answer; a *Failure is the logger's, errEnded says that the other end closed.
	receive(ctx context.Context) (*Answer, error)
	// waiting is how many messages have no answer.
	waiting() int
	// endInput lets the child see the end of its input.
	endInput()
	// leftover waits for the end of the stream, at most for the time-out. It returns the first line that was said without having
	// been asked, "" if there is none.
	leftover() (line string, ended bool)
	close()
}

// newLane picks the lane for a process: without goroutines where its pipes know deadlines, else a wire.
func newLane(p *process, timeout time.Duration) lane {
	if p.stdout.SetReadDeadline(time.Time{}) != nil || p.stdin.SetWriteDeadline(time.Time{}) != nil {
		return newWire(p.stdout, p.stdin, timeout)
	}
	return &direct{process: p, timeout: timeout, buf: make([]byte, chunkSize)}
}

// pipeRoom is what every system's pipe holds, so that writing so much into an empty one does not wait for its reader [bytes].
const pipeRoom = 4 << 10

// direct is a lane that reads and writes in the caller's own goroutine, which halves the time of an exchange in lock step. Nothing can
// wait for each other: at most pipeRoom bytes are on their way to the child, and it is read from whenever an answer is awaited.
type direct struct {
	listener
	process *process
	timeout time.Duration
	buf     []byte
	held    []byte // lines that were not written yet
	lengths []int  // of all lines that have no answer, the oldest first
	written int    // of these, how many were written
	onWay   int    // bytes of the written ones
	ended   bool
	looks   int // how often it was read anew since the child was gone
	// The context whose end interrupts a read, and what undoes that.
	ctx  context.Context
	undo func() bool
}

func (d *direct) send(m *Message) {
	before := len(d.held)
	d.held = m.Append(d.held)
	d.lengths = append(d.lengths, len(d.held)-before)
	if len(d.held) >= pipeRoom/2 {
		d.flush()
	}
}

// flush writes as many whole lines as there is room for. A child that is gone is noticed when it is read from.
func (d *direct) flush() {
	n := 0
	for d.written < len(d.lengths) && d.onWay+d.lengths[d.written] <= pipeRoom {
		d.onWay += d.lengths[d.written]
		n += d.lengths[d.written]
		d.written++
	}
	if n == 0 {
		return
	}
	// Only a child that answers what it has not read can fill its pipe.
	d.process.stdin.SetWriteDeadline(time.Now().Add(d.timeout))
	d.process.stdin.Write(d.held[:n])
	d.held = append(d.held[:0], d.held[n:]...)
}

func (d *direct) receive(ctx context.Context) (*Answer, error) {
	d.watch(ctx)
	if d.written == 0 {
		d.flush() // an answer that is there already was to nothing: what is answered must have been asked
	}
	for deadline := false; ; deadline = true {
		a, err := d.next()
		if err != nil {
			return nil, err
		}
		if a != nil {
			d.onWay -= d.lengths[0]
			d.lengths = d.lengths[1:]
			d.written--
			return a, nil
		}
		if d.ended {
			return nil, errEnded
		}
		d.flush()
		if !deadline {
			d.process.stdout.SetReadDeadline(time.Now().Add(d.patience()))
		}
		if err := d.read(); err != nil {
			return nil, err
		}
	}
}

// looksAfter is how often the pipe of a child that is gone is looked into once the time for it is up.
const looksAfter = 2

// patience is how long a read may wait.
func (d *direct) patience() time.Duration {
	select {
	case <-d.process.exited:
		return afterlife
	default:
		return d.timeout
	}
}

// watch makes the context's end interrupt a read.
func (d *direct) watch(ctx context.Context) {
	if ctx == d.ctx {
		return
	}
	if d.undo != nil {
		d.undo()
	}
	d.ctx = ctx
	d.undo = context.AfterFunc(ctx, func() { d.process.stdout.SetReadDeadline(time.Unix(1, 0)) })
}

// lastLook is how long a read waits whose time is over.
const lastLook = 100 * time.Millisecond

// read takes what the child has written, at most until the deadline.
func (d *direct) read() error {
	if d.ctx != nil && d.ctx.Err() != nil {
		return d.ctx.Err()
	}
	n, err := d.process.stdout.Read(d.buf)
	if errors.Is(err, os.ErrDeadlineExceeded) && (d.ctx == nil || d.ctx.Err() == nil) {
		// On a busy machine it may be us who were not let run: a read whose time is over does not look whether something is there.
		d.process.stdout.SetReadDeadline(time.Now().Add(lastLook))
		n, err = d.process.stdout.Read(d.buf)
	}
	d.chunk = d.buf[:n]
	if err == nil {
		return nil
	}
	select {
	case <-d.process.exited: // whatever still holds its pipe open
		if errors.Is(err, os.ErrDeadlineExceeded) && d.looks < looksAfter {
			// On a busy machine the time may be up before the first look: what the child has left in the pipe is there.
			d.looks++
			d.process.stdout.SetReadDeadline(time.Now().Add(afterlife))
			return nil
		}
		d.ended = true
		return nil
	default:
	}
	switch {
	case !errors.Is(err, os.ErrDeadlineExceeded):
		d.ended = true
		return nil
	case d.ctx != nil && d.ctx.Err() != nil:
		return d.ctx.Err()
	}
	return d.hung(fmt.Sprintf("no `ok` within %v", d.timeout))
}

func (d *direct) waiting() int { return len(d.lengths) }

func (d *direct) endInput() { d.process.stdin.Close() }

func (d *direct) leftover() (line string, ended bool) {
	d.watch(context.Background())
	d.process.stdout.SetReadDeadline(time.Now().Add(d.patience()))
	for {
		b, ok, err := d.nextLine()
		if ok || err != nil {
			return printable(b, 200), d.ended
		}
		if d.ended {
			return printable(d.line, 200), true
		}
		if d.read() != nil {
			return "", false
		}
	}
}

func (d *direct) close() {
	if d.undo != nil {
		d.undo()
	}
	d.process.stdin.Close()
	d.process.stdout.Close()
}
