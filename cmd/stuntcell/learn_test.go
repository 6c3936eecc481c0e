package main

import (
	"bytes"
	"context"
	"encoding/csv"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/creack/pty"

	"stuntcell/model/outside"
	"stuntcell/scenarios"
	"stuntcell/scenarios/lesson"
)

// On a terminal the learner is asked, again if the answer cannot be read, and nothing is told before.
func TestLearnAsksOnATerminal(t *testing.T) {
	t.Setenv("XDG_CONFIG_HOME", t.TempDir())
	t.Setenv("TERM", "vt100")
	screen := learnAt(t, context.Background(), "about six\r", "6 Ah\r")
	asked, told, ok := strings.Cut(screen, "> about six")
	if !ok || strings.Contains(asked, "6.09 Ah") {
		t.Fatalf("it did not ask first:\n%s", screen)
	}
	for _, want := range []string{`"about six" is no such number (expected one like 12.5 Ah)`, "You said    6 Ah: right", "6.09 Ah"} {
		if !strings.Contains(told, want) {
			t.Errorf("%q is missing:\n%s", want, screen)
		}
	}
	p, err := loadProgress()
	if err != nil || p.Lessons["rate"].First != "6 Ah" || !p.Lessons["rate"].FirstRight {
		t.Errorf("progress is %v, %v", p.Lessons, err)
	}
}

// The end of the input is no prediction; an interrupt while it waits ends it.
func TestLearnWithoutAnAnswer(t *testing.T) {
	t.Setenv("XDG_CONFIG_HOME", t.TempDir())
	t.Setenv("TERM", "vt100")
	if screen := learnAt(t, context.Background(), "\x04"); strings.Contains(screen, "You said") || !strings.Contains(screen, "6.09 Ah") {
		t.Errorf("the end of the input:\n%s", screen)
	}
	ctx, cancel := context.WithCancelCause(context.Background())
	time.AfterFunc(50*time.Millisecond, func() { cancel(interrupted) })
	if screen := learnAt(t, ctx); strings.Contains(screen, "6.09 Ah") {
		t.Errorf("an interrupt:\n%s", screen)
	}
	if p, err := loadProgress(); err != nil || len(p.Lessons) != 0 {
		t.Errorf("progress is %v, %v", p.Lessons, err)
	}
}

// learnAt runs the lesson on rates on a terminal at which somebody types an answer at each prompt, and returns the screen.
func learnAt(t *testing.T, ctx context.Context, answers ...string) string {
	t.Helper()
	master, slave, err := pty.Open()
	if err != nil {
		outside.Missing(t, "a pseudo-terminal")
	}
	defer master.Close()
	screen := make(chan string)
	go func() {
		var seen []byte
		for {
			part := make([]byte, 4096)
			n, err := master.Read(part) // ends with an error when the other end is closed
			seen = append(seen, part[:n]...)
			if len(answers) > 0 && bytes.HasSuffix(seen, []byte("\n> ")) {
				master.WriteString(answers[0])
				answers = answers[1:]
			}
			if err != nil {
				screen <- string(seen)
				return
			}
		}
	}()
	std := streams{in: slave, out: slave, err: slave}
	root := newRoot(std)
	root.SetArgs([]string{"learn", "rate"})
	err = root.ExecuteContext(ctx)
	if want := context.Cause(ctx); err != nil && err != want {
		t.Error(err)
	}
	slave.Close()
	return strings.ReplaceAll(<-screen, "\r", "")
}

// FuzzProgress looks for a progress file that panics, or whose table is not the same table when it is read again.
func FuzzProgress(f *testing.F) {
	f.Add([]byte(`{"schema":"stuntcell.progress/1","lessons":{"rate":{"title":"t","first":"6 Ah","first_right":true,"predicted":"6 Ah","right":true,"simulated":"6.09 Ah","times":1,"begun":"2026-11-25T19:16:08Z","last":"2026-11-25T19:16:08Z"}}}`))
	f.Add([]byte(`{"schema":"stuntcell.progress/1","lessons":{"own/x":{"title":"=1+1","first":"-2 Ah"}}}`))
	f.Fuzz(func(t *testing.T, data []byte) {
		p, err := parseProgress(data)
		if err != nil {
			return
		}
		var b bytes.Buffer
		if err := p.writeCSV(&b); err != nil {
			t.Fatal(err)
		}
		rows, err := csv.NewReader(&b).ReadAll()
		if err != nil {
			t.Fatal(err)
		}
		for _, r := range rows[1:] {
			for _, c := range r[1:] {
				if strings.HasPrefix(c, "=") || strings.HasPrefix(c, "@") {
					t.Errorf("%q begins a formula", c)
				}
			}
		}
	})
}

// Everything that is listed can be shown, and a name that several kinds have is shown for each.
func TestShowEveryName(t *testing.T) {
	for _, k := range kinds() {
		items, err := k.items()
		if err != nil {
			t.Fatal(err)
		}
		if len(items) == 0 {
			t.Errorf("no %s", k.name)
		}
		for _, it := range items {
			out, errs, code := tool(t, context.Background(), "show", it.name)
			if code != 0 || len(strings.TrimSpace(out)) == 0 {
				t.Errorf("show %s (%s): status %d, %q, %s", it.name, k.name, code, out, errs)
			}
			if strings.TrimSpace(it.summary) == "" {
				t.Errorf("%s %s has no summary", k.name, it.name)
			}
		}
	}
	for _, name := range scenarios.SchemaNames() {
		if _, errs, code := tool(t, context.Background(), "show", "--schema", name); code != 0 {
			t.Errorf("show --schema %s: %s", name, errs)
		}
	}
}

// Each lesson says what it says within 80 columns, with its variation.
func TestEveryLessonFits(t *testing.T) {
	for _, name := range lesson.Names() {
		for _, args := range [][]string{{"learn", name, "--no-progress"}, {"learn", name, "--try"}} {
			out, errs, code := tool(t, context.Background(), args...)
			if code != 0 {
				t.Fatalf("%v: %s", args, errs)
			}
			for _, line := range strings.Split(out, "\n") {
				if n := len([]rune(line)); n > 80 {
					t.Errorf("%v: %d columns: %s", args, n, line)
				}
			}
			if strings.Contains(out, "OFF ") || strings.Contains(out, "{") {
				t.Errorf("%v:\n%s", args, out)
			}
		}
	}
}

// A sheet is whole in itself: both pictures, no script, nothing that a check denies.
func TestLessonSheet(t *testing.T) {
	for _, name := range []string{"gain-offset", "plus-or-minus", "cutoff-rebound"} {
		sheet := filepath.Join(t.TempDir(), "sheet.html")
		if _, errs, code := tool(t, context.Background(), "learn", name, "--sheet", sheet); code != 0 {
			t.Fatalf("%s: %s", name, errs)
		}
		data, err := os.ReadFile(sheet)
		if err != nil {
			t.Fatal(err)
		}
		if text := string(data); strings.Count(text, "<svg") != 2 || strings.Contains(text, "<script") || strings.Contains(text, "does not agree") {
			t.Errorf("the sheet of %s has %d pictures", name, strings.Count(text, "<svg"))
		}
	}
}
