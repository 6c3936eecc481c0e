package main

import (
	"fmt"
	"runtime"
	"runtime/debug"

	"github.com/spf13/cobra"
)

// version is what every verdict names as its tool.
const version = "0.1.0"

func newVersion(std streams) *cobra.Command {
	return &cobra.Command{
		Use:     "version",
		Short:   "Version of this program and what it was built from",
		Example: `  stuntcell version`,
		Args:    operands(0, 0, "nothing more"),
		RunE: func(*cobra.Command, []string) error {
			_, err := fmt.Fprintln(std.out, versionText())
			return err
		},
	}
}

// versionText is what the command version and the flag --version say.
func versionText() string {
	return fmt.Sprintf("stuntcell %s%s %s %s/%s", version, revision(), runtime.Version(), runtime.GOOS, runtime.GOARCH)
}

// revision names the commit that the program was built from, if Go knows it.
func revision() string {
	info, ok := debug.ReadBuildInfo()
	if !ok {
		return ""
	}
	var commit, dirty string
	for _, s := range info.Settings {
		switch {
		case s.Key == "vcs.revision":
			commit = s.Value
		case s.Key == "vcs.modified" && s.Value == "true":
			dirty = ", changed since"
		}
	}
	if commit == "" {
		return ""
	}
	return fmt.Sprintf(" (%.12s%s)", commit, dirty)
}
