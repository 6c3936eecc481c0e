package main

import (
	"bufio"
	"context"
	"errors"
	"fmt"
	"io"
	"net"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strings"
	"sync"
	"testing"
	"time"

	"stuntcell/emulator/link"
	"stuntcell/emulator/wire/wiretest"
	"stuntcell/model/outside"
	"stuntcell/validate/loggers"
)

// tool runs the tool in this process and returns what it wrote to both its streams, and its exit status.
func tool(t *testing.T, ctx context.Context, args ...string) (out, errs string, code int) {
	t.Helper()
	std := streams{in: strings.NewReader("")}
	for _, f := range []**os.File{&std.out, &std.err} {
		var err error
		if *f, err = os.CreateTemp(t.TempDir(), ""); err != nil {
			t.Fatal(err)
		}
		defer (*f).Close()
	}
	root := newRoot(std)
	root.SetArgs(args)
	err := root.ExecuteContext(ctx)
	complain(std, err)
	read := func(f *os.File) string {
		b, err := os.ReadFile(f.Name())
		if err != nil {
			t.Fatal(err)
		}
		return string(b)
	}
	return read(std.out), read(std.err), status(err)
}

// device runs emulate until the test ends and returns where it is.
func device(t *testing.T, args ...string) string {
	t.Helper()
	ctx, cancel := context.WithCancelCause(context.Background())
	r, w, err := os.Pipe()
	if err != nil {
		t.Fatal(err)
	}
	root := newRoot(streams{in: strings.NewReader(""), out: w, err: w})
	root.SetArgs(append([]string{"emulate"}, args...))
	done := make(chan error, 1)
	go func() {
		done <- root.ExecuteContext(ctx)
		w.Close()
	}()
	t.Cleanup(func() {
		cancel(interrupted)
		if err := <-done; !errors.Is(err, interrupted) {
			t.Errorf("emulate %s: %v", args, err)
		}
		r.Close()
	})
	line, err := bufio.NewReader(r).ReadString('\n')
	where := regexp.MustCompile(` on (\S+?)(?: to \S+)?(?: \(\S+\))?(?:, \d+ packs)?;`).FindStringSubmatch(line)
	if err != nil || where == nil {
		t.Fatalf("emulate %s says %q, %v", args, line, err)
	}
	return where[1]
}

// flash is a byte store that a board keeps.
type flash map[string][]byte

func (f flash) Load(name string) []byte    { return f[name] }
func (f flash) Save(name string, b []byte) { f[name] = append([]byte(nil), b...) }

// TestProveABoard: the good logger at the other end of a pseudo-terminal, over a line with seals, and over TCP.
func TestProveABoard(t *testing.T) {
	t.Chdir(t.TempDir())
	suite := []string{"discharge-two-rates", "tick-wrap-mid-discharge", "logger-ends-with-rebound", "load-steps", "setting-changed"}
	good := func() link.Logger { return loggers.Good()(flash{}) } // `end` begins a new test: its store is new
	judged := func(t *testing.T, out, errs string, code int) {
		t.Helper()
		if code != 0 || !strings.Contains(out, fmt.Sprintf("PASS: every check holds in %d scenarios", len(suite))) {
			t.Errorf("exit status %d\n%s%s", code, out, errs)
		}
		if !regexp.MustCompile(`\d+ readings in 5 scenarios: about `).MatchString(errs) {
			t.Errorf("no estimate: %s", errs)
		}
	}
	t.Run("pty", func(t *testing.T) {
		p := wiretest.PTY(t)
		done := make(chan error, 1)
		go func() { done <- link.Sealed(p, p, good) }()
		out, errs, code := tool(t, context.Background(), append([]string{"prove", "--port", p.Device(), "--battery-disconnected"}, suite...)...)
		judged(t, out, errs, code)
		if !strings.Contains(errs, "the line alone needs") {
			t.Errorf("the line's rate is not counted: %s", errs)
		}
		p.Close()
		<-done
	})
	t.Run("tcp", func(t *testing.T) {
		l, _, err := link.ListenTCP("127.0.0.1:0")
		if err != nil {
			t.Fatal(err)
		}
		defer l.Close()
		go func() {
			for {
				c, err := l.Accept()
				if err != nil {
					return
				}
				link.Serve(c, c, good())
				c.Close()
			}
		}()
		out, errs, code := tool(t, context.Background(), append([]string{"prove", "--connect", l.Addr().String(), "--battery-disconnected"}, suite...)...)
		judged(t, out, errs, code)
	})
}

// TestProveABoardThatGoesOn: what it keeps from one greeting to the next would be held against it in each scenario.
func TestProveABoardThatGoesOn(t *testing.T) {
	t.Chdir(t.TempDir())
	kept := flash{}
	minimal, ok := loggers.ByName("minimal")
	wrong, also := loggers.ByName("unit-factor")
	if !ok || !also {
		t.Fatal("no such logger on board")
	}
	one := minimal.New(kept)
	for _, c := range []struct {
		name  string
		board func() link.Logger
		code  int
		want  string
	}{
		{"the store", func() link.Logger { return loggers.Good()(kept) }, exitUsage, "the board does not begin anew"},
		{"the totals", func() link.Logger { return one }, exitUsage, "the board does not begin anew"},
		{"nothing, but it is wrong", func() link.Logger { return wrong.New(flash{}) }, exitFailed, "Caution: the board fails five plain minutes"},
	} {
		t.Run(c.name, func(t *testing.T) {
			p := wiretest.PTY(t)
			done := make(chan error, 1)
			go func() { done <- link.Sealed(p, p, c.board) }()
			out, errs, code := tool(t, context.Background(), "prove", "--port", p.Device(), "--battery-disconnected", "load-steps", "tick-16-bit")
			if code != c.code || !strings.Contains(errs, c.want) {
				t.Errorf("exit status %d, want %d with %q\n%s%s", code, c.code, c.want, out, errs)
			}
			p.Close()
			<-done
		})
	}
}

func TestProveABoardThatIsNotReady(t *testing.T) {
	t.Chdir(t.TempDir())
	p := wiretest.PTY(t)
	go io.Copy(io.Discard, p)
	defer p.Close()
	for _, c := range []struct {
		args []string
		code int
		want string
	}{
		{[]string{"--port", p.Device()}, exitUsage, "--battery-disconnected"},
		{[]string{"--port", p.Device(), "--battery-disconnected", "--timeout", "1500ms"}, exitUnanswered, "did not answer"},
		{[]string{"--port", "./nowhere", "--battery-disconnected"}, exitUsage, "plug the board in"},
		{[]string{"--connect", "127.0.0.1:1", "--battery-disconnected"}, exitUsage, "nobody listens there"},
	} {
		out, errs, code := tool(t, context.Background(), append(append([]string{"prove"}, c.args...), "load-steps")...)
		if code != c.code || !strings.Contains(errs, c.want) {
			t.Errorf("%s: exit status %d, want %d with %q\n%s%s", c.args, code, c.code, c.want, out, errs)
		}
	}
}

// TestProveAChip: firmware on simulated 8-bit chips, their UARTs on pseudo-terminals, two of them side by side. With STUNTCELL_CHIP=library
// they pass all that is on board, which takes minutes (.ci/run chip).
func TestProveAChip(t *testing.T) {
	const simulator = "/usr/include/simavr"
	if _, err := os.Stat(simulator); err != nil {
		outside.Missing(t, "a simulator of a chip (libsimavr-dev)")
	}
	dir := t.TempDir()
	host, firmware := filepath.Join(dir, "host"), filepath.Join(dir, "chip.elf")
	for _, build := range [][]string{
		{"cc", "-O2", "-o", host, "../../emulator/firmware/chip/host.c", "-I" + simulator, "-lsimavr", "-lelf"},
		{"avr-gcc", "-mmcu=atmega328p", "-DF_CPU=16000000UL", "-std=c99", "-O2", "-I../../emulator/firmware", `-DLOGGER="integer.c"`,
			"-o", firmware, "../../testdata/loggers/chip.c"},
	} {
		outside.Program(t, build[0])
		if out, err := exec.Command(build[0], build[1:]...).CombinedOutput(); err != nil {
			t.Fatalf("%v\n%s", err, out)
		}
	}
	// A few short ones that differ: a counter that wraps, steps, several channels, a stop that the chip decides, a cut of its power.
	suite := []string{"tick-16-bit", "load-steps", "three-channels", "logger-ends-slowly", "power-cut-mid-discharge"}
	if os.Getenv("STUNTCELL_CHIP") == "library" {
		suite = nil
	}
	t.Chdir(t.TempDir())
	const boards = 2
	var proved sync.WaitGroup
	for n := range boards {
		proved.Go(func() {
			p := wiretest.PTY(t)
			done := make(chan struct{})
			go func() {
				defer close(done)
				resets(t, p, host, firmware)
			}()
			shard := fmt.Sprintf("--shard=%d/%d", n+1, boards)
			out, errs, code := tool(t, context.Background(), append([]string{"prove", "--port", p.Device(), "--battery-disconnected", shard}, suite...)...)
			if code != 0 || !strings.Contains(out, "PASS: every check holds in ") {
				t.Errorf("exit status %d\n%s%s", code, out, errs)
			}
			t.Log(out[strings.LastIndex(out[:len(out)-1], "\n")+1:])
			p.Close()
			<-done
		})
	}
	proved.Wait()
}

// resets runs a board that restarts when its port is opened, as the modem lines of a real port make it: at each greeting.
func resets(t *testing.T, p *link.PTY, program ...string) {
	var cmd *exec.Cmd
	var in io.WriteCloser
	end := func() {
		if cmd != nil {
			in.Close()
			cmd.Process.Kill()
			cmd.Wait()
		}
	}
	defer func() { end() }()
	lines := bufio.NewScanner(p)
	for lines.Scan() {
		if strings.HasPrefix(lines.Text(), "stuntcell 1 ") {
			end()
			cmd = exec.Command(program[0], program[1:]...)
			cmd.Stdout = p
			var err error
			if in, err = cmd.StdinPipe(); err == nil {
				err = cmd.Start()
			}
			if err != nil {
				t.Error(err)
				cmd = nil
				return
			}
		}
		if cmd != nil {
			fmt.Fprintln(in, lines.Text())
		}
	}
}

// TestBridge: a stream goes over TCP and through socat to a terminal of its making.
func TestBridge(t *testing.T) {
	outside.Program(t, "socat")
	t.Chdir(t.TempDir())
	addr := device(t, "discharge-two-rates", "--dialect", "stream", "--tcp", "127.0.0.1:0", "--speed", "100", "--columns", "s,V")
	socat := exec.Command("socat", "PTY,link=bridge,rawer", "TCP:"+addr)
	if err := socat.Start(); err != nil {
		t.Fatal(err)
	}
	defer func() {
		socat.Process.Kill()
		socat.Wait()
	}()
	var s *link.Serial
	for range 200 {
		var err error
		if s, err = link.OpenSerial("bridge", 9600); err == nil {
			break
		}
		time.Sleep(20 * time.Millisecond)
	}
	if s == nil {
		t.Fatal("socat makes no terminal")
	}
	defer s.Close()
	lines := bufio.NewScanner(s)
	var last float64
	for n := range 20 {
		var at, volts float64
		if !lines.Scan() {
			t.Fatal(lines.Err())
		}
		if _, err := fmt.Sscanf(lines.Text(), "%f,%f", &at, &volts); err != nil || volts < 10 || n > 1 && at <= last {
			if n > 0 { // the first is the header
				t.Fatalf("line %d: %q", n, lines.Text())
			}
		}
		last = at
	}
}

// TestOthersClients: what README shows, with clients that are not ours.
func TestOthersClients(t *testing.T) {
	t.Chdir("../..") // the script stands there
	t.Run("a capacity test", func(t *testing.T) {
		python := outside.Python(t, "pyvisa, pyvisa_py")
		host, port, _ := net.SplitHostPort(device(t, "bench", "--dialect", "scpi", "--tcp", "127.0.0.1:0"))
		out, err := exec.Command(python, "emulator/dialect/scpi/testdata/capacity.py", "TCPIP::"+host+"::"+port+"::SOCKET", "0.35", "10.5", "600").CombinedOutput()
		if err != nil || !regexp.MustCompile(`^(6\.99|7\.0[01])\d Ah in \d+ rows\n$`).Match(out) {
			t.Errorf("%v\n%s", err, out)
		}
	})
	t.Run("registers", func(t *testing.T) {
		outside.Program(t, "mbpoll")
		name := filepath.Join(t.TempDir(), "port")
		device(t, "bench", "--dialect", "modbus", "--pty", "--link-name", name)
		out, err := exec.Command("mbpoll", "-m", "rtu", "-0", "-1", "-t", "3:float", "-B", "-r", "0", "-c", "7", name).CombinedOutput()
		if err != nil || !regexp.MustCompile(`(?m)^\[0\]:\s+1[23]\.\d+$`).Match(out) {
			t.Errorf("%v\n%s", err, out)
		}
	})
	t.Run("lines", func(t *testing.T) {
		python := outside.Python(t, "serial")
		name := filepath.Join(t.TempDir(), "port")
		device(t, "discharge-20h", "--dialect", "stream", "--pty", "--link-name", name, "--speed", "60")
		out, err := exec.Command(python, "-c", "import serial, sys\np = serial.Serial(sys.argv[1], 115200, timeout=10)\nfor _ in range(4): print(p.readline().decode(), end='')", name).CombinedOutput()
		if err != nil || !regexp.MustCompile(`(?m)^\d+\.000,12\.\d+,-?0\.\d+,-?0\.\d+,-?0\.\d+$`).Match(out) {
			t.Errorf("%v\n%s", err, out)
		}
	})
}

// TestReadingsOverAWire: a program that reads them there gets what it would read from a recorded file, each client all of it.
func TestReadingsOverAWire(t *testing.T) {
	t.Chdir(t.TempDir())
	want, _, code := tool(t, context.Background(), "record", "tick-16-bit", "-o", "-")
	if code != 0 || strings.Count(want, "\n") < 1000 {
		t.Fatalf("record: exit status %d, %.100q", code, want)
	}
	t.Run("tcp", func(t *testing.T) {
		addr := device(t, "tick-16-bit", "--dialect", "readings", "--tcp", "127.0.0.1:0", "--speed", "max")
		for range 2 {
			if got, err := io.ReadAll(wiretest.Dial(t, addr)); err != nil || string(got) != want {
				t.Errorf("%d bytes, want %d, %v", len(got), len(want), err)
			}
		}
	})
	t.Run("pty", func(t *testing.T) {
		wiretest.PTY(t).Close() // makes sure that there are any
		ended := make(chan int)
		go func() {
			_, _, code := tool(t, context.Background(), "emulate", "tick-16-bit", "--dialect", "readings", "--pty", "--link-name", "port", "--speed", "max")
			ended <- code
		}()
		var s *link.Serial
		for range 200 {
			var err error
			if s, err = link.OpenSerial("port", 9600); err == nil {
				break
			}
			time.Sleep(20 * time.Millisecond)
		}
		if s == nil {
			t.Fatal("there is no terminal")
		}
		got, _ := io.ReadAll(s) // the end is the terminal's: an error
		if string(got) != want {
			t.Errorf("%d bytes, want %d", len(got), len(want))
		}
		if code := <-ended; code != 0 {
			t.Errorf("after the last line: exit status %d", code)
		}
		s.Close()
	})
}

// TestManyPacks: 200 packs behind 200 ports and as 200 units of one, each with settings of its own.
func TestManyPacks(t *testing.T) {
	t.Chdir(t.TempDir())
	const packs = 200
	t.Run("units", func(t *testing.T) {
		c, err := net.Dial("tcp", device(t, "bench", "--dialect", "modbus", "--tcp", "127.0.0.1:0", "--packs", "200", "--speed", "step"))
		if err != nil {
			t.Fatal(err)
		}
		defer c.Close()
		c.SetDeadline(time.Now().Add(30 * time.Second))
		answer := make([]byte, 260)
		for unit := 1; unit <= packs; unit++ {
			// The mode of the load, another for each of its neighbours.
			request := []byte{0, 1, 0, 0, 0, 6, byte(unit), 6, 0, 2, 0, byte(unit % 3)}
			if _, err := c.Write(request); err != nil {
				t.Fatal(err)
			}
			if n, err := io.ReadFull(c, answer[:12]); err != nil || string(answer[:n]) != string(request) {
				t.Fatalf("unit %d: % X, %v", unit, answer[:n], err)
			}
		}
		for unit := 1; unit <= packs; unit++ {
			if _, err := c.Write([]byte{0, 1, 0, 0, 0, 6, byte(unit), 3, 0, 2, 0, 1}); err != nil {
				t.Fatal(err)
			}
			if _, err := io.ReadFull(c, answer[:11]); err != nil || answer[6] != byte(unit) || answer[10] != byte(unit%3) {
				t.Fatalf("unit %d: % X, %v", unit, answer[:11], err)
			}
		}
	})
	t.Run("ports", func(t *testing.T) {
		addr := device(t, "bench", "--dialect", "scpi", "--tcp", "127.0.0.1:0", "--packs", "200")
		c, err := net.Dial("tcp", addr)
		if err != nil {
			t.Fatal(err)
		}
		defer c.Close()
		c.SetDeadline(time.Now().Add(30 * time.Second))
		fmt.Fprintln(c, "*IDN?")
		if line, err := bufio.NewReader(c).ReadString('\n'); err != nil || strings.Count(line, ",") != 3 {
			t.Errorf("%q, %v", line, err)
		}
	})
}

// TestCaptureAndCheck: a session that was kept plays again without a wire, whatever moved its time, and a device that differs is found out.
func TestCaptureAndCheck(t *testing.T) {
	t.Chdir(t.TempDir())
	for _, speed := range []string{"step", "max", "1", "100"} {
		bench := []string{"bench", "--dialect", "scpi", "--speed", speed}
		t.Run("session at "+speed, func(t *testing.T) {
			c := wiretest.Dial(t, device(t, append(bench, "--tcp", "127.0.0.1:0", "--capture", "session")...))
			answers := bufio.NewReader(c)
			for _, ask := range []string{"LOAD:CURR 1;:INP ON;*OPC?", "SYST:STEP 3600;:MEAS:CHAR?", "MEAS:VOLT?;:SYST:ELAP?", "SYST:ERR?"} {
				fmt.Fprintln(c, ask)
				if line, err := answers.ReadString('\n'); err != nil {
					t.Fatalf("%s: %q, %v", ask, line, err)
				}
			}
		})
		if out, errs, code := tool(t, context.Background(), append([]string{"emulate", "--check", "session"}, bench...)...); code != 0 {
			t.Errorf("the same device at %s: exit status %d\n%s%s", speed, code, out, errs)
		}
		b, err := os.ReadFile("session")
		if err != nil {
			t.Fatal(err)
		}
		// The fourth operation is the answer that says the charge.
		lines := strings.SplitAfter(string(b), "\n")
		lines[4] = strings.Replace(lines[4], "-1.0", "-1.1", 1)
		if err := os.WriteFile("changed", []byte(strings.Join(lines, "")), 0o600); err != nil {
			t.Fatal(err)
		}
		_, errs, code := tool(t, context.Background(), append([]string{"emulate", "--check", "changed"}, bench...)...)
		if code != exitFailed || !strings.Contains(errs, "operation 4") || !strings.Contains(errs, "-1.1") {
			t.Errorf("another device at %s: exit status %d\n%s", speed, code, errs)
		}
	}
}

// TestLineOfAScenario: what a scenario says of the wire is done, kept in a trace, done again from it, and left out on demand.
func TestLineOfAScenario(t *testing.T) {
	t.Chdir(t.TempDir())
	const bad = "scenario: bad-line\nsummary: A line that damages.\nplan: [{rest: 1 h}]\nwire: {flip: 2 %, lose: 1 %, burst: 1 %}\n"
	again := strings.Replace(bad, "{flip: 2 %, lose: 1 %, burst: 1 %}", "{trace: done}", 1)
	for name, text := range map[string]string{"bad.yaml": bad, "again.yaml": again} {
		if err := os.WriteFile(name, []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	heard := map[string]string{}
	for _, c := range []struct {
		name string
		args []string
	}{
		{"clean", []string{"bad.yaml", "--fault", "none"}},
		{"bad", []string{"bad.yaml", "--trace", "done"}},
		{"the same", []string{"bad.yaml"}},
		{"from the trace", []string{"again.yaml", "--trace", "done again"}},
		{"from the trace, by option", []string{"bad.yaml", "--replay-trace", "done"}},
		{"another seed", []string{"bad.yaml", "--fault", "flip=0.02", "--fault-seed", "9"}},
	} {
		t.Run(c.name, func(t *testing.T) { // its device has ended, and its trace is whole, when it returns
			addr := device(t, append(c.args, "--dialect", "registers", "--tcp", "127.0.0.1:0", "--speed", "step")...)
			conn, err := net.Dial("tcp", addr)
			if err != nil {
				t.Fatal(err)
			}
			defer conn.Close()
			conn.SetDeadline(time.Now().Add(30 * time.Second))
			// What happens to bytes does not hang on how they are cut into pieces; what happens to answers does.
			fmt.Fprint(conn, strings.Repeat("r 05\n", 300))
			conn.(*net.TCPConn).CloseWrite()
			b, err := io.ReadAll(conn)
			if err != nil {
				t.Fatal(err)
			}
			heard[c.name] = string(b)
		})
	}
	if want := strings.Repeat("57CE\n", 300); heard["clean"] != want {
		t.Errorf("a good line carries %q", heard["clean"])
	}
	for _, name := range []string{"the same", "from the trace", "from the trace, by option"} {
		if heard[name] != heard["bad"] {
			t.Errorf("%s: another line", name)
		}
	}
	for _, name := range []string{"clean", "another seed"} {
		if heard[name] == heard["bad"] {
			t.Errorf("%s: the same line", name)
		}
	}
	first, err := os.ReadFile("done")
	if err != nil {
		t.Fatal(err)
	}
	if second, err := os.ReadFile("done again"); err != nil || string(second) != string(first) || strings.Count(string(first), "\n") < 10 {
		t.Errorf("%d acts were traced, then others: %v", strings.Count(string(first), "\n"), err)
	}
}

// TestNoPseudoTerminal: where the system has none, the message says what to try.
func TestNoPseudoTerminal(t *testing.T) {
	unshare := outside.Program(t, "unshare")
	for _, c := range []struct{ hide, want string }{
		{"mount --bind /dev/null /dev/ptmx", "no pseudo-terminal: inappropriate ioctl for device"},
		{"mount -t tmpfs none /dev", "no pseudo-terminal: /dev/ptmx: there is no such file"},
	} {
		if exec.Command(unshare, "-m", "sh", "-c", c.hide).Run() != nil {
			t.Skip("not permitted to hide a device from a process")
		}
		cmd := exec.Command(unshare, "-m", "sh", "-c", c.hide+" && exec stuntcell emulate bench --dialect scpi --pty --link-name port")
		cmd.Dir = t.TempDir()
		out, err := cmd.CombinedOutput()
		if cmd.ProcessState.ExitCode() != exitUsage || !strings.Contains(string(out), c.want) || !strings.Contains(string(out), "--tcp needs neither") {
			t.Errorf("%s: %v\n%s", c.hide, err, out)
		}
		if _, err := os.Lstat(filepath.Join(cmd.Dir, "port")); !errors.Is(err, os.ErrNotExist) {
			t.Errorf("%s: a name is left: %v", c.hide, err)
		}
	}
}
