package audit

import (
	"bytes"
	"encoding/json"
	"errors"
	"io"
	"strings"
	"sync/atomic"
	"testing"
	"unicode/utf16"

	"stuntcell/validate/logfile"
)

// attempt audits bytes that may be anything.
func attempt(data []byte) (*Report, error) {
	rd := logfile.NewReader(bytes.NewReader(data), logfile.Options{})
	a := New(Options{Cutoff: 10.5})
	for {
		t, err := rd.Next()
		if errors.Is(err, io.EOF) {
			return a.Finish(), nil
		}
		if err == nil {
			err = a.Add(t)
		}
		if err != nil {
			return nil, err
		}
	}
}

const plain = "t (s),U (V),I (A),Q (Ah)\n0,12.6,-1.0,0.0000\n10,12.5,-1.0,-0.0028\n20,12.4,-1.0,-0.0056\n30,12.3,-1.0,-0.0083\n"

func utf16Of(s string) []byte {
	b := []byte{0xff, 0xfe}
	for _, c := range utf16.Encode([]rune(s)) {
		b = append(b, byte(c), byte(c>>8))
	}
	return b
}

// Each either is read, with what is said of it, or refused by an *logfile.Error; nothing panics, and what is read becomes text and JSON.
func TestBadInput(t *testing.T) {
	refused := "refused"
	for _, c := range []struct{ name, in, want string }{
		{"empty", "", refused},
		{"header only", "t (s),U (V),I (A)\n", refused},
		{"one row", "t (s),U (V),I (A)\n0,12.6,-1.0\n", "1 rows over 0 s"},
		{"binary", "t\x00\x01\x02\xff", refused},
		{"UTF-16", string(utf16Of(plain)), "0.0083"},
		{"CR only", strings.ReplaceAll(plain, "\n", "\r"), "0.0083"},
		{"semicolons and decimal commas", strings.NewReplacer(",", ";", ".", ",").Replace(plain), "0.0083"},
		{"thousands", "t (s);U (mV);I (mA)\n0;12,600;-1,000.5\n1;12,500;-1,000.5\n2;12,400;-1,000.5\n3;12,400;-1,000.5\n", "out 0.0008 Ah, 0.010 Wh"},
		{"truncated last line", strings.TrimSuffix(plain, ".3,-1.0,-0.0083\n"), "torn"},
		{"NaN", strings.Replace(plain, "20,12.4,-1.0", "20,nan,nan", 1), "no current|broken"},
		{"no voltage", "t (s),I (A)\n0,-1.0\n10,-1.0\n20,-1.0\n30,0\n", "no voltage"},
		{"no current", "t (s),U (V)\n0,12.0\n10,12.0\n20,12.0\n", refused},
		{"time stands", "t (s),U (V),I (A)\n5,12.0,-1\n5,12.1,-1\n5,12.2,-1\n", "0 s"},
		{"time backwards", "t (s),U (V),I (A)\n50,12.0,-1\n40,12.1,-1\n30,12.2,-1\n20,12.2,-1\n", "order|set back"},
		{"duplicate headers", "t (s),U (V),I (A),I (A)\n0,12.6,-1.0,-1.0\n10,12.5,-1.0,-1.0\n20,12.4,-1.0,-1.0\n", "both hold current: column 3 is taken"},
		{"mixed separators", "t (s),U (V),I (A)\n0,12.6,-1.0\n1;12.6;-1.0\n2,12.5,-1.0\n3\t12.5\t-1.0\n4,12.5,-1.0\n", "2 malformed rows, the first on line 3"},
		{"three time formats in one column", "time,U (V),I (A)\n2026-03-02 10:00:00,12.6,-1.0\n10:00:10,12.6,-1.0\n1772445620,12.6,-1.0\n2026-03-02 10:00:30,12.6,-1.0\n", "3 malformed rows, the first on line 2"},
		{"infinite", strings.Replace(plain, "-0.0056", "inf", 1), "a sum that is infinite has overflowed or was divided by zero"},
		{"day and month", "date,U (V),I (A)\n02/03/2026 10:00:00,12.6,-1.0\n02/03/2026 10:00:10,12.6,-1.0\n02/03/2026 10:00:20,12.6,-1.0\n",
			"may be 2 March 2026 (day/month/year) or 3 February 2026 (month/day/year)"},
		{"ticks behind the numbers", "x,U (V),I (A)\n9704 ticks,12.6,-1\n10704 ticks,12.6,-1\n11704 ticks,12.6,-1\n", "length of a tick"},
		{"huge numbers", "t (s),U (V),I (A)\n0,1e300,-1e300\n1e300,1e300,1e300\n1.5e300,-1e300,1e300\n", "garbled-output"},
	} {
		r, err := attempt([]byte(c.in))
		got := refused
		if err != nil {
			got += ": " + err.Error()
		}
		if err == nil {
			var text strings.Builder
			if err := r.WriteText(&text); err != nil {
				t.Fatal(err)
			}
			if _, err := json.Marshal(r); err != nil {
				t.Errorf("%s: %v", c.name, err)
			}
			got = strings.Join(strings.Fields(text.String()), " ")
		} else if e := new(logfile.Error); !errors.As(err, &e) || e.Expected == "" {
			t.Errorf("%s: refused without saying what was expected: %v", c.name, err)
		}
		ok := false
		for _, w := range strings.Split(c.want, "|") {
			ok = ok || strings.Contains(got, w)
		}
		if !ok {
			t.Errorf("%s: want %q in\n%s", c.name, c.want, got)
		}
	}
}

func FuzzAudit(f *testing.F) {
	f.Add([]byte(plain))
	f.Add([]byte("time,tick (ms),U (V),I (A),charge in (Ah),charge out (Ah),E (Wh)\n2026-03-02 08:00:00,4294967000,12.6,-1,0,0,0\n2026-03-02 08:00:10,9704,12.6,-1,0,0.003,-0.04\n2026-03-02 08:00:20,19704,12.6,1,0,0.006,0\n"))
	f.Fuzz(func(t *testing.T, b []byte) {
		r, err := attempt(b)
		if err != nil {
			return
		}
		if err := r.WriteText(io.Discard); err != nil {
			t.Fatal(err)
		}
		if _, err := json.Marshal(r); err != nil {
			t.Fatal(err)
		}
	})
}

// endless is a log that never ends its first line. A reader that has given up may still be reading ahead.
type endless struct{ left atomic.Int64 }

func (e *endless) Read(p []byte) (int, error) {
	left := e.left.Load()
	if left <= 0 {
		return 0, io.EOF
	}
	n := int(min(int64(len(p)), left))
	for i := range p[:n] {
		p[i] = '7'
	}
	e.left.Add(-int64(n))
	return n, nil
}

// A gigabyte on one line is refused after the first few megabytes, with its line.
func TestGigabyteOnOneLine(t *testing.T) {
	for _, head := range []string{"", "t (s),U (V),I (A)\n0,12.6,-1.0\n10,12.5,-1.0\n"} {
		rest := &endless{}
		rest.left.Store(1 << 30)
		rd := logfile.NewReader(io.MultiReader(strings.NewReader(head), rest), logfile.Options{Workers: 2})
		var err error
		for err == nil {
			_, err = rd.Next()
		}
		var e *logfile.Error
		if !errors.As(err, &e) || e.Line != strings.Count(head, "\n")+1 || !strings.Contains(e.Text, "longer than") {
			t.Errorf("after %q: %v", head, err)
		}
		if read := 1<<30 - rest.left.Load(); read > 16<<20 {
			t.Errorf("after %q: %d bytes were read", head, read)
		}
	}
}
