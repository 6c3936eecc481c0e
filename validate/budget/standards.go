package budget

import (
	"fmt"
	"math"
)

// Clause is what a standard asks of the measuring equipment, and what this rig has: relative to the reading in the test, and K for the temperature.
type Clause struct {
	Standard string `json:"standard"`
	Status   string `json:"status"` // how its figures are known
	// Asked and Has are voltage, current, time [1] and temperature [K].
	Asked Accuracy `json:"asked"`
	Has   Accuracy `json:"has"`
	Meets bool     `json:"meets"`
	// Fails names the quantities that are not good enough.
	Fails []string `json:"fails"`
}

// Accuracy is a limit for each quantity.
type Accuracy struct {
	Voltage     float64 `json:"voltage"`
	Current     float64 `json:"current"`
	Time        float64 `json:"time"`
	Temperature float64 `json:"temperature_K"`
}

// clauses are the accuracies of reference/instrument_accuracy.csv that were seen or quoted. A class 0.5 instrument is held to 0.5 % of its reading here, which
// is stricter than of its range.
var clauses = [...]struct {
	name, status string
	asked        Accuracy
}{
	{"IEC 62660-2, 4.3", "figures read in the identical national edition of 2014", Accuracy{0.001, 0.01, 0.001, 2}},
	{"IEC 60896-2-1:2002, 3.1", "figures read in the draft of 60896-21; class 0.5, taken of the reading", Accuracy{0.005, 0.005, 0.001, 1}},
	{"IEC 61951-2:2022, 4", "figures as quoted in public, the clause itself not seen", Accuracy{0.01, 0.01, 0.001, 2}},
}

// Has returns the limits of the rig in the test, all of one quantity added up as if they lay the same way.
func (c Capacity) Has() Accuracy {
	l, f, r := c.Limits, c.Figure, c.Rig
	// Of a calibrated channel, two standard uncertainties are the limit.
	if k := c.Current; k != nil {
		l.Shunt.Half, l.Gain.Half = 2*math.Hypot(k.Gain, k.MeterGain), 0
		l.Offset.Half = 2 * math.Hypot(k.Offset, k.MeterOffset) * r.Shunt.Nominal
	}
	if k := c.Voltage; k != nil {
		l.BusGain.Half, l.BusOffset.Half = 2*math.Hypot(k.Gain, k.MeterGain), 2*math.Hypot(k.Offset, k.MeterOffset)
	}
	power := f.Current * f.Current * r.Shunt.Nominal
	current := l.Shunt.Half + l.TempCo.Half*(l.Ambient.Half+(r.Shunt.Rise+l.Rise.Half)*power) + l.Gain.Half +
		(l.Offset.Half+l.Thermal.Half+l.Drift.Half*f.Duration+r.Front.ShuntStep/2)/(r.Shunt.Nominal*f.Current) + l.Bypass.Half + l.Draw.Half/f.Current
	at := f.Voltage
	if f.End > 0 {
		at = math.Min(at, f.End)
	}
	voltage := l.BusGain.Half + (l.BusOffset.Half+r.Front.BusStep/2+l.Lead.Half*f.Current)/at
	return Accuracy{Voltage: voltage, Current: current, Time: l.Tick.Half, Temperature: l.Cell.Half}
}

// Clauses says of each standard whether the rig would meet it.
func (c Capacity) Clauses() []Clause {
	has := c.Has()
	var out []Clause
	for _, k := range clauses {
		x := Clause{Standard: k.name, Status: k.status, Asked: k.asked, Has: has, Fails: []string{}}
		for _, q := range [...]struct {
			name       string
			has, asked float64
		}{{"voltage", has.Voltage, k.asked.Voltage}, {"current", has.Current, k.asked.Current}, {"time", has.Time, k.asked.Time}, {"temperature", has.Temperature, k.asked.Temperature}} {
			if q.has > q.asked {
				x.Fails = append(x.Fails, q.name)
			}
		}
		x.Meets = len(x.Fails) == 0
		out = append(out, x)
	}
	return out
}

// row is the clause as a line of a table: what is asked, marked where the rig is not good enough.
func (c Clause) row() string {
	verdict := "met"
	if !c.Meets {
		verdict = "not met"
	}
	cell := func(has, asked, scale float64) string {
		mark := " "
		if has > asked {
			mark = "!"
		}
		return fmt.Sprintf("%8.2g%s", asked*scale, mark)
	}
	return fmt.Sprintf("  %-26s %s %s %s %s  %s\n", c.Standard, cell(c.Has.Voltage, c.Asked.Voltage, 100), cell(c.Has.Current, c.Asked.Current, 100),
		cell(c.Has.Time, c.Asked.Time, 100), cell(c.Has.Temperature, c.Asked.Temperature, 1), verdict)
}
