package validate

import (
	"fmt"
	"math"

	"stuntcell/validate/logfile"
	"stuntcell/validate/verdict"
)

// checkClock makes the check clock: printed date and time against the clock's face, in one fixed zone.
func (j *judge) checkClock() {
	c := j.clockColumn
	skip := ""
	switch {
	case j.rec.Cannot["clock"]:
		skip = "cannot clock"
	case c == nil:
		skip = "the log has no date or time of day"
	case !j.series.HasClock:
		skip = "the rig has no clock"
	}
	if skip != "" {
		j.checks = append(j.checks, verdict.Check{Name: "clock", Skipped: skip})
		return
	}
	limit := limitClock
	if j.sc.Expect.Clock > 0 {
		limit = float64(j.sc.Expect.Clock) * 1e-9
	}
	worst, row, seen := 0.0, -1, false
	j.clockDeviation = make([]float64, len(j.at))
	for r, v := range c.Value {
		k := j.at[r]
		j.clockDeviation[r] = math.NaN()
		if math.IsNaN(v) || !faced(&j.rec.Readings, k) {
			continue
		}
		seen = true
		d := v - float64(j.zone) - float64(j.rec.Readings.Clock[k])
		if c.NoDate {
			d = math.Remainder(d, 86400)
		}
		j.clockDeviation[r] = d
		// Rows held to a coarser print (minutes) are held to that.
		lim := max(limit, c.Step[r]) + 1e-6
		if a := math.Abs(d); a > lim && (row < 0 || a > math.Abs(worst)) || row < 0 && a > math.Abs(worst) {
			if a > lim && row < 0 {
				row = r
			}
			worst = d
		}
	}
	chk := verdict.Check{Name: "clock", Unit: "s"}
	// A date that no calendar has is no time at all.
	for _, p := range j.table.Problems {
		if p.Kind == logfile.WrongDate && j.impossible == "" {
			j.impossible, j.impossibleLine = p.Text, p.Line
		}
	}
	if j.impossible != "" {
		no := false
		chk.Pass, chk.Detail = &no, "a row shows "+p0(j.impossible)
	} else if !seen {
		chk = verdict.Check{Name: "clock", Skipped: "no rows with a time"}
	} else {
		low := -limit
		ok := row < 0
		chk.Value, chk.LimitLow, chk.LimitHigh, chk.Pass = &worst, &low, &limit, &ok
		if row >= 0 {
			n := row + 1
			chk.Row = &n
		}
		chk.Detail = fmt.Sprintf("column %q, zone %+d min", c.Header, j.zone/60)
	}
	j.clockRow = row
	j.checks = append(j.checks, chk)
}

// p0 quotes the beginning of a row.
func p0(s string) string {
	if len(s) > 40 {
		s = s[:40] + "..."
	}
	return fmt.Sprintf("%q", s)
}
