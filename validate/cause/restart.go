package cause

import (
	"fmt"
	"math"
	"regexp"
	"slices"
	"strconv"

	"stuntcell/emulator"
	"stuntcell/validate/replay"
	"stuntcell/validate/verdict"
)

// Restarts names why totals did not go on after a power cut where they stood.
func Restarts(c *Case, rs []Restart) []verdict.Finding {
	var out []verdict.Finding
	for _, r := range rs {
		if !r.Bad {
			continue
		}
		name, conf := "restart-loss", 0.95
		d := r.Column.Display
		ev := fmt.Sprintf("column %q stood at %.5g %s before the power cut and went on from %.5g", r.Column.Header, r.Before/d, unitOr(r.Column), r.First/d)
		size := math.Abs(r.Before)
		switch {
		case size > 0 && math.Abs(r.First-2*r.Before) < 0.1*size:
			name = "restart-double"
			ev += ": what was saved was added twice"
		case math.Abs(r.First) > max(math.Abs(r.Low), math.Abs(r.High)):
			name, conf = "restart-double", 0.75
			ev += ": more than was ever counted"
		case math.Abs(r.First) < 0.02*size:
			ev += ": nothing was restored"
		}
		f := c.finding(name, ofFirmware, conf, r.Row)
		f.Evidence = ev
		f.Wrote = c.text(r.Row)
		f.ShouldBe = fmt.Sprintf("%s to go on from between %.5g and %.5g %s", r.Column.Header, r.Low/d, r.High/d, unitOr(r.Column))
		f.Cost = fmt.Sprintf("%+.4g %s", (r.First-r.Before)/d, unitOr(r.Column))
		out = append(out, f)
	}
	return merge(out)
}

// toldLost recognises a count of failed writes inside a row or a say.
var toldLost = regexp.MustCompile(`(?i)\blost[ =:,;]*(\d+)`)

// ToldLost is the highest count of failed writes that a logger told of from a reading on.
func ToldLost(rec *emulator.Record, from int) int {
	most := 0
	take := func(reading int, text string) {
		if m := toldLost.FindStringSubmatch(text); m != nil && reading >= from {
			n, _ := strconv.Atoi(m[1])
			most = max(most, n)
		}
	}
	for _, r := range rec.Rows {
		take(r.After, r.Text)
	}
	for _, e := range rec.Events {
		if e.Kind == emulator.SaidText {
			take(e.Reading, e.Text)
		}
	}
	return most
}

// Card names what a failed write did: to totals, to later rows, and whether it was told. What is known of the totals already is not
// said of the card as well.
func Card(c *Case, failed, dead bool, begin, end int, known []verdict.Finding) []verdict.Finding {
	var out []verdict.Finding
	explained := slices.ContainsFunc(known, func(f verdict.Finding) bool { return f.Severity == verdict.Failure && f.Confidence >= 0.7 })
	if failed && (dead || !explained) {
		f := c.finding("card-loss", ofFirmware, 0.6, -1)
		f.AtS = c.Seconds(begin)
		f.Row = c.rowAfter(end)
		f.Evidence = "totals after the failed write no longer follow the readings"
		if dead {
			f.Confidence = 0.6
			f.Evidence = "no row came any more once the card took writes again"
		}
		out = append(out, f)
	}
	if begin < 0 {
		return out
	}
	for _, r := range c.Record.Rows {
		if toldLost.MatchString(r.Text) {
			return out
		}
	}
	for _, e := range c.Record.Events {
		// Whatever it says while the card fails is about the card.
		if e.Kind == emulator.SaidText && (toldLost.MatchString(e.Text) || e.Reading >= begin && e.Reading < end) {
			return out
		}
	}
	// A row was due while writes failed; a logger that waited for the card has lost nothing.
	lost := false
	for _, r := range c.Record.Rows {
		if r.After >= begin && r.After < end && r.After >= 0 {
			lost = true
		}
	}
	caughtUp := 0
	for r, k := range c.At {
		if k >= begin && k < end && c.Record.Rows[c.Line[r]].After >= end {
			caughtUp++
		}
	}
	if span := c.span(begin, end); !lost && span < c.Log*float64(caughtUp+1) {
		return out
	}
	f := c.finding("silent-card-loss", ofFirmware, 0.9, -1)
	f.Severity = verdict.Advice
	f.AtS = c.Seconds(begin)
	f.Evidence = "a write failed and nothing in the log or in what the logger said tells of it (a count such as `lost 3` in a row or a say would)"
	return append(out, f)
}

// span is the true time from reading a to reading b [s].
func (c *Case) span(a, b int) float64 {
	t := 0.0
	for k := max(a, 0) + 1; k <= b && k < c.Series.Len(); k++ {
		t += c.Series.Dt[k]
	}
	return t
}

// FirstInterval names totals that count from the counter's zero at power-up.
func FirstInterval(c *Case) []verdict.Finding {
	if c.Meter.FromZero == replay.Not || c.Series.Len() == 0 || !c.Series.Good(0) {
		return nil
	}
	cost := math.Abs(c.Series.I[0]) * c.Series.FirstTick
	var col *Column
	for _, x := range c.Column {
		if x.Role == Charge || x.Role == ChargeIn || x.Role == ChargeOut {
			col = x
			break
		}
	}
	if col == nil || !col.OK || cost <= 2*firstUnit(col) || c.Series.FirstTick <= 3*c.Series.Period {
		return nil
	}
	f := c.finding("first-interval", ofFirmware, 0.95, 0)
	f.Severity = verdict.Advice
	if math.Abs(c.Series.I[0])*c.Series.Period > col.Limit+firstUnit(col) {
		f.Severity = verdict.Failure
	}
	f.Evidence = fmt.Sprintf("the first step is counted from tick 0: %.4g s at %.4g A were added before the first reading", c.Series.FirstTick, c.Series.I[0])
	f.Wrote = c.text(0)
	f.Cost = fmt.Sprintf("%.4g Ah", cost/3600)
	return []verdict.Finding{f}
}

func firstUnit(col *Column) float64 {
	for _, u := range col.Printed.Unit {
		if !math.IsNaN(u) {
			return u
		}
	}
	return 0
}
