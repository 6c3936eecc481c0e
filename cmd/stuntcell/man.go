package main

import (
	"bufio"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"slices"
	"strings"

	"github.com/spf13/cobra"
)

func newMan(std streams) *cobra.Command {
	return &cobra.Command{
		Use:   "man DIR",
		Short: "Manual pages of all commands, written to a folder",
		Long: `Manual pages of all commands, written to a folder: one page a command, in
section 1. They are made of the same words as --help, so they cannot differ from
it.`,
		Example: `  stuntcell man ~/.local/share/man/man1
  man stuntcell-prove`,
		Args: operands(1, 1, "one directory to write them to"),
		RunE: func(cmd *cobra.Command, args []string) error {
			return runMan(std, cmd.Root(), args[0])
		},
	}
}

func runMan(std streams, root *cobra.Command, dir string) error {
	if err := os.MkdirAll(dir, 0o777); err != nil {
		return err
	}
	pages := append([]*cobra.Command{root}, documented(root)...)
	for _, c := range pages {
		file := filepath.Join(dir, manName(c)+".1")
		if err := writeWhole(file, func(w io.Writer) error { return writeMan(w, c) }); err != nil {
			return err
		}
	}
	fmt.Fprintf(std.err, "wrote %d pages to %s\n", len(pages), dir)
	return nil
}

// documented are the commands that have a page, in order of name.
func documented(root *cobra.Command) []*cobra.Command {
	all := slices.DeleteFunc(slices.Clone(root.Commands()), func(c *cobra.Command) bool { return !c.IsAvailableCommand() || c.HasSubCommands() })
	slices.SortFunc(all, func(a, b *cobra.Command) int { return strings.Compare(a.Name(), b.Name()) })
	return all
}

// manName is the name of a command's page.
func manName(c *cobra.Command) string { return strings.ReplaceAll(c.CommandPath(), " ", "-") }

// writeMan writes a command's page. It has no date, so that the same program writes the same bytes.
func writeMan(w io.Writer, c *cobra.Command) error {
	b := bufio.NewWriter(w)
	fmt.Fprintf(b, ".TH %s 1 \"\" \"stuntcell %s\" \"User Commands\"\n", quoted(strings.ToUpper(manName(c))), version)
	fmt.Fprintf(b, ".SH NAME\n%s \\- %s\n", roff(manName(c)), roff(lowered(c.Short)))
	fmt.Fprintf(b, ".SH SYNOPSIS\n.B %s\n", roff(c.CommandPath()))
	if c.HasParent() {
		fmt.Fprintf(b, "%s [flags]\n", roff(strings.TrimPrefix(strings.TrimPrefix(c.Use, c.Name()), " ")))
	} else {
		fmt.Fprintln(b, "COMMAND [flags]")
	}
	fmt.Fprintln(b, ".SH DESCRIPTION")
	long := c.Long
	if long == "" {
		long = c.Short + "."
	}
	writeRoffText(b, long)
	if !c.HasParent() {
		fmt.Fprintln(b, ".SH COMMANDS")
		for _, sub := range documented(c) {
			fmt.Fprintf(b, ".TP\n.BR %s (1)\n%s\n", roff(manName(sub)), roff(sub.Short))
		}
	}
	c.InitDefaultHelpFlag()
	fmt.Fprintln(b, ".SH OPTIONS")
	for line := range strings.Lines(c.LocalFlags().FlagUsages()) {
		writeManFlag(b, strings.TrimSpace(line))
	}
	if c.Example != "" {
		fmt.Fprintln(b, ".SH EXAMPLES")
		writeRoffBlock(b, strings.Split(c.Example, "\n"))
	}
	fmt.Fprint(b, ".SH EXIT STATUS\n")
	for _, s := range []struct {
		code int
		what string
	}{
		{exitOK, "all checks hold; the command did what it was asked to do"}, {exitFailed, "a check failed; what was found is complete"},
		{exitUsage, "usage or bad input: file, line, column and what was expected are said"},
		{exitUnanswered, "the logger never answered a greeting"}, {exitInterrupted, "interrupted; what was finished is kept"},
	} {
		fmt.Fprintf(b, ".TP\n.B %d\n%s\n", s.code, roff(s.what))
	}
	fmt.Fprintln(b, ".SH NOTES")
	writeRoffText(b, "All of it is a simulation: real batteries may be worse, and firmware is no safety device. Local codes, the maker's data and licensed practice come first.")
	fmt.Fprintln(b, ".SH SEE ALSO")
	var also []string
	for _, other := range append([]*cobra.Command{c.Root()}, documented(c.Root())...) {
		if other != c {
			also = append(also, ".BR "+roff(manName(other))+" (1)")
		}
	}
	fmt.Fprintln(b, strings.Join(also, ",\n"))
	return b.Flush()
}

// writeManFlag writes one option as a line of --help has it: its names and the word for its value, then so many spaces, then what it does.
func writeManFlag(b *bufio.Writer, line string) {
	names, usage, _ := strings.Cut(line, "   ")
	var shown []string
	for _, word := range strings.Fields(names) {
		if strings.HasPrefix(word, "-") {
			name, comma := strings.CutSuffix(word, ",")
			word = `\fB` + roff(name) + `\fR`
			if comma {
				word += ","
			}
			shown = append(shown, word)
		} else {
			shown = append(shown, `\fI`+roff(word)+`\fR`)
		}
	}
	fmt.Fprintf(b, ".TP\n%s\n%s\n", strings.Join(shown, " "), roff(strings.TrimSpace(usage)))
}

// writeRoffText writes paragraphs parted by empty lines; what is indented in them stays as it is.
func writeRoffText(b *bufio.Writer, text string) {
	for i, paragraph := range strings.Split(strings.Trim(text, "\n"), "\n\n") {
		if i > 0 {
			fmt.Fprintln(b, ".PP")
		}
		lines := strings.Split(paragraph, "\n")
		for len(lines) > 0 {
			n := slices.IndexFunc(lines, func(l string) bool { return strings.HasPrefix(l, "  ") != strings.HasPrefix(lines[0], "  ") })
			if n < 0 {
				n = len(lines)
			}
			if strings.HasPrefix(lines[0], "  ") {
				writeRoffBlock(b, lines[:n])
			} else {
				for _, l := range lines[:n] {
					fmt.Fprintln(b, roff(l))
				}
			}
			lines = lines[n:]
		}
	}
}

// writeRoffBlock writes lines that stay as they are.
func writeRoffBlock(b *bufio.Writer, lines []string) {
	fmt.Fprintln(b, ".PP\n.nf")
	for _, l := range lines {
		fmt.Fprintln(b, roff(l))
	}
	fmt.Fprintln(b, ".fi")
}

// roff writes text so that it is shown as it stands: a hyphen that can be copied to a shell, no escapes, no requests.
func roff(text string) string {
	text = strings.NewReplacer(`\`, `\e`, "-", `\-`, "`", `\(ga`, "'", `\(aq`, "^", `\(ha`, "~", `\(ti`).Replace(text)
	if strings.HasPrefix(text, ".") {
		text = `\&` + text
	}
	return text
}

// quoted is an argument of a request.
func quoted(text string) string { return `"` + strings.ReplaceAll(roff(text), `"`, `\(dq`) + `"` }

// lowered begins a summary in the small letter that a NAME section wants, but for what is written large anyway.
func lowered(text string) string {
	first, rest := text[:1], text[1:]
	if len(rest) > 0 && strings.ToUpper(rest[:1]) == rest[:1] && rest[0] != ' ' {
		return text
	}
	return strings.ToLower(first) + rest
}
