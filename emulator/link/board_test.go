package link_test

import (
	"bufio"
	"context"
	"encoding/hex"
	"errors"
	"fmt"
	"io"
	"math/rand/v2"
	"net"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"sync"
	"testing"
	"time"

	"stuntcell/emulator/link"
	"stuntcell/emulator/link/linktest"
	"stuntcell/emulator/wire/wiretest"
	"stuntcell/model/outside"
)

// shelf is a store that a simulated board keeps over its restarts.
type shelf map[string][]byte

func (s shelf) Load(name string) []byte    { return s[name] }
func (s shelf) Save(name string, b []byte) { s[name] = append([]byte(nil), b...) }

// plainBoard answers as firmware does that knows nothing of seq, one new logger at each greeting, until the line ends.
func plainBoard(rw io.ReadWriter, factory func() link.Logger) {
	lines := bufio.NewScanner(rw)
	var l link.Logger
	var m link.Message
	var a link.Answer
	for lines.Scan() {
		if link.ParseMessage(lines.Bytes(), &m) != nil {
			continue
		}
		if m.Kind == link.Greet {
			l = factory()
		}
		if l == nil {
			continue
		}
		a.Reset()
		link.Deliver(l, &m, &a)
		if _, err := rw.Write(a.Append(nil)); err != nil {
			return
		}
	}
}

func sealedBoard(rw io.ReadWriter, factory func() link.Logger) { link.Sealed(rw, rw, factory) }

// boards are the ways in which a simulated board speaks.
var boards = map[string]func(io.ReadWriter, func() link.Logger){"plain": plainBoard, "sealed": sealedBoard}

// onPTY puts a board on a pseudo-terminal and returns the device's name.
func onPTY(t *testing.T, serve func(io.ReadWriter)) string {
	t.Helper()
	p := wiretest.PTY(t)
	done := make(chan struct{})
	go func() {
		defer close(done)
		serve(p)
	}()
	t.Cleanup(func() {
		p.Close()
		<-done
	})
	return p.Device()
}

// onTCP puts a board on a loopback port, which restarts it at each connection.
func onTCP(t *testing.T, serve func(io.ReadWriter)) string {
	t.Helper()
	l, reachable, err := link.ListenTCP("127.0.0.1:0")
	if err != nil || reachable {
		t.Fatal(err, reachable)
	}
	var running sync.WaitGroup
	running.Go(func() {
		for {
			c, err := l.Accept()
			if err != nil {
				return
			}
			serve(c)
			c.Close()
		}
	})
	t.Cleanup(func() {
		l.Close()
		running.Wait()
	})
	return l.Addr().String()
}

func openSerial(name string) func(context.Context) (io.ReadWriteCloser, error) {
	return func(context.Context) (io.ReadWriteCloser, error) { return link.OpenSerial(name, 115200) }
}

func openTCP(addr string) func(context.Context) (io.ReadWriteCloser, error) {
	return func(ctx context.Context) (io.ReadWriteCloser, error) { return link.DialTCP(ctx, addr) }
}

func TestBoardsConform(t *testing.T) {
	for name, serve := range boards {
		t.Run("serial on a pty, "+name, func(t *testing.T) {
			linktest.RunBoard(t, func(t *testing.T) link.Link {
				store := shelf{}
				device := onPTY(t, func(rw io.ReadWriter) { serve(rw, func() link.Logger { return linktest.NewLogger(store) }) })
				return link.NewBoard(link.BoardOptions{Open: openSerial(device)})
			})
		})
		t.Run("tcp, "+name, func(t *testing.T) {
			linktest.RunBoard(t, func(t *testing.T) link.Link {
				store := shelf{}
				addr := onTCP(t, func(rw io.ReadWriter) { serve(rw, func() link.Logger { return linktest.NewLogger(store) }) })
				return link.NewBoard(link.BoardOptions{Open: openTCP(addr)})
			})
		})
	}
}

// noisy damages what passes: each byte is flipped, lost or doubled with some probability.
type noisy struct {
	io.ReadWriteCloser
	mu    sync.Mutex
	draw  *rand.Rand
	rate  float64
	clean int // so many writes pass unharmed: the greeting has no seal yet
	hurt  int
}

func (n *noisy) damage(b []byte) []byte {
	n.mu.Lock()
	defer n.mu.Unlock()
	var out []byte
	for _, c := range b {
		if n.draw.Float64() >= n.rate {
			out = append(out, c)
			continue
		}
		n.hurt++
		switch n.draw.IntN(3) {
		case 0:
			out = append(out, c^1<<n.draw.IntN(8))
		case 1:
			out = append(out, c, c)
		}
	}
	return out
}

func (n *noisy) Write(b []byte) (int, error) {
	if n.clean > 0 {
		n.clean--
		return n.ReadWriteCloser.Write(b)
	}
	_, err := n.ReadWriteCloser.Write(n.damage(b))
	return len(b), err
}

func plainGreeting() link.Greeting {
	var g link.Greeting
	for _, key := range link.Keys() {
		*g.Field(key) = 1
	}
	g.TickBits = 32
	return g
}

// TestSealsMendALineThatDamages runs 200 readings over a line that damages one byte of 300 in both directions: the answers are
// those of a clean line, and the logger acted on each reading once.
func TestSealsMendALineThatDamages(t *testing.T) {
	store := shelf{}
	var hurt [2]*noisy
	const n = 200
	// Cleanups run last to first: by then the board has gone, and what it kept can be looked at.
	t.Cleanup(func() {
		if got := len(store["count"]); got != n {
			t.Errorf("the logger acted on %d readings, want %d", got, n)
		}
		if hurt[0].hurt < 5 || hurt[1].hurt < 5 {
			t.Errorf("only %d and %d bytes were damaged: the test shows nothing", hurt[0].hurt, hurt[1].hurt)
		}
	})
	device := onPTY(t, func(rw io.ReadWriter) {
		hurt[0] = &noisy{ReadWriteCloser: rw.(io.ReadWriteCloser), draw: rand.New(rand.NewPCG(1, 1)), rate: 1. / 300, clean: 1}
		link.Sealed(rw, hurt[0], func() link.Logger { return linktest.NewLogger(store) })
	})
	b := link.NewBoard(link.BoardOptions{Retry: 30 * time.Millisecond, Open: func(context.Context) (io.ReadWriteCloser, error) {
		s, err := link.OpenSerial(device, 115200)
		hurt[1] = &noisy{ReadWriteCloser: s, draw: rand.New(rand.NewPCG(2, 2)), rate: 1. / 300, clean: 1}
		return hurt[1], err
	}})
	play(t, b, n, func(i int, sent string, said []link.Said) {
		if said[0].Text != sent {
			t.Fatalf("reading %d: the logger got %q, want %q", i, said[0].Text, sent)
		}
	})
}

// play starts a link, greets and sends so many readings in lock step, and looks at what is said to each line.
func play(t *testing.T, l link.Link, n int, look func(i int, sent string, said []link.Said)) {
	t.Helper()
	if err := l.Start(context.Background()); err != nil {
		t.Fatal(err)
	}
	defer l.Close()
	for i := range n + 1 {
		m := link.Message{Kind: link.Read, Reading: link.Reading{Tick: uint64(i) * 1000, Shunt: -360, Bus: 4200}}
		if i == 0 {
			m = link.Message{Kind: link.Greet, Greeting: plainGreeting()}
		}
		if err := l.Send(&m); err != nil {
			t.Fatal(err)
		}
		a, err := l.Receive(context.Background())
		if err != nil {
			t.Fatalf("reading %d: %v", i, err)
		}
		look(i, strings.TrimSpace(string(m.Append(nil))), a.Said)
	}
}

func TestBoardThatBootsSlowly(t *testing.T) {
	t.Parallel() // it waits most of the time
	store := shelf{}
	device := onPTY(t, func(rw io.ReadWriter) {
		fmt.Fprint(rw, "\x00\x80boot v3\r\nflash ok\r\n"+strings.Repeat("~", 3000)+"\r\n")
		time.Sleep(1300 * time.Millisecond) // two greetings wait in its buffer by now
		fmt.Fprint(rw, "sensor found\r\n")
		plainBoard(rw, func() link.Logger { return linktest.NewLogger(store) })
	})
	b := link.NewBoard(link.BoardOptions{Open: openSerial(device)})
	if err := b.Start(context.Background()); err != nil {
		t.Fatal(err)
	}
	defer b.Close()
	for i, m := range []link.Message{{Kind: link.Greet, Greeting: plainGreeting()}, {Kind: link.Read}, {Kind: link.Read, Reading: link.Reading{Tick: 7}}} {
		if err := b.Send(&m); err != nil {
			t.Fatal(err)
		}
		a, err := b.Receive(context.Background())
		if err != nil {
			t.Fatal(err)
		}
		if want := strings.TrimSpace(string(m.Append(nil))); a.Said[0].Text != want {
			t.Errorf("answer %d is to %q, want %q", i, a.Said[0].Text, want)
		}
	}
}

func TestBoardThatIsNotThere(t *testing.T) {
	file := filepath.Join(t.TempDir(), "file")
	if err := os.WriteFile(file, nil, 0o600); err != nil {
		t.Fatal(err)
	}
	for _, tc := range []struct {
		open func(context.Context) (io.ReadWriteCloser, error)
		want string
		hint string
	}{
		{openSerial("/dev/no-such-port"), "there is no such port", "plug the board in"},
		{openSerial(file), "", "seen"},
		{func(context.Context) (io.ReadWriteCloser, error) { return link.OpenSerial("/dev/null", 7) }, "7 baud", "115200"},
		{openTCP("127.0.0.1"), "no HOST:PORT", "127.0.0.1:5025"},
		{openTCP("127.0.0.1:1"), "nobody listens there", "port number"},
	} {
		b := link.NewBoard(link.BoardOptions{Open: tc.open, Timeout: time.Second})
		err := b.Start(context.Background())
		var e *link.OpenError
		if !errors.As(err, &e) || !strings.Contains(e.Error(), tc.want) || !strings.Contains(e.Hint, tc.hint) {
			t.Errorf("got %v (%+v), want %q, hint %q", err, e, tc.want, tc.hint)
		}
		if err := b.Close(); err != nil {
			t.Error(err)
		}
	}
}

// TestBoardThatComesBack: a board that is unplugged in mid answer is a failure of that run; the next waits for it to come back, and goes on with
// what it kept. One that stays away is an error after the time-out.
func TestBoardThatComesBack(t *testing.T) {
	t.Parallel() // it waits most of the time
	name := filepath.Join(t.TempDir(), "port")
	store := shelf{}
	plug := func(unplugAfter int) (done chan struct{}) {
		p, err := link.OpenPTY(name)
		if errors.Is(err, errors.ErrUnsupported) {
			outside.Missing(t, "a pseudo-terminal")
		}
		if err != nil {
			t.Fatal(err)
		}
		t.Cleanup(func() { p.Close() })
		done = make(chan struct{})
		go func() {
			defer close(done)
			defer p.Close()
			l := linktest.NewLogger(store)
			lines := bufio.NewScanner(p)
			var a link.Answer
			var m link.Message
			for n := 0; lines.Scan(); n++ {
				if link.ParseMessage(lines.Bytes(), &m) != nil {
					continue
				}
				a.Reset()
				link.Deliver(l, &m, &a)
				if out := a.Append(nil); n == unplugAfter {
					p.Write(out[:len(out)/2])
					return
				} else if _, err := p.Write(out); err != nil {
					return
				}
				if m.Kind == link.End {
					p.Drain()
					return
				}
			}
		}()
		return done
	}
	first := plug(3)
	b := link.NewBoard(link.BoardOptions{Open: openSerial(name), Timeout: 5 * time.Second})
	if err := b.Start(context.Background()); err != nil {
		t.Fatal(err)
	}
	ask := func(m link.Message) ([]link.Said, error) {
		if err := b.Send(&m); err != nil {
			return nil, err
		}
		a, err := b.Receive(context.Background())
		if err != nil {
			return nil, err
		}
		return a.Said, nil
	}
	greeting, reading := link.Message{Kind: link.Greet, Greeting: plainGreeting()}, link.Message{Kind: link.Read}
	_, err := ask(greeting)
	for n := 0; n < 3 && err == nil; n++ {
		_, err = ask(reading)
	}
	var f *link.Failure
	if !errors.As(err, &f) || f.Kind != link.Crash {
		t.Fatalf("unplugged in mid answer: %v", err)
	}
	if err := b.Cut(false); err != nil {
		t.Error(err)
	}
	<-first
	back := make(chan chan struct{})
	go func() {
		time.Sleep(400 * time.Millisecond)
		back <- plug(-1)
	}()
	if err := b.Start(context.Background()); err != nil {
		t.Fatalf("it came back after a moment: %v", err)
	}
	if said, err := ask(greeting); err != nil || len(said) < 2 || said[1].Text != "found III" {
		t.Fatalf("after it came back: %v, %v, want what it had found", said, err)
	}
	if _, err := ask(link.Message{Kind: link.End}); err != nil {
		t.Error(err)
	}
	if err := b.Cut(false); err != nil {
		t.Error(err)
	}
	<-<-back
	gone := link.NewBoard(link.BoardOptions{Open: openSerial(name), Timeout: 300 * time.Millisecond, Known: true})
	var e *link.OpenError
	if err := gone.Start(context.Background()); !errors.As(err, &e) {
		t.Errorf("it stays away: %v", err)
	}
}

func TestListenerThatIsBusy(t *testing.T) {
	l, _, err := link.ListenTCP(":0")
	if err != nil {
		t.Fatal(err)
	}
	defer l.Close()
	var e *link.OpenError
	if _, _, err := link.ListenTCP(l.Addr().String()); !errors.As(err, &e) || !strings.Contains(e.Hint, "busy") {
		t.Errorf("second listener: %v", err)
	}
}

func TestSilentBoard(t *testing.T) {
	t.Parallel() // it waits most of the time
	for name, noise := range map[string]string{"silent": "", "talks of other things": "ready\r\n"} {
		device := onPTY(t, func(rw io.ReadWriter) {
			time.Sleep(400 * time.Millisecond)
			io.WriteString(rw, noise)
			io.Copy(io.Discard, rw)
		})
		b := link.NewBoard(link.BoardOptions{Open: openSerial(device), Timeout: 1500 * time.Millisecond})
		if err := b.Start(context.Background()); err != nil {
			t.Fatal(err)
		}
		_, err := exchange(b, 1)
		var f *link.Failure
		if !errors.As(err, &f) || f.Kind != link.Hang || !strings.Contains(f.Error(), "sent 2 times") {
			t.Errorf("%s: %v", name, err)
		}
		if noise != "" && (f == nil || !strings.HasPrefix(f.Line, "ready")) {
			t.Errorf("%s: %v does not say what came", name, err)
		}
		b.Close()
	}
}

// TestPTYPitfalls: deadlines work, a client may come again and finds what it had not read, a client that does not read holds
// nobody up for ever, and the stable name goes away with us.
func TestPTYPitfalls(t *testing.T) {
	name := filepath.Join(t.TempDir(), "port")
	p, err := link.OpenPTY(name)
	if errors.Is(err, errors.ErrUnsupported) {
		outside.Missing(t, "a pseudo-terminal")
	}
	if err != nil {
		t.Fatal(err)
	}
	p.SetReadDeadline(time.Now().Add(50 * time.Millisecond))
	if _, err := p.Read(make([]byte, 1)); !errors.Is(err, os.ErrDeadlineExceeded) {
		t.Errorf("read without anything there: %v", err)
	}
	p.SetReadDeadline(time.Time{})
	for i := range 3 {
		c, err := link.OpenSerial(name, 9600)
		if err != nil {
			t.Fatal(err)
		}
		fmt.Fprintf(c, "hello %d", i)
		b := make([]byte, 64)
		n, err := p.Read(b)
		if err != nil || string(b[:n]) != fmt.Sprintf("hello %d", i) {
			t.Errorf("client %d: %q, %v", i, b[:n], err)
		}
		c.Close()
	}
	p.SetWriteDeadline(time.Now().Add(200 * time.Millisecond))
	if n, err := p.Write(make([]byte, 1<<20)); !errors.Is(err, os.ErrDeadlineExceeded) {
		t.Errorf("1 MiB to nobody: %d bytes, %v", n, err)
	}
	if err := p.Close(); err != nil {
		t.Error(err)
	}
	if _, err := os.Lstat(name); !errors.Is(err, os.ErrNotExist) {
		t.Errorf("the name is left: %v", err)
	}
	if err := os.WriteFile(name, []byte("mine"), 0o600); err != nil {
		t.Fatal(err)
	}
	if _, err := link.OpenPTY(name); err == nil {
		t.Error("a file of the user's was replaced")
	}
}

// TestCRC16 holds the CRC against published frames; the one that is printed wrong in public notes must not hold.
func TestCRC16(t *testing.T) {
	rows, _ := outside.Table(t, "testdata/crc_modbus.csv")
	good, bad := 0, 0
	for _, row := range rows {
		in, err := hex.DecodeString(row[1])
		if err != nil {
			t.Fatal(err)
		}
		crc := link.CRC16(in)
		wire := fmt.Sprintf("%02X %02X", crc&0xFF, crc>>8)
		switch row[0] {
		case "CRC-16/MODBUS":
			good++
			want, err := strconv.ParseUint(row[2], 0, 16)
			if err != nil || uint64(crc) != want || wire != row[3] {
				t.Errorf("%s: %04X, wire %s; want %s, %s", row[1], crc, wire, row[2], row[3])
			}
		case "BAD EXAMPLE":
			bad++
			if wire == row[3] {
				t.Errorf("%s: the wrong example holds", row[1])
			}
		}
	}
	if good < 8 || bad != 1 {
		t.Errorf("%d good and %d bad examples", good, bad)
	}
}

func FuzzSealed(f *testing.F) {
	f.Add([]byte("stuntcell 1 tick_bits=32\nr 1 2 3 4 seq=1 crc=0000\nagain 1\nagain 99999999999999999999\n"))
	f.Add([]byte("again 1\n\n ok seq=1 crc=1234\n"))
	f.Add([]byte(strings.Repeat("x", 5000) + "\n"))
	f.Fuzz(func(t *testing.T, in []byte) {
		// Also as what a board that can seq says.
		var out strings.Builder
		link.Sealed(strings.NewReader(string(in)), &out, func() link.Logger { return linktest.NewLogger(shelf{}) })
		if out.Len() > 100*len(in)+2000 {
			t.Fatalf("%d bytes in, %d bytes out", len(in), out.Len())
		}
	})
}

// FuzzBoard says anything at all to the bench's side, in both ways of speaking.
func FuzzBoard(f *testing.F) {
	for _, s := range []string{"ok\nok\n", "can seq\nok\nok seq=1 crc=0000\n", "can seq\nok\nagain 1\nagain 1\n", "row 1\nok\n\xff\n", "can seq\nok\nrow 1\nok seq=1 crc=A8C4\n"} {
		f.Add([]byte(s))
	}
	f.Fuzz(func(t *testing.T, said []byte) {
		b := link.NewBoard(link.BoardOptions{Timeout: 20 * time.Millisecond, Retry: 5 * time.Millisecond,
			Open: func(context.Context) (io.ReadWriteCloser, error) {
				ours, theirs := net.Pipe()
				go func() {
					go io.Copy(io.Discard, theirs)
					theirs.Write(said)
					theirs.Close()
				}()
				return ours, nil
			}})
		if err := b.Start(context.Background()); err != nil {
			t.Fatal(err)
		}
		_, err := exchange(b, 3)
		var failure *link.Failure
		if err != nil && !errors.As(err, &failure) {
			t.Fatalf("an error that is no failure of the logger's: %v", err)
		}
		if err := b.Close(); err != nil {
			t.Fatal(err)
		}
	})
}

func TestOpening(t *testing.T) {
	for name, serve := range boards {
		device := onPTY(t, func(rw io.ReadWriter) { serve(rw, func() link.Logger { return linktest.NewLogger(shelf{}) }) })
		o, err := link.Open(context.Background(), link.NewBoard(link.BoardOptions{Open: openSerial(device)}))
		if err != nil || o.Exchange <= 0 || o.LoadClose || o.Seals != (name == "sealed") {
			t.Errorf("%s: %+v, %v", name, o, err)
		}
	}
}
