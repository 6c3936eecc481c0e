package main

import (
	"bufio"
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"math"
	"slices"
	"strconv"
	"strings"

	"stuntcell/emulator"
	"stuntcell/emulator/link"
	"stuntcell/emulator/rig"
	"stuntcell/scenarios"
	"stuntcell/validate"
	"stuntcell/validate/logfile"
)

// The plain stream has no answers, no control and no power cuts: TICK,SHUNT,BUS,CLOCK lines go in, the logger's own log comes
// out, and rows are matched by their time column.

// mute is the logger that stands for a plain program: it takes nothing upon itself.
type mute struct{ mine map[string]int64 }

func (m mute) Greet(_ *link.Greeting, a *link.Answer) {
	for _, what := range []string{"load", "set", "restore"} {
		a.Tell(link.Cannot, what)
	}
	for _, key := range link.Keys() {
		if v, ok := m.mine[key]; ok {
			a.State(link.Mine, key, v)
		}
	}
}
func (mute) Read(*link.Reading, *link.Answer) {}
func (mute) Set(string, int64, *link.Answer)  {}
func (mute) End(*link.Answer)                 {}

// constantsOf is what a plain program has built in, since a stream carries none: the counter and the counts of its rig.
func constantsOf(r rig.Rig) map[string]int64 {
	whole := func(x, unit float64) int64 { return int64(math.Round(x / unit)) }
	return map[string]int64{
		"tick_bits": int64(r.Tick.Bits), "tick_hz": r.Tick.Hz, "shunt_nohm": whole(r.Shunt.Nominal, 1e-9),
		"shunt_step_nv": whole(r.Front.ShuntStep, 1e-9), "bus_step_uv": whole(r.Front.BusStep, 1e-6),
	}
}

// beyondStream says why a scenario cannot be played as a plain stream, or "".
func beyondStream(sc *scenarios.Scenario) string {
	for _, f := range sc.Setup.Faults {
		switch f.Kind {
		case emulator.FaultPowerCut, emulator.FaultCardFail, emulator.FaultCardFull, emulator.FaultSetting:
			return "a plain stream cannot carry the fault " + string(f.Kind)
		}
	}
	return ""
}

// readings runs a scenario without a logger. mine are the constants that the program has built in; nil: those of the scenario's rig.
func readings(ctx context.Context, sc *scenarios.Scenario, mine map[string]int64) (*emulator.Record, error) {
	build := func(link.Store) link.Logger { return mute{mine} }
	rec, err := emulator.Run(ctx, sc.Setup, link.NewInProcess(build, sc.Setup.Seed))
	if err != nil {
		return nil, err
	}
	rec.Stream = true
	return rec, nil
}

// writeStream writes readings as plain lines.
func writeStream(w io.Writer, rec *emulator.Record) error {
	b := bufio.NewWriter(w)
	var line []byte
	for k := range rec.Readings.T {
		line = appendReading(line[:0], rec, k)
		b.Write(line)
	}
	return b.Flush()
}

// appendReading writes a reading as a plain line.
func appendReading(line []byte, rec *emulator.Record, k int) []byte {
	mask := ^uint64(0)
	if bits := rec.Greeting.TickBits; bits < 64 {
		mask = 1<<bits - 1
	}
	r := &rec.Readings
	line = strconv.AppendUint(line, uint64(r.Tick[k])&mask, 10)
	for _, count := range []int32{r.Shunt[k], r.Bus[k]} {
		line = append(line, ',')
		line = appendCount(line, count)
	}
	line = append(line, ',')
	if r.Clock[k] == link.NoClock {
		line = append(line, '-')
	} else {
		line = strconv.AppendInt(line, r.Clock[k], 10)
	}
	return append(line, '\n')
}

// tellCounts says what the counts of plain lines mean.
func tellCounts(w io.Writer, g *link.Greeting) {
	fmt.Fprintf(w, "  tick   %d bits, %d Hz\n  shunt  A = count * %d / %d\n  bus    V = count * %d / 1000000\n",
		g.TickBits, g.TickHz, g.ShuntStepNV, g.ShuntNohm, g.BusStepUV)
}

func appendCount(line []byte, count int32) []byte {
	if count == link.Failed {
		return append(line, '-')
	}
	return strconv.AppendInt(line, int64(count), 10)
}

// streamer plays scenarios to a program as plain streams.
type streamer struct {
	mine    map[string]int64  // constants that it has built in
	columns map[string]string // of its log, where the header does not say
}

// play feeds the program the readings of a scenario and takes what it prints for its log.
func (s streamer) play(ctx context.Context, sc *scenarios.Scenario, o link.ChildOptions) (*emulator.Record, error) {
	why := beyondStream(sc)
	if slices.Contains(sc.Setup.Varies, "log_ms") {
		why = "a plain stream does not say the time between rows, which this scenario is about"
	}
	if why != "" {
		return &emulator.Record{Skipped: why, Outcome: emulator.Outcome{Greeted: true}}, nil
	}
	rec, err := readings(ctx, sc, s.mine)
	if err != nil || rec.Skipped != "" {
		return rec, err
	}
	var input bytes.Buffer
	if err := writeStream(&input, rec); err != nil {
		return nil, err
	}
	log, err := link.Plain(ctx, o, &input, maxLog(len(rec.Readings.T)))
	var f *link.Failure
	if errors.As(err, &f) {
		rec.Outcome.Failure, rec.Outcome.Reading = f, len(rec.Readings.T)
		err = nil
	}
	if err != nil {
		return nil, err
	}
	s.take(sc, rec, string(log))
	return rec, nil
}

// judged makes the record of a program that was fed the readings of a scenario elsewhere and wrote a log.
func (s streamer) judged(ctx context.Context, sc *scenarios.Scenario, log string) (*emulator.Record, error) {
	if why := beyondStream(sc); why != "" {
		return nil, usagef("take a scenario without it, or link the program: --run", "%s: %s", sc.Name, why)
	}
	rec, err := readings(ctx, sc, s.mine)
	if err != nil {
		return nil, err
	}
	s.take(sc, rec, log)
	return rec, nil
}

// take makes the lines of a log the rows of a record.
func (s streamer) take(sc *scenarios.Scenario, rec *emulator.Record, log string) {
	n := strings.Count(log, "\n") + 1
	lines := make([]string, 0, n)
	rec.Rows = slices.Grow(rec.Rows, n)
	for line := range strings.Lines(log) {
		line = strings.TrimRight(line, "\r\n")
		lines = append(lines, line)
		rec.Rows = append(rec.Rows, emulator.Row{Text: line, After: len(rec.Readings.T)})
	}
	if ms := s.spacing(sc, rec, lines); ms > 0 {
		rec.Greeting.LogMS, rec.Mine["log_ms"] = ms, ms
	}
}

// spacing is the usual time between rows [ms], which a plain program decides for itself: the mean step of the log's time without
// gaps of missing rows, in three figures. 0 if it shows none.
func (s streamer) spacing(sc *scenarios.Scenario, rec *emulator.Record, lines []string) int64 {
	lines = lines[:min(len(lines), spacingLines)]
	table, err := logfile.ParseLines(lines, validate.Form(rec, s.columns))
	if err != nil && len(s.columns) == 0 {
		table, err = logfile.ParseLines(lines, validate.Form(rec, validate.TellColumns(sc, rec)))
	}
	if err != nil && len(s.columns) == 0 {
		table, err = bareTime(rec, lines)
	}
	if err != nil {
		return 0
	}
	for _, c := range []struct {
		kind logfile.Kind
		unit float64 // [s]
	}{{logfile.Tick, 1 / float64(rec.Greeting.TickHz)}, {logfile.Elapsed, 1}, {logfile.Clock, 1}} {
		column := table.Find(c.kind, 1)
		if column == nil {
			continue
		}
		unit := c.unit
		if c.kind == logfile.Tick && column.Scale != 0 {
			unit = column.Scale
		}
		var steps, alike []float64 // and how many rows were alike before each
		same := 1.0
		for i := 1; i < len(column.Value); i++ {
			if d := column.Value[i] - column.Value[i-1]; d > 0 {
				steps, alike = append(steps, d*unit), append(alike, same)
				same = 0
			}
			same++
		}
		if len(steps) == 0 {
			continue
		}
		slices.Sort(steps)
		if alike = alike[1:]; len(alike) > 0 { // the first time may have begun before the log
			slices.Sort(alike)
			if n := alike[len(alike)/2]; n > 1 { // several rows come in one printed unit of the time
				return int64(math.Round(steps[len(steps)/2] * 1000 / n))
			}
		}
		usual := steps[len(steps)/2]
		// Readings that come between due times make steps of unequal length: their mean is the interval, not their median.
		sum, n := 0.0, 0
		for _, d := range steps {
			if d < 1.5*usual {
				sum += d
				n++
			}
		}
		ms := sum / float64(n) * 1000
		grain := math.Pow(10, math.Floor(math.Log10(ms))-2)
		return int64(math.Round(math.Round(ms/grain) * grain))
	}
	return 0
}

// bareTime reads a log that does not name its columns, of which only the time can be told, as where nothing flows: numbers that rise over about
// the length of the run.
func bareTime(rec *emulator.Record, lines []string) (*logfile.Table, error) {
	form := validate.Form(rec, nil)
	form.Unnamed = true
	table, err := logfile.ParseLines(lines, form)
	if err != nil || len(table.Rows) < 2 || table.Find(logfile.Clock, 1) != nil {
		return table, err
	}
	t := rec.Readings.T
	lasted := float64(t[len(t)-1]-t[0]) * 1e-9
	for i := range table.Columns {
		c := &table.Columns[i]
		if n := len(c.Value); c.Kind != logfile.Other || !slices.IsSorted(c.Value) || math.IsNaN(c.Value[0]) {
			continue
		} else {
			for _, unit := range []float64{1, 1e-3, 60, 3600} {
				if span := (c.Value[n-1] - c.Value[0]) * unit; span > 0.8*lasted && span < 1.02*lasted {
					c.Kind = logfile.Elapsed
					for r := range c.Value {
						c.Value[r] *= unit
					}
					return table, nil
				}
			}
		}
	}
	return table, nil
}

// spacingLines is how many lines of a log tell the time between its rows.
const spacingLines = 100_000

// maxLog bounds the log of a plain program [bytes]: a share at once and so much a reading.
func maxLog(readings int) int { return 16<<20 + 512*readings }
