package scpi

import (
	"errors"
	"fmt"
	"math"
	"strconv"
	"strings"

	"stuntcell/emulator/instrument"
)

// node is a command: its header as SCPI writes it, with optional parts in brackets, and what it does. set takes exactly params parameters, get
// at most queries.
type node struct {
	header  string
	about   string
	words   []word
	params  int
	queries int
	set     func(*call) int
	get     func(*call) int
}

type word struct {
	mnemonic string
	optional bool
}

// Command is a command as documentation shows it.
type Command struct{ Header, About string }

// Commands lists all commands, common ones first.
func Commands() []Command {
	var all []Command
	for _, nodes := range [][]node{commons(), tree()} {
		for _, n := range nodes {
			h := n.header
			if n.set == nil {
				h += "?"
			}
			all = append(all, Command{h, n.about})
		}
	}
	return all
}

// cut makes the words of a header.
func cut(header string) []word {
	var words []word
	for _, part := range strings.Split(strings.ReplaceAll(header, "[:", ":["), ":") {
		if part == "" {
			continue
		}
		words = append(words, word{strings.Trim(part, "[]"), strings.HasPrefix(part, "[")})
	}
	return words
}

// matches tells whether words are this command's header; suffix that they would be but for a numeric suffix other than 1.
func (n *node) matches(words []string) (match, suffix bool) {
	return match1(n.words, words)
}

func match1(want []word, have []string) (match, suffix bool) {
	if len(want) == 0 {
		return len(have) == 0, false
	}
	if len(have) > 0 {
		name := strings.TrimRight(have[0], "0123456789")
		if is(strings.ToUpper(name), want[0].mnemonic) {
			m, s := match1(want[1:], have[1:])
			if number := have[0][len(name):]; m && number != "" && number != "1" {
				return false, true
			}
			if m || s {
				return m, s
			}
		}
	}
	if want[0].optional {
		return match1(want[1:], have)
	}
	return false, false
}

// code is the error number of what a bench refused.
func code(err error) int {
	switch {
	case err == nil:
		return 0
	case errors.Is(err, instrument.ErrRange):
		return outOfRange
	case errors.Is(err, instrument.ErrConflict):
		return settingsConflict
	}
	return executionError
}

// commons are the common commands of IEEE 488.2, 10 (numbers of clauses from memory).
func commons() []node {
	return []node{
		{header: "*IDN", about: "who it is: maker, model, serial number, version", get: func(c *call) int {
			return c.text("stuntcell,simulated bench,0," + c.version)
		}},
		{header: "*RST", about: "source and load off, limits wide open", set: func(c *call) int {
			c.limits = [2]float64{instrument.MaxVolts, instrument.MaxAmps}
			c.has = false
			if err := c.bench.SetSource(instrument.Source{}); err != nil {
				return code(err)
			}
			return code(c.bench.SetLoad(instrument.Load{}))
		}},
		{header: "*CLS", about: "clears the error queue and the event registers", set: func(c *call) int {
			c.errors, c.esr, c.oper.event, c.ques.event = nil, 0, 0, 0
			return 0
		}},
		{header: "*TST", about: "self-test: 0 is good", get: func(c *call) int { return c.nr1(0) }},
		{header: "*OPC", about: "operation complete: nothing here takes time", set: func(c *call) int { c.esr |= esrComplete; return 0 },
			get: func(c *call) int { return c.nr1(1) }},
		{header: "*WAI", about: "waits for what is under way: nothing is", set: func(*call) int { return 0 }},
		{header: "*ESR", about: "event status register; reading clears it", get: func(c *call) int {
			v := c.esr
			c.esr = 0
			return c.nr1(int64(v))
		}},
		{header: "*ESE", about: "which events count for the status byte", params: 1, set: func(c *call) int { return c.mask(&c.ese) },
			get: func(c *call) int { return c.nr1(int64(c.ese)) }},
		{header: "*SRE", about: "which bits of the status byte ask for service", params: 1, set: func(c *call) int {
			was := c.sre
			e := c.mask(&c.sre)
			c.sre &^= 1 << 6
			if e != 0 {
				c.sre = was
			}
			return e
		}, get: func(c *call) int { return c.nr1(int64(c.sre)) }},
		{header: "*STB", about: "status byte", get: func(c *call) int { return c.nr1(int64(c.status())) }},
	}
}

func (c *call) mask(to *byte) int {
	v, e := number(c.params[0], "", 0, 255, 0)
	if e == 0 {
		*to = byte(math.Round(v))
	}
	return e
}

// status is the status byte (IEEE 488.2, 11.2; SCPI-1999 volume 1, 4.1.3; from memory).
func (s *Instrument) status() byte {
	var b byte
	if len(s.errors) > 0 {
		b |= 1 << 2
	}
	if s.ques.event&s.ques.enable != 0 {
		b |= 1 << 3
	}
	if s.esr&s.ese != 0 {
		b |= 1 << 5
	}
	if s.oper.event&s.oper.enable != 0 {
		b |= 1 << 7
	}
	if b&s.sre != 0 {
		b |= 1 << 6
	}
	return b
}

// Bits of the status registers that are the instrument's own.
const (
	operSource   = 1 << 8 // the source is on
	operLoad     = 1 << 9
	operConstant = 1 << 10 // it holds its voltage
	quesTripped  = 1 << 9  // the load has tripped
)

func (s *Instrument) conditions() (oper, ques uint16) {
	if src := s.bench.Source(); src.On {
		oper |= operSource
		if s.bench.Look().Constant {
			oper |= operConstant
		}
	}
	if s.bench.Load().On {
		oper |= operLoad
	}
	if s.bench.Tripped() {
		ques |= quesTripped
	}
	return oper, ques
}

// watch latches what has become true.
func (s *Instrument) watch() {
	oper, ques := s.conditions()
	for _, x := range []struct {
		r   *register
		now uint16
	}{{&s.oper, oper}, {&s.ques, ques}} {
		x.r.event |= x.now &^ x.r.last
		x.r.last = x.now
	}
}

func (s *Instrument) common(header string) *node {
	for i := range s.commons {
		if strings.EqualFold(s.commons[i].header, header) {
			return &s.commons[i]
		}
	}
	return nil
}

// quantity is what the meter measures.
type quantity struct {
	mnemonic, about string
	of              func(*instrument.State) float64
}

func quantities() []quantity {
	return []quantity{
		{"VOLTage[:DC]", "terminals [V]", func(s *instrument.State) float64 { return s.Volts }},
		{"CURRent[:DC]", "current into the pack [A]", func(s *instrument.State) float64 { return s.Amps }},
		{"POWer[:DC]", "power into the pack [W]", func(s *instrument.State) float64 { return s.Volts * s.Amps }},
		{"CHARge", "charge into the pack since the beginning or SENSe:CHARge:CLEar [Ah]", func(s *instrument.State) float64 { return s.Charge / 3600 }},
		{"ENERgy", "energy, likewise [Wh]", func(s *instrument.State) float64 { return s.Energy / 3600 }},
		{"TEMPerature", "cells [degC]", func(s *instrument.State) float64 { return s.Temperature - 273.15 }},
	}
}

// tree is every command but the common ones.
func tree() []node {
	var all []node
	for _, q := range quantities() {
		measure := func(c *call) int {
			c.bench.Ask()
			c.fetched, c.has = c.bench.Look(), true
			return c.nr3(q.of(&c.fetched))
		}
		fetch := func(c *call) int {
			if !c.has {
				return dataStale
			}
			return c.nr3(q.of(&c.fetched))
		}
		all = append(all,
			node{header: "MEASure[:SCALar]:" + q.mnemonic, about: "measures: " + q.about, get: measure},
			node{header: "READ[:SCALar]:" + q.mnemonic, about: "the same", get: measure},
			node{header: "FETCh[:SCALar]:" + q.mnemonic, about: "the same of the last measurement", get: fetch})
	}
	all = append(all, levels()...)
	all = append(all, loads()...)
	all = append(all, system()...)
	for i := range all {
		all[i].words = cut(all[i].header)
	}
	return all
}

// level makes a command that sets a number and asks for it, or for its limits.
func level(header, about, unit string, limits func(*call) (low, high, preset float64), get func(*call) float64, set func(*call, float64) int) node {
	return node{header: header, about: about, params: 1, queries: 1,
		set: func(c *call) int {
			low, high, preset := limits(c)
			v, e := number(c.params[0], unit, low, high, preset)
			if e != 0 {
				return e
			}
			return set(c, v)
		},
		get: func(c *call) int {
			if len(c.params) == 0 {
				return c.nr3(get(c))
			}
			low, high, preset := limits(c)
			switch text := strings.ToUpper(string(c.params[0])); {
			case is(text, "MINimum"):
				return c.nr3(low)
			case is(text, "MAXimum"):
				return c.nr3(high)
			case is(text, "DEFault"):
				return c.nr3(preset)
			}
			return illegalValue
		}}
}

func levels() []node {
	volts := func(c *call) (float64, float64, float64) { return 0, c.limits[0], 0 }
	amps := func(c *call) (float64, float64, float64) { return 0, c.limits[1], 0 }
	limit := func(i int, most float64) func(*call) (float64, float64, float64) {
		return func(c *call) (float64, float64, float64) {
			s := c.bench.Source()
			return [...]float64{s.Volts, s.Amps}[i], most, most
		}
	}
	bound := func(i int) (func(*call) float64, func(*call, float64) int) {
		return func(c *call) float64 { return c.limits[i] }, func(c *call, v float64) int { c.limits[i] = v; return 0 }
	}
	getV, setV := bound(0)
	getA, setA := bound(1)
	return []node{
		level("[SOURce]:VOLTage[:LEVel][:IMMediate][:AMPLitude]", "voltage that the source does not exceed [V]", "V", volts,
			func(c *call) float64 { return c.bench.Source().Volts },
			func(c *call, v float64) int {
				s := c.bench.Source()
				s.Volts = v
				return code(c.bench.SetSource(s))
			}),
		level("[SOURce]:CURRent[:LEVel][:IMMediate][:AMPLitude]", "current of the source until then [A]", "A", amps,
			func(c *call) float64 { return c.bench.Source().Amps },
			func(c *call, v float64) int {
				s := c.bench.Source()
				s.Amps = v
				return code(c.bench.SetSource(s))
			}),
		level("[SOURce]:VOLTage:LIMit[:HIGH]", "highest voltage that may be set [V]", "V", limit(0, instrument.MaxVolts), getV, setV),
		level("[SOURce]:CURRent:LIMit[:HIGH]", "highest current that may be set [A]", "A", limit(1, instrument.MaxAmps), getA, setA),
		{header: "OUTPut[:STATe]", about: "the source's contact", params: 1,
			set: func(c *call) int {
				on, e := boolean(c.params[0])
				if e != 0 {
					return e
				}
				s := c.bench.Source()
				s.On = on
				if on && (s.Volts == 0 || s.Amps == 0) {
					return settingsConflict
				}
				return code(c.bench.SetSource(s))
			},
			get: func(c *call) int { return c.bool(c.bench.Source().On) }},
	}
}

// loadModes are the modes of the load by their word.
func loadModes() []struct {
	word, unit string
	mode       instrument.Mode
	low, high  float64
} {
	return []struct {
		word, unit string
		mode       instrument.Mode
		low, high  float64
	}{
		{"CURRent", "A", instrument.Current, 0, instrument.MaxAmps},
		{"POWer", "W", instrument.Power, 0, instrument.MaxWatts},
		{"RESistance", "OHM", instrument.Resistance, instrument.MinOhms, instrument.MaxOhms},
	}
}

func loads() []node {
	all := []node{
		{header: "INPut[:STATe]", about: "the load's contact", params: 1,
			set: func(c *call) int {
				on, e := boolean(c.params[0])
				if e != 0 {
					return e
				}
				l := c.bench.Load()
				if l.On = on; on && l.Mode == instrument.Resistance && l.Level == 0 {
					return settingsConflict
				}
				return code(c.bench.SetLoad(l))
			},
			get: func(c *call) int { return c.bool(c.bench.Load().On) }},
		{header: "LOAD:MODE", about: "what the load holds: CURRent, POWer or RESistance; the level becomes 0 and the load goes off", params: 1,
			set: func(c *call) int {
				text := strings.ToUpper(string(c.params[0]))
				for _, m := range loadModes() {
					if is(text, m.word) {
						if c.bench.Load().Mode == m.mode {
							return 0
						}
						return code(c.bench.SetLoad(instrument.Load{Mode: m.mode}))
					}
				}
				return illegalValue
			},
			get: func(c *call) int {
				for _, m := range loadModes() {
					if m.mode == c.bench.Load().Mode {
						return c.text(strings.TrimRight(m.word, "abcdefghijklmnopqrstuvwxyz"))
					}
				}
				return executionError
			}},
	}
	for _, m := range loadModes() {
		all = append(all, level("LOAD:"+m.word+"[:LEVel]", fmt.Sprintf("level of the load in this mode [%s]", m.unit), m.unit,
			func(*call) (float64, float64, float64) { return m.low, m.high, m.low },
			func(c *call) float64 {
				if l := c.bench.Load(); l.Mode == m.mode {
					return l.Level
				}
				return 0
			},
			func(c *call, v float64) int {
				l := c.bench.Load()
				if l.Mode != m.mode {
					return settingsConflict
				}
				l.Level = v
				return code(c.bench.SetLoad(l))
			}))
	}
	return all
}

func system() []node {
	status := func(name string, of func(*call) *register, now func(*call) uint16, about string) []node {
		return []node{
			{header: "STATus:" + name + "[:EVENt]", about: about + ": what has happened; reading clears it", get: func(c *call) int {
				r := of(c)
				v := r.event
				r.event = 0
				return c.nr1(int64(v))
			}},
			{header: "STATus:" + name + ":CONDition", about: about + ": what is so", get: func(c *call) int { return c.nr1(int64(now(c))) }},
			{header: "STATus:" + name + ":ENABle", about: about + ": which events count for the status byte", params: 1,
				set: func(c *call) int {
					v, e := number(c.params[0], "", 0, 65535, 0)
					if e == 0 {
						of(c).enable = uint16(math.Round(v)) &^ (1 << 15)
					}
					return e
				},
				get: func(c *call) int { return c.nr1(int64(of(c).enable)) }},
		}
	}
	all := []node{
		{header: "SYSTem:ERRor[:NEXT]", about: "takes the oldest error out of the queue", get: func(c *call) int {
			e := noError
			if len(c.errors) > 0 {
				e = c.errors[0]
				c.errors = c.errors[1:]
			}
			return c.text(strconv.Itoa(e) + `,"` + errorText(e) + `"`)
		}},
		{header: "SYSTem:ERRor:COUNt", about: "how many errors are in the queue", get: func(c *call) int { return c.nr1(int64(len(c.errors))) }},
		{header: "SYSTem:VERSion", about: "the SCPI version", get: func(c *call) int { return c.text("1999.0") }},
		{header: "SYSTem:ELAPsed", about: "simulated time since the beginning [s]", get: func(c *call) int {
			return c.text(strconv.FormatFloat(float64(c.bench.Now())*1e-9, 'f', 3, 64))
		}},
		{header: "SYSTem:STEP", about: "skips so many seconds; with emulate --speed step nothing else moves the time", params: 1,
			set: func(c *call) int {
				v, e := number(c.params[0], "S", 0, 1e8, 1)
				if e != 0 {
					return e
				}
				return code(c.bench.Step(int64(math.Round(v * 1e9))))
			}},
		{header: "SENSe:CHARge:CLEar", about: "sets charge and energy to zero", set: func(c *call) int {
			c.bench.Clear()
			return 0
		}},
		{header: "STATus:PRESet", about: "no event of the status registers counts", set: func(c *call) int {
			c.oper.enable, c.ques.enable = 0, 0
			return 0
		}},
	}
	all = append(all, status("OPERation", func(c *call) *register { return &c.oper }, func(c *call) uint16 { o, _ := c.conditions(); return o },
		"bit 8 source on, 9 load on, 10 constant voltage")...)
	return append(all, status("QUEStionable", func(c *call) *register { return &c.ques }, func(c *call) uint16 { _, q := c.conditions(); return q },
		"bit 9 the load has tripped")...)
}
