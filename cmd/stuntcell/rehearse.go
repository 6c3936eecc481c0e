package main

import (
	"fmt"

	"github.com/spf13/cobra"

	"stuntcell/model/quantity"
	"stuntcell/scenarios"
	"stuntcell/scenarios/rehearsal"
)

type rehearseOptions struct {
	json, csv bool
	sheet     string
	plot      string
	pack, rig string
	instead   scenarios.Instead
}

func newRehearse(std streams) *cobra.Command {
	var o rehearseOptions
	cmd := &cobra.Command{
		Use:   "rehearse SCENARIO",
		Short: "A test plan without a logger: how long, how many Ah, which limits",
		Long: `Run a test plan on its pack without a logger: the timeline with times, Ah, Wh,
lowest voltage and why each step ends; rows and file size; counters that will
wrap; limits of shunt, wire, fuse, relay and connector that are crossed; what
one failure would leave running; cautions. Two tables say how far the figures
may move: with the rate, and with a worn pack in other surroundings.

The sheet is for the first connection and for a pack of unknown past, to print.`,
		Example: `  stuntcell rehearse tick-wrap-mid-discharge --sheet sheet.html
  stuntcell rehearse mine.yaml --csv > timeline.csv
  stuntcell rehearse charge-then-discharge --plot plan.svg
  stuntcell rehearse rated-discharge --health 80% --ambient '10 degC'`,
		Args:              operands(1, 1, "one scenario"),
		ValidArgsFunction: completeScenarios,
		RunE: func(_ *cobra.Command, args []string) error {
			return runRehearse(std, o, args[0])
		},
	}
	f := cmd.Flags()
	f.BoolVar(&o.json, "json", false, "write it as one JSON object on one line")
	f.BoolVar(&o.csv, "csv", false, "write the timeline as CSV")
	f.StringVar(&o.sheet, "sheet", "", "write the sheet for the first connection to `FILE.html`")
	f.StringVar(&o.plot, "plot", "", "draw voltage, current, charge and temperature to `FILE.svg` or FILE.png")
	f.StringVar(&o.pack, "pack", "", "run it on `PACK`, a name or a file, instead of the scenario's own")
	f.StringVar(&o.rig, "rig", "", "with `RIG`, a name or a file, instead of the scenario's own")
	f.Var(newAmount(quantity.Rate, &o.instead.Rate), "rate", "discharge at this rate instead of the plan's currents")
	f.Var(newAmount(quantity.Temperature, &o.instead.Ambient), "ambient", "temperature of the surroundings")
	f.Var(amountLike("80%", quantity.Ratio, &o.instead.Health), "health", "share of its capacity that age has left the pack")
	cmd.MarkFlagsMutuallyExclusive("json", "csv")
	return cmd
}

func runRehearse(std streams, o rehearseOptions, name string) error {
	if err := checkPicture(o.plot); err != nil {
		return err
	}
	b, err := findBench()
	if err != nil {
		return err
	}
	if err := o.otherwise(b); err != nil {
		return err
	}
	sc, err := b.scenario(name)
	if err != nil {
		return err
	}
	r, err := rehearsal.Rehearse(sc.Name, sc.Summary, &sc.Setup)
	if err != nil {
		return fmt.Errorf("%s: %w", sc.Name, err)
	}
	if r.Outlook, err = rehearsal.Look(&sc.Setup); err != nil {
		return fmt.Errorf("%s: %w", sc.Name, err)
	}
	if o.sheet != "" {
		if err := writeWhole(o.sheet, r.Sheet); err != nil {
			return err
		}
		fmt.Fprintln(std.err, "wrote", o.sheet)
	}
	if o.plot != "" {
		if err := writePicture(std, o.plot, r.Picture()); err != nil {
			return err
		}
	}
	switch {
	case o.json:
		return r.JSON(std.out)
	case o.csv:
		return r.CSV(std.out)
	}
	return r.Text(std.out)
}

// otherwise sets what the command line wants instead of the scenario's own.
func (o rehearseOptions) otherwise(b *bench) error {
	b.instead = o.instead
	if o.pack != "" {
		p, err := b.packNamed(o.pack)
		if err != nil {
			return err
		}
		b.instead.Pack = p
	}
	if o.rig != "" {
		r, err := b.rigNamed(o.rig)
		if err != nil {
			return err
		}
		b.instead.Rig = &r
	}
	return nil
}
