package link

import (
	"errors"
	"syscall"
)

// isBrokenPipe says that the other end of a pipe was closed before all was written.
func isBrokenPipe(err error) bool {
	const noData = syscall.Errno(232) // ERROR_NO_DATA
	return errors.Is(err, syscall.ERROR_BROKEN_PIPE) || errors.Is(err, noData)
}
