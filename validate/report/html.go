package report

import (
	"embed"
	"fmt"
	"html/template"
	"io"
	"slices"
	"strings"

	"stuntcell/validate/verdict"
)

//go:embed page.html
var page embed.FS

// HTML writes a suite as one page that needs nothing from elsewhere: readable on paper, in the dark and on a phone.
func HTML(w io.Writer, r Run, verdicts []*verdict.Verdict) error {
	t, err := pageTemplate(verdicts)
	if err != nil {
		return err
	}
	tally := Count(verdicts)
	d := struct {
		Run                 Run
		Result, ResultClass string
		Counts              string
		Judged              int
		Likely              *CauseTally
		Causes, Advice      []CauseTally
		Verdicts            []*verdict.Verdict
		Share               []string
		ShareIs             string
		WholeRig            []string
		NotJudged           []string
		NotCovered          []string
	}{
		Run: r, Judged: tally.Held + tally.Failed, Likely: tally.MostLikely(),
		Verdicts: verdicts, WholeRig: overTolerances(verdicts), NotJudged: notJudged(verdicts), NotCovered: notCovered(verdicts), ShareIs: rigsShare,
		Counts: fmt.Sprintf("%d hold, %d fail, %d skipped", tally.Held, tally.Failed, tally.Skipped),
	}
	d.Run.Logger = printable(r.Logger)
	switch {
	case tally.Failed > 0:
		d.Result, d.ResultClass = "FAIL", "fail"
	case tally.Held > 0:
		d.Result, d.ResultClass = "PASS", "ok"
	default:
		d.Result, d.ResultClass = "Nothing judged", "skip"
	}
	for _, c := range tally.Causes {
		if c.Severity == verdict.Failure {
			d.Causes = append(d.Causes, c)
		}
	}
	d.Advice, d.Share = parted(tally, len(verdicts))
	return t.Execute(w, d)
}

// pageTemplate parses the page with its functions, for these verdicts.
func pageTemplate(verdicts []*verdict.Verdict) (*template.Template, error) {
	return template.New("page.html").Funcs(template.FuncMap{
		"allowed": allowed, "measured": measured, "overall": overall, "hours": hours, "owner": ownership, "sure": sure,
		"span": span, "printable": printable, "courses": courses, "blame": blameLines, "class": class, "word": word, "moved": moved,
		"some":  func(names []string) string { return some(names, 3) },
		"pass":  func(c verdict.Check) bool { return c.Pass != nil && *c.Pass },
		"check": checkCell, "anchor": anchors(verdicts), "part": Part.line,
	}).ParseFS(page, "page.html")
}

// anchors gives each verdict a place of its own in the page: its scenario, numbered where runs of several loggers or seeds share it.
func anchors(verdicts []*verdict.Verdict) func(v *verdict.Verdict) string {
	names := make(map[*verdict.Verdict]string, len(verdicts))
	seen := map[string]int{}
	for _, v := range verdicts {
		seen[v.Scenario]++
		names[v] = v.Scenario
		if n := seen[v.Scenario]; n > 1 {
			names[v] = fmt.Sprintf("%s_%d", v.Scenario, n) // no scenario's name has an underscore
		}
	}
	return func(v *verdict.Verdict) string { return names[v] }
}

// Article is the part of the page on one verdict, whether it holds or not, to stand inside another page: checks, whose error it is, findings with truth
// against log around them. Its classes are those of the page's own style.
func Article(v *verdict.Verdict) (template.HTML, error) {
	t, err := pageTemplate([]*verdict.Verdict{v})
	if err != nil {
		return "", err
	}
	var b strings.Builder
	if err := t.ExecuteTemplate(&b, "article", v); err != nil {
		return "", err
	}
	return template.HTML(b.String()), nil
}

// Line is a verdict in a line of a table.
type Line struct {
	// Class is ok, fail or skip.
	Class string
	// Charge and Energy are what the checks of these names measured; "-" if there is none.
	Charge, Energy string
	// Causes are the failures that were found, each once.
	Causes []string
}

// LineOf sums a verdict up.
func LineOf(v *verdict.Verdict) Line {
	l := Line{Class: class(v), Charge: checkCell(v, "charge"), Energy: checkCell(v, "energy")}
	for _, f := range failures(v) {
		if !slices.Contains(l.Causes, f.Cause) {
			l.Causes = append(l.Causes, f.Cause)
		}
	}
	return l
}

// word is what came of a verdict in a word.
func word(v *verdict.Verdict) string {
	return map[string]string{"ok": "PASS", "fail": "FAIL", "skip": "SKIP"}[class(v)]
}

// class is the word and the style class for what came of a verdict.
func class(v *verdict.Verdict) string {
	switch {
	case v.Pass == nil:
		return "skip"
	case *v.Pass:
		return "ok"
	}
	return "fail"
}

func checkCell(v *verdict.Verdict, name string) string {
	if c := checkOf(v, name); c != nil {
		return measured(*c)
	}
	return "-"
}
