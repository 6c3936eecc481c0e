package main

import (
	"fmt"
	"os"
	"strings"
	"time"
)

// isTerminal tells whether f is one that can move its cursor.
func isTerminal(f *os.File) bool {
	info, err := f.Stat()
	return err == nil && info.Mode()&os.ModeCharDevice != 0 && os.Getenv("TERM") != "dumb" && f.Name() != os.DevNull
}

// wantsColor tells whether what is written to f may be coloured (https://no-color.org, common practice).
func wantsColor(f *os.File) bool { return isTerminal(f) && os.Getenv("NO_COLOR") == "" }

// bar shows on a terminal how far a run is. On anything else it is silent.
type bar struct {
	f     *os.File // nil: silent
	total int
	done  int
	begun time.Time
	drawn bool
}

// barDelay keeps runs that are over at once from flashing a bar.
const barDelay = 400 * time.Millisecond

func newBar(f *os.File, total int) *bar {
	b := &bar{total: total, begun: time.Now()}
	if isTerminal(f) {
		b.f = f
	}
	return b
}

// clear takes the bar away, so that lines can be written.
func (b *bar) clear() {
	if b.drawn {
		fmt.Fprint(b.f, "\r\x1b[K")
		b.drawn = false
	}
}

// step counts one as done and draws the bar.
func (b *bar) step() {
	b.done++
	if b.f == nil || b.done >= b.total || time.Since(b.begun) < barDelay {
		return
	}
	const width = 40
	full := width * b.done / b.total
	fmt.Fprintf(b.f, "\r[%s%s] %d of %d", strings.Repeat("#", full), strings.Repeat(".", width-full), b.done, b.total)
	b.drawn = true
}
