package main

import (
	"bytes"
	"encoding/csv"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"time"

	"stuntcell/scenarios/lesson"
)

// progress is what a learner has predicted so far, kept in one file on this machine.
type progress struct {
	Schema  string             `json:"schema"`
	Lessons map[string]attempt `json:"lessons"` // by name; lessons of one's own as own/NAME
	path    string
}

// attempt is what is kept of one lesson.
type attempt struct {
	Title string `json:"title"`
	// First is the first prediction and FirstRight whether it held: what a teacher wants to see. Predicted and Right are the last.
	First      string    `json:"first"`
	FirstRight bool      `json:"first_right"`
	Predicted  string    `json:"predicted"`
	Right      bool      `json:"right"`
	Simulated  string    `json:"simulated"`
	Times      int       `json:"times"`
	Begun      time.Time `json:"begun"`
	Last       time.Time `json:"last"`
}

const (
	progressSchema = "stuntcell.progress/1"
	maxProgress    = 1 << 20 // largest file [bytes]
)

// loadProgress reads the progress of the user. With an error it is empty.
func loadProgress() (*progress, error) {
	empty := &progress{Schema: progressSchema, Lessons: map[string]attempt{}}
	dir, err := os.UserConfigDir()
	if err != nil {
		return empty, err
	}
	empty.path = filepath.Join(dir, "stuntcell", "lessons.json")
	f, err := os.Open(empty.path)
	if errors.Is(err, fs.ErrNotExist) {
		return empty, nil
	}
	if err != nil {
		return empty, err
	}
	defer f.Close()
	data, err := io.ReadAll(io.LimitReader(f, maxProgress+1))
	if err != nil {
		return empty, err
	}
	p, err := parseProgress(data)
	if err != nil {
		return empty, fmt.Errorf("%s: %w; move it away to begin anew", empty.path, err)
	}
	p.path = empty.path
	return p, nil
}

// parseProgress reads a progress file.
func parseProgress(data []byte) (*progress, error) {
	if len(data) > maxProgress {
		return nil, fmt.Errorf("longer than %d bytes", maxProgress)
	}
	p := &progress{}
	d := json.NewDecoder(bytes.NewReader(data))
	d.DisallowUnknownFields()
	if err := d.Decode(p); err != nil {
		return nil, err
	}
	if p.Schema != progressSchema {
		return nil, fmt.Errorf("schema is %q, %s was expected", p.Schema, progressSchema)
	}
	if p.Lessons == nil {
		p.Lessons = map[string]attempt{}
	}
	return p, nil
}

// record adds a prediction to the user's progress.
func record(l *lesson.Lesson, own bool, a lesson.Answer, out *lesson.Outcome) error {
	p, err := loadProgress()
	if err != nil {
		return err
	}
	name := l.Name
	if own {
		name = "own/" + name
	}
	p.add(name, l.Title, a, out, time.Now().UTC().Truncate(time.Second))
	if err := os.MkdirAll(filepath.Dir(p.path), 0o700); err != nil {
		return err
	}
	return writeWhole(p.path, func(w io.Writer) error {
		e := json.NewEncoder(w)
		e.SetIndent("", "  ")
		return e.Encode(p)
	})
}

// add takes a prediction down.
func (p *progress) add(name, title string, predicted lesson.Answer, out *lesson.Outcome, now time.Time) {
	a := p.Lessons[name]
	right := out.Holds(predicted)
	if a.Times == 0 {
		a.First, a.FirstRight, a.Begun = predicted.Text, right, now
	}
	a.Title, a.Predicted, a.Right, a.Last = title, predicted.Text, right, now
	a.Simulated = out.Answer.String()
	a.Times++
	p.Lessons[name] = a
}

// writeCSV writes the progress as a table for a teacher: the lessons on board in their order, then those of one's own.
func (p *progress) writeCSV(w io.Writer) error {
	c := csv.NewWriter(w)
	c.Write([]string{"lesson", "title", "first_prediction", "first_right", "last_prediction", "last_right", "simulated", "times", "first_at", "last_at"})
	names := lesson.Names()
	var more []string
	for name := range p.Lessons {
		if !slices.Contains(names, name) {
			more = append(more, name)
		}
	}
	slices.Sort(more)
	for _, name := range append(names, more...) {
		a, ok := p.Lessons[name]
		if !ok {
			c.Write([]string{name, lesson.TitleOf(name), "", "", "", "", "", "0", "", ""})
			continue
		}
		c.Write([]string{name, plainCell(a.Title), plainCell(a.First), strconv.FormatBool(a.FirstRight), plainCell(a.Predicted), strconv.FormatBool(a.Right),
			plainCell(a.Simulated), strconv.Itoa(a.Times), a.Begun.Format(time.RFC3339), a.Last.Format(time.RFC3339)})
	}
	c.Flush()
	return c.Error()
}

// plainCell keeps a spreadsheet from taking a text for a formula: what begins like one and is no plain number is marked as text.
func plainCell(text string) string {
	if text == "" || !strings.ContainsRune("=+-@\t\r", rune(text[0])) {
		return text
	}
	if strings.ContainsRune("+-", rune(text[0])) && !strings.ContainsAny(text[1:], "=+-*/@|!(") {
		return text
	}
	return "'" + text
}
