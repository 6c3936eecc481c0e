package scenarios

import (
	"fmt"

	"stuntcell/emulator/rig"
	"stuntcell/model"
	"stuntcell/model/quantity"
)

// The defaults of scenarios and projects that name nothing else.
const (
	DefaultPack = "agm-12v-7ah"
	DefaultRig  = "shop-50a"
)

// readRig reads the rig of a scenario or a project: a name, a file, or a mapping of what differs. It reports whether a rig was named.
func readRig(m *quantity.Map, env Env) (rig.Rig, bool) {
	base, err := env.rig()
	f, ok := m.Find("rig")
	if err != nil {
		m.Fail("rig", err.Error(), "", "")
		return rig.Rig{}, false
	}
	if !ok {
		return base, false
	}
	if !f.IsMap() {
		named := namedRig(f, env)
		if env.Instead.Rig != nil {
			named = base
		}
		return named, true
	}
	over := f.Map()
	name, named := over.Find("name")
	if named {
		if its := namedRig(name, env); env.Instead.Rig == nil {
			base = its
		}
	}
	if base.Front.ShuntStep == 0 { // what is wrong with the name has been said
		return base, named
	}
	return rig.Apply(over, base), named
}

// namedRig is a rig on board, or a file that ends in .yaml.
func namedRig(f quantity.Field, env Env) rig.Rig {
	if f.IsText() && isFile(f.Text()) && env.Open != nil {
		data, err := env.Open(f.Text())
		if err != nil {
			f.FailWith(err)
			return rig.Rig{}
		}
		r, err := rig.Parse(f.Text(), data, rig.Rig{})
		if err != nil {
			f.FailWith(err)
		}
		return r
	}
	r, err := rig.ByName(f.Word(rig.Names()...))
	if err != nil && f.IsText() {
		return rig.Rig{}
	}
	return r
}

// rig is the rig that stands instead of all, else the default one.
func (e Env) rig() (rig.Rig, error) {
	if e.Instead.Rig != nil {
		return *e.Instead.Rig, nil
	}
	if e.Rig != nil {
		return *e.Rig, nil
	}
	return rig.ByName(DefaultRig)
}

// readPack reads the pack of a scenario or a project: the name of a pack on board, a file that ends in .yaml, or a mapping that
// is a pack file. It returns nil where nothing usable is named, and reports whether a pack was named.
func readPack(m *quantity.Map, env Env) (*model.Pack, bool) {
	f, named := m.Find("pack")
	p, err := env.Pack, error(nil)
	switch {
	case env.Instead.Pack != nil:
		p = env.Instead.Pack
	case named:
		p, err = env.findPack(f.Text())
	case p == nil:
		p, err = model.PackByName(DefaultPack)
	}
	if err == nil && env.Instead.Health != 0 {
		p, err = p.Aged(env.Instead.Health, 0)
	}
	switch {
	case err == nil:
		return p, named
	case named:
		f.FailWith(err)
	default:
		m.Fail("pack", err.Error(), "", "")
	}
	return nil, named
}

// findPack finds a pack by the name of one on board or by its file.
func (e Env) findPack(name string) (*model.Pack, error) {
	if !isFile(name) {
		return model.PackByName(name)
	}
	if e.Open == nil {
		return nil, fmt.Errorf("pack file %s cannot be read here (expected the name of a pack on board)", quote(name))
	}
	data, err := e.Open(name)
	if err != nil {
		return nil, err
	}
	return model.LoadPack(name, data)
}

// isFile tells the name of a file from a name on board.
func isFile(name string) bool {
	const ending = ".yaml"
	return len(name) > len(ending) && name[len(name)-len(ending):] == ending
}
