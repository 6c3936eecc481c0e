package main

import (
	"context"
	"os/exec"
	"path/filepath"
	"regexp"
	"strings"
	"testing"

	"stuntcell/model/outside"
)

// TestHuntACanary: a logger in C that is wrong only when the counter wraps while a write fails is found within so many draws. The
// file that the hunt writes shows it, and a healthy logger passes it.
func TestHuntACanary(t *testing.T) {
	if _, err := exec.LookPath("cc"); err != nil {
		outside.Missing(t, "a C compiler")
	}
	dir := t.TempDir()
	for _, name := range []string{"canary", "plain"} {
		build := exec.Command("cc", "-std=c99", "-O2", "-I../../emulator/firmware", "-o", filepath.Join(dir, name), "../../testdata/loggers/"+name+".c")
		if out, err := build.CombinedOutput(); err != nil {
			t.Fatalf("%v\n%s", err, out)
		}
	}
	t.Chdir(dir)
	out, errs, code := tool(t, context.Background(), "hunt", "--run", "./canary", "--seed", "1", "--draws", "500", "--for", "10m", "-o", "found.yaml")
	if code != 1 {
		t.Fatalf("exit status %d\n%s%s", code, out, errs)
	}
	for _, want := range []string{"    scenario: hunt-", "card-fail", "Again:  stuntcell prove --run './canary' found.yaml\n"} {
		if !strings.Contains(out, want) {
			t.Errorf("not said: %q\n%s", want, out)
		}
	}
	anew := regexp.MustCompile(`(?m)^Anew: +stuntcell (hunt --run './canary' --seed \d+ --draws 1)$`).FindStringSubmatch(out)
	if anew == nil {
		t.Fatalf("not said how to hunt it anew\n%s", out)
	}
	for _, c := range []struct {
		args string
		code int
	}{
		{"prove --run ./canary found.yaml", 1},
		{"prove --run ./plain found.yaml", 0},
		{strings.ReplaceAll(anew[1], "'", "") + " -o anew.yaml", 1},
	} {
		if out, errs, code := tool(t, context.Background(), strings.Fields(c.args)...); code != c.code {
			t.Errorf("%s: exit status %d, want %d\n%s%s", c.args, code, c.code, out, errs)
		}
	}
	if err := exec.Command("cmp", "found.yaml", "anew.yaml").Run(); err != nil {
		t.Error("hunted anew, it is shrunk to another scenario")
	}
}
