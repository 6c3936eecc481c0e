package main

import (
	"bytes"
	"context"
	"fmt"
	"slices"
	"strconv"
	"strings"
	"time"

	"github.com/spf13/cobra"

	"stuntcell/emulator"
	"stuntcell/emulator/dialect"
	"stuntcell/emulator/dialect/modbus"
	sensors "stuntcell/emulator/dialect/readings"
	"stuntcell/emulator/dialect/registers"
	"stuntcell/emulator/dialect/scpi"
	"stuntcell/emulator/dialect/stream"
	"stuntcell/emulator/instrument"
	"stuntcell/emulator/wire"
	"stuntcell/model"
	"stuntcell/scenarios"
)

type emulateOptions struct {
	dialect  string
	pty      bool
	linkName string
	tcp      string
	port     string
	baud     int
	speed    string
	interval time.Duration
	packs    int
	seed     uint64

	columns   []string
	separator string
	comma     bool
	inverted  bool
	noHeader  bool

	unit     int
	lowFirst bool

	faults    string
	faultSeed uint64
	trace     string
	replay    string
	capture   string
	check     string
}

func newEmulate(std streams) *cobra.Command {
	var o emulateOptions
	cmd := &cobra.Command{
		Use:   "emulate SCENARIO --dialect NAME (--pty | --tcp | --port)",
		Short: "Be a device on a wire: a stream, bench instruments, a monitor",
		Long: `Be a device on a wire, with the battery of a scenario behind it. Its plan runs
until a client switches something; the scenario "bench" has no plan: the pack
rests until then. Ends with an interrupt.

Dialects, whose commands and registers "stuntcell show NAME" lists:
` + dialectTable() + `
Time: --speed 60 is a minute a second; max as fast as it is read (each question
is one interval later than the one before); step when only clients move it. A
client can skip time at any speed: scpi SYST:STEP 60, modbus holding register 3,
registers t 60; in a stream at step an empty line asks for the next line.

Lines that fail, --fault flip=0.001,delay=0.01, so often a byte or an answer:
` + faultTable() + `The same --fault-seed does the same. A scenario may say it too, as
wire: {flip: 0.1 %, delay: 1 %}; --fault none makes its line a good one. --trace
keeps what was done, --replay-trace does it again.

--capture keeps all that passes; --check plays a capture to the device without a
wire and compares what it answers: exit status 1 if something differs.

Nobody but this computer can connect unless --tcp names another address of it.
Clients on one port share its pack; two programs on one terminal take one
another's answers. It is a simulation: no battery is switched, and real ones may
be worse.

Caution with --port: the adapter's level must be that of the board (3.3 V, 5 V
or RS-232), and the line joins the board's ground to this computer's earth. What
a script does to this bench it would do to a real one: try its end and its
limits here first. Local codes, the maker's data and licensed practice come
first.`,
		Example: `  stuntcell emulate discharge-20h --dialect stream --speed 60 \
      --pty --link-name ./port
  stuntcell emulate bench --dialect scpi --tcp 127.0.0.1:5025
  stuntcell emulate bench --dialect modbus --pty --link-name ./port
  stuntcell emulate bench --dialect modbus --tcp 127.0.0.1:5020 --packs 200`,
		Args:              operands(1, 1, "one scenario"),
		ValidArgsFunction: completeScenarios,
		RunE: func(cmd *cobra.Command, args []string) error {
			for _, f := range []struct {
				flag, dialect string
			}{{"columns", "stream"}, {"separator", "stream"}, {"decimal-comma", "stream"}, {"discharge-positive", "stream"}, {"no-header", "stream"},
				{"unit", "modbus"}, {"low-word-first", "modbus"}} {
				if cmd.Flags().Changed(f.flag) && o.dialect != f.dialect {
					return usagef("", "--%s is of --dialect %s, not of %s", f.flag, f.dialect, o.dialect)
				}
			}
			if err := together(cmd, [][2]string{{"baud", "port"}, {"fault-seed", "fault"}, {"link-name", "pty"}}); err != nil {
				return err
			}
			return runEmulate(cmd.Context(), std, o, args[0])
		},
	}
	f := cmd.Flags()
	f.StringVar(&o.dialect, "dialect", "", "how it speaks: `NAME` of "+strings.Join(dialectNames(), ", "))
	f.BoolVar(&o.pty, "pty", false, "on a pseudo-terminal, which a client opens as a serial port")
	f.StringVar(&o.linkName, "link-name", "", "stable name of the pseudo-terminal: a symbolic link `FILE`")
	f.StringVar(&o.tcp, "tcp", "", "on TCP at `ADDR`, as 127.0.0.1:5025; port 0 takes a free one")
	f.StringVar(&o.port, "port", "", "on the serial port `DEV`")
	f.IntVar(&o.baud, "baud", 115200, "speed of --port")
	f.StringVar(&o.speed, "speed", "1", "simulated seconds in a real one: `N`, max or step")
	f.DurationVar(&o.interval, "interval", 0, "time between readings, instead of the rig's")
	f.IntVar(&o.packs, "packs", 1, "so many packs, `N`: units (modbus) or ports from --tcp on")
	f.Uint64Var(&o.seed, "seed", 0, "replace the scenario's own seed of noise")
	f.StringSliceVar(&o.columns, "columns", nil, "stream: its columns, as `s,V,A` (stuntcell show stream)")
	f.StringVar(&o.separator, "separator", "", "stream: what stands between columns (\\t is a tab)")
	f.BoolVar(&o.comma, "decimal-comma", false, "stream: the decimal sign is a comma, columns are parted by ;")
	f.BoolVar(&o.inverted, "discharge-positive", false, "stream: discharge is positive")
	f.BoolVar(&o.noHeader, "no-header", false, "stream: no line of column names")
	f.IntVar(&o.unit, "unit", 1, "modbus: unit number of the first pack")
	f.BoolVar(&o.lowFirst, "low-word-first", false, "modbus: the low word of a value of two registers comes first")
	f.StringVar(&o.faults, "fault", "", "what the line does: `KIND=RATE,...` or none")
	f.Uint64Var(&o.faultSeed, "fault-seed", 1, "draws when")
	f.StringVar(&o.trace, "trace", "", "keep what the line did in `FILE`")
	f.StringVar(&o.replay, "replay-trace", "", "do again what `FILE` says")
	f.StringVar(&o.capture, "capture", "", "keep the session in `FILE`")
	f.StringVar(&o.check, "check", "", "play the session in `FILE` to the device, without a wire")
	cmd.MarkFlagRequired("dialect")
	cmd.MarkFlagsMutuallyExclusive("pty", "tcp", "port", "check")
	cmd.MarkFlagsOneRequired("pty", "tcp", "port", "check")
	cmd.MarkFlagsMutuallyExclusive("fault", "replay-trace")
	cmd.RegisterFlagCompletionFunc("dialect", completeOne(dialectNames))
	return cmd
}

// benchName is the scenario that has no plan.
const benchName = "bench"

func runEmulate(ctx context.Context, std streams, o emulateOptions, name string) error {
	b, err := findBench()
	if err != nil {
		return err
	}
	c, sc, err := o.config(b, name)
	if err != nil {
		return err
	}
	e := emulation{std: std, options: o}
	if o.dialect == "readings" {
		if e.told, err = o.recorded(ctx, sc); err != nil {
			return err
		}
	}
	var benches []*instrument.Bench
	for i := range o.packs {
		c.Seed += uint64(min(i, 1)) // each pack's noise is its own
		bench, err := instrument.New(c)
		if err != nil {
			return err
		}
		benches = append(benches, bench)
	}
	e.benches = benches
	if _, err := e.talk(benches); err != nil {
		return err
	}
	if o.check != "" {
		return e.runCheck(b)
	}
	faults, err := o.line(b, sc)
	if err != nil {
		return err
	}
	if err := roomFor(2 * o.packs); err != nil { // each has a port and at least one client
		return err
	}
	return e.run(ctx, faults)
}

// config reads what stands behind the device; there is no scenario behind a bench without a plan.
func (o *emulateOptions) config(b *bench, name string) (c instrument.Config, sc *scenarios.Scenario, err error) {
	most := 1000
	if o.dialect == "modbus" && o.tcp != "" || o.pty || o.port != "" {
		most = modbus.MaxUnits + 1 - o.unit
	}
	switch {
	case !slices.Contains(dialectNames(), o.dialect):
		return c, nil, usagef("", "--dialect %q: expected one of %s", o.dialect, strings.Join(dialectNames(), " "))
	case o.unit < 1 || o.unit > modbus.MaxUnits:
		return c, nil, usagef("", "--unit %d: expected 1 to %d", o.unit, modbus.MaxUnits)
	case o.packs < 1 || o.packs > most:
		return c, nil, usagef("", "--packs %d: expected 1 to %d", o.packs, most)
	case o.packs > 1 && o.dialect != "modbus" && o.tcp == "":
		return c, nil, usagef("several packs need --tcp, or units of modbus", "--packs %d: one line carries one device of this dialect", o.packs)
	case o.interval < 0 || o.interval > 0 && o.interval < time.Microsecond:
		return c, nil, usagef("as in --interval 1s", "--interval %v: expected 1 us or more", o.interval)
	}
	if name == benchName {
		pack, rig := b.project.Env.Pack, b.project.Env.Rig
		if pack == nil {
			if pack, err = model.PackByName(scenarios.DefaultPack); err != nil {
				return c, sc, err
			}
		}
		c.Pack, c.Seed = pack, 1
		if rig != nil {
			c.Rig = *rig
		} else if c.Rig, err = b.rig(); err != nil {
			return c, sc, err
		}
	} else {
		if sc, err = b.scenario(name); err != nil {
			return c, sc, err
		}
		s := &sc.Setup
		c = instrument.Config{Pack: s.Pack, Plan: s.Plan, Options: s.Options, Rig: s.Rig, Seed: s.Seed}
	}
	if o.seed != 0 {
		c.Seed = o.seed
	}
	c.Interval = o.interval.Nanoseconds()
	switch o.speed {
	case "max":
		c.Pace = instrument.Max
	case "step":
		c.Pace = instrument.Stepped
	default:
		if _, err := o.rate(); err != nil {
			return c, sc, err
		}
	}
	return c, sc, nil
}

// rate is the speed of a bench in real time.
func (o *emulateOptions) rate() (float64, error) {
	if o.speed == "max" || o.speed == "step" {
		return 1, nil
	}
	v, err := strconv.ParseFloat(o.speed, 64)
	if err != nil || !(v >= 1e-3 && v <= 1e7) {
		return 0, usagef("as in --speed 60", "--speed %q: expected 0.001 to 10000000, max or step", o.speed)
	}
	return v, nil
}

// recorded plays the scenario whose readings are told.
func (o *emulateOptions) recorded(ctx context.Context, sc *scenarios.Scenario) (*emulator.Record, error) {
	switch {
	case sc == nil:
		return nil, usagef("stuntcell list scenarios", "--dialect readings tells those of a scenario, and %s is none", benchName)
	case o.packs > 1, o.interval > 0, o.speed == "step":
		return nil, usagef("", "--dialect readings tells what the scenario's rig reads, when it reads it: neither --packs nor --interval nor --speed step go with it")
	}
	if why := beyondStream(sc); why != "" {
		return nil, usagef("take a scenario without it", "%s: %s", sc.Name, why)
	}
	if o.seed != 0 {
		sc.Setup.Seed = o.seed
	}
	return readings(ctx, sc, nil)
}

// talk returns what makes conversations with the benches of one line.
func (e *emulation) talk(benches []*instrument.Bench) (func() dialect.Dialect, error) {
	o, first := &e.options, benches[0]
	switch o.dialect {
	case "scpi":
		return func() dialect.Dialect { return scpi.New(first, version) }, nil
	case "modbus":
		m := modbus.Options{TCP: o.tcp != "", LowFirst: o.lowFirst, First: o.unit}
		return func() dialect.Dialect { return modbus.New(m, benches...) }, nil
	case "registers":
		return func() dialect.Dialect { return registers.New(first) }, nil
	case "readings":
		run := &sensors.Run{T: e.told.Readings.T, Line: func(line []byte, k int) []byte { return appendReading(line, e.told, k) }}
		return func() dialect.Dialect { return sensors.New(first, run) }, nil
	}
	s := stream.Options{Columns: o.columns, Separator: strings.ReplaceAll(o.separator, `\t`, "\t"), Comma: o.comma, Inverted: o.inverted, NoHeader: o.noHeader}
	if _, err := stream.New(first, s); err != nil {
		return nil, usagef("", "%w", err)
	}
	return func() dialect.Dialect {
		d, err := stream.New(first, s)
		if err != nil {
			panic(err) // it was tried just now
		}
		return d
	}, nil
}

// runCheck plays a captured session.
func (e *emulation) runCheck(b *bench) error {
	o, benches := &e.options, e.benches
	data, err := b.open(o.check)
	if err != nil {
		return err
	}
	ops, err := wire.ParseCapture(o.check, bytes.NewReader(data))
	if err != nil {
		return err
	}
	talk, err := e.talk(benches)
	if err != nil {
		return err
	}
	if len(ops) > 0 && benches[0].Pace() == instrument.Real {
		// The client came then: what a stream said before it was said to nobody.
		for _, bench := range benches {
			bench.Advance(ops[0].T - 1)
		}
	}
	if err := wire.Replay(ops, talk(), benches...); err != nil {
		fmt.Fprintf(e.std.err, "%s: %v\n", o.check, err)
		return checksFailed
	}
	return nil
}

// line returns what the line does: what the command line says of it, else what the scenario says.
func (o *emulateOptions) line(b *bench, sc *scenarios.Scenario) (f wire.Faults, err error) {
	if sc != nil {
		f = sc.Wire
	}
	switch {
	case o.faults != "":
		rates, err := wire.ParseFaults(o.faults)
		if err != nil {
			return f, usagef("", "--fault: %w", err)
		}
		return wire.Faults{Rates: rates, Seed: o.faultSeed}, nil
	case o.replay != "":
		data, err := b.open(o.replay)
		if err != nil {
			return f, err
		}
		acts, err := wire.ParseTrace(o.replay, bytes.NewReader(data))
		return wire.Faults{Replay: acts}, err
	}
	return f, nil
}
