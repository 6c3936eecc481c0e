package page

import (
	"encoding/json"
	"fmt"
	"html/template"
	"net/http"
	"net/url"
	"slices"
	"strconv"
	"strings"
	"time"

	"stuntcell/scenarios"
	"stuntcell/validate/report"
	"stuntcell/validate/verdict"
)

// Which scenarios a run takes.
const (
	scopeShows  = "shows"  // those that exist to show the logger's mistake; all for a healthy one
	scopeAll    = "all"    // every one
	scopePicked = "picked" // those that are ticked
)

// proveState is what the prove view's address holds.
type proveState struct {
	Logger    string
	Scope     string
	Scenarios []string
}

func readProve(q *query) proveState {
	return proveState{Logger: q.text("logger", GoodLogger), Scope: q.word("scope", scopeShows, scopeAll, scopePicked), Scenarios: q.many("scenario")}
}

func (p proveState) values() url.Values {
	v := url.Values{}
	set(v, "logger", p.Logger)
	set(v, "scope", p.Scope)
	for _, name := range p.Scenarios {
		v.Add("scenario", name)
	}
	return v
}

// names resolves the state to the scenarios of a run, in order.
func (p proveState) names(b *board, w mistakes) []string {
	if !has(b.good, p.Logger) && !has(b.defects, p.Logger) {
		w.add("logger", "no built-in logger %.60q", p.Logger)
	}
	for _, name := range p.Scenarios {
		if _, ok := b.scenario(name); !ok {
			w.add("scenario", "no scenario %.60q", name)
		}
	}
	cause := b.causes[p.Logger]
	var out []string
	for _, d := range b.scenarios {
		switch p.Scope {
		case scopePicked:
			if !slices.Contains(p.Scenarios, d.Name) {
				continue
			}
		case scopeShows:
			if cause != "" && !slices.Contains(d.Shows, cause) {
				continue
			}
		}
		out = append(out, d.Name)
	}
	if len(out) == 0 {
		if p.Scope == scopePicked {
			w.add("scenario", "no scenario is ticked: expected at least one")
		} else {
			w.add("scope", "no scenario exists to show it: choose every scenario")
		}
	}
	return out
}

// command is the command line that does the same.
func (s *Server) proveCommand(p proveState, names []string) string {
	words := []string{"stuntcell", "prove"}
	switch p.Logger {
	case OwnLogger:
	case GoodLogger:
		words = append(words, "--good")
	default:
		words = append(words, "--defect", p.Logger)
	}
	if p.Scope == scopeAll || len(names) == len(s.board.scenarios) {
		// The suite of a project file would stand for no names.
		if len(s.Bench.Suite()) == 0 {
			return commandLine(words...)
		}
	}
	return commandLine(append(words, names...)...)
}

func (s *Server) loggerName(logger string) string {
	if logger == OwnLogger {
		return s.Bench.Own()
	}
	return "built-in " + logger
}

// proveView is what the prove view shows.
type proveView struct {
	State     proveState
	Good      []choice
	Defects   []choice
	Scenarios []scenarios.Description
	Wrong     mistakes
	Names     []string
	Command   string
	Runs      []runLine
}

// runLine is a run in the list of runs.
type runLine struct{ Href, Logger, Text string }

// Picked says whether a scenario is ticked.
func (v proveView) Picked(name string) bool { return slices.Contains(v.State.Scenarios, name) }

func (s *Server) prove(w http.ResponseWriter, r *http.Request) error {
	q := readQuery(r.URL.RawQuery)
	state := readProve(q)
	if own := s.Bench.Own(); own != "" && !q.values.Has("logger") {
		state.Logger = OwnLogger
	}
	wrong := q.done()
	names := state.names(s.board, wrong)
	d := proveView{State: state, Good: s.board.good, Defects: s.board.defects, Scenarios: s.board.scenarios, Wrong: wrong, Names: names}
	if len(wrong) == 0 {
		d.Command = s.proveCommand(state, names)
	}
	for _, r := range slices.Backward(s.runs.all()) {
		look := r.look()
		text := fmt.Sprintf("%d of %d scenarios", len(look.verdicts), len(r.names))
		if look.finished {
			text = outcomeOf(look).Word + ", " + text
		}
		d.Runs = append(d.Runs, runLine{r.href(), r.logger, text})
	}
	s.show(w, statusOf(wrong), "prove", view{Title: "Prove a logger", Here: "/prove", Data: d})
	return nil
}

// proveStart starts a run and goes to its page.
func (s *Server) proveStart(w http.ResponseWriter, r *http.Request) error {
	if err := r.ParseForm(); err != nil {
		return badForm(err)
	}
	q := readQuery(r.PostForm.Encode())
	state := readProve(q)
	wrong := q.done()
	names := state.names(s.board, wrong)
	if len(wrong) > 0 {
		http.Redirect(w, r, address("/prove", state.values()), http.StatusSeeOther)
		return nil
	}
	run, err := s.begin(state, names)
	if err != nil {
		return err
	}
	http.Redirect(w, r, run.href(), http.StatusSeeOther)
	return nil
}

// href is the address of a run, with what it was started from: it can be started again after a restart of the server.
func (r *run) href() string { return address("/prove/run/"+r.id, r.state.values()) }

// findRun finds the run of a request, and says how to start it again if it is gone.
func (s *Server) findRun(r *http.Request) (*run, error) {
	if run, ok := s.runs.get(r.PathValue("id")); ok {
		return run, nil
	}
	p := problem{status: http.StatusNotFound, Title: "This run is gone",
		Text: "The server was started again since, or later runs have taken its place. Runs are kept in memory only.",
		Back: "/prove", BackText: "Choose a logger and scenarios"}
	q := readQuery(r.URL.RawQuery)
	if state := readProve(q); len(q.done()) == 0 && r.URL.RawQuery != "" {
		p.Back, p.BackText = address("/prove", state.values()), "Go to what it was started from, to start it again"
	}
	return nil, p
}

// outcome is how a run stands, in a word with its style.
type outcome struct{ Word, Class string }

func outcomeOf(s snapshot) outcome {
	t := report.Count(s.verdicts)
	switch {
	case t.Failed > 0:
		return outcome{"FAIL", "fail"}
	case t.Held > 0 && s.ended == "":
		return outcome{"PASS", "ok"}
	}
	return outcome{"Nothing judged", "skip"}
}

// runView is what the page of a run shows.
type runView struct {
	Href, Again         string
	Path                string // without a query
	ID, Logger, Command string
	Rows                []verdictRow
	Planned             int
	Finished            bool
	Ended               string
	Outcome             outcome
	Tally               report.Tally
	Likely              *report.CauseTally
	Limit               time.Duration
}

// VerdictOf is where the verdict on a scenario is.
func (v runView) VerdictOf(scenario string) string {
	for _, row := range v.Rows {
		if row.Scenario == scenario {
			return row.Href
		}
	}
	return v.Href
}

// verdictRow is a verdict in the table of a run, also as it is sent while it goes on.
type verdictRow struct {
	Scenario string `json:"scenario"`
	Href     string `json:"href"`
	Class    string `json:"class"`
	Charge   string `json:"charge"`
	Energy   string `json:"energy"`
	Causes   string `json:"causes"`
	Skipped  string `json:"skipped"`
}

func (r *run) row(v *verdict.Verdict) verdictRow {
	line := report.LineOf(v)
	return verdictRow{Scenario: v.Scenario, Href: address(r.verdictPath(v.Scenario), r.state.values()), Class: line.Class, Charge: line.Charge, Energy: line.Energy,
		Causes: strings.Join(line.Causes, ", "), Skipped: v.Skipped}
}

func (r *run) verdictPath(scenario string) string {
	return "/prove/run/" + r.id + "/verdict/" + url.PathEscape(scenario)
}

func (s *Server) proveRun(w http.ResponseWriter, r *http.Request) error {
	run, err := s.findRun(r)
	if err != nil {
		return err
	}
	run.seen()
	look := run.look()
	d := runView{Href: run.href(), Again: address("/prove", run.state.values()), Path: "/prove/run/" + run.id, ID: run.id, Logger: run.logger,
		Command: s.proveCommand(run.state, run.names),
		Planned: len(run.names), Finished: look.finished, Ended: look.ended, Outcome: outcomeOf(look), Tally: report.Count(look.verdicts), Limit: s.Limits.RunTime}
	d.Likely = d.Tally.MostLikely()
	for _, v := range look.verdicts {
		d.Rows = append(d.Rows, run.row(v))
	}
	s.show(w, http.StatusOK, "run", view{Title: "Run of " + run.logger, Here: "/prove", Refresh: !look.finished, Data: d})
	return nil
}

// proveEvents sends the verdicts of a run as they come, from the one after Last-Event-ID on, and its end.
func (s *Server) proveEvents(w http.ResponseWriter, r *http.Request) error {
	run, err := s.findRun(r)
	if err != nil {
		return err
	}
	defer run.watch()()
	next := 0
	if id, err := strconv.ParseUint(r.Header.Get("Last-Event-ID"), 10, 31); err == nil {
		next = int(id) + 1
	}
	h := w.Header()
	h.Set("Content-Type", "text/event-stream")
	h.Set("Cache-Control", "no-store")
	c := http.NewResponseController(w)
	c.SetReadDeadline(time.Time{}) // nothing more is to be read, however long it takes
	send := func(format string, args ...any) error {
		c.SetWriteDeadline(time.Now().Add(10 * time.Second))
		if _, err := fmt.Fprintf(w, format, args...); err != nil {
			return err
		}
		return c.Flush()
	}
	// A browser asks again after a second if the server goes away.
	if send("retry: 1000\n\n") != nil {
		return nil
	}
	alive := time.NewTicker(10 * time.Second)
	defer alive.Stop()
	for {
		look := run.look()
		for ; next < len(look.verdicts); next++ {
			data, err := json.Marshal(run.row(look.verdicts[next]))
			if err != nil {
				return err
			}
			if send("id: %d\nevent: verdict\ndata: %s\n\n", next, data) != nil {
				return nil
			}
		}
		if s.ctx.Err() != nil {
			return nil // the browser asks again, until the server is back and knows nothing of the run
		}
		if look.finished {
			send("event: end\ndata: {}\n\n")
			return nil
		}
		select {
		case <-look.changed:
		case <-alive.C:
			if send(": alive\n\n") != nil {
				return nil
			}
		case <-r.Context().Done():
			return nil
		}
	}
}

func (s *Server) proveStop(w http.ResponseWriter, r *http.Request) error {
	run, err := s.findRun(r)
	if err != nil {
		return err
	}
	run.stop(errStopped)
	// Its end is near, and the page that comes next is to show it.
	until := time.NewTimer(2 * time.Second)
	defer until.Stop()
	for {
		look := run.look()
		if look.finished {
			break
		}
		select {
		case <-look.changed:
			continue
		case <-until.C:
		case <-r.Context().Done():
		}
		break
	}
	http.Redirect(w, r, run.href(), http.StatusSeeOther)
	return nil
}

// verdictView is what the page of a verdict shows.
type verdictView struct {
	Run      string
	Logger   string
	Scenario string
	Article  template.HTML
	Command  string
	Rehearse string
	File     string
	Course   string // where its course can be had; empty: it has none
}

func (s *Server) proveVerdict(w http.ResponseWriter, r *http.Request) error {
	run, v, err := s.findVerdict(r)
	if err != nil {
		return err
	}
	run.seen()
	article, err := report.Article(v)
	if err != nil {
		return err
	}
	picked := proveState{Logger: run.state.Logger, Scope: scopePicked, Scenarios: []string{v.Scenario}}
	d := verdictView{Run: run.href(), Logger: run.logger, Scenario: v.Scenario, Article: article, Command: s.proveCommand(picked, picked.Scenarios),
		Rehearse: address("/rehearse", rehearseState{Run: conditions{Plan: v.Scenario}}.values()),
		File:     address("/rehearse/scenario.yaml", rehearseState{Run: conditions{Plan: v.Scenario}}.values())}
	if v.Trace != nil {
		d.Course = run.verdictPath(v.Scenario)
	}
	s.show(w, http.StatusOK, "verdict", view{Title: v.Scenario + " with " + run.logger, Here: "/prove", Data: d})
	return nil
}

func (s *Server) findVerdict(r *http.Request) (*run, *verdict.Verdict, error) {
	run, err := s.findRun(r)
	if err != nil {
		return nil, nil, err
	}
	name := r.PathValue("scenario")
	v := run.verdict(name)
	if v == nil {
		return nil, nil, problem{status: http.StatusNotFound, Title: "No verdict", Text: fmt.Sprintf("This run has no verdict on %.80q, or not yet.", name),
			Back: run.href(), BackText: "Back to the run"}
	}
	return run, v, nil
}
