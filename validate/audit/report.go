package audit

import (
	"fmt"
	"math"
	"slices"
	"sort"
	"strings"

	"stuntcell/validate/logfile"
	"stuntcell/validate/verdict"
)

// Schema names the form of a Report in JSON.
const Schema = "stuntcell.audit/1"

// Report is what an audit found. Charges are A·s, energies W·s, positive into the battery where a sign counts.
type Report struct {
	Schema string `json:"schema"`
	Log    string `json:"log,omitempty"`
	SHA256 string `json:"sha256,omitempty"`
	Rows   int    `json:"rows"`
	Broken int    `json:"broken_rows"`

	Timebase string  `json:"timebase"` // tick, elapsed or clock
	Duration float64 `json:"duration_s"`
	Interval float64 `json:"interval_s"` // usual time between rows
	// Began is the clock of the first row, as if its wall time were UTC [Unix s]; nil without a date.
	Began *float64 `json:"began_unix,omitempty"`

	// Sign is +1 if the log prints charge positive, -1 if discharge; Signed is false if it prints one sign only.
	Sign   int8 `json:"sign"`
	Signed bool `json:"signed"`

	In          float64 `json:"charge_in_As"`
	Out         float64 `json:"charge_out_As"`
	EnergyIn    float64 `json:"energy_in_Ws"`
	EnergyOut   float64 `json:"energy_out_Ws"`
	Bound       float64 `json:"charge_bound_As"`
	EnergyBound float64 `json:"energy_bound_Ws"`
	// Sampling and EnergySampling are standard uncertainties of the integration itself.
	Sampling       float64 `json:"charge_sampling_As"`
	EnergySampling float64 `json:"energy_sampling_Ws"`

	Totals []Compared `json:"totals"`
	Phases []Phase    `json:"phases"`
	Clock  *Clock     `json:"clock,omitempty"`

	// Coulombic and EnergyRatio are out over in where the log has both; NaN otherwise.
	Coulombic   *float64 `json:"coulombic_efficiency,omitempty"`
	EnergyRatio *float64 `json:"energy_efficiency,omitempty"`

	Findings []verdict.Finding `json:"findings"`
	Notes    []string          `json:"notes"`

	Level float64 `json:"cutoff_V,omitempty"`
	Below *Below  `json:"below,omitempty"`

	currentStep, voltageStep float64
	problems                 []logfile.Problem
	tests                    []int // lines where another test begins
}

// Compared is a column of totals beside the integral.
type Compared struct {
	Name       string  `json:"name"`
	Meaning    string  `json:"meaning"`
	Logged     float64 `json:"logged"`     // change over the log, since the last reset [A·s] or [W·s]
	Integrated float64 `json:"integrated"` // the same
	Difference float64 `json:"difference"`
	Worst      float64 `json:"worst"`
	WorstLine  int     `json:"worst_line"`
	Tolerance  float64 `json:"tolerance"`
	Step       float64 `json:"printed_step"`
	Resets     int     `json:"resets"`
	Holds      bool    `json:"holds"`
}

// Clock compares the log's clock with its other time.
type Clock struct {
	// PPM is the clock's rate less the other's, Bound what one printed unit of the clock leaves open.
	PPM    float64 `json:"ppm"`
	Bound  float64 `json:"bound_ppm"`
	Sets   int     `json:"sets"`
	SetBy  float64 `json:"last_set_by_s,omitempty"`
	SetRow int     `json:"last_set_line,omitempty"`
}

// Below says what passed below the cutoff level.
type Below struct {
	Line   int     `json:"first_line"`
	Time   float64 `json:"time_s"`
	Charge float64 `json:"charge_As"`
	Lowest float64 `json:"lowest_V"`
}

// Relative tolerances of totals (JUDGING).
const (
	chargeLimit = 0.002
	energyLimit = 0.003
)

// Finish ends the audit. It may be called once.
func (a *Auditor) Finish() *Report {
	if !a.primed {
		a.prime()
	}
	a.rest.close()
	a.look()
	way := a.orientation()
	r := &Report{Schema: Schema, Rows: a.rows, Broken: a.broken, Timebase: a.time.kind, Duration: a.time.t, Interval: a.time.typical, Sign: way,
		Signed: a.signs[0] && a.signs[1], Bound: a.qBound, EnergyBound: a.eBound, Sampling: math.Sqrt(a.qVar), EnergySampling: math.Sqrt(a.eVar),
		currentStep: a.is, voltageStep: a.vs, problems: a.problem, tests: a.seen.testLines, Findings: []verdict.Finding{}, Notes: append([]string{}, a.columnNotes...)}
	if !math.IsNaN(a.began) {
		r.Began = &a.began
	}
	r.Phases = a.settlePhases()
	r.In, r.Out, r.EnergyIn, r.EnergyOut = a.q.pos, a.q.neg, a.e.pos, a.e.neg
	if way < 0 {
		r.In, r.Out, r.EnergyIn, r.EnergyOut = r.Out, r.In, r.EnergyOut, r.EnergyIn
	}
	if !r.Signed {
		// One printed sign for both directions: the phases know better.
		r.In, r.Out, r.EnergyIn, r.EnergyOut = 0, 0, 0, 0
		for _, p := range r.Phases {
			switch p.Kind {
			case Charge:
				r.In += p.Charge
				r.EnergyIn += p.Energy
			case Discharge:
				r.Out += p.Charge
				r.EnergyOut += p.Energy
			}
		}
	}
	var longIn, longOut bool
	for _, p := range r.Phases {
		longIn = longIn || p.Kind == Charge && p.Charge > 0.1*(r.In+r.Out)
		longOut = longOut || p.Kind == Discharge && p.Charge > 0.1*(r.In+r.Out)
	}
	if longIn && longOut && r.In > 0 && r.EnergyIn > 0 {
		r.efficiency()
	}
	if a.o.Cutoff > 0 {
		r.Level = a.o.Cutoff
		for _, p := range r.Phases {
			if p.Kind == Discharge {
				a.below.add(p.below)
			}
		}
		if a.below.rows > 0 {
			r.Below = &Below{Line: a.below.line, Time: a.below.time, Charge: a.below.charge, Lowest: a.below.lowest}
		}
	}
	if a.faceFindings(r) {
		a.notes(r)
		return r
	}
	a.rowFindings(r)
	if a.upsideDown() {
		return r
	}
	a.timeFindings(r)
	a.readingFindings(r)
	if !flows(r.Phases) {
		r.Notes = append(r.Notes, "No current flows in this log: there is nothing to integrate, and the totals were not judged.")
	} else if a.noise() {
		r.Notes = append(r.Notes, "The current only flickers about zero: there is nothing to integrate, and the totals were not judged.")
	} else {
		a.totalFindings(r)
	}
	a.standFindings(r)
	a.voltsFindings(r)
	a.endFindings(r)
	a.notes(r)
	sort.SliceStable(r.Findings, func(i, j int) bool {
		x, y := r.Findings[i], r.Findings[j]
		if (x.Severity == "failure") != (y.Severity == "failure") {
			return x.Severity == "failure"
		}
		return x.Confidence > y.Confidence
	})
	return r
}

// times says how often.
func times(n int) string {
	if n == 1 {
		return "once"
	}
	return fmt.Sprintf("%d times", n)
}

// were says of how many things something is told that was done to them.
func were(n int, thing string) string {
	if n == 1 {
		return many(n, thing) + " was"
	}
	return many(n, thing) + " were"
}

// signed is a time with its sign.
func signed(s float64) string {
	if s < 0 {
		return "-" + Span(-s)
	}
	return "+" + Span(s)
}

// many counts things.
func many(n int, thing string) string {
	if n == 1 {
		return "1 " + thing
	}
	return fmt.Sprintf("%d %ss", n, thing)
}

// efficiency takes out over in from one full charge to the last, where the log has two, else of the whole log.
func (r *Report) efficiency() {
	var full []int
	for i, p := range r.Phases {
		if p.Kind == Charge && p.Intended {
			full = append(full, i)
		}
	}
	in, out, energyIn, energyOut := r.In, r.Out, r.EnergyIn, r.EnergyOut
	note := "Efficiencies are out over in of the whole log: they hold only if the pack was in the same state at both ends, which the log does not tell."
	if n := len(full); n > 1 {
		in, out, energyIn, energyOut = 0, 0, 0, 0
		for _, p := range r.Phases[full[0]+1 : full[n-1]+1] {
			switch p.Kind {
			case Charge:
				in, energyIn = in+p.Charge, energyIn+p.Energy
			case Discharge:
				out, energyOut = out+p.Charge, energyOut+p.Energy
			}
		}
		note = fmt.Sprintf("Efficiencies are out over in from one full charge to the last (lines %d to %d).", r.Phases[full[0]].Last, r.Phases[full[n-1]].Last)
	}
	if out > 1.005*in { // what a rig may be off by between two directions
		r.Notes = append(r.Notes, "More came out than went in, so that the pack was not in the same state at both ends: the log gives no efficiency.")
		return
	}
	c, e := out/in, energyOut/energyIn
	r.Coulombic, r.EnergyRatio = &c, &e
	r.Notes = append(r.Notes, note)
}

func (r *Report) find(cause, severity, of string, confidence float64, row int, mend, format string, args ...any) {
	r.Findings = append(r.Findings, finding(cause, severity, of, confidence, row, fmt.Sprintf(format, args...), mend))
}

// flows says that one of the phases is no rest.
func flows(phases []Phase) bool {
	for _, p := range phases {
		if p.Kind != Rest {
			return true
		}
	}
	return false
}

// noise says that the log shows no current but noise: its sign changes all the time, no stretch of one sign has a share in what flowed, and the
// voltage does not answer.
func (a *Auditor) noise() bool {
	return a.flips > 10 && a.flips > a.rows/20 && a.longest < 0.05*a.q.through() && math.Abs(a.moves.vi) <= 0.3*math.Sqrt(a.moves.vv*a.moves.ii)
}

func (a *Auditor) rowFindings(r *Report) {
	s := &a.seen
	if a.broken > 0 {
		torn, line := 0, a.problem[0].Line+1
		for _, p := range a.problem {
			if p.Kind == logfile.Torn {
				torn++
			}
		}
		if a.broken > torn {
			r.find("broken-row", "failure", "firmware", 0.95, line, "Write each row in one call and check that it was written whole.", "%s, the first on line %d: %s", many(a.broken, "malformed row"), line, a.problem[0].String())
		} else {
			r.find("broken-row", "advice", "firmware", 0.6, line, "Nothing to mend if the power was cut there.", "line %d is torn, as after a power cut", line)
		}
	}
	if a.wrongDates > 0 {
		r.find("wrong-date", "failure", "firmware", 0.95, a.wrongDate.Line+1, "Let a tested library make the date from seconds, or write seconds.", "%s with a date that no calendar has, the first on line %d: %.60q", many(a.wrongDates, "row"), a.wrongDate.Line+1, a.wrongDate.Text)
	}
	switch {
	case a.whole:
		r.find("clumsy-number", "advice", "firmware", 0.8, 0, "Write the seconds, or a time in one number.", "the times show no seconds but 00, several rows in each minute: which of them came when is not printed")
	case s.duplicates > 0 && s.within > s.duplicates/4:
		r.Notes = append(r.Notes, "Several rows come in one printed unit of the time: rows that are alike may be repeated or not.")
	case s.duplicates > 0:
		r.find("duplicate-rows", "failure", "firmware", 0.95, s.duplicateLine, "Empty the buffer after it was written, and only then.", "%s written already, the first on line %d", were(s.duplicates, "row"), s.duplicateLine)
	}
	if a.upsideDown() {
		r.Phases = nil
		r.find("disordered-rows", "failure", "firmware", 0.9, 0, "Turn the file round, so that the oldest row comes first, and audit it again.", "time goes back from row to row, as where the newest row comes first; nothing else of this log can be judged")
		return
	}
	if s.disorder > 0 {
		r.find("disordered-rows", "failure", "firmware", 0.9, s.disorderLine, "Write buffered rows in the order in which they were taken.", "%d rows lie before the row above them in time, the first on line %d; they were left out of the sums", s.disorder, s.disorderLine)
	}
	// Uneven by habit (rows on change, stages with intervals of their own) is not missing.
	if s.gaps > 0 {
		share := float64(s.gaps) / math.Max(1, float64(a.stats.all))
		if n := s.everyNth(); n > 0 && float64(a.stats.all-s.gaps) > 0.95*float64(a.stats.n) {
			severity := a.overGaps()
			if share > 0.02 { // fewer rows than are due
				severity = "failure"
			}
			r.find("missing-rows", severity, "firmware", 0.85, s.worst.Line, "Look at what happens at each such row: a buffer that drops its last, a file that is closed and opened, a row that makes room for another line.",
				"one row in %d is missing, all through the log: %s of two intervals, as many rows apart. The current was taken to run straight across", n, many(s.gaps, "gap"))
		} else if share < 0.03 {
			if a.mayBeSet() {
				r.Notes = append(r.Notes, "A clock that was set back may have been set forward again: then no row is missing. Totals, or the counter beside the clock, would tell.")
			}
			r.find("missing-rows", a.overGaps(), "firmware", 0.85, s.worst.Line, "See what the logger did then: a slow card, a full buffer, a blocked loop, a reset.",
				"%s, about %s missing; the longest, %s, ends on line %d. The current was taken to run straight across", many(s.gaps, "gap"), many(s.missingRows, "row"), Span(s.worst.Length), s.worst.Line)
		} else {
			r.Notes = append(r.Notes, fmt.Sprintf("Rows come unevenly (%.0f %% of the intervals are long beside their neighbours): missing rows cannot be told from late ones.", 100*share))
		}
	}
	if s.absurd > 0 {
		r.find("garbled-output", "failure", "firmware", 0.9, s.absurdLine, "Look for sums that were divided by zero, and for bytes lost on the way.", "%d values are of a size that cannot be, the first on line %d; they were left out", s.absurd, s.absurdLine)
	}
	for i := range a.tallies {
		y := &a.tallies[i]
		if n := y.lack.rows; n > 0 && 20*n <= y.rows {
			r.find("broken-row", "failure", "firmware", 0.85, y.lack.line, "Write each row in one call and check that it was written whole.",
				"%s no number for the total of %s, which the rows around have; the first on line %d", have(n), y.name, y.lack.line)
			break
		}
	}
	if s.missing > 0 {
		r.find("failed-reading", "advice", "front_end", 0.8, 0, "Look at the wiring of the sensor; a failed reading should be written as such, as here.", "%d rows have no current; it was bridged by a straight line", s.missing)
	}
	if s.events > 0 {
		r.Notes = append(r.Notes, fmt.Sprintf("%s a time and no value, as those of events have; if they are of failed readings, look at the wiring of the sensor.", have(s.events)))
	}
	if s.noVolts > 0 {
		severity := "advice"
		if 10*s.noVolts > a.rows { // then the energy is no longer measured
			severity = "failure"
		}
		r.find("failed-reading", severity, "front_end", 0.8, s.noVoltsLine, "Look at the sense wire and at how a failed reading is written.", "%s no voltage, the first on line %d; the one before was taken in its place", have(s.noVolts), s.noVoltsLine)
	}
	if n := a.dead.flowing; n > 0 {
		r.find("failed-reading", "failure", "firmware", 0.8, a.dead.line, "See whether the sensor answers, and write a failed reading as such; add nothing for it but what the readings around it say.",
			"%s 0 V beside a current, in the middle of a load that goes on as before, first on line %d: readings that failed, written and perhaps counted as numbers", have(n), a.dead.line)
	} else if n := a.dead.rows; n > 0 {
		r.find("failed-reading", "advice", "front_end", 0.7, a.dead.line, "See whether the sensor answers, and write a failed reading as such; the sums lack what flowed meanwhile.",
			"%s 0 V and 0 A in the middle of a load that goes on as before, first on line %d: the sensor did not answer, or the pack was taken off", have(n), a.dead.line)
	}
	if s.tests > 0 {
		r.Notes = append(r.Notes, fmt.Sprintf("Another test begins in this log, %s, first on line %d: by its voltage, or by header and totals, it does not go on where the rows before it end. Nothing was integrated in between.", times(s.tests), s.testLine))
	}
	if s.restarts > 0 && a.stepTime {
		r.Notes = append(r.Notes, fmt.Sprintf("The only time is that in each step and begins anew %s: what passed from one step to the next is not in the sums.", times(s.restarts)))
	} else if s.restarts > 0 {
		r.find("restart", "advice", "rig", 0.85, s.restartLine, "Find out why: supply, watchdog, a loose wire. What passed meanwhile is not in the sums.", "the time starts again, %s, first on line %d", times(s.restarts), s.restartLine)
	}
	if s.pauses > 0 {
		r.find("restart", "advice", "rig", 0.7, s.pauseLine, "Find out whether the power failed or something blocked. What passed meanwhile is in no sum.",
			"nothing is written or counted for up to %s, %s, first before line %d", Span(s.paused), times(s.pauses), s.pauseLine)
	}
	if a.twelves > 0 && a.time.kind == "clock" {
		r.find("local-time", "failure", "firmware", 0.85, a.twelveLine, "Print hours from 0 to 23, or a.m. and p.m. beside them.",
			"the time goes back by half a day between twelve and one, first on line %d: a clock of twelve hours without its half of the day", a.twelveLine)
	} else if s.leaps > 0 {
		r.clockMoved(s.leapLine, s.leapBy, s.leapAtMidnight, s.leapAtNight, s.leaps, "; only it tells the time here, so the usual interval was taken in its place")
	}
}

// upsideDown says that the newest row comes first.
func (a *Auditor) upsideDown() bool {
	n := a.seen.disorder + a.seen.leaps + a.seen.restarts
	return n > 3 && 10*n > 8*a.rows
}

// overGaps is how much gaps weigh: nothing is lost where the totals went on over them, and where they fell or doubled there, that is told.
func (a *Auditor) overGaps() string {
	told := false
	for i := range a.tallies[:3] {
		y := &a.tallies[i]
		if len(y.jumps) == 0 && len(y.resets) == 0 && a.holds(i) {
			return "advice"
		}
		told = told || slices.ContainsFunc(y.resets, func(c change) bool { return a.seen.behindGap(c.Line) && !c.AtPhase }) || slices.ContainsFunc(y.jumps, func(c change) bool { return a.seen.behindGap(c.Line) && c.doubled() })
	}
	if told || a.mayBeSet() {
		return "advice"
	}
	return "failure"
}

// mayBeSet says that a gap may be a clock that was set forward: it was set back before, and neither another time nor a total tells.
func (a *Auditor) mayBeSet() bool {
	return a.time.kind == "clock" && a.seen.leaps > 0 && !slices.ContainsFunc(a.tallies[:], func(y tally) bool { return y.have })
}

// holds says that a total agrees with the integral of the rows.
func (a *Auditor) holds(i int) bool {
	y := &a.tallies[i]
	return y.have && y.rows > 0 && y.guesses[y.best()].worst <= a.tolerance(y, i)
}

// tolerance is how far a total may be from the integral of the rows.
func (a *Auditor) tolerance(y *tally, i int) float64 {
	// Within a printed unit of the time a total goes on, and its integral stands.
	beside := a.coarse * a.imax
	if i >= 3 {
		return energyLimit*a.e.through() + beside*math.Abs(notNaN(a.prev.v)) + math.Min(a.eBound, 5*math.Sqrt(a.eVar)+a.ePulse) + a.ePrint + 2*y.step
	}
	return chargeLimit*a.q.through() + beside + math.Min(a.qBound, 5*math.Sqrt(a.qVar)+a.qPulse) + a.qPrint + 2*y.step
}

func (a *Auditor) timeFindings(r *Report) {
	if a.time.ended > 0 {
		severity := "failure"
		if strings.HasPrefix(a.time.ends, "hours") { // as a clock shows them
			severity = "advice"
		}
		r.find("tick-wrap", severity, "firmware", 0.8, 0, "Keep the time in a wider number, and days or more hours beside it.", "the time since the start comes to its end, %s, and begins anew (%s); it was taken to go on here", a.time.ends, times(a.time.ended))
	}
	if a.time.wraps > 0 {
		r.Notes = append(r.Notes, fmt.Sprintf("The counter of %d bits wrapped %s; it was unwrapped here.", a.time.bits, times(a.time.wraps)))
	}
	if s := a.stats; s.n >= 50 && float64(s.n) > 0.9*float64(s.all) {
		mean := s.sum / float64(s.n)
		nominal := roundInterval(mean)
		if off := mean/nominal - 1; nominal > 0 && math.Abs(off) > 0.0005 && math.Abs(off) < 0.05 && mean-nominal > 0 {
			r.find("schedule-creep", "advice", "firmware", 0.6, 0, "Add the interval to the time when the last row was due, not to now.",
				"rows come every %.6g s on average, %.2g %% later each time than %.4g s: the interval is counted from the end of the work", mean, 100*off, nominal)
		}
	}
	rate, bound, ok := a.clocks.rate()
	if !ok {
		return
	}
	r.Clock = &Clock{PPM: rate * 1e6, Bound: bound * 1e6, Sets: a.clocks.sets}
	if a.clocks.sets > 0 {
		r.Clock.SetBy, r.Clock.SetRow = a.clocks.setBy, a.clocks.setLine
		r.clockMoved(a.clocks.setLine, a.clocks.setBy, a.clocks.atMidnight, a.clocks.atNight, a.clocks.sets, " against the "+map[string]string{"elapsed": "elapsed time", "tick": "counter"}[a.time.kind])
	}
	if math.Abs(rate) > 200e-6 && math.Abs(rate) > 1.5*bound {
		r.find("tick-rate", "advice", "clock", 0.7, 0, "Compare both with network time over a day; a ceramic resonator may be off by half a per cent (common practice), a crystal should not.",
			"clock and %s differ by %.0f ppm (±%.0f): one of the two at least is off by half of that or more, the log cannot tell which. Charge is off by as much as the one that the sums use", a.time.kind, rate*1e6, bound*1e6)
	}
}

// have counts the rows that have something.
func have(n int) string {
	if n == 1 {
		return "1 row has"
	}
	return fmt.Sprintf("%d rows have", n)
}

// clockMoved says that the clock was set while the log ran.
func (r *Report) clockMoved(line int, by float64, atMidnight, atNight bool, n int, against string) {
	cause, what := "rtc-step", "it was set, or jumped"
	switch days := math.Round(by / 86400); {
	case atMidnight && days != 0 && math.Abs(by-86400*days) < 5:
		r.find("wrong-date", "failure", "firmware", 0.85, line, "Let a tested library make the date from seconds, or write seconds.",
			"the date moves by %+.0f days on line %d%s, the first row of a day: that is no calendar's next day", days, line, against)
		return
	case math.Abs(math.Abs(by)-3600) < 5 && atNight:
		cause, what = "local-time", "summer time began or ended"
	case math.Abs(math.Abs(by)-3600) < 5:
		cause, what = "local-time", "summer time began or ended, or, since this is no night to a Sunday, somebody set it by an hour"
	case math.Abs(math.Abs(by)-math.Ldexp(1, 32)) < 5:
		r.find("epoch-2038", "failure", "firmware", 0.9, line, "Keep Unix time in 64 bits, or unsigned.", "the clock moves by %+.0f s on line %d%s, which is 2^32: its seconds are counted in 32 bits", by, line, against)
		return
	}
	r.find(cause, "advice", "clock", 0.8, line, "Set the clock before the test, not during it; print UTC, or the offset.",
		"the clock moves by %s on line %d (%s in all)%s: %s", signed(by), line, times(n), against, what)
}

// roundInterval returns the round interval just below or at mean: few times a power of ten, or those of a minute and an hour; 0 if none is within 5 %.
func roundInterval(mean float64) float64 {
	best := 0.0
	for _, base := range [...]float64{1, 60, 3600} {
		for _, f := range [...]float64{0.001, 0.01, 0.1, 1, 10} {
			for _, m := range [...]float64{1, 1.5, 2, 2.5, 3, 4, 5, 6, 8} {
				if x := base * f * m; math.Abs(mean/x-1) < math.Abs(mean/math.Max(best, 1e-300)-1) {
					best = x
				}
			}
		}
	}
	if math.Abs(mean/best-1) > 0.05 {
		return 0
	}
	return best
}

func (a *Auditor) readingFindings(r *Report) {
	if a.clipI.full > 0 {
		r.find("clipped", "failure", "front_end", 0.95, a.clipI.fullLine, "Use a shunt with less resistance or a wider range.", "%d rows stand at the end of the current's range (%.4g A), first on line %d: the true current was larger", a.clipI.full, a.o.FullCurrent, a.clipI.fullLine)
	} else if a.clipI.clipped() {
		r.find("clipped", "advice", "front_end", 0.5, a.clipI.foundLine, "Compare with the range of the front end; if it ends there, use a shunt with less resistance.", "the current rises to %.5g A and stands there for %d rows from line %d: a limit of the load, or the end of the range", a.clipI.found, a.clipI.foundRows, a.clipI.foundLine)
	}
	if a.clipV.full > 0 {
		r.find("clipped", "failure", "front_end", 0.95, a.clipV.fullLine, "Use a divider or a wider range.", "%d rows stand at the end of the voltage's range (%.4g V), first on line %d", a.clipV.full, a.o.FullVoltage, a.clipV.fullLine)
	}
	if f := a.power.factor(); a.powerOff > 0 && f != 0 && math.Abs(f-1) > 0.02 {
		cause, severity, what := "power-not-product", "advice", ""
		if u := unitFactor(f, 0); u != "" {
			cause, severity, what = "unit-factor", "failure", ": "+u
		}
		r.find(cause, severity, "firmware", 0.8, a.powerLine, "Multiply the voltage and current of one reading, in the unit that the head says.", "the power column is %.5g times V·I in every row%s", f, what)
	} else if a.powerOff > 0 {
		r.find("power-not-product", "advice", "firmware", 0.6, a.powerLine, "Multiply the voltage and current of one reading.", "the power column differs from V·I by up to %.1f %% (line %d)", 100*a.powerOff, a.powerLine)
	}
	loaded := 0.0
	for _, p := range r.Phases {
		if p.Kind != Rest {
			loaded = math.Max(loaded, p.Current)
		}
	}
	if loaded > 0 && a.is > 0.01*loaded && !a.trimmed && !a.noise() {
		r.find("coarse-count", "advice", "front_end", 0.8, 0, "Print more places, or use a shunt with more resistance if the front end has no finer count.", "one printed unit of the current is %.3g A, %.1f %% of the test's %.3g A", a.is, 100*a.is/loaded, loaded)
	}
	if w := a.rest; w.total > 600 && loaded > 0 {
		mean, sd := w.noise()
		everywhere := w.everywhere(mean)
		mean *= float64(a.orientation())
		through := r.In + r.Out
		// Told from noise and print, and worth telling.
		offset := everywhere && math.Abs(mean) > 4*sd/math.Sqrt(w.n)+a.is/2 && math.Abs(mean)*r.Duration > 0.001*through
		if offset {
			r.find("zero-offset", "advice", "front_end", 0.6, 0, "Read the shunt with the circuit open and take the mean off; if something small really draws, say so.",
				"%.3g A is read on average over %.3g h of rest: an offset, or a real current that passes the shunt (standby, a float charge). Over the whole log it is %.3g Ah", mean, w.total/3600, mean*r.Duration/3600)
		}
		// Noise goes one way in totals that keep the directions apart. A current is rounded to its count.
		explained := math.Abs(mean)*w.total + sd*w.total + max(a.is, a.count)/2*w.total
		if w.counted > 1.5*explained && w.counted > 0.001*through {
			r.find("counts-at-rest", "failure", "firmware", 0.8, w.countLine, "Add up what was read, and nothing else; look for an offset that is taken off the printed current only.", "the totals move by %.3g Ah in %.3g h of rest (first in the rest of line %d), while the printed current gives %.2g Ah", w.counted/3600, w.total/3600, w.countLine, math.Abs(mean)*w.total/3600)
		}
	}
	if a.tempHigh > 333.15 {
		r.find("hot", "advice", "rig", 0.7, 0, "Stop above the maker's limit; the maker's data, local codes and licensed practice come first.", "the temperature column reaches %.1f degC", a.tempHigh-273.15)
	}
}

// totalFindings compares each column of totals, and names why one departs.
func (a *Auditor) totalFindings(r *Report) {
	var factors [6]float64 // of totals that are off by one
	defer func() {
		r.sameFactor(factors)
		a.timeByClock(r, factors)
	}()
	for i := range a.tallies {
		y := &a.tallies[i]
		if !y.have || y.rows == 0 {
			continue
		}
		unit, per, limit, through := "Ah", 3600.0, chargeLimit, a.q.through()
		if i >= 3 {
			unit, limit, through = "Wh", energyLimit, a.e.through()
		}
		m := y.best()
		g := y.guesses[m]
		tol := a.tolerance(y, i)
		since := integrals{y.before.pos - y.base.pos, y.before.neg - y.base.neg}
		difference := y.last - y.first - m.of(since)
		c := Compared{Name: y.name, Meaning: m.String(), Logged: y.last - y.first, Integrated: m.of(since), Difference: difference, Worst: g.worst, WorstLine: g.line, Tolerance: tol,
			Step: y.step, Resets: len(y.resets), Holds: g.worst <= tol}
		if !c.Holds && !r.Signed && y.turns() && y.pathWorst <= tol {
			// The total knows a direction that the printed current does not.
			c.Holds, c.Meaning, c.Worst, c.Integrated, c.Difference = true, "net, of a current without a sign", y.pathWorst, c.Logged, y.path-since.through()
		}
		if !c.Holds && !r.Signed && y.split != 0 && !y.alone && a.pairs[i/3] <= tol {
			// So do two totals that part the directions. What went either way is told by the voltage of each phase.
			way := [...]float64{r.In, r.Out, r.EnergyIn, r.EnergyOut}[i/3*2+i%3-1]
			if d := math.Abs(c.Logged) - way; math.Abs(d) <= tol {
				c.Holds, c.Meaning, c.Worst, c.Integrated, c.Difference = true, "its direction, of a current without a sign", math.Abs(d), way, d
			}
		}
		bothWays := (!c.Holds || a.pairs[i/3] > tol) && y.split != 0 && !y.alone && a.nets[i/3].holds(tol)
		if bothWays {
			c.Holds, c.Meaning = true, "its direction, of a current that flows both ways between two rows"
		}
		if _, constant := a.ratio.constant(); !c.Holds && !r.Signed && y.split == 0 && len(y.resets) == 0 && min(r.In, r.Out) > 0.02*(r.In+r.Out) && !(i >= 3 && constant) {
			// A tester of capacity counts one direction: what flowed either way is told by the voltage of each phase.
			for w, way := range [...]Kind{Charge, Discharge} {
				through := [...]float64{r.In, r.Out, r.EnergyIn, r.EnergyOut}[i/3*2+w]
				if d := math.Abs(c.Logged) - through; through > 0 && math.Abs(d) <= tol {
					c.Holds, c.Meaning, c.Worst, c.Integrated, c.Difference = true, string(way)+" only, of a current without a sign", math.Abs(d), through, d
				}
			}
		}
		r.Totals = append(r.Totals, c)
		if y.step > limit*through && through > 0 {
			r.find("clumsy-number", "advice", "firmware", 0.9, 0, "Print more places.", "one printed unit of column %s is %.2g %% of the %.3g %s that passed", y.name, 100*y.step/through, through/per, unit)
		}
		if bothWays {
			a.resetFindings(r, y, unit, per)
			continue
		}
		if c.Holds && c.Meaning != m.String() {
			continue
		}
		if pulses := [...]float64{a.qPulse, a.ePulse}[i/3]; c.Holds && pulses > limit*through && math.Abs(difference) > limit*through {
			r.Notes = append(r.Notes, fmt.Sprintf("The load is switched between the rows, which hide up to %.2g %s of it: what the log's own total of %s says, %.4g %s, was made of more readings than its rows show.",
				pulses/per, unit, y.name, math.Abs(c.Logged)/per, unit))
		}
		factor, unsure := y.factor()
		// With a factor of many, what flows once makes what looks like a reset.
		y.resets = slices.DeleteFunc(y.resets, func(c change) bool {
			return factor > 2 && unsure < 0.1*factor && math.Abs(c.To-c.From) <= 1.3*factor*c.Through+2*y.step
		})
		a.resetFindings(r, y, unit, per)
		if len(y.ahead) > 0 {
			c := y.ahead[0]
			r.Notes = append(r.Notes, fmt.Sprintf("Column %s is %+.4g %s further after the restart on line %d: rows before it were not written, or the time without power was counted at the last current.",
				y.name, c.Unmatched/per, unit, c.Line))
		}
		// A wrong direction shows where both were there.
		if (y.turned || y.bothWays()) && c.Holds && y.split == 0 && m >= plusPos && (i < 3 || a.netCharge()) {
			cause, text := "one-way", "only one direction is counted"
			if m >= plusBoth {
				cause, text = "both-add", "charge and discharge are added up"
			}
			r.find(cause, "failure", "firmware", 0.9, 0, "Keep the sign of the current in the sum, or print two totals and name them so.", "column %s: %s", y.name, text)
		}
		off := math.Abs(factor-1) > limit+unsure
		hold := math.Max(y.hold.pos, y.hold.neg)
		if y.split != 0 {
			hold = m.held(y.hold)
		}
		stalled := hold > math.Max(20*y.step, tol/2) && hold > 0.3*g.worst
		if a.named(r, y, i, m, c, stalled, unit, per) {
			r.Totals[len(r.Totals)-1].Holds = false
			continue
		}
		wild := off && !stalled && math.Abs(math.Log(factor)) > 0.4
		jumps := 0.0
		if !wild {
			// With a factor of two or more every row seems to jump.
			jumps = a.jumpFindings(r, y, unit, per)
		}
		if c.Holds && (!off || a.seen.disorder > 0) { // rows that were left out make a stretch look steep
			continue
		}
		volts, constant := a.ratio.constant()
		switch {
		case i >= 3 && constant:
			r.find("nominal-voltage", "failure", "firmware", 0.9, 0, "Add up V times I of each reading.", "column %s is charge times a constant %.3f V, while the voltage moves from %.3f to %.3f V: %.3g Wh against %.3g Wh integrated", y.name, volts, a.ratio.vlow, a.ratio.vhigh, c.Logged/per, c.Integrated/per)
		case i == 3 && a.means.holds():
			r.find("mean-energy", "failure", "firmware", 0.85, 0, "Add up V times I of each reading.", "column %s is the charge times the mean of all voltages so far, row for row: %.4g Wh against %.4g Wh integrated", y.name, c.Logged/per, c.Integrated/per)
		case jumps > 0 && math.Abs(difference) < 1.5*jumps+tol && math.Abs(difference) > 0.5*jumps-tol:
			// Told already, with the line.
		case stalled && hold/float64(y.holdRows) < 0.5*[...]float64{a.imax, a.imax * math.Abs(notNaN(a.prev.v))}[i/3]*a.time.typical && y.holdAt < math.Ldexp(hold/float64(y.holdRows), 24)/(mostReadings*max(a.time.typical, 1e-3)):
			r.find("dead-band", "failure", "firmware", 0.75, y.holdLine, "Add what the sensor reads, however little, and keep the remainder of each step.",
				"column %s stands still at %.4g %s while %.3g %s pass (up to line %d): small currents count as none, or each step is cut to nothing; no float would stall at so small a total", y.name, y.holdAt/per, unit, hold/per, unit, y.holdLine)
		case stalled:
			r.find("float32-stall", "failure", "firmware", 0.75, y.holdLine, "Add up in integers or in double precision.", "column %s stands still while %.3g %s pass (up to line %d): steps too small for it are lost", y.name, hold/per, unit, y.holdLine)
		case off && (wild || c.Holds || y.explains(m, factor, tol)):
			cause, text := "gain", fmt.Sprintf("column %s grows %.5g times as fast as the integral of the rows", y.name, factor)
			if f := unitFactor(factor, unsure); f != "" {
				cause, text = "unit-factor", text+": "+f
			} else if tens := math.Round(math.Log10(factor)); i >= 3 && tens != 0 && math.Abs(factor/math.Pow(10, tens)-1) < 0.01 && a.holds(i-3) {
				cause, text = "unit-factor", text+": a decimal place; since the charge agrees, that of the voltage is it, or of the energy"
			}
			r.Totals[len(r.Totals)-1].Holds = false
			if cause == "gain" && math.Abs(math.Log(factor)) > math.Log(2.5) { // another shunt, or half of the steps lost, makes a factor of two
				r.find("total-departs", "advice", "sampling", 0.5, g.line, "Write rows more often, or print the mean of each row's readings; then run the logger through prove.",
					"%s: no mistake of a unit. Rows that always meet the same part of a switched load show as much", text)
				continue
			}
			if i >= 3 && cause == "gain" && factor < 1 && factor > 0.97 && a.holds(i-3) { // a counter that runs fast would make charge grow as well
				r.find("total-departs", "advice", "sampling", 0.5, g.line, "Print the mean power of each row too, and run the logger through prove.",
					"%s, while the charge agrees: watts too low by a factor, or rows that are means over a switched load, whose voltage sags when the current flows", text)
				continue
			}
			if a.time.kind == "clock" && cause == "gain" && math.Abs(factor-1) < 0.01 {
				r.find("tick-rate", "advice", "clock", 0.5, g.line, "Compare the counter with network time over a day; a ceramic resonator may be off by half a per cent (common practice).",
					"%s: the counter that the sums use runs as much faster than the clock, or they have that factor", text)
				continue
			}
			factors[i] = factor
			r.find(cause, "failure", "firmware", 0.85, g.line, "Look for a factor in the sum that the printed current does not have: shunt value, interval, unit.", "%s (%.4g %s against %.4g)", text, c.Logged/per, unit, c.Integrated/per)
		case y.overflowed || len(y.resets) > 0 && y.wrapsOf16() > 2:
			// Told already.
		case i >= 3 && a.meanCurrent && a.holds(i-3):
			r.find("total-departs", "advice", "sampling", 0.5, g.line, "Print the mean power of each row too, and run the logger through prove.",
				"column %s departs from the integral of the rows by %.4g %s (line %d), while the charge agrees: rows of means lack what current and voltage do together between two of them", y.name, g.worst/per, unit, g.line)
		default:
			r.find("total-departs", "failure", "firmware", 0.6, g.line, "Run the logger through prove: with known readings the cause can be named.", "column %s departs from the integral of the rows by %.4g %s (line %d), more than %.3g %s that sampling, print and %.1f %% explain. The load may also vary between the rows", y.name, g.worst/per, unit, g.line, tol/per, unit, 100*limit)
		}
	}
}

// sameFactor makes one finding of a charge and an energy that are off by the same factor: they agree with each other, so what they do not
// share with the rows is off.
func (r *Report) sameFactor(factors [6]float64) {
	if factors[0] == 0 || math.Abs(factors[3]/factors[0]-1) > 0.01 {
		return
	}
	first := true
	f := factors[0]
	r.Findings = slices.DeleteFunc(r.Findings, func(x verdict.Finding) bool {
		if !strings.Contains(x.Evidence, " times as fast as the integral of the rows") || !strings.HasPrefix(x.Evidence, "column charge ") && !strings.HasPrefix(x.Evidence, "column energy ") {
			return false
		}
		first = !first
		return first // the second
	})
	for k := range r.Findings {
		if x := &r.Findings[k]; strings.HasPrefix(x.Evidence, "column charge grows") {
			x.Evidence += fmt.Sprintf(". So does the energy: the totals agree with each other, and what they do not share with the rows is off: the printed current, which is %.4g times what they follow, or the printed time, or the shunt value or the step of time in both sums", 1/f)
			x.Mend = "Compare unit and factor of the printed current with those in the sums; then the time that is added with each step."
		}
	}
}

// timeByClock names a column of time that runs otherwise than the clock, where the totals go by the clock.
func (a *Auditor) timeByClock(r *Report, factors [6]float64) {
	rate, bound, ok := a.clocks.rate()
	if f := factors[0]; !ok || f == 0 || math.Abs(rate) < 0.005 || math.Abs(f/(1+rate)-1) > 0.003+bound {
		return
	}
	for k := range r.Findings {
		x := &r.Findings[k]
		if !strings.HasPrefix(x.Evidence, "column charge grows") {
			continue
		}
		*x = finding("nominal-dt", "failure", "firmware", 0.8, x.Row, fmt.Sprintf("the column of time (%s) passes %.5g s in each second of the clock, and the totals go by the clock: the column counts steps of a length that they do not have", a.time.kind, 1/(1+rate)),
			"Print the time that passed by the counter, not the number of steps.")
	}
}

// unitFactor names a factor that a mixed-up unit makes.
func unitFactor(f, unsure float64) string {
	for _, k := range [...]struct {
		f    float64
		name string
	}{{1000, "thousandths"}, {0.001, "thousandths"}, {3600, "seconds and hours"}, {1.0 / 3600, "seconds and hours"}, {60, "minutes and hours"}, {1.0 / 60, "minutes and hours"}, {3.6, "1000 s in an hour"}, {1 / 3.6, "1000 s in an hour"}} {
		// A factor of a thousand leaves few digits of a total.
		if within := 0.01 + math.Min(unsure/k.f, 0.1); math.Abs(f/k.f-1) < within && within < math.Abs(math.Log(k.f))/10 {
			return fmt.Sprintf("that is %.4g, %s", k.f, k.name)
		}
	}
	return ""
}

// netCharge says that the log has a total of charge that goes both ways: then its energy, which nothing names otherwise, should too.
func (a *Auditor) netCharge() bool {
	y := &a.tallies[0]
	return y.have && y.turns() && y.best() <= minusNet
}

func (a *Auditor) resetFindings(r *Report, y *tally, unit string, per float64) {
	for _, c := range y.resets {
		if y.perStep || c.AtPhase && !c.AtRestart {
			continue // totals per phase, as many print them
		}
		if c.AtNewTest {
			continue // said already
		}
		cause, mend, what := "total-reset", "Keep totals until somebody sets them to zero.", "in the middle of a phase"
		if c.AtRestart || a.seen.behindGap(c.Line) {
			cause, mend, what = "restart-loss", "Write the totals to memory that lasts, and read them at the start.", "with the restart there"
		}
		if a.seen.behindGap(c.Line) {
			what = "behind a gap in the rows, as a power cut leaves"
		}
		if n := y.width(c); n > 0 && !c.AtRestart && y.wraps {
			r.Notes = append(r.Notes, fmt.Sprintf("Column %s comes to 2^%d printed units on line %d and begins anew, as its header says.", y.name, n, c.Line))
			return
		} else if n > 0 && !c.AtRestart {
			y.overflowed = true
			cause, mend, what = "total-overflow", "Use a wider integer for the sum.", fmt.Sprintf("where it had come to 2^%d printed units", n)
		}
		if n := y.wrapsOf16(); n > 2 && !c.AtRestart {
			cause, mend, what = "tick-wrap", "Subtract the counters as unsigned integers of the counter's own width.", fmt.Sprintf("one of %d changes by what flows in 65.536 s, in which a counter of milliseconds in 16 bits wraps", n)
		} else if n := y.fallsAlike(); n > 2 && !c.AtRestart && !c.AtMidnight && cause == "total-reset" {
			y.overflowed = true
			cause, mend, what = "total-overflow", "Use a wider integer for the sum.", fmt.Sprintf("and %d times in all from the same height, as a number does that is full", n)
		}
		if c.AtMidnight && !a.seen.behindGap(c.Line) {
			cause, mend, what = "midnight-reset", "Keep totals over midnight; begin a new file without clearing them.", "the first row of a new day"
		}
		r.find(cause, "failure", "firmware", 0.85, c.Line, mend, "column %s falls from %.4g to %.4g %s on line %d, %s", y.name, c.From/per, c.To/per, unit, c.Line, what)
		return
	}
}

// mostReadings is how many readings a second a logger takes at most (common practice). A float of 24 bits loses a step that is below its 2^-24th part.
const mostReadings = 20

// wrapsWorth says that a jump is what flows in 2^32 ms or 2^32 us: nothing but a counter that wrapped adds so much.
func wrapsWorth(jump, flow float64) bool {
	s := math.Abs(jump) / flow / math.Ldexp(1, 32)
	return math.Abs(s/1e-3-1) < 0.01 || math.Abs(s/1e-6-1) < 0.01
}

// multiplied is the factor by which a total and that of the other quantity jump in the same row; 0 if they do not alike.
func (a *Auditor) multiplied(y *tally, c change) float64 {
	i := slices.IndexFunc(a.tallies[:], func(o tally) bool { return o.name == y.name })
	o := &a.tallies[(i+3)%6]
	k := slices.IndexFunc(o.jumps, func(d change) bool { return d.Line == c.Line })
	if i < 0 || k < 0 || c.From == 0 || o.jumps[k].From == 0 || c.AtRestart {
		return 0
	}
	f, g := c.To/(c.From), o.jumps[k].To/o.jumps[k].From
	// The row's own step is no part of it.
	if f < 0 || math.Abs(f/g-1) > 0.004 || math.Abs(f-1) < 0.05 {
		return 0
	}
	return f
}

// jumpFindings reports the largest jump and returns the sum of all [A·s].
func (a *Auditor) jumpFindings(r *Report, y *tally, unit string, per float64) float64 {
	sum := 0.0
	var worst change
	// What a count that flickers between rows makes in an interval is no jump: one per cent of the largest current, or the smallest change.
	flicker := max(0.01*a.imax, a.count) * a.time.typical
	if unit == "Wh" {
		flicker *= math.Abs(notNaN(a.prev.v))
	}
	if a.lags.by() != 0 { // where the current and the totals of a row are not of one time, each step of the current is such a jump
		flicker = max(flicker, 2*a.imax*a.time.typical)
		if unit == "Wh" {
			flicker *= math.Abs(notNaN(a.prev.v))
		}
	}
	y.jumps = slices.DeleteFunc(y.jumps, func(c change) bool { return math.Abs(c.Unmatched) <= flicker })
	for _, c := range y.jumps {
		sum += c.Unmatched
		if math.Abs(c.Unmatched) > math.Abs(worst.Unmatched) {
			worst = c
		}
	}
	// At every other row they are no jumps but a wrong rate.
	if len(y.jumps) == 0 || len(y.jumps) == mostChanges || 20*len(y.jumps) > y.rows {
		return 0
	}
	if y.wrapsOf16() > 2 && len(y.resets) > 0 {
		return math.Abs(sum) // told already
	}
	cause, mend := "total-jumps", "Run the logger through prove with the same tick and settings."
	switch bits := y.wrapped(worst); {
	case (worst.AtRestart || a.seen.behindGap(worst.Line)) && worst.doubled():
		cause, mend = "restart-double", "Add the stored totals once."
	case a.multiplied(y, worst) != 0:
		r.find("setting-jump", "failure", "firmware", 0.75, worst.Line, "Look at what enters the print of a total: a factor of the interval or of a range must not be one.",
			"column %s is multiplied by %.4g on line %d (from %.4g to %.4g %s), and goes on from there", y.name, a.multiplied(y, worst), worst.Line, worst.From/per, worst.To/per, unit)
		return math.Abs(sum)
	case worst.AtRestart:
		cause, mend = "restart-loss", "Store the totals as often as a row is written."
	case bits > 8 || y.overflowed && bits > 0 || worst.fromEndToEnd(y.step):
		y.overflowed = true
		if slices.ContainsFunc(r.Findings, func(f verdict.Finding) bool {
			return f.Cause == "total-overflow" && strings.Contains(f.Evidence, "column "+y.name+" ")
		}) {
			return math.Abs(sum)
		}
		cause, mend = "total-overflow", "Use a wider integer for the sum."
	case worst.AtWrap || wrapsWorth(worst.Unmatched, worst.Flow) || y.wrapsOf16() > 2:
		cause, mend = "tick-wrap", "Subtract the counters as unsigned integers of the counter's own width."
	}
	r.find(cause, "failure", "firmware", 0.8, worst.Line, mend, "column %s jumps by %+.4g %s on line %d (from %.4g to %.4g), which no current explains; %s in all", y.name, worst.Unmatched/per, unit, worst.Line, worst.From/per, worst.To/per, many(len(y.jumps), "such jump"))
	return math.Abs(sum)
}

// endFindings looks at how the discharges ended.
func (a *Auditor) endFindings(r *Report) {
	if r.Below != nil && r.Below.Charge > 0.002*r.Out+2*a.time.typical*a.below.most {
		r.find("cutoff-late", "failure", "firmware", 0.7, r.Below.Line, "Switch the load off at the first readings below the level; an independent stop protects the pack.", "%.4g s and %.3g Ah passed below the level of %.3f V, down to %.3f V, first on line %d", r.Below.Time, r.Below.Charge/3600, r.Level, r.Below.Lowest, r.Below.Line)
	}
	if a.o.Cutoff > 0 {
		for i, p := range r.Phases {
			if p.Kind == Discharge && !p.Intended && !p.opened && i < len(r.Phases)-1 && r.Phases[i+1].Kind == Rest && i+2 >= len(r.Phases) {
				r.find("cutoff-early", "advice", "firmware", 0.4, p.Last, "If nobody stopped it: compare the voltage as read with a meter at the level, and let it hold for some readings.", "the load went off at %.3f V, above the level of %.3f V (line %d), and stayed off", p.vEnd, a.o.Cutoff, p.Last)
			}
		}
	}
	open := false
	for i, p := range r.Phases {
		if p.Kind != Discharge {
			continue
		}
		if i == len(r.Phases)-1 && !p.Intended {
			open = true
		}
		if i+2 < len(r.Phases) && p.Intended && r.Phases[i+2].Kind == Discharge && r.Phases[i+1].Kind == Rest && r.Phases[i+1].End-r.Phases[i+1].Begin < 600 && r.Phases[i+2].Charge < 0.2*p.Charge && r.Phases[i+2].Charge > 0 {
			severity, who := "advice", ", or an inverter did it itself"
			if a.o.Cutoff > 0 {
				severity, who = "failure", ""
			}
			r.find("cutoff-chatter", severity, "firmware", 0.6, r.Phases[i+2].First, "Stay off until somebody starts the test again.", "the load closes again on line %d, %.0f s after it was switched off: the voltage recovers without load%s", r.Phases[i+2].First, r.Phases[i+1].End-r.Phases[i+1].Begin, who)
		}
	}
	if open && !a.noise() {
		r.find("unsafe-end", "advice", "rig", 0.5, r.Phases[len(r.Phases)-1].Last, "See that something stops the load: the logger, and behind it something independent.", "the log ends while the load draws %.3g A", r.Phases[len(r.Phases)-1].EndI)
	}
}

func (a *Auditor) notes(r *Report) {
	both := map[Kind]bool{}
	for _, p := range r.Phases {
		both[p.Kind] = true
	}
	if !r.Signed && both[Charge] && both[Discharge] {
		r.Notes = append(r.Notes, "The current is printed with one sign only: direction was taken from the voltage of each phase.")
	}
	if !a.anyVolts {
		r.Notes = append(r.Notes, "The log has no voltage: no energy, no direction of the current but its printed sign (taken as: positive charges).")
	}
	if len(r.Totals) == 0 && !a.noise() && !slices.ContainsFunc(a.tallies[:], func(y tally) bool { return y.have }) {
		r.Notes = append(r.Notes, "The log has no totals of its own: nothing to compare the integral with.")
	}
	if !a.noise() {
		r.Notes = append(r.Notes, r.full())
	}
	r.Notes = append(r.Notes, "A log alone does not show what the sensor got wrong all the way through: gain, offset under load, ripple between rows, lead drop. See calibrate and budget.")
}

// full says what the log tells of the charge at the start of the discharge that gives the capacity.
func (r *Report) full() string {
	of, _ := r.Capacity()
	for i := range r.Phases {
		if &r.Phases[i] != of {
			continue
		}
		if drawn, line := r.drawnBefore(of); drawn > 0 {
			return fmt.Sprintf("Not full at the start: %.3g Ah were drawn before (from line %d on) and not charged back: the pack holds more than this.", drawn/3600, line)
		}
		for k := i - 1; k >= 0; k-- {
			if r.anew(k) {
				break
			}
			if q := r.Phases[k]; q.Kind == Charge {
				if q.Intended {
					return fmt.Sprintf("Full at the start: so ended the charge before the discharge: %s.", q.Ended)
				}
				return fmt.Sprintf("Full at the start? The charge before the discharge did not end by taper, nor by falling voltage (%s).", q.Ended)
			}
		}
		return "Full at the start? The log does not show the charge before the discharge."
	}
	return "The log has no discharge: no capacity."
}

// drawnBefore is the charge that was drawn in the same test before a discharge and not charged back, and the line where that began; 0 if it is nothing
// beside what the discharge itself gave.
func (r *Report) drawnBefore(of *Phase) (drawn float64, line int) {
	i := slices.IndexFunc(r.Phases, func(p Phase) bool { return p.First == of.First })
	for k := i - 1; k >= 0 && r.Phases[k].Kind != Charge && !r.anew(k); k-- {
		if q := r.Phases[k]; q.Kind == Discharge {
			drawn, line = drawn+q.Charge, q.First
		}
	}
	if drawn < 0.02*of.Charge {
		return 0, 0
	}
	return drawn, line
}

// anew says that another test begins in the phase behind phase k, or at its end.
func (r *Report) anew(k int) bool {
	return slices.ContainsFunc(r.tests, func(line int) bool {
		return line > r.Phases[k].Last && line <= r.Phases[k+1].Last || line > r.Phases[k].First && line <= r.Phases[k].Last
	})
}

// Capacity returns the discharge that gives the capacity: the longest intended one, else the longest. With atLeast it did not begin full, as the
// log shows, or did not end as intended.
func (r *Report) Capacity() (p *Phase, atLeast bool) {
	for i := range r.Phases {
		q := &r.Phases[i]
		if q.Kind != Discharge || q.Charge == 0 {
			continue
		}
		if p == nil || q.Intended && !p.Intended || q.Intended == p.Intended && q.Charge > p.Charge {
			p = q
		}
	}
	if p != nil && p.Intended {
		drawn, _ := r.drawnBefore(p)
		return p, drawn > 0
	}
	return p, p != nil
}
