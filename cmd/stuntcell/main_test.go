package main

import (
	"errors"
	"fmt"
	"os"
	"os/exec"
	"strconv"
	"strings"
	"testing"

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
			return nil
		},
		Cmds:      map[string]func(*testscript.TestScript, bool, []string){"ends": ends},
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
	got := 0
	if err := ts.Exec(args[1], args[2:]...); err != nil {
		var exit *exec.ExitError
		if !errors.As(err, &exit) {
			ts.Fatalf("%v", err)
		}
		got = exit.ExitCode()
	}
	if got != want {
		ts.Fatalf("exit status %d, want %d", got, want)
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
