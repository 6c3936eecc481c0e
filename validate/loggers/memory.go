package loggers

import (
	"encoding/binary"
	"hash/crc32"
	"math"

	"stuntcell/emulator/link"
)

// state is what survives a power cut.
type state struct {
	totals  totals
	stopped bool  // the load was opened for good
	full    bool  // the charger was
	lost    int64 // rows that could not be written
}

// memory keeps the state.
type memory interface {
	// keep stores the state, at the sample that brought it about.
	keep(st state, s *sample)
	// recall returns what was kept last; false if nothing was.
	recall() (state, bool)
}

// slots keeps the state in two places in turn, each with a number and a check sum: if the power fails while one is written,
// the other is whole.
type slots struct {
	store  link.Store
	number uint64
	buffer [slotBytes]byte
}

const slotBytes = 8 + 6*8 + 1 + 8 + 4

func slotName(number uint64) string {
	if number%2 == 0 {
		return "state-a"
	}
	return "state-b"
}

func (m *slots) keep(st state, _ *sample) {
	m.number++
	b := binary.LittleEndian.AppendUint64(m.buffer[:0], m.number)
	t := &st.totals
	for _, x := range [...]float64{t.charge, t.in, t.out, t.energy, t.energyIn, t.energyOut} {
		b = binary.LittleEndian.AppendUint64(b, math.Float64bits(x))
	}
	var flags byte
	if st.stopped {
		flags |= 1
	}
	if st.full {
		flags |= 2
	}
	b = append(b, flags)
	b = binary.LittleEndian.AppendUint64(b, uint64(st.lost))
	b = binary.LittleEndian.AppendUint32(b, crc32.ChecksumIEEE(b))
	m.store.Save(slotName(m.number), b)
}

func (m *slots) recall() (state, bool) {
	var newest state
	found := false
	m.number = 0
	for _, name := range [...]string{slotName(0), slotName(1)} {
		number, st, ok := decodeSlot(m.store.Load(name))
		if ok && (!found || number > m.number) {
			m.number, newest, found = number, st, true
		}
	}
	return newest, found
}

// decodeSlot reads a slot; false if it is not whole.
func decodeSlot(b []byte) (number uint64, st state, ok bool) {
	if len(b) != slotBytes || crc32.ChecksumIEEE(b[:slotBytes-4]) != binary.LittleEndian.Uint32(b[slotBytes-4:]) {
		return 0, state{}, false
	}
	t := &st.totals
	for i, x := range [...]*float64{&t.charge, &t.in, &t.out, &t.energy, &t.energyIn, &t.energyOut} {
		*x = math.Float64frombits(binary.LittleEndian.Uint64(b[8+8*i:]))
	}
	flags := b[56]
	st.stopped, st.full = flags&1 != 0, flags&2 != 0
	st.lost = int64(binary.LittleEndian.Uint64(b[57:]))
	return binary.LittleEndian.Uint64(b), st, true
}

// forgetful keeps nothing. It is healthy for a logger that says so, and a mistake for one that does not.
type forgetful struct{}

func (forgetful) keep(state, *sample)   {}
func (forgetful) recall() (state, bool) { return state{}, false }
