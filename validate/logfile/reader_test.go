package logfile

import (
	"bytes"
	"errors"
	"fmt"
	"io"
	"math"
	"os"
	"path/filepath"
	"runtime"
	"strings"
	"testing"
	"unicode/utf16"
)

// repeat yields the same bytes again and again, n in all.
type repeat struct {
	text string
	left int64
	at   int
}

func (r *repeat) Read(p []byte) (int, error) {
	if r.left == 0 {
		return 0, io.EOF
	}
	n := 0
	for n < len(p) && r.left > 0 {
		k := copy(p[n:min(len(p), n+int(min(r.left, 1<<20)))], r.text[r.at:])
		n += k
		r.left -= int64(k)
		r.at = (r.at + k) % len(r.text)
	}
	return n, nil
}

func utf16Of(s string, little bool) []byte {
	b := []byte{0xfe, 0xff}
	if little {
		b = []byte{0xff, 0xfe}
	}
	for _, u := range utf16.Encode([]rune(s)) {
		if little {
			b = append(b, byte(u), byte(u>>8))
		} else {
			b = append(b, byte(u>>8), byte(u))
		}
	}
	return b
}

const small = "time_s,V,A\n0,12.61,-1.40\n10,12.60,-1.40\n"

func TestRefused(t *testing.T) {
	for _, c := range []struct {
		name string
		in   io.Reader
		want string // of the message
		line int
	}{
		{"one line of 1 GB", &repeat{text: "12.61,", left: 1 << 30}, "longer than 65536 bytes", 1},
		{"one long line further down", io.MultiReader(strings.NewReader(small), &repeat{text: "1", left: 1 << 30}), "longer than 65536 bytes", 4},
		{"NUL", strings.NewReader(small + "20,\x0012.59,-1.40\n"), "NUL", 4},
		{"NUL block far down", io.MultiReader(strings.NewReader(small), &repeat{text: "20,12.59,-1.40\n", left: 15 << 20}, &repeat{text: "\x00", left: 512}), "NUL", 1<<20 + 4},
		{"UTF-16 without a mark", bytes.NewReader(utf16Of(small, true)[2:]), "UTF-16 without a mark", 1},
		{"UTF-16 without a mark, the other way", bytes.NewReader(utf16Of(small, false)[2:]), "UTF-16 without a mark", 1},
		{"gzip", strings.NewReader("\x1f\x8b\x08\x00\x00"), "gzip", 1},
		{"zip", strings.NewReader("PK\x03\x04\x14\x00"), "zip", 1},
		{"empty", strings.NewReader(""), "empty", 0},
		{"blank lines", strings.NewReader("\n\n  \n\t\n"), "empty", 0},
		{"header only", strings.NewReader("time_s,V,A\n"), "no row of numbers", 1},
		{"words", strings.NewReader("It was a dark\nand stormy night;\nthe rain fell.\n"), "no row of numbers", 1},
	} {
		table, err := readAll(NewReader(c.in, Options{}))
		var e *Error
		if !errors.As(err, &e) || !strings.Contains(e.Text, c.want) || e.Line != c.line || e.Expected == "" {
			t.Errorf("%s: %v, %v", c.name, table, err)
		}
	}
}

func TestEncodings(t *testing.T) {
	german := "Zeit_s;Spannung [V];Kapazität [Ah]\n0;12,61;0,000\n10;12,60;-0,004\n"
	want := asText(ParseLines(splitLines(german), Options{}))
	for name, in := range map[string]io.Reader{
		"UTF-8 with its mark": strings.NewReader("\ufeff" + german), "UTF-16 LE": bytes.NewReader(utf16Of(german, true)), "UTF-16 BE": bytes.NewReader(utf16Of(german, false)),
		"UTF-16 byte by byte": oneByte{bytes.NewReader(utf16Of(german, true))}, "half a unit at the end": bytes.NewReader(append(utf16Of(german, false), 0)),
		"Latin-1": strings.NewReader(strings.ReplaceAll(german, "ä", "\xe4")),
		"CR":      strings.NewReader(strings.ReplaceAll(german, "\n", "\r")), "no end of line": strings.NewReader(strings.TrimSuffix(german, "\n")),
	} {
		if got := asText(readAll(NewReader(in, Options{}))); got != want {
			t.Errorf("%s:\n%s\nwant:\n%s", name, got, want)
		}
	}
	for name, in := range map[string]string{"UTF-16": string(utf16Of(german, true)), "CR": strings.ReplaceAll(german, "\n", "\r"), "as it is": german} {
		if text, err := Text(strings.NewReader(in), 0, 1<<20); text != german || err != nil {
			t.Errorf("%s as text: %q, %v", name, text, err)
		}
	}
	var e *Error
	if _, err := Text(strings.NewReader("\x1f\x8b\x08\x00\x00"), 0, 1<<20); !errors.As(err, &e) {
		t.Errorf("gzip as text: %v", err)
	}
}

// A line without an end, as a power cut leaves it, is torn if it is no row, and said to be unfinished if it is one.
func TestUnfinished(t *testing.T) {
	for _, c := range []struct {
		tail       string
		rows, torn int
		unfinished bool
	}{{"20,12.59,-1.40\n", 3, 0, false}, {"20,12.59,-1.4", 3, 0, true}, {"20,12.5", 2, 1, false}} {
		table, err := NewReader(strings.NewReader(small+c.tail), Options{}).Next()
		if err != nil {
			t.Fatal(err)
		}
		torn := 0
		for _, p := range table.Problems {
			if p.Kind == Torn {
				torn++
			}
		}
		if len(table.Rows) != c.rows || torn != c.torn || table.Unfinished != c.unfinished {
			t.Errorf("%q: %d rows, problems %v, unfinished %v", c.tail, len(table.Rows), table.Problems, table.Unfinished)
		}
	}
}

// A file that grows is read on; a line that is not finished waits.
func TestFollow(t *testing.T) {
	name := filepath.Join(t.TempDir(), "log.csv")
	w, err := os.Create(name)
	if err != nil {
		t.Fatal(err)
	}
	defer w.Close()
	f, err := os.Open(name)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	r := NewReader(f, Options{Follow: true})
	for _, c := range []struct {
		add  string
		rows []int
	}{{"", nil}, {"tim", nil}, {"e_s,V,A\n", nil}, {"0,12.61,-1.40\n10,12.", []int{1}}, {"60,-1.40", nil}, {"\n20,12.59,-1.40\n", []int{2, 3}}, {"", nil}, {"30,12.58,-1.40\n", []int{4}}} {
		if _, err := w.WriteString(c.add); err != nil {
			t.Fatal(err)
		}
		var rows []int
		for {
			table, err := r.Next()
			if err == io.EOF {
				break
			}
			if err != nil {
				t.Fatalf("after %q: %v", c.add, err)
			}
			rows = append(rows, table.Rows...)
			if len(table.Problems) > 0 {
				t.Errorf("after %q: %v", c.add, table.Problems)
			}
		}
		if len(rows) != len(c.rows) || len(rows) > 0 && rows[0] != c.rows[0] {
			t.Errorf("after %q: rows %v, want %v", c.add, rows, c.rows)
		}
	}
}

// Dates that only a row far down settles, and times that only wrap there: a file is searched, a pipe cannot be.
func TestSettledFarDown(t *testing.T) {
	var b strings.Builder
	b.WriteString("date,V,A\n")
	for range 100_000 {
		b.WriteString("02/03/2026 10:00:00,12.61,-1.40\n")
	}
	b.WriteString("13/03/2026 10:00:00,12.61,-1.40\n")
	file := strings.NewReader(b.String())
	table, err := NewReader(file, Options{}).Next()
	if err != nil || table.Columns[0].Value[0] != 1772445600 { // 2026-03-02T10:00:00Z
		t.Errorf("file: %v, %v", table, err)
	}
	var e *Error
	if _, err := NewReader(io.MultiReader(strings.NewReader(b.String())), Options{}).Next(); !errors.As(err, &e) || e.Block == "" {
		t.Errorf("pipe: %v", err)
	}
	b.Reset()
	b.WriteString("time,V,A\n")
	for i := range 2 * 86400 {
		s := (i + 3600) % 86400
		b.WriteString(string([]byte{byte('0' + s/36000), byte('0' + s/3600%10), ':', byte('0' + s/600%6), byte('0' + s/60%10), ':', byte('0' + s/10%6), byte('0' + s%10)}))
		b.WriteString(",12.61,-1.40\n")
	}
	table, err = readAll(NewReader(strings.NewReader(b.String()), Options{}))
	if err != nil || table.Columns[0].Kind != Clock || !table.Columns[0].NoDate || len(table.Rows) != 2*86400 {
		t.Errorf("%v", err)
	}
}

// Memory does not grow with the log: rows, broken rows, remarks, new headers, many times what may be kept.
func TestMemory(t *testing.T) {
	const size = 64 << 20
	for name, text := range map[string]string{"rows": "20,12.59,-1.40\n", "broken": "20,12.59,x\n", "fields": "20,12.59\n", "remarks": "# x\n", "blank": "\n", "headers": "time_s,V,A\n0,1,1\ntime_s,A,V\n0,1,1\n"} {
		t.Run(name, func(t *testing.T) {
			total := int64(size)
			if testing.Short() || name != "rows" {
				total /= 16
			}
			r := NewReader(io.MultiReader(strings.NewReader(small), &repeat{text: text, left: total}), Options{})
			var before, after runtime.MemStats
			runtime.GC()
			runtime.ReadMemStats(&before)
			lines, peak := 0, uint64(0)
			for batch := 0; ; batch++ {
				table, err := r.Next()
				if err == io.EOF {
					break
				}
				if err != nil {
					t.Fatal(err)
				}
				lines += len(table.Rows) + len(table.Problems) + len(table.Headers) + len(table.Comments) + table.Blank
				if batch%500 == 0 {
					runtime.GC()
					runtime.ReadMemStats(&after)
					peak = max(peak, after.HeapAlloc)
				}
			}
			if want := 3 + int(total)/len(text)*strings.Count(text, "\n"); lines < want || lines > want+4 {
				t.Errorf("%d lines, want %d", lines, want)
			}
			if grown := int64(peak) - int64(before.HeapAlloc); grown > 16<<20 {
				t.Errorf("%d MiB", grown>>20)
			}
		})
	}
}

func TestReaderOnePass(t *testing.T) {
	log := longLog(10_000)
	table, err := readAll(NewReader(bytes.NewReader(log), Options{}))
	if err != nil || len(table.Rows) != 10_000 || len(table.Problems) != 0 {
		t.Fatalf("%v, %v", table, err)
	}
	if v := table.Columns[1].Value; math.Abs(v[9_999]-v[0]-9_999) > 1e-6 {
		t.Errorf("clock runs %v s", v[9_999]-v[0])
	}
}

// A log that is held as a whole has a limit, or one that never ends would take all memory.
func TestTextHasALimit(t *testing.T) {
	const log = "s,A\n1,2\n3,4\n"
	if text, err := Text(strings.NewReader(log), 7, int64(len(log))); text != log || err != nil {
		t.Errorf("%q, %v", text, err)
	}
	_, err := Text(strings.NewReader(log), 1<<40, int64(len(log))-1)
	var e *Error
	if !errors.As(err, &e) || e.Line != 4 || !strings.Contains(e.Text, "goes on") {
		t.Errorf("one byte too many: %v", err)
	}
}

// TestFullWidth: in columns of fixed width a number that fills its own leaves one blank before it, long after the first rows had two.
func TestFullWidth(t *testing.T) {
	var b strings.Builder
	b.WriteString("time      V       A        Ah        Wh\n--------- ------- -------- --------- --------\n")
	for k := range 3000 {
		fmt.Fprintf(&b, "%9.1f %7.3f %8.4f %9.5f %8.4f\n", 5*float64(k), 12.5, -2.8, -2.8*5*float64(k)/3600, -2.8*12.5*5*float64(k)/3600)
	}
	table, err := ParseLines(splitLines(b.String()), Options{})
	if err != nil || len(table.Rows) != 3000 || len(table.Problems) > 0 {
		t.Fatalf("%d rows, %v: %v", len(table.Rows), table.Problems[:min(1, len(table.Problems))], err)
	}
}
