package picture_test

import (
	"bytes"
	"math"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"stuntcell/scenarios/picture"
)

// A sketch puts each value into the row and column of its axis, dots over lines, with the key beside the label.
func TestTextShowsCurves(t *testing.T) {
	p := &picture.Picture{Axis: "x [1]", Panels: []picture.Panel{{
		Label:  "y [V]",
		Curves: []picture.Curve{{Name: "line", Points: []picture.Point{{X: 0, Y: 0}, {X: 10, Y: 10}}}, {Name: "dot", Points: []picture.Point{{X: 5, Y: 5}}, Dots: true}},
		Levels: []picture.Level{{Name: "low", Y: 1}},
	}}}
	var b bytes.Buffer
	if err := p.Text(&b, 42); err != nil {
		t.Fatal(err)
	}
	want := `
y [V]:  * line   o dot
     10.6 |                              *
          |                           ***
          |                       ****
          |                   ****
      5.0 |               o***
          |            ***
          |        ****
          |- lo****-----------------------
     -0.6 |****
          +-------------------------------
           0.0         x [1]          10.0
`
	want = strings.TrimPrefix(want, "\n")
	if got := b.String(); got != want {
		t.Errorf("got:\n%s\nwant:\n%s", got, want)
	}
}

// However wild the values, a sketch is within its columns and has as many lines as its panels need.
func TestTextKeepsItsSize(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		value := rapid.Float64Range(-1e12, 1e12)
		p := &picture.Picture{Title: "t"}
		panels := rapid.IntRange(1, 3).Draw(t, "panels")
		for range panels {
			panel := picture.Panel{Label: rapid.StringMatching(`[a-z ]{0,90}`).Draw(t, "label")}
			for range rapid.IntRange(0, 3).Draw(t, "curves") {
				c := picture.Curve{Name: "c", Dots: rapid.Bool().Draw(t, "dots")}
				for range rapid.IntRange(0, 5).Draw(t, "points") {
					c.Points = append(c.Points, picture.Point{X: math.Abs(value.Draw(t, "x")), Y: value.Draw(t, "y")})
				}
				panel.Curves = append(panel.Curves, c)
			}
			p.Panels = append(p.Panels, panel)
		}
		p.Marks = append(p.Marks, picture.Mark{X: math.Abs(value.Draw(t, "mark")), Name: "mark"})
		columns := rapid.IntRange(0, 120).Draw(t, "columns")
		var b bytes.Buffer
		if err := p.Text(&b, columns); err != nil {
			t.Fatal(err)
		}
		lines := strings.Split(strings.TrimSuffix(b.String(), "\n"), "\n")
		if want := panels*11 + 1; len(lines) != want {
			t.Fatalf("%d lines, want %d", len(lines), want)
		}
		for _, line := range lines {
			if n := len([]rune(line)); n > max(columns, 30) {
				t.Fatalf("%d columns: %q", n, line)
			}
		}
	})
}
