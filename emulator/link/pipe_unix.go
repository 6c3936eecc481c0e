//go:build unix

package link

import (
	"errors"
	"syscall"
)

// isBrokenPipe says that the other end of a pipe was closed before all was written.
func isBrokenPipe(err error) bool { return errors.Is(err, syscall.EPIPE) }
