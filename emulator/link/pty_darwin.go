package link

import "golang.org/x/sys/unix"

const getTermios, setTermios, waitingInput = unix.TIOCGETA, unix.TIOCSETA, 0x4004667f // FIONREAD

func dropInput(fd int) { unix.IoctlSetPointerInt(fd, unix.TIOCFLUSH, 1) } // FREAD
