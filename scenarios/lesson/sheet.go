package lesson

import (
	"context"
	_ "embed"
	"html/template"
	"io"

	"stuntcell/model"
)

//go:embed sheet.html
var sheetPage string

// sheetData is what the sheet shows.
type sheetData struct {
	*Lesson
	Asked            []string // the question in paragraphs
	Out, Tried       *Outcome
	Picture          template.HTML
	Variation        template.HTML
	Notice, Deferral string
}

// Notice says what a lesson's figures are.
const Notice = "A simulation. Real batteries may be worse, and firmware is no safety device."

// Sheet writes two printable pages as one self-contained HTML file without script: one to hand out, with the question and room for the
// prediction, and one for the teacher, with figures, picture, reason, sources, checks and the variation.
func (l *Lesson) Sheet(ctx context.Context, w io.Writer) error {
	t, err := template.New("sheet").Parse(sheetPage)
	if err != nil {
		return err
	}
	d := sheetData{Lesson: l, Asked: l.Asked(), Notice: Notice, Deferral: model.Deference()}
	if d.Out, err = l.Run(ctx); err != nil {
		return err
	}
	if d.Picture, err = inline(d.Out); err != nil {
		return err
	}
	if l.Varies() {
		if d.Tried, err = l.RunVariation(ctx); err != nil {
			return err
		}
		if d.Variation, err = inline(d.Tried); err != nil {
			return err
		}
	}
	return t.Execute(w, d)
}

// inline is the picture of an outcome as an element of a page. The drawing escapes its texts.
func inline(o *Outcome) (template.HTML, error) {
	svg, err := o.Picture.Inline()
	return template.HTML(svg), err
}
