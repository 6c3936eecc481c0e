package main

import (
	"bytes"
	"errors"
	"fmt"
	"os"
	"os/exec"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/rogpeppe/go-internal/testscript"
)

func TestMain(m *testing.M) {
	testscript.Main(m, map[string]func(){"stuntcell": main})
}

// TestCommands runs each script of testdata: what a person types, what comes out, and the exit status.
func TestCommands(t *testing.T) {
	testscript.Run(t, testscript.Params{
		Dir:                 "testdata",
		RequireExplicitExec: true,
		RequireUniqueNames:  true,
		UpdateScripts:       os.Getenv("STUNTCELL_UPDATE") != "",
		Setup: func(e *testscript.Env) error {
			e.Setenv("TERM", "dumb")
			e.Setenv("TMPDIR", e.Getenv("WORK")+"/.tmp")
			return os.MkdirAll(e.Getenv("WORK")+"/.tmp", 0o777)
		},
		Cmds: map[string]func(*testscript.TestScript, bool, []string){
			"ends": ends, "interrupted": interruptedAt, "columns": columns, "leaves": leaves,
		},
		Condition: func(name string) (bool, error) { return part(t, name) },
	})
}

// ends runs a program that must end with the exit status given: ends 2 stuntcell --nonsense.
func ends(ts *testscript.TestScript, neg bool, args []string) {
	if neg || len(args) < 2 {
		ts.Fatalf("usage: ends STATUS PROGRAM [ARGUMENT...]")
	}
	want, err := strconv.Atoi(args[0])
	ts.Check(err)
	if got := exitCode(ts, ts.Exec(args[1], args[2:]...)); got != want {
		ts.Fatalf("exit status %d, want %d", got, want)
	}
}

func exitCode(ts *testscript.TestScript, err error) int {
	var exit *exec.ExitError
	switch {
	case err == nil:
		return 0
	case errors.As(err, &exit):
		return exit.ExitCode()
	}
	ts.Fatalf("%v", err)
	return 0
}

// interruptedAt runs a program, interrupts it so many times once its standard output has the text, and wants exit status 130. What it
// printed is in the files out and err: interrupted 1 'ok    discharge' stuntcell prove ...
func interruptedAt(ts *testscript.TestScript, neg bool, args []string) {
	if neg || len(args) < 3 {
		ts.Fatalf("usage: interrupted TIMES TEXT PROGRAM [ARGUMENT...]")
	}
	times, err := strconv.Atoi(args[0])
	ts.Check(err)
	out, err := os.Create(ts.MkAbs("out"))
	ts.Check(err)
	defer out.Close()
	errs, err := os.Create(ts.MkAbs("err"))
	ts.Check(err)
	defer errs.Close()
	program, err := lookPath(ts.Getenv("PATH"), args[2])
	ts.Check(err)
	cmd := exec.Command(program, args[3:]...)
	cmd.Dir, cmd.Stdout, cmd.Stderr = ts.MkAbs("."), out, errs
	cmd.Env = append(os.Environ(), "PATH="+ts.Getenv("PATH"), "TMPDIR="+ts.Getenv("TMPDIR"), "TERM=dumb")
	ts.Check(cmd.Start())
	waitFor(ts, cmd, ts.MkAbs("out"), args[1])
	for i := range times {
		if i > 0 {
			waitFor(ts, cmd, ts.MkAbs("err"), "interrupted")
		}
		ts.Check(cmd.Process.Signal(os.Interrupt))
	}
	if got := exitCode(ts, cmd.Wait()); got != exitInterrupted {
		ts.Fatalf("exit status %d, want %d", got, exitInterrupted)
	}
}

// waitFor waits until a file has a text.
func waitFor(ts *testscript.TestScript, cmd *exec.Cmd, file, text string) {
	for range 3000 {
		if b, _ := os.ReadFile(file); bytes.Contains(b, []byte(text)) {
			return
		}
		time.Sleep(10 * time.Millisecond)
	}
	cmd.Process.Kill()
	cmd.Wait()
	ts.Fatalf("%q did not come within 30 s", text)
}

func lookPath(path, name string) (string, error) {
	for dir := range strings.SplitSeq(path, string(os.PathListSeparator)) {
		if p, err := exec.LookPath(dir + string(os.PathSeparator) + name); err == nil {
			return p, nil
		}
	}
	return "", fmt.Errorf("%s: not in PATH", name)
}

// columns wants no line of a file to be longer than so many characters: columns 80 stdout.
func columns(ts *testscript.TestScript, neg bool, args []string) {
	if neg || len(args) != 2 {
		ts.Fatalf("usage: columns N FILE")
	}
	most, err := strconv.Atoi(args[0])
	ts.Check(err)
	for n, line := range strings.Split(ts.ReadFile(args[1]), "\n") {
		if width := len([]rune(line)); width > most {
			ts.Fatalf("line %d has %d columns: %s", n+1, width, line)
		}
	}
}

// leaves wants a directory to hold exactly these: leaves .tmp
func leaves(ts *testscript.TestScript, neg bool, args []string) {
	if neg || len(args) < 1 {
		ts.Fatalf("usage: leaves DIRECTORY [NAME...]")
	}
	entries, err := os.ReadDir(ts.MkAbs(args[0]))
	ts.Check(err)
	var names []string
	for _, e := range entries {
		names = append(names, e.Name())
	}
	if got, want := strings.Join(names, " "), strings.Join(args[1:], " "); got != want {
		ts.Fatalf("%s holds %q, want %q", args[0], got, want)
	}
}

// part is the condition [part:PROGRAM]: whether an outside program is there. With STUNTCELL_REQUIRE=all it must be.
func part(t *testing.T, name string) (bool, error) {
	program, ok := strings.CutPrefix(name, "part:")
	if !ok {
		return false, fmt.Errorf("unknown condition %q", name)
	}
	_, err := exec.LookPath(program)
	if err != nil && os.Getenv("STUNTCELL_REQUIRE") == "all" {
		t.Errorf("%s is missing, and STUNTCELL_REQUIRE=all is set", program)
	}
	return err == nil, nil
}
