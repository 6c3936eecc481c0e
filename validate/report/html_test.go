package report_test

import (
	"bytes"
	"encoding/xml"
	"os"
	"strings"
	"testing"

	"stuntcell/validate/report"
	"stuntcell/validate/verdict"
)

// wrapped is a run that loses a stretch of charge at 2400 s.
func wrapped() *verdict.Trace {
	var tr verdict.Trace
	for i := range 200 {
		t := float64(i) * 30
		tr.Charge.T, tr.Charge.Y = append(tr.Charge.T, t), append(tr.Charge.Y, -1.4*t)
		logged := -1.4 * t
		if t > 2400 {
			logged += 800
		}
		tr.Logged.T, tr.Logged.Y = append(tr.Logged.T, t), append(tr.Logged.Y, logged)
		tr.Current.T, tr.Current.Y = append(tr.Current.T, t), append(tr.Current.Y, -1.4)
		tr.Voltage.T, tr.Voltage.Y = append(tr.Voltage.T, t), append(tr.Voltage.Y, 12.9-t/6000)
	}
	return &tr
}

func page(t *testing.T) string {
	t.Helper()
	vs := read(t, "mixed.ndjson")
	vs[1].Trace = wrapped()
	f := &vs[1].Findings[0]
	f.Near = wrapped()
	f.Rows = []verdict.LogRow{{Row: 40, AtS: 2390, Text: "4294957,12.31,-1.436"}, {Row: 41, AtS: 2400, Text: "<script>alert(1)</script>"}}
	var b bytes.Buffer
	if err := report.HTML(&b, report.Run{Tool: "0.1.0", Logger: "./logger <b>", Planned: len(vs)}, vs); err != nil {
		t.Fatal(err)
	}
	if path := os.Getenv("STUNTCELL_PAGE"); path != "" {
		if err := os.WriteFile(path, b.Bytes(), 0o666); err != nil {
			t.Fatal(err)
		}
	}
	return b.String()
}

func TestPageNeedsNothingFromElsewhere(t *testing.T) {
	got := page(t)
	for _, outside := range []string{"http:", "https:", "src=", "@import", "url(", "<link", "<script"} {
		if strings.Contains(got, outside) {
			t.Errorf("the page has %q", outside)
		}
	}
}

func TestPageShowsWhatALoggerWroteAsText(t *testing.T) {
	got := page(t)
	if !strings.Contains(got, "&lt;script&gt;alert(1)&lt;/script&gt;") || !strings.Contains(got, "./logger &lt;b&gt;") {
		t.Error("a row of the log is not shown as it was written")
	}
	if strings.Contains(got, "\x1b") {
		t.Error("a control character reached the page")
	}
}

func TestPageHasWhatATerminalShows(t *testing.T) {
	got := page(t)
	for _, want := range []string{
		"tick-wrap-mid-discharge", "-13.1 %", "at most 43.9 A·s", "uint32_t dt = now - last;", "0.798 Ah (13.1 %) and 9.58 Wh",
		"driver code (register layout", "varies tick_bits", "-9.5800", "6.094 Ah moved in 4:56:10", "Most likely", "No known cause",
	} {
		if !strings.Contains(got, want) {
			t.Errorf("the page lacks %q", want)
		}
	}
	if n := strings.Count(got, "<svg"); n != 6 {
		t.Errorf("%d pictures, want three of the run and three around the finding", n)
	}
	if strings.Contains(got, "NaN") || strings.Contains(got, "%!") {
		t.Error("a figure is missing from the page")
	}
}

// Every picture is XML that stands alone.
func TestPicturesAreWellFormed(t *testing.T) {
	rest := page(t)
	for {
		_, after, ok := strings.Cut(rest, "<svg")
		if !ok {
			return
		}
		body, tail, ok := strings.Cut(after, "</svg>")
		if !ok {
			t.Fatal("a picture does not end")
		}
		rest = tail
		if err := xml.Unmarshal([]byte("<svg"+body+"</svg>"), new(struct{})); err != nil {
			t.Fatal(err)
		}
	}
}
