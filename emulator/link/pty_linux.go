package link

import "golang.org/x/sys/unix"

const getTermios, setTermios, waitingInput = unix.TCGETS, unix.TCSETS, unix.TIOCINQ

func dropInput(fd int) { unix.IoctlSetInt(fd, unix.TCFLSH, unix.TCIFLUSH) }
