package main

import (
	"bytes"
	"context"
	"encoding/json"
	"encoding/xml"
	"errors"
	"io"
	"strings"
	"testing"

	"github.com/santhosh-tekuri/jsonschema/v6"

	"stuntcell/scenarios"
	"stuntcell/validate/campaign"
	"stuntcell/validate/cause"
	"stuntcell/validate/loggers"
	"stuntcell/validate/report"
	"stuntcell/validate/verdict"
)

// TestEveryMistakeCanBeReported takes a verdict with each cause through every renderer: JSON against its schema, text within 80 columns, JUnit and page well-formed.
func TestEveryMistakeCanBeReported(t *testing.T) {
	if testing.Short() {
		t.Skip("runs sixty scenarios")
	}
	schema := verdictSchema(t)
	verdicts := everyMistake(t)
	failed := 0
	for _, v := range verdicts {
		var line bytes.Buffer
		if err := report.NewJSON(&line).Add(v); err != nil {
			t.Fatal(err)
		}
		doc, err := jsonschema.UnmarshalJSON(bytes.NewReader(line.Bytes()))
		if err != nil {
			t.Fatal(err)
		}
		if err := schema.Validate(doc); err != nil {
			t.Errorf("%s in %s: %v", v.Logger, v.Scenario, err)
		}
		back, _, err := campaign.Read("f", &line)
		if err != nil || len(back) != 1 {
			t.Fatalf("%s in %s cannot be read back: %v", v.Logger, v.Scenario, err)
		}
		if again, _ := json.Marshal(back[0].Verdict); !bytes.Equal(again, marshal(t, v)) {
			t.Errorf("%s in %s comes back changed", v.Logger, v.Scenario)
		}
		if v.Pass != nil && !*v.Pass {
			failed++
		}
	}
	run := report.Run{Tool: version, Logger: "all", Planned: len(verdicts)}
	var text, page, junit bytes.Buffer
	p := report.NewText(&text, false)
	p.Open(run)
	for _, v := range verdicts {
		p.Add(v)
	}
	if err := errors.Join(p.Close(run), report.HTML(&page, run, verdicts), report.JUnit(&junit, run, verdicts)); err != nil {
		t.Fatal(err)
	}
	for n, line := range strings.Split(text.String(), "\n") {
		// A reason for skipping and a name that is longer than its column are on one line with the scenario.
		if len([]rune(line)) > report.Width && !strings.HasPrefix(line, "skip") {
			t.Errorf("text, line %d: %d columns: %s", n+1, len([]rune(line)), line)
		}
	}
	for what, b := range map[string]*bytes.Buffer{"text": &text, "page": &page, "junit": &junit} {
		for _, wrong := range []string{"%!", "NaN", "<nil>", "\x1b"} {
			if strings.Contains(b.String(), wrong) {
				t.Errorf("%s has %q", what, wrong)
			}
		}
	}
	if got := strings.Count(junit.String(), "<failure "); got != failed {
		t.Errorf("JUnit has %d failures of %d", got, failed)
	}
	for d := xml.NewDecoder(&junit); ; {
		if _, err := d.Token(); err == io.EOF {
			break
		} else if err != nil {
			t.Fatal(err)
		}
	}
}

func marshal(t *testing.T, v *verdict.Verdict) []byte {
	t.Helper()
	b, err := json.Marshal(v)
	if err != nil {
		t.Fatal(err)
	}
	return b
}

func verdictSchema(t *testing.T) *jsonschema.Schema {
	t.Helper()
	source, _ := scenarios.Schema("verdict")
	doc, err := jsonschema.UnmarshalJSON(bytes.NewReader(source))
	if err != nil {
		t.Fatal(err)
	}
	c := jsonschema.NewCompiler()
	if err := c.AddResource("verdict", doc); err != nil {
		t.Fatal(err)
	}
	schema, err := c.Compile("verdict")
	if err != nil {
		t.Fatal(err)
	}
	return schema
}

// everyMistake judges a built-in logger for each cause in the scenario that shows it most plainly.
func everyMistake(t *testing.T) []*verdict.Verdict {
	t.Helper()
	var list []loggers.Defect
	for _, d := range loggers.Defects() {
		if n := len(list); n == 0 || list[n-1].Cause != d.Cause {
			list = append(list, d)
		}
	}
	verdicts := make([]*verdict.Verdict, len(list))
	err := campaign.Each(context.Background(), len(list), 2, func(ctx context.Context, i int) (*verdict.Verdict, error) {
		page, ok := cause.Lookup(list[i].Cause)
		if !ok || len(page.Scenarios) == 0 {
			return nil, errors.New("no scenario shows " + list[i].Cause)
		}
		sc, err := scenarios.ByName(page.Scenarios[0], scenarios.Env{})
		if err != nil {
			return nil, err
		}
		p := &prover{logger: builtIn(list[i].Name, list[i].New), suite: []entry{{name: sc.Name, sc: sc}}, mine: []int{0}, hash: strings.Repeat("0", 64), temp: t.TempDir()}
		d, err := p.prove(ctx, 0)
		return d.verdict, err
	}, func(i int, v *verdict.Verdict) error {
		verdicts[i] = v
		return nil
	})
	if err != nil {
		t.Fatal(err)
	}
	return verdicts
}
