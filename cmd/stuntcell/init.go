package main

import (
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"syscall"

	"github.com/spf13/cobra"

	"stuntcell/emulator/firmware"
	"stuntcell/scenarios"
)

func newInit(std streams) *cobra.Command {
	return &cobra.Command{
		Use:   "init [DIR]",
		Short: "A folder to start from: stuntcell.yaml, logger.c, benchlink.h",
		Long: `A commented folder to start from: a project file, a working logger in C, and the
header that links any firmware to the bench. Nothing that is there already is
written over.`,
		Example: `  stuntcell init bench && cd bench && cc -o logger logger.c && stuntcell prove`,
		Args:    operands(0, 1, "at most one directory"),
		RunE: func(_ *cobra.Command, args []string) error {
			dir := "."
			if len(args) == 1 {
				dir = args[0]
			}
			return runInit(std, dir)
		},
	}
}

func runInit(std streams, dir string) error {
	files := []struct {
		name    string
		content []byte
	}{
		{scenarios.ProjectFile, []byte(projectFile)},
		{"logger.c", firmware.Logger},
		{"benchlink.h", firmware.Header},
	}
	if info, err := os.Stat(dir); err == nil && !info.IsDir() {
		return fileError{dir, syscall.ENOTDIR}
	}
	// All or none: a folder with half of it would be worse than a message.
	var there []error
	for _, f := range files {
		path := filepath.Join(dir, f.name)
		switch _, err := os.Lstat(path); {
		case err == nil:
			there = append(there, usagef("take another folder: stuntcell init DIR", "%s is there already and is not written over", path))
		case !errors.Is(err, fs.ErrNotExist):
			there = append(there, err)
		}
	}
	if len(there) > 0 {
		return errors.Join(there...)
	}
	if err := os.MkdirAll(dir, 0o777); err != nil {
		return err
	}
	for _, f := range files {
		path := filepath.Join(dir, f.name)
		if err := writeWhole(path, func(w io.Writer) error { _, err := w.Write(f.content); return err }); err != nil {
			return err
		}
		fmt.Fprintln(std.out, "wrote", path)
	}
	fmt.Fprintln(std.out, "\nNext:")
	if dir != "." {
		fmt.Fprintf(std.out, "  cd %s\n", dir)
	}
	_, err := fmt.Fprint(std.out, "  cc -o logger logger.c\n  stuntcell prove\n"+
		"Then put your own code into logger.c, or the three calls of benchlink.h into\nyours.\n")
	return err
}

// projectFile is the project file that init writes. Every key is there; those that a start does not need are comments.
const projectFile = `# What ` + "`stuntcell prove`" + ` runs in this folder. Every key may be left out.
# Editors complete and check it with: stuntcell show --schema project

# The logger: a command, split into words without a shell. ./ is this folder, and so is {here} anywhere in it.
logger: ./logger

# What you test and with what. Scenarios that name their own pack or rig keep it.
pack: agm-12v-7ah         # a name (stuntcell list packs) or a file: my-pack.yaml
rig: shop-50a             # a name (stuntcell list rigs), a file, or what differs:
# rig: {name: shop-50a, shunt: {nominal: 0.75 mohm, rated: 100 A}}

# What to run. Without it: everything on board (stuntcell list scenarios).
# suite: [tick-wrap-mid-discharge, charge-then-discharge, mine/long-discharge.yaml]
# skip: [ten-readings-a-second-for-20h]

# If the header of your log does not say what its columns hold: header, or number from 1, to what and in which unit.
# columns: {Energie: energy Wh, 4: charge mAh}

# Limits other than the usual ones (0.2 % of the charge, 0.3 % of the energy).
# limits: {charge: 0.5 %, energy: 0.5 %}

# A program that reads plain lines TICK,SHUNT,BUS,CLOCK and prints its log, instead of speaking the link:
# link: stream
`
