package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"math"
	"os"
	"time"

	"stuntcell/model"
	"stuntcell/validate/audit"
	"stuntcell/validate/logfile"
)

// followEvery is how often a growing log is looked at.
const followEvery = time.Second

func sameFile(a, b string) bool {
	x, err1 := os.Stat(a)
	y, err2 := os.Stat(b)
	return err1 == nil && err2 == nil && os.SameFile(x, y)
}

// followLog follows a log that still grows, and says where it stands whenever it has grown by a minute, until the run is interrupted; then it
// writes the whole report.
func followLog(ctx context.Context, std streams, b *bench, o auditOptions, name string) error {
	f, err := os.Open(name)
	if err != nil {
		return err
	}
	defer f.Close()
	rd := logfile.NewReader(f, logfile.Options{Columns: o.columns, Follow: true})
	a := audit.New(audit.Options{Channel: o.channel, Cutoff: o.cutoff, Taper: o.taper})
	curve := &rehearsed{b: b, pack: o.pack, cutoff: o.cutoff}
	told, any := math.Inf(-1), false
	for {
		t, err := rd.Next()
		switch {
		case err == nil:
			if err := a.Add(t); err != nil {
				return inLog(name, err)
			}
			any = any || len(t.Rows) > 0
			continue
		case !errors.Is(err, io.EOF):
			return inLog(name, err)
		}
		if any {
			if p := a.Progress(); p.Time >= told+60 || p.Rows > 0 && math.IsInf(told, -1) {
				told = p.Time
				fmt.Fprintln(std.out, curve.line(p, o.cutoff))
			}
		}
		select {
		case <-ctx.Done():
			if any {
				r := a.Finish()
				r.Log = name
				fmt.Fprintln(std.out)
				if err := r.WriteText(std.out); err != nil {
					return err
				}
			}
			return interrupted
		case <-time.After(followEvery):
		}
	}
}

// rehearsed is what the pack would do at the log's current, simulated once there is one.
type rehearsed struct {
	b      *bench
	pack   string
	cutoff float64
	amps   float64
	charge []float64 // drawn [A·s], rising
	volts  []float64
	why    string // why there is none
}

// onCurve is how far from the rehearsed voltage still counts as on it: a hundredth, about what packs of one kind differ by.
const onCurve = 0.01

// line says where the log stands, and below it what there is to say of that.
func (c *rehearsed) line(p audit.Progress, cutoff float64) string {
	s := fmt.Sprintf("%s %5d rows %7.3f V %7.4g A %s %.4f Ah", audit.Span(p.Time), p.Rows, p.Voltage, p.Current, p.Kind, p.Charge/3600)
	if p.Kind != audit.Discharge {
		return s
	}
	if cutoff > 0 && p.Voltage < cutoff {
		return s + fmt.Sprintf("\n    below %.3f V: the load should be off by now; if it is not, switch it off", cutoff)
	}
	if amps := math.Abs(p.Current); c.pack != "" && c.why == "" && amps > 0 && math.Abs(amps-c.amps) > 0.05*amps {
		c.run(amps)
	}
	if n := len(c.charge); n > 1 {
		left := (c.charge[n-1] - p.Charge) / c.amps
		v := c.at(p.Charge)
		where := "on the rehearsed curve"
		switch off := p.Voltage - v; {
		case off < -onCurve*v:
			where = fmt.Sprintf("%.0f mV below the rehearsed curve", -1000*off)
		case off > onCurve*v:
			where = fmt.Sprintf("%.0f mV above the rehearsed curve", 1000*off)
		}
		if left > 0 {
			return s + "\n    " + where + "; left about " + audit.Span(left)
		}
		return s + "\n    " + where + "; it has given more than was rehearsed"
	}
	if c.why != "" {
		s += "\n    no rehearsed curve: " + c.why
	}
	if cutoff > 0 && p.Slope < 0 {
		s += "\n    " + audit.Span((cutoff-p.Voltage)/p.Slope) + " left at this slope, which changes"
	}
	return s
}

// run rehearses the discharge at so many amperes.
func (c *rehearsed) run(amps float64) {
	c.amps, c.charge, c.volts = amps, nil, nil
	p, err := c.b.packNamed(c.pack)
	if err != nil {
		c.why = err.Error()
		return
	}
	end := c.cutoff
	if end == 0 {
		if end, err = p.Level("end", amps); err != nil {
			c.why = err.Error()
			return
		}
	}
	course, err := model.NewCourse(p, model.DischargePlan(amps, end), model.Options{})
	if err != nil {
		c.why = err.Error()
		return
	}
	drawn := 0.0
	for !course.Done() {
		s := course.Next(course.Now() + 60e9)
		drawn -= s.Charge(s.T0, s.T1)
		c.charge = append(c.charge, drawn)
		c.volts = append(c.volts, s.Voltage(s.T1))
	}
}

// at is the rehearsed voltage after so much charge.
func (c *rehearsed) at(q float64) float64 {
	for i := 1; i < len(c.charge); i++ {
		if q <= c.charge[i] {
			f := (q - c.charge[i-1]) / (c.charge[i] - c.charge[i-1])
			return c.volts[i-1] + math.Max(0, f)*(c.volts[i]-c.volts[i-1])
		}
	}
	return c.volts[len(c.volts)-1]
}
