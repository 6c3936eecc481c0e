//go:build linux || darwin

package link

import (
	"errors"
	"os"
	"time"

	"github.com/creack/pty"
	"golang.org/x/sys/unix"
)

// PTY is our end of a pseudo-terminal: what a client opens as a serial port. Deadlines work. A client may leave and come again; what
// it left unread is then still there.
type PTY struct {
	*os.File
	slave  *os.File // kept open, or a client that leaves would end the master's reads
	unlink func()
}

// OpenPTY makes a pseudo-terminal in raw mode. If link is not empty, a symbolic link of that name leads to it until it is closed.
func OpenPTY(link string) (*PTY, error) {
	master, slave, err := pty.Open()
	if err != nil {
		return nil, noPTY(err)
	}
	defer master.Close()
	p := &PTY{slave: slave, unlink: func() {}}
	if err := raw(int(slave.Fd())); err != nil {
		slave.Close()
		return nil, noPTY(err)
	}
	// The library has made the master blocking, and deadlines do nothing then: take a non-blocking copy.
	fd, err := unix.Dup(int(master.Fd()))
	if err == nil {
		unix.CloseOnExec(fd)
		err = unix.SetNonblock(fd, true)
	}
	if err != nil {
		slave.Close()
		return nil, noPTY(err)
	}
	p.File = os.NewFile(uintptr(fd), master.Name())
	if link != "" {
		if p.unlink, err = linked(slave.Name(), link); err != nil {
			slave.Close()
			p.File.Close()
			return nil, err
		}
	}
	return p, nil
}

// noPTY says why there is no pseudo-terminal and what to try.
func noPTY(err error) *OpenError {
	e := &OpenError{"no pseudo-terminal", err, "look whether /dev/ptmx and /dev/pts are there (in a container they may not be); --tcp needs neither"}
	switch {
	case outOfFiles(err):
		e.Hint = moreFiles
	case errors.Is(err, unix.ENOSPC):
		e.Hint = "all are taken: end programs that have one, or raise the limit (kernel.pty.max on Linux)"
	}
	return e
}

// Device is the name that a client opens.
func (p *PTY) Device() string { return p.slave.Name() }

// Waiting is how many bytes wait for a client to read them.
func (p *PTY) Waiting() int {
	n, err := unix.IoctlGetInt(int(p.slave.Fd()), waitingInput)
	if err != nil {
		return 0
	}
	return n
}

// DropWaiting drops what waits for a client.
func (p *PTY) DropWaiting() { dropInput(int(p.slave.Fd())) }

// What waits can be told only of the last 4 kB; the rest follows when these have been read. So all has been read when nothing has waited for a
// while.
const (
	drainPoll  = 10 * time.Millisecond
	drainPolls = 30
)

// Drain waits until a client has read all, or the pseudo-terminal is closed.
func (p *PTY) Drain() error {
	for empty := 0; empty < drainPolls; empty++ {
		if p.Waiting() > 0 {
			empty = 0
		}
		time.Sleep(drainPoll)
	}
	return nil
}

// Close takes the pseudo-terminal and its link away.
func (p *PTY) Close() error {
	p.unlink()
	p.slave.Close()
	return p.File.Close()
}

func raw(fd int) error {
	t, err := unix.IoctlGetTermios(fd, getTermios)
	if err != nil {
		return err
	}
	t.Iflag &^= unix.IGNBRK | unix.BRKINT | unix.PARMRK | unix.ISTRIP | unix.INLCR | unix.IGNCR | unix.ICRNL | unix.IXON
	t.Oflag &^= unix.OPOST
	t.Lflag &^= unix.ECHO | unix.ECHONL | unix.ICANON | unix.ISIG | unix.IEXTEN
	t.Cflag &^= unix.CSIZE | unix.PARENB
	t.Cflag |= unix.CS8
	t.Cc[unix.VMIN], t.Cc[unix.VTIME] = 1, 0
	return unix.IoctlSetTermios(fd, setTermios, t)
}
