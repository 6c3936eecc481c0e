package main

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"math/rand/v2"
	"os"
	"path/filepath"
	"runtime"
	"strings"
	"time"

	"github.com/spf13/cobra"

	"stuntcell/scenarios"
	"stuntcell/validate/campaign"
	"stuntcell/validate/report"
	"stuntcell/validate/verdict"
)

type huntOptions struct {
	choice
	seed  uint64
	limit time.Duration
	draws int
	jobs  int
	json  bool
	file  string
}

func newHunt(std streams) *cobra.Command {
	var o huntOptions
	cmd := &cobra.Command{
		Use:   "hunt",
		Short: "Draw random scenarios until the logger fails one, and shrink that",
		Long: `Draw random scenarios until the logger fails one, and shrink that.

Each draw is a pack (that of stuntcell.yaml, if it names one), a plan, a rig
within tolerance and up to two faults, at most about 7,000 readings. The first
that fails is made simpler for as long as it still fails for the same cause, and
written as a scenario file that prove takes. The seed is printed first: the same
seed, logger and version give the same hunt.

Exit status: 0 nothing failed; 1 a scenario was found; 2 usage; 3 the logger
never answered.`,
		Example: `  stuntcell hunt --run ./logger --for 60s
  stuntcell hunt --run ./logger --seed 7 --draws 1000 -o found.yaml
  stuntcell hunt --defect mean-energy`,
		Args: operands(0, 0, "flags only"),
		RunE: func(cmd *cobra.Command, _ []string) error {
			if err := together(cmd, [][2]string{{"baud", "port"}}); err != nil {
				return err
			}
			return runHunt(cmd.Context(), std, o, cmd.Flags().Changed("seed"))
		},
	}
	o.choice.flags(cmd)
	f := cmd.Flags()
	f.Uint64Var(&o.seed, "seed", 0, "seed of the first draw (default: a new one each time)")
	f.DurationVar(&o.limit, "for", 60*time.Second, "how long to draw, in real time")
	f.IntVar(&o.draws, "draws", 0, "draw at most so many (default: as many as the time allows)")
	f.IntVar(&o.jobs, "jobs", runtime.GOMAXPROCS(0), "how many draws run side by side; it changes no result")
	f.Lookup("jobs").DefValue = "one a processor"
	f.BoolVar(&o.json, "json", false, "write the verdict on what was found as JSON")
	f.StringVarP(&o.file, "output", "o", "", "write what was found to `FILE.yaml` (default: hunt-SEED.yaml here)")
	return cmd
}

func runHunt(ctx context.Context, std streams, o huntOptions, seeded bool) error {
	switch {
	case o.jobs < 1:
		return usagef("", "--jobs %d: expected at least 1", o.jobs)
	case o.limit <= 0:
		return usagef("as in --for 60s", "--for %v: expected a time above zero", o.limit)
	case o.draws < 0:
		return usagef("", "--draws %d: expected 0 (no limit) or more", o.draws)
	case o.log != "":
		return usagef("", "--log: a hunt needs a logger that it can run")
	case o.board.chosen():
		return usagef("", "a hunt runs thousands of draws: a board on a wire is too slow for it")
	}
	b, err := findBench()
	if err != nil {
		return err
	}
	logger, err := o.choose(std, b)
	if err != nil {
		return err
	}
	if !seeded {
		o.seed = uint64(rand.Uint32())
	}
	if logger.alone {
		o.jobs = 1
	}
	temp, err := os.MkdirTemp("", "stuntcell-")
	if err != nil {
		return err
	}
	defer os.RemoveAll(temp)
	fmt.Fprintf(std.err, "hunting %s, seed %d, for %v\n", logger.name, o.seed, o.limit)
	p := &prover{logger: logger, temp: temp, columns: b.project.Columns}
	limited, stop := context.WithTimeout(ctx, o.limit)
	defer stop()
	progress := newBar(std.err, max(o.draws, 1))
	h := campaign.Hunt{Seed: o.seed, Draws: o.draws, Jobs: o.jobs, Env: b.env(),
		Prove: func(ctx context.Context, sc *scenarios.Scenario) (*verdict.Verdict, error) {
			d, err := p.run(ctx, entry{name: sc.Name, sc: sc})
			if err == nil && d.silent != nil {
				err = unanswered{d.silence()}
			}
			return d.verdict, err
		}}
	if o.draws > 0 {
		h.Progress = func(int, int) { progress.step() }
	}
	q, err := h.Run(limited)
	progress.clear()
	if err != nil {
		return err
	}
	fmt.Fprintf(std.err, "%d draws judged; %d gave a plan that its pack cannot follow, %d skipped\n", q.Drawn, q.Refused, q.Skipped)
	if q.Found == nil {
		if ctx.Err() != nil {
			return interrupted
		}
		fmt.Fprintf(std.out, "Nothing found: %d random scenarios pass (seed %d).\n", q.Drawn, o.seed)
		return nil
	}
	return tellQuarry(std, o, logger, q)
}

// tellQuarry writes the scenario that was found and says what it shows and how to see it again.
func tellQuarry(std streams, o huntOptions, logger *contender, q *campaign.Quarry) error {
	path := o.file
	if path == "" {
		path = fmt.Sprintf("hunt-%d.yaml", q.Seed)
	}
	if _, err := os.Lstat(path); err == nil && o.file == "" {
		// What an earlier hunt found is not written over, unless it is the same.
		if old, err := os.ReadFile(path); err != nil || string(old) != string(q.Found.Source) {
			return fmt.Errorf("%s exists already and holds something else: name another file with -o", path)
		}
	} else if err != nil && !errors.Is(err, fs.ErrNotExist) {
		return err
	}
	f, err := createWhole(path)
	if err != nil {
		return err
	}
	defer f.discard()
	if _, err := f.Write(q.Found.Source); err != nil {
		return err
	}
	if err := f.commit(); err != nil {
		return err
	}
	if o.json {
		if err := report.NewJSON(std.out).Add(q.Verdict); err != nil {
			return err
		}
	} else {
		run := report.Run{Tool: version, Logger: logger.name, Planned: 1, Untested: logger.untested}
		t := report.NewText(std.out, wantsColor(std.out))
		t.Open(run)
		t.Add(q.Verdict)
		if err := t.Close(run); err != nil {
			return err
		}
		fmt.Fprintf(std.out, "\nFound by seed %d; drawn before it and passed: %d.\nMade simpler in %d tries and written to %s:\n\n",
			q.Seed, q.Drawn-1, q.Steps, path)
		for line := range strings.Lines(string(q.Found.Source)) {
			fmt.Fprint(std.out, "    ", line)
		}
		fmt.Fprintf(std.out, "\nAgain:  stuntcell prove %s%s\nAnew:   stuntcell hunt %s--seed %d --draws 1\n",
			logger.flag(o.choice), filepath.ToSlash(path), logger.flag(o.choice), q.Seed)
	}
	return checksFailed
}

// flag is the flag, with a blank behind it, that names the contender again.
func (c *contender) flag(o choice) string {
	switch {
	case o.run != "" && o.link != "":
		return fmt.Sprintf("--link %s --run '%s' ", o.link, o.run)
	case o.run != "":
		return fmt.Sprintf("--run '%s' ", o.run)
	case o.defect != "":
		return "--defect " + o.defect + " "
	case o.wasm != "":
		return "--wasm " + o.wasm + " "
	case o.good:
		return "--good "
	case o.log != "":
		return "--log " + o.log + " "
	case o.port != "":
		return "--port " + o.port + " "
	case o.connect != "":
		return "--connect " + o.connect + " "
	}
	return ""
}
