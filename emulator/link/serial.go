package link

import (
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"runtime"
	"strings"
	"sync/atomic"
	"syscall"
	"time"

	"go.bug.st/serial"
)

// OpenError is a line that could not be opened, and what to try.
type OpenError struct {
	Name string
	Err  error
	Hint string
}

func (e *OpenError) Error() string { return fmt.Sprintf("%s: %v", e.Name, e.Err) }
func (e *OpenError) Unwrap() error { return e.Err }

// moreFiles is what to try where no more files may be open.
const moreFiles = "raise the limit of open files (ulimit -n), or take fewer lines"

func outOfFiles(err error) bool {
	return errors.Is(err, syscall.EMFILE) || errors.Is(err, syscall.ENFILE)
}

// Serial is an open serial port, or the client's end of a pseudo-terminal: raw, 8 data bits, no parity, one stop bit, no flow
// control. Reads wait until bytes come, their deadline passes or the port is closed.
type Serial struct {
	port     serial.Port
	closed   atomic.Bool
	deadline atomic.Int64 // Unix ns, 0: none
}

// readPoll is how often a read looks at its deadline.
const readPoll = 200 * time.Millisecond

// OpenSerial opens a port at so many baud. The error is an *OpenError.
func OpenSerial(name string, baud int) (*Serial, error) {
	if baud < 50 || baud > 10e6 {
		return nil, &OpenError{name, fmt.Errorf("%d baud", baud), "expected a rate of 50 to 10000000, as 115200"}
	}
	device := name
	if real, err := filepath.EvalSymlinks(name); err == nil {
		device = real // a stable name may be a link
	}
	port, err := serial.Open(device, &serial.Mode{BaudRate: baud})
	if err != nil {
		return nil, refused(name, baud, err)
	}
	return &Serial{port: port}, nil
}

// refused says why a port cannot be opened and what to try.
func refused(name string, baud int, err error) *OpenError {
	e := &OpenError{Name: name, Err: err, Hint: "look whether the name is that of a serial port: " + portsHere()}
	var p *serial.PortError
	code := serial.PortErrorCode(-1)
	if errors.As(err, &p) {
		code = p.Code()
	}
	switch {
	case outOfFiles(err):
		e.Hint = moreFiles
	case code == serial.PortBusy:
		e.Err = errors.New("the port is busy")
		e.Hint = "close the program that has it open (a serial monitor?)"
	case code == serial.PermissionDenied || errors.Is(err, fs.ErrPermission):
		e.Err = errors.New("you are not permitted to open it")
		e.Hint = "on Linux add yourself to the group that owns it (ls -l shows it: dialout or uucp) and log in again"
	case code == serial.PortNotFound || errors.Is(err, fs.ErrNotExist):
		e.Err = errors.New("there is no such port")
		e.Hint = "plug the board in; " + portsHere()
	case code == serial.InvalidSpeed:
		e.Err = fmt.Errorf("the port does not do %d baud", baud)
		e.Hint = "take a usual rate, as 9600 or 115200"
	}
	return e
}

// portsHere names the serial ports of this computer.
func portsHere() string {
	names, err := serial.GetPortsList()
	if err != nil || len(names) == 0 {
		return "no serial port is seen on this computer"
	}
	return "seen here: " + strings.Join(names[:min(len(names), 8)], ", ")
}

// Read implements [io.Reader].
func (s *Serial) Read(b []byte) (int, error) {
	for {
		wait := readPoll
		if at := s.deadline.Load(); at != 0 {
			left := time.Until(time.Unix(0, at))
			if left <= 0 {
				return 0, os.ErrDeadlineExceeded
			}
			wait = min(wait, left)
		}
		if err := s.port.SetReadTimeout(max(wait, time.Millisecond)); err != nil {
			return 0, err
		}
		n, err := s.port.Read(b)
		if n > 0 || err != nil || len(b) == 0 {
			return n, err
		}
	}
}

// SetReadDeadline lets reads end at an instant; one that is set while a read waits is seen a moment late. The zero time is none.
func (s *Serial) SetReadDeadline(t time.Time) error {
	if t.IsZero() {
		s.deadline.Store(0)
	} else {
		s.deadline.Store(t.UnixNano())
	}
	return nil
}

// Write implements [io.Writer].
func (s *Serial) Write(b []byte) (int, error) {
	n, err := s.port.Write(b)
	if err == nil && n < len(b) {
		err = io.ErrShortWrite
	}
	return n, err
}

// Drain waits until all has been sent, or the port is closed.
func (s *Serial) Drain() error {
	err := s.port.Drain()
	if s.closed.Load() {
		return nil
	}
	return err
}

// Close implements [io.Closer]. What was not sent yet is dropped, so that a writer that waits for a reader does not wait on.
func (s *Serial) Close() error {
	if s.closed.Swap(true) {
		return nil
	}
	s.port.ResetOutputBuffer()
	return s.port.Close()
}

// resetPulse is how long the board's reset is held.
const resetPulse = 100 * time.Millisecond

// Reset lowers DTR and RTS for a moment: boards that are wired for it restart (common practice). Others, and pseudo-terminals,
// notice nothing.
func (s *Serial) Reset() error {
	if s.port.SetDTR(false) != nil {
		return nil // no modem lines here
	}
	s.port.SetRTS(false)
	time.Sleep(resetPulse)
	s.port.SetRTS(true)
	return s.port.SetDTR(true)
}

// linked makes a symbolic link to a device under a name of the user's; what stands there already is only replaced if it is such a link.
func linked(device, name string) (remove func(), err error) {
	if runtime.GOOS == "windows" {
		return nil, &OpenError{name, errors.ErrUnsupported, "this system has no links to devices: use the port's own name"}
	}
	if info, err := os.Lstat(name); err == nil {
		if info.Mode()&fs.ModeSymlink == 0 {
			return nil, &OpenError{name, fs.ErrExist, "choose a name that is not taken by a file"}
		}
		if target, err := os.Readlink(name); err == nil && !strings.HasPrefix(target, "/dev/") {
			return nil, &OpenError{name, fs.ErrExist, "the link that stands there leads to " + target + ": choose another name"}
		}
		if err := os.Remove(name); err != nil {
			return nil, &OpenError{name, err, ""}
		}
	}
	if err := os.Symlink(device, name); err != nil {
		return nil, &OpenError{name, errors.Unwrap(err), "expected a new name in a directory that is there"}
	}
	return func() {
		if target, err := os.Readlink(name); err == nil && target == device {
			os.Remove(name)
		}
	}, nil
}
