package page

import (
	"bytes"
	"encoding/csv"
	"net/http"
	"strconv"

	"stuntcell/scenarios/picture"
	"stuntcell/validate/report"
	"stuntcell/validate/verdict"
)

// proveFile sends what came of a run as a file.
func (s *Server) proveFile(w http.ResponseWriter, r *http.Request) error {
	run, err := s.findRun(r)
	if err != nil {
		return err
	}
	look := run.look()
	facts := run.facts(s.Tool, look)
	switch name := r.PathValue("file"); name {
	case "report.html":
		return download(w, name, func(b *bytes.Buffer) error { return report.HTML(b, facts, look.verdicts) })
	case "junit.xml":
		return download(w, name, func(b *bytes.Buffer) error { return report.JUnit(b, facts, look.verdicts) })
	case "verdicts.ndjson":
		return download(w, name, func(b *bytes.Buffer) error {
			lines := report.NewJSON(b)
			for _, v := range look.verdicts {
				if err := lines.Add(v); err != nil {
					return err
				}
			}
			return nil
		})
	case "checks.csv":
		return download(w, name, func(b *bytes.Buffer) error { return writeChecks(b, look.verdicts) })
	}
	return noFile()
}

// noFile is the answer to a name of a file that there is none of.
func noFile() error {
	return problem{status: http.StatusNotFound, Title: "No such file", Text: "There is no file of this name here."}
}

// writeChecks writes all checks of a run as CSV.
func writeChecks(b *bytes.Buffer, verdicts []*verdict.Verdict) error {
	number := func(x *float64) string {
		if x == nil {
			return ""
		}
		return strconv.FormatFloat(*x, 'g', 9, 64)
	}
	c := csv.NewWriter(b)
	rows := [][]string{{"scenario", "check", "value", "limit_low", "limit_high", "total", "unit", "pass", "skipped"}}
	for _, v := range verdicts {
		for _, k := range v.Checks {
			pass := ""
			if k.Pass != nil {
				pass = strconv.FormatBool(*k.Pass)
			}
			rows = append(rows, []string{v.Scenario, k.Name, number(k.Value), number(k.LimitLow), number(k.LimitHigh), number(k.Total), k.Unit, pass, k.Skipped})
		}
	}
	return c.WriteAll(rows)
}

// proveCourse sends the course of a verdict: truth and log, as numbers or as a picture.
func (s *Server) proveCourse(w http.ResponseWriter, r *http.Request) error {
	_, v, err := s.findVerdict(r)
	if err != nil {
		return err
	}
	if v.Trace == nil {
		return noFile()
	}
	switch name := r.PathValue("file"); name {
	case "course.csv":
		return download(w, v.Scenario+".csv", func(b *bytes.Buffer) error { return writeCourse(b, v.Trace) })
	case "course.svg":
		return download(w, v.Scenario+".svg", func(b *bytes.Buffer) error { return tracePicture(v).SVG(b) })
	}
	return noFile()
}

// tracePicture draws truth and log of a verdict, one above the other.
func tracePicture(v *verdict.Verdict) *picture.Picture {
	points := func(s verdict.Series, scale float64) []picture.Point {
		out := make([]picture.Point, min(len(s.T), len(s.Y)))
		for i := range out {
			out[i] = picture.Point{X: s.T[i], Y: s.Y[i] * scale}
		}
		return out
	}
	t := v.Trace
	charge := picture.Panel{Label: "charge [Ah]", Curves: []picture.Curve{{Name: "truth", Points: points(t.Charge, 1.0/3600)}}}
	if len(t.Logged.T) > 0 {
		charge.Curves = append(charge.Curves, picture.Curve{Name: "log", Points: points(t.Logged, 1.0/3600)})
	}
	p := &picture.Picture{Title: v.Scenario + ", " + v.Logger + ": a simulation", Panels: []picture.Panel{charge,
		{Label: "current [A], + in", Curves: []picture.Curve{{Points: points(t.Current, 1)}}},
		{Label: "voltage [V]", Curves: []picture.Curve{{Points: points(t.Voltage, 1)}}}}}
	for _, f := range v.Findings {
		if f.AtS > 0 {
			p.Marks = append(p.Marks, picture.Mark{X: f.AtS, Name: f.Cause})
		}
	}
	return p
}

// writeCourse writes a course as CSV, one line a point: its four series have instants of their own.
func writeCourse(b *bytes.Buffer, t *verdict.Trace) error {
	c := csv.NewWriter(b)
	rows := [][]string{{"series", "t_s", "value"}}
	for _, s := range []struct {
		name string
		verdict.Series
	}{{"truth_charge_As", t.Charge}, {"logged_charge_As", t.Logged}, {"truth_current_A", t.Current}, {"truth_voltage_V", t.Voltage}} {
		for i := range min(len(s.T), len(s.Y)) {
			rows = append(rows, []string{s.name, strconv.FormatFloat(s.T[i], 'g', 9, 64), strconv.FormatFloat(s.Y[i], 'g', 9, 64)})
		}
	}
	return c.WriteAll(rows)
}
