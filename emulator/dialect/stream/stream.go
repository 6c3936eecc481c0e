// Package stream is a capacity logger's serial output: a line of numbers at each interval, for a live graph or a program that keeps
// the log.
//
// Current and power are as the rig's sensor reads them, positive into the battery unless the sign is turned; Ah and Wh are the bench's
// integrals. Where the client steps the time (instrument.Stepped), an empty line asks for the next line, a line with a number for so many.
package stream

import (
	"errors"
	"fmt"
	"strconv"
	"strings"

	"stuntcell/emulator/dialect"
	"stuntcell/emulator/instrument"
	"stuntcell/model/quantity"
)

// Column is a column of the output: what it shows and in which unit.
type Column struct {
	Name  string // as the header says it, and as options select it
	About string
	value func(*sample) float64
	scale float64 // of the SI value
	turns bool    // the sign of the current is its sign
	digit int
}

type sample struct {
	state  instrument.State
	counts instrument.Counts
	amps   float64
	volts  float64
}

// Columns lists all columns.
func Columns() []Column {
	seconds := func(s *sample) float64 { return float64(s.state.T) * 1e-9 }
	volts := func(s *sample) float64 { return s.volts }
	amps := func(s *sample) float64 { return s.amps }
	watts := func(s *sample) float64 { return s.volts * s.amps }
	charge := func(s *sample) float64 { return s.state.Charge }
	energy := func(s *sample) float64 { return s.state.Energy }
	return []Column{
		{Name: "s", About: "time since the beginning, in seconds", value: seconds, scale: 1, digit: 3},
		{Name: "ms", About: "in milliseconds", value: seconds, scale: 1e3},
		{Name: "min", About: "in minutes", value: seconds, scale: 1. / 60, digit: 4},
		{Name: "h", About: "in hours", value: seconds, scale: 1. / 3600, digit: 6},
		{Name: "tick", About: "the rig's counter, wrapped as its width makes it", value: func(s *sample) float64 { return float64(s.counts.Tick) }, scale: 1},
		{Name: "unix", About: "what the rig's clock shows, in seconds since 1970", value: func(s *sample) float64 { return float64(s.counts.Clock) }, scale: 1},
		{Name: "V", About: "voltage as the sensor reads it", value: volts, scale: 1, digit: 3},
		{Name: "mV", About: "in millivolts", value: volts, scale: 1e3},
		{Name: "A", About: "current as the sensor reads it", value: amps, scale: 1, digit: 3, turns: true},
		{Name: "mA", About: "in milliamperes", value: amps, scale: 1e3, turns: true},
		{Name: "W", About: "their product", value: watts, scale: 1, digit: 3, turns: true},
		{Name: "mW", About: "in milliwatts", value: watts, scale: 1e3, turns: true},
		{Name: "Ah", About: "charge since the beginning, exact", value: charge, scale: 1. / 3600, digit: 5, turns: true},
		{Name: "mAh", About: "in milliampere-hours", value: charge, scale: 1. / 3.6, digit: 2, turns: true},
		{Name: "Wh", About: "energy since the beginning, exact", value: energy, scale: 1. / 3600, digit: 4, turns: true},
		{Name: "mWh", About: "in milliwatt-hours", value: energy, scale: 1. / 3.6, digit: 1, turns: true},
		{Name: "degC", About: "temperature of the cells", value: func(s *sample) float64 { return s.state.Temperature - 273.15 }, scale: 1, digit: 2},
	}
}

// Names lists the names of all columns.
func Names() []string {
	var names []string
	for _, c := range Columns() {
		names = append(names, c.Name)
	}
	return names
}

// Options say what the lines look like. The zero Options are s,V,A,Ah,Wh under a header.
type Options struct {
	Columns   []string // names of [Names]; none: s, V, A, Ah, Wh
	Separator string   // one character or more; empty: a comma
	Comma     bool     // the decimal sign is a comma
	Inverted  bool     // discharge is positive
	NoHeader  bool
	CRLF      bool
}

// Stream is the dialect.
type Stream struct {
	bench     *instrument.Bench
	columns   []Column
	separator string
	end       string
	sign      float64
	comma     bool
	header    bool // still to be said
	wanted    bool // a header is wanted at power-up
	next      int64
	lines     dialect.Lines
}

// maxSteps is how many lines one line of the client may ask for.
const maxSteps = 1000

// New returns a conversation. The error says what of the options cannot be.
func New(b *instrument.Bench, o Options) (*Stream, error) {
	if len(o.Columns) == 0 {
		o.Columns = []string{"s", "V", "A", "Ah", "Wh"}
	}
	if o.Separator == "" {
		o.Separator = ","
		if o.Comma {
			o.Separator = ";"
		}
	}
	s := &Stream{bench: b, separator: o.Separator, comma: o.Comma, end: "\n", sign: 1, header: !o.NoHeader, wanted: !o.NoHeader, lines: dialect.Lines{Most: 64}}
	if len(o.Separator) > 8 || strings.ContainsAny(o.Separator, "0123456789+-.\r\n") {
		return nil, fmt.Errorf("separator %q: expected what no number contains, as ; or a tab", o.Separator)
	}
	if o.Comma && strings.Contains(o.Separator, ",") {
		return nil, errors.New("a comma cannot both separate columns and be the decimal sign: expected another separator")
	}
	if o.CRLF {
		s.end = "\r\n"
	}
	if o.Inverted {
		s.sign = -1
	}
	all := Columns()
next:
	for _, name := range o.Columns {
		for _, c := range all {
			if c.Name == name {
				s.columns = append(s.columns, c)
				continue next
			}
		}
		hint := ""
		if near := quantity.Nearest(name, Names()); near != "" {
			hint = " (hint: " + near + "?)"
		}
		return nil, fmt.Errorf("no column %q: expected some of %s%s", name, strings.Join(Names(), " "), hint)
	}
	s.rewind()
	return s, nil
}

// rewind makes the next line that of the next whole interval.
func (s *Stream) rewind() {
	every := s.bench.Interval()
	s.next = (s.bench.Now()/every + 1) * every
	if s.bench.Now() == 0 {
		s.next = 0
	}
}

// Next implements [dialect.Dialect].
func (s *Stream) Next() int64 {
	switch s.bench.Pace() {
	case instrument.Stepped:
		return dialect.Never
	case instrument.Max:
		if s.bench.HasPlan() && !s.bench.Planned() {
			return dialect.Never
		}
	}
	if s.next < s.bench.Now()-s.bench.Interval() {
		s.rewind() // a client that was late gets the lines of its own time
	}
	return s.next
}

// Speak implements [dialect.Dialect].
func (s *Stream) Speak(out []byte) []byte {
	if s.header {
		s.header = false
		for i, c := range s.columns {
			if i > 0 {
				out = append(out, s.separator...)
			}
			out = append(out, c.Name...)
		}
		out = append(out, s.end...)
	}
	var x sample
	x.state = s.bench.Look()
	x.counts = s.bench.Count()
	x.amps, x.volts = s.bench.Amps(x.counts.Shunt), s.bench.Volts(x.counts.Bus)
	for i := range s.columns {
		c := &s.columns[i]
		if i > 0 {
			out = append(out, s.separator...)
		}
		v := c.value(&x) * c.scale
		if c.turns {
			v *= s.sign
		}
		from := len(out)
		out = appendFixed(out, v, c.digit)
		if s.comma {
			for k := from; k < len(out); k++ {
				if out[k] == '.' {
					out[k] = ','
				}
			}
		}
	}
	out = append(out, s.end...)
	s.next += s.bench.Interval()
	return out
}

// appendFixed writes v with a fixed number of digits after the point, as printf's %.*f does but never -0.
func appendFixed(out []byte, v float64, digits int) []byte {
	from := len(out)
	out = strconv.AppendFloat(out, v, 'f', digits, 64)
	if out[from] == '-' && strings.Trim(string(out[from+1:]), "0.") == "" {
		out = append(out[:from], out[from+1:]...)
	}
	return out
}

// Hear implements [dialect.Dialect]: only a client that steps the time is listened to.
func (s *Stream) Hear(in, out []byte) []byte {
	if s.bench.Pace() != instrument.Stepped {
		return out
	}
	s.lines.Hear(in, func(line []byte, _ bool) {
		n := int64(1)
		if text := strings.TrimSpace(string(line)); text != "" {
			var err error
			if n, err = strconv.ParseInt(text, 10, 64); err != nil || n < 1 || n > maxSteps {
				return // a logger does not know what that should mean
			}
		}
		for range n {
			if s.bench.Now() < s.next {
				s.bench.Advance(s.next)
			}
			out = s.Speak(out)
		}
	})
	return out
}

// Quiet implements [dialect.Dialect].
func (s *Stream) Quiet(out []byte) []byte { return out }

// Restart implements [dialect.Dialect].
func (s *Stream) Restart() {
	s.lines.Forget()
	s.header = s.wanted
	s.rewind()
}
