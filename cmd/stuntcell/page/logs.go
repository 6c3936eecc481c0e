package page

import (
	"bytes"
	"context"
	"encoding/csv"
	"encoding/json"
	"errors"
	"fmt"
	"html/template"
	"io"
	"mime/multipart"
	"net/http"
	"net/url"
	"path"
	"strconv"
	"strings"
	"unicode"

	"stuntcell/model"
	"stuntcell/model/quantity"
	"stuntcell/scenarios/picture"
	"stuntcell/validate/audit"
	"stuntcell/validate/budget"
	"stuntcell/validate/logfile"
)

// logsState is what the logs view's address holds: all but the log.
type logsState struct {
	Cutoff, Taper, Rig, Rated, Reference, Cell string
}

func readLogs(q *query) logsState {
	return logsState{Cutoff: q.text("cutoff", ""), Taper: q.text("taper", ""), Rig: q.text("rig", ""),
		Rated: q.text("rated", ""), Reference: q.text("reference", ""), Cell: q.text("cell", "")}
}

func (l logsState) values() url.Values {
	v := url.Values{}
	set(v, "cutoff", l.Cutoff)
	set(v, "taper", l.Taper)
	set(v, "rig", l.Rig)
	set(v, "rated", l.Rated)
	set(v, "reference", l.Reference)
	set(v, "cell", l.Cell)
	return v
}

// command is the command line that does the same for a log.
func (l logsState) command(log string) string {
	words := []string{"stuntcell", "audit", log}
	for _, f := range []struct{ flag, value string }{{"--cutoff", l.Cutoff}, {"--taper", l.Taper}, {"--rig", l.Rig},
		{"--rated", l.Rated}, {"--reference", l.Reference}, {"--cell", l.Cell}} {
		if f.value != "" {
			words = append(words, f.flag, f.value)
		}
	}
	return commandLine(words...)
}

// auditedLog is a log that was examined, and what was found. The log itself is not kept.
type auditedLog struct {
	id     string
	Name   string
	State  logsState
	Report *audit.Report
	sketch audit.Sketch
	// Phase is what gives the capacity, nil if nothing does; AtLeast says that it did not begin full or did not end as intended. Brought is that capacity under the conditions.
	Phase   *audit.Phase
	AtLeast bool
	Brought audit.Brought
	// Grade is how it stands to the limit of replacement; empty: no rating was given.
	Grade string
	// Stated is nil if no rig was named, or where Unstated says why there is none.
	Stated   *budget.Stated
	Unstated string
}

func (a *auditedLog) picture() *picture.Picture { return a.sketch.Picture(a.Name, a.Report.Sign) }

// Path is where what was found is, Href the same with what was asked, and Command the command line that does the same.
func (a *auditedLog) Path() string    { return "/logs/" + a.id }
func (a *auditedLog) Href() string    { return address(a.Path(), a.State.values()) }
func (a *auditedLog) Command() string { return a.State.command(a.Name) }

// logsView is what the logs view shows.
type logsView struct {
	State logsState
	Rigs  []choice
	Wrong mistakes
	Most  int64 // MB
	Kept  []*auditedLog
	// Log is what was found, nil in the form alone.
	Log    *auditedLog
	Figure figure
}

func (s *Server) logsForm(w http.ResponseWriter, r *http.Request) error {
	q := readQuery(r.URL.RawQuery)
	state := readLogs(q)
	wrong := q.done()
	s.logQuestion(state, wrong)
	s.showLogs(w, statusOf(wrong), logsView{State: state, Wrong: wrong})
	return nil
}

func (s *Server) showLogs(w http.ResponseWriter, status int, d logsView) {
	d.Rigs, d.Most, d.Kept = s.board.rigs, s.Limits.Log>>20, s.logs.all()
	v := view{Title: "Audit a log", Here: "/logs"}
	if d.Log != nil {
		v.Title = "Audit of " + d.Log.Name
	}
	v.Data = d
	s.show(w, status, "logs", v)
}

// question is what is asked of a log.
type question struct {
	audit.Options
	conditions audit.Conditions
	rigged     *budget.Capacity // nil: no rig is known
}

// logQuestion turns the state into what is asked of a log.
func (s *Server) logQuestion(l logsState, w mistakes) question {
	celsius := quantity.Between(233.15, 343.15)
	q := question{Options: audit.Options{
		Cutoff: w.quantityOf("cutoff", l.Cutoff, quantity.Voltage, quantity.Above(0, 1e4)),
		Taper:  w.quantityOf("taper", l.Taper, quantity.Current, quantity.Above(0, 1e5)),
	}, conditions: audit.Conditions{
		Rated:     w.quantityOf("rated", l.Rated, quantity.Charge, quantity.Above(0, 1e9)),
		Reference: w.quantityOf("reference", l.Reference, quantity.Temperature, celsius),
		Cell:      w.quantityOf("cell", l.Cell, quantity.Temperature, celsius),
	}}
	if l.Rig == "" {
		return q
	}
	r := s.rig(l.Rig, "rig", w)
	if r == nil {
		return q
	}
	q.FullCurrent = float64(r.Front.ShuntMax) * r.Front.ShuntStep / r.Shunt.Nominal
	q.FullVoltage = float64(r.Front.BusMax) * r.Front.BusStep
	q.rigged = &budget.Capacity{Rig: *r, Limits: budget.FromRig(*r)}
	return q
}

// logsTake takes a form with a log, examines the log while it comes, and goes to what was found.
func (s *Server) logsTake(w http.ResponseWriter, r *http.Request) error {
	parts, err := r.MultipartReader()
	if err != nil {
		return badForm(err)
	}
	fields := url.Values{}
	for {
		part, err := parts.NextPart()
		if errors.Is(err, io.EOF) {
			return s.noLog(w, fields, "choose a log first")
		}
		if err != nil {
			return badForm(err)
		}
		if part.FormName() != "log" {
			value, err := io.ReadAll(io.LimitReader(part, longestValue+1))
			if err != nil {
				return badForm(err)
			}
			if len(fields) > 20 {
				return badForm(errors.New("too many fields"))
			}
			fields.Add(part.FormName(), string(value))
			continue
		}
		if part.FileName() == "" {
			return s.noLog(w, fields, "choose a log first")
		}
		q := readQuery(fields.Encode())
		state := readLogs(q)
		wrong := q.done()
		asked := s.logQuestion(state, wrong)
		if len(wrong) > 0 {
			s.showLogs(w, http.StatusBadRequest, logsView{State: state, Wrong: wrong})
			return nil
		}
		found, err := s.examine(r.Context(), part, state, asked)
		var large *http.MaxBytesError
		if errors.As(err, &large) {
			return tooLarge(s.Limits.Log)
		}
		var p problem
		if errors.As(err, &p) {
			return err
		}
		if err != nil {
			s.showLogs(w, http.StatusBadRequest, logsView{State: state, Wrong: mistakes{"log": err.Error()}})
			return nil
		}
		s.logs.put(found.id, found, func(*auditedLog) bool { return true })
		http.Redirect(w, r, found.Href(), http.StatusSeeOther)
		return nil
	}
}

// noLog shows the form again and says what is missing.
func (s *Server) noLog(w http.ResponseWriter, fields url.Values, text string) error {
	q := readQuery(fields.Encode())
	state := readLogs(q)
	wrong := q.done()
	wrong.add("log", "%s", text)
	s.showLogs(w, http.StatusBadRequest, logsView{State: state, Wrong: wrong})
	return nil
}

// examine audits a log while it is read.
func (s *Server) examine(ctx context.Context, in *multipart.Part, state logsState, asked question) (*auditedLog, error) {
	free, err := s.slot(ctx)
	if err != nil {
		return nil, err
	}
	defer free()
	found := &auditedLog{id: s.logs.name(), Name: logName(in.FileName()), State: state}
	asked.Row = found.sketch.Row
	a := audit.New(asked.Options)
	reader := logfile.NewReader(in, logfile.Options{})
	for {
		if err := ctx.Err(); err != nil {
			return nil, err
		}
		t, err := reader.Next()
		if errors.Is(err, io.EOF) {
			break
		}
		if err == nil {
			err = a.Add(t)
		}
		if err != nil {
			return nil, err
		}
	}
	found.Report = a.Finish()
	found.Report.Log = found.Name
	found.weigh(asked)
	return found, nil
}

// weigh brings the capacity to the conditions, gives it its uncertainty and its grade.
func (a *auditedLog) weigh(asked question) {
	if a.Phase, a.AtLeast = a.Report.Capacity(); a.Phase == nil {
		return
	}
	c := asked.conditions.Usual(a.Phase)
	a.Brought = audit.Bring(a.Phase.Charge, a.Phase.Current, c)
	if c.Reference > 0 && c.Cell == 0 {
		a.Unstated = "Its cell's temperature is not known, so it is not brought to another."
	}
	if asked.rigged != nil && a.Unstated == "" {
		asked.rigged.Figure = a.Report.FigureUnder(a.Phase, c)
		var err error
		if a.Stated, err = asked.rigged.State(budget.Options{Seed: 1}); err != nil {
			a.Unstated = err.Error()
		}
	}
	if c.Rated > 0 {
		a.Grade = audit.Grading(a.Brought, a.Stated, a.AtLeast, c.Rated)
	}
}

// logName makes a name for a log from what the browser says of its file.
func logName(name string) string {
	name = path.Base(strings.ReplaceAll(name, `\`, "/"))
	name = strings.Map(func(r rune) rune {
		if !unicode.IsPrint(r) {
			return -1
		}
		return r
	}, name)
	if r := []rune(name); len(r) > 80 {
		name = string(r[:80])
	}
	if name == "" || name == "." || name == "/" {
		return "log.csv"
	}
	return name
}

func (s *Server) findLog(r *http.Request) (*auditedLog, error) {
	if a, ok := s.logs.get(r.PathValue("id")); ok {
		return a, nil
	}
	return nil, problem{status: http.StatusNotFound, Title: "This audit is gone",
		Text: "The server was started again since, or later ones have taken its place. Audits are kept in memory only, and the log itself never is.",
		Back: "/logs", BackText: "Give the log again"}
}

func (s *Server) logsShow(w http.ResponseWriter, r *http.Request) error {
	a, err := s.findLog(r)
	if err != nil {
		return err
	}
	p := a.picture()
	s.showLogs(w, http.StatusOK, logsView{State: a.State, Log: a, Figure: figure{Path: "/logs/" + a.id + "/picture.svg", Height: int(p.Height()),
		Alt: fmt.Sprintf("Curves over time of the log %s: voltage, current and charge. The figures are in the tables.", a.Name)}})
	return nil
}

// logsFile sends what was found in a log as a file.
func (s *Server) logsFile(w http.ResponseWriter, r *http.Request) error {
	a, err := s.findLog(r)
	if err != nil {
		return err
	}
	stem := strings.TrimSuffix(a.Name, path.Ext(a.Name))
	switch r.PathValue("file") {
	case "picture.svg":
		_, look := readLook(r.URL.RawQuery)
		return sendPicture(w, a.picture(), look)
	case "curves.svg":
		return download(w, stem+".svg", func(b *bytes.Buffer) error { return a.picture().SVG(b) })
	case "phases.csv":
		return download(w, stem+"-phases.csv", func(b *bytes.Buffer) error { return writePhases(b, a.Report) })
	case "report.txt":
		return download(w, stem+"-audit.txt", func(b *bytes.Buffer) error { return a.Report.WriteText(b) })
	case "report.json":
		return download(w, stem+"-audit.json", func(b *bytes.Buffer) error { return json.NewEncoder(b).Encode(a.Report) })
	case "sheet.html":
		return download(w, stem+"-sheet.html", func(b *bytes.Buffer) error { return a.sheet(b) })
	}
	return noFile()
}

// sheet writes the sheet for who gets the battery.
func (a *auditedLog) sheet(b *bytes.Buffer) error {
	svg, err := a.picture().Inline()
	if err != nil {
		return err
	}
	sheet := audit.Sheet{Report: a.Report, Stated: a.Stated, Brought: a.Brought, Grade: a.Grade, Rig: a.State.Rig, SVG: template.HTML(svg), Cautions: []string{
		"Put a fuse at the pack; check polarity with a meter before connecting; connect with load and charger off.",
		"No jewellery; insulated tools; eye protection. Not unattended without an independent stop.",
		model.Deference(),
	}}
	return sheet.Write(b)
}

// writePhases writes the phases of a log as CSV.
func writePhases(b *bytes.Buffer, r *audit.Report) error {
	number := func(x float64) string { return strconv.FormatFloat(x, 'g', 9, 64) }
	maybe := func(x budget.Maybe) string {
		if !x.Known() {
			return ""
		}
		return number(float64(x))
	}
	c := csv.NewWriter(b)
	rows := [][]string{{"kind", "first_line", "last_line", "begin_s", "end_s", "charge_Ah", "energy_Wh",
		"mean_A", "most_A", "start_V", "end_V", "low_V", "high_V", "intended", "ended"}}
	for _, p := range r.Phases {
		rows = append(rows, []string{string(p.Kind), strconv.Itoa(p.First), strconv.Itoa(p.Last), number(p.Begin), number(p.End), number(p.Charge / 3600),
			number(p.Energy / 3600),
			number(p.Current), number(p.Most), maybe(p.VStart), maybe(p.VEnd), maybe(p.VLow), maybe(p.VHigh), strconv.FormatBool(p.Intended), p.Ended})
	}
	return c.WriteAll(rows)
}
