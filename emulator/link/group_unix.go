//go:build unix && !linux

package link

import (
	"os"
	"syscall"
)

// ownGroup makes the process lead a group of its own.
func ownGroup() *syscall.SysProcAttr { return &syscall.SysProcAttr{Setpgid: true} }

func killGroup(p *os.Process) { syscall.Kill(-p.Pid, syscall.SIGKILL) }
