package main

import (
	"context"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"os"
	"runtime"
	"strings"

	"github.com/spf13/cobra"

	"stuntcell/emulator"
	"stuntcell/scenarios"
	"stuntcell/validate"
	"stuntcell/validate/campaign"
	"stuntcell/validate/report"
	"stuntcell/validate/verdict"
)

type proveOptions struct {
	choice
	output
	jobs   int
	seed   uint64
	shard  string
	resume string
}

// output is where verdicts go.
type output struct {
	json          bool
	report, junit string
}

func (o *output) flags(cmd *cobra.Command) {
	f := cmd.Flags()
	f.BoolVar(&o.json, "json", false, "write verdicts as JSON, one a line, each as it is ready")
	f.StringVar(&o.report, "report", "", "write a page to `FILE.html`")
	f.StringVar(&o.junit, "junit", "", "write JUnit XML for CI to `FILE.xml`")
}

func newProve(std streams) *cobra.Command {
	var o proveOptions
	cmd := &cobra.Command{
		Use:   "prove [SCENARIO...]",
		Short: "Run a logger through scenarios and judge what it logs",
		Long: `Run a logger through scenarios and judge what it logs.

A scenario is a name on board (stuntcell list scenarios) or a file ending in
.yaml. Without one it is the suite of stuntcell.yaml, else all on board. The
logger is what a flag names, else that of stuntcell.yaml, else the built-in good
one; the last line then says that yours was not tested.

The command of --run is split into words without a shell. A relative first word,
and {here} anywhere, mean this directory; each scenario runs in a fresh
directory of its own.

A board (--port, --connect) switches its real relay on invented readings:
battery and charger must be disconnected from it. It must restart when its port
is opened (by DTR and RTS, as most are wired) or begin anew at each greeting.

Exit status: 0 every check holds; 1 a check failed; 2 usage or bad input; 3 the
logger never answered; 130 interrupted. The first interrupt keeps what was
finished, a second ends at once.`,
		Example: `  stuntcell prove
  stuntcell prove --run ./logger
  stuntcell prove --run 'python3 {here}/logger.py' tick-wrap-mid-discharge
  stuntcell prove --defect tick-wrap
  stuntcell prove --json --shard 2/5 > 2.ndjson`,
		ValidArgsFunction: completeScenarios,
		RunE: func(cmd *cobra.Command, args []string) error {
			return runProve(cmd.Context(), std, o, args)
		},
	}
	o.choice.flags(cmd)
	o.output.flags(cmd)
	f := cmd.Flags()
	f.IntVar(&o.jobs, "jobs", runtime.GOMAXPROCS(0), "how many scenarios run side by side; it changes no result")
	f.Lookup("jobs").DefValue = "one a processor"
	f.Uint64Var(&o.seed, "seed", 0, "replace the scenarios' own seeds of noise and jitter")
	f.StringVar(&o.shard, "shard", "", "run only part `I/N` of the suite (stuntcell gather joins them)")
	f.StringVar(&o.resume, "resume", "", "keep each finished verdict in `FILE`, and go on from what is in it")
	return cmd
}

func runProve(ctx context.Context, std streams, o proveOptions, args []string) (err error) {
	if o.jobs < 1 {
		return usagef("", "--jobs %d: expected at least 1", o.jobs)
	}
	var shard campaign.Shard
	if o.shard != "" {
		if shard, err = campaign.ParseShard(o.shard); err != nil {
			return usagef("", "--shard: %w", err)
		}
	}
	b, err := findBench()
	if err != nil {
		return err
	}
	if o.log != "" && len(args) != 1 {
		return usagef("as in prove --log log.csv discharge-20h", "--log: expected exactly one scenario, the one whose readings the program was fed")
	}
	logger, err := o.choose(std, b)
	if err != nil {
		return err
	}
	suite, err := b.suite(args)
	if err != nil {
		return err
	}
	temp, err := os.MkdirTemp("", "stuntcell-")
	if err != nil {
		return err
	}
	defer os.RemoveAll(temp)
	p := &prover{logger: logger, suite: suite, seed: o.seed, temp: temp, columns: b.project.Columns}
	if p.hash, err = hashSuite(suite); err != nil {
		return err
	}
	for i := range suite {
		if shard.Has(i) {
			p.mine = append(p.mine, i)
		}
	}
	if o.resume != "" {
		if p.journal, err = campaign.OpenJournal(o.resume, p.identity()); err != nil {
			return err
		}
		defer func() { err = errors.Join(err, p.journal.Close()) }()
	}
	if logger.alone {
		o.jobs = 1
	}
	if logger.opening != nil {
		if err := logger.opening(ctx, p.scenarios()); err != nil {
			return err
		}
	}
	run := report.Run{Tool: version, Logger: logger.name, Seed: o.seed, Planned: len(p.mine), Untested: logger.untested}
	out, err := o.open(std, run)
	if err != nil {
		return err
	}
	defer out.discard()
	progress := newBar(std.err, len(p.mine))
	first := true
	err = campaign.Each(ctx, len(p.mine), o.jobs, p.prove, func(_ int, d done) error {
		progress.clear()
		defer progress.step()
		if err := out.add(d.verdict); err != nil {
			return err
		}
		if first && d.silent != nil {
			return unanswered{d.silence()}
		}
		first = false
		return nil
	})
	progress.clear()
	run.Interrupted = errors.Is(err, interrupted)
	return errors.Join(err, out.close(run, err))
}

// prover runs one logger through a suite.
type prover struct {
	logger  *contender
	suite   []entry
	mine    []int // the scenarios of this shard
	seed    uint64
	temp    string
	hash    string // of the suite
	columns map[string]string
	journal *campaign.Journal // nil: none
}

// done is a scenario that has been run.
type done struct {
	verdict *verdict.Verdict
	silent  *emulator.Outcome // not nil: it never answered the greeting, and how
}

// silence says what a logger did instead of answering the greeting.
func (d done) silence() string {
	what := "it said nothing"
	if f := d.silent.Failure; f != nil {
		what = f.Error()
		if f.Hint != "" {
			what += "\n  " + f.Hint
		}
	}
	return "the logger never answered the greeting: " + what + "\n  A logger answers each line with its own lines and then `ok`; " +
		"`stuntcell init DIR` makes one to start from."
}

// scenarios are those that this shard will run.
func (p *prover) scenarios() []*scenarios.Scenario {
	var all []*scenarios.Scenario
	for _, i := range p.mine {
		if sc := p.suite[i].sc; sc != nil {
			all = append(all, sc)
		}
	}
	return all
}

func (p *prover) identity() campaign.Identity {
	return campaign.Identity{Tool: version, Suite: p.hash, Of: len(p.suite), Logger: p.logger.name, LoggerHash: p.logger.hash, Seed: p.seed}
}

// prove runs the n-th scenario of this shard, unless the journal has its verdict already.
func (p *prover) prove(ctx context.Context, n int) (done, error) {
	i := p.mine[n]
	if p.journal != nil {
		if v, ok := p.journal.Finished(i); ok {
			return done{verdict: v}, nil
		}
	}
	d, err := p.run(ctx, p.suite[i])
	if err != nil {
		return d, err
	}
	d.verdict.Suite = &verdict.Suite{Hash: p.hash, Index: i, Of: len(p.suite), Seed: p.seed}
	d.verdict.Hash.Logger = p.logger.hash
	if p.journal != nil && d.silent == nil {
		err = p.journal.Add(d.verdict)
	}
	return d, err
}

func (p *prover) run(ctx context.Context, e entry) (done, error) {
	if e.refused != nil {
		return done{verdict: p.refusal(e)}, nil
	}
	sc := *e.sc
	if p.seed != 0 {
		sc.Setup.Seed = p.seed
	}
	dir, err := os.MkdirTemp(p.temp, sc.Name+"-")
	if err != nil {
		return done{}, err
	}
	defer os.RemoveAll(dir)
	rec, err := p.logger.play(ctx, &sc, dir)
	if err != nil {
		return done{}, fmt.Errorf("%s: %w", sc.Name, err)
	}
	v := validate.Judge(&sc, rec, validate.Options{Tool: version, Logger: p.logger.name, Columns: p.columns})
	v.Summary = sc.Summary
	d := done{verdict: v}
	if !rec.Outcome.Greeted {
		d.silent = &rec.Outcome
	}
	return d, nil
}

// refusal is the verdict on a scenario that the project's pack or rig cannot run.
func (p *prover) refusal(e entry) *verdict.Verdict {
	why, _, _ := strings.Cut(e.refused.Error(), "\n")
	return &verdict.Verdict{
		Schema: verdict.Schema, Tool: version, GoArch: runtime.GOARCH, Scenario: e.name, Seed: p.seed, Logger: p.logger.name,
		Skipped: "does not fit this pack or rig: " + why, Checks: []verdict.Check{}, Blame: map[string]verdict.Blame{},
		Findings: []verdict.Finding{}, NotCovered: []string{},
	}
}

// hashSuite is SHA-256, in hex, over what decides the results of a suite: its scenarios in order with their packs and rigs.
func hashSuite(suite []entry) (string, error) {
	h := sha256.New()
	e := json.NewEncoder(h)
	for _, s := range suite {
		if err := e.Encode(s.name); err != nil {
			return "", err
		}
		if s.sc == nil {
			continue
		}
		if err := e.Encode([]any{s.sc.Source, s.sc.Setup.Pack, s.sc.Setup.Rig, s.sc.Setup.Plan}); err != nil {
			return "", err
		}
	}
	return hex.EncodeToString(h.Sum(nil)), nil
}

// sink takes verdicts in order and writes all that was asked for.
type sink struct {
	std          streams
	text         *report.Text
	lines        *report.JSON
	verdicts     []*verdict.Verdict
	page, result *wholeFile // --report, --junit
}

// open begins the outputs. That the files can be written is known before anything is run.
func (o *output) open(std streams, run report.Run) (_ *sink, err error) {
	s := &sink{std: std}
	defer func() {
		if err != nil {
			s.discard()
		}
	}()
	if o.report != "" {
		if s.page, err = createWhole(o.report); err != nil {
			return nil, err
		}
	}
	if o.junit != "" {
		if s.result, err = createWhole(o.junit); err != nil {
			return nil, err
		}
	}
	if o.json {
		s.lines = report.NewJSON(std.out)
		return s, nil
	}
	s.text = report.NewText(std.out, wantsColor(std.out))
	s.text.Open(run)
	return s, nil
}

func (s *sink) add(v *verdict.Verdict) error {
	s.verdicts = append(s.verdicts, v)
	if s.lines != nil {
		return s.lines.Add(v)
	}
	s.text.Add(v)
	return nil
}

// close writes the rest. The error says that a check failed, unless the run ended with one that weighs more.
func (s *sink) close(run report.Run, ended error) error {
	var errs []error
	if s.text != nil {
		errs = append(errs, s.text.Close(run))
	} else if run.Untested {
		fmt.Fprintln(s.std.err, "stuntcell: your logger was not tested: this was the built-in good one")
	}
	for _, f := range []struct {
		file  *wholeFile
		write func(io.Writer, report.Run, []*verdict.Verdict) error
	}{{s.page, report.HTML}, {s.result, report.JUnit}} {
		if f.file == nil {
			continue
		}
		if err := f.write(f.file, run, s.verdicts); err != nil {
			errs = append(errs, err)
			continue
		}
		errs = append(errs, f.file.commit())
	}
	err := errors.Join(errs...)
	if err == nil && ended == nil && report.Count(s.verdicts).Failed > 0 {
		return checksFailed
	}
	return err
}

func (s *sink) discard() {
	for _, f := range []*wholeFile{s.page, s.result} {
		if f != nil {
			f.discard()
		}
	}
}
