// Package page is the local page: rehearse, prove, logs, budget and lessons in a browser on one's own machine.
//
// Everything is rendered on the server by html/template and can be read and used without script; the script adds what it can
// (figures that follow the inputs, live progress, files that are dropped). Nothing is loaded from elsewhere: the
// Content-Security-Policy admits the page's own files only, and neither scripts nor styles inside of it.
//
// What is shown is in the address, so that a link opens the same view: each view has a state that reads itself from a query and
// writes itself to one (query.go). What cannot be in an address, a run and an uploaded log, is kept in memory under a name that
// nobody can guess, a few of each, and is gone after a restart; the page says so.
//
// The server is for one person on one machine. It answers a request only under a name of this machine (a page elsewhere could
// otherwise point a name of its own at it), and one that changes something only if it comes from its own pages ([guard]).
// Connections, bodies, runs, and what a run may cost are bounded.
package page

import (
	"context"
	"embed"
	"errors"
	"fmt"
	"html/template"
	"io"
	"log"
	"net"
	"net/http"
	"runtime"
	"runtime/debug"
	"sync"
	"time"

	"stuntcell/emulator/rig"
	"stuntcell/model"
	"stuntcell/scenarios"
	"stuntcell/scenarios/lesson"
	"stuntcell/validate/verdict"
)

//go:embed templates/*.html
var templates embed.FS

//go:embed static/*
var static embed.FS

// Options are what the page is given by the command that starts it. Bench is required.
type Options struct {
	Tool string // version
	// Host is the name under which the page is opened beside those of the loopback; empty: none.
	Host string
	// Open admits addresses that are not the loopback's.
	Open  bool
	Bench Bench
	// Notes is where what goes wrong in the server itself is written; nil: nowhere.
	Notes io.Writer
	// Limits bound what one visitor can ask for. A zero field is its default.
	Limits Limits
}

// Bench is what the page plays on: what is on board, and what the project file in the caller's directory adds.
type Bench interface {
	// Env is what scenarios lean on.
	Env() scenarios.Env
	// Suite names further scenarios: the files of the project.
	Suite() []string
	// Scenario reads one: a name on board or a file of the suite. What env has set replaces what the project says.
	Scenario(name string, env scenarios.Env) (*scenarios.Scenario, error)
	Pack(name string) (*model.Pack, error)
	Rig(name string) (rig.Rig, error)
	// Own names the project's own logger; empty: it has none.
	Own() string
	// Prove runs a logger, a built-in one or Own, through a scenario and judges what it logs.
	Prove(ctx context.Context, logger string, sc *scenarios.Scenario) (*verdict.Verdict, error)
	// Learned says which lessons on board were done, and whether the last prediction held. Predicted keeps one, and Progress writes them all
	// as CSV.
	Learned() (map[string]bool, error)
	Predicted(l *lesson.Lesson, a lesson.Answer, o *lesson.Outcome) error
	Progress(w io.Writer) error
}

// Limits bound what the server does.
type Limits struct {
	Connections int           // at once; more wait; 0: 600
	Log         int64         // bytes of an uploaded log with the form around it; 0: 64 MiB, some 1.5 million rows
	Form        int64         // bytes of any other body; 0: 64 KiB
	Runs        int           // that are not finished at once; 0: 4
	Kept        int           // finished runs, and audited logs, that are kept; 0: 16
	RunTime     time.Duration // of a run; 0: 10 min
	Readings    int64         // of one scenario of a run, and of one rehearsal; 0: 5,000,000, some 400 MB
	PlayTime    time.Duration // of a rehearsal; 0: 20 s
	Wait        time.Duration // for a free processor; 0: 20 s
	Linger      time.Duration // that a run goes on without anybody looking; 0: 15 s
}

func (l *Limits) fill() {
	or := func(x *int, def int) {
		if *x == 0 {
			*x = def
		}
	}
	or64 := func(x *int64, def int64) {
		if *x == 0 {
			*x = def
		}
	}
	span := func(x *time.Duration, def time.Duration) {
		if *x == 0 {
			*x = def
		}
	}
	or(&l.Connections, 600)
	or64(&l.Log, 64<<20)
	or64(&l.Form, 64<<10)
	or(&l.Runs, 4)
	or(&l.Kept, 16)
	span(&l.RunTime, 10*time.Minute)
	or64(&l.Readings, 5_000_000)
	span(&l.PlayTime, 20*time.Second)
	span(&l.Wait, 20*time.Second)
	span(&l.Linger, 15*time.Second)
}

// Server is the page. Make it with New.
type Server struct {
	Options
	views   map[string]*template.Template
	board   *board
	runs    *shelf[*run]
	logs    *shelf[*auditedLog]
	played  cache
	lessons outcomes
	slots   chan struct{} // processors
	// starting lets one run at a time begin, so that the bound on them holds.
	starting sync.Mutex
	handler  http.Handler
	// ctx ends everything that was started, wg waits for it.
	ctx context.Context
	end context.CancelFunc
	wg  sync.WaitGroup
}

// New makes the page. Close it after use.
func New(o Options) (*Server, error) {
	if o.Bench == nil {
		return nil, errors.New("page: no bench")
	}
	if o.Notes == nil {
		o.Notes = io.Discard
	}
	o.Limits.fill()
	views, err := parseViews()
	if err != nil {
		return nil, err
	}
	s := &Server{Options: o, views: views, runs: newShelf[*run](o.Limits.Kept), logs: newShelf[*auditedLog](o.Limits.Kept),
		slots: make(chan struct{}, runtime.GOMAXPROCS(0))}
	if s.board, err = newBoard(o.Bench); err != nil {
		return nil, err
	}
	s.ctx, s.end = context.WithCancel(context.Background())
	s.handler = guard{host: o.Host, open: o.Open}.protect(s.routes())
	return s, nil
}

// Handler is the page with all that protects it.
func (s *Server) Handler() http.Handler { return s.handler }

// Close ends all runs and waits for them.
func (s *Server) Close() {
	s.end()
	s.wg.Wait()
}

// Serve answers on a listener until ctx ends; then runs are ended, what is being answered is given three seconds, and nothing is
// left behind.
func (s *Server) Serve(ctx context.Context, l net.Listener) error {
	web := &http.Server{
		Handler:           s.handler,
		ReadHeaderTimeout: 5 * time.Second,
		ReadTimeout:       2 * time.Minute,
		WriteTimeout:      2 * time.Minute,
		IdleTimeout:       20 * time.Second,
		MaxHeaderBytes:    64 << 10,
		ErrorLog:          log.New(s.Notes, "page: ", 0),
	}
	served := make(chan error, 1)
	go func() { served <- web.Serve(newLimited(l, s.Limits.Connections)) }()
	select {
	case err := <-served:
		s.Close()
		return err
	case <-ctx.Done():
	}
	s.end()
	last, cancel := context.WithTimeout(context.WithoutCancel(ctx), 3*time.Second)
	defer cancel()
	if web.Shutdown(last) != nil {
		web.Close()
	}
	<-served
	s.Close()
	return nil
}

// routes are the addresses of the page.
func (s *Server) routes() http.Handler {
	m := http.NewServeMux()
	get := func(path string, h func(http.ResponseWriter, *http.Request) error) {
		m.Handle("GET "+path, s.answer(h))
	}
	post := func(path string, limit int64, h func(http.ResponseWriter, *http.Request) error) {
		m.Handle("POST "+path, s.answer(func(w http.ResponseWriter, r *http.Request) error {
			if r.ContentLength > limit {
				return tooLarge(limit)
			}
			r.Body = http.MaxBytesReader(w, r.Body, limit)
			return h(w, r)
		}))
	}
	get("/{$}", s.start)
	get("/rehearse", s.rehearse)
	get("/rehearse/{file}", s.rehearseFile)
	get("/prove", s.prove)
	post("/prove/run", s.Limits.Form, s.proveStart)
	get("/prove/run/{id}", s.proveRun)
	get("/prove/run/{id}/events", s.proveEvents)
	post("/prove/run/{id}/stop", s.Limits.Form, s.proveStop)
	get("/prove/run/{id}/verdict/{scenario}", s.proveVerdict)
	get("/prove/run/{id}/verdict/{scenario}/{file}", s.proveCourse)
	get("/prove/run/{id}/file/{file}", s.proveFile)
	get("/logs", s.logsForm)
	post("/logs", s.Limits.Log, s.logsTake)
	get("/logs/{id}", s.logsShow)
	get("/logs/{id}/{file}", s.logsFile)
	get("/budget", s.budget)
	get("/budget/{file}", s.budgetFile)
	get("/lessons", s.lessonList)
	get("/lessons/progress.csv", s.lessonProgress)
	get("/lessons/{name}", s.lesson)
	post("/lessons/{name}", s.Limits.Form, s.lessonAnswer)
	get("/lessons/{name}/{file}", s.lessonFile)
	m.Handle("GET /static/", staticFiles())
	m.Handle("/", s.answer(func(_ http.ResponseWriter, r *http.Request) error {
		return problem{status: http.StatusNotFound, Title: "Nothing here", Text: "There is no page of this address."}
	}))
	return m
}

// problem is an answer that is not what was asked for, and why.
type problem struct {
	status int
	Title  string
	Text   string
	Hint   string
	// Back is where to go on, and what the link says; empty: to the start.
	Back, BackText string
}

func (p problem) Error() string { return p.Title + ": " + p.Text }

func tooLarge(limit int64) problem {
	return problem{status: http.StatusRequestEntityTooLarge, Title: "Too large",
		Text: fmt.Sprintf("At most %d MB can be given to the page.", max(limit>>20, 1)), Hint: "stuntcell audit reads a log of any size."}
}

// answer turns what a handler returns into an answer: a problem, or what went wrong of ours.
func (s *Server) answer(h func(http.ResponseWriter, *http.Request) error) http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		err := h(w, r)
		if err == nil || r.Context().Err() != nil {
			return // nobody is left to tell
		}
		var large *http.MaxBytesError
		var p problem
		switch {
		case errors.As(err, &large):
			p = tooLarge(large.Limit)
		case !errors.As(err, &p):
			fmt.Fprintf(s.Notes, "page: %s %s: %v\n", r.Method, r.URL.Path, err)
			p = problem{status: http.StatusInternalServerError, Title: "This went wrong", Text: err.Error()}
		}
		if p.Back == "" {
			p.Back, p.BackText = "/", "Back to the start"
		}
		s.show(w, p.status, "problem", view{Title: p.Title, Data: p})
	})
}

// slot waits for a free processor. The function that it returns gives it back.
func (s *Server) slot(ctx context.Context) (func(), error) {
	t := time.NewTimer(s.Limits.Wait)
	defer t.Stop()
	select {
	case s.slots <- struct{}{}:
		return func() { <-s.slots }, nil
	case <-ctx.Done():
		return nil, ctx.Err()
	case <-t.C:
		return nil, problem{status: http.StatusServiceUnavailable, Title: "Busy",
			Text: "All processors work for other runs.", Hint: "Stop one of them, or try again."}
	}
}

// contained does something apart from a request, where a panic would end the server with all that it keeps: it becomes an error, and is noted.
func (s *Server) contained(what string, do func() error) (err error) {
	defer func() {
		if p := recover(); p != nil {
			fmt.Fprintf(s.Notes, "page: %s: %v\n%s\n", what, p, debug.Stack())
			err = fmt.Errorf("a fault of stuntcell's own: %v", p)
		}
	}()
	return do()
}
