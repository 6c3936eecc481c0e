package link

import (
	"bufio"
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"testing"
	"time"
)

// exchangeOf is one line of the bench in a transcript, with what is said to it and what is made of that.
type exchangeOf struct {
	bench      string
	logger     []byte
	closes     bool
	understood []string
}

// readTranscript reads a conformance vector; its README says how.
func readTranscript(t *testing.T, path string) (all []exchangeOf, kind FailureKind, hint string) {
	t.Helper()
	b, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	for i, line := range strings.Split(strings.TrimSuffix(string(b), "\n"), "\n") {
		last := len(all) - 1
		switch {
		case strings.HasPrefix(line, "# "):
		case strings.HasPrefix(line, "> "):
			all = append(all, exchangeOf{bench: line[2:]})
		case line == "<eof":
			all[last].closes = true
		case strings.HasPrefix(line, "<."):
			all[last].logger = append(all[last].logger, spoken(t, line[2:])...)
		case strings.HasPrefix(line, "<"):
			all[last].logger = append(append(all[last].logger, spoken(t, line[1:])...), '\n')
		case strings.HasPrefix(line, "= "):
			all[last].understood = append(all[last].understood, string(spoken(t, line[1:])))
		case strings.HasPrefix(line, "! "):
			k, h, _ := strings.Cut(line[2:], " ")
			kind, hint = FailureKind(k), h
		default:
			t.Fatalf("%s:%d: no line of a transcript", path, i+1)
		}
	}
	return all, kind, hint
}

// spoken undoes the escapes of a transcript's line.
func spoken(t *testing.T, s string) []byte {
	t.Helper()
	s = strings.TrimPrefix(s, " ")
	if head, times, ok := strings.Cut(s, "*"); ok {
		n, err := strconv.Atoi(times)
		if err != nil {
			t.Fatal(err)
		}
		one := head[strings.LastIndexByte(head, ' ')+1:]
		s = head[:len(head)-len(one)] + strings.Repeat(one, n)
	}
	u, err := strconv.Unquote(`"` + strings.ReplaceAll(s, `"`, `\"`) + `"`)
	if err != nil {
		t.Fatalf("%q: %v", s, err)
	}
	return []byte(u)
}

// plays is the logger's side: it expects the bench's lines and says what the transcript says.
func plays(all []exchangeOf, in io.Reader, out io.WriteCloser) error {
	lines := bufio.NewReader(in)
	for _, x := range all {
		got, err := lines.ReadString('\n')
		if err != nil {
			return nil // the bench has found its failure
		}
		if got != x.bench+"\n" {
			return fmt.Errorf("the bench sent %q, want %q", got, x.bench)
		}
		if _, err := out.Write(x.logger); err != nil {
			return nil
		}
		if x.closes {
			return out.Close()
		}
	}
	return nil
}

func TestTranscripts(t *testing.T) {
	paths, err := filepath.Glob("testdata/transcripts/*.txt")
	if err != nil || len(paths) < 15 {
		t.Fatalf("%d transcripts, %v", len(paths), err)
	}
	for _, path := range paths {
		t.Run(strings.TrimSuffix(filepath.Base(path), ".txt"), func(t *testing.T) {
			all, kind, hint := readTranscript(t, path)
			fromBench, toLogger := io.Pipe()
			fromLogger, toBench := io.Pipe()
			timeout := 10 * time.Second
			if kind == Hang {
				timeout = 100 * time.Millisecond
			}
			w := newWire(fromLogger, toLogger, timeout)
			played := make(chan error, 1)
			go func() { played <- plays(all, fromBench, toBench) }()
			var failure error
			for _, x := range all {
				var m Message
				if err := ParseMessage([]byte(x.bench), &m); err != nil {
					t.Fatalf("%s: %v", x.bench, err)
				}
				w.send(&m)
				a, err := w.receive(context.Background())
				if err != nil {
					failure = err
					break
				}
				var said []string
				for i := range a.Said {
					said = append(said, string(a.Said[i].append(nil)))
				}
				if strings.Join(said, "\n") != strings.Join(x.understood, "\n") {
					t.Errorf("%s\nunderstood %q\nwant       %q", x.bench, said, x.understood)
				}
			}
			w.close()
			if err := <-played; err != nil {
				t.Error(err)
			}
			var f *Failure
			switch {
			case errors.Is(failure, errEnded):
				f = &Failure{Kind: Crash, Detail: "closed its output"} // which a child's link adds
			case failure != nil && !errors.As(failure, &f):
				t.Fatal(failure)
			}
			switch {
			case f == nil && kind != "":
				t.Errorf("understood to its end, want %s", kind)
			case f != nil && (f.Kind != kind || !strings.Contains(f.Error()+" "+f.Hint, hint)):
				t.Errorf("failed: %v (hint: %s), want %s, %q", f, f.Hint, kind, hint)
			}
		})
	}
}
