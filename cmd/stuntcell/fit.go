package main

import (
	"cmp"
	"context"
	"encoding/json"
	"fmt"
	"io"
	"math"
	"path/filepath"
	"slices"
	"strings"

	"github.com/spf13/cobra"

	"stuntcell/model"
	"stuntcell/model/chemistry"
	"stuntcell/model/fit"
	"stuntcell/model/quantity"
	"stuntcell/scenarios/picture"
	"stuntcell/validate/audit"
	"stuntcell/validate/budget"
)

type fitOptions struct {
	json                 bool
	out, name, chemistry string
	residuals, plot      string
	predict              []string
	cells, pairs         int
	cutoff               float64
	columns              map[string]string
}

func newFit(std streams) *cobra.Command {
	var o fitOptions
	cmd := &cobra.Command{
		Use:   "fit LOG... -o FILE",
		Short: "A pack file from real logs: voltage at rest, resistance, RC pairs",
		Long: `A pack file from real logs of one pack, each from full: voltage at rest over
charge, resistance of either direction, RC pairs, and what rate and temperature
do, with standard errors, and what the logs cannot tell. Several currents and a
rest after each tell most; a column of the cell's temperature, and tests at
temperatures 5 K or more apart, tell what it does. What no log tells is taken
from the chemistry and marked in the file.

A log without a temperature is taken to warm itself as the chemistry's constants
say. The pack is run through the simulation at each log's current, and what it
delivers is printed beside what was measured.`,
		Example: `  stuntcell fit 1c.csv 3c.csv --predict 2c.csv --chemistry nmc -o mycell.yaml
  stuntcell rehearse rated-discharge --pack mycell.yaml`,
		Args: operands(1, math.MaxInt, "a log or more"),
		RunE: func(cmd *cobra.Command, args []string) error {
			return runFit(cmd.Context(), std, o, args)
		},
	}
	f := cmd.Flags()
	f.BoolVar(&o.json, "json", false, "write the figures as one JSON object on one line")
	f.StringVarP(&o.out, "output", "o", "", "write the pack to `FILE.yaml`")
	f.StringVar(&o.residuals, "residuals", "", "write the residuals as CSV to `FILE`: log, time, volts")
	f.StringVar(&o.plot, "plot", "", "draw the residuals to `FILE.svg` or FILE.png")
	f.StringVar(&o.name, "name", "fitted", "the pack's `NAME`")
	f.StringVar(&o.chemistry, "chemistry", "", "what the logs do not tell is taken from this `CHEMISTRY` (default: the one whose cells rest at that voltage)")
	f.IntVar(&o.cells, "cells", 0, "cells in series (default: what fits the chemistry)")
	f.IntVar(&o.pairs, "pairs", 2, "most RC pairs, 1 or 2")
	f.StringArrayVar(&o.predict, "predict", nil, "a `LOG` that is not fitted to, but held against what the fitted pack would deliver; may be repeated")
	f.Var(amountLike("10.5V", quantity.Voltage, &o.cutoff), "cutoff", "the level at which the discharges were meant to end")
	columnsFlag(f, &o.columns, "what columns hold, as in stuntcell.yaml: `HEADER=KIND`")
	cmd.RegisterFlagCompletionFunc("chemistry", func(*cobra.Command, []string, string) ([]cobra.Completion, cobra.ShellCompDirective) {
		return chemistry.Names(), cobra.ShellCompDirectiveNoFileComp
	})
	return cmd
}

// fitted is what fit writes as JSON.
type fitted struct {
	Schema  string       `json:"schema"`
	Logs    []fittedLog  `json:"logs"`
	Circuit *fit.Circuit `json:"circuit"`
	Pack    string       `json:"pack,omitempty"`
	Rate    string       `json:"rate"`
	// Chemistry is what the rest was taken from.
	Chemistry string    `json:"chemistry"`
	Cells     int       `json:"cells"`
	Rates     fit.Rates `json:"rates"`

	held    bool   // no cell warms itself
	returns bool   // the rests after the discharges were left out
	chosen  string // how the chemistry was, if nobody said it
}

// fittedLog is one log: what was measured, and what the fitted pack delivers at its current.
type fittedLog struct {
	Log       string  `json:"log"`
	Current   float64 `json:"current_A"`
	Measured  float64 `json:"measured_As"`
	AtLeast   bool    `json:"at_least"`
	End       float64 `json:"end_V"`
	Delivered float64 `json:"delivered_As"`
	Ended     string  `json:"ended"`
	// Predicted says that nothing was fitted to it.
	Predicted bool `json:"predicted"`
	// Temp is the mean of the cell's temperature [K]; absent if it was not logged.
	Temp     float64 `json:"temperature_K,omitempty"`
	duration float64
	began    float64 // temperature at the beginning [K], 0 if not logged
}

func runFit(ctx context.Context, std streams, o fitOptions, logs []string) error {
	b, err := findBench()
	if err != nil {
		return err
	}
	if o.columns == nil {
		o.columns = b.project.Columns
	}
	if err := checkPicture(o.plot); err != nil {
		return err
	}
	if o.pairs < 1 || o.pairs > 2 {
		return usagef("", "--pairs %d: expected 1 or 2", o.pairs)
	}
	if _, ok := chemistry.File(o.chemistry); !ok && o.chemistry != "" {
		return usagef("one of "+strings.Join(chemistry.Names(), ", "), "no chemistry %q on board", o.chemistry)
	}
	out := fitted{Schema: "stuntcell.fit/1"}
	var runs []fit.Run
	for _, name := range logs {
		run, log, err := fitRun(ctx, std, o, name)
		if err != nil {
			return err
		}
		runs = append(runs, run)
		out.Logs = append(out.Logs, log)
	}
	for _, name := range o.predict {
		_, log, err := fitRun(ctx, std, o, name)
		if err != nil {
			return err
		}
		log.Predicted = true
		out.Logs = append(out.Logs, log)
	}
	if runs, err = out.fit(o, runs); err != nil {
		return fmt.Errorf("%s: %w", strings.Join(logs, ", "), err)
	}
	text, err := out.pack(o)
	if err != nil {
		return err
	}
	if o.out != "" {
		if err := writeWhole(o.out, func(w io.Writer) error { _, err := io.WriteString(w, text); return err }); err != nil {
			return err
		}
		fmt.Fprintln(std.err, "wrote", o.out)
		out.Pack = o.out
	}
	if o.residuals != "" {
		if err := writeWhole(o.residuals, func(w io.Writer) error { return writeResiduals(w, runs, out.Circuit) }); err != nil {
			return err
		}
		fmt.Fprintln(std.err, "wrote", o.residuals)
	}
	if o.plot != "" {
		if err := writePicture(std, o.plot, residualPicture(runs, out.Circuit)); err != nil {
			return err
		}
	}
	if o.json {
		return json.NewEncoder(std.out).Encode(out)
	}
	return out.text(std.out)
}

// residualPicture draws what the circuit leaves of each log, one above the other.
func residualPicture(runs []fit.Run, c *fit.Circuit) *picture.Picture {
	p := &picture.Picture{Title: "logged voltage less the circuit's"}
	for i, r := range c.Runs {
		var e picture.Envelope
		for k, v := range r.Residual {
			e.Add(runs[i].T[k]-runs[i].T[0], 1000*v)
		}
		p.Panels = append(p.Panels, picture.Panel{Label: fmt.Sprintf("%.14s [mV]", filepath.Base(r.Name)),
			Curves: []picture.Curve{{Points: e.Points(1)}}, Levels: []picture.Level{{Y: 0}}})
	}
	return p
}

// mostPoints of one log go into the fit; more are thinned out evenly.
const mostPoints = 4000

// fitRun takes the discharges and rests of a log, from the rest before the first discharge to the next charge.
func fitRun(ctx context.Context, std streams, o fitOptions, name string) (fit.Run, fittedLog, error) {
	var rows []audit.Row
	stride, skip := 1, 0
	rep, err := auditLog(ctx, std, name, o.columns, audit.Options{Cutoff: o.cutoff, Row: func(r audit.Row) {
		if r.Out || math.IsNaN(r.Current) || math.IsNaN(r.Voltage) {
			return
		}
		if skip++; skip < stride {
			return
		}
		skip = 0
		if rows = append(rows, r); len(rows) == 50*mostPoints {
			// Thin out as it grows, so that memory does not.
			for k := range len(rows) / 2 {
				rows[k] = rows[2*k]
			}
			rows, stride = rows[:len(rows)/2], 2*stride
		}
	}})
	if err != nil {
		return fit.Run{}, fittedLog{}, err
	}
	p, atLeast := rep.Capacity()
	if p == nil {
		return fit.Run{}, fittedLog{}, fmt.Errorf("%s: no discharge in the log", name)
	}
	begin := 0.0
	for i, q := range rep.Phases {
		if q.Kind == audit.Discharge {
			if begin = q.Begin; i > 0 {
				begin = math.Max(rep.Phases[i-1].Begin, q.Begin-600)
			}
			break
		}
	}
	run := fit.Run{Name: name}
	every := max(1, (len(rows)+mostPoints-1)/mostPoints)
	last, drawn, deepest, temps := math.Inf(-1), 0.0, 0.0, 0
	for k, r := range rows {
		if r.Time < begin || r.Time <= last || k%every != 0 && k != len(rows)-1 {
			continue
		}
		i := r.Current * float64(rep.Sign)
		if math.Abs(i) < 0.005*p.Current {
			i = 0
		}
		if n := len(run.T); n > 0 {
			drawn -= (i + run.I[n-1]) / 2 * (r.Time - last)
		}
		// Of a charge only that is taken which surely stays in the battery: near full a part of it goes elsewhere.
		if deepest = math.Max(deepest, drawn); i > 0 && drawn < 0.2*deepest {
			break
		}
		last = r.Time
		run.T, run.I, run.V, run.Temp = append(run.T, r.Time), append(run.I, i), append(run.V, r.Voltage), append(run.Temp, r.Temp)
		if !math.IsNaN(r.Temp) {
			temps++
		}
	}
	if len(run.T) < 30 {
		return fit.Run{}, fittedLog{}, fmt.Errorf("%s: %d rows around the discharge (expected 30 at least)", name, len(run.T))
	}
	log := fittedLog{Log: name, Current: p.Current, Measured: p.Charge, AtLeast: atLeast, End: float64(p.VEnd), Ended: p.Ended, duration: p.Charge / p.Current}
	if temps == len(run.T) {
		log.began, log.Temp = run.Temp[0], (p.TempLow+p.TempHigh)/2
	} else {
		run.Temp = nil
	}
	return run, log, nil
}

// fit finds chemistry, cells, circuit and constants, and returns the part of the runs that was fitted to.
func (f *fitted) fit(o fitOptions, runs []fit.Run) ([]fit.Run, error) {
	var err error
	f.Chemistry, f.Cells = o.chemistry, o.cells
	if f.Cells < 0 || f.Cells > 400 {
		return nil, usagef("", "--cells %d: expected 1 to 400", o.cells)
	}
	if f.Circuit, err = fit.FitCircuit(runs, fit.CircuitOptions{Pairs: o.pairs}); err != nil {
		return nil, err
	}
	if f.Circuit.RMS > poor*f.Circuit.OCV[0] {
		// A fast discharge may end since its rate made a part of the charge unavailable, which comes back in the rest behind it: no resistance explains that.
		// The same in the cold. The charge drawn then counts by what the most plentiful log gave.
		stretched := f.stretched(runs)
		if c, err := fit.FitCircuit(stretched, fit.CircuitOptions{Pairs: o.pairs}); err == nil && c.RMS < f.Circuit.RMS/2 {
			runs, f.Circuit, f.returns = stretched, c, true
		}
	}
	if f.Chemistry == "" {
		if err := f.choose(); err != nil {
			return nil, err
		}
	} else if f.Cells == 0 {
		if f.Cells, err = guessCells(f.Chemistry, f.Circuit.OCV[0]); err != nil {
			return nil, err
		}
	}
	most := f.Circuit.Drawn[len(f.Circuit.Drawn)-1]
	base, err := ofChemistry(f.Chemistry, f.Cells, most/3600)
	if err != nil {
		return nil, err
	}
	if base.Heat.Capacity > 0 {
		heat := &fit.Heating{Capacity: base.Heat.Capacity, Resistance: base.Heat.Resistance, Ambient: base.Cell.Reference, PerKelvin: base.Cell.ResistancePerKelvin}
		warm, err := fit.FitCircuit(runs, fit.CircuitOptions{Pairs: o.pairs, Reference: base.Cell.Reference, Heat: heat})
		if err == nil && (warm.PerKelvin != nil || warm.RMS < f.Circuit.RMS) {
			f.Circuit = warm
		} else {
			f.held = true
			f.Circuit.Untold = append(f.Circuit.Untold, "The warming that the chemistry's constants would make does not fit the logs. Each is taken at one temperature, and the cells of the pack file stay at that at which they begin.")
		}
	}
	if f.returns {
		f.Circuit.Untold = append(f.Circuit.Untold, "The voltage falls sooner at a high rate or in the cold, and comes back further, than resistance and pairs explain: charge becomes unavailable and returns. Each log's charge was counted by what the most plentiful one gave, and the rests behind the discharges were left out; how fast the charge returns is not told.")
	}
	var all []fit.Delivery
	for _, l := range f.Logs {
		if !l.AtLeast && !l.Predicted {
			T := l.Temp
			if T == 0 {
				T = math.NaN()
			}
			all = append(all, fit.Delivery{Charge: l.Measured, Current: l.Current, Temp: T})
		}
	}
	f.Rates = fit.FitRates(all, repeatable)
	return runs, nil
}

// poor is the misfit, as a share of the voltage when full, at which the circuit is no description of all that was logged.
const poor = 0.005

// stretched counts the charge of each log by what the most plentiful whole discharge gave, and leaves out the rests behind the discharges; a
// charge behind them is a run of its own.
func (f *fitted) stretched(runs []fit.Run) []fit.Run {
	most := 0.0
	for _, l := range f.Logs {
		if !l.AtLeast && !l.Predicted {
			most = math.Max(most, l.Measured)
		}
	}
	var out []fit.Run
	for i, r := range runs {
		if l := f.Logs[i]; most > 0 && !l.AtLeast {
			r.Stretch = most / l.Measured
		}
		end := len(r.I)
		for end > 0 && r.I[end-1] >= 0 {
			end--
		}
		// A charge counts from where it has left the steep end of the discharge behind.
		begin, drawn, deepest := 0, r.Drawn, r.Drawn
		for begin+1 < len(r.I) && !(begin >= end && drawn < 0.85*deepest) {
			begin++
			drawn -= (r.I[begin] + r.I[begin-1]) / 2 * (r.T[begin] - r.T[begin-1]) * max(1, r.Stretch)
			deepest = math.Max(deepest, drawn)
		}
		part := func(from, to int, drawn float64) fit.Run {
			p := fit.Run{Name: r.Name, T: r.T[from:to], I: r.I[from:to], V: r.V[from:to], Drawn: drawn, Stretch: r.Stretch}
			if r.Temp != nil {
				p.Temp = r.Temp[from:to]
			}
			return p
		}
		out = append(out, part(0, end, r.Drawn))
		if len(r.I)-begin >= 3 {
			out = append(out, part(begin, len(r.I), drawn))
		}
	}
	return out
}

// slowest is the log of the smallest current whose discharge ended as intended, of those within a tenth the one nearest to 25 degC; -1 if none did.
func (f *fitted) slowest() int {
	slow := -1
	for i, l := range f.Logs {
		if l.AtLeast || l.Predicted {
			continue
		}
		if slow < 0 || l.Current < 0.9*f.Logs[slow].Current ||
			l.Current < 1.1*f.Logs[slow].Current && l.Temp > 0 && math.Abs(l.Temp-298.15) < math.Abs(f.Logs[slow].Temp-298.15) {
			slow = i
		}
	}
	return slow
}

// repeatable is how well a capacity repeats (standard uncertainty, share): common practice, where no log shows it.
const repeatable = 0.005

// choose takes the chemistry whose voltage at rest lies nearest to that of the logs, of those that a discharge may take as low.
func (f *fitted) choose() error {
	c := f.Circuit
	most := c.Drawn[len(c.Drawn)-1]
	type guess struct {
		name   string
		family model.Family
		cells  int
		off    float64 // root mean square, as a share of the voltage
	}
	var all []guess
	for _, name := range chemistry.Names() {
		n := f.Cells
		if n == 0 {
			var err error
			if n, err = guessCells(name, c.OCV[0]); err != nil {
				continue
			}
		}
		p, err := ofChemistry(name, n, most/3600)
		if err != nil || slices.ContainsFunc(f.Logs, func(l fittedLog) bool { return l.End < 0.9*p.Rated.End }) {
			continue // nobody takes them so low
		}
		sum := 0.0
		for k, q := range c.Drawn {
			d := c.OCV[k]/float64(n)/p.Cell.OCV.At(1-q/most) - 1
			sum += d * d
		}
		all = append(all, guess{name, p.Family, n, math.Sqrt(sum / float64(len(c.Drawn)))})
	}
	if len(all) == 0 {
		return usagef("say --chemistry, one of "+strings.Join(chemistry.Names(), ", "), "%.3f V at rest when full is that of no cells on board", c.OCV[0])
	}
	slices.SortStableFunc(all, func(a, b guess) int { return cmp.Compare(a.off, b.off) })
	best := all[0]
	f.Chemistry, f.Cells = best.name, best.cells
	f.chosen = fmt.Sprintf("chosen by the voltage at rest, %.1f %% off", 100*best.off)
	for _, other := range all[1:] {
		if other.family == best.family {
			continue
		}
		if other.off < 1.2*best.off {
			return usagef("say --chemistry", "the voltage at rest is that of %d %s cells (%.1f %% off) or of %d %s cells (%.1f %%)",
				best.cells, best.name, 100*best.off, other.cells, other.name, 100*other.off)
		}
		f.chosen += fmt.Sprintf(" (%d of %s: %.1f %%)", other.cells, other.name, 100*other.off)
		break
	}
	return nil
}

// ofChemistry is a pack of a chemistry as it is on board.
func ofChemistry(name string, cells int, ah float64) (*model.Pack, error) {
	return model.LoadPack(name+".yaml", fmt.Appendf(nil, "pack: one\nchemistry: %s\ncells: %d\nrated: {capacity: %.4g Ah, time: 20 h, end: %.3f V}\n",
		name, cells, ah, endOfChemistry(name)*float64(cells)))
}

// pack writes the pack file and runs it at each log's current. The resistances alone are kept where they miss no capacity by more than three
// standard uncertainties of a difference of two: an exponent fits any two capacities, which proves nothing of a third. Else what comes
// nearer is kept. (Seen before the rule was chosen, for the record: fitted to 1C and 3C of the measured cell the resistances alone miss 3C by
// 1.7 %, the exponent by nothing; of 2C, which neither had seen, the exponent misses 2.4 %.)
func (f *fitted) pack(o fitOptions) (string, error) {
	slow := f.slowest()
	if slow < 0 {
		return "", usagef("give --cutoff, or a log that goes down to the level", "no discharge ended as intended (%s): the logs give no capacity", f.Logs[0].Ended)
	}
	text, logs, miss, err := f.played(o, slow, 0)
	if err != nil {
		return "", err
	}
	f.Rate = fmt.Sprintf("none: the resistances alone, at most %.2f %% off", 100*miss)
	// What temperature does to the capacity goes by the law of the rate.
	k := 0.0
	if f.Rates.PerKelvin != nil && f.Rates.PerKelvin.Told() {
		k = 1.001
	}
	if f.Rates.K != nil && f.Rates.K.Value > 1.001 && f.Rates.K.Value < 2 {
		k = f.Rates.K.Value
	}
	if miss > 3*math.Sqrt2*repeatable && k > 0 {
		if other, rated, off, err := f.played(o, slow, k); err == nil && off < miss {
			f.Rate = fmt.Sprintf("exponent (Peukert) %.3f, at most %.2f %% off; the resistances alone %.2f %%", k, 100*off, 100*miss)
			text, logs = other, rated
		}
	}
	f.Logs = logs
	return text, nil
}

// played writes the pack file with an exponent (0: none), runs it at each log's current from the temperature at which the log began, and returns
// by what share it misses most. The rated capacity is that at which the slowest log comes out as it was measured.
func (f *fitted) played(o fitOptions, slow int, k float64) (text string, logs []fittedLog, miss float64, err error) {
	logs = append(logs, f.Logs...)
	deliver := func(p *model.Pack, l *fittedLog) error {
		c, err := model.NewCourse(p, model.DischargePlan(l.Current, l.End), model.Options{Ambient: l.began})
		if err != nil {
			return err
		}
		for !c.Done() {
			c.Next(c.Now() + 600e9)
		}
		l.Delivered = -c.Ended()[0].Charge
		return nil
	}
	var p *model.Pack
	rated := logs[slow].Measured
	for range 4 {
		text = f.yaml(o, logs[slow], rated, k)
		if p, err = model.LoadPack(o.name+".yaml", []byte(text)); err != nil {
			return "", nil, 0, fmt.Errorf("what the logs gave makes no pack: %w", err)
		}
		if err := deliver(p, &logs[slow]); err != nil {
			return "", nil, 0, err
		}
		off := logs[slow].Measured / logs[slow].Delivered
		if math.Abs(off-1) < 2e-5 || !(off > 0.5 && off < 2) {
			break
		}
		rated *= off
	}
	for i := range logs {
		if err := deliver(p, &logs[i]); err != nil {
			return "", nil, 0, err
		}
		if !logs[i].AtLeast && !logs[i].Predicted {
			miss = math.Max(miss, math.Abs(logs[i].Delivered/logs[i].Measured-1))
		}
	}
	return text, logs, miss, nil
}

// guessCells returns how many cells of a chemistry rest at so many volts when full.
func guessCells(name string, full float64) (int, error) {
	p, err := ofChemistry(name, 1, 10)
	if err != nil {
		return 0, usagef("say --cells", "the number of cells cannot be told from %.3f V: %v", full, err)
	}
	one := p.Cell.OCV.At(1)
	n := int(math.Round(full / one))
	if n < 1 || n > 400 || math.Abs(full/one-float64(n)) > 0.03*float64(n) {
		return 0, usagef("say --cells", "%.3f V at rest when full is no whole number of %s cells of %.3f V", full, name, one)
	}
	return n, nil
}

// endOfChemistry is the end voltage of a cell at 20 h, as packs on board of the chemistry have it.
func endOfChemistry(name string) float64 {
	for _, n := range model.PackNames() {
		if p, err := model.PackByName(n); err == nil && p.Chemistry == name {
			return p.Rated.End / float64(p.Series)
		}
	}
	return 1
}

// yaml writes the pack file.
func (f *fitted) yaml(o fitOptions, slow fittedLog, rated, k float64) string {
	c := f.Circuit
	n := float64(f.Cells)
	var b strings.Builder
	p := func(format string, a ...any) { fmt.Fprintf(&b, format+"\n", a...) }
	var names []string
	for _, l := range f.Logs {
		if !l.Predicted {
			names = append(names, l.Log)
		}
	}
	p("# Fitted by stuntcell from %s.", strings.Join(strings.Fields(strings.Join(names, ", ")), " "))
	p("# Voltage at rest, resistance and pairs are from the logs (standard errors beside them); everything else is the chemistry's, not measured.")
	p("pack: %s", o.name)
	p("summary: Fitted from %d logs of one pack, rms misfit %.1f mV.", f.fittedTo(), 1000*c.RMS)
	chosen := ""
	if f.chosen != "" {
		chosen = "                       # " + f.chosen
	}
	p("chemistry: %s%s", f.Chemistry, chosen)
	guessed := ""
	if o.cells == 0 {
		guessed = fmt.Sprintf("                             # from %.3f V at rest when full", c.OCV[0])
	}
	p("cells: %d%s", f.Cells, guessed)
	// The slowest discharge is the rating: consistency of the model, not a promise of the maker.
	p("rated: {capacity: %.6g Ah, time: %.6g h, end: %.4f V}   # with the cells held at their reference temperature; the log gave %.5g Ah", rated/3600, slow.duration/3600, slow.End, slow.Measured/3600)
	most := c.Drawn[len(c.Drawn)-1]
	// A little is left below the lowest level of the logs; the voltage goes on falling as it did last.
	last := len(c.OCV) - 1
	slope := (c.OCV[last-1] - c.OCV[last]) / (c.Drawn[last] - c.Drawn[last-1])
	extra := 0.03 * most
	whole := most + extra
	p("whole: %.5g %%", 100*whole/rated)
	p("ocv:                                 # volts of a cell at rest")
	floor := c.OCV[last]/n - math.Max(slope*extra/n, 0.05*c.OCV[0]/n)
	for _, l := range f.Logs {
		floor = math.Min(floor, l.End/n-0.02*c.OCV[0]/n) // an empty cell rests below what a discharge may end at
	}
	p("  - [0 %%, %.4f V]                  # below the lowest level of the logs: extended, not measured", floor)
	before := floor
	for j := last; j >= 0; j-- {
		v := c.OCV[j] / n
		note := ""
		if v < before+0.0002 {
			v, note = before+0.0002, "; raised, so that it rises with charge"
		}
		before = v
		p("  - [%.4g %%, %.4f V]              # ± %.1f mV%s", 100*(1-c.Drawn[j]/whole), v, 1000*c.OCVError[j]/n, note)
	}
	perC := rated / 3600
	if c.R[0] > c.RError[0] && c.R[0]*perC/n < 1 {
		f.resistances(p, perC/n, whole)
	} else {
		p("# The logs do not tell the resistance (%s mohm): it and the pairs are the chemistry's.", fit.Value{Value: c.R[0], Error: c.RError[0]}.Text(1000))
	}
	var temperature []string
	if v := f.Rates.PerKelvin; v != nil && v.Told() && v.Value >= 0 && v.Value <= 0.05 {
		temperature = append(temperature, fmt.Sprintf("capacity: %.3g %%/K, capacity_fast: %.3g %%/K", 100*v.Value, 100*v.Value))
	}
	if v := c.PerKelvin; v != nil && v.Told() && v.Value >= 0 && v.Value <= 0.1 {
		temperature = append(temperature, fmt.Sprintf("resistance: %.3g %%/K", 100*v.Value))
	}
	if f.held {
		p("heat: {capacity: 100000 J/K, resistance: 25 K/W}   # so large that the cells stay as warm as they begin: the logs do not show that they warm")
	}
	if len(temperature) > 0 {
		p("temperature: {%s}   # from the logs", strings.Join(temperature, ", "))
	}
	if k == 0 {
		p("rate: {model: none}                  # what a rate costs is its resistance")
	} else {
		p("rate: {model: peukert, k: %.4f, recovery: 20 min}   # k from the capacities of the logs; recovery plausible, invented", k)
	}
	return b.String()
}

// resistances writes those of a cell. perC is the current of 1 C over the number of cells [A], whole the charge at which the cell is empty [A·s].
func (f *fitted) resistances(p func(string, ...any), perC, whole float64) {
	c := f.Circuit
	r0 := math.Max(c.R[0], 1e-6)
	p("drop: %.4g mV                        # %s mohm of the pack, at 1 C", 1000*r0*perC, fit.Value{Value: c.R[0], Error: c.RError[0]}.Text(1000))
	if len(c.R) > 1 {
		var points []string
		for j := len(c.R) - 1; j >= 0; j-- {
			points = append(points, fmt.Sprintf("[%.4g %%, %.4g x]", 100*(1-c.RDrawn[j]/whole), math.Max(0.05, c.R[j]/r0)))
		}
		p("drop_discharging: [%s]", strings.Join(points, ", "))
	} else {
		p("drop_discharging: [[0 %%, 1 x], [100 %%, 1 x]]")
	}
	if v := c.Charging; v != nil && v.Told() && v.Value > 0 {
		x := v.Value / r0
		p("drop_charging: [[0 %%, %.4g x], [100 %%, %.4g x]]   # %s mohm", x, x, v.Text(1000))
	}
	var pairs []string
	for _, x := range c.Pairs {
		if !(x.R > x.RError) || x.R*perC > 1 { // what is not larger than its error, or a volt a cell at 1 C, is none
			continue
		}
		told := ""
		if !x.Told {
			told = "; not told by the logs"
		}
		pairs = append(pairs, fmt.Sprintf("  - {drop: %.4g mV, time: %.4g s}     # %s mohm, %s s%s", 1000*x.R*perC, x.Tau, fit.Value{Value: x.R, Error: x.RError}.Text(1000), fit.Value{Value: x.Tau, Error: x.TauError}.Text(1), told))
	}
	if len(pairs) == 0 {
		p("pairs: []")
		return
	}
	p("pairs:\n%s", strings.Join(pairs, "\n"))
}

// fittedTo counts the logs that were not only predicted.
func (f *fitted) fittedTo() int {
	n := 0
	for _, l := range f.Logs {
		if !l.Predicted {
			n++
		}
	}
	return n
}

func (f *fitted) text(w io.Writer) error {
	c := f.Circuit
	var b strings.Builder
	p := func(format string, a ...any) { fmt.Fprintf(&b, format, a...) }
	p("Fitted from %d logs, %d rows, with cells of %s, %d in series", f.fittedTo(), c.Rows, f.Chemistry, f.Cells)
	if f.chosen != "" {
		p("\n%s", strings.TrimSuffix(budget.Wrap(f.chosen+": if that is wrong, say --chemistry.", "  ", "  "), "\n"))
	}
	p("\n\nmisfit in mV                     rms  before the last tenth  worst at\n")
	for _, r := range c.Runs {
		p("  %-28s %6.1f  %20.1f  %+5.0f  %s\n", shorten(r.Name, 28), 1000*r.RMS, 1000*r.Outside, 1000*r.Worst, audit.Span(r.WorstAt))
	}
	p("  %-28s %6.1f  %20.1f  %+5.0f\n", "all", 1000*c.RMS, 1000*c.Outside, 1000*c.Worst)
	p("\nvoltage at rest, after so much charge from full\n")
	for k, q := range c.Drawn {
		p("  %8.3f Ah  %8.4f V ± %.1f mV\n", q/3600, c.OCV[k], 1000*c.OCVError[k])
	}
	p("\nresistance, after so much charge from full\n")
	for k, q := range c.RDrawn {
		p("  %8.3f Ah  %s mohm\n", q/3600, fit.Value{Value: c.R[k], Error: c.RError[k]}.Text(1000))
	}
	for k, x := range c.Pairs {
		told := ""
		if !x.Told {
			told = "  not told"
		}
		p("RC pair %d    %s mohm, %s s%s\n", k+1, fit.Value{Value: x.R, Error: x.RError}.Text(1000), fit.Value{Value: x.Tau, Error: x.TauError}.Text(1), told)
	}
	constant := func(what string, v *fit.Value, scale float64, unit string) {
		switch {
		case v == nil:
		case !v.Told():
			p("%s %s %s: not told\n", what, v.Text(scale), unit)
		default:
			p("%s %s %s\n", what, v.Text(scale), unit)
		}
	}
	constant("while charging", c.Charging, 1000, "mohm")
	constant("resistance falls by", c.PerKelvin, 100, "%/K")
	constant("voltage at rest moves by", c.OCVPerKelvin, 1000, "mV/K")
	if c.Hottest > c.Coldest {
		p("temperature of the cell %.1f to %.1f degC\n", c.Coldest-273.15, c.Hottest-273.15)
	}
	p("± is one standard error, times %.1f for residuals that hang together in time\n", c.Inflation)
	if r := f.Rates; r.K != nil || r.PerKelvin != nil {
		p("\ncapacity, each log good to %.1f %% (standard uncertainty, assumed)\n", 100*repeatable)
		if r.K != nil {
			p("  rate exponent (Peukert) %s\n", r.K.Text(1))
		}
		if r.PerKelvin != nil {
			p("  with temperature %s %%/K\n", r.PerKelvin.Text(100))
		}
		if r.Correlation != nil {
			p("  correlation of the two %.2f\n", *r.Correlation)
		}
	}
	if len(c.Correlations) > 0 {
		p("\nstrongest correlations (condition %.2g)\n", c.Condition)
		for _, r := range c.Correlations {
			p("  %+.2f  %s, %s\n", r.R, r.A, r.B)
		}
	}
	p("\ndelivered, measured and by the fitted pack in simulation\n  rate: %s\n", f.Rate)
	for _, l := range f.Logs {
		least := ""
		if l.AtLeast {
			least = "  (measured: at least)"
		}
		if l.Predicted {
			least += "  predicted, not fitted to"
		}
		p("  %8.4g A  %9.4f Ah  %9.4f Ah  %+.2f %%%s\n", l.Current, l.Measured/3600, l.Delivered/3600, 100*(l.Delivered/l.Measured-1), least)
	}
	p("\nWhat the logs do not tell:\n")
	for _, u := range c.Untold {
		b.WriteString(budget.Wrap(u, "  ", "    "))
	}
	if f.Rates.PerKelvin == nil {
		b.WriteString(budget.Wrap("What temperature does to the capacity is not told: log discharges at one current and temperatures 5 K or more apart.", "  ", "    "))
	}
	b.WriteString(budget.Wrap("It rests on each log starting full and rested, and on the circuit: voltage at rest, one resistance of each direction, RC pairs. A simulation with it is no promise about the battery.", "", ""))
	_, err := io.WriteString(w, b.String())
	return err
}

// shorten keeps the end of a name.
func shorten(s string, n int) string {
	if r := []rune(s); len(r) > n {
		return "..." + string(r[len(r)-n+3:])
	}
	return s
}

func writeResiduals(w io.Writer, runs []fit.Run, c *fit.Circuit) error {
	if _, err := fmt.Fprintln(w, "log,time_s,residual_V"); err != nil {
		return err
	}
	for i, r := range c.Runs {
		for k, v := range r.Residual {
			if _, err := fmt.Fprintf(w, "%q,%.3f,%.6f\n", r.Name, runs[i].T[k], v); err != nil {
				return err
			}
		}
	}
	return nil
}
