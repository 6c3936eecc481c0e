package main

import (
	"bytes"
	"context"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"

	"stuntcell/model/outside"
)

// Every command has a page that names all its flags, and a formatter has nothing to say against any of them.
func TestManualPages(t *testing.T) {
	dir := filepath.Join(t.TempDir(), "man1")
	if _, errs, code := tool(t, context.Background(), "man", dir); code != 0 {
		t.Fatal(errs)
	}
	root := newRoot(streams{in: strings.NewReader(""), out: os.Stdout, err: os.Stderr})
	files, err := filepath.Glob(dir + "/*.1")
	if err != nil || len(files) != len(documented(root))+1 {
		t.Fatalf("%d pages of %d commands, %v", len(files), len(documented(root))+1, err)
	}
	for _, c := range documented(root) {
		data, err := os.ReadFile(filepath.Join(dir, manName(c)+".1"))
		if err != nil {
			t.Fatal(err)
		}
		for _, line := range strings.Split(c.Flags().FlagUsages(), "\n") {
			if _, name, ok := strings.Cut(line, "--"); ok {
				name, _, _ = strings.Cut(name, " ")
				if !strings.Contains(string(data), `\fB`+roff("--"+name)+`\fR`) {
					t.Errorf("the page of %s does not name --%s", c.Name(), name)
				}
			}
		}
	}
	again := filepath.Join(t.TempDir(), "man1")
	if _, errs, code := tool(t, context.Background(), "man", again); code != 0 {
		t.Fatal(errs)
	}
	groff := outside.Program(t, "groff")
	for _, file := range files {
		a, _ := os.ReadFile(file)
		if b, err := os.ReadFile(filepath.Join(again, filepath.Base(file))); err != nil || !bytes.Equal(a, b) {
			t.Errorf("%s differs when it is written again, %v", filepath.Base(file), err)
		}
		out, err := exec.Command(groff, "-man", "-Tutf8", "-ww", "-rLL=80n", file).CombinedOutput()
		if err != nil || strings.Contains(string(out), "warning") {
			t.Errorf("%s: %v\n%s", filepath.Base(file), err, out)
		}
	}
}

// Help is read in a terminal of eighty columns.
func TestHelpFitsATerminal(t *testing.T) {
	root := newRoot(streams{in: strings.NewReader(""), out: os.Stdout, err: os.Stderr})
	for _, c := range append(documented(root), root) {
		args := append(strings.Fields(c.CommandPath())[1:], "--help")
		out, errs, code := tool(t, context.Background(), args...)
		if code != 0 {
			t.Fatalf("%q: %d, %s", args, code, errs)
		}
		for line := range strings.Lines(out) {
			if n := len([]rune(strings.TrimRight(line, "\n"))); n > 80 {
				t.Errorf("%s: %d columns: %s", c.CommandPath(), n, line)
			}
		}
	}
}
