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
	"sync"

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
	jobs    int
	seed    uint64
	shard   string
	resume  string
	corners bool
	sample  int
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

How a logger in any language speaks with the bench: stuntcell show link.

A board (--port, --connect) switches its real relay on invented readings:
battery and charger must be disconnected from it. It must restart when its port
is opened (by DTR and RTS, as most are wired) or begin anew at each greeting.

A scenario that expects a total (expect: {total: 1 %}) judges the whole rig.
With --corners it does so over the tolerances that the rig file states: each at
both ends, the corners in which all of them pull one way, and a sample of rigs
between. The check corners names the worst of them.

Exit status: 0 every check holds; 1 a check failed; 2 usage or bad input; 3 the
logger never answered; 130 interrupted. The first interrupt keeps what was
finished, a second ends at once.`,
		Example: `  stuntcell prove
  stuntcell prove --run ./logger
  stuntcell prove --run 'python3 {here}/logger.py' tick-wrap-mid-discharge
  stuntcell prove --defect tick-wrap
  stuntcell prove --json --shard 2/5 > 2.ndjson
  stuntcell prove --run ./logger --corners mine.yaml`,
		ValidArgsFunction: completeScenarios,
		RunE: func(cmd *cobra.Command, args []string) error {
			if err := together(cmd, [][2]string{{"baud", "port"}, {"sample", "corners"}}); err != nil {
				return err
			}
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
	f.BoolVar(&o.corners, "corners", false, "where a total is expected, try the rig at the ends of its tolerances too")
	f.IntVar(&o.sample, "sample", 20, "with --corners: how many rigs to draw at random within the tolerances")
	f.StringVar(&o.resume, "resume", "", "keep each finished verdict in `FILE`, and go on from what is in it")
	return cmd
}

// maxSample bounds the rigs that are drawn within tolerances.
const maxSample = 100_000

func runProve(ctx context.Context, std streams, o proveOptions, args []string) (err error) {
	if o.jobs < 1 {
		return usagef("", "--jobs %d: expected at least 1", o.jobs)
	}
	if o.corners && (o.log != "" || o.board.chosen()) {
		return usagef("", "--corners runs the logger dozens of times: expected one that can be started here")
	}
	if o.sample < 0 || o.sample > maxSample {
		return usagef("", "--sample %d: expected 0 to %d", o.sample, maxSample)
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
	if o.corners {
		if err := p.askCorners(o.sample, o.seed); err != nil {
			return err
		}
	}
	if p.hash, err = hashSuite(suite, p.corners); err != nil {
		return err
	}
	p.mine = shard.Of(costs(suite))
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
	naming  sync.Once
	told    map[string]string // by naming
	journal *campaign.Journal // nil: none
	corners *campaign.Corners // nil: not asked for
}

// costs are what the scenarios of a suite cost, in readings.
func costs(suite []entry) []int64 {
	out := make([]int64, len(suite))
	for i, e := range suite {
		if e.sc != nil {
			out[i] = e.sc.Setup.Readings()
		}
	}
	return out
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
	d, err := p.once(ctx, &sc, dir)
	if err != nil {
		return done{}, fmt.Errorf("%s: %w", sc.Name, err)
	}
	if p.corners != nil && d.silent == nil {
		if err := p.corners.Judge(ctx, &sc, d.verdict); err != nil {
			return done{}, fmt.Errorf("%s: %w", sc.Name, err)
		}
	}
	return d, nil
}

// once runs the logger through a scenario once, in a directory of its own, and judges it.
func (p *prover) once(ctx context.Context, sc *scenarios.Scenario, dir string) (done, error) {
	rec, err := p.logger.play(ctx, sc, dir)
	if err != nil {
		return done{}, err
	}
	v := validate.Judge(sc, rec, validate.Options{Tool: version, Logger: p.logger.name, Columns: p.columns, Unnamed: func() map[string]string { return p.unnamed(ctx) }})
	v.Summary = sc.Summary
	d := done{verdict: v}
	if !rec.Outcome.Greeted {
		d.silent = &rec.Outcome
	}
	return d, nil
}

// unnamed says what the columns of a log without names hold, from a run of its own; nil if that does not tell.
func (p *prover) unnamed(ctx context.Context) map[string]string {
	p.naming.Do(func() {
		if p.logger.past {
			return
		}
		dir, err := os.MkdirTemp(p.temp, "telling-")
		if err != nil {
			return
		}
		defer os.RemoveAll(dir)
		sc, err := scenarios.Parse("telling-columns", []byte(validate.Telling), scenarios.Env{})
		if err != nil {
			return
		}
		if rec, err := p.logger.play(ctx, sc, dir); err == nil {
			p.told = validate.TellColumns(sc, rec)
		}
	})
	return p.told
}

// askCorners makes ready to judge the whole rig over its tolerances. Something must be there to be judged.
func (p *prover) askCorners(sample int, seed uint64) error {
	for _, e := range p.suite {
		if e.sc != nil && e.sc.Expect.Total > 0 && len(e.sc.Setup.Rig.Spreads()) > 0 {
			p.corners = &campaign.Corners{Sample: sample, Seed: max(seed, 1), Prove: p.inCorner}
			return nil
		}
	}
	return usagef("expect: {total: 1 %} in a scenario, or limits: {total: 1 %} in "+scenarios.ProjectFile+"; and in the rig file tolerance: {shunt: 0.5 %, ...}",
		"--corners: no scenario expects a total of a rig that states tolerances")
}

// inCorner runs the logger with a rig that has been moved, and judges it.
func (p *prover) inCorner(ctx context.Context, sc *scenarios.Scenario) (*verdict.Verdict, error) {
	dir, err := os.MkdirTemp(p.temp, sc.Name+"-")
	if err != nil {
		return nil, err
	}
	defer os.RemoveAll(dir)
	d, err := p.once(ctx, sc, dir)
	return d.verdict, err
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

// hashSuite is SHA-256, in hex, over what decides the results of a suite: its scenarios in order with their packs, rigs and limits, and
// the corners that are tried.
func hashSuite(suite []entry, corners *campaign.Corners) (string, error) {
	h := sha256.New()
	e := json.NewEncoder(h)
	if corners != nil {
		if err := e.Encode([]any{"corners", corners.Sample, corners.Seed}); err != nil {
			return "", err
		}
	}
	for _, s := range suite {
		if err := e.Encode(s.name); err != nil {
			return "", err
		}
		if s.sc == nil {
			continue
		}
		if err := e.Encode([]any{s.sc.Source, s.sc.Setup.Pack, s.sc.Setup.Rig, s.sc.Setup.Plan, s.sc.Expect}); err != nil {
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
