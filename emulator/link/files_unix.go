//go:build unix

package link

import "golang.org/x/sys/unix"

// OpenFiles is how many files, lines included, this process may have open at once; known is false if the system does not say.
func OpenFiles() (most uint64, known bool) {
	var l unix.Rlimit
	if err := unix.Getrlimit(unix.RLIMIT_NOFILE, &l); err != nil {
		return 0, false
	}
	return uint64(l.Cur), true
}
