package main

import (
	"bytes"
	"context"
	"os"
	"os/exec"
	"path/filepath"
	"runtime"
	"strings"
	"testing"
	"time"
)

// TestModulesThatCannotRun: a WebAssembly file that is none, is cut short, or wants what the sandbox does not offer is bad input, said
// before anything is run. The modules are written out byte by byte: each section is its number, its length and what is in it.
func TestModulesThatCannotRun(t *testing.T) {
	const head = "\x00asm\x01\x00\x00\x00"
	const nothingToNothing = "\x01\x04\x01\x60\x00\x00" // one type: no arguments, no results
	for name, c := range map[string]struct{ module, want string }{
		"none":             {"#!/bin/sh\n", "no WebAssembly module"},
		"empty":            {"", "no WebAssembly module"},
		"cut in its head":  {head[:6], "WebAssembly"},
		"cut in a section": {head + nothingToNothing[:4], "WebAssembly"},
		"later version":    {"\x00asm\x02\x00\x00\x00", "WebAssembly"},
		"wants a file":     {head + nothingToNothing + "\x02\x10\x01\x04wasi\x07fd_read\x00\x00", "wasi"},
		"gives nothing":    {head, "export"},
	} {
		t.Run(name, func(t *testing.T) {
			path := filepath.Join(t.TempDir(), "logger.wasm")
			if err := os.WriteFile(path, []byte(c.module), 0o666); err != nil {
				t.Fatal(err)
			}
			out, errs, code := tool(t, context.Background(), "prove", "--wasm", path, "discharge-two-rates")
			if code != exitUsage || !strings.Contains(errs, c.want) || strings.Contains(out, "ok  ") {
				t.Errorf("exit status %d, want %d with %q\n%s%s", code, exitUsage, c.want, out, errs)
			}
		})
	}
}

// TestKilledAtAnyMoment: a run that is killed without warning goes on from its journal and ends with the report of one that was not.
func TestKilledAtAnyMoment(t *testing.T) {
	if runtime.GOOS == "windows" {
		t.Skip("nothing can be killed without warning there")
	}
	self, err := os.Executable()
	if err != nil {
		t.Fatal(err)
	}
	t.Chdir(t.TempDir())
	if err := os.Symlink(self, "stuntcell"); err != nil {
		t.Skipf("no links here: %v", err)
	}
	suite := []string{"discharge-two-rates", "tick-wrap-mid-discharge", "rest-with-noise", "load-steps", "leap-day", "readings-jittered", "month-end", "year-end"}
	prove := func(report string) *exec.Cmd {
		return exec.Command("./stuntcell", append([]string{"prove", "--defect", "tick-wrap", "--jobs", "2", "--report", report, "--resume", "journal"}, suite...)...)
	}
	lines := func() int {
		b, _ := os.ReadFile("journal")
		return bytes.Count(b, []byte("\n"))
	}
	kills := 0
	for want := 1; want < len(suite); want += 2 {
		cmd := prove("never.html")
		if err := cmd.Start(); err != nil {
			t.Fatal(err)
		}
		ended := make(chan struct{})
		go func() { cmd.Wait(); close(ended) }()
		for alive := true; alive && lines() < want; {
			select {
			case <-ended:
				alive = false
			case <-time.After(time.Millisecond):
			}
		}
		cmd.Process.Kill()
		<-ended
		if !cmd.ProcessState.Exited() {
			kills++
		}
	}
	if kills == 0 {
		t.Skip("each run had ended before it could be killed")
	}
	if _, err := os.Stat("never.html"); err == nil {
		t.Error("a run that was killed left a report")
	}
	if err := prove("resumed.html").Run(); err == nil || lines() != len(suite) {
		t.Errorf("%v, %d lines in the journal", err, lines())
	}
	os.Remove("journal")
	prove("whole.html").Run()
	a, errA := os.ReadFile("resumed.html")
	b, errB := os.ReadFile("whole.html")
	if errA != nil || errB != nil || !bytes.Equal(a, b) {
		t.Errorf("the report differs from that of a run that was not killed: %v, %v", errA, errB)
	}
}
