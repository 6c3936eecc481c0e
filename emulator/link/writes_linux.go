package link

import (
	"encoding/binary"
	"strings"
	"syscall"
)

// writes knows which file of a directory was written last. Times of files cannot say it: their clock ticks each few
// milliseconds, in which a logger in virtual time writes many files.
type writes struct {
	fd   int
	last string // "" if nothing was written, or too much to follow
	buf  [4096]byte
}

// watchWrites watches a directory. It returns nil if the system does not let us: then the times must do.
func watchWrites(dir string) *writes {
	fd, err := syscall.InotifyInit1(syscall.IN_NONBLOCK | syscall.IN_CLOEXEC)
	if err != nil {
		return nil
	}
	if _, err := syscall.InotifyAddWatch(fd, dir, syscall.IN_MODIFY|syscall.IN_MOVED_TO); err != nil {
		syscall.Close(fd)
		return nil
	}
	return &writes{fd: fd}
}

// follow takes what happened since it was last called; the system keeps some thousand events.
func (w *writes) follow() {
	if w == nil {
		return
	}
	for {
		n, err := syscall.Read(w.fd, w.buf[:])
		if err != nil || n <= 0 {
			return
		}
		for b := w.buf[:n]; len(b) >= syscall.SizeofInotifyEvent; {
			mask := binary.NativeEndian.Uint32(b[4:])
			end := syscall.SizeofInotifyEvent + int(binary.NativeEndian.Uint32(b[12:]))
			w.last = strings.TrimRight(string(b[syscall.SizeofInotifyEvent:end]), "\x00")
			if mask&syscall.IN_Q_OVERFLOW != 0 {
				w.last = ""
			}
			b = b[end:]
		}
	}
}

// name is the file that was written last, "" if that is not known.
func (w *writes) name() string {
	if w == nil {
		return ""
	}
	w.follow()
	return w.last
}

func (w *writes) close() {
	if w != nil {
		syscall.Close(w.fd)
	}
}
