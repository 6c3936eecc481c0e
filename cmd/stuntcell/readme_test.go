package main

import (
	"bytes"
	"os"
	"os/exec"
	"runtime"
	"strings"
	"testing"
)

// TestReadmeSession types what the README types and holds its text to what comes out, so that it cannot go stale. With STUNTCELL_UPDATE=1 the README
// is brought up to date.
func TestReadmeSession(t *testing.T) {
	if runtime.GOARCH != "amd64" {
		t.Skip("the last digits are those of amd64")
	}
	const file, prompt = "../../README.md", "$ ./stuntcell "
	text, err := os.ReadFile(file)
	if err != nil {
		t.Fatal(err)
	}
	blocks := strings.Split(string(text), "```")
	typed := 0
	for n, block := range blocks {
		command, said, ok := strings.Cut(strings.TrimPrefix(block, "\n"), "\n")
		if n%2 == 0 || !ok || !strings.HasPrefix(command, prompt) {
			continue
		}
		typed++
		// The test's own program is the command (TestMain) under its name.
		program := t.TempDir() + "/stuntcell"
		self, err := os.Executable()
		if err != nil {
			t.Fatal(err)
		}
		if err := os.Symlink(self, program); err != nil {
			t.Skipf("no links here: %v", err)
		}
		cmd := exec.Command(program, strings.Fields(strings.TrimPrefix(command, prompt))...)
		cmd.Dir = t.TempDir()
		var out bytes.Buffer
		cmd.Stdout = &out
		if err := cmd.Run(); err != nil && cmd.ProcessState.ExitCode() != 1 {
			t.Fatalf("%s: %v", command, err)
		}
		if out.String() == said {
			continue
		}
		if os.Getenv("STUNTCELL_UPDATE") == "" {
			t.Errorf("%s\nprints\n%s\nthe README says\n%s", command, out.String(), said)
		}
		blocks[n] = "\n" + command + "\n" + out.String()
	}
	if typed == 0 {
		t.Error("the README types nothing")
	}
	if os.Getenv("STUNTCELL_UPDATE") != "" {
		if err := os.WriteFile(file, []byte(strings.Join(blocks, "```")), 0o644); err != nil {
			t.Fatal(err)
		}
	}
}
