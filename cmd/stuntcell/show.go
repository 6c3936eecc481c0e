package main

import (
	"bufio"
	"bytes"
	"fmt"
	"strings"

	"github.com/spf13/cobra"

	"stuntcell/emulator/rig"
	"stuntcell/model/quantity"
	"stuntcell/scenarios"
	"stuntcell/scenarios/lesson"
	"stuntcell/validate/cause"
	"stuntcell/validate/loggers"
)

type showOptions struct {
	schema bool
}

func newShow(std streams) *cobra.Command {
	var o showOptions
	cmd := &cobra.Command{
		Use:   "show NAME",
		Short: "One thing on board, whole: a scenario, pack, rig, cause, term ...",
		Long: `One thing on board whole: a scenario, pack, rig or lesson as a file to start
from, a cause, a built-in logger, the commands and registers of a dialect, a
term, or the answer to a question that comes up (stuntcell list topics). What
has the same name in two kinds is shown twice.

With --schema it is the JSON Schema of a kind of file, for editors that complete
and check: ` + strings.Join(scenarios.SchemaNames(), ", ") + ".",
		Example: `  stuntcell show tick-wrap
  stuntcell show tick-wrap-mid-discharge > mine.yaml
  stuntcell show prove-or-audit
  stuntcell show accuracy
  stuntcell show scpi
  stuntcell show --schema scenario > scenario.schema.json`,
		Args:              operands(1, 1, "one name (stuntcell list shows them)"),
		ValidArgsFunction: completeOne(namesOnBoard),
		RunE: func(_ *cobra.Command, args []string) error {
			return runShow(std, o, args[0])
		},
	}
	cmd.Flags().BoolVar(&o.schema, "schema", false, "the JSON Schema of a kind of file")
	return cmd
}

func runShow(std streams, o showOptions, name string) error {
	if o.schema {
		schema, ok := scenarios.Schema(name)
		if !ok {
			return usagef("expected one of "+strings.Join(scenarios.SchemaNames(), ", "), "no schema of the name %q", name)
		}
		_, err := std.out.Write(schema)
		return err
	}
	var found [][]byte
	for _, show := range []func(string) []byte{scenarios.Source, showPack, rig.Source, showCause, showLogger, showDialect, lesson.Source, showTopic, showTerm} {
		if text := show(name); text != nil {
			found = append(found, text)
		}
	}
	if len(found) == 0 {
		return unknown(name)
	}
	_, err := std.out.Write(bytes.Join(found, []byte("\n")))
	return err
}

// unknown says that nothing has this name, and which name is near.
func unknown(name string) error {
	hint := "stuntcell list shows what there is"
	if near := quantity.Nearest(name, namesOnBoard()); near != "" {
		hint = near + "?"
	}
	return usagef(hint, "nothing of the name %q is on board", name)
}

func showCause(name string) []byte {
	p, ok := cause.Lookup(name)
	if !ok {
		return nil
	}
	return page(func(w *bufio.Writer) {
		fmt.Fprintln(w, strings.TrimRight(p.String(), "\n"))
		var names []string
		for _, d := range loggers.Defects() {
			if d.Cause == name {
				names = append(names, d.Name)
			}
		}
		if len(names) > 0 {
			fmt.Fprintln(w, "\nBuilt-in loggers that have it (stuntcell prove --defect NAME)")
			writeEntry(w, 0, item{"", strings.Join(names, ", ")})
		}
		if lessons := lesson.About(name); len(lessons) > 0 {
			fmt.Fprintln(w, "\nLessons on it (stuntcell learn NAME)")
			writeEntry(w, 0, item{"", strings.Join(lessons, ", ")})
		}
	})
}

func showLogger(name string) []byte {
	d, ok := loggers.ByName(name)
	if !ok {
		return nil
	}
	return page(func(w *bufio.Writer) {
		what := "a healthy built-in logger"
		if d.Cause != "" {
			what = "a built-in logger with the mistake " + d.Cause
		}
		fmt.Fprintf(w, "%s: %s\n\n", d.Name, what)
		writeEntry(w, len("run"), item{"is", d.Summary})
		writeEntry(w, len("run"), item{"run", "stuntcell prove --defect " + d.Name})
	})
}

func showTerm(name string) []byte {
	for _, t := range terms() {
		if t.name == name {
			return page(func(w *bufio.Writer) { writeEntry(w, len(t.name), item(t)) })
		}
	}
	return nil
}

func page(write func(*bufio.Writer)) []byte {
	var b bytes.Buffer
	w := bufio.NewWriter(&b)
	write(w)
	w.Flush()
	return b.Bytes()
}
