// Command stuntcell is a stand-in battery and a proving ground for home-made capacity loggers.
//
// Each command is one file: its flags, an options struct, and a function that does the work with what lies in the packages
// model, emulator, scenarios and validate. Results go to standard output, progress and notes to standard error. [status]
// is the one place where an error becomes an exit status.
package main

import (
	"context"
	"io"
	"os"
	"strings"

	"github.com/spf13/cobra"
)

func main() {
	ctx, stop := interruptible(context.Background())
	std := streams{in: os.Stdin, out: os.Stdout, err: os.Stderr}
	err := newRoot(std).ExecuteContext(ctx)
	stop()
	complain(std, err)
	os.Exit(status(err))
}

// streams is where a command reads and writes.
type streams struct {
	in       io.Reader
	out, err *os.File
}

func newRoot(std streams) *cobra.Command {
	root := &cobra.Command{
		Use:   "stuntcell",
		Short: "A stand-in battery and a proving ground for home-made capacity loggers",
		Long: `A stand-in battery and a proving ground for home-made capacity loggers.

A logger counts the Ah and Wh of a battery under test. stuntcell plays it
simulated batteries whose truth is known, in virtual time, and says whether its
figures are right; if not, what is wrong, what it cost and how to mend it.

  stuntcell prove                    every scenario, with a built-in good logger
  stuntcell init bench && cd bench   a folder with a logger to start from
  stuntcell prove --run ./logger     your own logger
  stuntcell learn                    lessons: predict, run, see, be told why
  stuntcell show prove-or-audit      you have a log: which command is for it

All of it is a simulation: real batteries may be worse, and firmware is no
safety device.`,
		SilenceErrors:     true,
		SilenceUsage:      true,
		Args:              noSuchCommand,
		Version:           versionText(),
		PersistentPreRunE: nothingGiven,
		RunE: func(cmd *cobra.Command, _ []string) error {
			return cmd.Help()
		},
	}
	root.SetIn(std.in)
	root.SetOut(std.out)
	root.SetErr(std.err)
	root.SetFlagErrorFunc(flagError)
	root.SetVersionTemplate("{{.Version}}\n")
	root.SetUsageTemplate(strings.ReplaceAll(root.UsageTemplate(), ".FlagUsages", ".FlagUsagesWrapped 80"))
	root.AddCommand(
		newProve(std),
		newHunt(std),
		newGather(std),
		newRehearse(std),
		newRecord(std),
		newEmulate(std),
		newAudit(std),
		newCalibrate(std),
		newBudget(std),
		newFit(std),
		newLearn(std),
		newPage(std),
		newList(std),
		newShow(std),
		newInit(std),
		newMan(std),
		newVersion(std),
	)
	return root
}
