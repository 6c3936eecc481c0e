package report

import (
	"encoding/xml"
	"fmt"
	"io"
	"strings"

	"stuntcell/validate/verdict"
)

// JUnit writes a suite in the XML that CI systems read as test results. There is no one standard; what is written is the
// part that all readers share (common practice): suites of cases with failure, skipped and system-out. No times are given: the
// same run gives the same bytes.
func JUnit(w io.Writer, r Run, verdicts []*verdict.Verdict) error {
	parts := r.Parts
	if len(parts) == 0 {
		parts = []Part{{Name: r.Logger, Verdicts: verdicts}}
	}
	var all junitSuites
	for _, p := range parts {
		s := suiteOf(r, p)
		all.Tests += s.Tests
		all.Failures += s.Failures
		all.Suites = append(all.Suites, s)
	}
	if _, err := io.WriteString(w, xml.Header); err != nil {
		return err
	}
	e := xml.NewEncoder(w)
	e.Indent("", "  ")
	if err := e.Encode(all); err != nil {
		return err
	}
	_, err := io.WriteString(w, "\n")
	return err
}

// suiteOf is the suite of one run.
func suiteOf(r Run, p Part) junitSuite {
	tally := Count(p.Verdicts)
	suite := junitSuite{
		Name: "stuntcell " + printable(p.Name), Tests: len(p.Verdicts), Failures: tally.Failed, Skipped: tally.Skipped,
		Properties: []junitProperty{{"stuntcell", r.Tool}, {"logger", printable(p.Name)}},
	}
	if r.Seed != 0 {
		suite.Properties = append(suite.Properties, junitProperty{"seed", fmt.Sprint(r.Seed)})
	}
	for _, v := range p.Verdicts {
		c := junitCase{Class: "stuntcell", Name: v.Scenario}
		switch {
		case v.Pass == nil:
			c.Skipped = &junitMessage{Message: printable(v.Skipped)}
		case !*v.Pass:
			c.Failure = &junitMessage{Message: headline(v), Kind: kind(v), Text: plainText(v)}
		}
		if v.Pass != nil && len(v.NotCovered) > 0 {
			c.Out = "Not covered: " + strings.Join(v.NotCovered, "; ")
		}
		suite.Cases = append(suite.Cases, c)
	}
	return suite
}

type junitSuites struct {
	XMLName  xml.Name     `xml:"testsuites"`
	Tests    int          `xml:"tests,attr"`
	Failures int          `xml:"failures,attr"`
	Suites   []junitSuite `xml:"testsuite"`
}

type junitSuite struct {
	Name       string          `xml:"name,attr"`
	Tests      int             `xml:"tests,attr"`
	Failures   int             `xml:"failures,attr"`
	Errors     int             `xml:"errors,attr"`
	Skipped    int             `xml:"skipped,attr"`
	Properties []junitProperty `xml:"properties>property"`
	Cases      []junitCase     `xml:"testcase"`
}

type junitProperty struct {
	Name  string `xml:"name,attr"`
	Value string `xml:"value,attr"`
}

type junitCase struct {
	Class   string        `xml:"classname,attr"`
	Name    string        `xml:"name,attr"`
	Skipped *junitMessage `xml:"skipped"`
	Failure *junitMessage `xml:"failure"`
	Out     string        `xml:"system-out,omitempty"`
}

type junitMessage struct {
	Message string `xml:"message,attr"`
	Kind    string `xml:"type,attr,omitempty"`
	Text    string `xml:",cdata"`
}

// kind is the first cause of a failing verdict.
func kind(v *verdict.Verdict) string {
	if fs := failures(v); len(fs) > 0 {
		return fs[0].Cause
	}
	return "unexplained"
}

// headline says in a line what failed and why.
func headline(v *verdict.Verdict) string {
	var parts []string
	for _, f := range failures(v) {
		parts = append(parts, fmt.Sprintf("%s (%s)", f.Cause, sure(f.Confidence)))
	}
	for _, c := range failedChecks(v) {
		parts = append(parts, fmt.Sprintf("%s %s, allowed %s", c.Name, measured(c), allowed(c)))
	}
	return strings.Join(parts, "; ")
}

// plainText is what a terminal shows of a failing verdict.
func plainText(v *verdict.Verdict) string {
	var b strings.Builder
	NewText(&b, false).whole(v, nil)
	return b.String()
}
