package link

import (
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"sync/atomic"
	"time"
)

// Plain runs a program that speaks no link: input goes to its standard input, and what it prints, up to limit bytes, is returned.
// The program is given o.Timeout for each next piece that it takes or prints, and for its end.
//
// A *Failure is the program's (Hang, Crash for an end other than 0, Garbled for more than limit bytes); what was printed until
// then is returned beside it. Any other error is ours, or the context's. No process of its group is left behind.
func Plain(ctx context.Context, o ChildOptions, input io.Reader, limit int) ([]byte, error) {
	if o.Timeout == 0 {
		o.Timeout = 10 * time.Second
	}
	p, err := spawn(o)
	if err != nil {
		return nil, err
	}
	defer p.stderr.close()
	defer p.stdout.Close()

	var hung atomic.Bool
	idle := time.AfterFunc(o.Timeout, func() {
		hung.Store(true)
		killGroup(p.cmd.Process)
	})
	defer idle.Stop()
	stop := context.AfterFunc(ctx, func() { killGroup(p.cmd.Process) })
	defer stop()
	fed := make(chan error, 1)
	go func() {
		_, err := io.Copy(p.stdin, progress{input, func() { idle.Reset(o.Timeout) }})
		p.stdin.Close()
		if errors.Is(err, os.ErrClosed) || isBrokenPipe(err) {
			err = nil // a program need not read to the end
		}
		fed <- err
	}()

	printed := io.LimitReader(progress{p.stdout, func() { idle.Reset(o.Timeout) }}, int64(limit)+1)
	out, err := io.ReadAll(printed)
	for range looksAfter { // on a busy machine the time may be up before the first look
		if !errors.Is(err, os.ErrDeadlineExceeded) {
			break
		}
		p.stdout.SetReadDeadline(time.Now().Add(afterlife))
		var rest []byte
		rest, err = io.ReadAll(printed)
		out = append(out, rest...)
	}
	if errors.Is(err, os.ErrDeadlineExceeded) {
		err = nil
	}
	flooded := len(out) > limit
	if flooded {
		out = out[:limit]
		killGroup(p.cmd.Process)
	}
	<-p.exited
	p.stdin.Close() // the feeder may wait for room that nobody makes any more
	if feedErr := <-fed; err == nil {
		err = feedErr
	}
	switch {
	case ctx.Err() != nil:
		return nil, context.Cause(ctx)
	case hung.Load():
		return out, &Failure{Kind: Hang, Detail: p.stderr.after(fmt.Sprintf("took and printed nothing for %v", o.Timeout)),
			Hint: "read standard input to its end, and exit then"}
	case flooded:
		return out, &Failure{Kind: Garbled, Detail: fmt.Sprintf("printed more than %d bytes", limit), Hint: "print the rows of the log and nothing else"}
	case err != nil:
		return nil, fmt.Errorf("link: %w", err)
	case !p.cmd.ProcessState.Success():
		return out, &Failure{Kind: Crash, Detail: p.stderr.after(p.cmd.ProcessState.String()), Hint: "exit with status 0 at the end of the input"}
	}
	return out, nil
}

// progress is a reader that tells of each piece that passes.
type progress struct {
	io.Reader
	tell func()
}

func (p progress) Read(b []byte) (int, error) {
	n, err := p.Reader.Read(b)
	p.tell()
	return n, err
}
