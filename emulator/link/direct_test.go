//go:build unix

package link

import (
	"os"
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
		if len(d.chunk) > 0 {
			break
		}
	}
	if string(d.chunk) != "ok\n" {
		t.Errorf("%q is left of the answer", d.chunk)
	}
}

// TestLastLook: an answer that is there counts, though the time for it ran out while nobody looked.
func TestLastLook(t *testing.T) {
	r, w, err := os.Pipe()
	if err != nil {
		t.Fatal(err)
	}
	defer r.Close()
	defer w.Close()
	if r.SetReadDeadline(time.Unix(1, 0)) != nil {
		t.Skip("pipes know no deadlines here")
	}
	d := &direct{process: &process{stdout: r, exited: make(chan struct{})}, timeout: time.Second, buf: make([]byte, 16)}
	w.WriteString("ok\n")
	if err := d.read(); err != nil || string(d.chunk) != "ok\n" {
		t.Errorf("read %q, %v", d.chunk, err)
	}
	r.SetReadDeadline(time.Unix(1, 0))
	if f, ok := d.read().(*Failure); !ok || f.Kind != Hang {
		t.Error("nothing there is no hang")
	}
}
