package scenarios

import (
	"embed"
	"fmt"
	"strings"

	"stuntcell/model/quantity"
)

//go:embed library/*.yaml
var files embed.FS

// Names lists the scenarios on board in the order in which a suite runs them: by name.
func Names() []string {
	entries, err := files.ReadDir("library")
	if err != nil {
		panic(err) // embedded: cannot fail
	}
	names := make([]string, 0, len(entries))
	for _, e := range entries { // sorted by name
		names = append(names, strings.TrimSuffix(e.Name(), ".yaml"))
	}
	return names
}

// Source returns the file of a scenario on board, nil if there is none of that name.
func Source(name string) []byte {
	b, err := files.ReadFile("library/" + name + ".yaml")
	if err != nil {
		return nil
	}
	return b
}

// Description is what a list says of a scenario.
type Description struct {
	Name, Summary, Purpose string
	Shows                  []string
}

// Describe returns what a scenario on board is about without running its plan, which Parse does: a list need not wait for that.
func Describe(name string) (Description, bool) {
	b := Source(name)
	if b == nil {
		return Description{}, false
	}
	m := quantity.Read(name, b).Root()
	return Description{
		Name: m.Text("scenario"), Summary: m.Text("summary"), Purpose: strings.TrimSpace(m.TextOr("purpose", "")), Shows: readShows(m),
	}, true
}

// ByName parses a scenario on board. The error of an unknown name says which is nearest; any other is quantity.Diagnostics: with a pack or rig
// of one's own a scenario may be refused.
func ByName(name string, env Env) (*Scenario, error) {
	b := Source(name)
	if b == nil {
		hint := "stuntcell list shows them all"
		if near := quantity.Nearest(name, Names()); near != "" {
			hint = near + "?"
		}
		return nil, fmt.Errorf("no scenario %s on board (hint: %s)", quote(name), hint)
	}
	return Parse(name+".yaml", b, env)
}

// Library parses every scenario on board, in the order of Names. Those that the pack or the rig of env cannot run are left out and returned
// as refused, with the reason.
func Library(env Env) (all []*Scenario, refused []Refused) {
	for _, name := range Names() {
		s, err := ByName(name, env)
		if err != nil {
			refused = append(refused, Refused{name, err})
			continue
		}
		all = append(all, s)
	}
	return all, refused
}

// Refused is a scenario on board that does not fit the pack or the rig that it was to be run with.
type Refused struct {
	Name string
	Err  error
}
