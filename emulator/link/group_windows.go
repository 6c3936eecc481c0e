package link

import (
	"os"
	"os/exec"
	"strconv"
	"syscall"
)

// ownGroup keeps an interrupt that is meant for us from the process.
func ownGroup() *syscall.SysProcAttr {
	return &syscall.SysProcAttr{CreationFlags: syscall.CREATE_NEW_PROCESS_GROUP}
}

// killGroup ends the process and those that it started: this system has no groups to kill.
func killGroup(p *os.Process) {
	exec.Command("taskkill", "/T", "/F", "/PID", strconv.Itoa(p.Pid)).Run()
	p.Kill()
}
