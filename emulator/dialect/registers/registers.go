// Package registers is a made-up shunt monitor, register by register, so that driver code can be tried: the sign extension of words, the
// setting of ranges, a value that does not begin at bit 0, overflow, a sensor that stops answering.
//
// It speaks a line protocol of its own in hexadecimal (either case), so that a line can be put in place of two-wire transfers:
//
//	r RR        reads register RR: the answer is four hex digits
//	w RR VVVV   writes it: the answer is ok
//	t SECONDS   skips so many seconds: the answer is ok
//
// What it does not understand it does not acknowledge: the answer is `nak`. [Map] lists the registers.
package registers

import (
	"bytes"
	"fmt"
	"math"
	"strconv"

	"stuntcell/emulator/dialect"
	"stuntcell/emulator/instrument"
)

// Register is an entry of the map.
type Register struct {
	Address byte
	Name    string
	About   string
}

// Addresses.
const (
	Config      = 0x00
	Shunt       = 0x01
	Bus         = 0x02
	Temperature = 0x03
	Current     = 0x04
	Identity    = 0x05
	Mute        = 0x7f
)

// Map lists the registers.
func Map() []Register {
	return []Register{
		{Config, "config", "bits 0-1 range of the shunt: one count is the rig's step divided by 8, 4, 2 or 1; bit 15 resets; writable; 0003 at power-up"},
		{Shunt, "shunt", "signed counts of the shunt's voltage in the range that is set, two's complement; 7FFF and 8000 are overflow"},
		{Bus, "bus", "bits 3-15 unsigned counts of the bus in the rig's step; bit 0 the shunt has overflowed; bit 1 a new conversion since the last read"},
		{Temperature, "temperature", "signed sixteenths of a degree C in bits 4-15, two's complement; bits 0-3 are 0"},
		{Current, "current", "signed milliamperes by the rig's shunt, divided by 2, two's complement"},
		{Identity, "identity", "57CE"},
		{Mute, "mute", "the next so many requests are not answered; writable"},
	}
}

const (
	identity   = 0x57ce
	powerUp    = 3
	rangeMask  = 3
	resetBit   = 1 << 15
	overflow   = 1 << 0
	fresh      = 1 << 1
	maxLine    = 32
	maxSeconds = 1_000_000
)

// Monitor is the dialect.
type Monitor struct {
	dialect.Silent
	bench  *instrument.Bench
	lines  dialect.Lines
	config uint16
	mute   uint16
	seen   int64 // instant of the conversion that was read last, -1: none
}

// New returns a conversation.
func New(b *instrument.Bench) *Monitor {
	m := &Monitor{bench: b, lines: dialect.Lines{Most: maxLine}}
	m.Restart()
	return m
}

// Restart implements [dialect.Dialect].
func (m *Monitor) Restart() {
	m.lines.Forget()
	m.config, m.mute, m.seen = powerUp, 0, -1
}

// Quiet implements [dialect.Dialect].
func (m *Monitor) Quiet(out []byte) []byte { return out }

// Hear implements [dialect.Dialect].
func (m *Monitor) Hear(in, out []byte) []byte {
	m.lines.Hear(in, func(line []byte, overlong bool) {
		if m.mute > 0 {
			m.mute--
			return
		}
		answer, ok := "", false
		if !overlong {
			answer, ok = m.request(line)
		}
		if !ok {
			answer = "nak"
		}
		out = append(append(out, answer...), '\n')
	})
	return out
}

func (m *Monitor) request(line []byte) (answer string, ok bool) {
	words := bytes.Fields(line)
	if len(words) < 2 || len(words[0]) != 1 {
		return "", false
	}
	if words[0][0] == 't' && len(words) == 2 {
		s, err := strconv.ParseUint(string(words[1]), 10, 32)
		return "ok", err == nil && s <= maxSeconds && m.bench.Step(int64(s)*1e9) == nil
	}
	address, err := strconv.ParseUint(string(words[1]), 16, 8)
	if err != nil || len(words[1]) != 2 {
		return "", false
	}
	switch {
	case words[0][0] == 'r' && len(words) == 2:
		v, ok := m.read(byte(address))
		return fmt.Sprintf("%04X", v), ok
	case words[0][0] == 'w' && len(words) == 3 && len(words[2]) == 4:
		v, err := strconv.ParseUint(string(words[2]), 16, 16)
		return "ok", err == nil && m.write(byte(address), uint16(v))
	}
	return "", false
}

func (m *Monitor) write(address byte, v uint16) bool {
	switch address {
	case Config:
		if v&resetBit != 0 {
			m.config, m.seen = powerUp, -1
			return true
		}
		m.config = v & rangeMask
	case Mute:
		m.mute = v
	default:
		return false
	}
	return true
}

func (m *Monitor) read(address byte) (uint16, bool) {
	switch address {
	case Config:
		return m.config, true
	case Identity:
		return identity, true
	case Mute:
		return m.mute, true
	case Shunt, Bus, Temperature, Current:
	default:
		return 0, false
	}
	m.bench.Ask()
	c := m.bench.Count()
	counts, over := word(float64(c.Shunt) * float64(int(8)>>(m.config&rangeMask)))
	switch address {
	case Shunt:
		return counts, true
	case Temperature:
		w, _ := word(16 * (m.bench.Look().Temperature - 273.15) * 16)
		return w &^ 15, true
	case Current:
		w, _ := word(m.bench.Amps(c.Shunt) * 500)
		return w, true
	}
	v := uint16(min(c.Bus, 1<<13-1)) << 3
	if over {
		v |= overflow
	}
	if t := m.bench.Now() / m.bench.Interval(); t != m.seen {
		m.seen = t
		v |= fresh
	}
	return v, true
}

// word is a signed word; over says that the value does not fit and was cut to the last that does.
func word(v float64) (w uint16, over bool) {
	v = math.Round(v)
	cut := math.Max(math.MinInt16, math.Min(math.MaxInt16, v))
	return uint16(int16(cut)), cut != v
}
