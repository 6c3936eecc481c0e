package page

import (
	"bytes"
	"cmp"
	"encoding/csv"
	"fmt"
	"maps"
	"math"
	"net/http"
	"net/url"
	"slices"
	"strconv"
	"strings"
	"time"

	"stuntcell/model/quantity"
	"stuntcell/scenarios"
	"stuntcell/scenarios/picture"
	"stuntcell/scenarios/rehearsal"
)

// firstPlan is what the rehearse view opens with: the test that a rating is about.
const firstPlan = "discharge-20h"

// conditions are what a plan is rehearsed under, as they were typed. An empty field leaves the scenario's word.
type conditions struct {
	Plan, Pack, Rate, Ambient, Health, Rig string
}

// rehearseState is what the rehearse view's address holds.
type rehearseState struct {
	Run conditions
	// Beside is what a second run has otherwise; all empty: there is none.
	Beside conditions
	// Outlook is on if the tables of how far the figures may move are wanted as well, else empty.
	Outlook string
}

// The second run's fields have this before their names.
const besidePrefix = "beside-"

func readRehearse(q *query) rehearseState {
	read := func(prefix string) conditions {
		return conditions{Plan: q.text(prefix+"plan", ""), Pack: q.text(prefix+"pack", ""), Rate: q.text(prefix+"rate", ""),
			Ambient: q.text(prefix+"ambient", ""), Health: q.text(prefix+"health", ""), Rig: q.text(prefix+"rig", "")}
	}
	s := rehearseState{Run: read(""), Beside: read(besidePrefix), Outlook: q.word("outlook", "", "on")}
	if s.Run.Plan == "" {
		s.Run.Plan = firstPlan
	}
	return s
}

func (s rehearseState) values() url.Values {
	v := url.Values{}
	write := func(prefix string, c conditions) {
		set(v, prefix+"plan", c.Plan)
		set(v, prefix+"pack", c.Pack)
		set(v, prefix+"rate", c.Rate)
		set(v, prefix+"ambient", c.Ambient)
		set(v, prefix+"health", c.Health)
		set(v, prefix+"rig", c.Rig)
	}
	write("", s.Run)
	write(besidePrefix, s.Beside)
	set(v, "outlook", s.Outlook)
	return v
}

// second is the second run whole: what it does not have otherwise is the first's.
func (s rehearseState) second() (conditions, bool) {
	if s.Beside == (conditions{}) {
		return conditions{}, false
	}
	or := cmp.Or[string]
	a, b := s.Run, s.Beside
	return conditions{or(b.Plan, a.Plan), or(b.Pack, a.Pack), or(b.Rate, a.Rate), or(b.Ambient, a.Ambient), or(b.Health, a.Health), or(b.Rig, a.Rig)}, true
}

// command is the command line that does the same.
func (c conditions) command(plot bool) string {
	words := []string{"stuntcell", "rehearse", c.Plan}
	for _, f := range []struct{ flag, value string }{
		{"--pack", c.Pack}, {"--rig", c.Rig}, {"--rate", c.Rate}, {"--ambient", c.Ambient}, {"--health", c.Health},
	} {
		if f.value != "" {
			words = append(words, f.flag, f.value)
		}
	}
	if plot {
		words = append(words, "--plot", c.Plan+".svg")
	}
	return commandLine(words...)
}

// scenario reads the plan under the conditions; what is wrong is said at the fields with the prefix.
func (s *Server) scenario(c conditions, prefix string, w mistakes) *scenarios.Scenario {
	env := s.Bench.Env()
	in := &env.Instead
	in.Rate = w.quantityOf(prefix+"rate", c.Rate, quantity.Rate, quantity.Above(0, 100))
	in.Ambient = w.quantityOf(prefix+"ambient", c.Ambient, quantity.Temperature, quantity.Between(233.15, 343.15))
	in.Health = w.quantityOf(prefix+"health", c.Health, quantity.Ratio, quantity.Above(0, 1))
	if c.Pack != "" {
		in.Pack = s.pack(c.Pack, prefix+"pack", w)
	}
	if c.Rig != "" {
		in.Rig = s.rig(c.Rig, prefix+"rig", w)
	}
	if _, ok := s.board.scenario(c.Plan); !ok {
		w.add(prefix+"plan", "no plan %.60q on board", c.Plan)
	}
	if len(w) > 0 {
		return nil
	}
	sc, err := s.Bench.Scenario(c.Plan, env)
	if err != nil {
		w.add(prefix+"plan", "%s", refusal(err))
		return nil
	}
	return sc
}

// refusal words why a plan cannot be run, without the place in a file that the visitor has not got before them.
func refusal(err error) string {
	var all quantity.Diagnostics
	if !asDiagnostics(err, &all) {
		return err.Error()
	}
	var lines []string
	for _, d := range all {
		text := d.Message
		if d.Expected != "" {
			text += " (expected " + d.Expected + ")"
		}
		if d.Hint != "" {
			text += ". " + d.Hint
		}
		lines = append(lines, text)
	}
	return strings.Join(lines, " ")
}

// rehearsed is a plan that was played.
type rehearsed struct {
	conditions conditions
	sc         *scenarios.Scenario
	*rehearsal.Rehearsal
	read   *reader
	Events []event
	more   int // events beyond those that are listed
}

// play plays a plan and what the logger would read of it, which is at most so many readings.
func play(c conditions, sc *scenarios.Scenario, most int64) (*rehearsed, error) {
	read := newReader(&sc.Setup)
	read.most = most
	r, err := rehearsal.RehearseSeen(sc.Name, sc.Summary, &sc.Setup, read.see)
	if err != nil {
		return nil, err
	}
	if r.Log.Readings > most {
		return nil, fmt.Errorf("%d readings: the page plays at most %d; stuntcell rehearse has no such limit", r.Log.Readings, most)
	}
	out := &rehearsed{conditions: c, sc: sc, Rehearsal: r, read: read}
	out.Events, out.more = eventsOf(sc, r)
	return out, nil
}

// event is something that happens at an instant, with its number in picture and table.
type event struct {
	Number int
	At     float64 // [s]
	What   string
}

// mostEvents is how many a picture can number.
const mostEvents = 20

// eventsOf lists what happens in a plan: its steps, the faults of its bench, counters that run out and limits that are crossed.
func eventsOf(sc *scenarios.Scenario, r *rehearsal.Rehearsal) (_ []event, more int) {
	var all []event
	add := func(at float64, format string, args ...any) {
		all = append(all, event{At: at, What: fmt.Sprintf(format, args...)})
	}
	for i, s := range r.Steps {
		if i > 0 {
			add(s.Begin, "step %d begins: %s", s.Number, s.What)
		}
	}
	for _, f := range sc.Setup.Faults {
		if at := float64(f.At) * 1e-9; at <= r.Total.Seconds {
			add(at, "fault of the bench: %s", strings.ReplaceAll(string(f.Kind), "-", " "))
		}
	}
	for _, c := range r.Counters {
		if len(c.At) > 0 && c.At[0] > 0 {
			add(c.At[0], "runs out: %s", c.What)
		}
	}
	for _, c := range r.Limits {
		if c.Since > 0 {
			add(c.Since, "limit crossed: %s, %s", c.Part, c.What)
		}
	}
	slices.SortStableFunc(all, func(a, b event) int { return cmp.Compare(a.At, b.At) })
	if len(all) > mostEvents {
		all, more = all[:mostEvents], len(all)-mostEvents
	}
	for i := range all {
		all[i].Number = i + 1
	}
	return all, more
}

// listedSteps is how many steps the page lists: who repeats a cycle a hundred times has seen it by then. The file has them all.
const listedSteps = 50

// Listed are the steps that the page lists, and Unlisted how many there are beyond.
func (r *rehearsed) Listed() []rehearsal.Step { return r.Steps[:min(len(r.Steps), listedSteps)] }

// Unlisted is how many steps are not listed.
func (r *rehearsed) Unlisted() int { return len(r.Steps) - len(r.Listed()) }

// More says how many events are not listed.
func (r *rehearsed) More() int { return r.more }

// Count is what one shunt count is [A], and Reading the time between two readings [s].
func (r *rehearsed) Reading() float64 { return float64(r.sc.Setup.Rig.Readings.Interval()) * 1e-9 }

// Counted is the charge that the readings add up to [Ah], and Off by what share of the throughput it is off.
func (r *rehearsed) Counted() float64 { return r.read.charge / 3600 }

// Net is the true charge [Ah].
func (r *rehearsed) Net() float64 { return r.Total.In - r.Total.Out }

// Off is what the readings' sum is off by, as a share of the charge that moved.
func (r *rehearsed) Off() float64 {
	moved := r.Total.In + r.Total.Out
	if moved == 0 {
		return 0
	}
	return (r.Counted() - r.Net()) / moved
}

// rehearsals is what the rehearse view shows: one run, or two.
type rehearsals struct {
	first, second *rehearsed         // second is nil if there is one
	outlook       *rehearsal.Outlook // nil: it was not asked for
}

// picture draws truth, what the logger would read, and the truth of the second run, one above the other.
func (r rehearsals) picture() *picture.Picture {
	p := r.first.Picture()
	p.Marks = nil
	p.Marks = marksOf(r.first.Events, r.first.Total.Seconds)
	// The key stands in the uppermost panel only: what is one thing looks the same in all.
	names := [...]string{"truth", "readings, and their sum", "truth of the second run", "its readings' sum"}
	if r.second != nil {
		names[0] = "truth of the first run"
		p.Title = r.first.Scenario + ", " + r.first.Pack.Name + ", and a second run: a simulation"
	}
	add := func(panel, like int, e []picture.Point) {
		c := picture.Curve{Points: e, Like: like}
		if panel == 0 || like == len(names) {
			c.Name = names[like-1]
		}
		p.Panels[panel].Curves = append(p.Panels[panel].Curves, c)
	}
	p.Panels[0].Curves[0].Name = names[0]
	for k, e := range [...]*picture.Envelope{&r.first.read.volts, &r.first.read.amps, &r.first.read.counted} {
		add(k, 2, e.Points(1))
	}
	if r.second == nil {
		return p
	}
	for k, panel := range r.second.Picture().Panels {
		add(k, 3, panel.Curves[0].Points)
	}
	add(chargePanel, 4, r.second.read.counted.Points(1))
	return p
}

// chargePanel is which panel of a rehearsal's picture shows the charge.
const chargePanel = 2

// heaviest is how many points a picture in a page may have, some 14 bytes each.
const heaviest = 10_000

// marksOf makes marks of events. The numbers of those that stand so near to each other that they would be written into each other stand
// together at the first.
func marksOf(events []event, seconds float64) []picture.Mark {
	var out []picture.Mark
	named := -1 // the last mark with a name
	for _, e := range events {
		number := strconv.Itoa(e.Number)
		if named >= 0 && e.At-out[named].X < 0.025*seconds {
			out[named].Name += "," + number
			if last := out[len(out)-1]; e.At > last.X {
				out = append(out, picture.Mark{X: e.At})
			}
			continue
		}
		named = len(out)
		out = append(out, picture.Mark{X: e.At, Name: number})
	}
	return out
}

// rehearsalsOf plays what a state asks for, or finds it among what was played last. A plan that takes too long is given up; what plays it ends by itself, since the
// number of its spans is bounded.
func (s *Server) rehearsalsOf(r *http.Request, state rehearseState, w mistakes) (rehearsals, error) {
	if len(w) > 0 {
		return rehearsals{}, nil
	}
	free, err := s.slot(r.Context())
	if err != nil {
		return rehearsals{}, err
	}
	type result struct {
		rehearsals
		mistakes
	}
	done := make(chan result, 1)
	s.wg.Go(func() {
		defer free()
		out := result{mistakes: mistakes{}}
		if err := s.contained("rehearse "+state.Run.Plan, func() error {
			out.rehearsals = s.playBoth(state, out.mistakes)
			return nil
		}); err != nil {
			out.add("", "%v", err)
		}
		done <- out
	})
	late := time.NewTimer(s.Limits.PlayTime)
	defer late.Stop()
	select {
	case out := <-done:
		maps.Copy(w, out.mistakes)
		return out.rehearsals, nil
	case <-r.Context().Done():
		return rehearsals{}, r.Context().Err()
	case <-late.C:
		return rehearsals{}, problem{status: http.StatusServiceUnavailable, Title: "This takes too long",
			Text: fmt.Sprintf("The plan was not played within %v, which is as long as the page waits for one.", s.Limits.PlayTime), Hint: "stuntcell rehearse has no such limit.",
			Back: "/rehearse", BackText: "Back to the first plan"}
	}
}

// playBoth plays the one or two runs of a state.
func (s *Server) playBoth(state rehearseState, w mistakes) rehearsals {
	one := func(c conditions, prefix string) *rehearsed {
		if len(w) > 0 {
			return nil
		}
		if known := s.played.get(c); known != nil {
			return known
		}
		sc := s.scenario(c, prefix, w)
		if sc == nil {
			return nil
		}
		done, err := play(c, sc, s.Limits.Readings)
		if err != nil {
			w.add(prefix+"plan", "%v", err)
			return nil
		}
		s.played.put(done)
		return done
	}
	out := rehearsals{first: one(state.Run, "")}
	if c, ok := state.second(); ok {
		out.second = one(c, besidePrefix)
	}
	if state.Outlook != "" && len(w) == 0 {
		var err error
		if out.outlook, err = rehearsal.Look(&out.first.sc.Setup); err != nil {
			w.add("outlook", "%v", err)
		}
	}
	return out
}

// rehearseView is what the rehearse view shows.
type rehearseView struct {
	State             rehearseState
	Plans             []scenarios.Description
	Packs             []choice
	Rigs              []choice
	Wrong             mistakes
	First, Second     *rehearsed // nil: nothing could be run
	Figure            figure
	Outlook           *rehearsal.Outlook // nil: it was not asked for
	Query             string             // for the files
	Command, Command2 string
	Fields            []conditionFields
}

// PlanChoices are the plans as a list to choose from.
func (v rehearseView) PlanChoices() []choice {
	out := make([]choice, len(v.Plans))
	for i, d := range v.Plans {
		out[i] = choice{d.Name, d.Summary}
	}
	return out
}

// conditionFields are the fields of one run in the form.
type conditionFields struct {
	Prefix, Legend string
	conditions
	Second bool
	Open   bool
}

func (s *Server) rehearse(w http.ResponseWriter, r *http.Request) error {
	q := readQuery(r.URL.RawQuery)
	state := readRehearse(q)
	wrong := q.done()
	runs, err := s.rehearsalsOf(r, state, wrong)
	if err != nil {
		return err
	}
	second, beside := state.second()
	d := rehearseView{State: state, Plans: s.board.scenarios, Packs: s.board.packs, Rigs: s.board.rigs, Wrong: wrong,
		Fields: []conditionFields{{Legend: "What is run", conditions: state.Run}, {Prefix: besidePrefix, Legend: "Beside it", conditions: state.Beside, Second: true, Open: beside}}}
	if len(wrong) == 0 {
		d.First, d.Second = runs.first, runs.second
		d.Outlook = runs.outlook
		files := state
		files.Outlook = "" // they do not show it
		d.Query = files.values().Encode()
		d.Command = state.Run.command(false)
		if beside {
			d.Command2 = second.command(false)
		}
		d.Figure = figure{Path: "/rehearse/picture.svg", Query: d.Query, Alt: runs.alt(),
			Height: int(runs.picture().Height())}
	}
	s.show(w, statusOf(wrong), "rehearse", view{Title: "Rehearse a plan", Here: "/rehearse", Data: d})
	return nil
}

// alt says in words what the picture shows.
func (r rehearsals) alt() string {
	one := func(p *rehearsed) string {
		t := p.Total
		return fmt.Sprintf("%s on %s for %s: %.4g Ah out and %.4g Ah in, from %.4g V to %.4g V, at most %.4g A.",
			p.Scenario, p.Pack.Name, rehearsal.Span(t.Seconds), t.Out, t.In, t.MinV, t.MaxV, t.MaxI)
	}
	text := "Curves over time of voltage, current, charge and cell temperature: the truth, and what the logger would read. " + one(r.first)
	if r.second != nil {
		text += " Second run: " + one(r.second)
	}
	return text + " The figures are in the tables."
}

// rehearseFile sends what the rehearse view shows as a file.
func (s *Server) rehearseFile(w http.ResponseWriter, r *http.Request) error {
	name := r.PathValue("file")
	raw, look := readLook(r.URL.RawQuery)
	q := readQuery(raw)
	state := readRehearse(q)
	wrong := q.done()
	runs, err := s.rehearsalsOf(r, state, wrong)
	if err != nil {
		return err
	}
	if len(wrong) > 0 {
		return problem{status: http.StatusBadRequest, Title: "This cannot be run", Text: wrong.First(), Back: address("/rehearse", state.values()), BackText: "Back to the form"}
	}
	one := runs.first
	file := one.Scenario
	switch name {
	case "picture.svg":
		p := runs.picture()
		p.Lighten(heaviest)
		return sendPicture(w, p, look)
	case "curves.svg":
		return download(w, file+".svg", func(b *bytes.Buffer) error { return runs.picture().SVG(b) })
	case "curves.csv":
		return download(w, file+"-curves.csv", func(b *bytes.Buffer) error { return writeCurves(b, one) })
	case "curves-second.csv":
		if runs.second == nil {
			return noFile()
		}
		return download(w, runs.second.Scenario+"-second-curves.csv", func(b *bytes.Buffer) error { return writeCurves(b, runs.second) })
	case "steps.csv":
		return download(w, file+"-steps.csv", func(b *bytes.Buffer) error { return one.CSV(b) })
	case "sheet.html":
		return download(w, file+"-sheet.html", func(b *bytes.Buffer) error { return one.Sheet(b) })
	case "scenario.yaml":
		return download(w, file+".yaml", func(b *bytes.Buffer) error {
			if c := state.Run; c != (conditions{Plan: c.Plan}) {
				c.Plan = file + ".yaml"
				fmt.Fprintf(b, "# As it was shown: %s\n", c.command(false))
			}
			b.Write(one.sc.Source)
			return nil
		})
	}
	return noFile()
}

// curveRows is how many instants a file of curves has.
const curveRows = 2000

// writeCurves writes truth and readings at equal steps of time.
func writeCurves(b *bytes.Buffer, r *rehearsed) error {
	read := newReader(&r.sc.Setup)
	t := tabulator{end: int64(math.Round(r.Total.Seconds * 1e9)), reader: read}
	if _, err := rehearsal.Play(&r.sc.Setup, rehearsal.Options{Visit: t.see}); err != nil {
		return err
	}
	c := csv.NewWriter(b)
	if err := c.Write([]string{"t_s", "voltage_V", "current_A", "charge_Ah", "cells_degC", "reads_V", "reads_A", "counts_Ah"}); err != nil {
		return err
	}
	return c.WriteAll(t.rows)
}
