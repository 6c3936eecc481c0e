// Package wiretest is what tests of devices on a wire share: lines that a device is served on, and exchanges
// that are timed beside a bare echo.
package wiretest

import (
	"context"
	"errors"
	"io"
	"net"
	"path/filepath"
	"testing"
	"time"

	"stuntcell/emulator/link"
	"stuntcell/emulator/wire"
	"stuntcell/model/outside"
)

// patience is how long a test waits for what must come.
const patience = 20 * time.Second

// PTY makes a pseudo-terminal under a name in a directory of the test's.
func PTY(t testing.TB) *link.PTY {
	t.Helper()
	p, err := link.OpenPTY(filepath.Join(t.TempDir(), "port"))
	if errors.Is(err, errors.ErrUnsupported) {
		outside.Missing(t, "a pseudo-terminal")
	}
	if err != nil {
		t.Fatal(err)
	}
	return p
}

// OnTCP serves a device on a loopback port until the test ends and returns its address.
func OnTCP(t testing.TB, d *wire.Device) string {
	t.Helper()
	l, _, err := link.ListenTCP("127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	untilTheEnd(t, func(ctx context.Context) error { return d.Serve(ctx, l) })
	return l.Addr().String()
}

// OnPTY serves a device on a pseudo-terminal until the test ends and returns the name that clients open.
func OnPTY(t testing.TB, d *wire.Device) string {
	t.Helper()
	p := PTY(t)
	untilTheEnd(t, func(ctx context.Context) error { return d.ServeTerminal(ctx, p) })
	return p.Device()
}

func untilTheEnd(t testing.TB, serve func(context.Context) error) {
	ctx, cancel := context.WithCancel(context.Background())
	done := make(chan error, 1)
	go func() { done <- serve(ctx) }()
	t.Cleanup(func() {
		cancel()
		select {
		case err := <-done:
			if err != nil {
				t.Error(err)
			}
		case <-time.After(patience):
			t.Error("the server does not end")
		}
	})
}

// Dial connects to a device until the test ends.
func Dial(t testing.TB, addr string) net.Conn {
	t.Helper()
	c, err := net.Dial("tcp", addr)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { c.Close() })
	c.SetDeadline(time.Now().Add(patience))
	return c
}

// echo serves a bare echo on a loopback port until the test ends.
func echo(t testing.TB) string {
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { l.Close() })
	go func() {
		for {
			c, err := l.Accept()
			if err != nil {
				return
			}
			go io.Copy(c, struct{ io.Reader }{c})
		}
	}()
	return l.Addr().String()
}

// A round is parts of so many exchanges, in turn on one line and on the other, so that what else the computer does strikes both.
const (
	partOf  = 100
	roundOf = 10 * partOf
)

// BesideEcho times a question that is answered with so many bytes, beside the same client at a server that only sends the question back.
// One iteration is a round of 1000 exchanges with each; reported is how much of the echo's pace the device reaches, as the least and the
// median of the rounds.
func BesideEcho(b *testing.B, addr, ask string, answer int) {
	bare, ours := Dial(b, echo(b)), Dial(b, addr)
	for _, c := range []net.Conn{bare, ours} {
		c.SetDeadline(time.Time{})
	}
	buf := make([]byte, max(answer, len(ask)))
	part := func(c net.Conn, answer int) time.Duration {
		begun := time.Now()
		for range partOf {
			if _, err := io.WriteString(c, ask); err != nil {
				b.Fatal(err)
			}
			if _, err := io.ReadFull(c, buf[:answer]); err != nil {
				b.Fatal(err)
			}
		}
		return time.Since(begun)
	}
	var ratios []float64
	var took time.Duration
	for b.Loop() {
		var reference, own time.Duration
		for range roundOf / partOf {
			reference += part(bare, len(ask))
			own += part(ours, answer)
		}
		took += own
		ratios = append(ratios, float64(reference)/float64(own))
	}
	outside.Ratios(b, "of-echo", ratios)
	b.ReportMetric(float64(took.Nanoseconds())/float64(len(ratios)*roundOf), "ns/exchange")
}
