package main

import (
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"strings"

	"stuntcell/emulator/rig"
	"stuntcell/model/quantity"
	"stuntcell/scenarios"
)

// bench is where a command runs: the caller's directory with the project file in it, if there is one.
type bench struct {
	here    string
	project *scenarios.Project // zero: no project file
	instead scenarios.Instead  // what the command line wants otherwise
}

// findBench looks at the caller's directory.
func findBench() (*bench, error) {
	here, err := os.Getwd()
	if err != nil {
		return nil, err
	}
	b := &bench{here: here, project: &scenarios.Project{}}
	data, err := os.ReadFile(filepath.Join(here, scenarios.ProjectFile))
	switch {
	case errors.Is(err, fs.ErrNotExist):
		return b, nil
	case err != nil:
		return nil, err
	}
	b.project, err = scenarios.ParseProject(scenarios.ProjectFile, data, b.open)
	return b, err
}

// open reads a file that is named in the project file or on the command line, relative to the caller's directory.
func (b *bench) open(name string) ([]byte, error) {
	path := name
	if !filepath.IsAbs(path) {
		path = filepath.Join(b.here, path)
	}
	data, err := os.ReadFile(path)
	var p *fs.PathError
	if errors.As(err, &p) {
		return nil, fileError{name, p.Err}
	}
	return data, err
}

// env is what scenarios lean on.
func (b *bench) env() scenarios.Env {
	env := b.project.Env
	env.Open, env.Instead = b.open, b.instead
	return env
}

// rig is the rig of scenarios that name none: the project's, else the default one.
func (b *bench) rig() (rig.Rig, error) {
	if b.project.Env.Rig != nil {
		return *b.project.Env.Rig, nil
	}
	return rig.ByName("shop-50a")
}

// scenario reads one scenario: a name on board or a file.
func (b *bench) scenario(arg string) (*scenarios.Scenario, error) {
	return b.scenarioIn(arg, b.env())
}

// scenarioIn reads one scenario with what it is to lean on.
func (b *bench) scenarioIn(arg string, env scenarios.Env) (*scenarios.Scenario, error) {
	if !strings.HasSuffix(arg, ".yaml") && !strings.ContainsAny(arg, `/\`) {
		if scenarios.Source(arg) == nil {
			return nil, b.noScenario(arg)
		}
		return scenarios.ByName(arg, env)
	}
	data, err := b.open(arg)
	if err != nil {
		return nil, err
	}
	// What a scenario's file names stands beside it, or in the caller's directory.
	if dir := filepath.Dir(arg); dir != "." {
		env.Open = func(name string) ([]byte, error) {
			if !filepath.IsAbs(name) {
				if data, err := b.open(filepath.Join(dir, name)); err == nil || !errors.Is(err, fs.ErrNotExist) {
					return data, err
				}
			}
			return b.open(name)
		}
	}
	return scenarios.Parse(arg, data, env)
}

// noScenario refuses a name that no scenario has, with what was probably meant: a file of this directory, another name, or what has that
// name in another kind.
func (b *bench) noScenario(name string) error {
	hint := "stuntcell list scenarios shows them all"
	_, file := os.Stat(filepath.Join(b.here, name+".yaml"))
	near := quantity.Nearest(name, scenarios.Names())
	switch {
	case file == nil:
		hint = "for the file in this directory: " + name + ".yaml"
	case slices.Contains(scenarios.Causes(), name):
		hint = fmt.Sprintf("%s is a mistake: stuntcell show %[1]s names the scenarios that show it", name)
	case slices.Contains(loggerNames(), name):
		hint = "a built-in logger is named by a flag: --defect " + name
	case near != "":
		hint = near + "?"
	}
	return usagef(hint, "no scenario %q on board", name)
}

// entry is a scenario of a suite. One on board that the project's pack or rig cannot run has no scenario but a reason.
type entry struct {
	name    string
	sc      *scenarios.Scenario
	refused error
}

// suite reads the scenarios named, else those of the project, else the whole library.
func (b *bench) suite(args []string) ([]entry, error) {
	var all []entry
	var problems []error
	named := len(args) > 0
	if !named {
		args = b.project.Suite
	}
	if len(args) == 0 {
		fit, refused := scenarios.Library(b.env())
		for _, sc := range fit {
			all = append(all, entry{name: sc.Name, sc: sc})
		}
		for _, r := range refused {
			all = append(all, entry{name: r.Name, refused: r.Err})
		}
		slices.SortFunc(all, func(a, b entry) int { return strings.Compare(a.name, b.name) })
	}
	seen := map[string]bool{}
	for _, arg := range args {
		sc, err := b.scenario(arg)
		switch {
		case err != nil:
			problems = append(problems, err)
		case seen[sc.Name]:
			problems = append(problems, fmt.Errorf("%s: the suite already has a scenario of the name %s; expected each once", sc.File, sc.Name))
		default:
			seen[sc.Name] = true
			all = append(all, entry{name: sc.Name, sc: sc})
		}
	}
	if len(problems) > 0 {
		return nil, errors.Join(problems...)
	}
	if !named {
		all = slices.DeleteFunc(all, func(e entry) bool {
			return slices.Contains(b.project.Skip, e.name) || e.sc != nil && slices.Contains(b.project.Skip, e.sc.File)
		})
	}
	if len(all) == 0 {
		return nil, usagef("", "no scenario is left to run: %s skips all of its suite", scenarios.ProjectFile)
	}
	return all, nil
}
