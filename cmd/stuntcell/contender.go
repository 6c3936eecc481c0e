package main

import (
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"io"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"github.com/spf13/cobra"

	"stuntcell/emulator/link"
	"stuntcell/model/quantity"
	"stuntcell/scenarios"
	"stuntcell/validate/loggers"
)

// choice is the flags that say which logger is proved.
type choice struct {
	run, defect string
	good        bool
	log         string
	link        string
	timeout     time.Duration
}

// flags adds the flags of a choice to a command.
func (c *choice) flags(cmd *cobra.Command) {
	f := cmd.Flags()
	f.StringVar(&c.run, "run", "", "prove the program that `COMMAND` starts; {here} in it is this directory")
	f.BoolVar(&c.good, "good", false, "prove the built-in good logger")
	f.StringVar(&c.defect, "defect", "", "prove the built-in logger `NAME` (stuntcell list defects)")
	f.DurationVar(&c.timeout, "timeout", 10*time.Second, "how long the logger may take for an answer, in real time")
	cmd.MarkFlagsMutuallyExclusive("run", "good", "defect")
}

// contender is the logger that is proved.
type contender struct {
	name  string // as verdicts name it
	hash  string // of the files that its command names
	plain bool   // reads the plain stream and prints its log, instead of speaking the link
	args  []string
	// untested says that the built-in good logger stands in because nobody named one.
	untested bool
	// power links to a new logger for a scenario; dir is the scenario's own.
	power func(sc *scenarios.Scenario, dir string) link.Link
}

// choose finds the logger: what the flags name, else the project, else the built-in good one.
func (c *choice) choose(b *bench) (*contender, error) {
	if c.timeout <= 0 {
		return nil, usagef("as in --timeout 30s", "--timeout %v: expected a time above zero", c.timeout)
	}
	command, plain := c.run, c.link == "stream"
	switch {
	case c.good:
		return builtIn("good", loggers.Good()), nil
	case c.defect != "":
		d, ok := loggers.ByName(c.defect)
		if !ok {
			hint := "stuntcell list defects shows them all"
			if near := quantity.Nearest(c.defect, defectNames()); near != "" {
				hint = near + "?"
			}
			return nil, usagef(hint, "no built-in logger %q", c.defect)
		}
		return builtIn(d.Name, d.New), nil
	case command == "" && b.project.Logger != "":
		command, plain = b.project.Logger, plain || b.project.Plain
	case command == "":
		good := builtIn("good", loggers.Good())
		good.untested = true
		return good, nil
	}
	args, err := findCommand(command, b.here)
	if err != nil {
		return nil, err
	}
	hash, err := hashFiles(args)
	if err != nil {
		return nil, err
	}
	power := func(sc *scenarios.Scenario, dir string) link.Link {
		return link.NewChild(link.ChildOptions{Args: args, Dir: dir, Env: []string{"TZ=" + zone(sc)}, Timeout: c.timeout, Seed: sc.Setup.Seed})
	}
	return &contender{name: command, hash: hash, plain: plain, args: args, power: power}, nil
}

func builtIn(name string, build loggers.Build) *contender {
	power := func(sc *scenarios.Scenario, _ string) link.Link { return link.NewInProcess(build, sc.Setup.Seed) }
	return &contender{name: "built-in " + name, power: power}
}

func defectNames() []string {
	names := []string{"good"}
	for _, d := range slices.Concat(loggers.Defects(), loggers.Healthy()) {
		names = append(names, d.Name)
	}
	return names
}

// zone is the TZ of a child (POSIX, XBD 8.3): the scenario's named zone, else its fixed one, whatever our own is.
func zone(sc *scenarios.Scenario) string {
	s := sc.Setup.Settings
	if s.ZoneName != "" {
		return s.ZoneName
	}
	east, sign, west := s.Zone, "+", "-"
	if east < 0 {
		east, sign, west = -east, "-", "+"
	}
	return fmt.Sprintf("<%s%02d%02d>%s%d:%02d", sign, east/60, east%60, west, east/60, east%60)
}

// findCommand splits a command and finds its program, so that it can be started in any directory.
func findCommand(command, here string) ([]string, error) {
	args, err := link.Words(command, here)
	if err != nil {
		return nil, usagef("as in --run './logger --fast'", "--run %q: %w", command, err)
	}
	path, err := exec.LookPath(args[0])
	if err == nil {
		if args[0], err = filepath.Abs(path); err != nil {
			return nil, err
		}
		return args, nil
	}
	hint := "build it first, or look at its path"
	switch _, isHere := os.Stat(filepath.Join(here, args[0])); {
	case errors.Is(err, os.ErrPermission):
		hint = "make it executable (chmod +x), or name the program that runs it: --run 'python3 {here}/logger.py'"
	case errors.Is(err, exec.ErrNotFound) && isHere == nil:
		hint = "write ./" + args[0] + " for the file in this directory"
	case errors.Is(err, exec.ErrNotFound):
		hint = "a program of your own is written with its directory: ./" + args[0]
	}
	return nil, usagef(hint, "the logger cannot be started: %w", err)
}

// hashFiles returns SHA-256 over all files among the words of a command, in hex: another build is another logger.
func hashFiles(args []string) (string, error) {
	h := sha256.New()
	for _, name := range args {
		info, err := os.Stat(name)
		if err != nil || !info.Mode().IsRegular() {
			continue
		}
		f, err := os.Open(name)
		if err != nil {
			// A program may be executable and not readable; it is then told from others by its name only.
			continue
		}
		fmt.Fprintf(h, "%s\n", strings.TrimSpace(filepath.Base(name)))
		_, err = io.Copy(h, f)
		f.Close()
		if err != nil {
			return "", err
		}
	}
	return hex.EncodeToString(h.Sum(nil)), nil
}
