// Package wire carries a dialect (package dialect) over a line: it moves bytes, moves the bench's time by a real clock, damages what
// passes as a bad line would, and captures sessions that play again as a test. Real time and goroutines are here and nowhere below.
//
// A device keeps what a client said for no longer than it takes to answer it, and stops reading from a client that does not read its
// answers, so that memory is bounded whatever clients do. Several clients of one device share its bench, each with a conversation of its own.
package wire

import (
	"context"
	"errors"
	"fmt"
	"io"
	"math"
	"net"
	"sync"
	"time"

	"stuntcell/emulator/dialect"
	"stuntcell/emulator/instrument"
)

// Options say how a device's line behaves. The zero Options are a good line in real time.
type Options struct {
	// Speed is how many simulated seconds a real second has where the benches' pace is real; 0: 1.
	Speed  float64
	Faults Faults
	// Name is the device's name in a trace; a connection is NAME/N, counted from 0.
	Name string
	// Trace hears of each fault, Capture of all that passes. Both are called under the device's lock.
	Trace   func(Act)
	Capture func(Op)
	// Idle is how long a client that is only answered may say nothing; 0: an hour.
	Idle time.Duration
	// Most is how many clients are served at once; more are turned away. 0: 64.
	Most int
}

// Device is a device with its benches, behind any number of lines.
type Device struct {
	mu      sync.Mutex
	benches []*instrument.Bench
	talk    func() dialect.Dialect
	options Options
	begun   time.Time
	from    int64 // the bench's instant then
	lines   int
}

// NewDevice returns a device whose conversations talk makes. Its time begins now.
func NewDevice(talk func() dialect.Dialect, o Options, benches ...*instrument.Bench) *Device {
	if o.Speed == 0 {
		o.Speed = 1
	}
	if o.Idle == 0 {
		o.Idle = time.Hour
	}
	if o.Most == 0 {
		o.Most = 64
	}
	return &Device{benches: benches, talk: talk, options: o, begun: time.Now(), from: benches[0].Now()}
}

// target is the instant at which the benches should stand.
func (d *Device) target() int64 {
	if d.benches[0].Pace() != instrument.Real {
		return d.benches[0].Now()
	}
	ns := float64(time.Since(d.begun)) * d.options.Speed
	return d.from + int64(math.Min(ns, float64(instrument.Latest)))
}

func (d *Device) advance(to int64) {
	for _, b := range d.benches {
		b.Advance(to)
	}
}

const (
	inputPiece = 256                   // what a dialect hears at once [bytes], so that its answers are bounded
	outputMost = 32 << 10              // what is said in one turn [bytes]
	quietAfter = 50 * time.Millisecond // a frame without an end of its own is given up
	lateMost   = 2 * time.Second       // a client that is further behind gets what is now, not what was
	stallMost  = 10 * time.Second      // a client that does not read for so long is left
	unplugged  = time.Second           // how long a terminal is gone after a disconnect
	skipAfter  = time.Second           // a terminal that nobody reads for so long forgets what it holds
)

// errUnplugged is the end of a line by a fault.
var errUnplugged = errors.New("wire: disconnected by a fault")

// Terminal is an optional part of a line that is there without a client: what was said to nobody can be dropped.
type Terminal interface {
	Waiting() int
	DropWaiting()
}

// Serve serves the clients of a listener until the context ends.
func (d *Device) Serve(ctx context.Context, l net.Listener) error {
	ctx, cancel := context.WithCancel(ctx)
	defer cancel()
	stop := context.AfterFunc(ctx, func() { l.Close() })
	defer stop()
	var running sync.WaitGroup
	defer running.Wait()
	room := make(chan struct{}, d.options.Most)
	for {
		c, err := l.Accept()
		if ctx.Err() != nil {
			if err == nil {
				c.Close()
			}
			return nil
		}
		if err != nil {
			// Out of descriptors, as a rule: clients that leave make room.
			select {
			case <-ctx.Done():
			case <-time.After(50 * time.Millisecond):
			}
			continue
		}
		select {
		case room <- struct{}{}:
			running.Go(func() {
				d.Talk(ctx, c)
				<-room
			})
		default:
			c.Close()
		}
	}
}

// ServeTerminal serves whoever opens a terminal until the context ends, or the line does with an error.
func (d *Device) ServeTerminal(ctx context.Context, line io.ReadWriteCloser) error {
	for {
		err := d.Talk(ctx, keptOpen{line})
		if ctx.Err() != nil {
			line.Close()
			return nil
		}
		if !errors.Is(err, errUnplugged) {
			line.Close()
			return err
		}
		select {
		case <-ctx.Done():
		case <-time.After(unplugged):
		}
	}
}

// keptOpen is a terminal: it outlives a conversation.
type keptOpen struct{ io.ReadWriteCloser }

func (k keptOpen) Close() error { return nil }

func (k keptOpen) SetReadDeadline(t time.Time) error  { return setReadDeadline(k.ReadWriteCloser, t) }
func (k keptOpen) SetWriteDeadline(t time.Time) error { return setWriteDeadline(k.ReadWriteCloser, t) }

func (k keptOpen) Waiting() int {
	if t, ok := k.ReadWriteCloser.(Terminal); ok {
		return t.Waiting()
	}
	return 0
}

func (k keptOpen) DropWaiting() {
	if t, ok := k.ReadWriteCloser.(Terminal); ok {
		t.DropWaiting()
	}
}

func setReadDeadline(line any, t time.Time) error {
	if x, ok := line.(interface{ SetReadDeadline(time.Time) error }); ok {
		return x.SetReadDeadline(t)
	}
	return nil
}

func setWriteDeadline(line any, t time.Time) error {
	if x, ok := line.(interface{ SetWriteDeadline(time.Time) error }); ok {
		return x.SetWriteDeadline(t)
	}
	return nil
}

// conversation is one client's line.
type conversation struct {
	*Device
	line     io.ReadWriteCloser
	dialect  dialect.Dialect
	to, from *mangler
	in       []byte
	terminal Terminal // nil: none

	heardAt time.Time // the last byte
	half    bool      // something was heard since Quiet
	spoke   bool      // it has spoken by itself
	read    int       // what waited in the terminal after the last write
	stuckAt time.Time // since when nobody has read it, zero: somebody does
}

// Talk holds a conversation over a line until the client leaves, the context ends or a fault cuts the line; it closes the line.
func (d *Device) Talk(ctx context.Context, line io.ReadWriteCloser) error {
	ctx, cancel := context.WithCancel(ctx)
	c := &conversation{Device: d, line: line, heardAt: time.Now()}
	c.terminal, _ = line.(Terminal)
	d.mu.Lock()
	d.advance(d.target())
	c.dialect = d.talk()
	name := fmt.Sprintf("%s/%d", d.options.Name, d.lines)
	d.lines++
	d.mu.Unlock()
	if !d.options.Faults.none() {
		tell := func(a Act) {
			if d.options.Trace != nil {
				d.options.Trace(a)
			}
		}
		c.to, c.from = newMangler(&d.options.Faults, name, true, tell), newMangler(&d.options.Faults, name, false, tell)
	}
	chunks, spare := make(chan []byte), make(chan []byte, 1)
	spare <- make([]byte, 4096)
	var reading sync.WaitGroup
	var readErr error
	reading.Go(func() {
		defer close(chunks)
		for {
			var b []byte
			select {
			case b = <-spare:
			case <-ctx.Done():
				return
			}
			n, err := line.Read(b[:cap(b)])
			if n > 0 {
				select {
				case chunks <- b[:n]:
				case <-ctx.Done():
					return
				}
			} else if err == nil {
				spare <- b
			}
			if err != nil {
				readErr = err
				return
			}
		}
	})
	stop := context.AfterFunc(ctx, func() {
		setReadDeadline(line, time.Now()) // a terminal is not closed, but must be left
		setWriteDeadline(line, time.Now())
		line.Close()
	})
	err := c.hold(ctx, chunks, spare)
	cancel()
	reading.Wait()
	if stop() {
		line.Close()
	}
	setReadDeadline(line, time.Time{})
	setWriteDeadline(line, time.Time{})
	if err == nil && readErr != nil && !errors.Is(readErr, io.EOF) {
		err = readErr
	}
	return err
}

// hold takes turns with the client.
func (c *conversation) hold(ctx context.Context, chunks <-chan []byte, spare chan<- []byte) error {
	timer := time.NewTimer(0)
	defer timer.Stop()
	for {
		wait, more, err := c.speak(ctx)
		if err != nil {
			return err
		}
		if !more {
			return nil
		}
		timer.Reset(wait)
		select {
		case <-ctx.Done():
			return nil
		case <-timer.C:
		case b, ok := <-chunks:
			if !ok {
				return nil
			}
			err := c.hear(ctx, b)
			spare <- b
			if err != nil {
				return err
			}
		}
	}
}

// hear lets the dialect hear what came, in pieces, and sends each answer before the next piece.
func (c *conversation) hear(ctx context.Context, b []byte) error {
	c.heardAt, c.half = time.Now(), true
	for len(b) > 0 {
		n := min(len(b), inputPiece)
		in := b[:n]
		b = b[n:]
		c.mu.Lock()
		c.catchUp()
		if c.from != nil {
			in = c.from.pass(in).bytes
		}
		c.capture(in, false)
		out := c.dialect.Hear(in, nil)
		c.capture(out, true)
		c.mu.Unlock()
		if err := c.send(ctx, out); err != nil {
			return err
		}
	}
	return nil
}

// catchUp moves the benches to now. What the dialect should have said meanwhile is said at the next turn.
func (c *conversation) catchUp() {
	to := c.target()
	if next := c.dialect.Next(); next < to && float64(to-next) < float64(lateMost)*c.options.Speed {
		to = max(next, c.benches[0].Now())
	}
	c.advance(to)
}

// speak says what is due and returns how long there is nothing to say. more is false when the conversation is over.
func (c *conversation) speak(ctx context.Context) (wait time.Duration, more bool, err error) {
	c.mu.Lock()
	flat := c.benches[0].Pace() == instrument.Max
	to := c.target()
	if late := to - c.dialect.Next(); late > 0 && float64(late) > float64(lateMost)*c.options.Speed {
		c.advance(to)
	}
	var out []byte
	var answers [][]byte
	next := c.dialect.Next()
	for ; next <= to || flat && next != dialect.Never; next = c.dialect.Next() {
		from := len(out)
		c.advance(next)
		if !flat {
			// Another client may have moved the bench on; then the line shows what is now.
			to = c.target()
		}
		out = c.dialect.Speak(out)
		c.spoke = true
		if c.to != nil || c.options.Capture != nil {
			c.capture(out[from:], true)
			answers = append(answers, out[from:])
		}
		if len(out) > outputMost {
			break
		}
	}
	if next == dialect.Never || next > to {
		c.advance(to)
	}
	if c.half && time.Since(c.heardAt) >= quietAfter {
		c.half = false
		answer := c.dialect.Quiet(nil)
		c.capture(answer, true)
		out = append(out, answer...)
		answers = append(answers, answer)
	}
	over := flat && next == dialect.Never && c.spoke
	c.mu.Unlock()
	if c.to == nil {
		answers = [][]byte{out}
	}
	for _, a := range answers {
		if err := c.send(ctx, a); err != nil {
			return 0, false, err
		}
	}
	switch {
	case over:
		return 0, false, nil
	case next == dialect.Never && time.Since(c.heardAt) > c.options.Idle && c.terminal == nil:
		return 0, false, nil
	case c.half:
		wait = quietAfter
	case next == dialect.Never:
		wait = time.Minute
	case flat:
		return 0, true, nil
	default:
		wait = time.Minute
	}
	if next != dialect.Never && !flat {
		c.mu.Lock()
		ahead := time.Duration(float64(next-c.target()) / c.options.Speed)
		c.mu.Unlock()
		wait = min(wait, max(ahead, 0))
	}
	return wait, true, nil
}

// capture records what passed.
func (c *conversation) capture(b []byte, to bool) {
	if len(b) > 0 && c.options.Capture != nil {
		c.options.Capture(Op{T: c.benches[0].Now(), To: to, Data: b})
	}
}

// send lets an answer go over the line.
func (c *conversation) send(ctx context.Context, b []byte) error {
	if len(b) == 0 {
		return nil
	}
	if c.to == nil {
		return c.write(b)
	}
	c.mu.Lock()
	p := c.to.pass(b)
	if p.then == Restart {
		for _, bench := range c.benches {
			bench.Restart()
		}
		c.dialect.Restart()
	}
	c.mu.Unlock()
	if p.delay > 0 {
		select {
		case <-ctx.Done():
			return nil
		case <-time.After(time.Duration(p.delay) * time.Millisecond):
		}
	}
	if err := c.write(p.bytes); err != nil {
		return err
	}
	if p.then == Disconnect {
		return errUnplugged
	}
	return nil
}

// write writes; a terminal that nobody reads drops what it cannot hold.
func (c *conversation) write(b []byte) error {
	if len(b) == 0 {
		return nil
	}
	slow := c.benches[0].Pace() == instrument.Real
	if c.terminal != nil && slow {
		switch waiting := c.terminal.Waiting(); {
		case waiting == 0 || waiting < c.read:
			c.stuckAt = time.Time{}
		case c.stuckAt.IsZero():
			c.stuckAt = time.Now()
		case time.Since(c.stuckAt) > skipAfter:
			c.terminal.DropWaiting()
			c.stuckAt = time.Time{}
		}
	}
	if c.terminal == nil {
		setWriteDeadline(c.line, time.Now().Add(stallMost))
	} else if slow {
		setWriteDeadline(c.line, time.Now().Add(skipAfter))
	}
	_, err := c.line.Write(b)
	if c.terminal != nil {
		if slow && isTimeout(err) {
			c.terminal.DropWaiting()
			err = nil
		}
		c.read = c.terminal.Waiting()
	}
	return err
}

func isTimeout(err error) bool {
	var t interface{ Timeout() bool }
	return errors.As(err, &t) && t.Timeout()
}
