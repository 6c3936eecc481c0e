package link_test

import (
	"context"
	"errors"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"reflect"
	"runtime"
	"strconv"
	"strings"
	"testing"
	"time"

	"go.uber.org/goleak"

	"stuntcell/emulator/link"
	"stuntcell/emulator/link/linktest"
	"stuntcell/model/outside"
)

// TestMain is also the child of the tests: what it does stands in the environment.
func TestMain(m *testing.M) {
	if what := os.Getenv("LINK_TEST_CHILD"); what != "" {
		child(what)
	}
	code := m.Run()
	if err := goleak.Find(); err != nil && code == 0 {
		fmt.Fprintln(os.Stderr, err)
		code = 1
	}
	os.Exit(code)
}

// child plays the part of a logger's process and exits.
func child(what string) {
	line := make([]byte, 2048)
	read := func() { os.Stdin.Read(line) }
	switch what {
	case "conform":
		if err := link.Serve(os.Stdin, os.Stdout, linktest.NewLogger(linktest.Directory("."))); err != nil {
			fmt.Fprintln(os.Stderr, err)
			os.Exit(3)
		}
		os.Exit(0)
	case "banner":
		read()
		fmt.Print("\x00\xffboot v1.2\r\nchip id 1,2,3\r\n" + strings.Repeat("x", 5000) + "\nsay hello\nrow a header\ncannot load\nok\r\n")
		read()
		fmt.Print("row 1\r\nok\r\n")
		read()
	case "silent":
		read()
		time.Sleep(time.Hour)
	case "only-banner":
		fmt.Print("ready\n")
		time.Sleep(time.Hour)
	case "unfinished":
		read()
		fmt.Print("ok\n")
		read()
		fmt.Print("row 1,2")
		time.Sleep(time.Hour)
	case "rows-without-word":
		read()
		fmt.Print("ok\n")
		read()
		fmt.Print("1000,12.345,-0.250\nok\n")
		read()
	case "flood-banner", "flood-rows", "flood-line", "flood-ok":
		flood(strings.TrimPrefix(what, "flood-"))
	case "exits":
		read()
		fmt.Print("ok\n")
		read()
		fmt.Print("row 1\n")
		fmt.Fprintln(os.Stderr, "assertion failed: total >= 0")
		os.Exit(7)
	case "closes":
		fmt.Print("ok\n")
		os.Stdout.Close()
		time.Sleep(time.Hour)
	case "exits-at-once":
		os.Exit(0)
	case "chatters":
		for range 2 {
			read()
			fmt.Print("ok\n")
		}
		read()
		fmt.Print("ok\nbye\n")
		os.Exit(0)
	case "stays", "fails-at-end":
		for range 2 {
			read()
			fmt.Print("ok\n")
		}
		if what == "stays" {
			time.Sleep(time.Hour)
		}
		os.Exit(5)
	case "stderr-flood":
		fmt.Print("ok\n")
		for i := range 200000 {
			fmt.Fprintf(os.Stderr, "warning %d: %s\n", i, strings.Repeat("z", 200))
		}
		fmt.Fprintln(os.Stderr, "the last word")
		os.Exit(9)
	}
	os.Exit(0)
}

// flood prints 1 GB.
func flood(what string) {
	piece := map[string]string{"banner": "booting, please wait\n", "rows": "row 1,2,3\n", "line": "xxxxxxxx", "ok": "ok\n"}[what]
	block := []byte(strings.Repeat(piece, 1<<20/len(piece)))
	if what != "banner" {
		fmt.Print("ok\n")
	}
	for range 1 << 10 {
		if _, err := os.Stdout.Write(block); err != nil {
			break
		}
	}
	time.Sleep(time.Hour)
}

func start(t *testing.T, o link.ChildOptions) *link.Child {
	t.Helper()
	if o.Dir == "" {
		o.Dir = t.TempDir()
	}
	c := link.NewChild(o)
	if err := c.Start(context.Background()); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { c.Close() })
	return c
}

func self(what string) link.ChildOptions {
	return link.ChildOptions{Args: []string{os.Args[0]}, Env: []string{"LINK_TEST_CHILD=" + what}, Timeout: 10 * time.Second}
}

func TestInProcessConforms(t *testing.T) {
	linktest.Run(t, func(*testing.T) link.Link { return link.NewInProcess(linktest.NewLogger, 1) })
}

func TestChildConforms(t *testing.T) {
	for _, ahead := range []int{1, 256} {
		t.Run(fmt.Sprint("ahead ", ahead), func(t *testing.T) {
			linktest.Run(t, func(t *testing.T) link.Link {
				o := self("conform")
				o.Dir, o.Ahead = t.TempDir(), ahead
				return link.NewChild(o)
			})
		})
	}
}

// exchange greets and reads until something fails or all n answers are there.
func exchange(l link.Link, n int) ([]link.Said, error) {
	var said []link.Said
	for i := range n {
		m := link.Message{Kind: link.Read}
		if i == 0 {
			m = link.Message{Kind: link.Greet}
		}
		if err := l.Send(&m); err != nil {
			return said, err
		}
		a, err := l.Receive(context.Background())
		if err != nil {
			return said, err
		}
		said = append(said, a.Said...)
	}
	return said, nil
}

func TestNoiseBeforeTheFirstOk(t *testing.T) {
	c := start(t, self("banner"))
	said, err := exchange(c, 2)
	if err != nil {
		t.Fatal(err)
	}
	want := []link.Said{{Word: link.Say, Text: "hello"}, {Word: link.Row, Text: "a header"}, {Word: link.Cannot, Text: "load"},
		{Word: link.Row, Text: "1"}}
	if !reflect.DeepEqual(said, want) {
		t.Errorf("said %+v, want %+v", said, want)
	}
}

func TestSickChildren(t *testing.T) {
	for _, tc := range []struct {
		what    string
		timeout time.Duration
		kind    link.FailureKind
		in      string // what the failure says
	}{
		{"silent", time.Second / 2, link.Hang, "no `ok` within 500ms"},
		{"only-banner", time.Second / 2, link.Hang, "ready"},
		{"unfinished", time.Second, link.Hang, "row 1,2"},
		{"rows-without-word", 0, link.Garbled, "write `row ` before it"},
		{"flood-banner", 0, link.Garbled, "before the first `ok`"},
		{"flood-rows", 0, link.Garbled, "32 MiB in one answer"},
		{"flood-line", 0, link.Garbled, "at most 1024 bytes"},
		{"exits", 0, link.Crash, "exit status 7; standard error: assertion failed: total >= 0"},
		{"exits-at-once", 0, link.Crash, "exit status 0"},
		{"closes", 0, link.Crash, "closed its output"},
		{"stderr-flood", 0, link.Crash, "the last word"},
	} {
		t.Run(tc.what, func(t *testing.T) {
			o := self(tc.what)
			if tc.timeout > 0 {
				o.Timeout = tc.timeout
			}
			c := start(t, o)
			before := heap()
			_, err := exchange(c, 100)
			var f *link.Failure
			if !errors.As(err, &f) {
				t.Fatalf("got %v, want a failure", err)
			}
			if all := f.Error() + f.Hint; f.Kind != tc.kind || !strings.Contains(all, tc.in) {
				t.Errorf("got %s, %q: want %s, %q", f.Kind, all, tc.kind, tc.in)
			}
			if grown := heap() - before; grown > 100<<20 {
				t.Errorf("%d MiB are held", grown>>20)
			}
			if err := c.Send(&link.Message{Kind: link.Read}); err == nil {
				t.Error("sent after a failure")
			}
			if err := c.Close(); err != nil {
				t.Errorf("close after a failure: %v", err)
			}
		})
	}
}

// heap is how much memory this process has obtained from the system.
func heap() int64 {
	var m runtime.MemStats
	runtime.ReadMemStats(&m)
	return int64(m.Sys)
}

func TestSickAtTheEnd(t *testing.T) {
	for _, tc := range []struct {
		what string
		kind link.FailureKind
		in   string
	}{
		{"stays", link.Hang, "did not exit"},
		{"fails-at-end", link.Crash, "exit status 5"},
		{"chatters", link.Garbled, "bye"},
	} {
		t.Run(tc.what, func(t *testing.T) {
			o := self(tc.what)
			o.Timeout = time.Second
			c := start(t, o)
			n := 1
			if tc.what == "chatters" {
				n = 2
			}
			if _, err := exchange(c, n); err != nil {
				t.Fatal(err)
			}
			if err := c.Send(&link.Message{Kind: link.End}); err != nil {
				t.Fatal(err)
			}
			if _, err := c.Receive(context.Background()); err != nil {
				t.Fatal(err)
			}
			var f *link.Failure
			if err := c.Close(); !errors.As(err, &f) || f.Kind != tc.kind || !strings.Contains(f.Error(), tc.in) {
				t.Errorf("close: %v, want %s, %q", err, tc.kind, tc.in)
			}
		})
	}
}

func TestOksAheadOfQuestionsEndInAFailureOrNothing(t *testing.T) {
	c := start(t, self("flood-ok"))
	if _, err := exchange(c, 50); err != nil {
		t.Fatalf("answers that were not asked for: %v", err)
	}
	if err := c.Close(); err != nil {
		t.Error(err)
	}
}

func TestNoGrandchildIsLeft(t *testing.T) {
	sh := outside.Program(t, "sh")
	for name, script := range map[string]string{
		"cut while running":     `sleep 1000 & echo $! > pid; echo ok; read a; read b`,
		"leader ends by itself": `sleep 1000 & echo $! > pid; echo ok; read a; exit 0`,
	} {
		t.Run(name, func(t *testing.T) {
			dir := t.TempDir()
			c := start(t, link.ChildOptions{Args: []string{sh, "-c", script}, Dir: dir, Timeout: 5 * time.Second})
			if _, err := exchange(c, 1); err != nil {
				t.Fatal(err)
			}
			if name != "cut while running" {
				if _, err := exchange(c, 1); err == nil {
					t.Error("a logger that ended was not found out, although its child held the pipe open")
				}
			}
			if err := c.Cut(false); err != nil {
				t.Fatal(err)
			}
			b, err := os.ReadFile(filepath.Join(dir, "pid"))
			if err != nil {
				t.Fatal(err)
			}
			pid, err := strconv.Atoi(strings.TrimSpace(string(b)))
			if err != nil {
				t.Fatal(err)
			}
			for range 100 {
				if gone(pid) {
					return
				}
				time.Sleep(20 * time.Millisecond)
			}
			t.Errorf("process %d is left", pid)
		})
	}
}

// gone says that a process has ended, even if nobody has waited for it.
func gone(pid int) bool {
	b, err := os.ReadFile(fmt.Sprintf("/proc/%d/stat", pid))
	return err != nil || strings.Contains(string(b), ") Z ")
}

func TestCommandThatIsNotThere(t *testing.T) {
	c := link.NewChild(link.ChildOptions{Args: []string{"./no-such-logger"}})
	err := c.Start(context.Background())
	var f *link.Failure
	if err == nil || errors.As(err, &f) || !strings.Contains(err.Error(), "no-such-logger") {
		t.Errorf("got %v, want an error of the user's that names it", err)
	}
	if err := c.Close(); err != nil {
		t.Error(err)
	}
}

func TestPanicIsACrash(t *testing.T) {
	l := link.NewInProcess(func(link.Store) link.Logger { return bomb{} }, 1)
	if err := l.Start(context.Background()); err != nil {
		t.Fatal(err)
	}
	_, err := exchange(l, 1)
	var f *link.Failure
	if !errors.As(err, &f) || f.Kind != link.Crash || !strings.Contains(f.Detail, "boom") {
		t.Errorf("got %v", err)
	}
}

type bomb struct{ link.Logger }

func (bomb) Greet(*link.Greeting, *link.Answer) { panic("boom") }

// What a child has put outside its group is not waited for, even if it holds the pipes open.
func TestEscapedGrandchildIsNotWaitedFor(t *testing.T) {
	setsid := outside.Program(t, "setsid")
	dir := t.TempDir()
	c := start(t, link.ChildOptions{Args: []string{"sh", "-c", setsid + ` sh -c 'echo $$ > pid; sleep 60' & while [ ! -s pid ]; do :; done; echo ok; read a; exit 4`},
		Dir: dir, Timeout: time.Minute})
	t.Cleanup(func() {
		if b, err := os.ReadFile(filepath.Join(dir, "pid")); err == nil {
			exec.Command("kill", strings.TrimSpace(string(b))).Run()
		}
	})
	_, err := exchange(c, 10)
	var f *link.Failure
	if !errors.As(err, &f) || f.Kind != link.Crash || !strings.Contains(f.Detail, "exit status 4") {
		t.Errorf("got %v", err)
	}
}

// The file that a power cut tears is the one that was written last, however fast files follow one another.
func TestTornFileIsTheLastWritten(t *testing.T) {
	sh := outside.Program(t, "sh")
	const script = `while read line; do
		case $line in r*) for f in c b a z m; do echo "0123456789012345678901234567890123456789" > $f; done;; esac
		echo ok
	done`
	for range 3 {
		dir := t.TempDir()
		c := start(t, link.ChildOptions{Args: []string{sh, "-c", script}, Dir: dir})
		if _, err := exchange(c, 50); err != nil {
			t.Fatal(err)
		}
		if err := c.Cut(true); err != nil {
			t.Fatal(err)
		}
		for _, name := range []string{"a", "b", "c", "m", "z"} {
			info, err := os.Stat(filepath.Join(dir, name))
			if err != nil {
				t.Fatal(err)
			}
			if torn := info.Size() < 41; torn != (name == "m") {
				t.Errorf("%s has %d of 41 bytes; m was written last", name, info.Size())
			}
		}
	}
}
