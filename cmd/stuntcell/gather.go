package main

import (
	"encoding/json"
	"errors"
	"fmt"
	"math"
	"os"
	"slices"

	"github.com/spf13/cobra"

	"stuntcell/validate/campaign"
	"stuntcell/validate/report"
)

func newGather(std streams) *cobra.Command {
	var o gatherOptions
	cmd := &cobra.Command{
		Use:   "gather FILE...",
		Short: "Join the verdicts of shards, from any machine, into one report",
		Long: `Join the verdicts of shards, from any machine, into one report. The files are
what prove --json wrote, or journals of prove --resume; - is standard input.
Verdicts of several loggers or seeds may be joined; shards of another suite or
another version are refused.

If scenarios of the suite are missing the report is made of what is there, and
the exit status is 2.

With --compare it sets two builds of one logger side by side instead, the one
that comes first as the older: which scenarios fail that did not, which hold
again, which fail for something else, and which measured values moved. Exit
status: 0 no worse, 1 worse.`,
		Example: `  stuntcell prove --run ./logger --shard 1/2 --json > 1.ndjson
  stuntcell prove --run ./logger --shard 2/2 --json > 2.ndjson
  stuntcell gather 1.ndjson 2.ndjson --report all.html
  stuntcell gather old.ndjson new.ndjson --compare`,
		Args: operands(1, math.MaxInt, "a file or more, as prove --json writes them"),
		RunE: func(_ *cobra.Command, args []string) error {
			return runGather(std, o, args)
		},
	}
	o.flags(cmd)
	cmd.Flags().BoolVar(&o.compare, "compare", false, "set two builds of a logger side by side, the older first")
	cmd.MarkFlagsMutuallyExclusive("compare", "report")
	cmd.MarkFlagsMutuallyExclusive("compare", "junit")
	return cmd
}

type gatherOptions struct {
	output
	compare bool
}

func runGather(std streams, o gatherOptions, files []string) error {
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
	if o.compare {
		return errors.Join(incomplete(runs), compareRuns(std, o.json, runs))
	}
	out, err := o.open(std, summaryOf(runs))
	if err != nil {
		return err
	}
	defer out.discard()
	for _, run := range runs {
		for _, v := range run.Verdicts {
			if err := out.add(v); err != nil {
				return err
			}
		}
	}
	missing := incomplete(runs)
	return errors.Join(missing, out.close(summaryOf(runs), missing))
}

// incomplete says which runs lack scenarios of their suite; nil if none does.
func incomplete(runs []campaign.Joined) error {
	var missing []error
	for _, run := range runs {
		if len(run.Missing) > 0 {
			missing = append(missing, fmt.Errorf("%d of %d scenarios of %s are missing", len(run.Missing), run.Of, named(run.Identity)))
		}
	}
	return errors.Join(missing...)
}

// compareRuns writes two builds side by side.
func compareRuns(std streams, lines bool, runs []campaign.Joined) error {
	c, err := campaign.Compare(runs)
	if err != nil {
		return err
	}
	if lines {
		e := json.NewEncoder(std.out)
		for _, ch := range c.Changes {
			if err := e.Encode(ch); err != nil {
				return err
			}
		}
	} else if err := report.Compared(std.out, wantsColor(std.out), c); err != nil {
		return err
	}
	var worse, lonely error
	if slices.ContainsFunc(c.Changes, func(ch campaign.Change) bool { return ch.Kind == campaign.Worse }) {
		worse = checksFailed
	}
	if c.Missing > 0 {
		lonely = fmt.Errorf("verdicts on one of the builds only: %d", c.Missing)
	}
	return errors.Join(worse, lonely)
}

// summaryOf says what a report of these runs is about.
func summaryOf(runs []campaign.Joined) report.Run {
	r := report.Run{Tool: runs[0].Tool, Logger: runs[0].Logger, Seed: runs[0].Seed}
	for _, run := range runs {
		r.Planned += run.Of
	}
	if len(runs) > 1 {
		r.Logger, r.Seed = fmt.Sprintf("%d runs", len(runs)), 0
		for _, run := range runs {
			r.Parts = append(r.Parts, report.Part{Name: named(run.Identity), Verdicts: run.Verdicts, Missing: len(run.Missing)})
		}
	}
	return r
}

// named tells a run from others: by its logger, its build and its seed.
func named(id campaign.Identity) string {
	name := id.Logger
	if id.LoggerHash != "" {
		name += " " + id.LoggerHash[:min(8, len(id.LoggerHash))]
	}
	if id.Seed != 0 {
		name += fmt.Sprintf(" seed %d", id.Seed)
	}
	return name
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
