package main

import (
	"context"
	"encoding/json"
	"fmt"
	"io"
	"math"
	"strings"

	"github.com/spf13/cobra"

	"stuntcell/model"
	"stuntcell/model/chemistry"
	"stuntcell/model/fit"
	"stuntcell/model/quantity"
	"stuntcell/validate/audit"
	"stuntcell/validate/budget"
)

type fitOptions struct {
	json                 bool
	out, name, chemistry string
	residuals            string
	cells, pairs         int
	cutoff               float64
	columns              map[string]string
}

func newFit(std streams) *cobra.Command {
	var o fitOptions
	cmd := &cobra.Command{
		Use:   "fit LOG... --chemistry NAME -o FILE",
		Short: "A pack file from real logs: voltage at rest, resistance, RC pairs",
		Long: `A pack file from real logs of one pack, each from full: voltage at rest over charge, resistance
and RC pairs, with standard errors, and what the logs cannot tell. Several currents and a rest
after each tell most. What no log tells is taken from the chemistry and marked in the file.

The pack is run through the simulation at each log's current, and what it delivers is printed
beside what was measured.`,
		Example: `  stuntcell fit 1c.csv 2c.csv 3c.csv --chemistry nmc --cells 1 -o mycell.yaml
  stuntcell rehearse rated-discharge --pack mycell.yaml`,
		Args: cobra.MinimumNArgs(1),
		RunE: func(cmd *cobra.Command, args []string) error {
			return runFit(cmd.Context(), std, o, args)
		},
	}
	f := cmd.Flags()
	f.BoolVar(&o.json, "json", false, "write the figures as one JSON object on one line")
	f.StringVarP(&o.out, "output", "o", "", "write the pack to `FILE.yaml`")
	f.StringVar(&o.residuals, "residuals", "", "write the residuals as CSV to `FILE`: log, time, volts")
	f.StringVar(&o.name, "name", "fitted", "the pack's `NAME`")
	f.StringVar(&o.chemistry, "chemistry", "", "what the logs do not tell is taken from this `CHEMISTRY`")
	f.IntVar(&o.cells, "cells", 0, "cells in series (default: what fits the chemistry)")
	f.IntVar(&o.pairs, "pairs", 2, "most RC pairs, 1 or 2")
	f.Var(newAmount(quantity.Voltage, &o.cutoff), "cutoff", "the level at which the discharges were meant to end")
	f.StringToStringVar(&o.columns, "columns", nil, "what columns hold, as in stuntcell.yaml: `HEADER=KIND`")
	cmd.MarkFlagRequired("chemistry")
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
	duration  float64
}

func runFit(ctx context.Context, std streams, o fitOptions, logs []string) error {
	b, err := findBench()
	if err != nil {
		return err
	}
	if o.columns == nil {
		o.columns = b.project.Columns
	}
	if o.pairs < 1 || o.pairs > 2 {
		return usagef("", "--pairs %d: expected 1 or 2", o.pairs)
	}
	if _, ok := chemistry.File(o.chemistry); !ok {
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
	if out.Circuit, err = fit.FitCircuit(runs, fit.CircuitOptions{Pairs: o.pairs}); err != nil {
		return fmt.Errorf("%s: %w", strings.Join(logs, ", "), err)
	}
	text, err := o.pack(&out)
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
	if o.json {
		return json.NewEncoder(std.out).Encode(out)
	}
	return out.text(std.out)
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
	begin, end := 0.0, rep.Duration
	for i, q := range rep.Phases {
		if q.Kind != audit.Discharge {
			continue
		}
		begin = q.Begin
		if i > 0 {
			begin = math.Max(rep.Phases[i-1].Begin, q.Begin-600)
		}
		for _, r := range rep.Phases[i:] {
			if r.Kind == audit.Charge {
				end = r.Begin
				break
			}
		}
		break
	}
	run := fit.Run{Name: name}
	every := max(1, (len(rows)+mostPoints-1)/mostPoints)
	last := math.Inf(-1)
	for k, r := range rows {
		if r.Time < begin || r.Time >= end && end < rep.Duration || r.Time <= last || k%every != 0 && k != len(rows)-1 {
			continue
		}
		last = r.Time
		i := r.Current * float64(rep.Sign)
		if math.Abs(i) < 0.005*p.Current {
			i = 0
		}
		run.T, run.I, run.V = append(run.T, r.Time), append(run.I, i), append(run.V, r.Voltage)
	}
	if len(run.T) < 30 {
		return fit.Run{}, fittedLog{}, fmt.Errorf("%s: %d rows around the discharge (expected 30 at least)", name, len(run.T))
	}
	return run, fittedLog{Log: name, Current: p.Current, Measured: p.Charge, AtLeast: atLeast, End: float64(p.VEnd), Ended: p.Ended, duration: p.Charge / p.Current}, nil
}

// pack writes the pack file and runs it at each log's current. It tries the circuit alone, then with a rate exponent, and keeps what
// comes nearer to what was measured.
func (o fitOptions) pack(f *fitted) (string, error) {
	slow := -1
	for i, l := range f.Logs {
		if !l.AtLeast && (slow < 0 || l.Current < f.Logs[slow].Current) {
			slow = i
		}
	}
	if slow < 0 {
		return "", usagef("give --cutoff, or a log that goes down to the level", "no discharge ended as intended (%s): the logs give no capacity", f.Logs[0].Ended)
	}
	cells := o.cells
	if cells == 0 {
		var err error
		if cells, err = guessCells(o.chemistry, f.Circuit.OCV[0]); err != nil {
			return "", err
		}
	}
	if cells < 1 || cells > 400 {
		return "", usagef("", "--cells %d: expected 1 to 400", cells)
	}
	best, worst := "", math.Inf(1)
	for _, k := range []float64{0, f.exponent(slow)} {
		if k != 0 && !(k > 1.001 && k < 2) {
			continue
		}
		text := o.yaml(f, f.Logs[slow], cells, k)
		p, err := model.LoadPack(o.name+".yaml", []byte(text))
		if err != nil {
			return "", fmt.Errorf("what the logs gave makes no pack: %w", err)
		}
		logs := append([]fittedLog(nil), f.Logs...)
		miss := 0.0
		for i := range logs {
			e, _, err := p.DischargeTo(logs[i].Current, logs[i].End)
			if err != nil {
				return "", err
			}
			logs[i].Delivered = -e.Charge
			if !logs[i].AtLeast {
				miss = math.Max(miss, math.Abs(logs[i].Delivered/logs[i].Measured-1))
			}
		}
		if miss < worst {
			best, worst, f.Logs = text, miss, logs
			f.Rate = "none: the resistances alone"
			if k != 0 {
				f.Rate = fmt.Sprintf("exponent (Peukert) %.3f", k)
			}
		}
	}
	return best, nil
}

// exponent fits Peukert's exponent to the capacities of the logs, 0 if there is one current only.
func (f *fitted) exponent(slow int) float64 {
	var sx, sy float64
	base := f.Logs[slow]
	for _, l := range f.Logs {
		if x := math.Log(l.Current / base.Current); x > 0.1 && !l.AtLeast {
			sx += x * x
			sy += x * math.Log(base.Measured/l.Measured)
		}
	}
	if sx == 0 {
		return 0
	}
	return 1 + sy/sx
}

// guessCells returns how many cells of a chemistry rest at so many volts when full.
func guessCells(name string, full float64) (int, error) {
	p, err := model.LoadPack(name+".yaml", []byte("pack: one\nchemistry: "+name+"\ncells: 1\nrated: {capacity: 10 Ah, time: 20 h, end: "+fmt.Sprintf("%.3f V", endOfChemistry(name))+"}\n"))
	if err != nil {
		return 0, usagef("say --cells", "the number of cells cannot be told from %.3f V: %v", full, err)
	}
	one := p.Cell.OCV.At(1)
	n := int(math.Round(full / one))
	if n < 1 || math.Abs(full/one-float64(n)) > 0.03*float64(n) {
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
func (o fitOptions) yaml(f *fitted, slow fittedLog, cells int, k float64) string {
	c := f.Circuit
	n := float64(cells)
	var b strings.Builder
	p := func(format string, a ...any) { fmt.Fprintf(&b, format+"\n", a...) }
	var names []string
	for _, l := range f.Logs {
		names = append(names, l.Log)
	}
	p("# Fitted by stuntcell from %s.", strings.Join(strings.Fields(strings.Join(names, ", ")), " "))
	p("# Voltage at rest, resistance and pairs are from the logs (standard errors beside them); everything else is the chemistry's, not measured.")
	p("pack: %s", o.name)
	p("summary: Fitted from %d logs of one pack, rms misfit %.1f mV.", len(f.Logs), 1000*c.RMS)
	p("chemistry: %s", o.chemistry)
	guessed := ""
	if o.cells == 0 {
		guessed = fmt.Sprintf("                             # from %.3f V at rest when full", c.OCV[0])
	}
	p("cells: %d%s", cells, guessed)
	// The slowest discharge is the rating: consistency of the model, not a promise of the maker.
	p("rated: {capacity: %.5g Ah, time: %.6g h, end: %.4f V}", slow.Measured/3600, slow.duration/3600, slow.End)
	most := c.Drawn[len(c.Drawn)-1]
	// A little is left below the lowest level of the logs; the voltage goes on falling as it did last.
	last := len(c.OCV) - 1
	slope := (c.OCV[last-1] - c.OCV[last]) / (c.Drawn[last] - c.Drawn[last-1])
	extra := 0.03 * most
	whole := most + extra
	p("whole: %.5g %%", 100*whole/slow.Measured)
	p("ocv:                                 # volts of a cell at rest")
	floor := c.OCV[last]/n - math.Max(slope*extra/n, 0.05*c.OCV[0]/n)
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
	perC := slow.Measured / 3600
	r0 := math.Max(c.R[0], 1e-6)
	p("drop: %.4g mV                        # %.3g ± %.2g mohm of the pack, at 1 C", 1000*r0*perC/n, 1000*c.R[0], 1000*c.RError[0])
	if len(c.R) > 1 {
		var points []string
		for j := len(c.R) - 1; j >= 0; j-- {
			points = append(points, fmt.Sprintf("[%.4g %%, %.4g x]", 100*(1-c.RDrawn[j]/whole), math.Max(0.05, c.R[j]/r0)))
		}
		p("drop_discharging: [%s]", strings.Join(points, ", "))
	} else {
		p("drop_discharging: [[0 %%, 1 x], [100 %%, 1 x]]")
	}
	p("pairs:")
	some := false
	for _, x := range c.Pairs {
		if x.R <= 0 {
			continue
		}
		told := ""
		if !x.Told {
			told = "; not told by the logs"
		}
		p("  - {drop: %.4g mV, time: %.4g s}     # %.3g ± %.2g mohm, ± %.2g s%s", 1000*x.R*perC/n, x.Tau, 1000*x.R, 1000*x.RError, x.TauError, told)
		some = true
	}
	if !some {
		s := b.String()
		b.Reset()
		b.WriteString(strings.TrimSuffix(s, "pairs:\n") + "pairs: []\n")
	}
	if k == 0 {
		p("rate: {model: none}                  # what a rate costs is its resistance")
	} else {
		p("rate: {model: peukert, k: %.4f, recovery: 20 min}   # k from the capacities of the logs; recovery plausible, invented", k)
	}
	return b.String()
}

func (f *fitted) text(w io.Writer) error {
	c := f.Circuit
	var b strings.Builder
	p := func(format string, a ...any) { fmt.Fprintf(&b, format, a...) }
	p("Fitted from %d logs, %d rows: rms %.2f mV, worst %+.0f mV\n", len(f.Logs), c.Rows, 1000*c.RMS, 1000*c.Worst)
	for _, r := range c.Runs {
		p("  %-30s rms %6.2f mV, worst %+5.0f mV at %s\n", shorten(r.Name, 30), 1000*r.RMS, 1000*r.Worst, audit.Span(r.WorstAt))
	}
	p("\nvoltage at rest, after so much charge from full\n")
	for k, q := range c.Drawn {
		p("  %8.3f Ah  %8.4f V ± %.1f mV\n", q/3600, c.OCV[k], 1000*c.OCVError[k])
	}
	p("\nresistance, after so much charge from full\n")
	for k, q := range c.RDrawn {
		p("  %8.3f Ah  %8.4g mohm ± %.2g\n", q/3600, 1000*c.R[k], 1000*c.RError[k])
	}
	for k, x := range c.Pairs {
		told := ""
		if !x.Told {
			told = "  not told"
		}
		p("RC pair %d    %8.4g mohm ± %.2g, %.4g s ± %.2g%s\n", k+1, 1000*x.R, 1000*x.RError, x.Tau, x.TauError, told)
	}
	if !math.IsNaN(c.Correlation) {
		p("correlation of resistance and first pair %.2f; condition %.2g\n", c.Correlation, c.Condition)
	}
	p("standard errors, times %.1f for residuals that hang together in time\n", c.Inflation)
	p("\ndelivered, measured and by the fitted pack in simulation\n  rate: %s\n", f.Rate)
	for _, l := range f.Logs {
		least := ""
		if l.AtLeast {
			least = "  (measured: at least)"
		}
		p("  %8.4g A  %9.4f Ah  %9.4f Ah  %+.2f %%%s\n", l.Current, l.Measured/3600, l.Delivered/3600, 100*(l.Delivered/l.Measured-1), least)
	}
	p("\nWhat the logs do not tell:\n")
	for _, u := range c.Untold {
		b.WriteString(budget.Wrap(u, "  ", "    "))
	}
	b.WriteString(budget.Wrap("It rests on each log starting full and rested, on one temperature, and on the circuit: voltage at rest, one resistance, RC pairs. A simulation with it is no promise about the battery.", "", ""))
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
