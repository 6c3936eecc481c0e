package calibrate

import (
	"bytes"
	"encoding/csv"
	"fmt"
	"io"
	"math"
	"slices"
	"strconv"
	"strings"
	"time"
	"unicode/utf8"

	"stuntcell/model/fit"
	"stuntcell/model/quantity"
	"stuntcell/validate/budget"
)

// Check is one reading of a check standard: a thing that is kept only to be read again and again (a resistor at a fixed voltage, a second shunt).
type Check struct {
	Day              time.Time
	Reading, Nominal float64
	Line             int
}

// ParseHistory reads a CSV file with the header `date, reading, nominal`: dates as 2026-03-02, in order, readings and nominal values in one unit. The error is
// quantity.Diagnostics.
func ParseHistory(file string, data []byte) ([]Check, error) {
	var faults quantity.Diagnostics
	fail := func(line, col int, message, expected string) {
		faults = append(faults, quantity.Diagnostic{File: file, Line: line, Col: col, Message: message, Expected: expected})
	}
	if len(data) > maxBytes || bytes.IndexByte(data, 0) >= 0 || !utf8.Valid(data) {
		fail(1, 1, "the file is no text or too large", fmt.Sprintf("UTF-8 text of at most %d bytes", maxBytes))
		return nil, faults
	}
	r := csv.NewReader(bytes.NewReader(bytes.TrimPrefix(data, []byte("\xef\xbb\xbf"))))
	r.Comment, r.TrimLeadingSpace, r.FieldsPerRecord, r.ReuseRecord = '#', true, -1, true
	var out []Check
	head := false
	for len(faults) < maxFaults {
		row, err := r.Read()
		if err == io.EOF {
			break
		}
		if err != nil {
			line, col := 1, 1
			if e, ok := err.(*csv.ParseError); ok {
				line, col = e.Line, e.Column
			}
			fail(line, col, err.Error(), "date, reading, nominal")
			break
		}
		place := func(i int) (int, int) { return r.FieldPos(i) }
		line, _ := place(0)
		if len(row) != 3 {
			fail(line, 1, fmt.Sprintf("%d cells", len(row)), "3: date, reading, nominal")
			continue
		}
		if !head {
			head = true
			if strings.TrimSpace(row[0]) != "date" || strings.TrimSpace(row[1]) != "reading" || strings.TrimSpace(row[2]) != "nominal" {
				fail(line, 1, "no header", "date, reading, nominal")
				break
			}
			continue
		}
		c := Check{Line: line}
		if c.Day, err = time.Parse("2006-01-02", strings.TrimSpace(row[0])); err != nil {
			_, col := place(0)
			fail(line, col, fmt.Sprintf("%.40q is no date", row[0]), "a date such as 2026-03-02")
			continue
		}
		if n := len(out); n > 0 && c.Day.Before(out[n-1].Day) {
			_, col := place(0)
			fail(line, col, "a date before the one above", "rows in order of date")
			continue
		}
		good := true
		for i, to := range []*float64{1: &c.Reading, 2: &c.Nominal} {
			if to == nil {
				continue
			}
			v, err := strconv.ParseFloat(strings.TrimSpace(row[i]), 64)
			if err != nil || math.IsNaN(v) || math.Abs(v) > 1e6 || i == 2 && v == 0 {
				_, col := place(i)
				fail(line, col, fmt.Sprintf("%.40q is no reading", row[i]), "a number, nominal other than 0")
				good = false
				break
			}
			*to = v
		}
		if good {
			if out = append(out, c); len(out) > maxPairs {
				fail(line, 1, "too many rows", fmt.Sprintf("at most %d", maxPairs))
				break
			}
		}
	}
	if len(faults) == 0 && len(out) < 3 {
		fail(1, 1, fmt.Sprintf("%d checks", len(out)), "3 at least")
	}
	if len(faults) > 0 {
		return nil, faults
	}
	return out, nil
}

// History is what the readings of a check standard say about the rig over time. Deviations are relative to nominal.
type History struct {
	Checks int `json:"checks"`
	// Mean and Sigma are mean deviation and short-term standard deviation (median moving range over 0.954: one jump does not inflate it).
	Mean  float64 `json:"mean"`
	Sigma float64 `json:"sigma"`
	// Last is the last deviation; Out lists the lines of the file whose deviation lies more than 3 Sigma from the median, or from the drift where there is one.
	Last float64 `json:"last"`
	Out  []int   `json:"out_of_control_lines"`
	// Drift and DriftError are the slope [1/year] and its standard error; NaN if all dates are one. P is the probability of such a slope by chance.
	Drift      budget.Maybe `json:"drift_per_year"`
	DriftError budget.Maybe `json:"drift_error"`
	P          budget.Maybe `json:"p"`
	Text       string       `json:"text"`
}

// Watch judges a history against the tolerance of the rig, relative.
func Watch(c []Check, tolerance float64) History {
	unknown := budget.Maybe(math.NaN())
	h := History{Checks: len(c), Drift: unknown, DriftError: unknown, P: unknown}
	var d, t, moving []float64
	for i, x := range c {
		d = append(d, x.Reading/x.Nominal-1)
		t = append(t, x.Day.Sub(c[0].Day).Hours()/24/365.25)
		if i > 0 {
			moving = append(moving, math.Abs(d[i]-d[i-1]))
		}
	}
	n := len(d)
	h.Mean = fit.Summarise(d).Mean
	slices.Sort(moving)
	h.Sigma = (moving[(n-2)/2] + moving[(n-1)/2]) / 2 / 0.954
	h.Last = d[n-1]
	// The median, as Sigma: one check that is off must not move the line by which the others are judged.
	ordered := slices.Clone(d)
	slices.Sort(ordered)
	start, trend := (ordered[(n-1)/2]+ordered[n/2])/2, 0.0
	if t[n-1] > t[0] {
		if f, err := fit.Polynomial(t, d, 1); err == nil && f.Cov != nil && f.DOF > 0 {
			h.Drift, h.DriftError, h.P = budget.Maybe(f.Value[1]), budget.Maybe(f.Error[1]), chance(f.Value[1], f.Error[1], f.DOF)
			if h.P < 0.05 {
				start, trend = f.Value[0], f.Value[1]
			}
		}
	}
	expected := func(i int) float64 { return start + trend*t[i] }
	for i, v := range d {
		if math.Abs(v-expected(i)) > 3*h.Sigma {
			h.Out = append(h.Out, c[i].Line)
		}
	}
	switch {
	case len(h.Out) > 0 && h.Out[len(h.Out)-1] == c[n-1].Line:
		h.Text = fmt.Sprintf("The last check lies beyond three standard deviations of the others (%.2g %% from what was expected): something changed. Calibrate before the next test.", 100*(h.Last-expected(n-1)))
	case math.Abs(h.Last) > tolerance:
		h.Text = fmt.Sprintf("The last check is off by %.2g %%, more than the tolerance of %.2g %%. Calibrate.", 100*h.Last, 100*tolerance)
	case h.P < 0.05 && h.Drift != 0:
		left := (math.Copysign(tolerance, float64(h.Drift)) - h.Last) / float64(h.Drift)
		h.Text = fmt.Sprintf("It drifts by %.2g %% a year (± %.1g %%, one standard error). At that rate the tolerance of %.2g %% is reached in %.1f years: calibrate before then.", 100*h.Drift, 100*h.DriftError, 100*tolerance, left)
	default:
		h.Text = fmt.Sprintf("In control: no drift that can be told from scatter (%.2g %%).", 100*h.Sigma)
	}
	return h
}
