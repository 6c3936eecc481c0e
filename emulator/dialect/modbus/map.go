package modbus

import (
	"math"

	"stuntcell/emulator/instrument"
)

// Type is how a value lies in registers.
type Type string

// The types.
const (
	Float  Type = "float32" // two registers
	Int32  Type = "int32"   // two registers
	Int16  Type = "int16"
	Uint16 Type = "uint16"
)

func (t Type) words() int {
	if t == Float || t == Int32 {
		return 2
	}
	return 1
}

// Register is an entry of the map.
type Register struct {
	Address int // from 0, as it stands in the frame
	Type    Type
	About   string
	get     func(*instrument.Bench, *instrument.State) float64
	set     func(k *knobs, step *int64, v float64) bool
}

// Map lists the input registers (function code 4), or the holding registers (3, 6, 16).
func Map(holding bool) []Register { return registers(holding) }

func registers(holding bool) []Register {
	list := inputs()
	if holding {
		list = holdings()
	}
	at := 0
	for i := range list {
		list[i].Address = at
		at += list[i].Type.words()
	}
	return list
}

func inputs() []Register {
	type state = instrument.State
	of := func(f func(*state) float64) func(*instrument.Bench, *state) float64 {
		return func(_ *instrument.Bench, s *state) float64 { return f(s) }
	}
	volts := func(s *state) float64 { return s.Volts }
	amps := func(s *state) float64 { return s.Amps }
	scaled := func(f func(*state) float64, by float64) func(*instrument.Bench, *state) float64 {
		return func(_ *instrument.Bench, s *state) float64 { return f(s) * by }
	}
	return []Register{
		{Type: Float, About: "voltage [V]", get: of(volts)},
		{Type: Float, About: "current into the pack [A]", get: of(amps)},
		{Type: Float, About: "power into the pack [W]", get: of(func(s *state) float64 { return s.Volts * s.Amps })},
		{Type: Float, About: "charge into the pack [Ah]", get: of(func(s *state) float64 { return s.Charge / 3600 })},
		{Type: Float, About: "energy into the pack [Wh]", get: of(func(s *state) float64 { return s.Energy / 3600 })},
		{Type: Float, About: "temperature of the cells [degC]", get: of(func(s *state) float64 { return s.Temperature - 273.15 })},
		{Type: Float, About: "time since the beginning [s]", get: of(func(s *state) float64 { return float64(s.T) * 1e-9 })},
		{Type: Uint16, About: "voltage [10 mV]", get: scaled(volts, 100)},
		{Type: Int16, About: "current [10 mA]", get: scaled(amps, 100)},
		{Type: Int32, About: "charge [mAh]", get: scaled(func(s *state) float64 { return s.Charge }, 1/3.6)},
		{Type: Int32, About: "energy [10 mWh]", get: scaled(func(s *state) float64 { return s.Energy }, 1/36.)},
		{Type: Int16, About: "temperature [0.1 degC]", get: of(func(s *state) float64 { return 10 * (s.Temperature - 273.15) })},
		{Type: Uint16, About: "status: bit 0 source on, 1 load on, 2 constant voltage, 3 the load has tripped", get: func(b *instrument.Bench, s *state) float64 {
			v := 0.0
			for i, on := range []bool{b.Source().On, b.Load().On, s.Constant, b.Tripped()} {
				if on {
					v += math.Ldexp(1, i)
				}
			}
			return v
		}},
	}
}

func holdings() []Register {
	between := func(v, low, high float64) bool { return v >= low && v <= high }
	return []Register{
		{Type: Uint16, About: "source: 0 off, 1 on",
			get: func(b *instrument.Bench, _ *instrument.State) float64 { return one(b.Source().On) },
			set: func(k *knobs, _ *int64, v float64) bool { k.source.On = v == 1; return v == 0 || v == 1 }},
		{Type: Uint16, About: "load: 0 off, 1 on",
			get: func(b *instrument.Bench, _ *instrument.State) float64 { return one(b.Load().On) },
			set: func(k *knobs, _ *int64, v float64) bool { k.load.On = v == 1; return v == 0 || v == 1 }},
		{Type: Uint16, About: "mode of the load: 0 current, 1 power, 2 resistance",
			get: func(b *instrument.Bench, _ *instrument.State) float64 { return float64(b.Load().Mode) },
			set: func(k *knobs, _ *int64, v float64) bool {
				if v != 0 && v != 1 && v != 2 {
					return false
				}
				k.load.Mode = instrument.Mode(v)
				return true
			}},
		{Type: Uint16, About: "skips so many seconds; reads 0",
			get: func(*instrument.Bench, *instrument.State) float64 { return 0 },
			set: func(_ *knobs, step *int64, v float64) bool { *step = int64(v) * 1e9; return true }},
		{Type: Float, About: "level of the load [A, W or ohm]",
			get: func(b *instrument.Bench, _ *instrument.State) float64 { return b.Load().Level },
			set: func(k *knobs, _ *int64, v float64) bool { k.load.Level = v; return between(v, 0, instrument.MaxOhms) }},
		{Type: Float, About: "voltage of the source [V]",
			get: func(b *instrument.Bench, _ *instrument.State) float64 { return b.Source().Volts },
			set: func(k *knobs, _ *int64, v float64) bool {
				k.source.Volts = v
				return between(v, 0, instrument.MaxVolts)
			}},
		{Type: Float, About: "current of the source [A]",
			get: func(b *instrument.Bench, _ *instrument.State) float64 { return b.Source().Amps },
			set: func(k *knobs, _ *int64, v float64) bool { k.source.Amps = v; return between(v, 0, instrument.MaxAmps) }},
	}
}

func one(on bool) float64 {
	if on {
		return 1
	}
	return 0
}
