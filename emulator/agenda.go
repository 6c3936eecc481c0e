package emulator

import "math"

// agenda is what will happen at known instants, in order of time and, at one instant, of entry.
type agenda struct {
	items []appointment
}

type appointment struct {
	at int64
	do func(at int64)
}

// add enters something to do at an instant [ns].
func (a *agenda) add(at int64, do func(at int64)) {
	i := len(a.items)
	for i > 0 && a.items[i-1].at > at {
		i--
	}
	a.items = append(a.items, appointment{})
	copy(a.items[i+1:], a.items[i:])
	a.items[i] = appointment{at, do}
}

// next is the instant of the first item, the end of time if there is none.
func (a *agenda) next() int64 {
	if len(a.items) == 0 {
		return math.MaxInt64
	}
	return a.items[0].at
}

// due does all that is to be done up to an instant, until over says that the run has ended.
func (a *agenda) due(now int64, over func() bool) {
	for len(a.items) > 0 && a.items[0].at <= now && !over() {
		first := a.items[0]
		a.items = a.items[1:]
		first.do(first.at)
	}
}
