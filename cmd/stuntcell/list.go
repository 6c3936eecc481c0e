package main

import (
	"bufio"
	"fmt"
	"io"
	"runtime"
	"strings"

	"github.com/spf13/cobra"

	"stuntcell/model/quantity"
)

type listOptions struct {
	names, matrix, json bool
	jobs                int
}

func newList(std streams) *cobra.Command {
	var o listOptions
	var names []string
	for _, k := range kinds() {
		names = append(names, k.name)
	}
	cmd := &cobra.Command{
		Use:   "list [KIND] | list --matrix [DEFECT...]",
		Short: "What is on board: packs, scenarios, causes, terms and more",
		Long: "What is on board, or all of one kind. KIND is one of\n\n  " + strings.Join(names, "\n  ") + "\n\n" +
			"With --matrix every built-in logger with a mistake, or those named by name or\n" +
			"cause, is run through every scenario: in which is it found, and by which name?\n" +
			"It is measured, not declared, and takes minutes.",
		Example: `  stuntcell list scenarios
  stuntcell list defects --names | xargs -n 1 stuntcell prove --json --defect`,
		ValidArgs: names,
		RunE: func(cmd *cobra.Command, args []string) error {
			if o.matrix {
				if o.jobs < 1 {
					return usagef("", "--jobs %d: expected at least 1", o.jobs)
				}
				return runMatrix(cmd.Context(), std, o.jobs, o.json, args)
			}
			if o.json {
				return usagef("list KIND --names has one name a line", "--json: expected --matrix with it")
			}
			if len(args) > 1 {
				return usagef("list alone shows all kinds", "list %s: expected one kind", strings.Join(args, " "))
			}
			return runList(std, o, args)
		},
	}
	f := cmd.Flags()
	f.BoolVar(&o.names, "names", false, "names only, one a line")
	f.BoolVar(&o.matrix, "matrix", false, "run every built-in mistake through every scenario, and say where it is found")
	f.BoolVar(&o.json, "json", false, "with --matrix: one object a line for each mistake and scenario")
	f.IntVar(&o.jobs, "jobs", runtime.GOMAXPROCS(0), "with --matrix: how many run side by side")
	f.Lookup("jobs").DefValue = "one a processor"
	cmd.MarkFlagsMutuallyExclusive("names", "matrix")
	return cmd
}

func runList(std streams, o listOptions, args []string) error {
	chosen := kinds()
	if len(args) == 1 {
		k, err := kindOf(args[0])
		if err != nil {
			return err
		}
		chosen = []kind{k}
	}
	w := bufio.NewWriter(std.out)
	for i, k := range chosen {
		items, err := k.items()
		if err != nil {
			return err
		}
		if o.names {
			for _, it := range items {
				fmt.Fprintln(w, it.name)
			}
			continue
		}
		if len(chosen) > 1 {
			if i > 0 {
				fmt.Fprintln(w)
			}
			fmt.Fprintf(w, "%s: %s\n", k.name, k.about)
		}
		width := 0
		for _, it := range items {
			width = max(width, len(it.name))
		}
		for _, it := range items {
			writeEntry(w, width, it)
		}
	}
	return w.Flush()
}

func kindOf(name string) (kind, error) {
	var names []string
	for _, k := range kinds() {
		if k.name == name {
			return k, nil
		}
		names = append(names, k.name)
	}
	hint := "expected one of " + strings.Join(names, ", ")
	if near := quantity.Nearest(name, names); near != "" {
		hint = near + "?"
	}
	return kind{}, usagef(hint, "nothing of the kind %q is on board", name)
}

// writeEntry writes a name and its summary, broken to fit 80 columns.
func writeEntry(w io.Writer, width int, it item) {
	head := "  "
	if width > 0 {
		head = fmt.Sprintf("  %-*s  ", width, it.name)
	}
	writeWrapped(w, head, it.summary)
}

// writeWrapped writes text in lines of at most 80 columns, the first after head and the others indented as far.
func writeWrapped(w io.Writer, head, text string) error {
	const columns = 80
	line, indent := head, len(head)
	const glued = "\x00%" // a percent sign is not parted from its number
	for word := range strings.FieldsSeq(strings.ReplaceAll(text, " %", glued)) {
		word = strings.ReplaceAll(word, glued, " %")
		if len(line) > indent && len(line)+1+len(word) > columns {
			if _, err := fmt.Fprintln(w, line); err != nil {
				return err
			}
			line = strings.Repeat(" ", indent)
		}
		if len(line) > indent {
			line += " "
		}
		line += word
	}
	_, err := fmt.Fprintln(w, strings.TrimRight(line, " "))
	return err
}
