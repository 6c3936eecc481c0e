package link_test

import (
	"bufio"
	"bytes"
	"context"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"stuntcell/emulator/link"
	"stuntcell/model/outside"
)

// compiled compiles a C file and returns the program.
func compiled(t testing.TB, source string) string {
	t.Helper()
	cc, out := outside.Program(t, "cc"), filepath.Join(t.TempDir(), "program")
	if msg, err := exec.Command(cc, "-std=gnu99", "-O2", "-Wall", "-Wextra", "-Werror", "-I../firmware", "-o", out, source).CombinedOutput(); err != nil {
		t.Fatalf("%v: %s", err, msg)
	}
	return out
}

// answering compiles a C logger that writes nothing but ok.
func answering(b *testing.B) string {
	b.Helper()
	source := filepath.Join(b.TempDir(), "a.c")
	const text = "#include \"benchlink.h\"\nint main(void) { while (bench_next() != BENCH_CLOSED) bench_ok(); return 0; }\n"
	if err := os.WriteFile(source, []byte(text), 0o666); err != nil {
		b.Fatal(err)
	}
	return compiled(b, source)
}

var reading = link.Message{Kind: link.Read, Reading: link.Reading{Tick: 123456789, Shunt: -1234, Bus: 4123, Clock: 1772438400}}

// A round is parts of so many exchanges, with each parent in its turn, so that what else the computer does strikes all.
const (
	partOf  = 200
	roundOf = 10 * partOf
)

// BenchmarkLockStep times exchanges in lock step with a C child: by this link, by a bare parent in Go with time-outs, and by a bare parent in C
// without. One iteration is a round of 2000 with each; reported is how much of each reference's pace the link reaches, as the least and the
// median of the rounds.
func BenchmarkLockStep(b *testing.B) {
	child := answering(b)
	ours, bare, inC := ourParent(b, child), bareParent(b, child), parentInC(b, child)
	var ofBare, ofC []float64
	var took time.Duration
	for b.Loop() {
		var own, ofGo, ofPair time.Duration
		for range roundOf / partOf {
			own += ours()
			ofGo += bare()
			ofPair += inC()
		}
		took += own
		ofBare = append(ofBare, float64(ofGo)/float64(own))
		ofC = append(ofC, float64(ofPair)/float64(own))
	}
	outside.Ratios(b, "of-bare-go", ofBare)
	outside.Ratios(b, "of-c-pair", ofC)
	b.ReportMetric(float64(took.Nanoseconds())/float64(len(ofC)*roundOf), "ns/exchange")
}

// ourParent starts the child and returns what plays a part with it.
func ourParent(b *testing.B, child string) func() time.Duration {
	c := link.NewChild(link.ChildOptions{Args: []string{child}, Ahead: 1})
	if err := c.Start(context.Background()); err != nil {
		b.Fatal(err)
	}
	b.Cleanup(func() { c.Close() })
	return func() time.Duration {
		begun := time.Now()
		for range partOf {
			if err := c.Send(&reading); err != nil {
				b.Fatal(err)
			}
			if _, err := c.Receive(context.Background()); err != nil {
				b.Fatal(err)
			}
		}
		return time.Since(begun)
	}
}

func bareParent(b *testing.B, child string) func() time.Duration {
	cmd, in, out := piped(b, child)
	lines := bufio.NewReader(out)
	line := reading.Append(nil)
	b.Cleanup(func() {
		in.Close()
		cmd.Wait()
	})
	return func() time.Duration {
		begun := time.Now()
		for range partOf {
			if _, err := in.Write(line); err != nil {
				b.Fatal(err)
			}
			out.SetReadDeadline(time.Now().Add(10 * time.Second))
			got, err := lines.ReadSlice('\n')
			if err != nil || !bytes.Equal(got, []byte("ok\n")) {
				b.Fatalf("%q, %v", got, err)
			}
		}
		return time.Since(begun)
	}
}

func parentInC(b *testing.B, child string) func() time.Duration {
	cmd, in, out := piped(b, compiled(b, "testdata/parent.c"), strings.TrimSpace(string(reading.Append(nil))), child)
	b.Cleanup(func() {
		in.Close()
		cmd.Wait()
	})
	return func() (took time.Duration) {
		fmt.Fprintln(in, partOf)
		if _, err := fmt.Fscan(out, &took); err != nil {
			b.Fatal(err)
		}
		return took
	}
}

// piped starts a program on pipes.
func piped(b *testing.B, args ...string) (cmd *exec.Cmd, in, out *os.File) {
	cmd = exec.Command(args[0], args[1:]...)
	inR, in, err := os.Pipe()
	if err != nil {
		b.Fatal(err)
	}
	out, outW, err := os.Pipe()
	if err != nil {
		b.Fatal(err)
	}
	cmd.Stdin, cmd.Stdout = inR, outW
	if err := cmd.Start(); err != nil {
		b.Fatal(err)
	}
	inR.Close()
	outW.Close()
	b.Cleanup(func() { out.Close() })
	return cmd, in, out
}

// BenchmarkSentAhead is one exchange where readings go ahead of their answers.
func BenchmarkSentAhead(b *testing.B) {
	const ahead = 256
	c := link.NewChild(link.ChildOptions{Args: []string{answering(b)}, Ahead: ahead})
	if err := c.Start(context.Background()); err != nil {
		b.Fatal(err)
	}
	defer c.Close()
	waiting := 0
	for b.Loop() {
		if err := c.Send(&reading); err != nil {
			b.Fatal(err)
		}
		if waiting++; waiting < ahead {
			continue
		}
		for ; waiting > ahead/2; waiting-- {
			if _, err := c.Receive(context.Background()); err != nil {
				b.Fatal(err)
			}
		}
	}
}
