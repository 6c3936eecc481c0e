package calibrate

import (
	"fmt"
	"io"
	"math"
	"strings"

	"stuntcell/validate/budget"
)

// WriteText writes the lines and their agreement for a person, 80 columns wide.
func WriteText(w io.Writer, lines []*Line, agree []Agreement, constants []Constants) error {
	var b strings.Builder
	for i, l := range lines {
		if i > 0 {
			b.WriteByte('\n')
		}
		l.text(&b)
	}
	for _, a := range agree {
		b.WriteByte('\n')
		b.WriteString(budget.Wrap(fmt.Sprintf("%s, meters %s and %s: %s.", a.Quantity, named(a.A), named(a.B), a.Text), "", "  "))
	}
	for _, c := range constants {
		b.WriteByte('\n')
		unit := map[string]string{"current": "uA", "voltage": "uV"}[c.Quantity]
		fmt.Fprintf(&b, "whole numbers, %s:\n  true = reading * %d / 2^%d %+d %s (gain %+d ppm)\n", c.Quantity, c.Mul, c.Shift, c.Offset, unit, c.GainPPM)
		if c.Shunt != 0 && c.Adjust {
			fmt.Fprintf(&b, "  or a shunt of %d nohm and the offset: one of the two, not both\n", c.Shunt)
			if l := lineOf(lines, c); l != nil {
				fmt.Fprintf(&b, "  what is left, for the rig file (budget reads it; shunt and channel in one):\n  tolerance: {shunt: %.2g %%, shunt_gain: 0.001 %%, shunt_offset: %.2g uV}\n",
					100*math.Sqrt(3)*math.Hypot(l.GainError, l.GainMeter), 1e6*math.Sqrt(3)*math.Hypot(l.OffsetError, l.OffsetMeter)*float64(c.Shunt)*1e-9)
			}
		}
	}
	b.WriteByte('\n')
	b.WriteString(budget.Wrap("It rests on the pairs, on the meter's stated accuracy (rectangular, common to all pairs) and on a straight line between them; it says nothing of other temperatures. U = k·u is for a coverage probability of about 95.45 %, with k from Student's t.", "", ""))
	_, err := io.WriteString(w, b.String())
	return err
}

// lineOf is the line that constants were made from.
func lineOf(lines []*Line, c Constants) *Line {
	for _, l := range lines {
		if l.Quantity == c.Quantity && l.Meter == c.Meter {
			return l
		}
	}
	return nil
}

func named(s string) string {
	if s == "" {
		return "(without name)"
	}
	return s
}

func (l *Line) text(b *strings.Builder) {
	accuracy := "accuracy not stated"
	if l.meter.Stated {
		accuracy = fmt.Sprintf("%s, range %.4g %s", l.Accuracy, l.Range, l.Unit)
	}
	fmt.Fprintf(b, "%s against %s, %d pairs from %.4g to %.4g %s\n", l.Quantity, l.meter.name(), l.Pairs, l.Low, l.High, l.Unit)
	fmt.Fprintf(b, "  meter   %s\n", accuracy)
	g, ug := budget.Round(l.Gain, math.Hypot(l.GainError, l.GainMeter), 2)
	fmt.Fprintf(b, "  gain    %s, u %s   (scatter %.2g, meter %.2g)\n", g, ug, l.GainError, l.GainMeter)
	o, uo := budget.Round(1000*l.Offset, 1000*math.Hypot(l.OffsetError, l.OffsetMeter), 2)
	fmt.Fprintf(b, "  offset  %s m%s, u %s m%s   (scatter %.2g, meter %.2g)\n", o, l.Unit, uo, l.Unit, 1000*l.OffsetError, 1000*l.OffsetMeter)
	fmt.Fprintf(b, "  correlation of gain and offset %.2f; residual %.3g m%s, %d degrees of freedom\n", l.GainOffset, 1000*l.Residual, l.Unit, l.DOF)
	fmt.Fprintf(b, "  worst residual %.3g m%s at %.4g %s\n", 1000*l.Linearity.Worst, l.Unit, l.Linearity.At, l.Unit)
	if l.Linearity.P.Known() {
		fmt.Fprintf(b, "  bend %.2g m%s (p %.2g)", 1000*l.Linearity.Bend, l.Unit, l.Linearity.P)
	}
	if l.Linearity.StepP.Known() {
		fmt.Fprintf(b, ", gains of the two signs differ by %.2g %% (p %.2g)", 100*l.Linearity.Step, l.Linearity.StepP)
	}
	b.WriteString("\n\n")
	fmt.Fprintf(b, "  %8s %10s %9s %8s %5s %8s  [%s]\n", "reading", "corrected", "U scatter", "U", "k", "U new", l.Unit)
	for _, p := range l.Band {
		note := ""
		if p.Beyond != "" {
			note = "  beyond " + p.Beyond
		}
		fmt.Fprintf(b, "  %8.4g %10.5g %9.2g %8.2g %5.2f %8.2g%s\n", p.Reading, p.Corrected, p.Statistic, p.U, p.K, p.New, note)
	}
	b.WriteByte('\n')
	b.WriteString(budget.Wrap(l.Why, "  ", "  "))
	b.WriteString(budget.Wrap(l.More.Text, "  ", "  "))
	for _, t := range l.Warnings {
		b.WriteString(budget.Wrap(t, "  ! ", "    "))
	}
}

// WriteText writes a history for a person.
func (h History) WriteText(w io.Writer) error {
	var b strings.Builder
	fmt.Fprintf(&b, "check standard, %d readings: mean %+.3g %%, short-term sd %.2g %%, last %+.3g %%\n", h.Checks, 100*h.Mean, 100*h.Sigma, 100*h.Last)
	if len(h.Out) > 0 {
		b.WriteString(budget.Wrap(fmt.Sprintf("out of control (beyond 3 sd): lines %v", h.Out), "  ", "  "))
	}
	b.WriteString(budget.Wrap(h.Text, "  ", "  "))
	_, err := io.WriteString(w, b.String())
	return err
}
