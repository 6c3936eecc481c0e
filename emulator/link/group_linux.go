package link

import (
	"os"
	"syscall"
)

// ownGroup makes the process lead a group of its own and die with us.
func ownGroup() *syscall.SysProcAttr {
	return &syscall.SysProcAttr{Setpgid: true, Pdeathsig: syscall.SIGKILL}
}

func killGroup(p *os.Process) { syscall.Kill(-p.Pid, syscall.SIGKILL) }
