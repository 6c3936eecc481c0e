package report

import (
	"fmt"
	"io"
	"strings"

	"stuntcell/validate/campaign"
	"stuntcell/validate/verdict"
)

// Compared writes two builds side by side, for 80 columns: each scenario that changed, the worst kind first, and a line of counts.
func Compared(w io.Writer, color bool, c *campaign.Comparison) error {
	t := NewText(w, color)
	t.printf("was  %s\nis   %s\n", buildName(c.Old), buildName(c.New))
	counts := map[campaign.Kind]int{}
	little := 0
	for _, kind := range campaign.Kinds() {
		for i := range c.Changes {
			ch := &c.Changes[i]
			if ch.Kind != kind {
				continue
			}
			counts[kind]++
			switch {
			case kind == campaign.Same || kind == campaign.Unjudged:
			case kind == campaign.Moved && hardly(ch):
				little++
			default:
				t.change(ch, counts[kind]-little == 1)
			}
		}
	}
	var parts []string
	for _, kind := range campaign.Kinds() {
		if counts[kind] > 0 {
			parts = append(parts, fmt.Sprintf("%d %s", counts[kind], kind))
		}
	}
	if little > 0 {
		t.printf("\n")
		t.paragraph(0, "", plural(little, "scenario", "scenarios")+" moved by less than a tenth of what is allowed; --json has all.")
	}
	switch {
	case c.Changes == nil:
		t.printf("\nAll of these are of one build: nothing has changed.\n")
	case counts[campaign.Worse] > 0:
		t.printf("\n%s: %s.\n", t.paint(red, "WORSE"), strings.Join(parts, ", "))
	default:
		t.printf("\n%s: %s.\n", t.paint(green, "NO WORSE"), strings.Join(parts, ", "))
	}
	return t.err
}

// change writes one scenario that changed; the first of its kind has a blank line before it.
func (t *Text) change(ch *campaign.Change, first bool) {
	if first {
		t.printf("\n")
	}
	how := map[campaign.Kind]string{campaign.Worse: red, campaign.Better: green, campaign.Other: yellow}[ch.Kind]
	name := ch.Scenario
	if ch.Seed != 0 {
		name += fmt.Sprintf(" (seed %d)", ch.Seed)
	}
	t.printf("%s%-*s %s -> %s\n", t.paint(how, fmt.Sprintf("%-8s", ch.Kind)), nameWidth, name, resultOf(ch.Was), resultOf(ch.Is))
	if len(ch.Gained) > 0 {
		t.paragraph(18, "        new:", strings.Join(ch.Gained, ", "))
	}
	if len(ch.Lost) > 0 {
		t.paragraph(18, "        gone:", strings.Join(ch.Lost, ", "))
	}
	const most = 3
	seen := readable(ch.Moved)
	for i, m := range seen {
		if i == most {
			t.printf("%18s%s\n", "", fmt.Sprintf("and %d more", len(seen)-most))
			break
		}
		moved := ""
		if m.Share > 0 {
			moved = fmt.Sprintf(", by %.2g times what is allowed", m.Share)
		}
		t.paragraph(18, "        "+m.Check+":", fmt.Sprintf("%s -> %s%s", value(m.Was, m.Unit), value(m.Is, m.Unit), moved))
	}
}

// readable are the moves that the figures show.
func readable(moves []campaign.Move) []campaign.Move {
	var out []campaign.Move
	for _, m := range moves {
		if value(m.Was, m.Unit) != value(m.Is, m.Unit) {
			out = append(out, m)
		}
	}
	return out
}

// hardly says that no value that the figures show moved by a tenth of what is allowed.
func hardly(ch *campaign.Change) bool {
	for _, m := range readable(ch.Moved) {
		if m.Share == 0 || m.Share >= 0.1 {
			return false
		}
	}
	return true
}

// resultOf is a verdict in a word.
func resultOf(v *verdict.Verdict) string {
	switch {
	case v.Pass == nil:
		return "not judged"
	case *v.Pass:
		return "ok"
	}
	return "fails"
}

// value writes a measured value or that there is none.
func value(x *float64, unit string) string {
	return measured(verdict.Check{Value: x, Unit: unit})
}

// buildName tells a build from another of the same name.
func buildName(id campaign.Identity) string {
	name := printable(id.Logger)
	if id.LoggerHash != "" {
		name += " (" + id.LoggerHash[:min(12, len(id.LoggerHash))] + ")"
	}
	return name
}
