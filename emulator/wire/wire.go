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

// real says that our clock moves the benches' time; elsewhere only clients do, each bench's own.
func (d *Device) real() bool { return d.benches[0].Pace() == instrument.Real }

// target is the instant at which the first bench should stand.
func (d *Device) target() int64 {
	if !d.real() {
		return d.benches[0].Now()
	}
	ns := float64(time.Since(d.begun)) * d.options.Speed
	return min(d.from+int64(math.Min(ns, float64(instrument.Latest)))+d.benches[0].Skipped(), instrument.Latest)
}

// advance moves the benches to the instant that is to for the first: each has skipped what its client wanted.
func (d *Device) advance(to int64) {
	to -= d.benches[0].Skipped()
	for _, b := range d.benches {
		b.Advance(to + b.Skipped())
	}
}

const (
	inputPiece = 256                    // what a dialect hears at once [bytes], so that its answers are bounded
	outputMost = 32 << 10               // what is said in one turn [bytes]
	quietAfter = 50 * time.Millisecond  // a frame without an end of its own is given up
	lateMost   = 2 * time.Second        // a client that is further behind gets what is now, not what was
	stallMost  = 10 * time.Second       // a client that does not read for so long, or half of it, is left
	unplugged  = time.Second            // how long a terminal is gone after a disconnect
	skipAfter  = time.Second            // a terminal that nobody reads for so long, or half of it, forgets what it holds
	heedEvery  = 100 * time.Millisecond // how often a client is heard that is told all the time
	heedFor    = time.Millisecond
)

// errUnplugged is the end of a line by a fault.
var errUnplugged = errors.New("wire: disconnected by a fault")

// Line is a line to a client. A conversation waits for its client only until it has something to say itself: deadlines must work. If the
// line has a SetWriteDeadline, a client that does not read does not hold the device up.
type Line interface {
	io.ReadWriteCloser
	SetReadDeadline(time.Time) error
}

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

// ServeTerminal serves whoever opens a terminal until the context ends, all is said and read, or the line ends with an error; it closes the
// line.
func (d *Device) ServeTerminal(ctx context.Context, line Line) error {
	defer line.Close()
	for {
		err := d.hold(ctx, line, true)
		if ctx.Err() != nil {
			return nil
		}
		if drains, ok := line.(interface{ Drain() error }); ok && err == nil {
			stop := context.AfterFunc(ctx, func() { line.Close() })
			defer stop()
			return drains.Drain()
		}
		if !errors.Is(err, errUnplugged) {
			return err
		}
		select {
		case <-ctx.Done():
		case <-time.After(unplugged):
		}
	}
}

// Talk holds a conversation over a line until the client leaves, the context ends or a fault cuts the line; it closes the line.
func (d *Device) Talk(ctx context.Context, line Line) error {
	defer line.Close()
	return d.hold(ctx, line, false)
}

// conversation is one client's line. It lives in one goroutine: handing a request over to another costs more than answering it.
type conversation struct {
	*Device
	line     Line
	stays    bool     // it is there without a client
	terminal Terminal // nil: what waits in the line cannot be known
	dialect  dialect.Dialect
	to, from *mangler
	out      []byte

	heardAt time.Time // the last byte
	half    bool      // something was heard since Quiet
	spoke   bool      // it has spoken by itself
	read    int       // what waited in the terminal after the last write
	stuckAt time.Time // since when nobody has read it, zero: somebody does

	// The deadlines that stand. Moving one costs as much as a small answer, so that each is only moved when it must be.
	readBy, writeBy time.Time
	heededAt        time.Time
	setWriteBy      func(time.Time) error // nil: the line has none
}

// hold holds a conversation.
func (d *Device) hold(ctx context.Context, line Line, stays bool) error {
	now := time.Now()
	c := &conversation{Device: d, line: line, stays: stays, heardAt: now, heededAt: now}
	if stays {
		c.terminal, _ = line.(Terminal)
	}
	if l, ok := line.(interface{ SetWriteDeadline(time.Time) error }); ok {
		c.setWriteBy = l.SetWriteDeadline
	}
	d.mu.Lock()
	if d.real() {
		d.advance(d.target())
	}
	c.dialect = d.talk()
	name := fmt.Sprintf("%s/%d", d.options.Name, d.lines)
	d.lines++
	d.mu.Unlock()
	if !d.options.Faults.None() {
		tell := func(a Act) {
			if d.options.Trace != nil {
				d.options.Trace(a)
			}
		}
		c.to, c.from = newMangler(&d.options.Faults, name, true, tell), newMangler(&d.options.Faults, name, false, tell)
	}
	stop := context.AfterFunc(ctx, func() { c.deadlines(time.Unix(1, 0)) })
	defer func() {
		stop()
		c.deadlines(time.Time{}) // whoever has the line next begins without
	}()
	in := make([]byte, 4096)
	for {
		wait, more, err := c.speak(ctx)
		if err != nil || !more {
			return err
		}
		n, err := c.listen(ctx, in, wait)
		if n > 0 {
			if err := c.hear(ctx, in[:n]); err != nil {
				return err
			}
		}
		switch {
		case ctx.Err() != nil || errors.Is(err, io.EOF):
			return nil
		case err != nil:
			return err
		}
	}
}

func (c *conversation) deadlines(t time.Time) {
	c.line.SetReadDeadline(t)
	if c.setWriteBy != nil {
		c.setWriteBy(t)
	}
}

// listen reads what the client has said, for at most so long.
func (c *conversation) listen(ctx context.Context, in []byte, wait time.Duration) (int, error) {
	now := time.Now()
	if wait == 0 {
		if now.Sub(c.heededAt) < heedEvery {
			return 0, nil
		}
		wait = heedFor
	}
	c.heededAt = now
	// A deadline that is too early only lets us look again what is due.
	if by := now.Add(wait); by.Before(c.readBy) || !now.Before(c.readBy) {
		c.readBy = by
		c.line.SetReadDeadline(by)
	}
	if ctx.Err() != nil {
		return 0, nil // its deadline may have been overwritten just now
	}
	n, err := c.line.Read(in)
	if isTimeout(err) {
		err = nil
	}
	if n > 0 {
		c.heededAt = time.Time{} // there may be more
	}
	return n, err
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
		c.out = c.dialect.Hear(in, c.out[:0])
		c.capture(c.out, true)
		c.mu.Unlock()
		if err := c.send(ctx, c.out); err != nil {
			return err
		}
		if cap(c.out) > 4*outputMost {
			c.out = nil // what one long answer needed is not kept for the next
		}
	}
	return nil
}

// catchUp moves the benches to now. What the dialect should have said meanwhile is said at the next turn.
func (c *conversation) catchUp() {
	if !c.real() {
		return
	}
	to := c.target()
	if next := c.dialect.Next(); next < to && float64(to-next) < float64(lateMost)*c.options.Speed {
		to = max(next, c.benches[0].Now())
	}
	c.advance(to)
}

// speak says what is due and returns how long there is nothing to say, 0: there is more to say at once. more is false when the
// conversation is over.
func (c *conversation) speak(ctx context.Context) (wait time.Duration, more bool, err error) {
	c.mu.Lock()
	next, ends := c.due()
	c.mu.Unlock()
	from := 0
	for _, end := range ends {
		if err := c.send(ctx, c.out[from:end]); err != nil {
			return 0, false, err
		}
		from = end
	}
	flat := c.benches[0].Pace() == instrument.Max
	wait = time.Minute
	switch {
	case next == dialect.Never && c.spoke: // all is said
		return 0, false, nil
	case next == dialect.Never && !c.stays:
		left := c.options.Idle - time.Since(c.heardAt)
		if left <= 0 {
			return 0, false, nil
		}
		wait = min(wait, left)
	case next == dialect.Never:
	case flat:
		return 0, true, nil
	default:
		c.mu.Lock()
		ahead := float64(next-c.target()) / c.options.Speed
		c.mu.Unlock()
		wait = time.Duration(max(0, min(ahead, float64(wait))))
	}
	if c.half {
		wait = min(wait, quietAfter)
	}
	return wait, true, nil
}

// due puts into out what the dialect says by itself up to now, and returns when it speaks next and where in out each of its answers ends; on
// a good line all are one. The device is locked.
func (c *conversation) due() (next int64, ends []int) {
	c.out = c.out[:0]
	said := func(from int) {
		if len(c.out) == from {
			return
		}
		c.capture(c.out[from:], true)
		if c.to == nil {
			ends = ends[:0]
		}
		ends = append(ends, len(c.out))
	}
	flat := c.benches[0].Pace() == instrument.Max
	to := c.target()
	next = c.dialect.Next()
	if late := to - next; late > 0 && float64(late) > float64(lateMost)*c.options.Speed {
		c.advance(to)
		next = c.dialect.Next()
	}
	for ; (next <= to || flat && next != dialect.Never) && len(c.out) <= outputMost; next = c.dialect.Next() {
		from := len(c.out)
		c.advance(next)
		if !flat {
			// Another client may have moved the bench on; then the line shows what is now.
			to = c.target()
		}
		c.out = c.dialect.Speak(c.out)
		c.spoke = true
		said(from)
	}
	if c.half && time.Since(c.heardAt) >= quietAfter {
		c.half = false
		from := len(c.out)
		c.out = c.dialect.Quiet(c.out)
		said(from)
	}
	return next, ends
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
		return c.write(ctx, b)
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
	if err := c.write(ctx, p.bytes); err != nil {
		return err
	}
	if p.then == Disconnect {
		return errUnplugged
	}
	return nil
}

// write writes; a terminal that nobody reads drops what it cannot hold, where time does not wait for its reader.
func (c *conversation) write(ctx context.Context, b []byte) error {
	if len(b) == 0 {
		return nil
	}
	patience := stallMost
	if c.stays {
		patience = skipAfter
	}
	drops := c.terminal != nil && c.real()
	if c.setWriteBy != nil && (drops || !c.stays) {
		if now := time.Now(); c.writeBy.Sub(now) < patience/2 {
			c.writeBy = now.Add(patience)
			c.setWriteBy(c.writeBy)
			if ctx.Err() != nil {
				return nil // its deadline may have been overwritten just now
			}
		}
	}
	if !drops {
		_, err := c.line.Write(b)
		return err
	}
	switch waiting := c.terminal.Waiting(); {
	case waiting == 0 || waiting < c.read:
		c.stuckAt = time.Time{}
	case c.stuckAt.IsZero():
		c.stuckAt = time.Now()
	case time.Since(c.stuckAt) > skipAfter:
		c.terminal.DropWaiting()
		c.stuckAt = time.Time{}
	}
	_, err := c.line.Write(b)
	if isTimeout(err) {
		c.terminal.DropWaiting()
		err = nil
	}
	c.read = c.terminal.Waiting()
	return err
}

func isTimeout(err error) bool {
	var t interface{ Timeout() bool }
	return errors.As(err, &t) && t.Timeout()
}
