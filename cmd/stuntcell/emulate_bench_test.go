package main

import (
	"bufio"
	"fmt"
	"io"
	"net"
	"os"
	"os/exec"
	"strconv"
	"strings"
	"sync/atomic"
	"testing"
	"time"
)

// BenchmarkRack is one process with 200 packs, each of which tells, or is asked, ten times a second over a real port. One iteration is a
// second; reported is how much of a core the process takes, and how many answers came from each pack in a second.
func BenchmarkRack(b *testing.B) {
	const packs, tenth = 200, time.Second / 10
	// Each of the clients returns what lets a tenth of a second's answers come.
	told := func(b *testing.B, first *net.TCPAddr, count *atomic.Int64) func() {
		for i := range packs {
			c := client(b, first, i)
			go func() {
				for lines := bufio.NewScanner(c); lines.Scan(); {
					count.Add(1)
				}
			}()
		}
		return func() {}
	}
	askedOnPorts := func(b *testing.B, first *net.TCPAddr, count *atomic.Int64) func() {
		var all []*bufio.ReadWriter
		for i := range packs {
			c := client(b, first, i)
			all = append(all, bufio.NewReadWriter(bufio.NewReader(c), bufio.NewWriterSize(c, 16)))
		}
		return func() {
			for _, c := range all {
				c.WriteString("MEAS:VOLT?\n")
				c.Flush()
				if _, err := c.ReadSlice('\n'); err != nil {
					b.Fatal(err)
				}
				count.Add(1)
			}
		}
	}
	askedAsUnits := func(b *testing.B, first *net.TCPAddr, count *atomic.Int64) func() {
		c := client(b, first, 0)
		answer := make([]byte, 9+8)
		return func() {
			for unit := range packs {
				c.Write([]byte{0, 1, 0, 0, 0, 6, byte(1 + unit), 4, 0, 0, 0, 4})
				if _, err := io.ReadFull(c, answer); err != nil {
					b.Fatal(err)
				}
				count.Add(1)
			}
		}
	}
	for _, c := range []struct {
		args   []string
		client func(*testing.B, *net.TCPAddr, *atomic.Int64) func()
	}{
		{[]string{"discharge-20h", "--dialect=stream", "--interval=100ms"}, told},
		{[]string{"bench", "--dialect=scpi"}, askedOnPorts},
		{[]string{"bench", "--dialect=modbus"}, askedAsUnits},
	} {
		b.Run(strings.TrimPrefix(c.args[1], "--dialect="), func(b *testing.B) {
			cmd := exec.Command("stuntcell", append(append([]string{"emulate"}, c.args...), "--tcp=127.0.0.1:0", "--packs="+strconv.Itoa(packs))...)
			errs, err := cmd.StderrPipe()
			if err == nil {
				err = cmd.Start()
			}
			if err != nil {
				b.Fatal(err)
			}
			defer func() {
				cmd.Process.Kill()
				cmd.Wait()
			}()
			var kind, first string
			if _, err := fmt.Fscanf(errs, "%s on %s", &kind, &first); err != nil {
				b.Fatal(err)
			}
			addr, err := net.ResolveTCPAddr("tcp", strings.TrimRight(first, ",;"))
			if err != nil {
				b.Fatal(err)
			}
			var count atomic.Int64
			ask := c.client(b, addr, &count)
			ask()
			used, before := processorTime(b, cmd.Process.Pid), count.Load()
			for b.Loop() {
				for range 10 {
					next := time.Now().Add(tenth)
					ask()
					time.Sleep(time.Until(next))
				}
			}
			seconds := b.Elapsed().Seconds()
			b.ReportMetric((processorTime(b, cmd.Process.Pid)-used).Seconds()/seconds, "cores")
			b.ReportMetric(float64(count.Load()-before)/packs/seconds, "answers/pack/s")
		})
	}
}

// client connects to the port that is so many after the first, until the benchmark ends.
func client(b *testing.B, first *net.TCPAddr, after int) net.Conn {
	at := *first
	at.Port += after
	c, err := net.Dial("tcp", at.String())
	if err != nil {
		b.Fatal(err)
	}
	b.Cleanup(func() { c.Close() })
	return c
}

// processorTime is how long a process has been computing, in the user's and in the system's part.
func processorTime(b *testing.B, pid int) time.Duration {
	stat, err := os.ReadFile(fmt.Sprintf("/proc/%d/stat", pid))
	if err != nil {
		b.Skip("no /proc to read a process's time from")
	}
	// The second field is a name in brackets; what is wanted are the 14th and the 15th, in hundredths of a second.
	_, rest, _ := strings.Cut(string(stat), ") ")
	ticks := time.Duration(0)
	for _, field := range strings.Fields(rest)[11:13] {
		n, err := strconv.Atoi(field)
		if err != nil {
			b.Fatal(err)
		}
		ticks += time.Duration(n)
	}
	return ticks * time.Second / 100
}
