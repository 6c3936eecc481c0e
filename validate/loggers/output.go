package loggers

import (
	"strconv"

	"stuntcell/emulator/link"
)

// output is the way of rows to the card.
type output interface {
	header(text string, a *link.Answer)
	put(row string, s *sample, a *link.Answer)
	end(a *link.Answer)
	// lost is how many rows could not be written; restore goes on from an earlier life.
	lost() int64
	restore(lost int64)
}

// direct writes each row at once. A row that cannot be written is lost and told; totals know nothing of it.
type direct struct{ missed int64 }

func (o *direct) header(text string, a *link.Answer) {
	a.Row(text)
}

func (o *direct) put(row string, s *sample, a *link.Answer) {
	if s.cardFails {
		o.lose(a)
		return
	}
	a.Row(row)
}

// lose counts a lost row and tells of it.
func (o *direct) lose(a *link.Answer) {
	o.missed++
	a.Tell(link.Say, "lost "+strconv.FormatInt(o.missed, 10))
}

func (o *direct) end(*link.Answer)   {}
func (o *direct) lost() int64        { return o.missed }
func (o *direct) restore(lost int64) { o.missed = lost }

// buffered holds rows in memory and writes many at once, which wears a card less. While the card fails it waits.
type buffered struct {
	direct
	full func(s *sample, rows int) bool
	rows []string
}

// bufferLimit is how many rows fit in memory.
const bufferLimit = 20000

// byRows is full at so many rows.
func byRows(n int) func(*sample, int) bool {
	return func(_ *sample, rows int) bool { return rows >= n }
}

// byTime is full after so many seconds.
func byTime(seconds uint64, g *link.Greeting) func(*sample, int) bool {
	var since uint64
	return func(s *sample, rows int) bool {
		if rows == 1 {
			since = s.up
		}
		return s.up-since >= seconds*uint64(g.TickHz)
	}
}

func (o *buffered) put(row string, s *sample, a *link.Answer) {
	if len(o.rows) == bufferLimit {
		o.rows = append(o.rows[:0], o.rows[1:]...)
		o.lose(a)
	}
	o.rows = append(o.rows, row)
	if o.full(s, len(o.rows)) && !s.cardFails {
		o.end(a)
	}
}

func (o *buffered) end(a *link.Answer) {
	for _, r := range o.rows {
		a.Row(r)
	}
	o.rows = o.rows[:0]
}

// dropping holds rows in memory too, and loses those that it holds when the card fails as they are due.
type dropping struct{ buffered }

func (o *dropping) put(row string, s *sample, a *link.Answer) {
	o.rows = append(o.rows, row)
	if !o.full(s, len(o.rows)) {
		return
	}
	if s.cardFails {
		o.missed += int64(len(o.rows) - 1)
		o.lose(a)
		o.rows = o.rows[:0]
	}
	o.end(a)
}

// interspersed writes a further line after every so many rows.
type interspersed struct {
	output
	every, rows int
	text        func() string
}

func (o *interspersed) put(row string, s *sample, a *link.Answer) {
	o.output.put(row, s, a)
	if o.rows++; o.rows%o.every == 0 && !s.cardFails {
		a.Row(o.text())
	}
}

// titled writes lines before the header.
type titled struct {
	output
	lines []string
}

func (o *titled) header(text string, a *link.Answer) {
	for _, l := range o.lines {
		a.Row(l)
	}
	o.output.header(text, a)
}

// footed writes a closing line.
type footed struct {
	output
	text func() string
}

func (o *footed) end(a *link.Answer) {
	o.output.end(a)
	a.Row(o.text())
}

// dayWatch looks for a new local day at each reading.
type dayWatch struct {
	calendar calendar
	day      string
	// begins is called when a day begins, but for the first.
	begins func(day string, a *link.Answer)
}

func (w *dayWatch) at(_ *meter, s *sample, a *link.Answer) {
	if s.clock == link.NoClock {
		return
	}
	var b [40]byte
	day := w.calendar.put(b[:0], s.clock)[:len("2006-01-02")]
	if string(day) == w.day {
		return
	}
	first := w.day == ""
	w.day = string(day)
	if !first {
		w.begins(w.day, a)
	}
}

// newFile opens a file for a day and writes the header into it.
func (m *meter) newFile(day string, a *link.Answer) {
	a.Tell(link.File, "log-"+day+".csv")
	m.output.header(m.sheet.header(), a)
}
