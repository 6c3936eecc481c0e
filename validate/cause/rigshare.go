package cause

import (
	"fmt"
	"math"
	"slices"
	"sort"

	"stuntcell/emulator"
	"stuntcell/emulator/rig"
	"stuntcell/validate/logfile"
	"stuntcell/validate/replay"
	"stuntcell/validate/verdict"
)

// Shares is what RigShare compares: the parts of the blame over their throughputs, and the limits.
type Shares struct {
	Charge, Energy           verdict.Blame
	HasCharge, HasEnergy     bool
	ChargeLimit, EnergyLimit float64 // ratios
}

// RigShare reports the rig's own part of a deviation above a quarter of the limit, as advice: the battery's owner has it
// even with perfect firmware.
func RigShare(c *Case, r *rig.Rig, sh Shares) []verdict.Finding {
	var out []verdict.Finding
	advise := func(name, of string, share float64, ev string) {
		f := c.finding(name, of, 0.9, -1)
		f.Severity = verdict.Advice
		f.Evidence = ev
		if share > 0 {
			f.Cost = fmt.Sprintf("about %.2g %% of the figure", 100*share)
		}
		out = append(out, f)
	}
	n := c.Series.Len()
	if n < 2 {
		return nil
	}
	elapsed := c.span(0, n-1)
	quarter, quarterE := sh.ChargeLimit/4, sh.EnergyLimit/4
	amps, peak := c.currents()
	if g := math.Abs((1+r.Shunt.Error)*(1+r.Front.ShuntGain) - 1); g > quarter {
		advise("shunt-gain", ofFront, g, fmt.Sprintf("shunt and front end together read %+.3g %%", 100*((1+r.Shunt.Error)*(1+r.Front.ShuntGain)-1)))
	}
	offset := math.Abs(r.Front.ShuntOffset) / math.Max(r.Shunt.Nominal, 1e-12)
	if share := offset * elapsed / math.Max(c.Throughput, 1e-12); share > quarter {
		advise("zero-offset", ofFront, share, fmt.Sprintf("the front end shows %.3g A at no current", offset))
	}
	clipped := 0
	for k := range c.Record.Readings.Shunt {
		if s := c.Record.Readings.Shunt[k]; int64(s) >= c.Record.Greeting.ShuntMax || int64(s) <= -c.Record.Greeting.ShuntMax && c.Series.Good(k) {
			clipped++
		} else if b := c.Record.Readings.Bus[k]; int64(b) >= c.Record.Greeting.BusMax {
			clipped++
		}
	}
	if clipped > 0 {
		advise("clipped", ofFront, 0, fmt.Sprintf("%d readings stand at the end of the range: what was beyond is not in the log", clipped))
	}
	if sh.HasCharge {
		front := math.Abs(sh.Charge.FrontEnd) / math.Max(c.Throughput, 1e-12)
		if front > quarter && c.waveform() && clipped == 0 && offset*elapsed < front*c.Throughput/2 && math.Abs((1+r.Shunt.Error)*(1+r.Front.ShuntGain)-1) < front/2 {
			advise("aliased", ofFront, front, "the conversions keep step with the load's waveform, so that their mean is not the current's mean")
		}
		if share := math.Abs(sh.Charge.Sampling) / math.Max(c.Throughput, 1e-12); share > sh.ChargeLimit {
			advise("too-slow-to-see", ofSampling, share, "the load changes faster than readings come: even perfect firmware would be off by this")
			if c.Series.HasFailed && !c.waveform() {
				f := &out[len(out)-1]
				f.Evidence = "the current changed while readings failed: even perfect firmware would be off by this"
				f.Mend = "Find out why readings fail: what happens meanwhile is in no log."
			}
		}
	}
	if r.Wiring.Lead > 0 {
		if share := r.Wiring.Lead * peak / math.Max(c.meanVolts(), 1e-6); share > quarterE {
			advise("lead-drop", ofRig, share, fmt.Sprintf("%.3g V are lost in the leads at %.3g A before the bus tap", r.Wiring.Lead*peak, peak))
		}
	}
	if r.Wiring.BusBehindShunt {
		if share := r.Shunt.Nominal * amps / math.Max(c.meanVolts(), 1e-6); share > quarterE {
			advise("burden", ofRig, share, fmt.Sprintf("the bus is measured behind the shunt, which drops %.3g V at %.3g A", r.Shunt.Nominal*peak, peak))
		}
	}
	if r.Wiring.Draw > 0 && !r.Wiring.DrawThroughShunt {
		if share := r.Wiring.Draw * elapsed / math.Max(c.Throughput, 1e-12); share > quarter {
			advise("own-draw", ofRig, share, fmt.Sprintf("the rig draws %.3g A from the pack beside the shunt", r.Wiring.Draw))
		}
	}
	if r.Wiring.Bypass > quarter && r.Shunt.Low {
		advise("bypass", ofRig, r.Wiring.Bypass, fmt.Sprintf("%.3g %% of the current returns around the low-side shunt by another ground path", 100*r.Wiring.Bypass))
	}
	if ppm := math.Abs(r.Tick.PPM) * 1e-6; ppm > quarter && c.Meter.Source != replay.ReadingsRTC {
		advise("tick-rate", ofClock, ppm, fmt.Sprintf("the counter runs off by %+.4g ppm", r.Tick.PPM))
	}
	if ppm := math.Abs(r.Clock.PPM) * 1e-6; ppm > quarter && (c.Meter.Source == replay.ReadingsRTC || c.Table.Find(logfile.Clock, 1) != nil) && !r.Clock.Absent {
		advise("rtc-rate", ofClock, ppm, fmt.Sprintf("the clock runs off by %+.4g ppm", r.Clock.PPM))
	}
	for _, e := range c.Record.Events {
		if e.Kind == emulator.ClockIsSet && c.Table.Find(logfile.Clock, 1) != nil {
			advise("rtc-step", ofClock, 0, fmt.Sprintf("the clock was set by %+d s in mid run: printed times jump", e.Value))
			out[len(out)-1].AtS = float64(e.T) * 1e-9
			break
		}
	}
	if amps > 0 && c.Series.Amp > 0.01*amps {
		advise("coarse-count", ofRig, c.Series.Amp/amps/2, fmt.Sprintf("one count is %.3g A, %.2g %% of the test current of %.3g A: the shunt is large for it", c.Series.Amp, 100*c.Series.Amp/amps, amps))
	}
	for _, col := range c.Column {
		if col.Role == Elapsed {
			continue
		}
		if u := usualUnit(col); u > col.Limit && c.Throughput > 0 {
			f := c.finding("clumsy-number", ofFirmware, 0.95, -1)
			f.Severity = verdict.Advice
			f.Evidence = fmt.Sprintf("column %q is printed in steps of %.3g %s, more than the limit of this run allows", col.Header, u/col.Display, unitOr(col))
			out = append(out, f)
			break
		}
	}
	return out
}

// usualUnit is the printed unit of most rows: where zeros at the end are left out, a round number does not show how finely a column is printed.
func usualUnit(col *Column) float64 {
	units := slices.DeleteFunc(slices.Clone(col.Printed.Unit), math.IsNaN)
	if len(units) == 0 {
		return 0
	}
	return median(units)
}

// currents is the median magnitude of the true current while one flows, and the largest [A].
func (c *Case) currents() (median, peak float64) {
	var v []float64
	step := max(1, len(c.Series.W)/20000)
	for k := 0; k < len(c.Series.W); k += step {
		if a := math.Abs(c.Series.W[k]); a > c.Series.Amp/4 && a > 1e-6 {
			v = append(v, a)
			peak = max(peak, a)
		}
	}
	if len(v) == 0 {
		return 0, 0
	}
	sort.Float64s(v)
	return v[len(v)/2], peak
}

// meanVolts is the mean true voltage [V].
func (c *Case) meanVolts() float64 {
	s := 0.0
	for _, u := range c.Series.U {
		s += u
	}
	return s / float64(max(len(c.Series.U), 1))
}

// waveform says that a step of the plan has a load that changes within a reading.
func (c *Case) waveform() bool {
	for _, st := range c.Record.Steps {
		if st.Step.Load.Period > 0 || st.Step.Load.RippleHz > 0 || len(st.Step.Load.Table) > 0 {
			return true
		}
	}
	return false
}
