package main

import (
	"context"
	"encoding/json"
	"fmt"
	"html/template"
	"io"
	"math"
	"slices"
	"strconv"
	"strings"
	"time"

	"github.com/spf13/cobra"

	"stuntcell/model"
	"stuntcell/model/quantity"
	"stuntcell/validate/audit"
	"stuntcell/validate/budget"
)

type auditOptions struct {
	json, follow                bool
	csv, sheet, plot, rig, pack string
	calibrated, firmware        string
	evidence, calibration       string
	cutoff, taper               float64
	cell, reference, lambda     float64
	rated, ratedAmps, k         float64
	channel                     int
	columns                     map[string]string
}

func newAudit(std streams) *cobra.Command {
	var o auditOptions
	cmd := &cobra.Command{
		Use:   "audit LOG...",
		Short: "Examine a real log, whose truth nobody knows",
		Long: `Examine a real log, whose truth nobody knows: its charge and energy integrated
anew and held against its own totals; gaps, repeats, restarts, jumps, clocks;
phases and how each ended; and what of it is a capacity. LOG is any CSV, also
.gz, .zip or - for standard input.

With a rig the capacity gets its uncertainty; with a rated capacity its share
and grade. Several logs are brought to one rate and temperature and compared.
Exit status 1 if a log has a failure.

What an audit cannot see, and when to prove instead: stuntcell show
prove-or-audit.`,
		Example: `  stuntcell audit run.csv --cutoff 10.5V --sheet sheet.html
  stuntcell audit may.csv june.csv --rig shop-50a --cutoff 10.5V --rated 7Ah
  stuntcell audit run.csv --follow --cutoff 10.5V`,
		Args: operands(1, math.MaxInt, "a log or more"),
		RunE: func(cmd *cobra.Command, args []string) error {
			return runAudit(cmd.Context(), std, o, args)
		},
	}
	f := cmd.Flags()
	f.BoolVar(&o.json, "json", false, "write one JSON object for each log, one on a line")
	f.BoolVar(&o.follow, "follow", false, "follow a log that still grows, until it is interrupted")
	f.StringVar(&o.csv, "csv", "", "write a cleaned copy with a column of what was done to `FILE.csv`")
	f.StringVar(&o.sheet, "sheet", "", "write a sheet for who gets the battery to `FILE.html`")
	f.StringVar(&o.plot, "plot", "", "draw voltage, current and charge to `FILE.svg`")
	f.StringVar(&o.evidence, "evidence", "", "put log, report, sheet, firmware and their hashes into one archive, `FILE.zip`")
	f.StringVar(&o.rig, "rig", "", "the `RIG` that wrote the log: gives the capacity its uncertainty")
	f.StringVar(&o.pack, "pack", "", "what was tested: a `PACK` on board or a file (with --follow: what the log is held against), or only a name")
	f.StringVar(&o.calibration, "calibration", "", "what calibrate -o wrote in `FILE.json`, whose constants the rig used (with --rig)")
	f.StringVar(&o.calibrated, "calibrated", "", "`DATE` of the rig's calibration, for the sheet")
	f.StringVar(&o.firmware, "firmware", "", "firmware `FILE`, whose hash goes on the sheet")
	f.Var(amountLike("10.5V", quantity.Voltage, &o.cutoff), "cutoff", "the level at which the discharge was meant to end")
	f.Var(amountLike("0.2A", quantity.Current, &o.taper), "taper", "the current at which the charge was meant to end")
	f.Var(newAmount(quantity.Temperature, &o.cell), "cell", "temperature of the cell in the test (default: the log's)")
	f.Var(newAmount(quantity.Temperature, &o.reference), "reference", "temperature to which the capacity is brought")
	f.Var(amountLike("0.6%/K", quantity.RatioPerKelvin, &o.lambda), "lambda", "temperature coefficient of capacity (default: the pack's at the log's current, else 0.6 %/K, as lead-acid has it over 10 to 20 h)")
	f.Var(newAmount(quantity.Charge, &o.rated), "rated", "rated capacity, for the share and the grade")
	f.Var(newAmount(quantity.Current, &o.ratedAmps), "rated-current", "current to which the capacity is brought, with --k")
	f.Float64Var(&o.k, "k", 0, "rate exponent (Peukert)")
	f.IntVar(&o.channel, "channel", 1, "channel of the log, 1 to 4")
	columnsFlag(f, &o.columns, "what columns hold, as in stuntcell.yaml: `HEADER=KIND`")
	return cmd
}

// audited is a log with all that was made of it.
type audited struct {
	*audit.Report
	Capacity *audit.Brought `json:"capacity,omitempty"`
	AtLeast  bool           `json:"at_least"`
	Grade    string         `json:"grade,omitempty"`
	Budget   *budget.Stated `json:"budget,omitempty"`

	phase  *audit.Phase
	sketch audit.Sketch
}

func runAudit(ctx context.Context, std streams, o auditOptions, logs []string) error {
	if err := o.check(logs); err != nil {
		return err
	}
	b, err := findBench()
	if err != nil {
		return err
	}
	if o.columns == nil {
		o.columns = b.project.Columns
	}
	if o.follow {
		return followLog(ctx, std, b, o, logs[0])
	}
	var all []*audited
	failed := false
	for i, name := range logs {
		a, err := auditOne(ctx, std, b, o, name)
		if err != nil {
			return err
		}
		all = append(all, a)
		for _, f := range a.Findings {
			failed = failed || f.Severity == "failure"
		}
		if o.json {
			err = json.NewEncoder(std.out).Encode(a)
		} else {
			if i > 0 {
				fmt.Fprintln(std.out)
			}
			err = a.text(std.out)
		}
		if err != nil {
			return err
		}
	}
	if !o.json {
		fmt.Fprint(std.out, compareLogs(o, all))
	}
	if err := o.files(std, b, all[0]); err != nil {
		return err
	}
	if failed {
		return checksFailed
	}
	return nil
}

func isDate(text string) bool {
	_, err := time.Parse(time.DateOnly, text)
	return err == nil
}

func (o auditOptions) check(logs []string) error {
	one := o.csv != "" || o.sheet != "" || o.plot != "" || o.evidence != "" || o.follow
	switch {
	case one && len(logs) > 1:
		return usagef("run it once for each", "--csv, --sheet, --plot, --evidence and --follow take one log, not %d", len(logs))
	case o.calibration != "" && o.rig == "":
		return usagef("give --rig", "--calibration: of which rig?")
	case o.calibrated != "" && !isDate(o.calibrated):
		return usagef("as in --calibrated 2026-03-02", "--calibrated %q: expected a date, year-month-day", o.calibrated)
	case o.channel < 1 || o.channel > 4:
		return usagef("", "--channel %d: expected 1 to 4", o.channel)
	case (o.ratedAmps > 0) != (o.k > 0):
		return usagef("", "--rated-current and --k belong together")
	case o.k != 0 && !(o.k >= 1 && o.k <= 2):
		return usagef("", "--k %v: expected 1 to 2", o.k)
	case o.follow && (o.json || o.csv != "" || o.sheet != "" || o.plot != "" || o.evidence != ""):
		return usagef("", "--follow goes with none of --json, --csv, --sheet, --plot, --evidence")
	case o.evidence != "" && logs[0] == "-":
		return usagef("save it to a file first", "--evidence: a log from a pipe cannot be kept")
	case o.csv != "" && sameFile(o.csv, logs[0]):
		return usagef("name another file", "--csv %s: is the log itself, which is never written over", o.csv)
	}
	return nil
}

// auditOne audits a log and brings its capacity to the conditions asked for.
func auditOne(ctx context.Context, std streams, b *bench, o auditOptions, name string) (*audited, error) {
	a := &audited{}
	options := audit.Options{Channel: o.channel, Cutoff: o.cutoff, Taper: o.taper}
	if o.plot != "" || o.sheet != "" || o.evidence != "" || o.csv != "" {
		options.Row = a.sketch.Row
	}
	var rigged *budget.Capacity
	if o.rig != "" {
		r, err := b.rigNamed(o.rig)
		if err != nil {
			return nil, err
		}
		rigged = &budget.Capacity{Rig: r, Limits: budget.FromRig(r)}
		options.FullCurrent = float64(r.Front.ShuntMax) * r.Front.ShuntStep / r.Shunt.Nominal
		options.FullVoltage = float64(r.Front.BusMax) * r.Front.BusStep
	}
	var clean *wholeFile
	if o.csv != "" {
		var err error
		if clean, err = createWhole(o.csv); err != nil {
			return nil, err
		}
		defer clean.discard()
		fmt.Fprintln(clean, "line,time_s,voltage_V,current_A,charge_Ah,energy_Wh,done")
		options.Row = func(r audit.Row) {
			a.sketch.Row(r)
			writeClean(clean, r)
		}
	}
	var err error
	if a.Report, err = auditLog(ctx, std, name, o.columns, options); err != nil {
		return nil, err
	}
	if clean != nil {
		if err := clean.commit(); err != nil {
			return nil, err
		}
		fmt.Fprintln(std.err, "wrote", o.csv)
	}
	if o.json || o.sheet != "" || o.evidence != "" {
		if a.SHA256, err = hashFile(name); err != nil {
			return nil, err
		}
	}
	if p, _ := a.Report.Capacity(); o.lambda == 0 && o.pack != "" && p != nil && p.Current > 0 {
		if of, err := b.packNamed(o.pack); err == nil { // else it is only a name
			o.lambda = of.PerKelvinAt(p.Current)
		}
	}
	return a, a.judge(std, o, rigged)
}

// judge brings the capacity to the conditions, gives it its uncertainty and its grade.
func (a *audited) judge(std streams, o auditOptions, rigged *budget.Capacity) error {
	p, atLeast := a.Report.Capacity()
	if p == nil {
		return nil
	}
	a.phase, a.AtLeast = p, atLeast
	c := audit.Conditions{Reference: o.reference, Cell: o.cell, Lambda: o.lambda, RatedCurrent: o.ratedAmps, K: o.k, Rated: o.rated}.Usual(p)
	if c.Reference > 0 && c.Cell == 0 {
		return usagef("give --cell", "--reference: the log has no temperature")
	}
	brought := audit.Bring(p.Charge, p.Current, c)
	a.Capacity = &brought
	if rigged != nil {
		rigged.Figure = a.Report.FigureUnder(p, c)
		if o.calibration != "" {
			if err := useCalibration(std, rigged, o.calibration); err != nil {
				return err
			}
		}
		s, err := rigged.State(budget.Options{Seed: 1})
		if err != nil {
			return usagef("", "%s: %v", a.Log, err)
		}
		a.Budget = s
	}
	if o.rated > 0 {
		a.Grade = audit.Grading(brought, a.Budget, a.AtLeast, o.rated)
	}
	return nil
}

func (a *audited) text(w io.Writer) error {
	if err := a.Report.WriteText(w); err != nil {
		return err
	}
	var b strings.Builder
	if c := a.Capacity; c != nil && (c.Temperature != 1 || c.Rate != 1) {
		b.WriteString(budget.Wrap(fmt.Sprintf("Capacity %.4g Ah, %s.", c.Value/3600, c.Text), "", "  "))
	}
	if a.Budget != nil {
		b.WriteString(budget.Wrap(a.Budget.Sentence, "With its uncertainty: ", "  "))
		b.WriteString(budget.Wrap(a.Budget.Advice[0], "", "  "))
	} else if a.phase != nil {
		b.WriteString("Its uncertainty: give --rig, or see budget.\n")
	}
	if a.Grade != "" {
		b.WriteString(budget.Wrap(a.Grade+". The limit of 80 % is common practice; the maker's and the standard's own come first.", "Grade: ", "  "))
	}
	_, err := io.WriteString(w, b.String())
	return err
}

// compared says under what conditions capacities are compared.
func (o auditOptions) compared() string {
	var to []string
	if o.reference > 0 {
		to = append(to, fmt.Sprintf("%.1f degC", o.reference-273.15))
	}
	if o.ratedAmps > 0 {
		to = append(to, fmt.Sprintf("%.3g A", o.ratedAmps))
	}
	if len(to) == 0 {
		return "Compared as logged; --reference, and --rated-current with --k, bring them to one temperature and one current:"
	}
	return "Compared, each brought to " + strings.Join(to, " and ") + ":"
}

// compareLogs compares the capacities of several logs.
func compareLogs(o auditOptions, all []*audited) string {
	var with []*audited
	for _, a := range all {
		if a.Capacity != nil && !a.AtLeast {
			with = append(with, a)
		}
	}
	if len(with) < 2 {
		return ""
	}
	var b strings.Builder
	first := with[0]
	b.WriteString("\n" + budget.Wrap(o.compared(), "", "  "))
	for _, a := range with[1:] {
		d, than := 100*(a.Capacity.Value/first.Capacity.Value-1), "more"
		if d < 0 {
			than = "less"
		}
		line := fmt.Sprintf("%s gave %.2f %% %s than %s", a.Log, math.Abs(d), than, first.Log)
		if a.Budget != nil && first.Budget != nil {
			en, equal := audit.Equality(first.Budget.Charge.Y, first.Budget.Charge.U, a.Budget.Charge.Y, a.Budget.Charge.U)
			if equal {
				line += fmt.Sprintf("; not told apart within their uncertainties (E_n %.2f)", en)
			} else {
				line += fmt.Sprintf("; a difference beyond their uncertainties (E_n %.2f)", en)
			}
		} else {
			line += "; without --rig nobody can say whether that is a difference"
		}
		b.WriteString(budget.Wrap(line+".", "  ", "    "))
		if r := a.phase.Current / first.phase.Current; a.Capacity.Rate == 1 && (r > 1.15 || r < 1/1.15) {
			k, u := audit.Exponent(first.Capacity.Value, first.phase.Current, a.Capacity.Value, a.phase.Current, 0.002)
			line := fmt.Sprintf("rate exponent between %.3g and %.3g A: %.3f (u %.3f for capacities good to 0.2 %%)", first.phase.Current, a.phase.Current, k, u)
			if k < 1-2*u || k > 1.6 {
				line += "; no chemistry has that (about 1.03 to 1.6): one of the logs, or its conditions, differ"
			}
			b.WriteString(budget.Wrap(line+".", "    ", "    "))
		}
	}
	if with[0].Budget != nil {
		b.WriteString(budget.Wrap("E_n is the difference over the root of the sum of both expanded uncertainties squared (about 95 %), as if they had nothing in common: at most 1 does not tell them apart. What one rig is off by cancels between its own logs, so that a smaller difference may be real; more runs show it.", "  ", "    "))
	}
	var at, q []float64
	latest := 0
	for i, a := range with {
		if a.Began != nil {
			if at, q = append(at, *a.Began), append(q, a.Capacity.Value); *a.Began >= slices.Max(at) {
				latest = i
			}
		}
	}
	if len(at) >= 3 {
		if f, err := audit.Fading(at, q); err == nil {
			line := fmt.Sprintf("Over %.0f days: %s.", (slices.Max(at)-slices.Min(at))/86400, f.Text)
			last := with[latest].Capacity
			if left := f.Until(last.Value, audit.ReplaceBelow*o.rated); f.Told && f.PerYear < 0 && last.Share.Known() && left > 0 {
				line += fmt.Sprintf(" If it goes on like this, which batteries need not do, %.0f %% of rated is reached %.2g years after the last test.", 100*audit.ReplaceBelow, left)
			}
			b.WriteString(budget.Wrap(line, "  ", "    "))
		}
	}
	return b.String()
}

// files writes plot, sheet and evidence.
func (o auditOptions) files(std streams, b *bench, a *audited) error {
	if o.plot != "" {
		if err := writePicture(std, o.plot, a.sketch.Picture(a.Log, a.Sign)); err != nil {
			return err
		}
	}
	if o.sheet == "" && o.evidence == "" {
		return nil
	}
	svg, err := a.sketch.Picture(a.Log, a.Sign).Inline()
	if err != nil {
		return err
	}
	s := audit.Sheet{Report: a.Report, Stated: a.Budget, Pack: o.pack, Rig: o.rig, Calibrated: o.calibrated, Cell: o.cell, Grade: a.Grade, SVG: template.HTML(svg)}
	if a.Capacity != nil {
		s.Brought = *a.Capacity
	}
	if o.calibration != "" {
		h, err := hashFile(o.calibration)
		if err != nil {
			return err
		}
		s.Calibrated = strings.TrimPrefix(s.Calibrated+"; "+o.calibration+", SHA-256 "+h, "; ")
	}
	if o.firmware != "" {
		h, err := hashFile(o.firmware)
		if err != nil {
			return err
		}
		s.Firmware = o.firmware + ", SHA-256 " + h
	}
	s.Cautions = []string{
		"Put a fuse at the pack; check polarity with a meter before connecting; connect with load and charger off.",
		"No jewellery; insulated tools; eye protection. Not unattended without an independent stop.",
		model.Deference(),
	}
	if o.pack != "" {
		if p, err := b.packNamed(o.pack); err == nil {
			s.Pack, s.Cautions = p.Name+": "+p.Summary, p.Cautions()
		} else if isFile(o.pack) {
			return err
		}
	}
	if o.sheet != "" {
		if err := writeWhole(o.sheet, s.Write); err != nil {
			return err
		}
		fmt.Fprintln(std.err, "wrote", o.sheet)
	}
	if o.evidence != "" {
		if err := writeWhole(o.evidence, func(w io.Writer) error { return writeEvidence(w, a, s, o.evidenceFiles()) }); err != nil {
			return err
		}
		fmt.Fprintln(std.err, "wrote", o.evidence)
	}
	return nil
}

// evidenceFiles are the files beside log and report that the figure rests on.
func (o auditOptions) evidenceFiles() []string {
	var files []string
	for _, f := range []string{o.firmware, o.calibration} {
		if f != "" {
			files = append(files, f)
		}
	}
	for _, f := range []string{o.rig, o.pack} { // names on board are no files
		if isFile(f) {
			files = append(files, f)
		}
	}
	return files
}

func isFile(name string) bool {
	return strings.HasSuffix(name, ".yaml") || strings.ContainsAny(name, `/\`)
}

// writeClean writes a row of the cleaned copy. What was left out keeps its place, so that nothing vanishes in silence.
func writeClean(w *wholeFile, r audit.Row) {
	number := func(x float64, digits int) string {
		if math.IsNaN(x) {
			return ""
		}
		return strconv.FormatFloat(x, 'g', digits, 64)
	}
	done := r.Note
	if strings.ContainsAny(done, ",\"") {
		done = strconv.Quote(done)
	}
	fmt.Fprintf(w, "%d,%.3f,%s,%s,%.6f,%.5f,%s\n", r.Line, r.Time, number(r.Voltage, 9), number(r.Current, 9), r.Charge/3600, r.Energy/3600, done)
}
