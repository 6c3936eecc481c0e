package report

import (
	"embed"
	"fmt"
	"html/template"
	"io"

	"stuntcell/validate/verdict"
)

//go:embed page.html
var page embed.FS

// HTML writes a suite as one page that needs nothing from elsewhere: readable on paper, in the dark and on a phone.
func HTML(w io.Writer, r Run, verdicts []*verdict.Verdict) error {
	t, err := template.New("page.html").Funcs(template.FuncMap{
		"allowed": allowed, "measured": measured, "overall": overall, "hours": hours, "owner": ownership, "sure": sure,
		"span": span, "printable": printable, "courses": courses, "blame": blameLines, "class": class, "moved": moved,
		"some":  func(names []string) string { return some(names, 3) },
		"pass":  func(c verdict.Check) bool { return c.Pass != nil && *c.Pass },
		"check": checkCell,
	}).ParseFS(page, "page.html")
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
		NotJudged           []string
		NotCovered          []string
	}{
		Run: r, Judged: tally.Held + tally.Failed, Likely: tally.MostLikely(),
		Verdicts: verdicts, NotJudged: notJudged(verdicts), NotCovered: notCovered(verdicts), ShareIs: rigsShare,
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
