package logfile

import (
	"errors"
	"math"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"github.com/rogpeppe/go-internal/txtar"
)

// sound says what is wrong with a table whatever was read.
func sound(t *testing.T, table *Table, lines int) {
	t.Helper()
	if !slices.IsSorted(table.Rows) {
		t.Error("rows are out of order")
	}
	accounted := len(table.Rows) + len(table.Comments) + len(table.Footers) + table.Blank
	if accounted > lines {
		t.Errorf("%d lines were accounted for, there are %d", accounted, lines)
	}
	seen := map[int]bool{}
	for _, list := range [][]int{table.Rows, table.Comments, table.Footers} {
		for _, l := range list {
			if l < 0 || l >= lines || seen[l] {
				t.Errorf("line %d is none, or is two things", l)
			}
			seen[l] = true
		}
	}
	for _, p := range table.Problems {
		if p.Line < 0 || p.Line >= lines || seen[p.Line] != (p.Kind == WrongDate) || p.Column < 1 || p.Expected == "" {
			t.Errorf("problem %+v", p)
		}
		seen[p.Line] = true
	}
	for _, l := range table.Headers {
		seen[l] = true
	}
	if len(seen)+table.Blank != lines {
		t.Errorf("%d lines are something, there are %d", len(seen)+table.Blank, lines)
	}
	for _, c := range table.Columns {
		if len(c.Value) != len(table.Rows) || len(c.Step) != len(table.Rows) || c.Kind == Phase && len(c.Text) != len(table.Rows) {
			t.Errorf("column %q has %d values for %d rows", c.Header, len(c.Value), len(table.Rows))
		}
		if c.Kind != Other && (c.Channel < 1 || c.Channel > 4) {
			t.Errorf("column %q has channel %d", c.Header, c.Channel)
		}
		for i := range c.Value {
			if math.IsInf(c.Value[i], 0) || math.IsInf(c.Step[i], 0) || math.IsNaN(c.Value[i]) != math.IsNaN(c.Step[i]) {
				t.Errorf("column %q has value %v and step %v", c.Header, c.Value[i], c.Step[i])
			}
		}
	}
}

// FuzzParseLines feeds any text, in memory and as a stream: no panic, every line is one thing, every number finite or missing,
// and both ways see the same.
func FuzzParseLines(f *testing.F) {
	files, err := filepath.Glob(logs + "/*.txtar")
	if err != nil || len(files) == 0 {
		f.Fatal("no logs")
	}
	for _, file := range files {
		a, err := txtar.ParseFile(file)
		if err != nil {
			f.Fatal(err)
		}
		f.Add(string(a.Files[0].Data), "")
	}
	f.Add("a,b\n1,2\n", "1: voltage mV ch2")
	f.Fuzz(func(t *testing.T, text, columns string) {
		if len(text) > 1<<16 || strings.ContainsAny(text, "\x00") {
			return
		}
		var opts Options
		if k, v, ok := strings.Cut(columns, ": "); ok {
			opts.Columns = map[string]string{k: v}
		}
		lines := splitLines(text)
		table, err := ParseLines(lines, opts)
		var e *Error
		if err != nil && !errors.As(err, &e) {
			t.Fatalf("not an *Error: %v", err)
		}
		if err == nil {
			sound(t, table, len(lines))
		}
		long := opts
		long.slow = true
		if quick, slow := asText(table, err), asText(ParseLines(lines, long)); quick != slow {
			t.Errorf("quick:\n%s\nthe long way:\n%s", quick, slow)
		}
		if strings.ContainsAny(text, "\r") || !strings.HasSuffix(text, "\n") || strings.HasPrefix(text, "\xff\xfe") || strings.HasPrefix(text, "\xfe\xff") ||
			strings.HasPrefix(text, "\x1f\x8b") || strings.HasPrefix(text, "PK") {
			return
		}
		if in, streamed := asText(table, err), asText(readAll(NewReader(strings.NewReader(text), opts))); in != streamed {
			t.Errorf("in memory:\n%s\nas a stream:\n%s", in, streamed)
		}
		opts.Workers, opts.piece = 2, 64
		if in, ahead := asText(table, err), asText(readAll(NewReader(strings.NewReader(text), opts))); in != ahead {
			t.Errorf("in memory:\n%s\nread ahead by workers:\n%s", in, ahead)
		}
	})
}

// FuzzReader feeds any bytes to the stream: no panic, no endless loop, and an error of ours if there is one.
func FuzzReader(f *testing.F) {
	for _, s := range []string{"", "t,V\n1,2", "\xff\xfet\x00,\x00V\x00\n\x001\x00,\x002\x00\n\x00", "t,V\r1,2\r", "t,V\n1,\x00\n", "\xef\xbb\xbft,V\n1,2\n"} {
		f.Add([]byte(s))
	}
	f.Fuzz(func(t *testing.T, b []byte) {
		for _, opts := range []Options{{}, {Follow: true}, {Workers: 2, piece: 32}} {
			_, err := readAll(NewReader(strings.NewReader(string(b)), opts))
			var e *Error
			if err != nil && !errors.As(err, &e) {
				t.Fatalf("not an *Error: %v", err)
			}
		}
	})
}

// FuzzNumber holds our numbers against the standard library's.
func FuzzNumber(f *testing.F) {
	for _, s := range []string{"0", "-12.30", "+.5", "5.", "1e3", "1.2E-3", "123456789012345678901234567890", "0.1234567890123456789", "1e400", "-", "0x10", "1_000"} {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, s string) { numberAgrees(t, s) })
}
