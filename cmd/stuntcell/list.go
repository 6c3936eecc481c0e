package main

import (
	"bufio"
	"fmt"
	"strings"

	"github.com/spf13/cobra"

	"stuntcell/model/quantity"
)

type listOptions struct {
	names bool
}

func newList(std streams) *cobra.Command {
	var o listOptions
	var names []string
	for _, k := range kinds() {
		names = append(names, k.name)
	}
	cmd := &cobra.Command{
		Use:   "list [KIND]",
		Short: "What is on board: " + strings.Join(names, ", "),
		Long:  "What is on board. KIND is one of " + strings.Join(names, ", ") + "; without it all of them are listed.",
		Example: `  stuntcell list scenarios
  for d in $(stuntcell list defects --names); do stuntcell prove --defect $d --json; done`,
		Args:      cobra.MaximumNArgs(1),
		ValidArgs: names,
		RunE: func(_ *cobra.Command, args []string) error {
			return runList(std, o, args)
		},
	}
	cmd.Flags().BoolVar(&o.names, "names", false, "names only, one a line")
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
func writeEntry(w *bufio.Writer, width int, it item) {
	const columns = 80
	line := " "
	if width > 0 {
		line = fmt.Sprintf("  %-*s ", width, it.name)
	}
	indent := len(line)
	for word := range strings.FieldsSeq(it.summary) {
		if len(line)+1+len(word) > columns && len(line) > indent {
			fmt.Fprintln(w, line)
			line = strings.Repeat(" ", indent)
		}
		line += " " + word
	}
	fmt.Fprintln(w, strings.TrimRight(line, " "))
}
