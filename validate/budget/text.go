package budget

import (
	"fmt"
	"io"
	"math"
	"strconv"
	"strings"
)

// WriteText writes the budget for a person, 80 columns wide.
func (s *Stated) WriteText(w io.Writer) error {
	var b strings.Builder
	fmt.Fprintf(&b, "Uncertainty budget, rig %s\n", s.Rig)
	if s.From != "" {
		b.WriteString(Wrap("Figure: "+s.From, "", "        "))
	}
	fmt.Fprintf(&b, "\n%-30s %11s %-5s %8s %6s %6s  %s\n", "contribution", "u", "", "mAh", "of Ah", "of Wh", "")
	small, left, smallAssumed := 0, 0.0, " "
	for _, l := range s.Lines {
		mark := " "
		if l.Assumed {
			mark = "*"
		}
		if math.Abs(l.ShareCharge) < negligible && math.Abs(l.ShareEnergy) < negligible {
			small++
			left = math.Hypot(left, l.Charge)
			if l.Assumed {
				smallAssumed = "*"
			}
			continue
		}
		b.WriteString(strings.TrimRight(fmt.Sprintf("%-29s%s %11.3g %-5s %8.3g %5.1f%% %5.1f%%  %s",
			l.Name, mark, l.U, l.Unit, 1000*l.Charge, 100*l.ShareCharge, 100*l.ShareEnergy, strings.Repeat("#", bar(l.ShareCharge))), " ") + "\n")
	}
	if small > 0 {
		fmt.Fprintf(&b, "%-29s%s %17s %8.3g   below 0.05 %% each\n", fmt.Sprintf("%d smaller ones together", small), smallAssumed, "", 1000*left)
	}
	if len(s.Assumed) > 0 {
		b.WriteString("* assumed (common practice): nobody stated it for this rig\n")
	}
	b.WriteByte('\n')
	for _, r := range []struct {
		name, unit string
		r          Result
	}{{"charge", "Ah", s.Charge}, {"energy", "Wh", s.Energy}} {
		dof := "infinite"
		if r.r.DOF > 1000 {
			dof = "above 1000"
		} else if r.r.DOF > 0 {
			dof = fmt.Sprintf("%.0f", math.Floor(r.r.DOF))
		}
		y, u := Round(r.r.Y, r.r.U1, 2)
		fmt.Fprintf(&b, "%s  law of propagation  %s %s, u %s %s, nu %s, k %.2f\n", r.name, y, r.unit, u, r.unit, dof, r.r.K)
		place := float64(r.r.MonteCarlo.U1)
		if !r.r.MonteCarlo.U1.Known() {
			place = r.r.U1
		}
		low, _ := Round(r.r.MonteCarlo.Low, place, 2)
		high, u := Round(r.r.MonteCarlo.High, place, 2)
		u += " " + r.unit
		stable := ""
		if !r.r.MonteCarlo.Stable {
			stable = ", not yet stable"
		}
		if !r.r.MonteCarlo.U1.Known() {
			u, stable = "none", ""
		}
		fmt.Fprintf(&b, "        Monte Carlo         %s to %s %s, u %s, %d trials%s\n", low, high, r.unit, u, r.r.MonteCarlo.Trials, stable)
		b.WriteString(Wrap(fmt.Sprintf("quote %s, by %s", r.r.Stated, r.r.Why), "        ", "        "))
	}
	b.WriteString(Wrap("(nu: effective degrees of freedom; k for a coverage of about "+strconv.FormatFloat(100*s.Charge.P, 'g', 4, 64)+" %)", "", ""))
	if !s.Charge.MonteCarlo.U1.Known() || !s.Energy.MonteCarlo.U1.Known() {
		b.WriteString(Wrap("(u none: Student's t of two degrees of freedom or fewer has no standard deviation, only an interval)", "", ""))
	}
	b.WriteByte('\n')
	for _, a := range s.Advice {
		b.WriteString(Wrap(a, "", "  "))
	}
	if len(s.Standards) > 0 {
		b.WriteString("\nWould this rig meet what standards ask of equipment? (limits added up)\n")
		fmt.Fprintf(&b, "  %-26s %9s %9s %9s %9s\n", "", "voltage %", "current %", "time %", "temp. K")
		h := s.Standards[0].Has
		fmt.Fprintf(&b, "  %-26s %9.2g %9.2g %9.2g %9.2g\n", "this rig in this test", 100*h.Voltage, 100*h.Current, 100*h.Time, h.Temperature)
		for _, c := range s.Standards {
			b.WriteString(c.row())
		}
		for _, c := range s.Standards {
			b.WriteString(Wrap(c.Standard+": "+c.Status+".", "  ", "    "))
		}
	}
	b.WriteByte('\n')
	b.WriteString(Wrap(s.Sentence, "For the report: ", "  "))
	b.WriteString(Wrap("A wrong unit, a wrap of a counter or an alias is not in this budget: see prove and audit.", "", "  "))
	_, err := io.WriteString(w, b.String())
	return err
}

// negligible is the share of u² below which a contribution is not listed alone.
const negligible = 0.0005

// bar is the length of a share's bar: twelve for all of it.
func bar(share float64) int {
	return int(math.Round(12 * math.Max(0, math.Min(1, share))))
}

// Wrap breaks text at spaces into lines of at most 79 characters; first and next stand before the first and each further line.
func Wrap(text, first, next string) string {
	var b strings.Builder
	line := first
	empty := true
	for _, w := range strings.Fields(text) {
		if !empty && len([]rune(line))+1+len([]rune(w)) > 79 {
			b.WriteString(line + "\n")
			line, empty = next, true
		}
		if !empty {
			line += " "
		}
		line += w
		empty = false
	}
	b.WriteString(line + "\n")
	return b.String()
}
