package lesson

import (
	"encoding/json"
	"io"
)

// Schema is the value of the key schema in what [Outcome.JSON] writes.
const Schema = "stuntcell.lesson/1"

// told is an outcome as JSON.
type told struct {
	Schema   string      `json:"schema"`
	Notice   string      `json:"notice"`
	Lesson   string      `json:"lesson"`
	Title    string      `json:"title"`
	Tried    bool        `json:"variation"`
	Figures  []toldValue `json:"figures"`
	Answer   string      `json:"answer"`           // the name of the figure that was asked for
	Right    string      `json:"choice,omitempty"` // the letter of the choice that it makes right
	Answered *toldAnswer `json:"predicted,omitempty"`
	Checks   []Checked   `json:"checks"`
}

type toldValue struct {
	Name  string  `json:"name"`
	Label string  `json:"label"`
	Value float64 `json:"value"`
	Unit  string  `json:"unit"` // empty: a count
}

type toldAnswer struct {
	Text  string `json:"text"`
	Right bool   `json:"right"`
}

// JSON writes the outcome as one object on one line; predicted may be nil.
func (o *Outcome) JSON(w io.Writer, predicted *Answer) error {
	out := told{Schema: Schema, Notice: Notice, Lesson: o.Lesson.Name, Title: o.Lesson.Title, Tried: o.Tried, Answer: o.Answer.Name, Right: o.Right, Checks: append([]Checked{}, o.Checks...)}
	for _, f := range o.Figures {
		out.Figures = append(out.Figures, toldValue{f.Name, f.Label, f.Number(), f.Unit})
	}
	if predicted != nil {
		out.Answered = &toldAnswer{predicted.Text, o.Holds(*predicted)}
	}
	return json.NewEncoder(w).Encode(out)
}
