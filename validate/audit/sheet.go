package audit

import (
	"fmt"
	"html/template"
	"io"

	"stuntcell/validate/budget"
)

// Sheet is what is handed over with a battery.
type Sheet struct {
	Report *Report
	Stated *budget.Stated // nil: no rig was named, so there is no uncertainty
	Brought
	// Cell is the temperature of the cell as the user says [K]; 0 not said.
	Cell float64
	// Pack and Rig name what was tested, and with what; Calibrated is the date of the rig's calibration and Firmware its hash, as the user says; empty: not said.
	Pack, Rig, Calibrated, Firmware string
	Grade                           string
	Cautions                        []string
	SVG                             template.HTML
}

const sheetText = `<!DOCTYPE html>
<html lang="en"><head><meta charset="utf-8"><meta name="viewport" content="width=device-width">
<title>Capacity sheet</title>
<style>body{font:16px/1.45 sans-serif;max-width:50rem;margin:1rem auto;padding:0 1rem;color:#111;background:#fff}
table{border-collapse:collapse;width:100%}td,th{border:1px solid #888;padding:.3rem .5rem;text-align:left;vertical-align:top}
.figure{font-size:1.6rem;font-weight:bold}.sign{margin:2rem 0 1rem}svg{max-width:100%;height:auto}h1{margin:.3rem 0}h2{break-after:avoid}tr,li,svg{break-inside:avoid}@media print{body{margin:0;font-size:11pt;max-width:none}}</style></head><body>
<h1>Capacity sheet</h1>
{{with .Phase}}<p class="figure">{{$.Result}}</p>{{else}}<p class="figure">No capacity: the log has no discharge.</p>{{end}}
{{with .Sentence}}<p>{{.}}</p>{{end}}
<table><tbody>
<tr><th scope="row">Pack</th><td>{{or .Pack "not stated"}}</td></tr>
<tr><th scope="row">As logged</th><td>{{.Logged}}</td></tr>
<tr><th scope="row">Corrections</th><td>{{.Corrections}}</td></tr>
<tr><th scope="row">Share of rated</th><td>{{.Share}}</td></tr>
<tr><th scope="row">How it ended</th><td>{{with .Phase}}{{.Ended}}{{end}}</td></tr>
<tr><th scope="row">At the start</th><td>{{.Start}}</td></tr>
<tr><th scope="row">Temperature</th><td>{{.Temperature}}</td></tr>
<tr><th scope="row">Rig</th><td>{{or .Rig "not stated: no uncertainty can be given"}}</td></tr>
<tr><th scope="row">Calibrated</th><td>{{or .Calibrated "not stated"}}</td></tr>
<tr><th scope="row">Firmware</th><td>{{or .Firmware "not stated"}}</td></tr>
<tr><th scope="row">Log</th><td>{{.Log}}<br>SHA-256 {{or .SHA256 "none: it was read from a pipe"}}</td></tr>
</tbody></table>
{{.SVG}}
<h2>What was found in the log</h2>
{{if .Findings}}<ul>{{range .Findings}}<li><b>{{.Cause}}</b> ({{.Severity}}): {{.Evidence}}</li>{{end}}</ul>{{else}}<p>Nothing.</p>{{end}}
<h2>Cautions</h2>
<ul>{{range .Cautions}}<li>{{.}}</li>{{end}}</ul>
<p class="sign">Tested by ______________________ on ______________ Signature ______________________</p>
<p>The figure holds for this pack, on that day, at this rate and temperature; a pack ages and differs at other rates.</p>
</body></html>
`

// Write writes the sheet as one HTML file that loads nothing from elsewhere.
func (s Sheet) Write(w io.Writer) error {
	t, err := template.New("sheet").Parse(sheetText)
	if err != nil {
		return err
	}
	p, atLeast := s.Report.Capacity()
	v := struct {
		Phase                                                                  *Phase
		Result, Sentence, Pack, Logged, Corrections, Share, Start, Temperature string
		Rig, Calibrated, Firmware, Log, SHA256                                 string
		SVG                                                                    template.HTML
		Findings                                                               any
		Cautions                                                               []string
	}{Phase: p, Pack: s.Pack, Rig: s.Rig, Calibrated: s.Calibrated, Firmware: s.Firmware, Log: s.Report.Log, SHA256: s.Report.SHA256, SVG: s.SVG,
		Findings: s.Report.Findings, Cautions: s.Cautions, Start: s.Report.full(), Corrections: s.Text, Share: "no rated capacity was given", Temperature: "not logged"}
	if p != nil {
		least := ""
		if atLeast {
			least = "at least "
		}
		v.Logged = fmt.Sprintf("%s%.4f Ah, %.3f Wh at %.3g A over %s, lines %d to %d", least, p.Charge/3600, p.Energy/3600, p.Current, Span(p.End-p.Begin), p.First, p.Last)
		v.Result = fmt.Sprintf("%s%.4g Ah (uncertainty not known)", least, s.Value/3600)
		if s.Stated != nil {
			v.Result = least + s.Stated.Charge.Stated
			v.Sentence = s.Stated.Sentence
		}
		if s.Cell > 0 {
			v.Temperature = fmt.Sprintf("not logged; stated as %.1f degC", s.Cell-273.15)
		}
		if p.TempHigh > 0 {
			v.Temperature = fmt.Sprintf("%.1f to %.1f degC in the discharge", p.TempLow-273.15, p.TempHigh-273.15)
		}
		if s.Brought.Share.Known() {
			v.Share = fmt.Sprintf("%.1f %%; %s (replacement below 80 %% is common practice; the maker's and the standard's own limit come first)", 100*float64(s.Brought.Share), s.Grade)
		}
	}
	return t.Execute(w, v)
}
