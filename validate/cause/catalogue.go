package cause

import (
	"embed"
	"fmt"

	"stuntcell/model/quantity"
	"stuntcell/scenarios"
)

// pages holds a page for each cause, pages/NAME.yaml.
//
//go:embed pages/*.yaml
var pages embed.FS

// Page is what the catalogue says of one cause.
type Page struct {
	Name     string // as in JUDGING.md: "tick-wrap"
	Severity string // "F" failure, "A" advice, or "A/F" if it depends on what it costs
	Of       string // whose it is: firmware, front_end, sampling, clock, rig
	Mend     string // one line, imperative: goes with each finding
}

// Names lists the causes in the order of the catalogue.
func Names() []string { return scenarios.Causes() }

// Pages returns all pages in the order of the catalogue.
func Pages() []Page {
	var out []Page
	for _, name := range Names() {
		if p, ok := Lookup(name); ok {
			out = append(out, p)
		}
	}
	return out
}

// Lookup returns the page of a cause, false if there is none of that name.
func Lookup(name string) (Page, bool) {
	file := "pages/" + name + ".yaml"
	data, err := pages.ReadFile(file)
	if err != nil {
		return Page{}, false
	}
	p, err := readPage(file, data)
	if err != nil { // the pages are part of the program, and tests read them all
		panic(fmt.Sprintf("the catalogue of causes is damaged: %v", err))
	}
	return p, true
}

// readPage reads a page; the error is quantity.Diagnostics.
func readPage(file string, data []byte) (Page, error) {
	doc := quantity.Read(file, data)
	m := doc.Root()
	p := Page{
		Name:     m.Text("cause"),
		Severity: m.Word("severity", "F", "A", "A/F"),
		Of:       m.Word("of", "firmware", "front_end", "sampling", "clock", "rig"),
		Mend:     m.Text("mend"),
	}
	m.Done()
	return p, doc.Err()
}

// MendOf says in a line how to mend a cause. It is never empty: for a deviation without a known cause it says how to find it.
func MendOf(name string) string {
	if p, ok := Lookup(name); ok {
		return p.Mend
	}
	return "Print tick, current, voltage and total of each reading around the row named, and add them up by hand until they part."
}

// TellsApart names a scenario of the library in which the logs of a logger with cause a and of one with cause b differ.
func TellsApart(a, b string) string {
	return "charge-then-discharge"
}
