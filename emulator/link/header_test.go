package link_test

import (
	"context"
	"fmt"
	"io"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"stuntcell/emulator/link"
	"stuntcell/emulator/link/linktest"
	"stuntcell/model/outside"
)

// conform compiles the suite's logger in C, which includes benchlink.h.
func conform(t *testing.T, flags ...string) string {
	t.Helper()
	cc := outside.Program(t, "cc")
	out := filepath.Join(t.TempDir(), "conform")
	args := append([]string{"-std=c99", "-Wall", "-Wextra", "-pedantic", "-Werror", "-I../firmware", "-o", out, "linktest/testdata/conform.c"}, flags...)
	if b, err := exec.Command(cc, args...).CombinedOutput(); err != nil {
		t.Fatalf("%v: %s", err, b)
	}
	return out
}

// The C header conforms, and so it does on a pipe when it was built for a line that damages.
func TestHeaderConforms(t *testing.T) {
	for _, flags := range [][]string{nil, {"-DBENCH_SEQ=512"}} {
		t.Run(fmt.Sprint(flags), func(t *testing.T) {
			path := conform(t, flags...)
			linktest.Run(t, func(t *testing.T) link.Link {
				return link.NewChild(link.ChildOptions{Args: []string{path}, Dir: t.TempDir()})
			})
		})
	}
}

// pipes is a line made of a process's standard input and output, damaged in both directions.
type pipes struct {
	io.Reader
	io.Writer
	close func() error
}

func (p pipes) Close() error { return p.close() }

// damagedReader damages what is read, after so many clean bytes.
type damagedReader struct {
	io.Reader
	by    *noisy
	clean int
}

func (d *damagedReader) Read(b []byte) (int, error) {
	n, err := d.Reader.Read(b[:len(b)/2]) // room for what is doubled
	if n <= d.clean {
		d.clean -= n
		return n, err
	}
	hurt := d.by.damage(b[d.clean:n])
	n = d.clean + copy(b[d.clean:], hurt)
	d.clean = 0
	return n, err
}

// The C header mends a line that damages one byte of 300 in both directions: each reading is acted upon once and all of its rows arrive.
func TestHeaderMendsALineThatDamages(t *testing.T) {
	path := conform(t, "-DBENCH_SEQ=512")
	dir := t.TempDir()
	var in, out *noisy
	b := link.NewBoard(link.BoardOptions{Retry: 30 * time.Millisecond, Open: func(context.Context) (io.ReadWriteCloser, error) {
		cmd := exec.Command(path)
		cmd.Dir = dir
		stdin, err := cmd.StdinPipe()
		if err != nil {
			return nil, err
		}
		stdout, err := cmd.StdoutPipe()
		if err != nil {
			return nil, err
		}
		if err := cmd.Start(); err != nil {
			return nil, err
		}
		line := pipes{stdout, stdin, func() error {
			stdin.Close()
			return cmd.Wait()
		}}
		in = &noisy{ReadWriteCloser: line, draw: rand.New(rand.NewPCG(3, 3)), rate: 1. / 300, clean: 1}
		out = &noisy{draw: rand.New(rand.NewPCG(4, 4)), rate: 1. / 300}
		greeted := len("row ") + len(plainGreetingLine()) + len("\nsay found \ncan seq\nok\n")
		return pipes{&damagedReader{stdout, out, greeted}, in, line.close}, nil
	}})
	const n = 500
	play(t, b, n, func(i int, sent string, said []link.Said) {
		want := sent
		if i > 0 {
			want += fmt.Sprintf(" seq=%d crc=", i)
		}
		if len(said) == 0 || said[0].Word != link.Row || !strings.HasPrefix(said[0].Text, want) {
			t.Fatalf("reading %d: the logger said %+v, want the row %q", i, said, want)
		}
	})
	count, err := os.ReadFile(filepath.Join(dir, "count"))
	if err != nil || len(count) != n {
		t.Errorf("the logger acted on %d readings, want %d (%v)", len(count), n, err)
	}
	if in.hurt < 10 || out.hurt < 10 {
		t.Errorf("only %d and %d bytes were damaged: the test shows nothing", in.hurt, out.hurt)
	}
}

func plainGreetingLine() string {
	m := link.Message{Kind: link.Greet, Greeting: plainGreeting()}
	return strings.TrimSpace(string(m.Append(nil)))
}
