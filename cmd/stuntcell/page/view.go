package page

import (
	"bytes"
	"errors"
	"fmt"
	"html/template"
	"io/fs"
	"maps"
	"net/http"
	"net/url"
	"path"
	"slices"
	"strconv"
	"strings"

	"stuntcell/model"
	"stuntcell/model/quantity"
	"stuntcell/scenarios/picture"
	"stuntcell/scenarios/rehearsal"
)

// view is what every page has.
type view struct {
	Title string
	Here  string // path of the view in the navigation
	// Refresh asks a browser without script to come again in two seconds.
	Refresh bool
	Data    any

	Tool     string
	Views    []place
	Deferral string
}

// place is an entry of the navigation.
type place struct{ Path, Name, About string }

// places are the views in the order of the navigation.
func places() []place {
	return []place{
		{"/rehearse", "Rehearse", "Run a test plan on a simulated pack before the real one: how long, how much, how warm, what trips, what it would take to stop it."},
		{"/prove", "Prove", "Let a logger count simulated batteries whose truth is known, and see what it gets wrong and why."},
		{"/logs", "Logs", "Give a log of your own and see what it says of itself: totals added up anew, gaps, resets, clocks, the capacity that it holds."},
		{"/budget", "Budget", "How far a capacity figure from your rig can be trusted, and which part to improve first."},
		{"/lessons", "Lessons", "Predict, run, see and be told why: how a capacity figure goes wrong."},
	}
}

// parseViews parses the templates, one set for each page.
func parseViews() (map[string]*template.Template, error) {
	base, err := template.New("base.html").Funcs(functions()).ParseFS(templates, "templates/base.html", "templates/parts.html")
	if err != nil {
		return nil, err
	}
	files, err := fs.Glob(templates, "templates/*.html")
	if err != nil {
		return nil, err
	}
	out := map[string]*template.Template{}
	for _, file := range files {
		name := strings.TrimSuffix(path.Base(file), ".html")
		if name == "base" || name == "parts" {
			continue
		}
		t, err := base.Clone()
		if err != nil {
			return nil, err
		}
		if out[name], err = t.ParseFS(templates, file); err != nil {
			return nil, err
		}
	}
	return out, nil
}

// functions are what templates may call.
func functions() template.FuncMap {
	return template.FuncMap{
		"span":   rehearsal.Span,
		"amount": rehearsal.Amount,
		"size":   rehearsal.Size,
		"per":    func(x float64) float64 { return 100 * x },
		"inc":    func(i int) int { return i + 1 },
		"signed": func(digits int, x float64) string {
			s := strconv.FormatFloat(x, 'f', digits, 64)
			if strings.Trim(s, "-0.") == "" {
				return "0"
			}
			if x > 0 {
				s = "+" + s
			}
			return s
		},
		"sub":   func(a, b float64) float64 { return a - b },
		"hours": func(x float64) float64 { return x / 3600 },
		"milli": func(x float64) float64 { return 1000 * x },
		"field": func(name, label, value, hint string, w mistakes) field {
			return field{name, label, value, hint, w[name], nil}
		},
		"pick": func(name, label, value, hint string, choices []choice, w mistakes) field {
			return field{name, label, value, hint, w[name], choices}
		},
	}
}

// field is an input of a form.
type field struct {
	Name, Label, Value, Hint, Wrong string
	Choices                         []choice
}

// show writes a page whole.
func (s *Server) show(w http.ResponseWriter, status int, name string, v view) {
	v.Tool, v.Views, v.Deferral = s.Tool, places(), model.Deference()
	var b bytes.Buffer
	if err := s.views[name].Execute(&b, v); err != nil {
		fmt.Fprintf(s.Notes, "page: %s: %v\n", name, err)
		http.Error(w, "stuntcell page: "+err.Error(), http.StatusInternalServerError)
		return
	}
	h := w.Header()
	h.Set("Content-Type", "text/html; charset=utf-8")
	h.Set("Cache-Control", "no-store")
	w.WriteHeader(status)
	b.WriteTo(w)
}

// statusOf is 400 where something is wrong with a form.
func statusOf(w mistakes) int {
	if len(w) > 0 {
		return http.StatusBadRequest
	}
	return http.StatusOK
}

// First is one thing that is wrong: what belongs to no field, or that of the first field by name.
func (w mistakes) First() string {
	for _, field := range slices.Sorted(maps.Keys(w)) {
		return w[field]
	}
	return ""
}

// badForm is the answer to a body that is no form.
func badForm(err error) error {
	var large *http.MaxBytesError
	if errors.As(err, &large) {
		return err
	}
	return problem{status: http.StatusBadRequest, Title: "This is no form", Text: err.Error()}
}

func firstLine(err error) string {
	line, _, _ := strings.Cut(err.Error(), "\n")
	return line
}

func asDiagnostics(err error, to *quantity.Diagnostics) bool { return errors.As(err, to) }

// figure is a picture in a page: drawn wide or narrow, for light or dark, as the browser asks for it.
type figure struct {
	Path, Query string // without how it is to look
	Alt         string
	Height      int // of the wide one, beside a width of pictureWidth
}

// Width is that of the wide picture.
func (figure) Width() int { return picture.DefaultWidth }

// Src is the address of the picture in a look.
func (f figure) Src(look string) string {
	v := url.Values{}
	set(v, "look", look)
	if f.Query == "" {
		return address(f.Path, v)
	}
	if look == "" {
		return f.Path + "?" + f.Query
	}
	return f.Path + "?" + f.Query + "&" + v.Encode()
}

// look is how a picture is to be drawn.
type look struct{ dark, narrow bool }

// readLook takes how a picture is to look out of a query and returns the rest.
func readLook(raw string) (string, look) {
	if len(raw) > longestQuery {
		return raw, look{}
	}
	v, err := url.ParseQuery(raw)
	if err != nil || !v.Has("look") {
		return raw, look{}
	}
	words := strings.Split(v.Get("look"), "-")
	v.Del("look")
	return v.Encode(), look{dark: slices.Contains(words, "dark"), narrow: slices.Contains(words, "narrow")}
}

// narrowWidth is the width of a picture on a telephone, in points.
const narrowWidth = 340

// sendPicture sends a picture to stand in a page.
func sendPicture(w http.ResponseWriter, drawn *picture.Picture, l look) error {
	p := *drawn // it may be kept, and be asked for in another look at the same time
	p.Dark = l.dark
	if l.narrow {
		p.Width = narrowWidth
	}
	var b bytes.Buffer
	if err := p.SVG(&b); err != nil {
		return err
	}
	h := w.Header()
	h.Set("Content-Type", "image/svg+xml")
	h.Set("Cache-Control", "no-store")
	_, err := b.WriteTo(w)
	return err
}
