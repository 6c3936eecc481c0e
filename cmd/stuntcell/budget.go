package main

import (
	"context"
	"encoding/json"
	"fmt"
	"strings"

	"github.com/spf13/cobra"

	"stuntcell/emulator/rig"
	"stuntcell/model"
	"stuntcell/model/quantity"
	"stuntcell/validate/audit"
	"stuntcell/validate/budget"
)

type budgetOptions struct {
	json                               bool
	pack, plot, calibration            string
	current, cutoff                    float64
	cell, reference, lambda, ratedAmps float64
	k, aim, repeat, p, startLimit      float64
	runs                               int
	seed                               uint64
	columns                            map[string]string
}

func newBudget(std streams) *cobra.Command {
	var o budgetOptions
	cmd := &cobra.Command{
		Use:   "budget RIG [LOG]",
		Short: "The uncertainty of a capacity figure, and what to improve first",
		Long: `The uncertainty of a capacity figure from a rig: every contribution with its
share, by the law of propagation (JCGM 100) and by Monte Carlo (JCGM 101), which
of the two to quote, what to improve first and by how much, and a sentence for
the report.

RIG is one on board or a file; its tolerance block says what you know of its
parts. What nobody stated is assumed from common practice, and marked. Without
LOG the figure is a rehearsed rated discharge of the pack; with LOG it is the
log's own discharge.

What is normal for rigs of ordinary parts: stuntcell show accuracy.`,
		Example: `  stuntcell budget shop-50a
  stuntcell budget shop-50a run.csv --cutoff 10.5V --aim 1%
  stuntcell budget shop-50a run.csv --calibration pairs.json`,
		Args:              operands(1, 2, "a rig, and at most one log"),
		ValidArgsFunction: completeOne(rig.Names),
		RunE: func(cmd *cobra.Command, args []string) error {
			return runBudget(cmd.Context(), std, o, args)
		},
	}
	f := cmd.Flags()
	f.BoolVar(&o.json, "json", false, "write it as one JSON object on one line")
	f.StringVar(&o.calibration, "calibration", "", "what calibrate -o wrote in `FILE.json`, whose constants are in use: takes the place of the rig's limits")
	f.StringVar(&o.plot, "plot", "", "draw the contributions as bars to `FILE.svg`")
	f.StringVar(&o.pack, "pack", "", "rehearse this `PACK`: a name on board or a file (default: the project's, else agm-12v-7ah)")
	f.Var(newAmount(quantity.Current, &o.current), "current", "of the rehearsed discharge (default: the rated current)")
	f.Var(amountLike("10.5V", quantity.Voltage, &o.cutoff), "cutoff", "the level at which the log's discharge was meant to end")
	f.Var(newAmount(quantity.Temperature, &o.cell), "cell", "temperature of the cell in the test")
	f.Var(newAmount(quantity.Temperature, &o.reference), "reference", "temperature to which the figure is brought")
	f.Var(amountLike("0.6%/K", quantity.RatioPerKelvin, &o.lambda), "lambda", "temperature coefficient of capacity (default: the rehearsed pack's; of a log 0.6 %/K, as lead-acid has it over 10 to 20 h)")
	f.Var(newAmount(quantity.Current, &o.ratedAmps), "rated-current", "current to which the figure is brought, with --k")
	f.Float64Var(&o.k, "k", 0, "rate exponent (Peukert)")
	f.Var(amountLike("1%", quantity.Ratio, &o.aim), "aim", "the expanded uncertainty that you want")
	f.Var(newAmount(quantity.Ratio, &o.repeat), "repeat", "standard deviation of one run among equal ones")
	f.IntVar(&o.runs, "runs", 0, "how many runs the figure is the mean of, and --repeat comes from")
	f.Var(newAmount(quantity.Ratio, &o.startLimit), "start", "how far the charge at the start may be from full (default 1 %)")
	f.Float64Var(&o.p, "p", 0, "coverage probability (default 0.9545, k = 2)")
	f.Uint64Var(&o.seed, "seed", 1, "seed of the Monte Carlo")
	columnsFlag(f, &o.columns, "what columns of the log hold, as in stuntcell.yaml: `HEADER=KIND`")
	return cmd
}

func runBudget(ctx context.Context, std streams, o budgetOptions, args []string) error {
	b, err := findBench()
	if err != nil {
		return err
	}
	r, err := b.rigNamed(args[0])
	if err != nil {
		return err
	}
	c := budget.Capacity{Rig: r, Limits: budget.FromRig(r)}
	if len(args) == 2 {
		c.Figure, err = loggedFigure(ctx, std, b, o, r, args[1])
	} else {
		c.Figure, err = rehearsedFigure(b, o, r)
	}
	if err != nil {
		return err
	}
	if err := o.apply(&c); err != nil {
		return err
	}
	if o.calibration != "" {
		if err := useCalibration(std, &c, o.calibration); err != nil {
			return err
		}
	}
	if o.p != 0 && !(o.p > 0 && o.p < 1) {
		return usagef("as in --p 0.9545, which is k = 2", "--p %v: expected a probability above 0 and below 1", o.p)
	}
	s, err := c.State(budget.Options{P: o.p, Aim: o.aim, Seed: o.seed})
	if err != nil {
		return usagef("", "%v", err)
	}
	if o.plot != "" {
		if err := writeWhole(o.plot, s.WriteSVG); err != nil {
			return err
		}
		fmt.Fprintln(std.err, "wrote", o.plot)
	}
	if o.json {
		return json.NewEncoder(std.out).Encode(s)
	}
	return s.WriteText(std.out)
}

// apply puts what the command line says into the budget.
func (o budgetOptions) apply(c *budget.Capacity) error {
	stated := func(half float64) budget.Limit { return budget.Limit{Half: half, From: "command line"} }
	switch {
	case o.runs < 0:
		return usagef("", "--runs %d: expected a count", o.runs)
	case o.runs > 1 && o.repeat == 0:
		return usagef("", "--runs says how many runs --repeat comes from: expected both")
	case (o.ratedAmps > 0) != (o.k > 0):
		return usagef("", "--rated-current and --k belong together")
	case o.reference > 0 && o.cell == 0 && c.Figure.Cell == 0:
		return usagef("give --cell", "--reference without the temperature of the cell")
	}
	if o.repeat > 0 {
		c.Limits.Repeat, c.Limits.Runs = stated(o.repeat), o.runs
	}
	if o.startLimit > 0 {
		c.Limits.Start = stated(o.startLimit)
	}
	if o.cell > 0 {
		c.Figure.Cell = o.cell
	}
	if o.lambda != 0 {
		c.Figure.Lambda = o.lambda
	}
	if c.Figure.Lambda == 0 {
		c.Figure.Lambda = audit.UsualLambda
	}
	if c.Figure.Reference = o.reference; c.Figure.Reference == 0 {
		// Not brought to another temperature, but it was only known so well.
		c.Figure.Reference = c.Figure.Cell
	}
	c.Figure.RatedCurrent, c.Figure.Exponent = o.ratedAmps, o.k
	return nil
}

// rigNamed reads a rig: a name on board or a file, over the default rig.
func (b *bench) rigNamed(arg string) (rig.Rig, error) {
	if !strings.HasSuffix(arg, ".yaml") && !strings.ContainsAny(arg, `/\`) {
		return rig.ByName(arg)
	}
	data, err := b.open(arg)
	if err != nil {
		return rig.Rig{}, err
	}
	base, err := rig.ByName("shop-50a")
	if err != nil {
		return rig.Rig{}, err
	}
	return rig.Parse(arg, data, base)
}

// packNamed reads a pack: a name on board, a file, or without a name the project's or the default one.
func (b *bench) packNamed(arg string) (*model.Pack, error) {
	switch {
	case arg == "" && b.project.Env.Pack != nil:
		return b.project.Env.Pack, nil
	case arg == "":
		return model.PackByName("agm-12v-7ah")
	case !strings.HasSuffix(arg, ".yaml") && !strings.ContainsAny(arg, `/\`):
		return model.PackByName(arg)
	}
	data, err := b.open(arg)
	if err != nil {
		return nil, err
	}
	return model.LoadPack(arg, data)
}

// loggedFigure takes the figure from a log.
func loggedFigure(ctx context.Context, std streams, b *bench, o budgetOptions, r rig.Rig, name string) (budget.Figure, error) {
	columns := o.columns
	if columns == nil {
		columns = b.project.Columns
	}
	rep, err := auditLog(ctx, std, name, columns, audit.Options{Cutoff: o.cutoff})
	if err != nil {
		return budget.Figure{}, err
	}
	p, atLeast := rep.Capacity()
	if p == nil {
		return budget.Figure{}, fmt.Errorf("%s: no discharge in the log: nothing to make a budget for", name)
	}
	if atLeast {
		fmt.Fprintf(std.err, "%s: the discharge did not begin full, or did not end as intended (%s): the figure is at least what the pack holds, the budget is that of the charge drawn\n", name, p.Ended)
	}
	// The sums may be of finer readings than the rows.
	every := float64(r.Readings.Interval()) / 1e9
	if every <= 0 || every > rep.Interval {
		every = rep.Interval
	}
	f := rep.Figure(p, every)
	return f, nil
}

// rehearsedFigure discharges the pack in simulation.
func rehearsedFigure(b *bench, o budgetOptions, r rig.Rig) (budget.Figure, error) {
	p, err := b.packNamed(o.pack)
	if err != nil {
		return budget.Figure{}, err
	}
	return budget.Rehearsed(p, r, o.current, o.cutoff)
}
