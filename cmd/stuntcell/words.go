package main

import (
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"syscall"

	"github.com/spf13/cobra"
	"github.com/spf13/pflag"

	"stuntcell/model/quantity"
)

// fileError is a file that cannot be read, in words that need no knowledge of system calls.
type fileError struct {
	name string // as the user named it
	err  error
}

func (f fileError) Unwrap() error { return f.err }

func (f fileError) Error() string {
	switch {
	case errors.Is(f.err, fs.ErrNotExist):
		return f.name + ": there is no such file" + nearFile(f.name)
	case errors.Is(f.err, syscall.EISDIR):
		return f.name + ": is a directory, a file was expected"
	case errors.Is(f.err, syscall.ENOTDIR):
		return f.name + ": a directory was expected, a file is there"
	case errors.Is(f.err, fs.ErrPermission):
		return f.name + ": you are not permitted to use it"
	}
	return fmt.Sprintf("%s: %v", f.name, f.err)
}

// nearFile is a hint at the file beside it that was probably meant, "" if there is none.
func nearFile(name string) string {
	dir, base := filepath.Split(name)
	entries, err := os.ReadDir(filepath.Clean(dir)) // "" is here
	if err != nil {
		return ""
	}
	ext := filepath.Ext(base)
	var stems []string
	for _, e := range entries[:min(len(entries), 1000)] {
		if stem, ok := strings.CutSuffix(e.Name(), ext); ok {
			stems = append(stems, stem)
		}
	}
	if near := quantity.Nearest(strings.TrimSuffix(base, ext), stems); near != "" {
		return fmt.Sprintf(" (hint: %s?)", filepath.Join(dir, near+ext))
	}
	return ""
}

// inOurWords is the message of an error, with what a library says of files and flags in our words.
func inOurWords(err error) string {
	message := strings.TrimRight(err.Error(), "\n")
	var path *fs.PathError
	if errors.As(err, &path) {
		message = strings.Replace(message, path.Error(), fileError{path.Path, path.Err}.Error(), 1)
		message = strings.Replace(message, path.Path+": "+path.Path+": ", path.Path+": ", 1)
	}
	for _, w := range flagWords {
		message = w.said.ReplaceAllString(message, w.ours)
	}
	return message
}

// flagWords are the sentences of the flag library that name its own notions.
var flagWords = []struct {
	said *regexp.Regexp
	ours string
}{
	{regexp.MustCompile(`^if any flags in the group \[.*\] are set none of the others can be; \[(\S+) (\S+).*\] were all set$`),
		"--$1 and --$2 exclude each other: expected one of them"},
	{regexp.MustCompile(`^required flag\(s\) "(\w+)".* not set$`), "--$1 is missing"},
	{regexp.MustCompile(`^at least one of the flags in the group \[pty tcp port check\] is required$`), "expected one of --pty, --tcp, --port, --check"},
}

// flagError says what is wrong with a flag, in our words.
func flagError(cmd *cobra.Command, err error) error {
	u := usageError{err: err, command: cmd.CommandPath()}
	var value *pflag.InvalidValueError
	if !errors.As(err, &value) {
		return u
	}
	flag := value.GetFlag()
	switch said := flag.Value.Type(); said {
	case "uint64":
		u.err = fmt.Errorf("--%s %q: expected a whole number from 0 to 18446744073709551615", flag.Name, value.GetValue())
	case "int":
		u.err = fmt.Errorf("--%s %q: expected a whole number", flag.Name, value.GetValue())
	case "float64":
		u.err = fmt.Errorf("--%s %q: expected a number, as 1.2", flag.Name, value.GetValue())
	case "bool":
		u.err = fmt.Errorf("--%s %q: expected true or false, or --%s alone", flag.Name, value.GetValue(), flag.Name)
	case "duration":
		u.err = fmt.Errorf("--%s %q: expected a time with its unit, as 30s, 5m or 1h", flag.Name, value.GetValue())
	case "stringToString":
		u.err = fmt.Errorf("--%s %q: expected HEADER=KIND, as Energie='energy Wh'", flag.Name, value.GetValue())
	default:
		u.err = fmt.Errorf("--%s: %w", flag.Name, value.Unwrap())
	}
	return u
}

// operands says how many arguments a command takes and what they are.
func operands(least, most int, what string) cobra.PositionalArgs {
	return func(cmd *cobra.Command, args []string) error {
		u := usageError{command: cmd.CommandPath()}
		switch {
		case len(args) < least:
			u.err = fmt.Errorf("%s: expected %s", cmd.Name(), what)
		case len(args) > most:
			u.err = fmt.Errorf("%s: %q is one argument too many; expected %s", cmd.Name(), args[most], what)
		default:
			return nil
		}
		return u
	}
}

// noSuchCommand refuses a command that there is not, and says which was probably meant.
func noSuchCommand(root *cobra.Command, args []string) error {
	if len(args) == 0 {
		return nil
	}
	var names []string
	for _, c := range root.Commands() {
		if !c.Hidden {
			names = append(names, c.Name())
		}
	}
	if near := quantity.Nearest(args[0], names); near != "" {
		return usagef(near+"?", "unknown command %q", args[0])
	}
	return usagef("stuntcell --help lists the commands", "unknown command %q", args[0])
}

// nothingGiven refuses a flag whose value is nothing, as --run "$LOGGER" is where the variable is not set: it would be taken for one
// that is not there, and another logger proved.
func nothingGiven(cmd *cobra.Command, _ []string) error {
	var err error
	cmd.Flags().Visit(func(f *pflag.Flag) {
		if err == nil && f.Value.Type() == "string" && f.Value.String() == "" {
			name, _ := pflag.UnquoteUsage(f)
			err = usageError{err: fmt.Errorf("--%s: expected %s, found nothing", f.Name, name), command: cmd.CommandPath()}
		}
	})
	return err
}

// columnsFlag adds the flag that says what columns of a log hold. What the library shows as the default of a flag that takes pairs is no default.
func columnsFlag(f *pflag.FlagSet, columns *map[string]string, usage string) {
	f.StringToStringVar(columns, "columns", nil, usage)
	f.Lookup("columns").DefValue = ""
}

// together refuses flags that say nothing without another.
func together(cmd *cobra.Command, pairs [][2]string) error {
	for _, p := range pairs {
		if cmd.Flags().Changed(p[0]) && !cmd.Flags().Changed(p[1]) {
			return usagef("", "--%s says nothing without --%s", p[0], p[1])
		}
	}
	return nil
}
