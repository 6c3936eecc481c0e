package report

import (
	"encoding/json"
	"io"

	"stuntcell/validate/verdict"
)

// JSON writes verdicts one a line, each as it is ready.
type JSON struct{ encoder *json.Encoder }

// NewJSON writes to w.
func NewJSON(w io.Writer) *JSON {
	e := json.NewEncoder(w)
	e.SetEscapeHTML(false) // evidence has < and > that people read
	return &JSON{e}
}

// Add writes a verdict.
func (j *JSON) Add(v *verdict.Verdict) error { return j.encoder.Encode(v) }
