package main

import (
	"github.com/spf13/cobra"

	"stuntcell/scenarios"
)

// A completion offers words to a shell; files are offered beside them.
type completion = func(cmd *cobra.Command, args []string, toComplete string) ([]cobra.Completion, cobra.ShellCompDirective)

// completeScenarios offers the scenarios on board, and files.
func completeScenarios(*cobra.Command, []string, string) ([]cobra.Completion, cobra.ShellCompDirective) {
	return scenarios.Names(), cobra.ShellCompDirectiveDefault
}

// completeOne offers words for a single argument.
func completeOne(words func() []string) completion {
	return func(_ *cobra.Command, args []string, _ string) ([]cobra.Completion, cobra.ShellCompDirective) {
		if len(args) > 0 {
			return nil, cobra.ShellCompDirectiveNoFileComp
		}
		return words(), cobra.ShellCompDirectiveNoFileComp
	}
}

// namesOnBoard lists all that `show` knows.
func namesOnBoard() []string {
	var names []string
	for _, k := range kinds() {
		items, err := k.items()
		if err != nil {
			continue // a completion has nobody to tell
		}
		for _, it := range items {
			names = append(names, it.name)
		}
	}
	return names
}
