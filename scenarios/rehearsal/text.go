package rehearsal

import (
	"encoding/csv"
	"encoding/json"
	"fmt"
	"io"
	"math"
	"slices"
	"strconv"
	"strings"

	"stuntcell/model"
)

// printer keeps the first error of many writes.
type printer struct {
	w   io.Writer
	err error
}

func (p *printer) line(format string, args ...any) {
	if p.err == nil {
		_, p.err = fmt.Fprintf(p.w, format+"\n", args...)
	}
}

// wrapped writes text in lines of at most 80 columns, the first led by lead and the others indented as far.
func (p *printer) wrapped(lead, text string) {
	const width = 80
	indent, at := strings.Repeat(" ", len([]rune(lead))), lead
	n := len([]rune(lead))
	empty := true
	for _, w := range strings.Fields(text) {
		if !empty && n+1+len([]rune(w)) > width {
			p.line("%s", at)
			at, n, empty = indent, len(indent), true
		}
		if !empty {
			at, n = at+" ", n+1
		}
		at, n, empty = at+w, n+len([]rune(w)), false
	}
	p.line("%s", at)
}

// Text writes the rehearsal for a person, in lines of at most 80 columns.
func (r *Rehearsal) Text(w io.Writer) error {
	p := &printer{w: w}
	p.wrapped("", r.Notice)
	p.line("")
	p.wrapped("", r.Scenario+": "+r.Summary)
	p.line("pack %s, %s, %d in series, %.4g Ah, %.4g V half full", r.Pack.Name, r.Pack.Chemistry, r.Pack.Cells, r.Pack.Rated, r.Pack.Nominal)
	p.line("rig %s, one count %s, range %s", r.Rig.Name, engineering(r.Rig.Count, "A"), engineering(r.Rig.Range, "A"))
	p.line("")
	p.line("%4s  %-22s %9s %9s %9s %9s %7s", "step", "what", "from", "for", "Ah", "Wh", "min V")
	for _, s := range r.Steps {
		p.line("%4d  %-22s %9s %9s %9.3f %9.3f %7.3f", s.Number, s.What, clock(s.Begin), clock(s.End-s.Begin), s.Charge, s.Energy, s.MinV)
		because := s.Because
		if s.Kind != model.Rest.String() {
			because = fmt.Sprintf("%.4g counts; %s", s.Counts, because)
		}
		p.wrapped("      ", because)
		if s.OfRated > 0 {
			p.wrapped("      ", fmt.Sprintf("at the rated current and temperature it would be %.3f Ah, %.2f %% of the rating, by the pack's own model", s.Corrected, 100*s.OfRated))
		}
	}
	t := r.Total
	p.line("%4s  %-22s %9s %9s %9s %9s %7.3f", "", "in all", "", clock(t.Seconds), "", "", t.MinV)
	p.wrapped("      ", fmt.Sprintf("%.3f Ah and %.3f Wh out, %.3f Ah and %.3f Wh in; at most %s, %.3f V and %.1f degC",
		t.Out, t.EnergyOut, t.In, t.EnergyIn, engineering(t.MaxI, "A"), t.MaxV, t.Warmest))
	if a := r.Store; a != nil {
		p.wrapped("      ", fmt.Sprintf("the store began with %.3f Wh, took %.3f, gave %.3f, lost %.3f and holds %.3f; the account closes to %.0e of it",
			a.Start, a.Taken, a.Given, a.Lost, a.Level, a.Open()))
	}
	p.line("")
	p.line("The log: %d readings, %d rows of %s, about %s", r.Log.Readings, r.Log.Rows, clock(r.Log.Every), size(r.Log.Bytes))
	section(p, "Counters that run out during this test", len(r.Counters))
	for _, c := range r.Counters {
		p.wrapped("  - ", fmt.Sprintf("%s: %s. %s", c.What, when(c), c.Mend))
	}
	section(p, "Limits that are crossed", len(r.Limits))
	for _, c := range r.Limits {
		p.wrapped("  - ", fmt.Sprintf("%s: %s, %s against %s, first at %s, %s in all. %s", c.Part, c.What, engineering(c.Value, c.Unit),
			engineering(c.Limit, c.Unit), clock(c.Since), clock(c.For), c.Note))
	}
	if len(r.Doubts) > 0 {
		section(p, "Where this leaves what the pack's figures were made for", len(r.Doubts))
		for _, d := range r.Doubts {
			p.wrapped("  - ", d)
		}
	}
	if r.Outlook != nil {
		r.Outlook.text(p)
	}
	section(p, "What one failure would leave running", len(r.Failures))
	for _, f := range r.Failures {
		p.wrapped("  - ", fmt.Sprintf("step %d, if %s: %s", f.Step, f.If, f.Then))
	}
	section(p, "Before you connect anything", len(r.Cautions))
	for _, c := range r.Cautions {
		p.wrapped("  - ", c)
	}
	return p.err
}

// text writes the outlook as two tables.
func (o *Outlook) text(p *printer) {
	p.line("")
	p.wrapped("", "What the pack gives from full at a constant current, to the end voltage of each, at its reference temperature, by the share of its capacity that age left [Ah]")
	head := fmt.Sprintf("  %8s %9s", "rate", "A")
	for _, h := range o.Healths {
		head += fmt.Sprintf(" %9s", fmt.Sprintf("%.0f %%", 100*h))
	}
	p.line("%s %9s", head, "time new")
	for _, d := range o.Rates {
		row := fmt.Sprintf("  %6.3g C %9.4g", d.Rate, d.Amps)
		for _, q := range d.Charge {
			row += fmt.Sprintf(" %9.3f", q)
		}
		p.line("%s %9s", row, clock(d.Seconds))
	}
	p.line("")
	p.wrapped("", "This plan with a pack that is worn, in other surroundings: Ah out and the time it takes. A pack of unknown past may be anywhere in this table.")
	if o.Note != "" {
		p.line("  %s", o.Note)
		return
	}
	head = fmt.Sprintf("  %8s", "health")
	for _, c := range o.Celsius {
		head += fmt.Sprintf(" %20s", fmt.Sprintf("%.3g degC", c))
	}
	p.line("%s", head)
	var refused []string
	for k, row := range o.Plans {
		line := fmt.Sprintf("  %8s", fmt.Sprintf("%.0f %%", 100*o.Healths[k]))
		for _, out := range row {
			cell := fmt.Sprintf("%.3f  %s", out.Out, clock(out.Seconds))
			if out.Refused != "" {
				if !slices.Contains(refused, out.Refused) {
					refused = append(refused, out.Refused)
				}
				cell = fmt.Sprintf("refused (%d)", slices.Index(refused, out.Refused)+1)
			}
			line += fmt.Sprintf(" %20s", cell)
		}
		p.line("%s", line)
	}
	for n, why := range refused {
		p.wrapped(fmt.Sprintf("  (%d) ", n+1), why)
	}
}

func section(p *printer, title string, n int) {
	p.line("")
	if n == 0 {
		p.line("%s: none", title)
		return
	}
	p.line("%s", title)
}

// when words the instants of a counter.
func when(c Counter) string {
	var at []string
	for i, t := range c.At {
		if i == 3 {
			break
		}
		at = append(at, clock(t))
	}
	s := "at " + strings.Join(at, ", ")
	if more := c.Times - int64(len(at)); more > 0 {
		s += fmt.Sprintf(" and %d times more", more)
	}
	return s
}

// JSON writes the rehearsal as one object on one line.
func (r *Rehearsal) JSON(w io.Writer) error { return json.NewEncoder(w).Encode(r) }

// CSV writes the timeline, one line a step under a header.
func (r *Rehearsal) CSV(w io.Writer) error {
	c := csv.NewWriter(w)
	rows := [][]string{{"step", "kind", "what", "begin_s", "end_s", "charge_Ah", "energy_Wh", "min_V", "max_V", "end_V", "end_A", "max_A", "counts", "warmest_degC", "why"}}
	for _, s := range r.Steps {
		f := func(x float64, digits int) string { return strconv.FormatFloat(x, 'f', digits, 64) }
		rows = append(rows, []string{strconv.Itoa(s.Number), s.Kind, s.What, f(s.Begin, 3), f(s.End, 3), f(s.Charge, 6), f(s.Energy, 6),
			f(s.MinV, 4), f(s.MaxV, 4), f(s.EndV, 4), f(s.EndI, 4), f(s.MaxI, 4), f(s.Counts, 1), f(s.Warmest, 2), s.Why})
	}
	return c.WriteAll(rows)
}

// clock prints a time as h:mm:ss, or with days in front, or in seconds below a minute.
func clock(s float64) string {
	switch {
	case s < 0:
		return "-" + clock(-s)
	case s < 60:
		return strconv.FormatFloat(math.Round(s*10)/10, 'f', -1, 64) + " s"
	}
	n := int64(math.Round(s))
	if d := n / 86400; d > 0 {
		return fmt.Sprintf("%dd %02d:%02d:%02d", d, n/3600%24, n/60%60, n%60)
	}
	return fmt.Sprintf("%d:%02d:%02d", n/3600, n/60%60, n%60)
}

// engineering prints a value with three digits and a prefix for small ones.
func engineering(x float64, unit string) string {
	if unit == "1" {
		return fmt.Sprintf("%.3g %%", 100*x)
	}
	a := math.Abs(x)
	switch {
	case a == 0 || a >= 1 && a < 1000:
		return fmt.Sprintf("%.4g %s", x, unit)
	case a >= 1000:
		return fmt.Sprintf("%.4g k%s", x/1000, unit)
	case a >= 1e-3:
		return fmt.Sprintf("%.4g m%s", x*1e3, unit)
	}
	return fmt.Sprintf("%.4g u%s", x*1e6, unit)
}

// size prints a number of bytes.
func size(n int64) string {
	switch {
	case n < 10_000:
		return fmt.Sprintf("%d bytes", n)
	case n < 10_000_000:
		return fmt.Sprintf("%.1f kB", float64(n)/1e3)
	}
	return fmt.Sprintf("%.1f MB", float64(n)/1e6)
}
