package main

import (
	"bytes"
	"context"
	"encoding/json"
	"encoding/xml"
	"errors"
	"fmt"
	"io"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"

	"github.com/santhosh-tekuri/jsonschema/v6"

	"stuntcell/model/outside"
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
	for d := xml.NewDecoder(bytes.NewReader(junit.Bytes())); ; {
		if _, err := d.Token(); err == io.EOF {
			break
		} else if err != nil {
			t.Fatal(err)
		}
	}
	dir := t.TempDir()
	t.Run("page by a validator", func(t *testing.T) { validPage(t, save(t, dir, "all.html", page.Bytes())) })
	t.Run("JUnit by a schema", func(t *testing.T) {
		// Each logger's verdicts are a suite, as gather makes them.
		var parted bytes.Buffer
		for _, v := range verdicts {
			run.Parts = append(run.Parts, report.Part{Name: v.Logger, Verdicts: []*verdict.Verdict{v}})
		}
		if err := report.JUnit(&parted, run, verdicts); err != nil {
			t.Fatal(err)
		}
		validJUnit(t, save(t, dir, "all.xml", parted.Bytes()))
	})
}

func save(t *testing.T, dir, name string, data []byte) string {
	t.Helper()
	path := filepath.Join(dir, name)
	if err := os.WriteFile(path, data, 0o666); err != nil {
		t.Fatal(err)
	}
	return path
}

// validPage holds pages to a validator of HTML from elsewhere.
func validPage(t *testing.T, files ...string) {
	t.Helper()
	validator := outside.Program(t, "html-validate")
	rules, err := filepath.Abs("../../testdata/outside/htmlvalidate.json")
	if err != nil {
		t.Fatal(err)
	}
	if out, err := exec.Command(validator, append([]string{"--config", rules}, files...)...).CombinedOutput(); err != nil {
		t.Errorf("%v\n%s", err, out)
	}
}

// validJUnit holds a file of test results to the form that CI systems share.
func validJUnit(t *testing.T, file string) {
	t.Helper()
	if out, err := exec.Command(outside.Program(t, "xmllint"), "--noout", "--schema", "../../testdata/outside/junit.xsd", file).CombinedOutput(); err != nil {
		t.Errorf("%v\n%s", err, out)
	}
}

// TestPagesByAValidator: every page that a command writes is HTML as a validator wants it.
func TestPagesByAValidator(t *testing.T) {
	outside.Program(t, "html-validate")
	dir := t.TempDir()
	log := "time_s,voltage_V,current_A,charge_Ah\n"
	for k := range 360 {
		log += fmt.Sprintf("%d,%.3f,-1.400,%.5f\n", 10*k, 12.6-float64(k)/300, -1.4*float64(k)/360)
	}
	in := save(t, dir, "run.csv", []byte(log))
	page := func(name string) string { return filepath.Join(dir, name+".html") }
	var files []string
	for name, c := range map[string]struct {
		args   []string
		status int
	}{
		"fails":     {[]string{"prove", "--defect", "tick-wrap", "tick-wrap-mid-discharge", "rest-with-noise", "--report"}, exitFailed},
		"passes":    {[]string{"prove", "--good", "discharge-two-rates", "--report"}, exitOK},
		"rehearsal": {[]string{"rehearse", "charge-to-taper", "--sheet"}, exitOK},
		"audit":     {[]string{"audit", in, "--sheet"}, exitOK},
		"lesson":    {[]string{"learn", "two-clocks", "--sheet"}, exitOK},
	} {
		out, errs, status := tool(t, context.Background(), append(c.args, page(name))...)
		if status != c.status {
			t.Fatalf("%s: exit status %d\n%s%s", name, status, out, errs)
		}
		files = append(files, page(name))
	}
	validPage(t, files...)
}

// TestPageOfSeveralRuns: the same scenario from several runs has a place of its own each time.
func TestPageOfSeveralRuns(t *testing.T) {
	dir := t.TempDir()
	var files []string
	for _, seed := range []string{"1", "2"} {
		out, errs, status := tool(t, context.Background(), "prove", "--defect", "tick-wrap", "--seed", seed, "--json", "tick-wrap-mid-discharge")
		if status != exitFailed {
			t.Fatalf("exit status %d\n%s", status, errs)
		}
		files = append(files, save(t, dir, seed+".ndjson", []byte(out)))
	}
	page, junit := filepath.Join(dir, "both.html"), filepath.Join(dir, "both.xml")
	if _, errs, status := tool(t, context.Background(), append([]string{"gather", "--report", page, "--junit", junit}, files...)...); status != exitFailed {
		t.Fatalf("exit status %d\n%s", status, errs)
	}
	text, err := os.ReadFile(page)
	if err != nil {
		t.Fatal(err)
	}
	for _, want := range []string{`href="#tick-wrap-mid-discharge"`, `id="tick-wrap-mid-discharge"`, `href="#tick-wrap-mid-discharge_2"`, `id="tick-wrap-mid-discharge_2"`} {
		if strings.Count(string(text), want) != 1 {
			t.Errorf("%s is there %d times", want, strings.Count(string(text), want))
		}
	}
	validPage(t, page)
	validJUnit(t, junit)
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
