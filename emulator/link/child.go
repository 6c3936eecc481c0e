package link

import (
	"context"
	"errors"
	"fmt"
	"io"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"sync"
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

// Child is a Link to a process on its standard input and output.
//
// The process leads a group of its own, which is killed whole: when the process ends, at a Cut and at Close. On Linux it is
// killed as well when we die. What a process puts outside its group (a session of its own) is beyond our reach, but never waited for.
type Child struct {
	options ChildOptions
	rand    *rand.Rand
	cmd     *exec.Cmd
	wire    *wire
	stderr  *tail
	exited  chan struct{} // closed when the process was waited for and its group killed
	ending  bool          // End was sent
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

// Command is a process that leads a group of its own, with env added to our environment. When the context ends, the group is killed
// whole and its pipes are waited for only a moment longer. On Linux the process dies with us.
func Command(ctx context.Context, args []string, dir string, env []string) *exec.Cmd {
	cmd := exec.CommandContext(ctx, args[0], args[1:]...)
	cmd.Dir = dir
	cmd.Env = append(os.Environ(), env...)
	cmd.SysProcAttr = ownGroup()
	cmd.Cancel = func() error {
		killGroup(cmd.Process)
		return nil
	}
	cmd.WaitDelay = 250 * time.Millisecond
	return cmd
}

// Start implements [Link]. Its error is ours or the user's: the program is not there or cannot be run.
func (c *Child) Start(context.Context) (err error) {
	if len(c.options.Args) == 0 {
		return errors.New("link: no command to run")
	}
	if c.cmd != nil {
		return errors.New("link: started twice")
	}
	var opened []*os.File
	defer func() {
		if err != nil {
			for _, f := range opened {
				f.Close()
			}
		}
	}()
	pipe := func() (r, w *os.File) {
		if err == nil {
			r, w, err = os.Pipe()
			opened = append(opened, r, w)
		}
		return r, w
	}
	inR, inW := pipe()
	outR, outW := pipe()
	errR, errW := pipe()
	if err != nil {
		return fmt.Errorf("link: %w", err)
	}
	// The context is the caller's for Start only: what ends the process later is Cut or Close.
	cmd := Command(context.Background(), c.options.Args, c.options.Dir, c.options.Env)
	cmd.Stdin, cmd.Stdout, cmd.Stderr = inR, outW, errW
	if err = cmd.Start(); err != nil {
		return fmt.Errorf("link: cannot start the logger: %w", err)
	}
	inR.Close()
	outW.Close()
	errW.Close()
	c.cmd, c.ending, c.failed = cmd, false, false
	c.wire = newWire(outR, inW, c.options.Timeout)
	c.stderr = newTail(errR)
	c.exited = make(chan struct{})
	go func(exited chan struct{}) {
		cmd.Wait() // the status is read from ProcessState
		killGroup(cmd.Process)
		// Only what left the group can still hold the pipe open: what is in it is read, but its end is not waited for.
		outR.SetReadDeadline(time.Now().Add(250 * time.Millisecond))
		close(exited)
	}(c.exited)
	return nil
}

// Send implements [Link].
func (c *Child) Send(m *Message) error {
	if c.cmd == nil || c.failed {
		return errors.New("link: sent to a logger that does not run")
	}
	if c.wire.unanswered >= c.options.Ahead {
		return errors.New("link: sent too many messages ahead")
	}
	c.ending = m.Kind == End
	c.wire.send(m)
	return nil
}

// Receive implements [Link].
func (c *Child) Receive(ctx context.Context) (*Answer, error) {
	if c.cmd == nil || c.wire.unanswered == 0 {
		return nil, errors.New("link: nothing was sent that could be answered")
	}
	a, err := c.wire.receive(ctx)
	if err == nil {
		return a, nil
	}
	c.failed = true
	if errors.Is(err, errEnded) {
		return nil, c.crash("closed its output before it had answered")
	}
	var f *Failure
	if errors.As(err, &f) {
		f.Detail = joinDetail(f.Detail, c.stderr.lines())
	}
	return nil, err
}

// crash says how the process ended; what is said of one that still runs.
func (c *Child) crash(what string) *Failure {
	select {
	case <-c.exited:
		what = "the process ended: " + c.cmd.ProcessState.String()
	case <-time.After(300 * time.Millisecond):
	}
	return &Failure{Kind: Crash, Detail: joinDetail(what, c.stderr.lines())}
}

func joinDetail(what, stderr string) string {
	if stderr == "" {
		return what
	}
	if what == "" {
		return "standard error: " + stderr
	}
	return what + "; standard error: " + stderr
}

// Ahead implements [Link].
func (c *Child) Ahead() int { return c.options.Ahead }

// Cut implements [Link].
func (c *Child) Cut(torn bool) error {
	if c.cmd == nil {
		return nil
	}
	c.kill()
	if torn {
		return tearLast(c.options.Dir, c.rand)
	}
	return nil
}

// kill ends the process and its group and waits for both.
func (c *Child) kill() {
	select {
	case <-c.exited: // its group was killed; the number may belong to another by now
	default:
		killGroup(c.cmd.Process)
		<-c.exited
	}
	c.wire.close()
	c.stderr.close()
	c.cmd = nil
}

// Close implements [Link].
func (c *Child) Close() error {
	if c.cmd == nil {
		return nil
	}
	defer c.kill()
	if !c.ending || c.failed || c.wire.unanswered > 0 {
		return nil
	}
	c.wire.w.Close() // a logger that reads on sees the end of its input
	line, ended := c.wire.leftover()
	if line != "" {
		f := garbled([]byte(line), "`ok` after `end` is the last line that is printed")
		f.Detail = "printed without having been asked"
		return f
	}
	if ended {
		select {
		case <-c.exited:
			if c.cmd.ProcessState.Success() {
				return nil
			}
			return c.crash("")
		case <-time.After(c.options.Timeout):
		}
	}
	return &Failure{Kind: Hang, Detail: fmt.Sprintf("did not exit within %v of its answer to `end`", c.options.Timeout),
		Hint: "exit with status 0 after `end` was answered"}
}

// tearLast cuts the file of dir that was written last within its final 512 bytes, as a card does that loses its power.
func tearLast(dir string, r *rand.Rand) error {
	if dir == "" {
		dir = "."
	}
	entries, err := os.ReadDir(dir)
	if err != nil {
		return fmt.Errorf("link: tearing a file: %w", err)
	}
	var last os.FileInfo
	for _, e := range entries {
		info, err := e.Info()
		if err != nil || !info.Mode().IsRegular() || info.Size() == 0 {
			continue
		}
		if last == nil || info.ModTime().After(last.ModTime()) {
			last = info
		}
	}
	if last == nil {
		return nil
	}
	lost := int64(tornLength(int(min(last.Size(), 512)), r))
	if err := os.Truncate(filepath.Join(dir, last.Name()), last.Size()-lost); err != nil {
		return fmt.Errorf("link: tearing a file: %w", err)
	}
	return nil
}

// tail keeps the end of what a process writes to its standard error.
type tail struct {
	r    io.ReadCloser
	mu   sync.Mutex
	kept []byte
	done chan struct{}
}

const maxTail = 4 << 10

func newTail(r io.ReadCloser) *tail {
	t := &tail{r: r, done: make(chan struct{})}
	go func() {
		defer close(t.done)
		buf := make([]byte, maxTail)
		for {
			n, err := r.Read(buf)
			t.mu.Lock()
			t.kept = append(t.kept, buf[:n]...)
			if over := len(t.kept) - maxTail; over > 0 {
				t.kept = append(t.kept[:0], t.kept[over:]...)
			}
			t.mu.Unlock()
			if err != nil {
				return
			}
		}
	}()
	return t
}

// lines returns the last lines, at most three, made printable and joined.
func (t *tail) lines() string {
	select {
	case <-t.done: // the process is gone: all that it said is here
	case <-time.After(50 * time.Millisecond):
	}
	t.mu.Lock()
	defer t.mu.Unlock()
	lines := strings.Split(strings.TrimSpace(string(t.kept)), "\n")
	if len(lines) > 3 {
		lines = lines[len(lines)-3:]
	}
	for i, l := range lines {
		lines[i] = printable([]byte(strings.TrimSpace(l)), 200)
	}
	return strings.Join(lines, " | ")
}

func (t *tail) close() {
	t.r.Close()
	<-t.done
}
