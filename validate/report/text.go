// Package report writes verdicts: as text for a terminal of 80 columns, as lines of JSON, for CI, and as a page.
//
// Renderers know verdicts only, so that what came from a run just now, from a journal or from another machine reads the
// same. Charges are shown in Ah and energies in Wh; in verdicts they are A·s and W·s. Text that came from a logger is
// made harmless before it is shown.
package report

import (
	"fmt"
	"io"
	"math"
	"slices"
	"strings"

	"stuntcell/validate/verdict"
)

// Width is the number of columns that text is laid out for.
const Width = 80

// Text writes verdicts for a person: [Text.Open], a line for each scenario as it is ready ([Text.Add]), and after the
// last one what failed, why, what it cost and how to mend it ([Text.Close]). The first error of the writer is kept and
// returned by Close.
type Text struct {
	w        io.Writer
	color    bool
	verdicts []*verdict.Verdict
	err      error
}

// NewText writes to w, with colours if color says so.
func NewText(w io.Writer, color bool) *Text { return &Text{w: w, color: color} }

// Run says what a report is about.
type Run struct {
	Tool     string // version
	Logger   string // as the verdicts name it
	Seed     uint64 // that replaced the scenarios' own; 0: none did
	Planned  int    // scenarios that were asked for
	Untested bool   // the built-in good logger stood in, because nobody named one
	// Interrupted says that fewer than Planned were run because somebody stopped it.
	Interrupted bool
	// Parts are the runs of which the report is made, if there is more than one: builds or seeds. Together they have its verdicts, in order.
	Parts []Part
}

// Part is one run of several in a report.
type Part struct {
	Name     string
	Verdicts []*verdict.Verdict
	Missing  int // scenarios of the suite without a verdict
}

// line is a part's row in a table: its name, how many hold, fail, were skipped and are missing, and what is most likely wrong.
func (p Part) line() (cells [6]string) {
	tally := Count(p.Verdicts)
	cells = [6]string{printable(p.Name), fmt.Sprint(tally.Held), fmt.Sprint(tally.Failed), fmt.Sprint(tally.Skipped), fmt.Sprint(p.Missing), ""}
	if likely := tally.MostLikely(); likely != nil {
		cells[5] = likely.Cause
	}
	return cells
}

// parts writes the runs of a report of several.
func (t *Text) parts(parts []Part) {
	if len(parts) < 2 {
		return
	}
	t.printf("\n%s\n", t.paint(bold, "Run by run"))
	row := func(cells [6]string) string {
		return strings.TrimRight(fmt.Sprintf("    %-32.32s%6s%6s%6s%9s  %s", cells[0], cells[1], cells[2], cells[3], cells[4], cells[5]), " ")
	}
	t.printf("%s\n", t.paint(faint, row([6]string{"run", "hold", "fail", "skip", "missing", "most likely"})))
	for _, p := range parts {
		t.printf("%s\n", row(p.line()))
	}
}

// Paints of the terminal (ECMA-48 SGR parameters).
const (
	plain  = ""
	bold   = "1"
	green  = "32"
	red    = "31"
	yellow = "33"
	faint  = "2"
)

func (t *Text) paint(how, s string) string {
	if !t.color || how == plain || s == "" {
		return s
	}
	return "\x1b[" + how + "m" + s + "\x1b[0m"
}

func (t *Text) printf(format string, args ...any) {
	if t.err == nil {
		_, t.err = fmt.Fprintf(t.w, format, args...)
	}
}

// paragraph writes text at an indentation, its first line after head.
func (t *Text) paragraph(indent int, head, text string) {
	t.block(indent, head, wrap(text, Width-indent))
}

// block writes lines at an indentation, the first after head.
func (t *Text) block(indent int, head string, lines []string) {
	for _, line := range lines {
		t.printf("%-*s%s\n", indent, head, line)
		head = ""
	}
}

// Columns of the list of scenarios.
const (
	nameWidth   = 32
	figureWidth = 10
)

// Open writes what is going to be run, and the head of the list.
func (t *Text) Open(r Run) {
	seed := ""
	if r.Seed != 0 {
		seed = fmt.Sprintf("   seed %d", r.Seed)
	}
	t.printf("stuntcell %s   %s   %s%s\n", r.Tool, printable(r.Logger), plural(r.Planned, "scenario", "scenarios"), seed)
	t.printf("%s\n\n", t.paint(faint, "A simulation. Real batteries may be worse, and firmware is no safety device."))
	t.printf("%s\n", t.paint(faint, fmt.Sprintf("      %-*s%*s%*s  %s", nameWidth, "scenario", figureWidth, "Ah off by", figureWidth, "Wh off by", "cause")))
}

// Add writes a scenario's line and keeps the verdict for Close.
func (t *Text) Add(v *verdict.Verdict) {
	t.verdicts = append(t.verdicts, v)
	mark, how := "ok", green
	switch {
	case v.Pass == nil:
		mark, how = "skip", faint
	case !*v.Pass:
		mark, how = "FAIL", red
	}
	line := fmt.Sprintf("%s%s", t.paint(how, fmt.Sprintf("%-6s", mark)), fmt.Sprintf("%-*s", nameWidth, v.Scenario))
	if v.Pass == nil {
		// Its end may be cut off here: Close says it whole.
		why := []rune(printable(v.Skipped))
		if room := Width - len("FAIL  ") - nameWidth - 2; len(why) > room {
			why = append(why[:room-3], '.', '.', '.')
		}
		t.printf("%s  %s\n", line, t.paint(faint, string(why)))
		return
	}
	for _, name := range []string{"charge", "energy"} {
		cell, how := "-", plain
		if c := checkOf(v, name); c != nil {
			if cell = measured(*c); len(cell) >= figureWidth {
				cell = "> 1e6 %"
				if *c.Value < 0 {
					cell = "< -1e6 %"
				}
			}
			if c.Pass != nil && !*c.Pass {
				how = red
			}
		}
		line += t.paint(how, fmt.Sprintf("%*s", figureWidth, cell))
	}
	t.printf("%s\n", strings.TrimRight(line+"  "+t.causes(v), " "))
}

// causes names the failures of a verdict, or what else failed, or the advice.
func (t *Text) causes(v *verdict.Verdict) string {
	fs := failures(v)
	switch {
	case len(fs) == 1:
		return t.paint(red, fs[0].Cause)
	case len(fs) > 1:
		return t.paint(red, fmt.Sprintf("%s +%d", fs[0].Cause, len(fs)-1))
	case !*v.Pass:
		var names []string
		for _, c := range failedChecks(v) {
			names = append(names, c.Name)
		}
		return t.paint(red, some(names, 1)+"?")
	case len(v.Findings) > 0:
		return t.paint(yellow, "("+v.Findings[0].Cause+")")
	}
	return ""
}

func checkOf(v *verdict.Verdict, name string) *verdict.Check {
	for i := range v.Checks {
		if v.Checks[i].Name == name {
			return &v.Checks[i]
		}
	}
	return nil
}

// Close writes the details and the last lines. It returns the first error of writing.
func (t *Text) Close(r Run) error {
	tally := Count(t.verdicts)
	t.failed(tally)
	t.advice(tally)
	t.list(wholeRig, overTolerances(t.verdicts))
	t.list("Not judged", notJudged(t.verdicts))
	t.list("Not covered by a pass", notCovered(t.verdicts))
	t.parts(r.Parts)
	t.last(r, tally)
	return t.err
}

// failed writes each failing scenario that tells something new whole, and names the others beside the cause they share.
func (t *Text) failed(tally Tally) {
	explained := map[string]bool{}
	shown := map[*verdict.Verdict]bool{}
	show := func(v *verdict.Verdict) {
		shown[v] = true
		t.whole(v, explained)
		for _, f := range failures(v) {
			explained[f.Cause] = true
		}
	}
	for _, c := range tally.Causes {
		if c.Severity != verdict.Failure {
			continue
		}
		if !explained[c.Cause] {
			show(c.In)
		}
	}
	for _, v := range t.verdicts {
		if v.Pass != nil && !*v.Pass && len(failures(v)) == 0 {
			show(v)
		}
	}
	first := true
	for _, c := range tally.Causes {
		if c.Severity != verdict.Failure {
			continue
		}
		var more []string
		for _, v := range t.verdicts {
			if fs := failures(v); len(fs) > 0 && fs[0].Cause == c.Cause && !shown[v] {
				more = append(more, v.Scenario)
			}
		}
		if len(more) == 0 {
			continue
		}
		if first {
			t.printf("\n%s\n", t.paint(bold, "The same again (prove one scenario alone to see it whole)"))
			first = false
		}
		t.paragraph(4, "", fmt.Sprintf("%s in %s: %s", c.Cause, plural(len(more), "more", "more"), strings.Join(more, ", ")))
	}
}

// whole writes all of one failing scenario. Causes that have been explained before are only named.
func (t *Text) whole(v *verdict.Verdict, explained map[string]bool) {
	t.printf("\n%s %s\n", t.paint(red, "FAIL"), t.paint(bold, v.Scenario))
	if v.Summary != "" {
		t.paragraph(5, "", v.Summary)
	}
	t.checks(failedChecks(v))
	t.blame(v)
	if v.Found.Rule != "" {
		t.printf("     %s\n", t.paint(faint, fmt.Sprintf("read as: %s over the %s, %s, %s", v.Found.Rule, v.Found.Timebase, v.Found.Sign,
			plural(v.Found.Rows, "row", "rows"))))
	}
	for _, f := range v.Findings {
		switch {
		case f.Severity == verdict.Advice:
			continue // has a section of its own
		case explained[f.Cause]:
			t.printf("\n     %s again, %s\n", f.Cause, sure(f.Confidence))
		default:
			t.finding(f)
		}
	}
	if len(failures(v)) == 0 {
		t.printf("\n")
		t.paragraph(5, "", "No known cause explains this. The figures above are measured all the same: look at the row that is named, "+
			"and at what the logger did there.")
	}
	for _, n := range v.Notes {
		t.paragraph(18, "       note", printable(n))
	}
}

func (t *Text) checks(cs []verdict.Check) {
	if len(cs) == 0 {
		return
	}
	t.printf("\n     %s\n", t.paint(faint, fmt.Sprintf("%-10s%14s   %-22s%12s%10s", "check", "measured", "allowed", "whole rig", "at row")))
	for _, c := range cs {
		row := ""
		if c.Row != nil {
			row = fmt.Sprint(*c.Row)
		}
		// Pad before painting: the codes have no width on a terminal.
		t.printf("%s\n", strings.TrimRight(fmt.Sprintf("     %-10s%s   %-22s%12s%10s", c.Name, t.paint(red, fmt.Sprintf("%14s", measured(c))), allowed(c), overall(c), row), " "))
		if c.Detail != "" {
			for line := range strings.Lines(c.Detail) {
				t.paragraph(15, "", printable(strings.TrimSuffix(line, "\n")))
			}
		}
	}
}

// blameLine is who owes how much of logged minus truth, for Ah or Wh.
type blameLine struct {
	Unit string
	verdict.Blame
}

func blameLines(v *verdict.Verdict) []blameLine {
	var lines []blameLine
	for _, q := range []struct{ key, unit string }{{"charge_As", "Ah"}, {"energy_Ws", "Wh"}} {
		if b, ok := v.Blame[q.key]; ok {
			lines = append(lines, blameLine{q.unit, b})
		}
	}
	return lines
}

// moved says over how much and how long the blame came about.
func moved(v *verdict.Verdict) string {
	return fmt.Sprintf("%.4g Ah moved in %s", v.Truth.Throughput/3600, span(v.Truth.Elapsed))
}

func (t *Text) blame(v *verdict.Verdict) {
	lines := blameLines(v)
	if len(lines) == 0 {
		return
	}
	t.printf("\n     %s\n", t.paint(faint, fmt.Sprintf("%-17s%11s%11s%11s%11s%11s", "logged - truth", "sampling", "front end", "clock", "firmware", "sum")))
	for _, l := range lines {
		t.printf("     %-17s%11s%11s%11s%s%11s\n", l.Unit, hours(l.Sampling), hours(l.FrontEnd), hours(l.Clock),
			t.paint(bold, fmt.Sprintf("%11s", hours(l.Firmware))), hours(l.Sampling+l.FrontEnd+l.Clock+l.Firmware))
	}
	t.printf("     %s\n", t.paint(faint, moved(v)))
}

// hours writes A·s as Ah or W·s as Wh, signed.
func hours(x float64) string {
	s := fmt.Sprintf("%+.4f", x/3600)
	switch {
	case strings.Trim(s, "+-0.") == "":
		return "0"
	case len(s) <= 10: // beside another column of 11
		return s
	case math.Abs(x/3600) < 1e6:
		return fmt.Sprintf("%+.2f", x/3600)
	}
	return fmt.Sprintf("%+.3e", x/3600)
}

func (t *Text) finding(f verdict.Finding) {
	where := ""
	if f.AtS > 0 {
		where = "; at " + span(f.AtS)
	}
	if f.Row > 0 {
		where += fmt.Sprintf("; row %d", f.Row)
	}
	t.printf("\n     %s, %s, %s%s\n", t.paint(red, f.Cause), ownership(f.Of), sure(f.Confidence), where)
	for _, p := range []struct {
		head, text string
		breaks     func(string, int) []string
	}{{"seen", f.Evidence, wrap}, {"it wrote", f.Wrote, chop}, {"should be", f.ShouldBe, chop}, {"cost", f.Cost, wrap}, {"mend", f.Mend, wrap}} {
		if p.text != "" {
			t.block(18, "       "+p.head, p.breaks(printable(p.text), Width-18))
		}
	}
}

// ownership says whose a finding is.
func ownership(of string) string {
	switch of {
	case "front_end":
		return "in the front end"
	case "firmware", "clock", "rig":
		return "in the " + of
	case "":
		return "in the logger"
	}
	return "in " + of
}

// fewScenarios is up to how many scenarios advice is written whole.
const fewScenarios = 3

// parted parts the advice of a tally into what is written whole and the rig's share, which over a suite is only named: scenarios
// have rigs off nominal on purpose.
func parted(tally Tally, scenarios int) (whole []CauseTally, share []string) {
	for _, c := range tally.Causes {
		switch {
		case c.Severity != verdict.Advice:
		case c.Of == "firmware" || scenarios <= fewScenarios:
			whole = append(whole, c)
		default:
			share = append(share, fmt.Sprintf("%s (%s)", c.Cause, where(c.Scenarios)))
		}
	}
	return whole, share
}

// advice writes what nothing fails for.
func (t *Text) advice(tally Tally) {
	whole, share := parted(tally, len(t.verdicts))
	if len(whole) > 0 {
		t.printf("\n%s\n", t.paint(bold, "Advice (nothing fails for it; `stuntcell show CAUSE` has more)"))
	}
	for _, c := range whole {
		text := c.Best.Evidence + " (" + where(c.Scenarios) + ")"
		if len(t.verdicts) <= fewScenarios {
			text = c.Best.Evidence + ". " + c.Best.Mend
		}
		for i, line := range wrap(printable(text), Width-24) {
			name := ""
			if i == 0 {
				name = c.Cause
			}
			t.printf("    %s%s\n", t.paint(yellow, fmt.Sprintf("%-20s", name)), line)
		}
	}
	if len(share) > 0 {
		t.printf("\n%s\n", t.paint(bold, "The rig's share ("+rigsShare+")"))
		t.paragraph(4, "", strings.Join(share, ", "))
	}
}

// rigsShare says what the rig's share is.
const rigsShare = "what these simulated rigs do; held against no logger"

// where names a few scenarios and counts many.
func where(scenarios []string) string {
	if n := len(scenarios); n > 2 {
		return fmt.Sprintf("in %d", n)
	}
	return strings.Join(scenarios, ", ")
}

// list writes items under a heading, if there are any.
func (t *Text) list(heading string, items []string) {
	if len(items) == 0 {
		return
	}
	t.printf("\n%s\n", t.paint(bold, heading))
	for _, item := range items {
		t.paragraph(6, "    -", item)
	}
}

// notJudged says which checks and scenarios were passed over, why, and where.
func notJudged(verdicts []*verdict.Verdict) []string {
	type group struct {
		what      string
		scenarios []string
	}
	var groups []group
	add := func(what, scenario string) {
		i := slices.IndexFunc(groups, func(g group) bool { return g.what == what })
		if i < 0 {
			groups = append(groups, group{what: what})
			i = len(groups) - 1
		}
		groups[i].scenarios = append(groups[i].scenarios, scenario)
	}
	judged := 0
	for _, v := range verdicts {
		if v.Pass == nil {
			add("the whole scenario: "+v.Skipped, v.Scenario)
			continue
		}
		judged++
		for _, c := range v.Checks {
			// Who does not ask for a check of the whole rig does not miss it.
			if c.Skipped != "" && c.Name != "total" {
				add(c.Name+": "+c.Skipped, v.Scenario)
			}
		}
	}
	items := make([]string, len(groups))
	for i, g := range groups {
		where := some(g.scenarios, 2)
		switch n := len(g.scenarios); {
		case n == judged && n > 1:
			where = "in every scenario"
		case n > fewScenarios:
			where = fmt.Sprintf("in %d scenarios", n)
		}
		items[i] = fmt.Sprintf("%s (%s)", printable(g.what), where)
	}
	return items
}

// notCovered says what no pass of these verdicts covers, each once.
func notCovered(verdicts []*verdict.Verdict) []string {
	var all []string
	for _, v := range verdicts {
		for _, n := range v.NotCovered {
			if !slices.Contains(all, n) {
				all = append(all, n)
			}
		}
	}
	return all
}

// last writes the likeliest cause and the result.
func (t *Text) last(r Run, tally Tally) {
	t.printf("\n")
	if c := tally.MostLikely(); c != nil {
		t.printf("Most likely: %s, in %s.\n", t.paint(red, c.Cause), plural(len(c.Scenarios), "scenario", "scenarios"))
		var others []string
		for _, o := range tally.Causes[1:] {
			if o.Severity == verdict.Failure {
				others = append(others, fmt.Sprintf("%s (%d)", o.Cause, len(o.Scenarios)))
			}
		}
		lead := "then "
		if c.Cause == unexplained {
			lead = "a mistake without a name here; in a few scenarios these come near: "
		}
		if len(others) > 0 {
			t.paragraph(6, "", lead+some(others, 5))
		}
		if c.Cause != unexplained {
			t.printf("      stuntcell show %s   explains it and how to mend it\n", c.Cause)
		}
	}
	judged := tally.Held + tally.Failed
	if len(t.verdicts) < r.Planned {
		word := "Incomplete"
		if r.Interrupted {
			word = "Interrupted"
		}
		t.printf("%s\n", t.paint(yellow, fmt.Sprintf("%s: %d of %s.", word, len(t.verdicts), plural(r.Planned, "scenario", "scenarios"))))
	}
	skipped := ""
	if tally.Skipped > 0 {
		skipped = fmt.Sprintf(" (%d skipped)", tally.Skipped)
	}
	switch {
	case tally.Failed > 0:
		t.printf("%s\n", t.paint(red, fmt.Sprintf("FAIL: %d of %s%s.", tally.Failed, plural(judged, "scenario", "scenarios"), skipped)))
	case judged > 0:
		t.printf("%s\n", t.paint(green, fmt.Sprintf("PASS: every check holds in %s%s.", plural(judged, "scenario", "scenarios"), skipped)))
	default:
		t.printf("%s\n", t.paint(yellow, "Nothing was judged"+skipped+"."))
	}
	if r.Untested {
		t.printf("%s\n", t.paint(yellow, "Your logger was not tested, a built-in one was. Yours: prove --run ./logger"))
	}
}
