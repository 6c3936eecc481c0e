package main

import (
	"fmt"

	"stuntcell/emulator/rig"
	"stuntcell/model"
	"stuntcell/model/quantity"
	"stuntcell/scenarios"
	"stuntcell/scenarios/lesson"
	"stuntcell/validate/cause"
	"stuntcell/validate/loggers"
)

// item is something on board: its name and a line about it.
type item struct{ name, summary string }

// kind is a kind of thing on board.
type kind struct {
	name  string // as `list` takes it
	about string
	items func() ([]item, error)
}

// kinds lists what is on board, in the order in which `list` shows it.
func kinds() []kind {
	return []kind{
		{"scenarios", "what a logger is run through", listScenarios},
		{"packs", "batteries", listPacks},
		{"rigs", "what stands between battery and logger", listRigs},
		{"causes", "what a verdict can name", listCauses},
		{"defects", "built-in loggers with one mistake each: prove --defect NAME", listed(loggers.Defects)},
		{"healthy", "built-in healthy loggers in many styles: prove --defect NAME", listed(loggers.Healthy)},
		{"dialects", "how a device on a wire speaks: emulate --dialect NAME", listDialects},
		{"lessons", "predict, run, see and be told why: learn NAME", listLessons},
		{"topics", "questions that come up: show NAME", listTopics},
		{"terms", "words of this program", listTerms},
	}
}

func listScenarios() ([]item, error) {
	var items []item
	for _, name := range scenarios.Names() {
		// Only the summary is read: to parse a scenario is to play its plan.
		items = append(items, item{name, quantity.Read(name, scenarios.Source(name)).Root().Text("summary")})
	}
	return items, nil
}

func listPacks() ([]item, error) {
	var items []item
	for _, name := range model.PackNames() {
		p, _ := model.DescribePack(name)
		items = append(items, item{name, fmt.Sprintf("%s (%s, %.3g V, %.3g Ah)", p.Summary, p.Family, p.Volts, p.Charge/3600)})
	}
	return items, nil
}

func listRigs() ([]item, error) {
	var items []item
	for _, name := range rig.Names() {
		r, err := rig.ByName(name)
		if err != nil {
			return nil, err
		}
		items = append(items, item{name, r.Summary})
	}
	return items, nil
}

func listCauses() ([]item, error) {
	var items []item
	for _, name := range cause.Names() {
		what, ok := cause.Describe(name)
		if !ok {
			return nil, fmt.Errorf("the cause %s has no page", name)
		}
		items = append(items, item{name, what})
	}
	return items, nil
}

func listed(of func() []loggers.Defect) func() ([]item, error) {
	return func() ([]item, error) {
		var items []item
		for _, d := range of() {
			items = append(items, item{d.Name, d.Summary})
		}
		return items, nil
	}
}

func listLessons() ([]item, error) {
	var items []item
	for _, name := range lesson.Names() {
		items = append(items, item{name, lesson.TitleOf(name)})
	}
	return items, nil
}

func listTerms() ([]item, error) {
	var items []item
	for _, t := range terms() {
		items = append(items, item(t))
	}
	return items, nil
}
