package link

import (
	"errors"
	"fmt"
	"io"
	"os"
	"os/exec"
	"strings"
	"sync"
	"time"
)

// process is a child that leads a group of its own. The group is killed whole when the child ends, however it ends; on Linux the child dies
// with us. What a child puts outside its group (a session of its own) is beyond our reach, but never waited for.
type process struct {
	cmd           *exec.Cmd
	stdin, stdout *os.File // our ends
	stderr        *tail
	exited        chan struct{} // closed when the child was waited for and its group killed
}

// afterlife is how long what a child has left in its pipe is waited for when something beyond our reach holds the pipe open.
const afterlife = 250 * time.Millisecond

// spawn starts the child that o describes. Its error is ours or the user's: the program is not there or cannot be run.
func spawn(o ChildOptions) (_ *process, err error) {
	if len(o.Args) == 0 {
		return nil, errors.New("link: no command to run")
	}
	var ends []*os.File
	defer func() {
		if err != nil {
			for _, f := range ends {
				f.Close()
			}
		}
	}()
	pipe := func() (r, w *os.File) {
		if err == nil {
			if r, w, err = os.Pipe(); err == nil {
				ends = append(ends, r, w)
			}
		}
		return r, w
	}
	inR, inW := pipe()
	outR, outW := pipe()
	errR, errW := pipe()
	if err != nil {
		return nil, fmt.Errorf("link: %w", err)
	}
	cmd := exec.Command(o.Args[0], o.Args[1:]...)
	cmd.Dir, cmd.Env = o.Dir, append(os.Environ(), o.Env...)
	cmd.Stdin, cmd.Stdout, cmd.Stderr = inR, outW, errW
	cmd.SysProcAttr = ownGroup()
	if err = cmd.Start(); err != nil {
		return nil, fmt.Errorf("link: cannot start the logger: %w", err)
	}
	for _, f := range []*os.File{inR, outW, errW} {
		f.Close()
	}
	p := &process{cmd: cmd, stdin: inW, stdout: outR, stderr: newTail(errR), exited: make(chan struct{})}
	go func() {
		cmd.Wait() // the status is read from ProcessState
		killGroup(cmd.Process)
		// Only what left the group can still hold the pipe open: what is in it is read, but its end is not waited for.
		outR.SetReadDeadline(time.Now().Add(afterlife))
		close(p.exited)
	}()
	return p, nil
}

// kill ends the child and its group and waits for the child.
func (p *process) kill() {
	select {
	case <-p.exited: // its group was killed; the number may belong to another by now
	default:
		killGroup(p.cmd.Process)
		<-p.exited
	}
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

// after joins what is known of a process with the last lines of its standard error, at most three, made printable.
func (t *tail) after(what string) string {
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
	said := strings.Join(lines, " | ")
	switch {
	case said == "":
		return what
	case what == "":
		return "standard error: " + said
	}
	return what + "; standard error: " + said
}

func (t *tail) close() {
	t.r.Close()
	<-t.done
}
