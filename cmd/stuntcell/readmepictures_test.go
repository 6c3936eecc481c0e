package main

import (
	"bytes"
	"context"
	"os"
	"path/filepath"
	"runtime"
	"strings"
	"testing"
)

//go:generate env STUNTCELL_UPDATE=1 go test -count=1 -run TestReadmePictures .

// TestReadmePictures draws the README's pictures again and wants the same bytes, so that they cannot go stale. With STUNTCELL_UPDATE=1, which is
// what go generate does, they are written.
func TestReadmePictures(t *testing.T) {
	if runtime.GOARCH != "amd64" {
		t.Skip("the last digits are those of amd64")
	}
	const dir = "../../testdata/readme"
	readme, err := os.ReadFile("../../README.md")
	if err != nil {
		t.Fatal(err)
	}
	commands := map[string][]string{
		"rehearse.svg": {"rehearse", "charge-to-taper"},
		"learn.svg":    {"learn", "rectangle", "--no-progress"},
	}
	for name, args := range commands {
		drawn := filepath.Join(t.TempDir(), name)
		if _, errs, code := tool(t, context.Background(), append(args, "--plot", drawn)...); code != 0 {
			t.Fatalf("%v: %s", args, errs)
		}
		want, err := os.ReadFile(drawn)
		if err != nil {
			t.Fatal(err)
		}
		file := filepath.Join(dir, name)
		if os.Getenv("STUNTCELL_UPDATE") != "" {
			if err := os.WriteFile(file, want, 0o644); err != nil {
				t.Fatal(err)
			}
		}
		if got, err := os.ReadFile(file); err != nil || !bytes.Equal(got, want) {
			t.Errorf("%s is not what %v draws now (%v): go generate ./cmd/stuntcell", file, args, err)
		}
		if !strings.Contains(string(readme), "(testdata/readme/"+name+")") {
			t.Errorf("the README does not show %s", name)
		}
	}
	there, err := filepath.Glob(dir + "/*")
	if err != nil || len(there) != len(commands) {
		t.Errorf("%s holds %v, want %d pictures (%v)", dir, there, len(commands), err)
	}
}
