package main

import (
	"bytes"
	"context"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"os/exec"
	"path/filepath"
	"runtime/debug"
	"slices"
	"strings"
	"syscall"
	"time"

	"github.com/spf13/cobra"

	"stuntcell/emulator"
	"stuntcell/emulator/link"
	"stuntcell/model/quantity"
	"stuntcell/scenarios"
	"stuntcell/validate/logfile"
	"stuntcell/validate/loggers"
)

// choice is the flags that say which logger is proved.
type choice struct {
	run, defect, wasm string
	good              bool
	log               string
	link              string
	timeout           time.Duration
	board
}

// answerTimeout is how long a logger may take for an answer if nobody says otherwise, in real time.
const answerTimeout = 10 * time.Second

// flags adds the flags of a choice to a command.
func (c *choice) flags(cmd *cobra.Command) {
	f := cmd.Flags()
	f.StringVar(&c.run, "run", "", "prove the program that `COMMAND` starts; {here} in it is this directory")
	f.BoolVar(&c.good, "good", false, "prove the built-in good logger")
	f.StringVar(&c.defect, "defect", "", "prove the built-in logger `NAME` (stuntcell list defects)")
	f.StringVar(&c.wasm, "wasm", "", "prove the WebAssembly module `FILE` in a sandbox")
	f.StringVar(&c.log, "log", "", "judge `FILE`, the log of a program that was fed by record or emulate")
	f.StringVar(&c.link, "link", "", "how --run is driven: lockstep, or `stream` for a program that reads plain lines")
	f.DurationVar(&c.timeout, "timeout", answerTimeout, "how long the logger may take for an answer, in real time")
	cmd.RegisterFlagCompletionFunc("defect", completeOne(loggerNames))
	cmd.RegisterFlagCompletionFunc("link", completeOne(func() []string { return []string{"lockstep", "stream"} }))
	c.board.flags(cmd)
	cmd.MarkFlagsMutuallyExclusive("run", "good", "defect", "log", "wasm", "port", "connect")
}

// contender is the logger that is proved.
type contender struct {
	name string // as verdicts name it
	hash string // of the files that its command names
	// untested says that the built-in good logger stands in because nobody named one.
	untested bool
	// alone says that it can be run through one scenario at a time only.
	alone bool
	// past says that it ran elsewhere, once: its log is all there is.
	past bool
	// opening is what is done before the first of these scenarios; nil: nothing.
	opening func(ctx context.Context, suite []*scenarios.Scenario) error
	// play runs it through a scenario; dir is the scenario's own.
	play func(ctx context.Context, sc *scenarios.Scenario, dir string) (*emulator.Record, error)
}

// choose finds the logger: what the flags name, else the project, else the built-in good one.
func (c *choice) choose(std streams, b *bench) (*contender, error) {
	if c.timeout <= 0 {
		return nil, usagef("as in --timeout 30s", "--timeout %v: expected a time above zero", c.timeout)
	}
	if c.link != "" && c.link != "lockstep" && c.link != "stream" {
		return nil, usagef("", "--link %q: expected lockstep or stream", c.link)
	}
	command, plain := c.run, c.link == "stream"
	if command == "" && c.defect == "" && c.log == "" && c.wasm == "" && !c.board.chosen() && !c.good {
		command = b.project.Logger
		plain = plain || c.link == "" && b.project.Plain
	}
	switch {
	case command != "":
		return c.program(command, plain, b)
	case plain:
		return nil, usagef("as in --link stream --run 'awk -f {here}/logger.awk'", "--link stream: expected a program of yours to drive")
	case c.log != "":
		return written(std, b, c.log)
	case c.wasm != "":
		return c.module(b)
	case c.board.chosen():
		return c.board.contender(std, c.timeout, b.project.Columns)
	case c.defect != "":
		d, ok := loggers.ByName(c.defect)
		if !ok {
			hint := "stuntcell list defects shows them all"
			if near := quantity.Nearest(c.defect, loggerNames()); near != "" {
				hint = near + "?"
			}
			return nil, usagef(hint, "no built-in logger %q", c.defect)
		}
		return builtIn(d.Name, d.New), nil
	}
	good := builtIn("good", loggers.Good())
	good.untested = !c.good
	return good, nil
}

// program is a contender that is a program of the user's.
func (c *choice) program(command string, plain bool, b *bench) (*contender, error) {
	args, err := findCommand(command, b.here)
	if err != nil {
		return nil, err
	}
	hash, err := hashFiles(args)
	if err != nil {
		return nil, err
	}
	elsewhere := relativeFile(args, b.here)
	s := streamer{columns: b.project.Columns}
	if plain {
		own, err := b.rig()
		if err != nil {
			return nil, err
		}
		s.mine = constantsOf(own)
	}
	play := func(ctx context.Context, sc *scenarios.Scenario, dir string) (*emulator.Record, error) {
		o := link.ChildOptions{Args: args, Dir: dir, Env: []string{"TZ=" + zone(sc)}, Timeout: c.timeout, Seed: sc.Setup.Seed}
		run := func() (*emulator.Record, error) { return emulator.Run(ctx, sc.Setup, link.NewChild(o)) }
		if plain {
			run = func() (*emulator.Record, error) { return s.play(ctx, sc, o) }
		}
		rec, err := run()
		if err == nil && elsewhere != "" && rec.Outcome.Failure != nil && rec.Outcome.Failure.Kind == link.Crash {
			rec.Outcome.Failure.Hint = fmt.Sprintf("%s is a file of this directory, and the logger runs in another: write {here}/%[1]s", elsewhere)
		}
		return rec, err
	}
	return &contender{name: command, hash: hash, play: play}, nil
}

// relativeFile is the first word of a command after its program that names a file by its place in this directory: a program that runs in
// another does not find it there. It may be a name of the program's own, so this is no mistake before something fails.
func relativeFile(args []string, here string) string {
	for _, a := range args[1:] {
		if info, err := os.Stat(filepath.Join(here, a)); err == nil && !filepath.IsAbs(a) && info.Mode().IsRegular() {
			return a
		}
	}
	return ""
}

// module is a contender that is a WebAssembly module.
func (c *choice) module(b *bench) (*contender, error) {
	binary, err := b.open(c.wasm)
	if err != nil {
		return nil, err
	}
	if !bytes.HasPrefix(binary, []byte("\x00asm")) {
		return nil, usagef("clang --target=wasm32 makes one: see benchlink.h", "%s: no WebAssembly module", c.wasm)
	}
	play := func(ctx context.Context, sc *scenarios.Scenario, _ string) (*emulator.Record, error) {
		return emulator.Run(ctx, sc.Setup, link.NewWasm(link.WasmOptions{Binary: binary, Timeout: c.timeout, Seed: sc.Setup.Seed}))
	}
	return &contender{name: c.wasm, hash: fmt.Sprintf("%x", sha256.Sum256(binary)), play: play}, nil
}

// mostLog is how long a log may be that is held as a whole [bytes]: a row for each of thirty million readings.
const mostLog = 1 << 30

// written is a contender that is not here any more: only the log that it wrote.
func written(std streams, b *bench, name string) (*contender, error) {
	path := name
	if name != "-" && !filepath.IsAbs(name) {
		path = filepath.Join(b.here, name)
	}
	in, closeLog, err := openLog(std, path)
	var p *fs.PathError
	if errors.As(err, &p) {
		return nil, fileError{name, p.Err}
	}
	if err != nil {
		return nil, err
	}
	defer closeLog()
	size := int64(0)
	if f, ok := in.(*os.File); ok {
		if info, err := f.Stat(); err == nil && info.Mode().IsRegular() {
			size = info.Size()
		}
	}
	sum := sha256.New()
	log, err := logfile.Text(io.TeeReader(in, sum), size, mostLog)
	if err != nil {
		return nil, inLog(name, err)
	}
	// Rows and readings are held as a whole: garbage beside them costs more than collecting it, since few of them hold pointers.
	debug.SetGCPercent(20)
	play := func(ctx context.Context, sc *scenarios.Scenario, _ string) (*emulator.Record, error) {
		return streamer{columns: b.project.Columns}.judged(ctx, sc, log)
	}
	return &contender{name: name, hash: fmt.Sprintf("%x", sum.Sum(nil)), past: true, play: play}, nil
}

func builtIn(name string, build loggers.Build) *contender {
	play := func(ctx context.Context, sc *scenarios.Scenario, _ string) (*emulator.Record, error) {
		return emulator.Run(ctx, sc.Setup, link.NewInProcess(build, sc.Setup.Seed))
	}
	return &contender{name: "built-in " + name, play: play}
}

func loggerNames() []string {
	var names []string
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
	why := "no program of this name is on the path"
	var file *exec.Error
	switch {
	case errors.Is(err, os.ErrPermission):
		why = "it is not executable"
	case errors.Is(err, syscall.EISDIR):
		why = "it is a directory"
	case !errors.Is(err, exec.ErrNotFound) && errors.Is(err, os.ErrNotExist):
		why = "there is no such file"
	case !errors.Is(err, exec.ErrNotFound) && errors.As(err, &file):
		why = file.Err.Error()
	}
	return nil, usagef(hint, "the logger cannot be started: %s: %s", args[0], why)
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
