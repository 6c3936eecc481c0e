package link_test

import (
	"bufio"
	"bytes"
	"context"
	"os"
	"os/exec"
	"path/filepath"
	"testing"
	"time"

	"stuntcell/emulator/link"
)

// answering compiles a C logger that writes nothing but ok.
func answering(b *testing.B) string {
	b.Helper()
	cc, err := exec.LookPath("cc")
	if err != nil {
		skip(b, "no C compiler (cc)")
	}
	dir := b.TempDir()
	source, out := filepath.Join(dir, "a.c"), filepath.Join(dir, "a")
	const text = "#include \"benchlink.h\"\nint main(void) { while (bench_next() != BENCH_CLOSED) bench_ok(); return 0; }\n"
	if err := os.WriteFile(source, []byte(text), 0o666); err != nil {
		b.Fatal(err)
	}
	if msg, err := exec.Command(cc, "-std=c99", "-O2", "-I../firmware", "-o", out, source).CombinedOutput(); err != nil {
		b.Fatalf("%v: %s", err, msg)
	}
	return out
}

var reading = link.Message{Kind: link.Read, Reading: link.Reading{Tick: 123456789, Shunt: -1234, Bus: 4123, Clock: 1772438400}}

// The reference of lock step: a plain parent in Go with time-outs and the same child.
func BenchmarkLockStepOfABareParent(b *testing.B) {
	cmd := exec.Command(answering(b))
	inR, inW, err := os.Pipe()
	if err != nil {
		b.Fatal(err)
	}
	outR, outW, err := os.Pipe()
	if err != nil {
		b.Fatal(err)
	}
	cmd.Stdin, cmd.Stdout = inR, outW
	if err := cmd.Start(); err != nil {
		b.Fatal(err)
	}
	inR.Close()
	outW.Close()
	defer cmd.Wait()
	defer inW.Close()
	lines := bufio.NewReader(outR)
	line := reading.Append(nil)
	for b.Loop() {
		if _, err := inW.Write(line); err != nil {
			b.Fatal(err)
		}
		outR.SetReadDeadline(time.Now().Add(10 * time.Second))
		got, err := lines.ReadSlice('\n')
		if err != nil || !bytes.Equal(got, []byte("ok\n")) {
			b.Fatalf("%q, %v", got, err)
		}
	}
}

func BenchmarkLockStep(b *testing.B) { exchanges(b, 1) }

func BenchmarkSentAhead(b *testing.B) { exchanges(b, 256) }

func exchanges(b *testing.B, ahead int) {
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
