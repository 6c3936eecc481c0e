package main

import (
	"fmt"

	"github.com/spf13/cobra"

	"stuntcell/scenarios/rehearsal"
)

type rehearseOptions struct {
	json, csv bool
	sheet     string
}

func newRehearse(std streams) *cobra.Command {
	var o rehearseOptions
	cmd := &cobra.Command{
		Use:   "rehearse SCENARIO",
		Short: "Run a test plan on its pack without a logger: how long, how many Ah, which limits",
		Long: `Run a test plan on its pack without a logger: the timeline with times, Ah, Wh, lowest voltage
and why each step ends; rows and file size; counters that will wrap; limits of shunt, wire,
fuse, relay and connector that are crossed; what one failure would leave running; cautions.

The sheet is for the first connection and for a pack of unknown past, to print.`,
		Example: `  stuntcell rehearse tick-wrap-mid-discharge --sheet sheet.html
  stuntcell rehearse mine.yaml --csv > timeline.csv`,
		Args:              cobra.ExactArgs(1),
		ValidArgsFunction: completeScenarios,
		RunE: func(_ *cobra.Command, args []string) error {
			return runRehearse(std, o, args[0])
		},
	}
	f := cmd.Flags()
	f.BoolVar(&o.json, "json", false, "write it as one JSON object on one line")
	f.BoolVar(&o.csv, "csv", false, "write the timeline as CSV")
	f.StringVar(&o.sheet, "sheet", "", "write the sheet for the first connection to `FILE.html`")
	cmd.MarkFlagsMutuallyExclusive("json", "csv")
	return cmd
}

func runRehearse(std streams, o rehearseOptions, name string) error {
	b, err := findBench()
	if err != nil {
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
	if o.sheet != "" {
		if err := writeWhole(o.sheet, r.Sheet); err != nil {
			return err
		}
		fmt.Fprintln(std.err, "wrote", o.sheet)
	}
	switch {
	case o.json:
		return r.JSON(std.out)
	case o.csv:
		return r.CSV(std.out)
	}
	return r.Text(std.out)
}
