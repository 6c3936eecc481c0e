package wire_test

import (
	"bufio"
	"bytes"
	"context"
	"fmt"
	"io"
	"math"
	"net"
	"os/exec"
	"runtime"
	"strings"
	"sync"
	"testing"
	"time"

	"stuntcell/emulator/dialect"
	"stuntcell/emulator/dialect/dialecttest"
	"stuntcell/emulator/dialect/stream"
	"stuntcell/emulator/instrument"
	"stuntcell/emulator/link"
	"stuntcell/emulator/wire"
	"stuntcell/emulator/wire/wiretest"
	"stuntcell/model"
	"stuntcell/model/outside"
)

// discharge is a load of 1.4 A for an hour.
func discharge() model.Step {
	return model.Step{Kind: model.Discharge, Load: model.Load{Current: 1.4}, Ends: model.Ends{Time: 3600e9}}
}

func streams(t testing.TB, b *instrument.Bench, o stream.Options) func() dialect.Dialect {
	if _, err := stream.New(b, o); err != nil {
		t.Fatal(err)
	}
	return func() dialect.Dialect {
		s, err := stream.New(b, o)
		if err != nil {
			panic(err)
		}
		return s
	}
}

// TestStreamAtMax: a whole hour comes as fast as it is read, every line once, and the line ends with the plan.
func TestStreamAtMax(t *testing.T) {
	b := dialecttest.Bench(t, instrument.Max, discharge())
	addr := wiretest.OnTCP(t, wire.NewDevice(streams(t, b, stream.Options{Columns: []string{"s", "Ah"}, NoHeader: true}), wire.Options{}, b))
	got, err := io.ReadAll(wiretest.Dial(t, addr))
	if err != nil {
		t.Fatal(err)
	}
	lines := strings.Split(strings.TrimSpace(string(got)), "\n")
	for i, l := range lines {
		if !strings.HasPrefix(l, fmt.Sprintf("%d.000,", i)) {
			t.Fatalf("line %d is %q", i, l)
		}
	}
	if n := len(lines); n < 3600 || n > 3602 || !strings.HasSuffix(lines[3600], ",-1.40000") {
		t.Errorf("%d lines, the last %q", n, lines[n-1])
	}
}

// TestSpeed: at a hundredfold speed two real seconds have two hundred lines of one second each, and a client that comes later begins later.
func TestSpeed(t *testing.T) {
	b := dialecttest.Bench(t, instrument.Real, discharge())
	addr := wiretest.OnTCP(t, wire.NewDevice(streams(t, b, stream.Options{Columns: []string{"s"}, NoHeader: true}), wire.Options{Speed: 100}, b))
	time.Sleep(300 * time.Millisecond)
	lines := bufio.NewScanner(wiretest.Dial(t, addr))
	var first, last float64
	begun := time.Now()
	n := 0
	for ; n < 50 && lines.Scan(); n++ {
		fmt.Sscan(lines.Text(), &last)
		if n == 0 {
			first = last
			begun = time.Now()
		}
	}
	if first < 25 {
		t.Errorf("a client that came 0.3 s late was told of second %g at a hundredfold speed", first)
	}
	if n != 50 || last-first != 49 {
		t.Errorf("%d lines from %g s to %g s", n, first, last)
	}
	if took := time.Since(begun); took < 300*time.Millisecond {
		t.Errorf("49 s came in %v", took)
	}
}

// TestPythonReadsTheStream: python3-serial reads whole lines from a pseudo-terminal, and stty shows it raw.
func TestPythonReadsTheStream(t *testing.T) {
	b := dialecttest.Bench(t, instrument.Real, discharge())
	port := wiretest.OnPTY(t, wire.NewDevice(streams(t, b, stream.Options{}), wire.Options{Speed: 200}, b))
	out, err := exec.Command(outside.Python(t, "serial"), "-c", `
import serial, sys
p = serial.Serial(sys.argv[1], 115200, timeout=10)
p.readline()                         # may be the end of a line
last = None
for _ in range(60):
    t, v, a, ah, wh = (float(x) for x in p.readline().decode().split(","))
    assert last is None or t == last + 1, (last, t)
    assert 9 < v < 14 and -1.5 < a < -1.3, (v, a)
    last = t
print("read 60 lines")
`, port).CombinedOutput()
	if err != nil || !strings.Contains(string(out), "read 60 lines") {
		t.Errorf("python3-serial: %v\n%s", err, out)
	}
	outside.Program(t, "stty")
	out, err = exec.Command("stty", "-F", port, "-a").CombinedOutput()
	if err != nil {
		t.Errorf("stty: %v", err)
	}
	for _, want := range []string{"-icanon", "-echo", "-opost", "cs8", "-parenb"} {
		if !strings.Contains(string(out), want) {
			t.Errorf("stty does not show %s: %s", want, out)
		}
	}
}

// TestTerminalThatNobodyReads: the device goes on, and who comes later finds the present, not a store of old lines.
func TestTerminalThatNobodyReads(t *testing.T) {
	t.Parallel() // it waits most of the time
	b := dialecttest.Bench(t, instrument.Real, discharge())
	d := wire.NewDevice(streams(t, b, stream.Options{Columns: []string{"s"}, NoHeader: true}), wire.Options{Speed: 100}, b)
	port := wiretest.OnPTY(t, d)
	begun := time.Now()
	time.Sleep(3 * time.Second)
	s, err := link.OpenSerial(port, 9600)
	if err != nil {
		t.Fatal(err)
	}
	defer s.Close()
	lines := bufio.NewScanner(s)
	var first, at float64
	for n := 0; n < 20 && lines.Scan(); n++ {
		fmt.Sscan(lines.Text(), &at)
		if n == 1 { // the first may be cut
			first = at
		}
	}
	if now := time.Since(begun).Seconds() * 100; first < now-300 {
		t.Errorf("the first whole line is of second %g, it is about %g", first, now)
	}
}

func TestClientThatNeverReads(t *testing.T) {
	b := dialecttest.Bench(t, instrument.Max)
	addr := wiretest.OnTCP(t, wire.NewDevice(streams(t, b, stream.Options{}), wire.Options{}, b))
	var m runtime.MemStats
	runtime.ReadMemStats(&m)
	before := int64(m.Sys)
	for range 20 {
		wiretest.Dial(t, addr)
	}
	time.Sleep(500 * time.Millisecond)
	runtime.ReadMemStats(&m)
	if grown := int64(m.Sys) - before; grown > 50<<20 {
		t.Errorf("%d MiB are held", grown>>20)
	}
}

// TestConnectsAndLeaves: 10,000 clients come and go; none is kept, and the next is served.
func TestConnectsAndLeaves(t *testing.T) {
	n := 10_000
	if testing.Short() {
		n = 500
	}
	b := dialecttest.Bench(t, instrument.Real)
	addr := wiretest.OnTCP(t, wire.NewDevice(streams(t, b, stream.Options{}), wire.Options{}, b))
	before := runtime.NumGoroutine()
	for i := range n {
		c, err := net.Dial("tcp", addr)
		if err != nil {
			t.Fatalf("client %d: %v", i, err)
		}
		if i%3 == 0 {
			c.Write([]byte("half a li"))
		}
		if tcp, ok := c.(*net.TCPConn); ok {
			tcp.SetLinger(0) // a reset; also keeps this test from using up the ports
		}
		c.Close()
	}
	var line string
	for range 100 { // while those who left are still being told apart, there may be no room
		c := wiretest.Dial(t, addr)
		if line, _ = bufio.NewReader(c).ReadString('\n'); line != "" {
			break
		}
		time.Sleep(20 * time.Millisecond)
	}
	if line != "s,V,A,Ah,Wh\n" {
		t.Errorf("the next client reads %q", line)
	}
	for range 100 {
		if runtime.NumGoroutine() < before+10 {
			return
		}
		time.Sleep(20 * time.Millisecond)
	}
	t.Errorf("%d goroutines before, %d after", before, runtime.NumGoroutine())
}

// echoes answers each byte with itself: what a line does to it is then plain to see.
type echoes struct {
	dialect.Silent
	restarts *int
}

func (echoes) Hear(in, out []byte) []byte { return append(out, in...) }
func (echoes) Quiet(out []byte) []byte    { return out }
func (e echoes) Restart()                 { *e.restarts++ }

// through sends answers of 20 bytes over a bad line and returns what comes, with the acts.
func through(t *testing.T, f wire.Faults, n int) (got string, acts []wire.Act, restarts int) {
	t.Helper()
	b := dialecttest.Bench(t, instrument.Stepped)
	var mu sync.Mutex
	d := wire.NewDevice(func() dialect.Dialect { return echoes{restarts: &restarts} }, wire.Options{
		Faults: f, Name: "7", Trace: func(a wire.Act) { mu.Lock(); acts = append(acts, a); mu.Unlock() },
	}, b)
	ours, theirs := net.Pipe()
	done := make(chan struct{})
	go func() {
		defer close(done)
		d.Talk(context.Background(), theirs)
	}()
	all := make(chan string)
	go func() {
		b, _ := io.ReadAll(ours)
		all <- string(b)
	}()
	for i := range n {
		if _, err := fmt.Fprintf(ours, "answer number %05d\n", i); err != nil {
			break
		}
	}
	time.Sleep(30 * time.Millisecond)
	ours.Close()
	<-done
	return <-all, acts, restarts
}

func TestFaults(t *testing.T) {
	t.Parallel() // it waits most of the time
	for _, k := range wire.Kinds() {
		n, rate := 300, 0.02
		if k == wire.Delay { // each takes a quarter of a second
			n, rate = 20, 0.1
		}
		clean, _, _ := through(t, wire.Faults{}, n)
		if len(clean) < (n-1)*20 {
			t.Fatalf("a good line passes %d bytes of %d", len(clean), n*20)
		}
		f := wire.Faults{Rates: map[wire.Kind]float64{k: rate}, Seed: 3}
		got, acts, restarts := through(t, f, n)
		again, _, _ := through(t, f, n)
		if got != again {
			t.Errorf("%s: the same seed does not do the same", k)
		}
		if len(acts) == 0 {
			t.Errorf("%s: nothing was done", k)
			continue
		}
		for _, a := range acts {
			if a.Kind != k {
				t.Errorf("%s: traced %s", k, a)
			}
		}
		if changed := got != clean; changed != (k != wire.Delay) {
			t.Errorf("%s: changed %v", k, changed)
		}
		if k == wire.Restart && restarts != len(acts) {
			t.Errorf("%d restarts were traced, %d done", len(acts), restarts)
		}
		other, _, _ := through(t, wire.Faults{Rates: f.Rates, Seed: 4}, n)
		if k != wire.Delay && other == got {
			t.Errorf("%s: another seed does the same", k)
		}
		var trace strings.Builder
		for _, a := range acts {
			fmt.Fprintln(&trace, a)
		}
		read, err := wire.ParseTrace("trace", strings.NewReader(trace.String()))
		if err != nil {
			t.Fatal(err)
		}
		if replayed, _, _ := through(t, wire.Faults{Replay: read}, n); replayed != got {
			t.Errorf("%s: the trace replays as something else", k)
		}
	}
}

func TestFaultsThatAreWrong(t *testing.T) {
	for _, c := range []struct{ text, want string }{
		{"flipp=0.1", "flip?"}, {"flip", "as flip=0.001"}, {"flip=2", "up to 1"}, {"flip=NaN", "up to 1"}, {"flip=0.1,flip=0.2", "twice"}, {"", "expected one of"},
		{"none,flip=0.1", "expected one of"},
	} {
		if _, err := wire.ParseFaults(c.text); err == nil || !strings.Contains(err.Error(), c.want) {
			t.Errorf("%q: %v, want %q", c.text, err, c.want)
		}
	}
	for _, c := range []struct{ text, want string }{
		{"0/0 to 1 flip", "t:1:1: expected LINE"}, {"# ok\n0/0 to x flip 1", "t:2:8: \"x\""}, {"0/0 to 1 flop 1", "t:1:10: no fault"}, {"0/0 to 1 flip -1", "t:1:"}, {strings.Repeat("x", 5000), "at most 4096"},
	} {
		if _, err := wire.ParseTrace("t", strings.NewReader(c.text)); err == nil || !strings.Contains(err.Error(), c.want) {
			t.Errorf("%.40q: %v, want %q", c.text, err, c.want)
		}
	}
}

// TestCapture: a session that was captured at the wire plays again; a device that has changed, or that says more, is found out.
func TestCapture(t *testing.T) {
	o := stream.Options{Columns: []string{"s", "V", "A"}}
	b := dialecttest.Bench(t, instrument.Real, discharge())
	var file bytes.Buffer
	file.WriteString("stuntcell capture 1\n# a test\n")
	var mu sync.Mutex
	addr := wiretest.OnTCP(t, wire.NewDevice(streams(t, b, o), wire.Options{Speed: 100, Capture: func(op wire.Op) {
		mu.Lock()
		fmt.Fprintln(&file, op)
		mu.Unlock()
	}}, b))
	c := wiretest.Dial(t, addr)
	lines := bufio.NewScanner(c)
	for range 30 {
		lines.Scan()
	}
	c.Close()
	time.Sleep(50 * time.Millisecond)
	mu.Lock()
	text := file.String()
	mu.Unlock()
	play := func(text string, o stream.Options) error {
		ops, err := wire.ParseCapture("capture", strings.NewReader(text))
		if err != nil {
			t.Fatal(err)
		}
		if len(ops) < 10 {
			t.Fatalf("%d operations", len(ops))
		}
		b := dialecttest.Bench(t, instrument.Real, discharge())
		b.Advance(ops[0].T - 1)
		return wire.Replay(ops, streams(t, b, o)(), b)
	}
	if err := play(text, o); err != nil {
		t.Errorf("the same device: %v", err)
	}
	if err := play(text, stream.Options{Columns: []string{"s", "mV", "A"}}); err == nil || !strings.Contains(err.Error(), "operation 1, line 3") {
		t.Errorf("another device: %v", err)
	}
	if err := play(text+fmt.Sprintf("%d > \"x\"\n", int64(1e13)), o); err == nil || !strings.Contains(err.Error(), "which the capture does not have") {
		t.Errorf("leftovers: %v", err)
	}
	for _, c := range []struct{ text, want string }{
		{"", "c:1:1: the file is empty"}, {"x", "expected the first line"},
		{"stuntcell capture 1\n5 > \"a\"\n4 > \"b\"\n", "c:3:1:"}, {"stuntcell capture 1\n5 = \"a\"\n", "c:2:3:"}, {"stuntcell capture 1\n5 > a\n", "c:2:5:"},
	} {
		if _, err := wire.ParseCapture("c", strings.NewReader(c.text)); err == nil || !strings.Contains(err.Error(), c.want) {
			t.Errorf("%q: %v, want %q", c.text, err, c.want)
		}
	}
}

func FuzzParseCapture(f *testing.F) {
	f.Add("stuntcell capture 1\n1 > \"a\\n\"\n2 < \"b\"\n")
	f.Fuzz(func(t *testing.T, text string) {
		ops, err := wire.ParseCapture("c", strings.NewReader(text))
		if err != nil {
			if !strings.HasPrefix(err.Error(), "c:") {
				t.Fatalf("an error without its place: %v", err)
			}
			return
		}
		b := dialecttest.Bench(t, instrument.Stepped)
		wire.Replay(ops, streams(t, b, stream.Options{})(), b)
	})
}

func FuzzParseTrace(f *testing.F) {
	f.Add("0/0 to 1 flip 3 # x\n")
	f.Fuzz(func(t *testing.T, text string) {
		acts, err := wire.ParseTrace("t", strings.NewReader(text))
		if err != nil {
			return
		}
		for _, a := range acts {
			back, err := wire.ParseTrace("t", strings.NewReader(a.String()))
			if err != nil || len(back) != 1 || back[0] != a {
				t.Fatalf("%v reads as %v, %v", a, back, err)
			}
		}
	})
}

func FuzzParseFaults(f *testing.F) {
	f.Add("flip=0.1,lose=0.2")
	f.Fuzz(func(t *testing.T, text string) {
		rates, err := wire.ParseFaults(text)
		for k, r := range rates {
			if err == nil && !(r > 0 && r <= 1) || math.IsNaN(r) {
				t.Fatalf("%s=%g", k, r)
			}
		}
	})
}

// BenchmarkStreamAtMax reads lines over TCP as fast as they come: one iteration is one line.
func BenchmarkStreamAtMax(b *testing.B) {
	bench := dialecttest.Bench(b, instrument.Max)
	addr := wiretest.OnTCP(b, wire.NewDevice(streams(b, bench, stream.Options{}), wire.Options{}, bench))
	c, err := net.Dial("tcp", addr)
	if err != nil {
		b.Fatal(err)
	}
	defer c.Close()
	lines := bufio.NewReaderSize(c, 64<<10)
	n := 0
	for b.Loop() {
		if _, err := lines.ReadSlice('\n'); err != nil {
			b.Fatal(err)
		}
		n++
	}
	b.ReportMetric(float64(n)/b.Elapsed().Seconds(), "lines/s")
}
