package link

import (
	"os"
	"testing"
	"time"
)

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
