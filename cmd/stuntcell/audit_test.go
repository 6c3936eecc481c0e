package main

import (
	"archive/zip"
	"bytes"
	"compress/gzip"
	"context"
	"encoding/json"
	"io"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"
)

const smallLog = "t (s),U (V),I (A)\n0,12.600,-1.0000\n10,12.500,-1.0000\n20,12.400,-1.0000\n30,12.300,-1.0000\n40,12.300,0.0000\n"

// file makes a file for a test's output and returns what was written to it.
func file(t *testing.T, name string) (*os.File, func() string) {
	t.Helper()
	f, err := os.Create(filepath.Join(t.TempDir(), name))
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { f.Close() })
	return f, func() string {
		b, err := os.ReadFile(f.Name())
		if err != nil {
			t.Fatal(err)
		}
		return string(b)
	}
}

// The same log as a file, compressed by gzip, in a zip archive and through a pipe is the same log.
func TestLogsHoweverTheyCome(t *testing.T) {
	dir := t.TempDir()
	write := func(name string, b []byte) string {
		path := filepath.Join(dir, name)
		if err := os.WriteFile(path, b, 0o644); err != nil {
			t.Fatal(err)
		}
		return path
	}
	var gz, zipped bytes.Buffer
	w := gzip.NewWriter(&gz)
	io.WriteString(w, smallLog)
	w.Close()
	z := zip.NewWriter(&zipped)
	f, err := z.Create("log.csv")
	if err != nil {
		t.Fatal(err)
	}
	io.WriteString(f, smallLog)
	z.Close()
	pipe, in, err := os.Pipe()
	if err != nil {
		t.Fatal(err)
	}
	go func() {
		for _, line := range strings.SplitAfter(smallLog, "\n") {
			io.WriteString(in, line)
		}
		in.Close()
	}()
	want := ""
	for _, name := range []string{write("log.csv", []byte(smallLog)), write("log.csv.gz", gz.Bytes()), write("log.zip", zipped.Bytes()), "-"} {
		out, text := file(t, "out")
		if err := runAudit(context.Background(), streams{in: pipe, out: out, err: out}, auditOptions{json: true, channel: 1}, []string{name}); err != nil {
			t.Fatal(name, err)
		}
		var r struct {
			Out float64 `json:"charge_out_As"`
		}
		if err := json.Unmarshal([]byte(text()), &r); err != nil {
			t.Fatal(name, err)
		}
		if r.Out != 35 {
			t.Errorf("%s: %v A·s", name, r.Out)
		}
		// All but the file's own name and hash is the same.
		i := strings.Index(text(), `"rows"`)
		if got := text()[i:]; want == "" {
			want = got
		} else if got != want {
			t.Errorf("%s:\n%s\nthe plain file:\n%s", name, got, want)
		}
	}
}

// A file that grows, by lines cut anywhere, is followed to its end.
func TestFollowAGrowingLog(t *testing.T) {
	log := filepath.Join(t.TempDir(), "log.csv")
	f, err := os.Create(log)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	out, text := file(t, "out")
	ctx, stop := context.WithCancel(context.Background())
	ended := make(chan error)
	go func() {
		b, err := findBench()
		if err == nil {
			err = followLog(ctx, streams{out: out, err: out}, b, auditOptions{channel: 1, cutoff: 12}, log)
		}
		ended <- err
	}()
	// Rows 100 s apart: the follower speaks once a minute of the log.
	grown := strings.NewReplacer("\n1", "\n10", "\n2", "\n20", "\n3", "\n30", "\n4", "\n40").Replace(smallLog)
	for at := 0; at < len(grown); at += 17 {
		if _, err := f.WriteString(grown[at:min(at+17, len(grown))]); err != nil {
			t.Fatal(err)
		}
	}
	for began := time.Now(); !strings.Contains(text(), "5 rows") && time.Since(began) < 10*time.Second; {
		time.Sleep(20 * time.Millisecond)
	}
	stop()
	if err := <-ended; err != interrupted {
		t.Error(err)
	}
	if s := text(); !strings.Contains(s, "5 rows") || !strings.Contains(s, "out 0.0972 Ah") {
		t.Errorf("followed to:\n%s", s)
	}
}
