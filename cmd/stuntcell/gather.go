package main

import (
	"errors"
	"fmt"
	"os"

	"github.com/spf13/cobra"

	"stuntcell/validate/campaign"
	"stuntcell/validate/report"
)

func newGather(std streams) *cobra.Command {
	var o output
	cmd := &cobra.Command{
		Use:   "gather FILE...",
		Short: "Join the verdicts of shards, from any machine, into one report",
		Long: `Join the verdicts of shards, from any machine, into one report. The files are what
prove --json wrote, or journals of prove --resume; - is standard input. Verdicts of several
loggers or seeds may be joined; shards of another suite or another version are refused.

If scenarios of the suite are missing the report is made of what is there, and the exit
status is 2.`,
		Example: `  stuntcell prove --run ./logger --shard 1/2 --json > 1.ndjson
  stuntcell prove --run ./logger --shard 2/2 --json > 2.ndjson
  stuntcell gather 1.ndjson 2.ndjson --report all.html`,
		Args: cobra.MinimumNArgs(1),
		RunE: func(_ *cobra.Command, args []string) error {
			return runGather(std, o, args)
		},
	}
	o.flags(cmd)
	return cmd
}

func runGather(std streams, o output, files []string) error {
	var placed []campaign.Placed
	var problems []error
	for _, name := range files {
		vs, err := readVerdicts(std, name)
		problems = append(problems, err)
		placed = append(placed, vs...)
	}
	if err := errors.Join(problems...); err != nil {
		return err
	}
	runs, err := campaign.Join(placed)
	if err != nil {
		return err
	}
	out, err := o.open(std, summaryOf(runs))
	if err != nil {
		return err
	}
	defer out.discard()
	var missing []error
	for _, run := range runs {
		for _, v := range run.Verdicts {
			if err := out.add(v); err != nil {
				return err
			}
		}
		if len(run.Missing) > 0 {
			missing = append(missing, fmt.Errorf("%d of %d scenarios of %s are missing", len(run.Missing), run.Of, named(run.Identity)))
		}
	}
	incomplete := errors.Join(missing...)
	return errors.Join(incomplete, out.close(summaryOf(runs), incomplete))
}

// summaryOf says what a report of these runs is about.
func summaryOf(runs []campaign.Joined) report.Run {
	r := report.Run{Tool: runs[0].Tool, Logger: runs[0].Logger, Seed: runs[0].Seed}
	for _, run := range runs {
		r.Planned += run.Of
	}
	if len(runs) > 1 {
		r.Logger, r.Seed = fmt.Sprintf("%d runs", len(runs)), 0
	}
	return r
}

// named tells a run from others.
func named(id campaign.Identity) string {
	if id.Seed == 0 {
		return id.Logger
	}
	return fmt.Sprintf("%s with seed %d", id.Logger, id.Seed)
}

// readVerdicts reads a file of verdicts. A last line that was cut short is left out, and that is said.
func readVerdicts(std streams, name string) ([]campaign.Placed, error) {
	if name == "-" {
		vs, _, err := campaign.Read("standard input", std.in)
		return vs, err
	}
	f, err := os.Open(name)
	if err != nil {
		return nil, err
	}
	defer f.Close()
	vs, whole, err := campaign.Read(name, f)
	if err != nil {
		return nil, err
	}
	if info, err := f.Stat(); err == nil && info.Mode().IsRegular() && info.Size() > whole {
		fmt.Fprintf(std.err, "stuntcell: %s: the last line was cut short and is left out\n", name)
	}
	return vs, nil
}
