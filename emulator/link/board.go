package link

import (
	"context"
	"errors"
	"fmt"
	"io"
	"time"
)

// BoardOptions says how a board is reached.
type BoardOptions struct {
	// Open opens the line. It is called at each Start.
	Open func(ctx context.Context) (io.ReadWriteCloser, error)
	// Timeout is how long an answer may take, in real time; 0: 10 s.
	Timeout time.Duration
	// Retry is how long a damaged or late answer is waited for before it is asked for again, from a board that can seq; 0: 1 s.
	Retry time.Duration
	// Known says that the line was there a moment ago: if it is not now, it is waited for, for the time-out.
	Known bool
}

// Board is a Link to a logger at the other end of a line that is there before and after us: a serial port, a pseudo-terminal, a
// TCP connection. It works in lock step: a small board's UART has no room for more.
//
// The greeting is repeated each second until it is answered. A board that says `can seq` gets seq and crc with each message and must
// seal its answers (see [Sealed]); what the line damages is then asked for again. A power cut closes the line after a reset by
// its modem lines, if it has any; a board that is not wired for it is greeted again and goes on. Its files are out of our reach: torn does nothing.
// A new test begins with the same reset; a board that is not wired for it must begin anew at the greeting that follows an `end`.
type Board struct {
	options BoardOptions
	line    io.ReadWriteCloser
	wire    *wire
	asked   bool
	asking  Message
	sealed  bool // the board can seq
	seq     int64
	sent    []byte // the message that was sent last, sealed
	started bool
	failed  bool
}

// Resetter is an optional part of a line: what restarts the board at its other end.
type Resetter interface{ Reset() error }

// NewBoard returns a link to the board that o describes.
func NewBoard(o BoardOptions) *Board {
	if o.Timeout == 0 {
		o.Timeout = 10 * time.Second
	}
	if o.Retry == 0 {
		o.Retry = time.Second
	}
	return &Board{options: o}
}

const (
	greetAgain = time.Second            // between greetings
	settle     = 300 * time.Millisecond // without a byte, after a greeting that was sent more than once
	drainMost  = 2 * time.Second        // for a board that never stops talking
	reopen     = 100 * time.Millisecond // between attempts to open a line that has gone for a moment
)

// Start implements [Link]. A line that was there before and is gone (a board that enumerates anew) is waited for.
func (b *Board) Start(ctx context.Context) error {
	if b.line != nil {
		return errors.New("link: started twice")
	}
	deadline := time.Now().Add(b.options.Timeout)
	for {
		line, err := b.options.Open(ctx)
		if err == nil {
			b.line = line
			break
		}
		if !b.started && !b.options.Known || time.Now().After(deadline) {
			return err
		}
		select {
		case <-ctx.Done():
			return ctx.Err()
		case <-time.After(reopen):
		}
	}
	b.wire = newWire(b.line, nopCloser{b.line}, b.options.Timeout)
	b.started, b.asked, b.failed, b.sealed, b.seq = true, false, false, false, 0
	if r, stays := b.line.(Resetter); stays {
		// Each test begins at a power-up. Most boards restart when their port is opened; this makes sure of it.
		if err := r.Reset(); err != nil {
			b.hangUp()
			return err
		}
		// The end of an answer to whoever had the port before may still come.
		if err := b.wire.drain(ctx, drainMost); err != nil && !errors.Is(err, errEnded) {
			b.hangUp()
			return err
		}
	}
	return nil
}

// nopCloser keeps the wire from closing a line twice.
type nopCloser struct{ io.Writer }

func (nopCloser) Close() error { return nil }

// Send implements [Link].
func (b *Board) Send(m *Message) error {
	if b.line == nil || b.failed {
		return errors.New("link: sent to a board that is not connected")
	}
	if b.asked {
		return errors.New("link: sent too many messages ahead")
	}
	b.asked = true
	b.asking = *m
	b.asking.Reading.More = append([]Channel(nil), m.Reading.More...)
	if m.Kind == Greet {
		b.sealed, b.seq = false, 0
	}
	if b.sealed {
		b.seq++
		b.sent = sealMessage(b.sent[:0], m, b.seq)
		b.wire.sendRaw(b.sent)
		return nil
	}
	b.wire.send(m)
	return nil
}

// sendRaw queues a line that is made already.
func (x *wire) sendRaw(line []byte) { x.held = append(x.held, line...) }

// Receive implements [Link].
func (b *Board) Receive(ctx context.Context) (*Answer, error) {
	if b.line == nil || !b.asked {
		return nil, errors.New("link: nothing was sent that could be answered")
	}
	a, err := b.receive(ctx)
	b.asked = false
	if err == nil {
		return a, nil
	}
	b.failed = true
	if errors.Is(err, errEnded) {
		return nil, &Failure{Kind: Crash, Detail: "the line was closed at its other end"}
	}
	return nil, err
}

func (b *Board) receive(ctx context.Context) (*Answer, error) {
	switch {
	case b.asking.Kind == Greet:
		return b.greet(ctx)
	case b.sealed:
		return b.unseal(ctx)
	}
	b.wire.timeout = b.options.Timeout
	return b.wire.receive(ctx)
}

// greet waits for the answer to the greeting and repeats it each second.
func (b *Board) greet(ctx context.Context) (*Answer, error) {
	x := b.wire
	defer func() { x.timeout = b.options.Timeout }()
	deadline := time.Now().Add(b.options.Timeout)
	for sent := 1; ; sent++ {
		x.timeout = min(greetAgain, time.Until(deadline))
		a, err := x.receive(ctx)
		if err == nil {
			for _, s := range a.Said {
				b.sealed = b.sealed || s.Word == Can && s.Text == "seq"
			}
			if sent > 1 {
				return b.quiet(ctx, a)
			}
			return a, nil
		}
		var f *Failure
		if !errors.As(err, &f) || x.noise > maxNoise {
			return nil, err
		}
		if !time.Now().Before(deadline) {
			f.Detail = fmt.Sprintf("no `ok` to the greeting, sent %d times within %v", sent, b.options.Timeout)
			if f.Line != "" {
				f.Detail += ", but what is none of the link's"
			}
			f.Hint = "look at the port, at the rate of the line, and whether firmware with the bench link is on the board"
			return nil, f
		}
		x.send(&b.asking)
		x.unanswered--
	}
}

// quiet waits for the answers to greetings that were repeated while the board was not listening yet, and keeps the first.
func (b *Board) quiet(ctx context.Context, a *Answer) (*Answer, error) {
	kept := Answer{Said: append([]Said(nil), a.Said...)}
	if err := b.wire.drain(ctx, drainMost); err != nil {
		return nil, err
	}
	return &kept, nil
}

// drain drops what comes until nothing has come for a moment, for at most so long.
func (x *wire) drain(ctx context.Context, most time.Duration) error {
	for begun := time.Now(); time.Since(begun) < most; {
		x.timer.Reset(settle)
		if err := x.wait(ctx); err != nil {
			if ctx.Err() != nil {
				return ctx.Err()
			}
			break
		}
		if x.ended {
			return errEnded
		}
		x.chunk = nil
	}
	x.chunk, x.line, x.overlong, x.fresh = nil, x.line[:0], false, true
	return nil
}

// Ahead implements [Link]: lock step.
func (b *Board) Ahead() int { return 1 }

// Cut implements [Link].
func (b *Board) Cut(bool) error {
	if b.line == nil {
		return nil
	}
	var err error
	if r, ok := b.line.(Resetter); ok {
		err = r.Reset()
	}
	b.hangUp()
	return err
}

func (b *Board) hangUp() {
	b.wire.close()
	b.line, b.wire = nil, nil
}

// Close implements [Link]. A board stays: nothing is waited for.
func (b *Board) Close() error {
	if b.line != nil {
		b.hangUp()
	}
	return nil
}
