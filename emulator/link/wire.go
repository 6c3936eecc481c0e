package link

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"sync"
	"time"
)

// Bounds of what is kept of a logger that says too much.
const (
	maxNoise  = 64 << 10 // bytes before the first ok that are no link words
	maxAnswer = 32 << 20 // bytes of one answer, its bookkeeping included
	saidCost  = 64       // bookkeeping of one line
	chunkSize = 32 << 10
)

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

	held       []byte // lines that the writer does not have yet
	chunk      []byte // what was read and not parsed
	buf        []byte // the buffer that chunk is part of
	line       []byte // the beginning of a line that goes on in the next chunk
	overlong   bool   // line was cut: the rest of it is dropped
	ended      bool   // fromReader is closed
	greeted    bool   // an ok was received
	noise      int    // bytes of noise before it
	noisy      string // the last line of it
	unanswered int
	answer     Answer
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
	x.answer.Reset()
	cost, waiting := 0, false
	for {
		for {
			line, ok, err := x.next()
			if err == nil && !ok {
				break
			}
			done := false
			if err == nil {
				done, err = x.answer.Take(line)
			}
			if err != nil {
				if err = x.notALine(line, err); err != nil {
					return nil, err
				}
				continue
			}
			if done {
				x.greeted = true
				x.unanswered--
				return &x.answer, nil
			}
			if cost += len(line) + saidCost; cost > maxAnswer {
				return nil, &Failure{Kind: Garbled, Line: printable(line, 200), Hint: "end each answer with a line `ok`",
					Detail: fmt.Sprintf("more than %d MiB in one answer", maxAnswer>>20)}
			}
		}
		if x.ended {
			return nil, errEnded
		}
		if !waiting {
			waiting = true
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
			return x.hung()
		case <-ctx.Done():
			return ctx.Err()
		}
	}
}

func (x *wire) hung() *Failure {
	f := &Failure{Kind: Hang, Detail: fmt.Sprintf("no `ok` within %v", x.timeout),
		Hint: "print `ok` after each line that was read, and flush standard output after it"}
	switch {
	case x.overlong:
		f = x.tooLong()
	case len(x.line) > 0:
		f.Line = printable(x.line, 200)
		f.Detail += ", only the beginning of a line"
	case x.noisy != "":
		f.Line = x.noisy
		f.Detail += ", but lines that are none of the link's"
	}
	return f
}

func (x *wire) tooLong() *Failure { return garbled(x.line, tooLongHint) }

// notALine passes over what comes before the first ok: a boot banner is noise, as long as it ends.
func (x *wire) notALine(line []byte, err error) error {
	if x.greeted {
		return err
	}
	x.noisy = printable(line, 200)
	if x.noise += len(line) + 1; x.noise > maxNoise {
		f := garbled(line, "answer the greeting with a line `ok`")
		f.Detail = fmt.Sprintf("more than %d KiB before the first `ok` that are no lines of the link", maxNoise>>10)
		return f
	}
	return nil
}

// next returns the next whole line; ok is false if more has to be read. What is longer than the longest line is dropped, with
// an error for each piece.
func (x *wire) next() (line []byte, ok bool, err error) {
	end := bytes.IndexByte(x.chunk, '\n')
	if end < 0 {
		chunk := x.chunk
		x.chunk = nil
		if room := MaxLine + 2 - len(x.line); len(chunk) > room {
			x.overlong = true
			x.line = append(x.line, chunk[:room]...)
			return chunk, false, x.tooLong()
		}
		x.line = append(x.line, chunk...)
		return nil, false, nil
	}
	line = x.chunk[:end]
	x.chunk = x.chunk[end+1:]
	if len(x.line) > 0 {
		line = append(x.line, line...)
		x.line = line[:0]
	}
	if x.overlong {
		x.overlong = false
		return line, false, garbled(line, tooLongHint)
	}
	return line, true, nil
}

// leftover waits for the end of the stream, at most for the time-out. It returns the first line that was said without having
// been asked, "" if there is none.
func (x *wire) leftover() (line string, ended bool) {
	x.timer.Reset(x.timeout)
	for {
		b, ok, err := x.next()
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
