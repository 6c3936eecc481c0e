// Package validate judges a log: checks, blame, causes, verdict (JUDGING.md of the design).
//
// [Judge] takes a scenario and the record of its run. It reads the rows as a log (package logfile), finds the reading that
// each row belongs to, finds the one healthy rule and timebase that the whole log is found to use (package replay), makes
// every check, splits the deviation from truth into sampling, front end, clock and firmware, and names causes (package
// cause). What cannot be checked is skipped and said; what the logger could not know is never held against it.
package validate

import (
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"maps"
	"math"
	"runtime"
	"slices"
	"strings"

	"stuntcell/emulator"
	"stuntcell/emulator/link"
	"stuntcell/scenarios"
	"stuntcell/validate/cause"
	"stuntcell/validate/logfile"
	"stuntcell/validate/replay"
	"stuntcell/validate/verdict"
)

// Options say what a verdict carries besides the run.
type Options struct {
	Tool   string // version of this program
	Logger string // how the logger is named
	// Columns says what the log's columns hold where its header does not (the `columns:` block of a project file).
	Columns map[string]string
	// Unnamed says what the columns hold of a log that names none, if Columns does not: what [TellColumns] found where the same logger
	// was shown more. It may return nil; it, or its answer, nil: the log itself must tell. The verdict notes what was told.
	Unnamed func() map[string]string
}

// judge is one judgement at work.
type judge struct {
	sc     *scenarios.Scenario
	rec    *emulator.Record
	series *replay.Series
	table  *logfile.Table
	notes  []string
	checks []verdict.Check

	at          []int  // reading of each data row
	fits        []bool // its time column shows that reading
	tickColumn  *logfile.Column
	tickOffset  map[int16]int64 // by power-up
	ticksFit    bool
	tickBad     bool
	clockColumn *logfile.Column
	clockFits   bool
	zone        int64
	zoneKnown   bool

	index            []int
	mark             replay.Marks
	meter            replay.Meter
	totals           *replay.Totals
	columns          []*cause.Column
	guessed          []bool
	throughput       float64
	energyThroughput float64
	elapsed          float64

	log        float64
	logChanges []logChange
	values     []cause.Value
	windows    []window // of each row
	held       []int    // by heldBy
	staleLag   int
	staleRow   int
	staleRows  int
	spacing    cause.Spacing
	pattern    bool
	rough      []int // how many readings before each were disturbed

	clockDeviation     []float64
	clockRow           int
	impossible         string // first row with a date that no calendar has
	impossibleLine     int
	cutoff             *cause.Cutoff
	chargeEnd          *cause.ChargeEnd
	restarts           []cause.Restart
	cardBegin, cardEnd int
	cardDead           bool
}

// Judge returns the verdict on one run. It never fails: a log that cannot be read is a verdict too.
func Judge(sc *scenarios.Scenario, rec *emulator.Record, o Options) *verdict.Verdict {
	v := &verdict.Verdict{
		Schema: verdict.Schema, Tool: o.Tool, GoArch: runtime.GOARCH, Scenario: sc.Name, Seed: sc.Setup.Seed,
		Hash:   verdict.Hash{Scenario: hashBytes(sc.Source), Pack: hashJSON(sc.Setup.Pack), Rig: hashJSON(sc.Setup.Rig)},
		Logger: o.Logger, Checks: []verdict.Check{}, Blame: map[string]verdict.Blame{}, Findings: []verdict.Finding{},
		NotCovered: notCovered(sc),
	}
	if rec.Skipped != "" {
		v.Skipped = rec.Skipped
		return v
	}
	rec, beside := mainFile(rec)
	j := newJudge(sc, rec)
	j.notes = append(j.notes, beside...)
	v.Truth = truthOf(rec)
	var err error
	if j.table, err = logfile.ParseLines(j.lines(), j.form(o.Columns)); err != nil && len(o.Columns) == 0 {
		j.table = j.readUnnamed(o.Unnamed, err)
	} else if err == nil && len(o.Columns) == 0 && j.barren() { // names that say nothing
		if told := j.readUnnamed(nil, &logfile.Error{Block: "columns:\n"}); told != nil {
			j.table = told
		}
	}
	if j.table != nil && rec.Stream && j.column(logfile.Tick) == nil && j.column(logfile.Elapsed) == nil && j.column(logfile.Clock) == nil {
		// Without answers nothing else places a row.
		var block strings.Builder
		block.WriteString("columns:\n")
		for _, c := range j.table.Columns {
			fmt.Fprintf(&block, "  %d: %s   # %q\n", c.Field, c.Kind, c.Header)
		}
		j.table, err = nil, &logfile.Error{Text: "no column tells the time", Expected: "a column such as time [s], date and time, or ms",
			Hint: "name it in the header, or say in stuntcell.yaml which it is", Block: block.String()}
	}
	if j.table == nil {
		j.unreadable(v, err)
		return v
	}
	j.firstChannel()
	j.onePerPair()
	j.match()
	j.marks()
	j.netTotals()
	j.totalColumns()
	j.findRule()
	j.unitsOfGuessed()
	j.checkTotals()
	j.checkValues()
	j.checkFresh()
	j.checkRows()
	j.checkClock()
	j.checkCutoff()
	j.checkCharge()
	j.checkRestart()
	j.checkCard()
	v.Blame = j.blame()
	j.checkGoal(v.Blame)
	j.afterFailure()
	j.rename()
	v.Checks = j.checks
	v.Found = j.found()
	v.Findings = j.findings(v.Blame)
	v.Notes = append(j.notes, j.healthyHabits()...)
	pass := true
	for _, c := range v.Checks {
		pass = pass && (c.Pass == nil || *c.Pass)
	}
	for _, f := range v.Findings {
		pass = pass && f.Severity != verdict.Failure
	}
	v.Pass = &pass
	j.trace(v)
	return v
}

// mainFile leaves out the rows of files that a logger keeps beside its log: between such rows it goes back to the file that has most rows, and their
// rows have other columns. A new file in the place of the one before is the same log, though its name comes again after a restart.
func mainFile(rec *emulator.Record) (main *emulator.Record, notes []string) {
	rows, most := map[string]int{}, ""
	columns := map[string]int{} // by the last row
	for _, r := range rec.Rows {
		columns[r.File] = strings.Count(r.Text, ",") + strings.Count(r.Text, ";") + strings.Count(r.Text, "\t")
		if rows[r.File]++; rows[r.File] > rows[most] {
			most = r.File
		}
	}
	beside, since, life := map[string]bool{}, []string(nil), int16(-1)
	away := false // the log was there before
	for _, r := range rec.Rows {
		switch {
		case r.File == most:
			if away && r.Life == life {
				for _, name := range since {
					if columns[name] != columns[most] {
						beside[name] = true
					}
				}
			}
			away, since, life = true, nil, r.Life
		case r.Life == life:
			since = append(since, r.File)
		}
	}
	if len(beside) == 0 {
		return rec, nil
	}
	one := *rec
	one.Rows = slices.DeleteFunc(slices.Clone(rec.Rows), func(r emulator.Row) bool { return beside[r.File] })
	for _, name := range slices.Sorted(maps.Keys(beside)) {
		notes = append(notes, fmt.Sprintf("file %q is not judged: it is kept beside %q, which has more rows", name, most))
	}
	return &one, notes
}

func newJudge(sc *scenarios.Scenario, rec *emulator.Record) *judge {
	j := &judge{sc: sc, rec: rec, series: replay.NewSeries(rec), cardBegin: -1, clockRow: -1}
	j.findLogChanges()
	return j
}

// lines are the rows as they came.
func (j *judge) lines() []string {
	lines := make([]string, len(j.rec.Rows))
	for i, r := range j.rec.Rows {
		lines[i] = r.Text
	}
	return lines
}

// firstChannel leaves the rows of the first channel alone, where a column says of which channel each row is.
func (j *judge) firstChannel() {
	for _, c := range j.table.Columns {
		if !c.OfRow {
			continue
		}
		first, of := math.Inf(1), slices.Clone(c.Value)
		for _, v := range of {
			if v < first { // NaN is not
				first = v
			}
		}
		j.table.Keep(func(row int) bool { return of[row] == first })
		j.notes = append(j.notes, fmt.Sprintf("column %q says of which channel a row is: those of channel %g are judged", c.Header, first))
		return
	}
}

// onePerPair joins two columns of current, or of power, one for each direction, to one with a sign.
func (j *judge) onePerPair() {
	for _, kind := range []logfile.Kind{logfile.Current, logfile.Power} {
		in, out := j.table.Pair(kind, 1)
		if in == nil {
			continue
		}
		for r := range in.Value {
			in.Value[r] = math.Abs(in.Value[r]) - math.Abs(out.Value[r])
		}
		in.Direction, out.Kind = 0, logfile.Other
		j.notes = append(j.notes, fmt.Sprintf("columns %q and %q show one direction each: they are judged as one %s", in.Header, out.Header, kind))
	}
}

// form is what is known of the log's form besides the lines.
func (j *judge) form(columns map[string]string) logfile.Options {
	o := Form(j.rec, columns)
	o.TornOK = j.torn
	return o
}

// Form is what a run says of the form of its log: its days, and how long it lasted.
func Form(rec *emulator.Record, columns map[string]string) logfile.Options {
	return logfile.Options{Columns: columns, Day: dayShown(rec), Lasted: lasted(rec)}
}

// lasted is the time from the first reading to the last [s].
func lasted(rec *emulator.Record) float64 {
	t := rec.Readings.T
	if len(t) == 0 {
		return 0
	}
	return float64(t[len(t)-1]-t[0]) * 1e-9
}

// torn says that a line may be torn: the last one before a power cut.
func (j *judge) torn(line int) bool {
	rows := j.rec.Rows
	return line+1 >= len(rows) || rows[line+1].Life != rows[line].Life
}

// dayShown says of a Unix day whether the clock's face showed it in a run, in any zone.
func dayShown(rec *emulator.Record) func(unixDay int) bool {
	seen := map[int64]bool{}
	hour := int64(math.MinInt64)
	for _, f := range rec.Readings.Clock {
		// The zones are whole hours apart: within one hour the days are the same.
		if f != link.NoClock && floorDiv(f, 3600) != hour {
			hour = floorDiv(f, 3600)
			for _, zone := range []int64{-14 * 3600, 0, 14 * 3600} {
				seen[floorDiv(f+zone, 86400)] = true
			}
		}
	}
	return func(unixDay int) bool { return seen[int64(unixDay)] }
}

func floorDiv(a, b int64) int64 {
	q := a / b
	if a%b < 0 {
		q--
	}
	return q
}

// unreadable is the verdict on a log that cannot be understood as a whole.
func (j *judge) unreadable(v *verdict.Verdict, err error) {
	pass := false
	v.Pass = &pass
	v.Checks = append(v.Checks, verdict.Check{Name: "rows", Pass: &pass, Detail: err.Error()})
	c := &cause.Case{Record: j.rec, Series: j.series}
	v.Findings = append(v.Findings, cause.Process(c)...)
	var form *logfile.Error
	if errors.As(err, &form) && form.Block != "" && len(v.Findings) == 0 {
		// Nothing is known to be wrong with a log whose columns nobody has named.
		v.Findings = append(v.Findings, verdict.Finding{Cause: "unexplained", Severity: verdict.Failure, Of: "firmware", Confidence: 0.5,
			Evidence: "the log is in a form that cannot be read, so that nothing of it was judged: " + form.Text, Mend: "Make the log readable: " + form.Hint})
	}
	if len(v.Findings) == 0 {
		name, impossible := "broken-row", 0
		for _, r := range j.rec.Rows {
			if cause.ImpossibleDate(r.Text) {
				impossible++
			}
		}
		switch {
		case 2*impossible > len(j.rec.Rows):
			name = "wrong-date"
		case len(j.rec.Rows) <= 1 && j.series.Len() > 0:
			name = "missing-rows" // no more than a header ever came
		}
		f := verdict.Finding{Cause: name, Severity: verdict.Failure, Of: "firmware", Confidence: 0.5,
			Evidence: "the log cannot be understood: " + err.Error(), Mend: cause.MendOf(name)}
		if len(j.rec.Rows) == 0 {
			f.Evidence = fmt.Sprintf("not one row came in %d readings", j.series.Len())
			f.Mend = "Write each row as `row TEXT` before its `ok`, a header first (on a plain stream the TEXT alone), and what is still in memory at the end."
		}
		v.Findings = append(v.Findings, f)
	}
}

// afterFailure takes back checks that the run was too short for: after a hang or a crash they are null.
func (j *judge) afterFailure() {
	if j.rec.Outcome.Failure == nil {
		return
	}
	for i := range j.checks {
		c := &j.checks[i]
		switch c.Name {
		case "interval", "rows", "restart", "card", "total":
			*c = verdict.Check{Name: c.Name, Skipped: "the logger stopped: " + string(j.rec.Outcome.Failure.Kind)}
		}
	}
	j.pattern = false
	j.restarts = nil
	j.cardBegin, j.cardDead = -1, false
}

// rename brings the checks into the order of JUDGING.md's table.
func (j *judge) rename() {
	order := []string{"charge", "energy", "values", "fresh", "elapsed", "interval", "rows", "clock", "cutoff", "charge-end", "restart", "card", "total"}
	slices.SortStableFunc(j.checks, func(a, b verdict.Check) int {
		return slices.Index(order, a.Name) - slices.Index(order, b.Name)
	})
}

// failed says whether a check failed.
func (j *judge) failed(name string) bool {
	for _, c := range j.checks {
		if c.Name == name {
			return c.Pass != nil && !*c.Pass
		}
	}
	return false
}

// found says what the log was found to use.
func (j *judge) found() verdict.Found {
	f := verdict.Found{Rule: j.meter.Rule.String(), Timebase: "tick", Columns: map[string]string{}, Rows: len(j.at), Sign: "not seen"}
	if j.meter.Source == replay.ReadingsRTC {
		f.Timebase = "clock"
	}
	for i := range j.table.Columns {
		if c := &j.table.Columns[i]; c.Kind != logfile.Other {
			f.Columns[c.Header] = c.Kind.String()
		}
	}
	for _, c := range j.columns {
		if c.Role == cause.Charge && len(c.Unrolled.Value) > 0 {
			f.Sign = "charge positive"
			if c.Unrolled.Sign < 0 {
				f.Sign = "discharge positive"
			}
			break
		}
	}
	if j.clockColumn != nil && j.zoneKnown {
		z := int(j.zone / 60)
		f.ZoneMin = &z
	}
	return f
}

// findings names the causes of what failed and adds advice, failures first, the surest first.
func (j *judge) findings(blame map[string]verdict.Blame) []verdict.Finding {
	c := &cause.Case{Record: j.rec, Series: j.series, Table: j.table, At: j.at, Line: j.table.Rows, Index: j.index, Marks: j.mark,
		Meter: j.meter, Totals: j.totals, Column: j.columns, Throughput: j.throughput, EnergyThroughput: j.energyThroughput,
		Log: j.log, Pulses: j.sc.Expect.Pulses, Zone: j.zone, Scenario: j.sc.Name, Cells: j.sc.Setup.Pack.Series}
	out := cause.Process(c)
	add := func(fs []verdict.Finding) { out = append(out, fs...) }
	var values []verdict.Finding
	if j.failed("fresh") || j.failed("values") {
		values = cause.Values(c, j.values, j.failed("fresh"), j.staleLag, j.staleRow)
	}
	rows := cause.Rows(c, &j.spacing, j.pattern && j.failed("interval"), j.failed("rows"))
	c.Shown = append(shownBy(values), shownBy(rows)...)
	var totals []verdict.Finding
	if j.failed("charge") || j.failed("energy") || j.failed("elapsed") {
		totals = cause.Totals(c)
		add(totals)
	}
	if j.tickBad && j.failed("elapsed") {
		row := j.firstTickBad()
		if j.tickColumn.Value[row] < 0 {
			add(cause.SignedPrint(c, row))
		} else {
			add(cause.ProductPrint(c, row, func(r int) (int64, bool) { return j.counts(j.tickColumn, j.tickColumn.Value[r]) }))
		}
	}
	if j.failed("restart") {
		add(cause.Restarts(c, j.restarts))
	}
	add(values)
	add(rows)
	if j.failed("clock") {
		add(cause.Clock(c, j.clockDeviation, j.clockRow, j.impossible, j.impossibleLine))
	}
	add(cause.Switching(c, j.cutoff))
	add(cause.Charging(c, j.chargeEnd))
	if j.cardBegin >= 0 {
		add(cause.Card(c, j.failed("card"), j.cardDead, j.cardBegin, j.cardEnd, totals))
	}
	if j.rec.Outcome.Failure == nil {
		add(cause.FirstInterval(c))
		add(cause.Skipped(c))
	}
	limits := cause.Shares{ChargeLimit: or(j.sc.Expect.Charge, limitCharge), EnergyLimit: or(j.sc.Expect.Energy, limitEnergy)}
	limits.Charge, limits.HasCharge = blame["charge_As"]
	limits.Energy, limits.HasEnergy = blame["energy_Ws"]
	add(cause.RigShare(c, &j.sc.Setup.Rig, limits))
	return cause.Order(out, j.voltsRight())
}

// voltsRight says that the log shows volts, and those of its readings.
func (j *judge) voltsRight() bool {
	seen := false
	for i := range j.values {
		if v := &j.values[i]; v.Column.Kind == logfile.Voltage && v.Column.Channel <= 1 {
			if !v.OK {
				return false
			}
			seen = true
		}
	}
	return seen
}

// shownBy lists the causes that columns of values, or when rows come, surely show: one of two, where two cannot be told apart.
func shownBy(fs []verdict.Finding) []string {
	var out []string
	for _, f := range fs {
		if f.Severity == verdict.Failure && f.Cause != "unexplained" && (f.Confidence >= 0.85 || f.Confidence >= 0.7 && len(f.Rivals) > 0) {
			out = append(append(out, f.Cause), f.Rivals...)
		}
	}
	return out
}

// firstTickBad is the first data row whose tick is wrong.
func (j *judge) firstTickBad() int {
	for r := range j.at {
		if !j.fits[r] || j.tickColumn.Value[r] < 0 {
			return r
		}
	}
	return 0
}

// times says how often.
func times(n int) string {
	if n == 1 {
		return "once"
	}
	return fmt.Sprintf("%d times", n)
}

// healthyHabits says which unusual but healthy habits were seen, so that a reader sees that they were not overlooked.
func (j *judge) healthyHabits() []string {
	var out []string
	if j.meter.Rule != replay.Trapezoid {
		out = append(out, "integrates by the "+j.meter.Rule.String()+", a healthy rule")
	}
	if j.meter.Source == replay.ReadingsRTC {
		out = append(out, "takes its time from the clock, not from the counter")
	}
	if !j.failed("charge") && !j.failed("energy") { // else it is what comes nearest to a mistake
		switch j.meter.Bad {
		case replay.Hold:
			out = append(out, "holds the last value over failed readings")
		case replay.HoldEach:
			out = append(out, "holds the last value of the half of a reading that failed")
		case replay.BridgeEach:
			out = append(out, "bridges failed readings, and counts charge where only the bus failed")
		}
	}
	for _, c := range j.columns {
		if len(c.Unrolled.Resets) > 0 {
			out = append(out, fmt.Sprintf("column %q starts anew with a step of the plan or a day (%s)", c.Header, times(len(c.Unrolled.Resets))))
		}
	}
	if len(j.table.Headers) > 1 {
		out = append(out, "repeats its header "+times(len(j.table.Headers)-1))
	}
	for _, n := range cannotNames(j.rec.Cannot) {
		out = append(out, "said that it cannot "+n+": not checked")
	}
	return append(out, j.table.Notes...)
}

func cannotNames(m map[string]bool) []string {
	var out []string
	for n, is := range m {
		if is {
			out = append(out, n)
		}
	}
	slices.Sort(out)
	return out
}

// truthOf is what really happened between the first and the last reading.
func truthOf(rec *emulator.Record) verdict.Truth {
	n := len(rec.Readings.T)
	if n == 0 {
		return verdict.Truth{}
	}
	r := &rec.Readings
	return verdict.Truth{Charge: r.Charge[n-1], Energy: r.Energy[n-1], Throughput: r.Throughput[n-1], Elapsed: float64(r.T[n-1]-r.T[0]) * 1e-9}
}

// notCovered is what a pass does not say, in every verdict.
func notCovered(sc *scenarios.Scenario) []string {
	return []string{
		"driver code: register layout, sign extension, range settings, bus errors",
		"the real shunt, front end, clock, card and relay: the rig here is simulated",
		"the real battery, which may be worse than the simulated one",
	}
}

func hashBytes(b []byte) string {
	h := sha256.Sum256(b)
	return hex.EncodeToString(h[:])
}

func hashJSON(v any) string {
	b, err := json.Marshal(v)
	if err != nil {
		b = fmt.Appendf(nil, "%+v", v)
	}
	return hashBytes(b)
}
