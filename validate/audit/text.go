package audit

import (
	"fmt"
	"io"
	"math"
	"strconv"
	"strings"

	"stuntcell/validate/budget"
)

// mostPrinted is how many phases and findings are printed for a person; the JSON has all.
const mostPrinted = 40

// WriteText writes the report for a person, 80 columns wide.
func (r *Report) WriteText(w io.Writer) error {
	var b strings.Builder
	p := func(format string, a ...any) { fmt.Fprintf(&b, format, a...) }
	if r.Log != "" {
		p("Audit of %s\n", ending(r.Log))
	}
	p("%d rows over %s, by %s, usually every %.4g s", r.Rows, Span(r.Duration), r.Timebase, r.Interval)
	if r.Broken > 0 {
		p("; %d broken", r.Broken)
	}
	p("\nin %.4f Ah, %.3f Wh; out %.4f Ah, %.3f Wh (trapezoid over the rows)\n", r.In/3600, r.EnergyIn/3600, r.Out/3600, r.EnergyOut/3600)
	p("sampling hides at most %.2g Ah, %.2g Wh (u %.2g Ah, %.2g Wh) if nothing\npulses between two rows\n", r.Bound/3600, r.EnergyBound/3600, r.Sampling/3600, r.EnergySampling/3600)
	if r.Coulombic != nil {
		p("efficiency, out over in: coulombic %.2f %%, energy %.2f %%\n", 100**r.Coulombic, 100**r.EnergyRatio)
	}
	if r.Clock != nil {
		p("clock against %s: %+.0f ppm, within %.0f ppm (only their difference is known)\n", r.Timebase, r.Clock.PPM, r.Clock.Bound)
	}
	p("\n%-9s %9s %8s %8s %8s %7s %7s %7s\n", "phase", "time", "Ah", "Wh", "A mean", "V from", "to", "low")
	for i, q := range r.Phases {
		if i == mostPrinted {
			p("... %d more phases\n", len(r.Phases)-i)
			break
		}
		p("%-9s %9s %8s %8s %8s %7s %7s %7s\n", q.Kind, Span(q.End-q.Begin), figures(q.Charge/3600), figures(q.Energy/3600), figures(q.Current), volts(q.VStart), volts(q.VEnd), volts(q.VLow))
		end := q.Ended
		if q.Pulses > 0 {
			end += fmt.Sprintf("; %d short breaks inside", q.Pulses)
		}
		b.WriteString(budget.Wrap(end, "          ended: ", "                 "))
	}
	if len(r.Totals) > 0 {
		p("\n%-11s %11s %11s %10s %10s  %s\n", "total", "log", "integral", "worst", "allowed", "unit")
		for _, c := range r.Totals {
			unit := "Ah"
			if strings.HasPrefix(c.Name, "energy") {
				unit = "Wh"
			}
			holds := "holds"
			if !c.Holds {
				holds = "DEPARTS"
			}
			p("%-11s %11.4f %11.4f %10.2g %10.2g  %s %s\n", c.Name, c.Logged/3600, c.Integrated/3600, c.Worst/3600, c.Tolerance/3600, unit, holds)
		}
	}
	if c, atLeast := r.Capacity(); c != nil {
		p("\n")
		least := ""
		if atLeast {
			least = "at least "
		}
		b.WriteString(budget.Wrap(fmt.Sprintf("Capacity as logged: %s%.4f Ah, %.3f Wh at %.3g A (lines %d to %d); ended: %s.", least, c.Charge/3600, c.Energy/3600, c.Current, c.First, c.Last, c.Ended), "", "  "))
	}
	p("\n")
	if len(r.Findings) == 0 {
		p("Findings: none.\n")
	} else {
		p("Findings:\n")
	}
	for i, f := range r.Findings {
		if i == mostPrinted {
			p("... %d more findings\n", len(r.Findings)-i)
			break
		}
		b.WriteString(budget.Wrap(fmt.Sprintf("%s (%s, confidence %.2g): %s. %s", f.Cause, f.Severity, f.Confidence, f.Evidence, f.Mend), "  ", "    "))
	}
	for _, n := range r.Notes {
		b.WriteString(budget.Wrap(n, "note: ", "  "))
	}
	_, err := io.WriteString(w, b.String())
	return err
}

// volts writes a voltage, or a dash if it is not known.
func volts(v budget.Maybe) string {
	if !v.Known() {
		return "-"
	}
	return fmt.Sprintf("%.3f", float64(v))
}

// ending keeps the end of a long name.
func ending(s string) string {
	if r := []rune(s); len(r) > 70 {
		return "..." + string(r[len(r)-67:])
	}
	return s
}

// Span writes a time as a person does.
func Span(s float64) string {
	switch {
	case math.Abs(s) < 120:
		return fmt.Sprintf("%.4g s", s)
	case math.Abs(s) < 2*3600:
		return fmt.Sprintf("%.2f min", s/60)
	case math.Abs(s) < 100*3600:
		return fmt.Sprintf("%.3f h", s/3600)
	}
	return fmt.Sprintf("%.3f d", s/86400)
}

// figures writes a positive number in about five figures, without an exponent, in eight columns where that can be.
func figures(x float64) string {
	switch {
	case x >= 1e5 || x == 0:
		return fmt.Sprintf("%.0f", x)
	case x < 1e-5:
		return fmt.Sprintf("%.0e", x)
	}
	return strconv.FormatFloat(x, 'f', max(0, min(6, 4-int(math.Floor(math.Log10(x))))), 64)
}
