package loggers

import "stuntcell/emulator/link"

// unflushed forgets the half-full buffer at the end.
type unflushed struct{ buffered }

func (o *unflushed) end(*link.Answer) {}

func (o *unflushed) put(row string, s *sample, a *link.Answer) {
	o.rows = append(o.rows, row)
	if o.full(s, len(o.rows)) && !s.cardFails {
		o.buffered.end(a)
	}
}

// fencepost has room for ten rows and a test that stops at nine: the tenth is written nowhere.
type fencepost struct{ buffered }

func (o *fencepost) put(row string, s *sample, a *link.Answer) {
	if len(o.rows) == 9 {
		o.end(a)
		return
	}
	o.rows = append(o.rows, row)
}

// leftover starts the next buffer at the last row instead of behind it.
type leftover struct{ buffered }

func (o *leftover) put(row string, s *sample, a *link.Answer) {
	o.rows = append(o.rows, row)
	if o.full(s, len(o.rows)) && !s.cardFails {
		o.end(a)
		o.rows = append(o.rows, row)
	}
}

// rewriting starts again one row early when a write has failed: it does not know whether that one had got through.
type rewriting struct {
	direct
	last   string
	failed bool
}

func (o *rewriting) put(row string, s *sample, a *link.Answer) {
	if o.failed && !s.cardFails && o.last != "" {
		a.Row(o.last)
	}
	o.failed = s.cardFails
	o.direct.put(row, s, a)
	if !s.cardFails {
		o.last = row
	}
}

// swapped has two buffers of four rows and writes the one that filled last first.
type swapped struct{ buffered }

func (o *swapped) end(a *link.Answer) {
	n := min(len(o.rows), 4)
	o.rows = append(append([]string(nil), o.rows[n:]...), o.rows[:n]...)
	o.buffered.end(a)
}

func (o *swapped) put(row string, s *sample, a *link.Answer) {
	if o.rows = append(o.rows, row); len(o.rows) >= 8 && !s.cardFails {
		o.end(a)
	}
}

// stacked takes rows off its buffer where it put them on.
type stacked struct{ buffered }

func (o *stacked) end(a *link.Answer) {
	for i, j := 0, len(o.rows)-1; i < j; i, j = i+1, j-1 {
		o.rows[i], o.rows[j] = o.rows[j], o.rows[i]
	}
	o.buffered.end(a)
}

func (o *stacked) put(row string, s *sample, a *link.Answer) {
	if o.rows = append(o.rows, row); len(o.rows) >= 8 && !s.cardFails {
		o.end(a)
	}
}

// sectors fills 512-byte sectors and writes full ones. What does not fit into a sector any more should go into the next;
// here it is cut off.
type sectors struct {
	direct
	used int
}

const sectorBytes = 512

func (o *sectors) put(row string, s *sample, a *link.Answer) {
	free := sectorBytes - o.used
	if len(row)+1 <= free {
		o.used += len(row) + 1
		o.direct.put(row, s, a)
		return
	}
	o.used = 0
	// An empty rest is no line at all.
	if free > 1 {
		o.direct.put(row[:free-1], s, a)
	}
}

// untold loses rows like direct, and says nothing.
type untold struct{ direct }

func (o *untold) put(row string, s *sample, a *link.Answer) {
	if !s.cardFails {
		a.Row(row)
	}
}

// closed gives the file up when a write has failed, and never opens it again.
type closed struct {
	direct
	failed bool
}

func (o *closed) put(row string, s *sample, a *link.Answer) {
	o.failed = o.failed || s.cardFails
	if o.failed {
		o.lose(a)
		return
	}
	a.Row(row)
}

// busyWithCard tries a failing card again and again, and reads nothing meanwhile.
func busyWithCard(m *meter, s *sample, _ *link.Answer) {
	if s.cardFails {
		s.good, m.gap = false, 0
	}
}

// reinitialised sets everything up anew when a write has failed, card and totals alike.
type reinitialised struct {
	direct
	setup func()
}

func (o *reinitialised) put(row string, s *sample, a *link.Answer) {
	o.direct.put(row, s, a)
	if s.cardFails {
		o.setup()
	}
}
