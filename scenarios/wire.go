package scenarios

import (
	"bytes"

	"stuntcell/emulator/wire"
	"stuntcell/model/quantity"
)

// readWire reads what a line does to the bytes of an emulated device.
func readWire(field quantity.Field, open func(string) ([]byte, error)) (f wire.Faults) {
	m := field.Map()
	if !field.IsMap() {
		return f
	}
	rates := map[wire.Kind]float64{}
	for _, kind := range wire.Kinds() {
		if rate, ok := m.Find(string(kind)); ok {
			rates[kind] = rate.Quantity(quantity.Ratio, quantity.Above(0, 1))
		}
	}
	f.Seed = uint64(m.IntOr("seed", 0, 1<<62, wire.DefaultSeed))
	trace, replays := m.Find("trace")
	switch {
	case !replays && len(rates) == 0:
		field.Fail("nothing happens to this line", "how often something does, as flip: 0.1 %, or trace: FILE", "")
	case replays && (len(rates) > 0 || m.Has("seed")):
		trace.Fail("a trace says all that happens", "no rates and no seed beside it", "")
	case replays:
		f.Replay = readTrace(trace, open)
	default:
		f.Rates = rates
	}
	m.Done()
	return f
}

func readTrace(f quantity.Field, open func(string) ([]byte, error)) []wire.Act {
	if open == nil {
		f.Fail("a trace cannot be read from a file here", "rates, as flip: 0.1 %", "")
		return nil
	}
	data, err := open(f.Text())
	if err != nil {
		f.FailWith(err)
		return nil
	}
	acts, err := wire.ParseTrace(f.Text(), bytes.NewReader(data))
	if err != nil {
		f.FailWith(err)
	}
	return acts
}
