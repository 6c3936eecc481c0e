//go:build unix

package link

import (
	"testing"
	"time"

	programs "stuntcell/model/outside"
)

// TestLastWordsOnABusyMachine: a child answers and ends, and before its answer is looked at the time for what is left in its pipe is up.
func TestLastWordsOnABusyMachine(t *testing.T) {
	p, err := spawn(ChildOptions{Args: []string{programs.Program(t, "sh"), "-c", "echo ok"}, Dir: t.TempDir()})
	if err != nil {
		t.Fatal(err)
	}
	d, ok := newLane(p, 10*time.Second).(*direct)
	if !ok {
		t.Skip("pipes know no deadlines here")
	}
	defer func() { d.close(); p.stderr.close() }()
	<-p.exited
	p.stdout.SetReadDeadline(time.Unix(1, 0))
	for range 2 {
		if err := d.read(); err != nil {
			t.Fatal(err)
		}
	}
	if string(d.chunk) != "ok\n" {
		t.Errorf("%q is left of the answer", d.chunk)
	}
}
