package cause

import (
	"strings"
	"unicode/utf8"
)

// pageWidth is how many columns a page takes.
const pageWidth = 80

// String is the page for a terminal, at most 80 columns wide, ended by a newline.
func (p Page) String() string {
	var b strings.Builder
	of := strings.ReplaceAll(p.Of, "_", " ")
	severity := map[string]string{"F": "failure", "A": "advice", "A/F": "advice, or a failure where it costs more than the limit"}[p.Severity]
	b.WriteString(wrap(p.Name+" ("+of+"): "+severity, "", "  "))
	section := func(head, text string) {
		b.WriteString("\n" + head + "\n" + wrap(text, "  ", "  "))
	}
	section("What it is", p.What)
	section("How it looks in a log", p.Looks)
	section("What it costs", p.Costs)
	section("The mend", p.Mend)
	b.WriteString("\n")
	for line := range strings.Lines(p.MendC + "\n") {
		b.WriteString("    " + line)
	}
	section("Told from its neighbours", p.Told)
	for _, n := range p.Apart {
		b.WriteString(wrap(n.Cause+": scenario "+n.Scenario, "  - ", "    "))
	}
	section("Scenarios that show it", strings.Join(p.Scenarios, ", "))
	return b.String()
}

// wrap breaks text at spaces into lines of at most pageWidth columns, each with its indent. A longer word stands alone.
func wrap(text, first, rest string) string {
	var b strings.Builder
	column := 0
	for _, word := range strings.Fields(text) {
		switch n := utf8.RuneCountInString(word); {
		case b.Len() == 0:
			b.WriteString(first + word)
			column = len(first) + n
		case column+1+n > pageWidth:
			b.WriteString("\n" + rest + word)
			column = len(rest) + n
		default:
			b.WriteString(" " + word)
			column += 1 + n
		}
	}
	b.WriteString("\n")
	return b.String()
}
