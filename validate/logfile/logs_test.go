package logfile

import (
	"errors"
	"flag"
	"fmt"
	"io"
	"math"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"testing"

	"github.com/rogpeppe/go-internal/txtar"
)

var update = flag.Bool("update", false, "write what the logs of testdata/logs are read as into them")

const logs = "../../testdata/logs"

// TestLogs reads each log of testdata/logs, in memory and as a stream, and compares what was understood with what stands in the file.
func TestLogs(t *testing.T) {
	files, err := filepath.Glob(logs + "/*.txtar")
	if err != nil || len(files) < 40 {
		t.Fatalf("%d logs, want at least 40: %v", len(files), err)
	}
	for _, file := range files {
		t.Run(strings.TrimSuffix(filepath.Base(file), ".txtar"), func(t *testing.T) {
			a, err := txtar.ParseFile(file)
			if err != nil {
				t.Fatal(err)
			}
			text, want, opts := parts(t, a)
			got := asText(ParseLines(splitLines(text), opts))
			if *update {
				for i := range a.Files {
					if a.Files[i].Name == "want" {
						a.Files[i].Data = []byte(got)
					}
				}
				if err := os.WriteFile(file, txtar.Format(a), 0o666); err != nil {
					t.Fatal(err)
				}
			} else if got != want {
				t.Errorf("in memory:\n%s\nwant:\n%s", got, want)
			}
			long := opts
			long.slow = true
			if slow := asText(ParseLines(splitLines(text), long)); slow != got {
				t.Errorf("the long way:\n%s\nquick:\n%s", slow, got)
			}
			for name, in := range map[string]io.Reader{"file": strings.NewReader(text), "pipe": io.MultiReader(strings.NewReader(text)),
				"CR LF": strings.NewReader(strings.ReplaceAll(text, "\n", "\r\n")), "CR": strings.NewReader(strings.ReplaceAll(text, "\n", "\r")), "bytes": oneByte{strings.NewReader(text)}} {
				if streamed := asText(readAll(NewReader(in, opts))); streamed != got {
					t.Errorf("as a stream (%s):\n%s\nin memory:\n%s", name, streamed, got)
				}
			}
		})
	}
}

type oneByte struct{ in io.Reader }

func (o oneByte) Read(p []byte) (int, error) { return o.in.Read(p[:min(1, len(p))]) }

func parts(t *testing.T, a *txtar.Archive) (text, want string, opts Options) {
	for _, f := range a.Files {
		switch f.Name {
		case "log":
			text = string(f.Data)
		case "want":
			want = string(f.Data)
		case "columns":
			opts.Columns = map[string]string{}
			for _, l := range splitLines(string(f.Data)) {
				k, v, _ := strings.Cut(l, ": ")
				opts.Columns[k] = v
			}
		case "torn":
			n, err := strconv.Atoi(strings.TrimSpace(string(f.Data)))
			if err != nil {
				t.Fatal(err)
			}
			opts.TornOK = func(line int) bool { return line == n-1 }
		case "lasted":
			v, err := strconv.ParseFloat(strings.TrimSpace(string(f.Data)), 64)
			if err != nil {
				t.Fatal(err)
			}
			opts.Lasted = v
		default:
			t.Fatalf("unknown part %s", f.Name)
		}
	}
	return text, want, opts
}

func splitLines(text string) []string {
	if text == "" {
		return nil
	}
	return strings.Split(strings.TrimSuffix(text, "\n"), "\n")
}

// readAll gathers all batches of a stream.
func readAll(r *Reader) (*Table, error) {
	all := &Table{}
	for {
		t, err := r.Next()
		if err == io.EOF {
			return all, nil
		}
		if err != nil {
			return nil, err
		}
		for _, s := range t.Segments {
			s.Row += len(all.Rows)
			all.Segments = append(all.Segments, s)
		}
		for i, c := range t.Columns {
			if i == len(all.Columns) {
				c.Value, c.Step, c.Text = gaps(len(all.Rows)), gaps(len(all.Rows)), make([]string, len(all.Rows))
				if t.Columns[i].Text == nil {
					c.Text = nil
				}
				all.Columns = append(all.Columns, c)
			}
			o := &all.Columns[i]
			o.Value, o.Step, o.Text = append(o.Value, t.Columns[i].Value...), append(o.Step, t.Columns[i].Step...), append(o.Text, t.Columns[i].Text...)
		}
		all.Rows = append(all.Rows, t.Rows...)
		all.Problems = append(all.Problems, t.Problems...)
		all.Headers = append(all.Headers, t.Headers...)
		all.Comments = append(all.Comments, t.Comments...)
		all.Footers = append(all.Footers, t.Footers...)
		all.Blank += t.Blank
		all.Notes, all.Separator, all.Keyed, all.DecimalComma = t.Notes, t.Separator, t.Keyed, t.DecimalComma
	}
}

// asText writes a table so that a person can check it.
func asText(t *Table, err error) string {
	if err != nil {
		var e *Error
		if !errors.As(err, &e) {
			return "not an *Error: " + err.Error() + "\n"
		}
		return "error: " + err.Error() + "\n"
	}
	var b strings.Builder
	fmt.Fprintf(&b, "separator %q", t.Separator)
	if t.DecimalComma {
		b.WriteString(" decimal comma")
	}
	if t.Keyed {
		b.WriteString(" keyed")
	}
	list := func(name string, lines []int) {
		if len(lines) > 0 {
			fmt.Fprintf(&b, "; %s", name)
			for _, l := range lines {
				fmt.Fprintf(&b, " %d", l+1)
			}
		}
	}
	list("headers", t.Headers)
	list("rows", t.Rows)
	list("remarks", t.Comments)
	list("footers", t.Footers)
	b.WriteString("\n")
	if len(t.Segments) > 1 {
		for _, s := range t.Segments {
			fmt.Fprintf(&b, "segment: header on line %d, from row %d\n", s.Line+1, s.Row+1)
		}
	}
	for _, c := range t.Columns {
		fmt.Fprintf(&b, "%q: %s", c.Header, c.Kind)
		if c.Channel != 1 {
			fmt.Fprintf(&b, " ch%d", c.Channel)
		}
		if c.Unit != "" {
			b.WriteString(" " + c.Unit)
		}
		if c.Kind == Tick && c.Scale != 0 {
			fmt.Fprintf(&b, " of %v s", c.Scale)
		}
		for _, f := range []struct {
			is   bool
			name string
		}{{c.Guessed, "guessed"}, {c.Direction > 0, "inward"}, {c.Direction < 0, "outward"}, {c.PerStep, "per step"}, {c.Zoned, "zoned"}, {c.NoDate, "no date"}, {c.MayBeClock, "or clock"}} {
			if f.is {
				b.WriteString(" " + f.name)
			}
		}
		b.WriteString(" =")
		if c.Kind == Phase {
			fmt.Fprintf(&b, " %q\n", c.Text)
			continue
		}
		steps := map[string]bool{}
		for i, v := range c.Value {
			b.WriteString(" " + strconv.FormatFloat(v, 'f', -1, 64))
			if !math.IsNaN(c.Step[i]) {
				steps[strconv.FormatFloat(c.Step[i], 'g', 6, 64)] = true
			}
		}
		b.WriteString(" by")
		for i := range c.Step {
			if s := strconv.FormatFloat(c.Step[i], 'g', 6, 64); steps[s] {
				b.WriteString(" " + s)
				delete(steps, s)
			}
		}
		b.WriteString("\n")
	}
	for _, p := range t.Problems {
		fmt.Fprintf(&b, "problem: %s\n", p)
	}
	for _, n := range t.Notes {
		fmt.Fprintf(&b, "note: %s\n", n)
	}
	return b.String()
}
