package wire_test

import (
	"bufio"
	"bytes"
	"errors"
	"fmt"
	"io"
	"math/rand/v2"
	"net"
	"os"
	"runtime"
	"strings"
	"testing"
	"time"

	"stuntcell/emulator/dialect"
	"stuntcell/emulator/dialect/dialecttest"
	"stuntcell/emulator/dialect/modbus"
	"stuntcell/emulator/dialect/registers"
	"stuntcell/emulator/dialect/scpi"
	"stuntcell/emulator/dialect/stream"
	"stuntcell/emulator/instrument"
	"stuntcell/emulator/link"
	"stuntcell/emulator/wire"
	"stuntcell/emulator/wire/wiretest"
)

// spoken is a dialect with a question and its answer.
type spoken struct {
	name        string
	device      func(testing.TB) *wire.Device
	ask, answer string
}

// dialects are all that a client can misuse: what there is to hear, and what comes after it.
func dialects() []spoken {
	device := func(talk func(testing.TB, *instrument.Bench) dialect.Dialect) func(testing.TB) *wire.Device {
		return func(t testing.TB) *wire.Device {
			b := dialecttest.Bench(t, instrument.Stepped)
			return wire.NewDevice(func() dialect.Dialect { return talk(t, b) }, wire.Options{}, b)
		}
	}
	return []spoken{
		{"stream", device(func(t testing.TB, b *instrument.Bench) dialect.Dialect {
			return streams(t, b, stream.Options{Columns: []string{"Ah"}, NoHeader: true})()
		}), "1\n", "0.00000\n"},
		{"scpi", device(func(_ testing.TB, b *instrument.Bench) dialect.Dialect { return scpi.New(b, "0") }), "*CLS;SYST:ERR?\n", "0,\"No error\"\n"},
		{"modbus", device(func(_ testing.TB, b *instrument.Bench) dialect.Dialect { return modbus.New(modbus.Options{}, b) }),
			"\x01\x03\x00\x03\x00\x01\x74\x0a", "\x01\x03\x02\x00\x00\xb8\x44"},
		{"modbus over TCP", device(func(_ testing.TB, b *instrument.Bench) dialect.Dialect {
			return modbus.New(modbus.Options{TCP: true}, b)
		}),
			"\x00\x01\x00\x00\x00\x06\x01\x03\x00\x03\x00\x01", "\x00\x01\x00\x00\x00\x05\x01\x03\x02\x00\x00"},
		{"registers", device(func(_ testing.TB, b *instrument.Bench) dialect.Dialect { return registers.New(b) }), "r 05\n", "57CE\n"},
	}
}

// answered asks on a new connection, for a while if the device is busy with those who left, and wants the answer.
func answered(t *testing.T, addr string, d spoken) {
	t.Helper()
	var got []byte
	for range 50 {
		c, err := net.Dial("tcp", addr)
		if err != nil {
			t.Fatal(err)
		}
		c.SetDeadline(time.Now().Add(10 * time.Second))
		io.WriteString(c, d.ask)
		got = make([]byte, len(d.answer))
		n, _ := io.ReadFull(c, got)
		got = got[:n]
		c.Close()
		if string(got) == d.answer {
			return
		}
		time.Sleep(20 * time.Millisecond)
	}
	t.Errorf("%s: afterwards a question is answered %q, want %q", d.name, got, d.answer)
}

// heap is what is in use [bytes].
func heap() int64 {
	runtime.GC()
	var m runtime.MemStats
	runtime.ReadMemStats(&m)
	return int64(m.HeapAlloc)
}

// TestRandomBytes: four clients say a fifth of a megabyte of anything each and read what comes; the fifth is answered, and nothing is kept.
func TestRandomBytes(t *testing.T) {
	for _, d := range dialects() {
		addr := wiretest.OnTCP(t, d.device(t))
		before := heap()
		for seed := range uint64(4) {
			c := wiretest.Dial(t, addr)
			read := make(chan error)
			go func() {
				_, err := io.Copy(io.Discard, c)
				read <- err
			}()
			draw := rand.New(rand.NewPCG(seed, 7))
			b := make([]byte, 1024)
			for n := range 200 {
				for i := range b {
					b[i] = byte(draw.Uint32())
					if n%2 == 1 { // nearer to what is understood
						b[i] = d.ask[draw.IntN(len(d.ask))]
					}
				}
				if _, err := c.Write(b); err != nil {
					t.Fatalf("%s: %v", d.name, err)
				}
			}
			c.(*net.TCPConn).CloseWrite()
			if err := <-read; err != nil {
				t.Errorf("%s: %v", d.name, err)
			}
		}
		answered(t, addr, d)
		if kept := heap() - before; kept > 10<<20 {
			t.Errorf("%s: %d MiB are kept", d.name, kept>>20)
		}
	}
}

// TestLineWithoutEnd: a megabyte without a line's end, then one; the next question is answered as if nothing had been.
func TestLineWithoutEnd(t *testing.T) {
	for _, d := range dialects() {
		if strings.HasPrefix(d.name, "modbus") {
			continue // its frames have lengths
		}
		addr := wiretest.OnTCP(t, d.device(t))
		before := heap()
		c := wiretest.Dial(t, addr)
		for range 1024 {
			if _, err := c.Write(bytes.Repeat([]byte{'x'}, 1024)); err != nil {
				t.Fatal(err)
			}
		}
		io.WriteString(c, "\n"+d.ask)
		answers := bufio.NewReader(c)
		for {
			line, err := answers.ReadString('\n')
			if err != nil {
				t.Fatalf("%s: %v", d.name, err)
			}
			if line == d.answer {
				break
			}
			if line != "nak\n" {
				t.Errorf("%s: %q", d.name, line)
			}
		}
		if kept := heap() - before; kept > 1<<20 {
			t.Errorf("%s: %d kiB are kept", d.name, kept>>10)
		}
	}
}

// TestHalfAFrame: what is given up in mid frame spoils nothing, on a terminal after a pause and on TCP for the next client.
func TestHalfAFrame(t *testing.T) {
	t.Parallel() // it waits most of the time
	for _, d := range dialects() {
		half := d.ask[:len(d.ask)/2]
		switch d.name {
		case "modbus":
			port, err := link.OpenSerial(wiretest.OnPTY(t, d.device(t)), 19200)
			if err != nil {
				t.Fatal(err)
			}
			defer port.Close()
			for range 3 {
				io.WriteString(port, half)
				time.Sleep(200 * time.Millisecond)
				io.WriteString(port, d.ask)
				port.SetReadDeadline(time.Now().Add(10 * time.Second))
				got := make([]byte, len(d.answer))
				if n, err := io.ReadFull(port, got); err != nil || string(got) != d.answer {
					t.Fatalf("% X, %v", got[:n], err)
				}
			}
		default:
			addr := wiretest.OnTCP(t, d.device(t))
			for range 3 {
				c := wiretest.Dial(t, addr)
				io.WriteString(c, half)
				c.Close()
				answered(t, addr, d)
			}
		}
	}
}

// TestClientThatAsksAndNeverReads: it is held up by its own answers, what is kept for it is bounded, and others are served.
func TestClientThatAsksAndNeverReads(t *testing.T) {
	for _, d := range dialects() {
		addr := wiretest.OnTCP(t, d.device(t))
		before := heap()
		c := wiretest.Dial(t, addr)
		c.(*net.TCPConn).SetReadBuffer(4096)
		said, many := 0, []byte(strings.Repeat(d.ask, 100))
		for {
			c.SetWriteDeadline(time.Now().Add(500 * time.Millisecond))
			n, err := c.Write(many)
			if said += n; errors.Is(err, os.ErrDeadlineExceeded) {
				break
			}
			if err != nil || said > 100<<20 {
				t.Fatalf("%s: %d bytes were taken from a client that does not read: %v", d.name, said, err)
			}
		}
		answered(t, addr, d)
		if kept := heap() - before; kept > 10<<20 {
			t.Errorf("%s: %d MiB are kept", d.name, kept>>20)
		}
	}
}

// TestClientThatTalksToAStream: who is told all the time and says something is not held up, though nobody listens to what it says.
func TestClientThatTalksToAStream(t *testing.T) {
	b := dialecttest.Bench(t, instrument.Max)
	c := wiretest.Dial(t, wiretest.OnTCP(t, wire.NewDevice(streams(t, b, stream.Options{}), wire.Options{}, b)))
	go io.Copy(io.Discard, c)
	c.(*net.TCPConn).SetWriteBuffer(4096)
	for range 3 {
		if _, err := c.Write(bytes.Repeat([]byte{'?'}, 1<<20)); err != nil {
			t.Fatal(err)
		}
	}
}

// TestTwoClientsShareAPack: each is answered what it asked, and what one switches the other sees.
func TestTwoClientsShareAPack(t *testing.T) {
	b := dialecttest.Bench(t, instrument.Stepped)
	addr := wiretest.OnTCP(t, wire.NewDevice(func() dialect.Dialect { return scpi.New(b, "0") }, wire.Options{}, b))
	type client struct {
		net.Conn
		answers *bufio.Reader
	}
	var two [2]client
	for i := range two {
		c := wiretest.Dial(t, addr)
		two[i] = client{c, bufio.NewReader(c)}
	}
	ask := func(c client, text string) string {
		io.WriteString(c, text+"\n")
		line, err := c.answers.ReadString('\n')
		if err != nil {
			t.Fatal(err)
		}
		return strings.TrimSpace(line)
	}
	done := make(chan error)
	for i, c := range two {
		go func() {
			for k := range 500 {
				want := fmt.Sprint(100*i + k%100)
				io.WriteString(c, "*ESE "+want+";*ESE?\n")
				if got, err := c.answers.ReadString('\n'); err != nil || got != want+"\n" {
					done <- fmt.Errorf("client %d: %q, want %s, %v", i, got, want, err)
					return
				}
			}
			done <- nil
		}()
	}
	for range two {
		if err := <-done; err != nil {
			t.Error(err)
		}
	}
	if got := ask(two[0], "LOAD:CURR 1.4;:INP ON;*OPC?"); got != "1" {
		t.Error(got)
	}
	if got := ask(two[1], "INP?;:LOAD:CURR?;:SYST:STEP 3600;:MEAS:CHAR?"); got != "1;+1.400000E+00;-1.400000E+00" {
		t.Errorf("the other client sees %s", got)
	}
}
