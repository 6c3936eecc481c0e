package loggers

import (
	"strconv"

	"stuntcell/emulator/link"
)

// stuck waits for room in a log buffer of a hundred rows that nobody empties: the loop inside never ends.
type stuck struct {
	direct
	rows int
	fail func(*link.Failure)
}

func (o *stuck) put(row string, s *sample, a *link.Answer) {
	if o.rows++; o.rows > 100 {
		o.fail(&link.Failure{Kind: link.Hang, Detail: "no answer: waits for room in the row buffer"})
		return
	}
	o.direct.put(row, s, a)
}

// waitForSensor waits until the sensor says that a reading is ready, without a time-out. A sensor that has dropped off the
// bus says nothing.
func waitForSensor(m *meter, s *sample, _ *link.Answer) {
	if !s.good {
		m.failure = &link.Failure{Kind: link.Hang, Detail: "no answer: waits for the sensor"}
	}
}

// minuteCurve keeps a voltage a minute for the display, in an array for half an hour. The index is not checked.
func minuteCurve() func(m *meter, s *sample, _ *link.Answer) {
	var curve [30]float32
	return func(m *meter, s *sample, _ *link.Answer) {
		minute := s.up / uint64(60*m.g.TickHz)
		curve[minute] = float32(s.volts)
	}
}

// noFile uses the file's handle without asking whether the card let it open one.
type noFile struct{ direct }

func (o *noFile) put(row string, s *sample, a *link.Answer) {
	handle := &o.direct
	if s.cardFails {
		handle = nil
	}
	handle.put(row, s, a)
}

// chatty has a line of debugging left in, printed to the port that carries the log.
type chatty struct {
	direct
	rows int
	fail func(*link.Failure)
}

func (o *chatty) put(row string, s *sample, a *link.Answer) {
	o.direct.put(row, s, a)
	if o.rows++; o.rows == 50 {
		line := "DBG rows=" + strconv.Itoa(o.rows) + " shunt=" + strconv.Itoa(int(s.shunt))
		o.fail(&link.Failure{Kind: link.Garbled, Line: line, Hint: "print nothing but link words; text for a person goes behind `say `"})
	}
}
