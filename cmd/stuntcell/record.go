package main

import (
	"context"
	"fmt"
	"io"

	"github.com/spf13/cobra"

	"stuntcell/emulator"
)

type recordOptions struct {
	out   string
	truth bool
	seed  uint64
}

func newRecord(std streams) *cobra.Command {
	var o recordOptions
	cmd := &cobra.Command{
		Use:   "record SCENARIO -o FILE",
		Short: "The readings of a scenario, for a program that keeps a log",
		Long: `Write the readings of a scenario to a file: lines of TICK,SHUNT,BUS,CLOCK. Feed
them to any program that keeps a log, and judge it with prove --log. Steps that
would hand the end over to a logger end by voltage. What the counts mean is said
on standard error.

With --truth it is what really happened instead: lines of
t_s,current_A,voltage_V,charge_As, energy_Ws under a header; means over each
reading's window, and integrals since the first.`,
		Example: `  stuntcell record discharge-20h -o in.csv
  awk -f logger.awk in.csv > log.csv
  stuntcell prove discharge-20h --log log.csv`,
		Args:              operands(1, 1, "one scenario"),
		ValidArgsFunction: completeScenarios,
		RunE: func(cmd *cobra.Command, args []string) error {
			return runRecord(cmd.Context(), std, o, args[0])
		},
	}
	f := cmd.Flags()
	f.StringVarP(&o.out, "output", "o", "", "write to `FILE`; - is standard output")
	f.BoolVar(&o.truth, "truth", false, "write what really happened, not what the rig reads")
	f.Uint64Var(&o.seed, "seed", 0, "replace the scenario's own seed of noise and jitter")
	cmd.MarkFlagRequired("output")
	return cmd
}

func runRecord(ctx context.Context, std streams, o recordOptions, name string) error {
	b, err := findBench()
	if err != nil {
		return err
	}
	sc, err := b.scenario(name)
	if err != nil {
		return err
	}
	if why := beyondStream(sc); why != "" {
		return usagef("take a scenario without it", "%s: %s", sc.Name, why)
	}
	if o.seed != 0 {
		sc.Setup.Seed = o.seed
	}
	rec, err := readings(ctx, sc, nil)
	if err != nil {
		return err
	}
	write := func(w io.Writer) error { return writeStream(w, rec) }
	if o.truth {
		write = func(w io.Writer) error { return writeTruth(w, rec) }
	}
	if o.out == "-" {
		return write(std.out)
	}
	if err := writeWhole(o.out, write); err != nil {
		return err
	}
	fmt.Fprintf(std.err, "wrote %s: %d lines. A simulation: real batteries may be worse.\n", o.out, len(rec.Readings.T))
	if !o.truth {
		tellCounts(std.err, &rec.Greeting)
	}
	return nil
}

// writeTruth writes what really happened at each reading.
func writeTruth(w io.Writer, rec *emulator.Record) error {
	r := &rec.Readings
	if _, err := fmt.Fprintln(w, "t_s,current_A,voltage_V,charge_As,energy_Ws"); err != nil {
		return err
	}
	for k, t := range r.T {
		if _, err := fmt.Fprintf(w, "%d.%09d,%.9g,%.9g,%.12g,%.12g\n", t/1e9, t%1e9, r.MeanI[k], r.MeanV[k], r.Charge[k], r.Energy[k]); err != nil {
			return err
		}
	}
	return nil
}
