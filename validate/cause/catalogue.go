package cause

import (
	"embed"
	"fmt"
	"slices"
	"strings"

	"stuntcell/model/quantity"
	"stuntcell/scenarios"
)

// pages holds a page for each cause, pages/NAME.yaml.
//
//go:embed pages/*.yaml
var pages embed.FS

// Page is what the catalogue says of one cause. Texts are plain, in one line without an end; String breaks them.
type Page struct {
	Name      string      // as in JUDGING.md: "tick-wrap"
	Severity  string      // "F" failure, "A" advice, or "A/F" if it depends on what it costs
	Of        string      // whose it is: firmware, front_end, sampling, clock, rig
	What      string      // what is wrong
	Looks     string      // how it looks in a log
	Costs     string      // what it costs, with worked numbers
	Mend      string      // one sentence, imperative: goes with each finding
	MendC     string      // the mend in C99: what is wrong as comments, then right lines
	Told      string      // what separates it from its neighbours
	Apart     []Neighbour // the scenarios that tell it from them
	Scenarios []string    // of the library, which show it, the plainest first
}

// Neighbour is a cause that is easily mistaken for another, beside the scenario of the library that tells the two apart.
type Neighbour struct {
	Cause    string
	Scenario string
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
	text := func(key string) string {
		f := m.Get(key)
		s := strings.TrimSpace(f.Text())
		if s == "" && f.Present() {
			f.Fail(key+" is empty", "a sentence", "")
		}
		return s
	}
	p := Page{
		Name:     m.Word("cause", Names()...),
		Severity: m.Word("severity", "F", "A", "A/F"),
		Of:       m.Word("of", ofFirmware, ofFront, ofSampling, ofClock, ofRig),
		What:     text("what"),
		Looks:    text("looks"),
		Costs:    text("costs"),
		Mend:     text("mend"),
		MendC:    text("c"),
		Told:     text("told"),
	}
	apart, _ := m.Map("apart")
	for _, name := range apart.Keys() {
		if f := apart.Get(name); !slices.Contains(Names(), name) {
			f.Fail(fmt.Sprintf("%q is no cause", name), "a cause of the catalogue", quantity.Nearest(name, Names()))
		} else {
			p.Apart = append(p.Apart, Neighbour{Cause: name, Scenario: f.Text()})
		}
	}
	p.Scenarios = m.Get("scenarios").Words()
	m.Done()
	return p, doc.Err()
}

// MendOf says in a sentence how to mend a cause. It is never empty: for a deviation without a known cause it says how to find it.
func MendOf(name string) string {
	if p, ok := Lookup(name); ok {
		return p.Mend
	}
	return "Print tick, current, voltage and total of each reading around the row named, and add them up by hand until they part."
}

// TellsApart names a scenario of the library in which the logs of a logger with cause a and of one with cause b differ: the one
// that a page names for the pair, else one that shows one of the two and not the other.
func TellsApart(a, b string) string {
	of, _ := Lookup(a)
	other, _ := Lookup(b)
	for _, n := range of.Apart {
		if n.Cause == b {
			return n.Scenario
		}
	}
	for _, n := range other.Apart {
		if n.Cause == a {
			return n.Scenario
		}
	}
	if s := firstBeside(of.Scenarios, other.Scenarios); s != "" {
		return s
	}
	if s := firstBeside(other.Scenarios, of.Scenarios); s != "" {
		return s
	}
	// The same scenarios show both: the plainest of them shows them differently. Without any, the plain case is what there is.
	return append(of.Scenarios, plainScenario)[0]
}

// plainScenario is where nothing goes wrong but the logger.
const plainScenario = "discharge-two-rates"

// firstBeside returns the first of list that is not in others, "" if there is none.
func firstBeside(list, others []string) string {
	for _, s := range list {
		if !slices.Contains(others, s) {
			return s
		}
	}
	return ""
}
