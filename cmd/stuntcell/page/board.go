package page

import (
	"fmt"
	"slices"

	"stuntcell/emulator/rig"
	"stuntcell/model"
	"stuntcell/scenarios"
	"stuntcell/validate/loggers"
)

// board is what can be chosen, read once.
type board struct {
	scenarios []scenarios.Description
	packs     []choice
	rigs      []choice
	good      []choice // the good logger, the project's own, healthy ones
	defects   []choice
	causes    map[string]string // of a defect
}

// choice is an entry of a list to choose from.
type choice struct{ Name, Summary string }

// GoodLogger is the name of the built-in good logger in an address.
const GoodLogger = "good"

// OwnLogger is the name of the project's own logger in an address.
const OwnLogger = "own"

func newBoard(b Bench) (*board, error) {
	out := &board{causes: map[string]string{}}
	for _, name := range scenarios.Names() {
		d, ok := scenarios.Describe(name)
		if !ok {
			return nil, fmt.Errorf("page: the scenario %s cannot be read", name)
		}
		out.scenarios = append(out.scenarios, d)
	}
	for _, name := range b.Suite() {
		if slices.ContainsFunc(out.scenarios, func(d scenarios.Description) bool { return d.Name == name }) {
			continue
		}
		sc, err := b.Scenario(name, b.Env())
		if err != nil {
			return nil, err
		}
		out.scenarios = append(out.scenarios, scenarios.Description{Name: name, Summary: sc.Summary, Purpose: sc.Purpose, Shows: sc.Shows})
	}
	for _, name := range model.PackNames() {
		p, err := model.PackByName(name)
		if err != nil {
			return nil, err
		}
		out.packs = append(out.packs, choice{name, fmt.Sprintf("%s (%s, %.3g V, %.3g Ah)", p.Summary, p.Family, p.Nominal(), p.Rated.Charge/3600)})
	}
	for _, name := range rig.Names() {
		r, err := rig.ByName(name)
		if err != nil {
			return nil, err
		}
		out.rigs = append(out.rigs, choice{name, r.Summary})
	}
	if own := b.Own(); own != "" {
		out.good = append(out.good, choice{OwnLogger, "the project's own: " + own})
	}
	out.good = append(out.good, choice{GoodLogger, "the built-in good one"})
	for _, d := range loggers.Healthy() {
		out.good = append(out.good, choice{d.Name, d.Summary})
	}
	for _, d := range loggers.Defects() {
		out.defects = append(out.defects, choice{d.Name, d.Summary})
		out.causes[d.Name] = d.Cause
	}
	return out, nil
}

// scenario finds one by its name.
func (b *board) scenario(name string) (scenarios.Description, bool) {
	for _, d := range b.scenarios {
		if d.Name == name {
			return d, true
		}
	}
	return scenarios.Description{}, false
}

// pack finds a pack on board; what is wrong is said at the field. Only names that are on board are handed on: others may be those of files.
func (s *Server) pack(name, field string, w mistakes) *model.Pack {
	if has(s.board.packs, name) {
		p, err := s.Bench.Pack(name)
		if err == nil {
			return p
		}
	}
	w.add(field, "no pack %.60q on board", name)
	return nil
}

// rig finds a rig on board, as pack does.
func (s *Server) rig(name, field string, w mistakes) *rig.Rig {
	if has(s.board.rigs, name) {
		r, err := s.Bench.Rig(name)
		if err == nil {
			return &r
		}
	}
	w.add(field, "no rig %.60q on board", name)
	return nil
}

// has finds a name in a list of choices.
func has(list []choice, name string) bool {
	return slices.ContainsFunc(list, func(c choice) bool { return c.Name == name })
}
