// Package chemistry holds the cells and packs that are on board, as the files that a user would write: one file a chemistry, one a
// pack. Package model reads them. Each figure names its source or is marked as plausible and invented.
//
// Figures of a chemistry are relative to the rated capacity, so that one file serves packs of any size: a resistance is the voltage
// that it drops at 1 C, a current is in C.
package chemistry

import (
	"embed"
	"io/fs"
	"strings"
)

//go:embed *.yaml packs/*.yaml
var files embed.FS

// Names lists the chemistries on board, in order.
func Names() []string { return names(".") }

// PackNames lists the packs on board, in order.
func PackNames() []string { return names("packs") }

func names(dir string) []string {
	entries, err := fs.ReadDir(files, dir)
	if err != nil {
		panic(err) // the files are part of the program
	}
	var out []string
	for _, e := range entries {
		if name, ok := strings.CutSuffix(e.Name(), ".yaml"); ok {
			out = append(out, name)
		}
	}
	return out
}

// File returns the file of a chemistry, ok false if there is none.
func File(name string) (data []byte, ok bool) { return file(name + ".yaml") }

// PackFile returns the file of a pack, ok false if there is none.
func PackFile(name string) (data []byte, ok bool) { return file("packs/" + name + ".yaml") }

func file(path string) ([]byte, bool) {
	if !fs.ValidPath(path) {
		return nil, false
	}
	data, err := files.ReadFile(path)
	return data, err == nil
}
