//go:build !linux && !darwin

package link

import (
	"errors"
	"os"
)

// PTY is our end of a pseudo-terminal; this system has none.
type PTY struct{ *os.File }

// OpenPTY says that this system has no pseudo-terminals.
func OpenPTY(string) (*PTY, error) {
	return nil, &OpenError{"pty", errors.ErrUnsupported, "this system has no pseudo-terminals: use TCP, or a serial port"}
}

// Device is the name that a client opens.
func (p *PTY) Device() string { return "" }

// Drain waits for nothing.
func (p *PTY) Drain() error { return errors.ErrUnsupported }
