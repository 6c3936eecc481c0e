package cause

import (
	"fmt"
	"math"
	"slices"
	"sort"

	"stuntcell/emulator"
	"stuntcell/emulator/link"
	"stuntcell/model"
	"stuntcell/validate/verdict"
)

// neverAfter is how long after it was due a stop may still come, at least [s].
const neverAfter = 300

// Switching names why the load was not switched off when it was due.
func Switching(c *Case, k *Cutoff) []verdict.Finding {
	if k == nil || !k.Bad {
		return nil
	}
	found := func(name string, conf float64, at int, ev string) verdict.Finding {
		f := c.finding(name, ofFirmware, conf, -1)
		f.AtS = c.Seconds(at)
		f.Row = c.rowAfter(at)
		f.Evidence = ev
		if k.Over > 0 {
			f.Cost = fmt.Sprintf("%.4g Ah drawn below the level, lowest reading %.3f V", k.Over/3600, k.Low)
		}
		return f
	}
	if k.LeftOn {
		f := found("load-left-on", 0.88, k.LowAt, fmt.Sprintf("no good reading came for %.0f s and the load stayed closed although the last one before was below %.3f V", k.BadSpan, k.Level))
		f.Rivals = []string{"cutoff-wrong-level", "cutoff-never", "cutoff-late"}
		f.Evidence += "; one that stops late, lower or never leaves it closed as well: " + c.tellsApart("load-left-on", "cutoff-late")
		return []verdict.Finding{f}
	}
	if k.Chatter > 0 {
		if k.AfterCut {
			return []verdict.Finding{found("latch-lost", 0.96, k.OnAgain, "the load was off, the power failed, and after the restart the load was switched on again below the level")}
		}
		return []verdict.Finding{found("cutoff-chatter", 0.97, k.OnAgain, fmt.Sprintf("switched off at %.0f s and on again %d times within the step as the battery recovered", k.OffT, k.Chatter))}
	}
	if !k.HasOff {
		f := found("cutoff-never", 0.95, k.Due, fmt.Sprintf("the reading fell below %.3f V and the load was never switched off (the step ended by %s at %.3f V)", k.Level, k.Step.Why, k.Step.EndV))
		// A step that ends soon after the stop was due does not show whether it would have come late, or at a lower level.
		if waited := float64(k.Step.End)*1e-9 - c.Seconds(k.Due); waited < max(10*k.Hold, neverAfter) {
			f.Confidence = 0.5
			f.Spans = c.neverSpans(k, waited)
			f.Evidence += fmt.Sprintf("; with %.0f s to go, late or at a lower level looks the same: %s", waited, c.tellsApart("cutoff-never", "cutoff-late"))
			return []verdict.Finding{f, found("cutoff-late", 0.4, k.Due, fmt.Sprintf("the step ended %.0f s after the stop was due: one that comes later, or at a lower level, looks the same as none", waited))}
		}
		return []verdict.Finding{f}
	}
	if k.NeverBelow {
		return []verdict.Finding{found("cutoff-wrong-level", 0.95, k.Off, fmt.Sprintf("off at a lowest reading of %.3f V, above the level of %.3f V", k.Low, k.Level))}
	}
	if k.Early {
		if level, fits := c.higherLevel(k); fits {
			return []verdict.Finding{found("cutoff-wrong-level", 0.85, k.Off, fmt.Sprintf("off at a reading of %.3f V, when it had been below %.2f V, not below %.3f V, for the hold of %.3g s",
				c.Series.V[k.Off], level, k.Level, k.Hold))}
		}
		return []verdict.Finding{found("cutoff-early", 0.95, k.Off, fmt.Sprintf("off after a reading below %.3f V that did not last for the hold of %.3g s", k.Level, k.Hold))}
	}
	return c.late(k, found)
}

// higherLevel is the level above the right one at which a stop with the right hold would have come just when this one came, after dips below
// the right level that did not stop it.
func (c *Case) higherLevel(k *Cutoff) (level float64, fits bool) {
	s := c.Series
	if k.Off >= s.Len() || !s.Good(k.Off) || s.V[k.Off] < k.Level+s.Volt {
		return 0, false
	}
	// highest is the highest reading of the hold that ends with a reading, and whether there was so long a time.
	highest := func(end int) (v float64, whole bool) {
		for t, q := 0.0, end; q >= k.Step.First; q-- {
			if s.Good(q) {
				v = max(v, s.V[q])
			}
			if t += s.Dt[q]; t >= k.Hold-1e-9 {
				if q > k.Step.First && s.Good(q-1) {
					v = max(v, s.V[q-1])
				}
				return v, true
			}
		}
		return 0, false
	}
	level, whole := highest(k.Off)
	sinceDip := 0.0
	for q := k.FirstBelow + 1; q <= k.Off; q++ {
		sinceDip += s.Dt[q]
	}
	// A hold that once begun is not begun anew ends a hold after the first dip.
	if !whole || k.FirstBelow >= 0 && math.Abs(sinceDip-k.Hold) < 2*s.Period {
		return 0, false
	}
	for q := k.Step.First; q < k.Off-1; q++ {
		if v, whole := highest(q); whole && v <= level {
			return 0, false
		}
	}
	return level, true
}

// late tells a stop that waits too long from one at a lower level. In one run both fit: the reading at the stop decides
// which is the rounder figure, and both are said.
func (c *Case) late(k *Cutoff, found func(string, float64, int, string) verdict.Finding) []verdict.Finding {
	s := c.Series
	delay := 0.0
	for q := k.Due + 1; q <= k.Off && q < len(s.Dt); q++ {
		delay += s.Dt[q]
	}
	hold := k.Hold
	below, before := c.stopLevels(k)
	levelFits := below < before && below < k.Level-4*s.Volt
	ev := fmt.Sprintf("off %.0f s after it was due, at a reading of %.3f V for a level of %.3f V", delay, s.V[min(k.Off, len(s.V)-1)], k.Level)
	cells := c.cells()
	round := levelFits && roundLevel(below, before, cells)
	other := c.tellsApart("cutoff-late", "cutoff-wrong-level")
	var f verdict.Finding
	switch {
	case round:
		f = found("cutoff-wrong-level", 0.8, k.Off, fmt.Sprintf("%s; a level between %.3f and %.3f V would explain it, a delay too: %s", ev, below, before, other))
		f.Rivals = []string{"cutoff-late"}
	case levelFits:
		f = found("cutoff-late", 0.7, k.Off, fmt.Sprintf("%s; a level of %.3f V would explain it as well: %s", ev, (below+before)/2, other))
		f.Rivals = []string{"cutoff-wrong-level"}
	default:
		return []verdict.Finding{found("cutoff-late", 0.95, k.Off, ev)}
	}
	f.Spans = map[string][2]float64{
		"cutoff-late: s":             {delay - 2*s.Period, delay + s.Period},
		"cutoff-late: holds":         {(delay - 2*s.Period) / max(hold, 1e-9), (delay + s.Period) / max(hold, 1e-9)},
		"cutoff-wrong-level: V":      {below - s.Volt, before + s.Volt},
		"cutoff-wrong-level: V off":  {below - s.Volt - k.Level, before + s.Volt - k.Level},
		"cutoff-wrong-level: factor": {(below - s.Volt) / k.Level, (before + s.Volt) / k.Level},
	}
	c.slowMeans(k, f.Spans, k.Off-1, k.Off+1)
	return []verdict.Finding{f}
}

// neverSpans are the constants of a logger that stops late, or at a lower level, and did not come to it before the step ended, waited seconds
// after the stop was due.
func (c *Case) neverSpans(k *Cutoff, waited float64) map[string][2]float64 {
	end := k.Step.Last
	gone := *k
	gone.Off = end
	most, _ := c.stopLevels(&gone) // one below it does not stop by then
	if most == 0 {
		most = c.Series.V[end]
	}
	most += c.Series.Volt
	spans := map[string][2]float64{
		"cutoff-late: s":             {waited, math.MaxFloat64},
		"cutoff-wrong-level: V":      {0, most},
		"cutoff-wrong-level: V off":  {-k.Level, most - k.Level},
		"cutoff-wrong-level: factor": {0, most / k.Level},
	}
	if k.Hold > 0 {
		spans["cutoff-late: holds"] = [2]float64{waited / k.Hold, math.MaxFloat64}
	}
	c.slowMeans(&gone, spans, end-1, math.MaxInt)
	return spans
}

// slowMeans adds over how many readings a logger takes the volts that it holds against the level, if it stops between two readings.
func (c *Case) slowMeans(k *Cutoff, spans map[string][2]float64, from, to int) {
	for _, held := range []bool{true, false} {
		for name, smooth := range map[string]func(n float64) func(v float64) float64{"mean": runningMean, "smoothed": smoothed} {
			spans[fmt.Sprintf("cutoff-late: readings %s, hold %v", name, held)] = c.slowness(k, held, smooth, from, to)
		}
	}
}

// runningMean is the mean of the latest n readings.
func runningMean(n float64) func(v float64) float64 {
	var last []float64
	sum := 0.0
	return func(v float64) float64 {
		last = append(last, v)
		if sum += v; len(last) > int(n) {
			sum -= last[0]
			last = last[1:]
		}
		return sum / float64(len(last))
	}
}

// smoothed moves to each reading by the n-th part of the way, from the first on.
func smoothed(n float64) func(v float64) float64 {
	x := math.NaN()
	return func(v float64) float64 {
		if math.IsNaN(x) {
			x = v
		}
		x += (v - x) / n
		return x
	}
}

// slowness is over how many readings a logger that holds a slow mean of the volts against the level, with the hold or without one, takes it,
// if it stops between two readings; the first is above the second where there is no such number. The slower, the later it stops.
func (c *Case) slowness(k *Cutoff, held bool, smooth func(n float64) func(v float64) float64, first, last int) [2]float64 {
	const most = 4000
	s := c.Series
	hold := 0.0
	if held {
		hold = k.Hold
	}
	stop := func(n int) int {
		mean, since := smooth(float64(n)), -1.0
		for q := 0; q <= min(k.Off+2, s.Len()-1); q++ {
			if q > 0 && s.Life[q] != s.Life[q-1] {
				mean, since = smooth(float64(n)), -1
			}
			if since >= 0 {
				since += s.Dt[q]
			}
			if s.Good(q) {
				if mean(s.V[q]) >= k.Level {
					since = -1
				} else if since < 0 {
					since = 0
				}
			}
			if q >= k.Step.First && since >= hold-1e-9 && since >= 0 {
				return q
			}
		}
		return k.Off + 3
	}
	from := 1 + sort.Search(most, func(i int) bool { return stop(i+1) >= first })
	to := sort.Search(most, func(i int) bool { return stop(i+1) > last })
	if from < 3 { // no slow mean
		return [2]float64{1, 0}
	}
	return [2]float64{float64(from), float64(to)}
}

// stopLevels are the levels, from one to the other, at which a logger with the right hold stops where this one did, to a reading; the
// first is not below the second where there are none. The higher the level, the sooner the stop.
func (c *Case) stopLevels(k *Cutoff) (lo, hi float64) {
	s := c.Series
	last := min(k.Off+1, s.Len()-1)
	stop := func(level float64) int {
		held := -1.0
		for q := k.Step.First; q <= last; q++ {
			if held >= 0 {
				held += s.Dt[q]
			}
			switch {
			case !s.Good(q):
			case s.V[q] >= level:
				held = -1
			case held < 0:
				held = 0
			}
			if held >= k.Hold-1e-9 {
				return q
			}
		}
		return last + 1
	}
	var volts []float64
	for q := k.Step.First; q <= last; q++ {
		if s.Good(q) {
			volts = append(volts, s.V[q])
		}
	}
	slices.Sort(volts)
	volts = slices.Compact(volts)
	// Between two readings all levels are one: that just above the lower stands for them.
	n := len(volts)
	from := sort.Search(n, func(i int) bool { return stop(volts[i]+s.Volt/4) <= k.Off+1 })
	to := sort.Search(n, func(i int) bool { return stop(volts[i]+s.Volt/4) < k.Off-1 })
	if from >= n || to == 0 || from >= to {
		return 0, 0
	}
	return volts[from], volts[min(to, n-1)]
}

// cells is how many cells in series the pack has, for round levels a cell.
func (c *Case) cells() float64 { return float64(max(c.Cells, 1)) }

// roundLevel says that a narrow range of levels holds a round one: a tenth of a volt, or a twentieth of one per cell.
func roundLevel(lo, hi, cells float64) bool {
	if hi-lo > 0.4 {
		return false
	}
	if hi-lo > 0.03 {
		// A wide range holds a tenth of a volt by chance, a whole or half volt hardly.
		return math.Floor(hi/0.5+1e-9)*0.5 > lo
	}
	for _, q := range []float64{0.1, 0.05 * cells} {
		if math.Floor(hi/q+1e-9)*q > lo {
			return true
		}
	}
	return false
}

// rowAfter is the number of the first data row at or after reading k, counted from 1; 0 if there is none.
func (c *Case) rowAfter(k int) int {
	for r, q := range c.At {
		if q >= k {
			return r + 1
		}
	}
	return 0
}

// Charging names why a charge was not ended when it was due.
func Charging(c *Case, k *ChargeEnd) []verdict.Finding {
	if k == nil || !k.Bad {
		return nil
	}
	f := c.finding("charge-late", ofFirmware, 0.8, -1)
	at := k.Off
	switch {
	case k.Off < 0:
		f = c.finding("charge-never", ofFirmware, 0.95, -1)
		at = k.Due
		f.Evidence = fmt.Sprintf("%.3f V and %.3f A were reached and the charger was never switched off", k.Level, k.Taper)
		switch {
		case k.Over < 30*k.Limit:
			f.Confidence = 0.6
			f.Evidence += ", but the step ended soon after: late looks the same"
		case k.MinI > k.Taper/10:
			f.Confidence = 0.6
			f.Evidence += fmt.Sprintf(", but a taper below %.3f A looks the same", k.MinI)
			f.Rivals = []string{"charge-wrong-level", "charge-late"}
		}
	case k.Early:
		f = c.finding("charge-wrong-level", ofFirmware, 0.9, -1)
		f.Evidence = fmt.Sprintf("off at %.3f V and %.3f A, before %.3f V and %.3f A were reached", k.MaxV, k.MinI, k.Level, k.Taper)
	default:
		delay := 0.0
		for q := k.DueLate + 1; q <= k.Off && q < len(c.Series.Dt); q++ {
			delay += c.Series.Dt[q]
		}
		f.Evidence = fmt.Sprintf("off %.0f s after level and taper were reached, at %.3f A for a taper of %.3f A", delay, c.Series.I[min(k.Off, len(c.Series.I)-1)], k.Taper)
	}
	f.AtS = c.Seconds(at)
	f.Row = c.rowAfter(at)
	return []verdict.Finding{f}
}

// Process names how a logger failed as a process, and what that left closed.
func Process(c *Case) []verdict.Finding {
	o := c.Record.Outcome
	if o.Failure == nil {
		return nil
	}
	f := c.finding(string(o.Failure.Kind), ofFirmware, 0.99, -1)
	f.AtS = c.Seconds(o.Reading)
	f.Evidence = o.Failure.Error()
	if o.Failure.Hint != "" {
		f.Evidence += " (" + o.Failure.Hint + ")"
	}
	f.Wrote = o.Failure.Line
	out := []verdict.Finding{f}
	n := len(c.Record.Readings.T)
	k := min(max(o.Reading, 0), n-1)
	if k < 0 || !o.Greeted || o.Failure.Kind == link.Garbled {
		return out // after a garbled line it was the bench that did not go on
	}
	// A hand-over step that was under load when the logger went is left closed for good.
	for _, st := range c.Record.Steps {
		if st.Step.Kind == model.Discharge && st.Step.Ends.Logger > 0 && k >= st.First && (k <= st.Last || st.Last < st.First) {
			if c.Series.Flags[k]&emulator.LoadClosed != 0 {
				g := c.finding("load-left-on", ofFirmware, 0.9, -1)
				g.AtS = c.Seconds(k)
				g.Evidence = "the load was closed when the logger stopped answering, and nothing else would have opened it"
				out = append(out, g)
			}
		}
	}
	return out
}
