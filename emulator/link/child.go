package link

import (
	"context"
	"errors"
	"fmt"
	"math/rand/v2"
	"os"
	"path/filepath"
	"time"
)

// ChildOptions says which process is linked to and how.
type ChildOptions struct {
	// Args is the program and its arguments; no shell is involved. A program without a slash is looked up in PATH.
	Args []string
	// Dir is the process's directory, where its files stay over a power cut; empty: ours.
	Dir string
	// Env is added to our environment.
	Env []string
	// Timeout is how long an answer may take, in real time; 0: 10 s.
	Timeout time.Duration
	// Ahead is how many messages may be unanswered at once; 0: 256.
	Ahead int
	// Seed draws how much a torn file loses.
	Seed uint64
}

// Child is a Link to a process on its standard input and output. No process of its group is left behind, whatever ends it.
type Child struct {
	options ChildOptions
	rand    *rand.Rand
	process *process // nil without power
	lane    lane
	writes  *writes
	answers int  // received since the start
	ending  bool // End was sent
	failed  bool
}

// NewChild returns a link to the process that o describes; Start starts it.
func NewChild(o ChildOptions) *Child {
	if o.Timeout == 0 {
		o.Timeout = 10 * time.Second
	}
	if o.Ahead == 0 {
		o.Ahead = 256
	}
	return &Child{options: o, rand: rand.New(rand.NewPCG(o.Seed, 0x7042))}
}

// Start implements [Link]. Its error is ours or the user's: the program is not there or cannot be run.
func (c *Child) Start(context.Context) error {
	if c.process != nil {
		return errors.New("link: started twice")
	}
	w := watchWrites(c.dir())
	p, err := spawn(c.options)
	if err != nil {
		w.close()
		return err
	}
	c.process, c.writes, c.ending, c.failed = p, w, false, false
	c.lane = newLane(p, c.options.Timeout)
	return nil
}

// Send implements [Link].
func (c *Child) Send(m *Message) error {
	if c.process == nil || c.failed {
		return errors.New("link: sent to a logger that does not run")
	}
	if c.lane.waiting() >= c.options.Ahead {
		return errors.New("link: sent too many messages ahead")
	}
	c.ending = m.Kind == End
	c.lane.send(m)
	return nil
}

// Receive implements [Link].
func (c *Child) Receive(ctx context.Context) (*Answer, error) {
	if c.process == nil || c.lane.waiting() == 0 {
		return nil, errors.New("link: nothing was sent that could be answered")
	}
	a, err := c.lane.receive(ctx)
	if err == nil {
		if c.answers++; c.answers%256 == 0 {
			c.writes.follow()
		}
		return a, nil
	}
	c.failed = true
	if errors.Is(err, errEnded) {
		return nil, c.crash("closed its output before it had answered")
	}
	var f *Failure
	if errors.As(err, &f) {
		f.Detail = c.process.stderr.after(f.Detail)
	}
	return nil, err
}

// crash says how the process ended; what is said of one that still runs.
func (c *Child) crash(what string) *Failure {
	select {
	case <-c.process.exited:
		what = "the process ended: " + c.process.cmd.ProcessState.String()
	case <-time.After(300 * time.Millisecond):
	}
	return &Failure{Kind: Crash, Detail: c.process.stderr.after(what)}
}

// Ahead implements [Link].
func (c *Child) Ahead() int { return c.options.Ahead }

// Cut implements [Link].
func (c *Child) Cut(torn bool) error {
	if c.process == nil {
		return nil
	}
	w := c.writes
	c.kill()
	defer w.close()
	if !torn {
		return nil
	}
	name := w.name()
	if name == "" {
		var err error
		if name, err = newest(c.dir()); err != nil || name == "" {
			return err
		}
	}
	return tear(filepath.Join(c.dir(), name), c.rand)
}

func (c *Child) dir() string {
	if c.options.Dir == "" {
		return "."
	}
	return c.options.Dir
}

// kill ends the process and its group and waits for both.
func (c *Child) kill() {
	c.process.kill()
	c.lane.close()
	c.process.stderr.close()
	c.process = nil
}

// Close implements [Link].
func (c *Child) Close() error {
	if c.process == nil {
		return nil
	}
	defer c.writes.close()
	defer c.kill()
	if !c.ending || c.failed || c.lane.waiting() > 0 {
		return nil
	}
	c.lane.endInput() // a logger that reads on sees the end of its input
	line, ended := c.lane.leftover()
	if line != "" {
		f := garbled([]byte(line), "`ok` after `end` is the last line that is printed")
		f.Detail = "printed without having been asked"
		return f
	}
	if ended {
		select {
		case <-c.process.exited:
			if c.process.cmd.ProcessState.Success() {
				return nil
			}
			return c.crash("")
		case <-time.After(c.options.Timeout):
		}
	}
	return &Failure{Kind: Hang, Detail: fmt.Sprintf("did not exit within %v of its answer to `end`", c.options.Timeout),
		Hint: "exit with status 0 after `end` was answered"}
}

// newest is the file of dir that was written last by its time, "" if there is none.
func newest(dir string) (string, error) {
	entries, err := os.ReadDir(dir)
	if err != nil {
		return "", fmt.Errorf("link: looking for the last file written: %w", err)
	}
	var last os.FileInfo
	for _, e := range entries {
		info, err := e.Info()
		if err != nil || !info.Mode().IsRegular() {
			continue
		}
		if last == nil || info.ModTime().After(last.ModTime()) {
			last = info
		}
	}
	if last == nil {
		return "", nil
	}
	return last.Name(), nil
}

// tear cuts a file within its final 512 bytes, as a card does that loses its power.
func tear(path string, r *rand.Rand) error {
	info, err := os.Stat(path)
	if err != nil || !info.Mode().IsRegular() || info.Size() == 0 {
		return nil // it is gone, or has nothing to lose
	}
	lost := int64(tornLength(int(min(info.Size(), 512)), r))
	if err := os.Truncate(path, info.Size()-lost); err != nil {
		return fmt.Errorf("link: tearing a file: %w", err)
	}
	return nil
}
