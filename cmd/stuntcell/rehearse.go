package main

import (
	"fmt"
	"io"

	"github.com/spf13/cobra"

	"stuntcell/model"
	"stuntcell/scenarios"
	"stuntcell/scenarios/rehearsal"
	"stuntcell/validate/audit"
)

type rehearseOptions struct {
	json, csv bool
	sheet     string
	plot      string
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
  stuntcell rehearse mine.yaml --csv > timeline.csv
  stuntcell rehearse charge-then-discharge --plot plan.svg`,
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
	f.StringVar(&o.plot, "plot", "", "draw voltage, current and charge over time to `FILE.svg`")
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
	if o.plot != "" {
		course, err := sketch(sc)
		if err != nil {
			return err
		}
		title := sc.Name + ", a simulation"
		if err := writeWhole(o.plot, func(w io.Writer) error { return course.WriteSVG(w, title, 1) }); err != nil {
			return err
		}
		fmt.Fprintln(std.err, "wrote", o.plot)
	}
	switch {
	case o.json:
		return r.JSON(std.out)
	case o.csv:
		return r.CSV(std.out)
	}
	return r.Text(std.out)
}

// sketch plays a scenario's plan and keeps its course for a picture.
func sketch(sc *scenarios.Scenario) (*audit.Sketch, error) {
	// Between two instants at which something changes the course is smooth: so many points of it make a curve.
	const points = 200
	var s audit.Sketch
	charge := 0.0
	_, err := rehearsal.Play(&sc.Setup, rehearsal.Options{Visit: func(span *model.Span) {
		step := max((span.T1-span.T0)/points, 1e9)
		for t := span.T0; ; t = min(t+step, span.T1) {
			s.Row(audit.Row{Time: float64(t) * 1e-9, Voltage: span.Voltage(t), Current: span.Current(t), Charge: charge + span.Charge(span.T0, t)})
			if t == span.T1 {
				break
			}
		}
		charge += span.Charge(span.T0, span.T1)
	}})
	return &s, err
}
