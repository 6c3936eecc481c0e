package link_test

import (
	"context"
	"errors"
	"strings"
	"testing"
	"time"

	"stuntcell/emulator/link"
	"stuntcell/model/outside"
)

func TestPlain(t *testing.T) {
	sh := outside.Program(t, "sh")
	lines := strings.Repeat("1,2,3,4\n", 50_000) // more than a pipe holds
	for name, c := range map[string]struct {
		script string
		limit  int
		kind   link.FailureKind
		prints string
	}{
		"copies":          {"cat", 1 << 20, "", lines},
		"reads no more":   {"head -n 1", 1 << 20, "", "1,2,3,4\n"},
		"at the end":      {"sort | uniq -c | tr -d ' '", 1 << 20, "", "500001,2,3,4\n"},
		"fails":           {"head -n 1; echo no room >&2; exit 3", 1 << 20, link.Crash, "1,2,3,4\n"},
		"floods":          {"yes", 1000, link.Garbled, strings.Repeat("y\n", 500)},
		"hangs":           {"echo one; exec sleep 100", 1 << 20, link.Hang, "one\n"},
		"leaves a child":  {"sleep 100 & echo one", 1 << 20, "", "one\n"},
		"prints nothing":  {"cat >/dev/null", 1 << 20, "", ""},
		"closes its ends": {"exec <&- >&-; sleep 0.1", 1 << 20, "", ""},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			o := link.ChildOptions{Args: []string{sh, "-c", c.script}, Dir: t.TempDir(), Timeout: time.Second}
			out, err := link.Plain(context.Background(), o, strings.NewReader(lines), c.limit)
			var f *link.Failure
			switch {
			case c.kind == "" && err != nil:
				t.Fatalf("error: %v", err)
			case c.kind != "" && (!errors.As(err, &f) || f.Kind != c.kind):
				t.Fatalf("error is %v, want a %s", err, c.kind)
			}
			if string(out) != c.prints {
				t.Errorf("%d bytes printed, want %d", len(out), len(c.prints))
			}
		})
	}
}

func TestPlainStopsWithItsContext(t *testing.T) {
	sh := outside.Program(t, "sh")
	ctx, stop := context.WithCancelCause(context.Background())
	why := errors.New("enough")
	time.AfterFunc(50*time.Millisecond, func() { stop(why) })
	_, err := link.Plain(ctx, link.ChildOptions{Args: []string{sh, "-c", "sleep 100"}}, strings.NewReader(""), 1000)
	if !errors.Is(err, why) {
		t.Errorf("error is %v", err)
	}
}
