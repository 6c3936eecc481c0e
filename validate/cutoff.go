package validate

import (
	"fmt"
	"math"

	"stuntcell/emulator"
	"stuntcell/model"
	"stuntcell/validate/cause"
	"stuntcell/validate/verdict"
)

// checkCutoff makes the check cutoff: the charge drawn between the first instant that fits the readings and the hold, and
// the logger's switch, against the longer of 12 readings' worth and 0.2 % of the step's.
func (j *judge) checkCutoff() {
	chk := verdict.Check{Name: "cutoff", Unit: "A·s"}
	var step *emulator.StepRun
	for i := range j.rec.Steps {
		st := &j.rec.Steps[i]
		if st.Step.Kind == model.Discharge && st.Step.Ends.Logger > 0 {
			step = st
		}
	}
	switch {
	case j.rec.Cannot["load"]:
		chk = verdict.Check{Name: "cutoff", Skipped: "cannot load"}
	case step == nil:
		chk = verdict.Check{Name: "cutoff", Skipped: "no step hands over the cutoff"}
	case j.rec.Stream:
		chk = verdict.Check{Name: "cutoff", Skipped: "a plain stream cannot switch"}
	}
	if chk.Skipped != "" {
		j.checks = append(j.checks, chk)
		return
	}
	c := j.cut(step)
	j.cutoff = c
	// A run that the logger's failure ended says nothing about a cutoff that was not yet due.
	if j.rec.Outcome.Failure != nil && (c.Due < 0 || !c.HasOff && c.Due >= j.rec.Outcome.Reading-cutoffSlack) {
		j.checks = append(j.checks, verdict.Check{Name: "cutoff", Skipped: "the logger stopped before it was due"})
		return
	}
	limit := max(cutoffSlack*c.PerReading, or(j.sc.Expect.Cutoff, limitCutoff)*math.Abs(step.Charge))
	over := c.Over
	// Twelve readings are allowed however long a stall made them: the logger saw no more.
	known := step.Last
	if c.HasOff {
		known = min(c.Off, step.Last)
	}
	ok := over <= limit*(1+1e-9) || c.Due >= 0 && known-c.Due <= cutoffSlack
	detail := ""
	switch {
	case c.Chatter > 0:
		ok, detail = false, fmt.Sprintf("the load was switched on again %d times after the stop", c.Chatter)
	case !c.HasOff:
		switch {
		case c.Due >= 0 && known-c.Due > cutoffSlack:
			ok, detail = false, "the load was never switched off"
		case step.Why == model.ByFloor && !c.LeftOn:
			j.checks = append(j.checks, verdict.Check{Name: "cutoff", Skipped: "the floor came before the logger could know"})
			return
		}
	case c.NeverBelow:
		ok, detail = false, "off before any reading was below the level"
	case c.Early:
		if j.sc.Expect.Pulses {
			ok = false
		}
		detail = "off after a reading below the level but before the hold had passed"
	}
	if c.LeftOn {
		ok, detail = false, "load still closed while no good reading came"
	}
	zero := 0.0
	value := &over
	if !ok && over <= limit {
		value = nil // it is not the charge by which it fails: detail says by what
	}
	chk.Value, chk.LimitLow, chk.LimitHigh, chk.Pass, chk.Detail = value, &zero, &limit, &ok, detail
	c.Bad = !ok
	c.Limit = limit
	j.checks = append(j.checks, chk)
}

// cut looks at how a step that hands over the cutoff was ended.
func (j *judge) cut(step *emulator.StepRun) *cause.Cutoff {
	rd := &j.rec.Readings
	c := &cause.Cutoff{Step: step, Due: -1, Off: -1, FirstBelow: -1, Level: float64(j.rec.Greeting.CutoffMV) / 1000,
		Hold: float64(j.rec.Greeting.CutoffHoldMS) / 1000}
	first, last := step.First, step.Last
	if last < first {
		return c
	}
	for _, e := range j.rec.Events {
		if e.Kind != emulator.SaidLoad || e.T < step.Begin || e.T > step.End {
			continue
		}
		switch {
		case e.Value == 0 && !c.HasOff:
			c.HasOff, c.Off, c.OffT = true, e.Reading, float64(e.T)*1e-9
		case e.Value == 1 && c.HasOff:
			c.Chatter++
			if c.Chatter == 1 {
				c.OnAgain = e.Reading
				c.AfterCut = j.cutBetween(c.OffT, float64(e.T)*1e-9)
			}
		}
	}
	// A load that the bench finds closed again after a power cut that followed the stop, without the logger saying so,
	// stands where it stood before; a logger that then says nothing has not closed it.
	end := last
	if c.HasOff {
		end = min(c.Off, last)
	}
	// The lowest reading of the step up to the stop, and the first instant that fits level and hold.
	low := math.Inf(1)
	lost := j.sc.Setup.Rig.Wiring.Lead // [ohm]
	if j.rec.Greeting.BusAt == 1 {
		lost += float64(j.rec.Greeting.ShuntNohm) * 1e-9
	}
	since, seen := -1.0, int64(0)
	t := 0.0
	drop := 0.0
	badRun := 0.0
	blind := 0 // failed readings in a row since the hold passed, the last good one being below the level
	for k := first; k <= end; k++ {
		if k > first {
			t += j.series.Dt[k]
			if j.series.Life[k] != j.series.Life[k-1] {
				since, seen = -1, 0 // a hold that was running is not kept over a power cut
			}
		}
		if !j.series.Good(k) {
			if v := j.series.Half(k).V; v >= c.Level {
				since, seen, blind = -1, 0, 0 // who looks at the half that came sees that the pack has recovered
			} else if v < low {
				low, c.LowAt = v, k
			}
			badRun += j.series.Dt[k]
			c.BadSpan = max(c.BadSpan, badRun)
			if since >= 0 && t-since >= c.Hold-1e-9 && c.Due < 0 {
				blind++
			}
			// It need not have known at once that the sensor stays away, but by now.
			c.LeftOn = c.LeftOn || blind > cutoffSlack
			continue
		}
		if badRun > 0 && badRun >= c.BadSpan {
			c.BadEnd = k
		}
		badRun, blind = 0, 0
		v := j.series.V[k]
		drop = math.Abs(j.series.I[k]) * (j.sc.Setup.Rig.Wiring.Lead + float64(j.rec.Greeting.ShuntNohm)*1e-9)
		if v < low {
			low, c.LowAt = v, k
		}
		if v < c.Level && c.FirstBelow < 0 {
			c.FirstBelow = k
		}
		// Who adds back what is lost between pack and tap stops later.
		if v+math.Abs(j.series.I[k])*lost < c.Level {
			if since < 0 {
				since = t
			}
			// A hold may be counted in readings, which take longer than they should where the loop is slow.
			if seen++; t-since >= c.Hold-1e-9 && seen > j.rec.Greeting.CutoffHoldMS/max(j.rec.Greeting.ReadMS, 1) && c.Due < 0 {
				c.Due = k
			}
		} else {
			since, seen = -1, 0
		}
		if c.Due < 0 {
			c.PerReading = math.Abs(j.series.I[k]) * j.series.Period
		}
	}
	c.Low = low
	c.Drop = drop
	c.NeverBelow = c.HasOff && low >= c.Level+drop+j.series.Volt
	if c.HasOff && c.FirstBelow >= 0 && (c.Due < 0 || c.Due > c.Off) {
		// A hold counted in readings is as long as one that is counted in time.
		n := 0
		for k := c.Off; k >= first && (!j.series.Good(k) || j.series.V[k] < c.Level+j.series.Volt); k-- {
			n++
		}
		nominal := c.Hold / j.series.Period
		c.Early = float64(n) < nominal-1 && j.span(c.Off-n+1, c.Off) < c.Hold-2*j.series.Period
	}
	// Charge drawn after the stop was due.
	due := c.Due
	if due >= 0 {
		stop := last
		if c.HasOff {
			stop = min(max(c.Off, due), len(rd.T)-1)
		} else if step.Last+1 < len(rd.T) {
			stop = step.Last + 1
		}
		c.Over = rd.Throughput[stop] - rd.Throughput[due]
	}
	if !c.HasOff && j.rec.Outcome.Failure == nil && c.FirstBelow >= 0 && c.BadSpan > c.Hold+cutoffSlack*j.series.Period {
		// A reading was below the level, and no good one came until it was too late: the logger must give up on a sensor that stays away.
		c.LeftOn = c.LeftOn || badRun > 0 || c.BadEnd > 0 && last-c.BadEnd < cutoffSlack
	}
	return c
}

// cutBetween says that the power failed between two instants [s].
func (j *judge) cutBetween(a, b float64) bool {
	for _, e := range j.rec.Events {
		if t := float64(e.T) * 1e-9; e.Kind == emulator.PowerFails && t >= a && t <= b {
			return true
		}
	}
	return false
}

// span is the true time between two readings [s].
func (j *judge) span(a, b int) float64 {
	t := 0.0
	for k := max(a, 0) + 1; k <= b && k < len(j.series.Dt); k++ {
		t += j.series.Dt[k]
	}
	return t
}

// chargeBand is the share of the end voltage from which a charge counts as at its end voltage: charger and front end may
// each be off by one per cent (common practice).
const chargeBand = 0.98

// chargeFlows is how many counts of current are no offset of a front end.
const chargeFlows = 10

// checkCharge makes the check charge-end for a logger that says it can end charging.
func (j *judge) checkCharge() {
	if !j.rec.Can["charge"] {
		return
	}
	var step *emulator.StepRun
	for i := range j.rec.Steps {
		st := &j.rec.Steps[i]
		if st.Step.Kind == model.Charge && st.Step.Ends.Logger > 0 {
			step = st
		}
	}
	if step == nil || step.Last < step.First {
		return
	}
	c := &cause.ChargeEnd{Step: step, Due: -1, Off: -1, Level: float64(j.rec.Greeting.ChargeEndMV) / 1000,
		Taper: float64(j.rec.Greeting.ChargeTaperMA) / 1000}
	for _, e := range j.rec.Events {
		if e.Kind == emulator.SaidCharge && e.Value == 0 && c.Off < 0 && e.T >= step.Begin && e.T <= step.End {
			c.Off = e.Reading
		}
	}
	low := math.Inf(1)
	flowed := false
	run, runV := 0, 0.0 // readings in a row at or below the taper, and the sum of their volts
	held := j.heldBy()
	for k := step.First; k <= step.Last; k++ {
		i, v := j.series.I[k], j.series.V[k]
		if !j.series.Good(k) {
			// One that holds what failed may go by the half that came; nobody need.
			if _, lone := j.series.Lone[k]; lone && held[k] >= 0 {
				i, v = j.series.Half(k).Or(j.series.I[held[k]], j.series.V[held[k]])
				if c.Due < 0 && v >= chargeBand*c.Level && i <= c.Taper+j.series.Amp {
					c.Due = k
				}
			}
			continue
		}
		if k <= c.Off || c.Off < 0 {
			c.MaxV = max(c.MaxV, v)
			low = min(low, i)
		}
		// Nobody can call a stop early that came after one reading at the taper, at the level within what regulation and
		// front end leave.
		if c.Due < 0 && v >= chargeBand*c.Level && i <= c.Taper+j.series.Amp {
			c.Due = k
		}
		// Nobody can miss twelve readings in a row at the taper, their voltage on the mean at the level as it reads, once a current flowed
		// that no offset of the front end makes: a full battery at rest, or one whose protection has opened, shows the same.
		flowed = flowed || i > chargeFlows*j.series.Amp
		if flowed && i <= c.Taper {
			run, runV = run+1, runV+v
		} else {
			run, runV = 0, 0
		}
		if c.DueLate == 0 && run >= cutoffSlack && runV/float64(run) >= c.Level-2*j.series.Volt {
			c.DueLate = k
		}
		if c.DueLate == 0 {
			c.PerReading = math.Abs(i) * j.series.Period
		}
	}
	c.MinI = low
	rd := &j.rec.Readings
	late := c.DueLate
	limit := max(cutoffSlack*c.PerReading, limitCutoff*math.Abs(step.Charge))
	ok := true
	detail := ""
	switch {
	case c.Off < 0 && late > 0 && step.Last-late > cutoffSlack && step.Why != model.ByLogger:
		c.Over = rd.Throughput[step.Last] - rd.Throughput[late]
		// Where the battery's protection has opened nothing flows that a switch could stop.
		if ok = c.Over <= limit; !ok {
			detail = "the charger was never switched off"
		}
	case c.Off >= 0 && (c.Due < 0 || c.Off < c.Due):
		ok, detail = false, "off before level and taper were reached"
		c.Early = true
	case c.Off >= 0 && late > 0 && c.Off > late:
		c.Over = rd.Throughput[min(c.Off, len(rd.T)-1)] - rd.Throughput[late]
		ok = c.Over <= limit
	}
	over, zero := c.Over, 0.0
	c.Bad, c.Limit = !ok, limit
	j.chargeEnd = c
	j.checks = append(j.checks, verdict.Check{Name: "charge-end", Unit: "A·s", Value: &over, LimitLow: &zero, LimitHigh: &limit, Pass: &ok, Detail: detail})
}
