// Package modbus is a monitor of a battery, with registers, as Modbus RTU on a serial line and as Modbus TCP.
//
// A frame is a unit number and a PDU; RTU adds CRC-16/MODBUS, low byte first, TCP a header of seven bytes before it (transaction, protocol 0,
// length, unit). Function codes 3 and 4 read holding and input registers, 6 writes one, 16 several. Exceptions: 1 unknown function, 2 register
// off the map, 3 quantity or value out of range; further 4, if the bench refuses what is written. Requests to other units are ignored; unit 0 on RTU is a
// broadcast: it is carried out by all units and not answered. Frames of RTU are told by their length; what cannot be a frame is dropped up to the next that has
// a good CRC, or when the line has been quiet. (Modbus application protocol 1.1b3, serial line 1.02; from memory, frames checked with
// published examples and other implementations.)
//
// The map is our own; see [Map]. Values of two registers have the high word first unless the options turn it.
package modbus

import (
	"encoding/binary"
	"errors"
	"math"

	"stuntcell/emulator/dialect"
	"stuntcell/emulator/instrument"
	"stuntcell/emulator/link"
)

// Options say how the monitor speaks.
type Options struct {
	TCP bool // Modbus TCP; else RTU
	// LowFirst puts the low word of a value of two registers first.
	LowFirst bool
	// First is the unit number of the first bench, 1 to 247; 0: 1. The others follow.
	First int
}

// MaxUnits is how many units one line can have.
const MaxUnits = 247

// Exceptions.
const (
	badFunction = 1
	badAddress  = 2
	badValue    = 3
	failure     = 4
)

// Bounds of a request.
const (
	mostRead  = 125
	mostWrite = 123
	mostFrame = 260
)

// Monitor is the dialect.
type Monitor struct {
	dialect.Silent
	options Options
	benches []*instrument.Bench
	in      []byte
	maps    [2][]Register // input, holding
	image   []uint16      // scratch
}

// New returns a conversation with the units, numbered from the first on.
func New(o Options, benches ...*instrument.Bench) *Monitor {
	if o.First == 0 {
		o.First = 1
	}
	return &Monitor{options: o, benches: benches, maps: [2][]Register{registers(false), registers(true)}}
}

// Restart implements [dialect.Dialect].
func (m *Monitor) Restart() { m.in = m.in[:0] }

// Quiet implements [dialect.Dialect]: a pause ends an RTU frame.
func (m *Monitor) Quiet(out []byte) []byte {
	if !m.options.TCP {
		m.in = m.in[:0]
	}
	return out
}

// Hear implements [dialect.Dialect].
func (m *Monitor) Hear(in, out []byte) []byte {
	m.in = append(m.in, in...)
	for {
		used := 0
		if m.options.TCP {
			used, out = m.tcp(out)
		} else {
			used, out = m.rtu(out)
		}
		if used == 0 {
			return out
		}
		m.in = m.in[:copy(m.in, m.in[used:])]
	}
}

// tcp answers the first whole frame; used is its length, 0 if there is none.
func (m *Monitor) tcp(out []byte) (used int, _ []byte) {
	const head = 7
	if len(m.in) < head {
		return 0, out
	}
	length := int(binary.BigEndian.Uint16(m.in[4:]))
	if binary.BigEndian.Uint16(m.in[2:]) != 0 || length < 2 || length > mostFrame-6 {
		return 1, out // no header of ours: look for one from the next byte on
	}
	if len(m.in) < 6+length {
		return 0, out
	}
	from := len(out)
	out = append(out, m.in[:head]...)
	answer := m.unit(m.in[6], m.in[head:6+length], out)
	if answer == nil {
		return 6 + length, out[:from]
	}
	binary.BigEndian.PutUint16(answer[from+4:], uint16(len(answer)-from-6))
	return 6 + length, answer
}

// rtu answers the first whole frame; used is how much can be forgotten, 0 if more has to come.
func (m *Monitor) rtu(out []byte) (used int, _ []byte) {
	n := rtuLength(m.in)
	if n == 0 || len(m.in) < n {
		return 0, out
	}
	frame := m.in[:n]
	if link.CRC16(frame[:n-2]) != binary.LittleEndian.Uint16(frame[n-2:]) {
		return 1, out
	}
	if frame[0] == 0 {
		for i := range m.benches {
			m.unit(byte(m.options.First+i), frame[1:n-2], nil)
		}
		return n, out
	}
	from := len(out)
	answer := m.unit(frame[0], frame[1:n-2], append(out, frame[0]))
	if answer == nil {
		return n, out[:from]
	}
	return n, binary.LittleEndian.AppendUint16(answer, link.CRC16(answer[from:]))
}

// rtuLength is the length of the request that begins b, 0 if it is not known yet. Unknown functions are taken to be as short as a frame
// can be with a good CRC, else eight bytes as most are.
func rtuLength(b []byte) int {
	if len(b) < 2 {
		return 0
	}
	switch b[1] {
	case 15, 16:
		if len(b) < 7 {
			return 0
		}
		return 9 + int(b[6])
	case 1, 2, 3, 4, 5, 6:
		return 8
	}
	for n := 4; n <= min(len(b), 8); n++ {
		if link.CRC16(b[:n-2]) == binary.LittleEndian.Uint16(b[n-2:]) {
			return n
		}
	}
	return 8
}

// unit appends the PDU of the answer of a unit to out; nil if there is no such unit.
func (m *Monitor) unit(number byte, pdu, out []byte) []byte {
	i := int(number) - m.options.First
	if i < 0 || i >= len(m.benches) {
		return nil
	}
	b := m.benches[i]
	from := len(out)
	out = append(out, pdu[0])
	out, code := m.serve(b, pdu, out)
	if code != 0 {
		return append(out[:from], pdu[0]|0x80, code)
	}
	return out
}

// serve carries a request out.
func (m *Monitor) serve(b *instrument.Bench, pdu, out []byte) ([]byte, byte) {
	switch pdu[0] {
	case 3, 4, 6, 16:
	default:
		return out, badFunction
	}
	if len(pdu) < 5 {
		return out, badValue
	}
	address, value := int(binary.BigEndian.Uint16(pdu[1:])), binary.BigEndian.Uint16(pdu[3:])
	switch pdu[0] {
	case 3, 4:
		if len(pdu) != 5 || value < 1 || value > mostRead {
			return out, badValue
		}
		return m.read(b, pdu[0] == 3, address, int(value), out)
	case 6:
		if len(pdu) != 5 {
			return out, badValue
		}
		if code := m.write(b, address, []uint16{value}); code != 0 {
			return out, code
		}
		return append(out, pdu[1:5]...), 0
	}
	n := int(value)
	if n < 1 || n > mostWrite || len(pdu) != 6+2*n || int(pdu[5]) != 2*n {
		return out, badValue
	}
	words := make([]uint16, n)
	for i := range words {
		words[i] = binary.BigEndian.Uint16(pdu[6+2*i:])
	}
	if code := m.write(b, address, words); code != 0 {
		return out, code
	}
	return append(out, pdu[1:5]...), 0
}

// read appends byte count and registers.
func (m *Monitor) read(b *instrument.Bench, holding bool, address, n int, out []byte) ([]byte, byte) {
	image := m.look(b, holding)
	if address+n > len(image) {
		return out, badAddress
	}
	out = append(out, byte(2*n))
	for _, w := range image[address : address+n] {
		out = binary.BigEndian.AppendUint16(out, w)
	}
	return out, 0
}

// look returns what all registers hold now; it is valid until the next look.
func (m *Monitor) look(b *instrument.Bench, holding bool) []uint16 {
	image, list := m.image[:0], m.maps[1]
	var s instrument.State
	if !holding {
		list = m.maps[0]
		b.Ask()
		s = b.Look()
	}
	for i := range list {
		r := &list[i]
		v := r.get(b, &s)
		switch r.Type {
		case Float:
			image = m.two(image, math.Float32bits(float32(v)))
		case Int32:
			image = m.two(image, uint32(int32(clip(v, math.MinInt32, math.MaxInt32))))
		case Int16:
			image = append(image, uint16(int16(clip(v, math.MinInt16, math.MaxInt16))))
		case Uint16:
			image = append(image, uint16(clip(v, 0, math.MaxUint16)))
		}
	}
	m.image = image
	return image
}

func clip(v, low, high float64) float64 { return math.Max(low, math.Min(high, math.Round(v))) }

func (m *Monitor) two(image []uint16, v uint32) []uint16 {
	high, low := uint16(v>>16), uint16(v)
	if m.options.LowFirst {
		high, low = low, high
	}
	return append(image, high, low)
}

// write changes holding registers from an address on, all or none. Both words of a value are written at once.
func (m *Monitor) write(b *instrument.Bench, address int, words []uint16) byte {
	regs := m.maps[1]
	last := regs[len(regs)-1]
	if address+len(words) > last.Address+last.Type.words() {
		return badAddress
	}
	k := knobs{b.Source(), b.Load()}
	step := int64(0)
	for len(words) > 0 {
		var r *Register
		for i := range regs {
			if regs[i].Address == address {
				r = &regs[i]
			}
		}
		if r == nil || len(words) < r.Type.words() {
			return badValue // half of a value
		}
		var v float64
		switch r.Type {
		case Float:
			x := uint32(words[0])<<16 | uint32(words[1])
			if m.options.LowFirst {
				x = x>>16 | x<<16
			}
			v = float64(math.Float32frombits(x))
		default:
			v = float64(words[0])
		}
		if math.IsNaN(v) || math.IsInf(v, 0) || !r.set(&k, &step, v) {
			return badValue
		}
		words, address = words[r.Type.words():], address+r.Type.words()
	}
	switch err := b.Turn(k.source, k.load); {
	case errors.Is(err, instrument.ErrRange):
		return badValue
	case err != nil:
		return failure
	}
	if step > 0 && b.Step(step) != nil {
		return failure
	}
	return 0
}

type knobs struct {
	source instrument.Source
	load   instrument.Load
}
