package report_test

import (
	"bytes"
	"encoding/json"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"unicode/utf8"

	"stuntcell/validate/report"
	"stuntcell/validate/verdict"
)

func read(t *testing.T, name string) []*verdict.Verdict {
	t.Helper()
	f, err := os.Open(filepath.Join("testdata", name))
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	var vs []*verdict.Verdict
	for d := json.NewDecoder(f); d.More(); {
		v := new(verdict.Verdict)
		if err := d.Decode(v); err != nil {
			t.Fatal(err)
		}
		vs = append(vs, v)
	}
	return vs
}

func text(t *testing.T, vs []*verdict.Verdict, color bool, r report.Run) string {
	t.Helper()
	var b bytes.Buffer
	p := report.NewText(&b, color)
	p.Open(r)
	for _, v := range vs {
		p.Add(v)
	}
	if err := p.Close(r); err != nil {
		t.Fatal(err)
	}
	return b.String()
}

func golden(t *testing.T, name, got string) {
	t.Helper()
	path := filepath.Join("testdata", name)
	if os.Getenv("STUNTCELL_UPDATE") != "" {
		if err := os.WriteFile(path, []byte(got), 0o666); err != nil {
			t.Fatal(err)
		}
	}
	want, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	if got != string(want) {
		t.Errorf("%s differs (STUNTCELL_UPDATE=1 writes it anew); got:\n%s", path, got)
	}
}

func TestText(t *testing.T) {
	vs := read(t, "mixed.ndjson")
	got := text(t, vs, false, report.Run{Tool: "0.1.0", Logger: "./logger", Seed: 1, Planned: len(vs)})
	golden(t, "mixed.txt", got)
	for i, line := range strings.Split(got, "\n") {
		if n := utf8.RuneCountInString(line); n > report.Width {
			t.Errorf("line %d has %d columns: %s", i+1, n, line)
		}
	}
}

func TestJUnit(t *testing.T) {
	vs := read(t, "mixed.ndjson")
	var b bytes.Buffer
	if err := report.JUnit(&b, report.Run{Tool: "0.1.0", Logger: "./logger", Seed: 1, Planned: len(vs)}, vs); err != nil {
		t.Fatal(err)
	}
	golden(t, "mixed.junit.xml", b.String())
}

// TestOneConstantSettles: a stop that cannot be told from one at a lower level is at one where that level is the same everywhere and the
// delay is not.
func TestOneConstantSettles(t *testing.T) {
	no := false
	of := func(scenario string, delay, off float64) *verdict.Verdict {
		return &verdict.Verdict{Scenario: scenario, Pass: &no, Findings: []verdict.Finding{{Cause: "cutoff-late", Severity: verdict.Failure, Confidence: 0.7,
			Rivals: []string{"cutoff-wrong-level"}, Spans: map[string][2]float64{"cutoff-late: s": {delay - 1, delay + 1}, "cutoff-wrong-level: V off": {off - 0.01, off + 0.01}}}}}
	}
	for want, verdicts := range map[string][]*verdict.Verdict{
		"cutoff-wrong-level": {of("a", 38, -0.149), of("b", 45, -0.151)},
		"cutoff-late":        {of("a", 45, -0.149), of("b", 45, -0.3)},
	} {
		if c := report.Count(verdicts).MostLikely(); c.Cause != want || len(c.Scenarios) != 2 {
			t.Errorf("most likely %s in %v, want %s in both", c.Cause, c.Scenarios, want)
		}
	}
}

// TestWhatIsSureSettlesWhatIsNot: where one scenario tells two causes apart, those that cannot are no votes for the other.
func TestWhatIsSureSettlesWhatIsNot(t *testing.T) {
	no := false
	of := func(scenario, name string, confidence float64, rivals ...string) *verdict.Verdict {
		return &verdict.Verdict{Scenario: scenario, Pass: &no, Findings: []verdict.Finding{{Cause: name, Severity: verdict.Failure, Confidence: confidence, Rivals: rivals}}}
	}
	verdicts := []*verdict.Verdict{of("a", "gain", 0.73, "offset"), of("b", "gain", 0.73, "offset"), of("c", "offset", 0.98), of("e", "gain", 0.5), of("f", "gain", 0.5)}
	if c := report.Count(verdicts).MostLikely(); c.Cause != "offset" || len(c.Scenarios) != 3 {
		t.Errorf("most likely %s in %v, want offset in all three", c.Cause, c.Scenarios)
	}
	verdicts = append(verdicts, of("d", "gain", 0.98))
	if c := report.Count(verdicts).MostLikely(); c.Cause != "gain" || len(c.Scenarios) != 5 {
		t.Errorf("most likely %s in %v, want gain in five: it was surely seen as well", c.Cause, c.Scenarios)
	}
}

// TestWhatFitsEverywhereSettles: of two causes that nothing tells apart, the one that comes into question in more scenarios is meant.
func TestWhatFitsEverywhereSettles(t *testing.T) {
	no := false
	of := func(scenario, name string, rivals ...string) *verdict.Verdict {
		return &verdict.Verdict{Scenario: scenario, Pass: &no, Findings: []verdict.Finding{{Cause: name, Severity: verdict.Failure, Confidence: 0.73, Rivals: rivals}}}
	}
	verdicts := []*verdict.Verdict{of("a", "one-way", "truncated-dt", "dead-band"), of("b", "one-way", "truncated-dt"), of("c", "truncated-dt", "truncated-sum")}
	if c := report.Count(verdicts).MostLikely(); c.Cause != "truncated-dt" || len(c.Scenarios) != 3 {
		t.Errorf("most likely %s in %v, want truncated-dt in all three", c.Cause, c.Scenarios)
	}
}

// TestFaintCauses: what explains a few scenarios, surely in none, is no more likely than that most are unexplained. One that is sure is.
func TestFaintCauses(t *testing.T) {
	no := false
	var verdicts []*verdict.Verdict
	add := func(name string, confidence float64) {
		verdicts = append(verdicts, &verdict.Verdict{Scenario: fmt.Sprint(len(verdicts)), Pass: &no, Findings: []verdict.Finding{{Cause: name, Severity: verdict.Failure, Confidence: confidence}}})
	}
	add("total-overflow", 0.85)
	for range 8 {
		add("unexplained", 0.5)
	}
	if c := report.Count(verdicts).MostLikely(); c.Cause != "unexplained" {
		t.Errorf("one of nine: %s is most likely", c.Cause)
	}
	if said := text(t, verdicts, false, report.Run{Tool: "0.1.0", Logger: "./logger", Planned: len(verdicts)}); !strings.Contains(strings.Join(strings.Fields(said), " "), "these come near: total-overflow (1)") {
		t.Errorf("what comes near is not said:\n%s", said)
	}
	add("total-overflow", 0.98)
	if c := report.Count(verdicts).MostLikely(); c.Cause != "total-overflow" {
		t.Errorf("surely seen once: %s is most likely", c.Cause)
	}
}

// TestListStaysInItsColumns: what is absurdly far off and what is skipped for a long reason keep the list within its width, and figures apart.
func TestListStaysInItsColumns(t *testing.T) {
	vs := read(t, "mixed.ndjson")
	far, fails := -1.17e12, false
	for _, v := range vs {
		v.Skipped = strings.Repeat("the logger has log_ms=10000 built in ", 4)
		for i := range v.Checks {
			if v.Checks[i].Value != nil {
				v.Checks[i].Value, v.Checks[i].Pass = &far, &fails
			}
		}
		for q, b := range v.Blame {
			b.Firmware = 3.3e15
			v.Blame[q] = b
		}
	}
	got := text(t, vs, false, report.Run{Tool: "0.1.0", Logger: "./logger", Planned: len(vs)})
	list, _, _ := strings.Cut(got, "\n\nFAIL")
	if !strings.Contains(list, "< -1e6 %  < -1e6 %") {
		t.Errorf("figures are not cut to their columns:\n%s", list)
	}
	for line := range strings.Lines(got) {
		line = strings.TrimSuffix(line, "\n")
		if utf8.RuneCountInString(line) > report.Width || strings.Contains(line, "e+12+") {
			t.Errorf("%q", line)
		}
	}
}
