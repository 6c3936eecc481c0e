package page

import (
	"bytes"
	"encoding/csv"
	"fmt"
	"net/http"
	"net/url"
	"strconv"
	"sync"

	"stuntcell/model"
	"stuntcell/scenarios"
	"stuntcell/scenarios/lesson"
)

// lessonState is what the address of a lesson holds.
type lessonState struct {
	// Answer is the prediction as it was given; empty: none yet, and nothing is shown.
	Answer string
	// Try says that the variation is shown instead.
	Try string // on, or empty
}

func readLesson(q *query) lessonState {
	return lessonState{Answer: q.text("answer", ""), Try: q.word("try", "", "on")}
}

func (l lessonState) values() url.Values {
	v := url.Values{}
	set(v, "answer", l.Answer)
	set(v, "try", l.Try)
	return v
}

// outcomes keeps what the lessons gave. A lesson on board gives the same each time.
type outcomes struct {
	mu   sync.Mutex
	kept map[string]*lesson.Outcome // by name, the variation's with a plus behind it
}

// outcome runs a lesson, or its variation, or finds what it gave.
func (s *Server) outcome(r *http.Request, l *lesson.Lesson, try bool) (*lesson.Outcome, error) {
	key, run := l.Name, l.Run
	if try {
		key, run = l.Name+"+", l.RunVariation
	}
	s.lessons.mu.Lock()
	out := s.lessons.kept[key]
	s.lessons.mu.Unlock()
	if out != nil {
		return out, nil
	}
	free, err := s.slot(r.Context())
	if err != nil {
		return nil, err
	}
	defer free()
	if out, err = run(r.Context()); err != nil {
		return nil, err
	}
	s.lessons.mu.Lock()
	defer s.lessons.mu.Unlock()
	if s.lessons.kept == nil {
		s.lessons.kept = map[string]*lesson.Outcome{}
	}
	s.lessons.kept[key] = out
	return out, nil
}

// findLesson finds the lesson of a request.
func findLesson(r *http.Request) (*lesson.Lesson, error) {
	l, err := scenarios.Lesson(r.PathValue("name"))
	if err != nil {
		return nil, problem{status: http.StatusNotFound, Title: "No such lesson", Text: err.Error(), Back: "/lessons", BackText: "All lessons"}
	}
	return l, nil
}

// lessonLine is a lesson in the list.
type lessonLine struct{ Name, Title, Mark string }

// lessonsView is the list of lessons.
type lessonsView struct {
	Lessons     []lessonLine
	Done, Right int
	Kept        bool   // progress is kept
	Trouble     string // why it cannot be
}

func (s *Server) lessonList(w http.ResponseWriter, r *http.Request) error {
	q := readQuery(r.URL.RawQuery)
	if wrong := q.done(); len(wrong) > 0 {
		return problem{status: http.StatusBadRequest, Title: "This cannot be shown", Text: wrong.First()}
	}
	d := lessonsView{Kept: s.keepsProgress()}
	var marks map[string]bool
	if d.Kept {
		var err error
		if marks, err = s.Bench.Learned(); err != nil {
			d.Trouble = err.Error()
		}
	}
	for _, name := range lesson.Names() {
		line := lessonLine{Name: name, Title: lesson.TitleOf(name)}
		if right, done := marks[name]; done {
			d.Done++
			if line.Mark = "done"; right {
				line.Mark = "as predicted"
				d.Right++
			}
		}
		d.Lessons = append(d.Lessons, line)
	}
	s.show(w, http.StatusOK, "lessons", view{Title: "Lessons", Here: "/lessons", Data: d})
	return nil
}

// keepsProgress says whether predictions are kept: on a page that others can open they would be mixed up.
func (s *Server) keepsProgress() bool { return !s.Open }

// lessonView is what the page of a lesson shows.
type lessonView struct {
	*lesson.Lesson
	State lessonState
	Wrong mistakes
	// Outcome is nil before there is a prediction.
	Outcome  *lesson.Outcome
	Answer   lesson.Answer
	Right    bool // the prediction held
	Figure   figure
	Query    string
	Command  string
	Next     string // the lesson after this; empty: it is the last
	Deferral string
	Notice   string
}

func (s *Server) lesson(w http.ResponseWriter, r *http.Request) error {
	l, err := findLesson(r)
	if err != nil {
		return err
	}
	q := readQuery(r.URL.RawQuery)
	state := readLesson(q)
	wrong := q.done()
	d := lessonView{Lesson: l, State: state, Wrong: wrong, Deferral: model.Deference(), Notice: lesson.Notice, Command: commandLine("stuntcell", "learn", l.Name)}
	if state.Try != "" && !l.Varies() {
		wrong.add("try", "this lesson has no variation")
	}
	if state.Answer != "" && len(wrong) == 0 {
		if d.Answer, err = l.Predict.Read(state.Answer); err != nil {
			wrong.add("answer", "%v", err)
		}
	}
	if len(wrong) == 0 && (state.Answer != "" || state.Try != "") {
		if d.Outcome, err = s.outcome(r, l, state.Try != ""); err != nil {
			return err
		}
		d.Query = state.values().Encode()
		d.Right = state.Answer != "" && d.Outcome.Holds(d.Answer)
		d.Figure = figure{Path: "/lessons/" + l.Name + "/picture.svg", Query: d.Query, Alt: altOf(d.Outcome), Height: int(d.Outcome.Picture.Height())}
		d.Command = commandLine("stuntcell", "learn", l.Name, "--answer", state.Answer)
		if state.Try != "" {
			d.Command = commandLine("stuntcell", "learn", l.Name, "--try")
		}
	}
	for i, name := range lesson.Names() {
		if name == l.Name && i+1 < len(lesson.Names()) {
			d.Next = lesson.Names()[i+1]
		}
	}
	s.show(w, statusOf(wrong), "lesson", view{Title: l.Title, Here: "/lessons", Data: d})
	return nil
}

// altOf says in words what the picture of a lesson shows.
func altOf(o *lesson.Outcome) string {
	text := "Curves of what was simulated. The figures: "
	for i, f := range o.Shown() {
		if i > 0 {
			text += ", "
		}
		text += f.Label + " " + f.String()
	}
	return text + "."
}

// lessonAnswer takes a prediction, keeps it, and goes to what it is held against.
func (s *Server) lessonAnswer(w http.ResponseWriter, r *http.Request) error {
	l, err := findLesson(r)
	if err != nil {
		return err
	}
	if err := r.ParseForm(); err != nil {
		return badForm(err)
	}
	q := readQuery(r.PostForm.Encode())
	state := readLesson(q)
	wrong := q.done()
	if state.Answer == "" {
		wrong.add("answer", "a prediction is missing")
	}
	if a, err := l.Predict.Read(state.Answer); len(wrong) > 0 || err != nil {
		if err != nil {
			wrong.add("answer", "%v", err)
		}
		s.show(w, http.StatusBadRequest, "lesson", view{Title: l.Title, Here: "/lessons", Data: lessonView{Lesson: l, State: state, Wrong: wrong, Deferral: model.Deference(),
			Notice: lesson.Notice, Command: commandLine("stuntcell", "learn", l.Name)}})
		return nil
	} else if s.keepsProgress() {
		out, err := s.outcome(r, l, false)
		if err != nil {
			return err
		}
		if err := s.Bench.Predicted(l, a, out); err != nil {
			fmt.Fprintf(s.Notes, "page: progress is not kept: %v\n", err)
		}
	}
	http.Redirect(w, r, address("/lessons/"+l.Name, state.values()), http.StatusSeeOther)
	return nil
}

// lessonFile sends what a lesson shows as a file.
func (s *Server) lessonFile(w http.ResponseWriter, r *http.Request) error {
	l, err := findLesson(r)
	if err != nil {
		return err
	}
	raw, look := readLook(r.URL.RawQuery)
	q := readQuery(raw)
	state := readLesson(q)
	wrong := q.done()
	if len(wrong) > 0 || state.Try != "" && !l.Varies() {
		return problem{status: http.StatusBadRequest, Title: "This cannot be shown", Text: wrong.First()}
	}
	switch r.PathValue("file") {
	case "sheet.html":
		return download(w, l.Name+"-sheet.html", func(b *bytes.Buffer) error { return l.Sheet(r.Context(), b) })
	case "lesson.yaml":
		return download(w, l.Name+".yaml", func(b *bytes.Buffer) error {
			b.Write(l.Source)
			return nil
		})
	case "picture.svg", "curves.svg", "figures.csv":
	default:
		return noFile()
	}
	out, err := s.outcome(r, l, state.Try != "")
	if err != nil {
		return err
	}
	switch r.PathValue("file") {
	case "picture.svg":
		return sendPicture(w, out.Picture, look)
	case "curves.svg":
		return download(w, l.Name+".svg", func(b *bytes.Buffer) error { return out.Picture.SVG(b) })
	}
	return download(w, l.Name+".csv", func(b *bytes.Buffer) error { return writeFigures(b, out) })
}

// writeFigures writes the figures of a lesson as CSV.
func writeFigures(b *bytes.Buffer, o *lesson.Outcome) error {
	c := csv.NewWriter(b)
	rows := [][]string{{"figure", "value", "unit"}}
	for _, f := range o.Shown() {
		rows = append(rows, []string{f.Label, strconv.FormatFloat(f.Number(), 'f', f.Digits, 64), f.Unit})
	}
	return c.WriteAll(rows)
}

// lessonProgress sends the progress as a table for a teacher.
func (s *Server) lessonProgress(w http.ResponseWriter, _ *http.Request) error {
	if !s.keepsProgress() {
		return noFile()
	}
	return download(w, "progress.csv", func(b *bytes.Buffer) error { return s.Bench.Progress(b) })
}
