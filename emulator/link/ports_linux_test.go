package link_test

import (
	"errors"
	"io"
	"os"
	"runtime"
	"strings"
	"testing"

	"golang.org/x/sys/unix"

	"stuntcell/emulator/link"
	"stuntcell/emulator/wire/wiretest"
)

// asNobody runs f as a user without rights, in a thread that ends with it: what is not permitted and what is busy is open to root.
func asNobody(t *testing.T, f func()) {
	t.Helper()
	if os.Getuid() != 0 {
		f()
		return
	}
	const nobody = 65534
	done := make(chan error)
	go func() {
		runtime.LockOSThread() // never unlocked: the thread is not used again
		_, _, e := unix.RawSyscall(unix.SYS_SETRESUID, nobody, nobody, nobody)
		if e == 0 {
			f()
			done <- nil
			return
		}
		done <- e
	}()
	if err := <-done; err != nil {
		t.Fatal(err)
	}
}

// TestPortsThatCannotBeOpened: a port that another program has, one of another user's, one that only root may listen at: each message says what
// to try.
func TestPortsThatCannotBeOpened(t *testing.T) {
	device := onPTY(t, func(rw io.ReadWriter) { io.Copy(io.Discard, rw) })
	held, err := link.OpenSerial(device, 9600) // exclusively
	if err != nil {
		t.Fatal(err)
	}
	defer held.Close()
	if err := os.Chmod(device, 0o666); err != nil {
		t.Fatal(err)
	}
	private := wiretest.PTY(t)
	defer private.Close()
	if err := os.Chmod(private.Device(), 0); err != nil {
		t.Fatal(err)
	}
	first, err := os.ReadFile("/proc/sys/net/ipv4/ip_unprivileged_port_start")
	asNobody(t, func() {
		for _, c := range []struct{ name, want, hint string }{
			{device, "busy", "serial monitor"},
			{private.Device(), "not permitted", "group that owns it"},
			{"/dev/no-such-port", "no such port", "plug the board in"},
		} {
			s, err := link.OpenSerial(c.name, 9600)
			var e *link.OpenError
			if !errors.As(err, &e) || !strings.Contains(e.Error(), c.want) || !strings.Contains(e.Hint, c.hint) {
				t.Errorf("%s: %v (%+v), want %q with the hint %q", c.name, err, e, c.want, c.hint)
			}
			if err == nil {
				s.Close()
			}
		}
		if err != nil || strings.TrimSpace(string(first)) != "1024" {
			return // low ports are open to all here
		}
		var e *link.OpenError
		if _, _, err := link.ListenTCP("127.0.0.1:81"); !errors.As(err, &e) || !strings.Contains(e.Hint, "below 1024") {
			t.Errorf("a low port: %v (%+v)", err, e)
		}
	})
}
