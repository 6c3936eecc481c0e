package cause

import (
	"embed"
	"fmt"
	"slices"
	"strings"
	"sync"

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
	Scenarios []string    // of the library, which show it
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
	shown := showing()
	for _, name := range Names() {
		if p, ok := written(name); ok {
			p.Scenarios = slices.Concat(shown[name], p.Scenarios)
			out = append(out, p)
		}
	}
	return out
}

// Lookup returns the page of a cause, false if there is none of that name.
func Lookup(name string) (Page, bool) {
	p, ok := written(name)
	if ok {
		p.Scenarios = slices.Concat(showing()[name], p.Scenarios)
	}
	return p, ok
}

// Describe says what is wrong in one sentence, for a list; ok is false if there is no cause of that name.
func Describe(name string) (what string, ok bool) {
	data, err := pages.ReadFile(file(name))
	if err != nil {
		return "", false
	}
	what = strings.TrimSpace(quantity.Read(name, data).Root().Text("what"))
	if first, _, more := strings.Cut(what, ". "); more {
		what = first + "."
	}
	return what, true
}

// showing lists the scenarios of the library by the causes that they declare to show. It reads the library once: a verdict asks
// for it with each finding.
var showing = sync.OnceValue(func() map[string][]string {
	shown := map[string][]string{}
	for _, name := range scenarios.Names() {
		for _, c := range quantity.Read(name, scenarios.Source(name)).Root().Words("shows") {
			shown[c] = append(shown[c], name)
		}
	}
	return shown
})

// written returns a page as it is written, without what the library declares: that takes some milliseconds to read. Each page is
// read once, when it is first asked for.
func written(name string) (Page, bool) {
	if read := writtenOnce[name]; read != nil {
		return read()
	}
	return Page{}, false
}

// writtenOnce reads the page of each cause, once.
var writtenOnce = func() map[string]func() (Page, bool) {
	m := map[string]func() (Page, bool){}
	for _, name := range Names() {
		m[name] = sync.OnceValues(func() (Page, bool) { return readWritten(name) })
	}
	return m
}()

// readWritten reads the page of a cause, false if it has none.
func readWritten(name string) (Page, bool) {
	data, err := pages.ReadFile(file(name))
	if err != nil {
		return Page{}, false
	}
	p, err := readPage(file(name), data)
	if err != nil { // the pages are part of the program, and tests read them all
		panic(fmt.Sprintf("the catalogue of causes is damaged: %v", err))
	}
	return p, true
}

func file(name string) string { return "pages/" + name + ".yaml" }

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
			p.Apart = append(p.Apart, Neighbour{Cause: name, Scenario: f.Word(scenarios.Names()...)})
		}
	}
	p.Scenarios = m.Words("scenarios", scenarios.Names()...)
	m.Done()
	return p, doc.Err()
}

// MendOf says in a sentence how to mend a cause. It is never empty: for a deviation without a known cause it says how to find it.
func MendOf(name string) string {
	if p, ok := written(name); ok {
		return p.Mend
	}
	return "Print tick, current, voltage and total of each reading around the row named, and add them up by hand until they part."
}

// TellsApart names a scenario of the library in which the logs of a logger with cause a and of one with cause b differ: the one
// that a page names for the pair, else one that shows one of the two and not the other.
func TellsApart(a, b string) string {
	of, _ := written(a)
	other, _ := written(b)
	of.Name, other.Name = a, b // also of what has no page
	if s := apart(of, other); s != "" {
		return s
	}
	shown := showing()
	return beside(slices.Concat(shown[a], of.Scenarios), slices.Concat(shown[b], other.Scenarios))
}

// tellsApart is what is to be said of two causes that this run could not tell apart: the scenario that can, if it is another one.
func (c *Case) tellsApart(a, b string) string {
	s := TellsApart(a, b)
	if s != c.Scenario {
		return "scenario " + s + " tells them apart"
	}
	shown := showing()
	for _, n := range slices.Concat(shown[a], shown[b]) {
		if n != c.Scenario && slices.Contains(shown[a], n) != slices.Contains(shown[b], n) {
			return "scenario " + n + " tells them apart"
		}
	}
	return "no scenario on board tells them apart better"
}

// apart is the scenario that one of two pages names for the pair, "" if neither does.
func apart(a, b Page) string {
	for _, n := range a.Apart {
		if n.Cause == b.Name {
			return n.Scenario
		}
	}
	for _, n := range b.Apart {
		if n.Cause == a.Name {
			return n.Scenario
		}
	}
	return ""
}

// beside is the first of either list that is not in the other. Where the same scenarios show both, each shows them in its way;
// where none does, the plain case is what there is.
func beside(a, b []string) string {
	for _, s := range a {
		if !slices.Contains(b, s) {
			return s
		}
	}
	for _, s := range b {
		if !slices.Contains(a, s) {
			return s
		}
	}
	if len(a) > 0 {
		return a[0]
	}
	return plainScenario
}

// plainScenario is where nothing goes wrong but the logger.
const plainScenario = "discharge-two-rates"
