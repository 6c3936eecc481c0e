package scenarios

import (
	"fmt"

	"stuntcell/model/quantity"
)

// ProjectFile is the name of the file that a project keeps beside its firmware.
const ProjectFile = "stuntcell.yaml"

// Project is what a project file says: the pack, rig and logger that are someone's own, so that a plain `prove` is the whole check.
type Project struct {
	File string
	// Env has the project's pack and rig as the defaults of scenarios, and its limits in place of those of the rules of judging.
	Env Env
	// Logger is the command line of the logger, empty if the file names none; Plain says that it speaks the plain stream and no link.
	Logger string
	Plain  bool
	// Columns says what columns of the log hold: header, or number from 1, to a description such as "charge mAh".
	Columns map[string]string
	// Suite lists what is run, names on board and files; empty: the whole library. Skip lists what is left out.
	Suite, Skip []string
}

// ParseProject reads a project file. open returns the bytes of a file that is named in it, relative to it. The error is
// quantity.Diagnostics.
//
// All keys are optional:
//
//	pack:    a name on board, or a file that ends in .yaml
//	rig:     a name on board, a file that ends in .yaml, or a mapping of what differs from `name` or the default
//	logger:  ./logger --fast        the command, split into words without a shell
//	link:    stream                 the logger reads plain lines and prints its log
//	columns: {Energie: energy Wh, 4: charge mAh}
//	suite:   [tick-wrap-mid-discharge, mine/long.yaml]
//	skip:    [ten-readings-a-second-for-20h]
//	limits:  {charge: 0.5 %}        as `expect` of a scenario
func ParseProject(file string, data []byte, open func(name string) ([]byte, error)) (*Project, error) {
	doc := quantity.Read(file, data)
	m := doc.Root()
	env := Env{Open: open}
	p := &Project{File: file, Columns: map[string]string{}}
	p.Env.Open = open
	if pack, named := readPack(m, env); named {
		p.Env.Pack = pack
	}
	if m.Has("rig") {
		r, _ := readRig(m, env)
		p.Env.Rig = &r
	}
	p.Logger = m.TextOr("logger", "")
	if f, ok := m.Find("link"); ok {
		p.Plain = f.Word("lockstep", "stream") == "stream"
	}
	if columns, ok := m.Map("columns"); ok {
		for _, header := range columns.Keys() {
			p.Columns[header] = columns.Text(header)
		}
		columns.Done()
	}
	p.Suite, p.Skip = readSuite(m, "suite"), readSuite(m, "skip")
	if f, ok := m.Find("limits"); ok {
		p.Env.Limits = readExpect(f)
	}
	m.Done()
	if err := doc.Err(); err != nil {
		return nil, err
	}
	return p, nil
}

// readSuite reads a list of scenarios: names on board, or files that end in .yaml.
func readSuite(m *quantity.Map, key string) []string {
	f, ok := m.Find(key)
	if !ok {
		return nil
	}
	var out []string
	for _, item := range f.List() {
		name := item.Text()
		switch {
		case !item.IsText() || isFile(name):
		case Source(name) == nil:
			hint := "stuntcell list shows them all"
			if near := quantity.Nearest(name, Names()); near != "" {
				hint = near + "?"
			}
			item.Fail(fmt.Sprintf("no scenario %s on board", quote(name)), "a name on board, or a file that ends in .yaml", hint)
		}
		out = append(out, name)
	}
	return out
}

// projectSchema is the schema of a project file.
func projectSchema() node {
	return object(node{
		"pack":    described("a pack on board, or a file that ends in .yaml", text()),
		"rig":     described("a rig on board, a file that ends in .yaml, or what differs", anyOf(text(), rigOverrides())),
		"logger":  described("the command, split into words without a shell", text()),
		"link":    described("how it is driven", word("lockstep", "stream")),
		"columns": described("what columns of the log hold: header or number to a description", node{"type": "object", "additionalProperties": text()}),
		"suite":   described("what is run: names on board and files; default: all on board", listOf(text())),
		"skip":    listOf(text()),
		"limits":  expectSchema(),
	})
}
