package main

import (
	"bytes"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"

	"stuntcell/model/outside"
)

// recipes returns the lines of the README's section on big runs that are to be typed, by the comment above each.
func recipes(t *testing.T) map[string]string {
	t.Helper()
	text, err := os.ReadFile("../../README.md")
	if err != nil {
		t.Fatal(err)
	}
	_, section, _ := strings.Cut(string(text), "\n## Big runs\n")
	section, _, _ = strings.Cut(section, "\n## ")
	found := map[string]string{}
	for n, block := range strings.Split(section, "```") {
		if n%2 == 0 {
			continue
		}
		comment := ""
		for line := range strings.Lines(strings.TrimPrefix(block, "sh\n")) {
			if c, ok := strings.CutPrefix(line, "# "); ok {
				comment = strings.TrimSpace(c)
			} else if key := comment; found[key] == "" {
				found[key] = strings.TrimSpace(line)
			} else {
				found[key] += "\n" + strings.TrimSpace(line)
			}
		}
	}
	return found
}

// shell types a line as the README has it, with the built-in loggers in place of a program.
func shell(t *testing.T, line string, status int, env ...string) string {
	t.Helper()
	line = strings.ReplaceAll(line, "--run ./logger", "--defect tick-wrap")
	cmd := exec.Command("sh", "-c", line)
	cmd.Env = append(os.Environ(), env...)
	var out, errs bytes.Buffer
	cmd.Stdout, cmd.Stderr = &out, &errs
	cmd.Run()
	if got := cmd.ProcessState.ExitCode(); got != status && status >= 0 {
		t.Fatalf("%s\nexit status %d, want %d\n%s%s", line, got, status, out.String(), errs.String())
	}
	return out.String()
}

// TestBigRuns types what the README says of big runs: with each of the engines the parts join to the very report of one run.
func TestBigRuns(t *testing.T) {
	outside.Program(t, "parallel")
	outside.Program(t, "sh")
	lines := recipes(t)
	bin := t.TempDir()
	self, err := os.Executable()
	if err != nil {
		t.Fatal(err)
	}
	if err := os.Symlink(self, filepath.Join(bin, "stuntcell")); err != nil {
		t.Skipf("no links here: %v", err)
	}
	t.Setenv("PATH", bin+string(os.PathListSeparator)+os.Getenv("PATH"))
	project := "suite: [discharge-two-rates, rest-with-noise, tick-wrap-mid-discharge, load-steps, leap-day]\n"
	begin := func(t *testing.T) {
		t.Chdir(t.TempDir())
		if err := os.WriteFile("stuntcell.yaml", []byte(project), 0o666); err != nil {
			t.Fatal(err)
		}
	}
	begin(t)
	whole := shell(t, "stuntcell prove --run ./logger --json --report all.html --junit all.xml", 1)
	page, _ := os.ReadFile("all.html")
	junit, _ := os.ReadFile("all.xml")

	for _, c := range []struct {
		recipe string
		env    func(i int) []string // of job i, from 0; nil: the line starts all jobs
	}{
		{"GNU parallel, on all cores here or, with -S, on many machines", nil},
		{"a job array that counts from 1 (or $SGE_TASK_ID, $PBS_ARRAY_INDEX, $LSB_JOBINDEX)", func(i int) []string {
			return []string{fmt.Sprintf("SLURM_ARRAY_TASK_ID=%d", i+1)}
		}},
		{"a CI matrix that gives index and total, from 1", func(i int) []string {
			return []string{fmt.Sprintf("CI_NODE_INDEX=%d", i+1), "CI_NODE_TOTAL=8"}
		}},
		{"a matrix, or a process number, that counts from 0", func(i int) []string { return []string{fmt.Sprintf("JOB_INDEX=%d", i)} }},
	} {
		t.Run(c.recipe, func(t *testing.T) {
			line := lines[c.recipe]
			if line == "" {
				t.Fatalf("the README has no such recipe: %v", lines)
			}
			begin(t)
			if c.env == nil {
				shell(t, line, 1) // parallel says how many jobs failed
			}
			for i := 0; c.env != nil && i < 8; i++ {
				shell(t, line, -1, c.env(i)...)
			}
			if got := shell(t, "stuntcell gather *.ndjson --json", 1); got != whole {
				t.Errorf("joined to %d bytes, one run gives %d", len(got), len(whole))
			}
			shell(t, lines[""], 1)
			for name, want := range map[string][]byte{"all.html": page, "all.xml": junit} {
				if got, err := os.ReadFile(name); err != nil || !bytes.Equal(got, want) {
					t.Errorf("%s is not that of one run: %v", name, err)
				}
			}
		})
	}

	t.Run("two builds", func(t *testing.T) {
		begin(t)
		prove, compare, ok := strings.Cut(lines["two builds, three seeds"], "\n")
		if !ok {
			t.Fatalf("the README has no such recipe: %v", lines)
		}
		// The built-in loggers stand in for two programs.
		prove = strings.ReplaceAll(strings.ReplaceAll(prove, "--run ./{1}", "--defect {1}"), "::: old new", "::: kahan tick-wrap")
		shell(t, prove, -1)
		out := shell(t, strings.NewReplacer("old-", "kahan-", "new-", "tick-wrap-").Replace(compare), 1)
		if !strings.Contains(out, "tick-wrap-mid-discharge (seed 3)") || !strings.Contains(out, "WORSE: 3 worse, ") {
			t.Errorf("compared:\n%s", out)
		}
	})
}
