package link

import (
	"context"
	"errors"
	"fmt"
	"io"
	"sync"
	"time"
)

const chunkSize = 32 << 10

// errEnded says that the other end closed the wire.
var errEnded = errors.New("link: the other end closed")

// wire speaks the link's lines over a pair of byte streams. A writer and a reader goroutine, each with a bounded number of
// buffers, keep it from ever waiting for a logger that does not read or does not stop writing.
type wire struct {
	r io.ReadCloser
	w io.WriteCloser

	toWriter   chan []byte
	fromWriter chan []byte
	toReader   chan []byte
	fromReader chan []byte
	done       chan struct{}
	running    sync.WaitGroup

	listener
	held       []byte // lines that the writer does not have yet
	buf        []byte // the buffer that the listener's chunk is part of
	ended      bool   // fromReader is closed
	unanswered int
	timeout    time.Duration
	timer      *time.Timer
}

func newWire(r io.ReadCloser, w io.WriteCloser, timeout time.Duration) *wire {
	x := &wire{
		r: r, w: w, timeout: timeout, timer: time.NewTimer(timeout), done: make(chan struct{}),
		toWriter: make(chan []byte), fromWriter: make(chan []byte, 1),
		toReader: make(chan []byte, 2), fromReader: make(chan []byte, 2),
	}
	x.fromWriter <- nil
	x.toReader <- make([]byte, chunkSize)
	x.toReader <- make([]byte, chunkSize)
	x.running.Add(2)
	go x.write()
	go x.read()
	return x
}

func (x *wire) write() {
	defer x.running.Done()
	for {
		select {
		case b := <-x.toWriter:
			if _, err := x.w.Write(b); err != nil {
				return // the reader sees the end of a logger that is gone; until then nothing more is written
			}
			x.fromWriter <- b[:0]
		case <-x.done:
			return
		}
	}
}

func (x *wire) read() {
	defer x.running.Done()
	defer close(x.fromReader)
	for {
		select {
		case b := <-x.toReader:
			n, err := x.r.Read(b[:chunkSize])
			select {
			case x.fromReader <- b[:n]:
			case <-x.done:
				return
			}
			if err != nil {
				return
			}
		case <-x.done:
			return
		}
	}
}

// send queues a message's line.
func (x *wire) send(m *Message) {
	x.held = m.Append(x.held)
	x.unanswered++
	if len(x.held) > chunkSize/2 {
		x.flush()
	}
}

// flush hands the held lines to the writer if it has nothing to do.
func (x *wire) flush() {
	if len(x.held) == 0 {
		return
	}
	select {
	case spare := <-x.fromWriter:
		x.toWriter <- x.held
		x.held = spare
	default:
	}
}

// receive returns the next answer; a *Failure is the logger's, errEnded says that the other end closed.
func (x *wire) receive(ctx context.Context) (*Answer, error) {
	for waiting := false; ; waiting = true {
		a, err := x.next()
		if err != nil {
			return nil, err
		}
		if a != nil {
			x.unanswered--
			return a, nil
		}
		if x.ended {
			return nil, errEnded
		}
		if !waiting {
			x.timer.Reset(x.timeout)
		}
		if err := x.wait(ctx); err != nil {
			return nil, err
		}
	}
}

// wait takes the next chunk from the reader.
func (x *wire) wait(ctx context.Context) error {
	if x.buf != nil {
		x.toReader <- x.buf
		x.buf = nil
	}
	for {
		x.flush()
		var spare chan []byte
		if len(x.held) > 0 {
			spare = x.fromWriter
		}
		select {
		case b, ok := <-x.fromReader:
			if !ok {
				x.ended = true
				return nil
			}
			x.buf, x.chunk = b, b
			return nil
		case b := <-spare:
			x.toWriter <- x.held
			x.held = b
		case <-x.timer.C:
			return x.hung(fmt.Sprintf("no `ok` within %v", x.timeout))
		case <-ctx.Done():
			return ctx.Err()
		}
	}
}

func (x *wire) waiting() int { return x.unanswered }

func (x *wire) endInput() { x.w.Close() }

func (x *wire) leftover() (line string, ended bool) {
	x.timer.Reset(x.timeout)
	for {
		b, ok, err := x.nextLine()
		if ok || err != nil {
			return printable(b, 200), x.ended
		}
		if x.ended {
			return printable(x.line, 200), true
		}
		if x.wait(context.Background()) != nil {
			return "", false
		}
	}
}

// close ends both goroutines; the streams are closed.
func (x *wire) close() {
	close(x.done)
	x.r.Close()
	x.w.Close()
	x.timer.Stop()
	x.running.Wait()
}
