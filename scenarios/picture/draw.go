package picture

import (
	"fmt"
	"image/color"
	"math"
	"strconv"
	"sync"

	"codeberg.org/go-fonts/liberation/liberationsansregular"
	"golang.org/x/image/font/opentype"
	"gonum.org/v1/plot/font"
	"gonum.org/v1/plot/text"
	"gonum.org/v1/plot/vg"
	"gonum.org/v1/plot/vg/draw"
)

// Distances inside of a picture in points of 1/72 inch.
const (
	edge    = 8 * vg.Length(1)  // of the picture, free
	between = 16 * vg.Length(1) // two panels
	apart   = 3 * vg.Length(1)  // an axis and what it measures
	tick    = 6 * vg.Length(1)
	sample  = 24 * vg.Length(1) // of a stroke in the key
)

// typeface reads the one font that pictures use.
var typeface = sync.OnceValues(func() (*font.Cache, error) {
	face, err := opentype.Parse(liberationsansregular.TTF)
	if err != nil {
		return nil, err
	}
	return font.NewCache(font.Collection{{Font: sans(10), Face: face}}), nil
})

func sans(size vg.Length) font.Font {
	return font.Font{Typeface: "Liberation", Variant: "Sans", Size: size}
}

// sheet is a picture being drawn.
type sheet struct {
	*Picture
	draw.Canvas
	palette
	words     text.Handler
	low, high float64 // of the horizontal axis, in its unit
	unit      float64 // what one unit of the axis is in that of the points
}

// frame is where a panel's curves are drawn, and what its vertical axis reaches.
type frame struct {
	*sheet
	area        vg.Rectangle
	bottom, top float64
}

// draw puts the panels on a canvas.
func (p *Picture) draw(c draw.Canvas) error {
	if len(p.Panels) == 0 {
		return fmt.Errorf("a picture without a panel")
	}
	fonts, err := typeface()
	if err != nil {
		return err
	}
	s := &sheet{Picture: p, Canvas: c, palette: p.palette(), words: text.Plain{Fonts: fonts}, unit: 1}
	s.low, s.high = p.span()
	axis := p.Axis
	if axis == "" {
		var name string
		s.unit, name = timeUnit(s.high)
		axis = "time [" + name + "]"
	}
	s.low, s.high = s.low/s.unit, s.high/s.unit
	s.FillPolygon(s.paper, []vg.Point{c.Min, {X: c.Max.X, Y: c.Min.Y}, c.Max, {X: c.Min.X, Y: c.Max.Y}})
	s.say(12, text.XCenter, text.YTop, c.Min.X+p.width()/2, c.Max.Y-5, p.Title)

	// The figures of all vertical axes get the room that the widest of them needs, so that the panels are aligned.
	figures, label := vg.Length(0), s.style(10).Height("V")
	for n := range p.Panels {
		bottom, top := p.reach(&p.Panels[n])
		for _, t := range round(5).ticks(bottom, top) {
			figures = max(figures, s.style(9).Width(t.name))
		}
	}
	left := c.Min.X + edge + label + 2*apart + figures + apart + tick + apart
	for n := range p.Panels {
		f := frame{sheet: s}
		f.bottom, f.top = p.reach(&p.Panels[n])
		upper := c.Max.Y - titleHeight - vg.Length(n)*panelHeight
		f.area = vg.Rectangle{Min: vg.Point{X: left, Y: upper - panelHeight + between}, Max: vg.Point{X: c.Max.X - 2*edge, Y: upper}}
		f.axes(&p.Panels[n], c.Min.X+edge, n == len(p.Panels)-1, axis)
		f.contents(&p.Panels[n], n == 0)
	}
	return nil
}

// axes draws the grid of a panel and its axes; the label of the vertical one begins at x.
func (f *frame) axes(panel *Panel, x vg.Length, last bool, axis string) {
	line := draw.LineStyle{Color: f.ink, Width: 0.5}
	grid := draw.LineStyle{Color: f.faint, Width: 0.25}
	area := f.area
	side, under := area.Min.X-apart, area.Min.Y-apart
	f.StrokeLine2(line, side, area.Min.Y, side, area.Max.Y)
	f.StrokeLine2(line, area.Min.X, under, area.Max.X, under)
	for _, t := range round(5).ticks(f.bottom, f.top) {
		y := f.y(t.at)
		f.StrokeLine2(grid, area.Min.X, y, area.Max.X, y)
		f.StrokeLine2(line, side-tick, y, side, y)
		f.say(9, text.XRight, text.YCenter, side-tick-apart, y, t.name)
	}
	across := round(max(3, 8*f.width()/DefaultWidth)).ticks(f.low, f.high)
	if f.Log {
		across = decades(f.low, f.high)
	}
	for _, t := range across {
		at := f.x(t.at * f.unit)
		f.StrokeLine2(grid, at, area.Min.Y, at, area.Max.Y)
		f.StrokeLine2(line, at, under-tick, at, under)
		if last {
			f.say(9, text.XCenter, text.YTop, at, under-tick-apart, t.name)
		}
	}
	if last {
		f.say(10, text.XCenter, text.YBottom, (area.Min.X+area.Max.X)/2, f.Min.Y+apart, axis)
	}
	turned := f.style(10)
	turned.XAlign, turned.YAlign, turned.Rotation = text.XCenter, text.YTop, math.Pi/2
	f.FillText(turned, vg.Point{X: x, Y: (area.Min.Y + area.Max.Y) / 2}, panel.Label)
}

// contents draws marks, levels, curves and key of a panel.
func (f *frame) contents(panel *Panel, uppermost bool) {
	for _, m := range f.Marks {
		f.StrokeLine2(draw.LineStyle{Color: f.ink, Width: 0.5, Dashes: []vg.Length{1, 2}}, f.x(m.X), f.area.Min.Y, f.x(m.X), f.area.Max.Y)
		if uppermost && m.Name != "" {
			// Below the key, which is at the right end.
			f.say(8, text.XLeft, text.YTop, f.x(m.X)+apart, f.y(f.top-panel.keyRows()*keyRow*(f.top-f.bottom)), m.Name)
		}
	}
	for _, l := range panel.Levels {
		f.StrokeLine2(draw.LineStyle{Color: f.ink, Width: 0.7, Dashes: []vg.Length{6, 3}}, f.area.Min.X, f.y(l.Y), f.area.Max.X, f.y(l.Y))
		f.say(8, text.XLeft, text.YBottom, f.area.Min.X+apart, f.y(l.Y), l.Name)
	}
	key := f.area.Max.Y
	for k, c := range panel.Curves {
		if c.Like > 0 {
			k = c.Like - 1
		}
		points := make([]vg.Point, len(c.Points))
		for i, p := range c.Points {
			points[i] = vg.Point{X: f.x(p.X), Y: f.y(p.Y)}
		}
		f.curve(k, c.Dots, points)
		if len(panel.Curves) > 1 && c.Name != "" {
			high := f.style(9).Height(c.Name)
			end, middle := f.area.Max.X, key-high/2
			f.curve(k, c.Dots, []vg.Point{{X: end - sample, Y: middle}, {X: end, Y: middle}})
			f.say(9, text.XRight, text.YCenter, end-sample-apart, middle, c.Name)
			key -= high
		}
	}
}

// curve draws a line with the stroke of its place, or its points as dots.
func (f *frame) curve(place int, dots bool, points []vg.Point) {
	s := strokes[place%len(strokes)]
	ink := s.light
	if f.Dark {
		ink = s.dark
	}
	if !dots {
		f.StrokeLines(draw.LineStyle{Color: ink, Width: s.width, Dashes: s.dash}, points)
		return
	}
	for _, p := range points {
		f.DrawGlyphNoClip(draw.GlyphStyle{Color: ink, Radius: 2.2, Shape: draw.CircleGlyph{}}, p)
	}
}

// x is where a value of the horizontal axis is drawn, in the unit of the points.
func (f *frame) x(v float64) vg.Length {
	v /= f.unit
	part := (v - f.low) / (f.high - f.low)
	if f.Log {
		part = math.Log(v/f.low) / math.Log(f.high/f.low)
	}
	return f.area.Min.X + vg.Length(part)*(f.area.Max.X-f.area.Min.X)
}

// y is where a value of the vertical axis is drawn.
func (f *frame) y(v float64) vg.Length {
	return f.area.Min.Y + vg.Length((v-f.bottom)/(f.top-f.bottom))*(f.area.Max.Y-f.area.Min.Y)
}

func (s *sheet) style(size vg.Length) text.Style {
	return text.Style{Color: color.Color(s.ink), Font: sans(size), Handler: s.words}
}

// say writes words at a place, aligned to it.
func (s *sheet) say(size vg.Length, across text.XAlignment, up text.YAlignment, x, y vg.Length, words string) {
	if words == "" {
		return
	}
	style := s.style(size)
	style.XAlign, style.YAlign = across, up
	s.FillText(style, vg.Point{X: x, Y: y}, words)
}

// graduation is a value of an axis that is marked.
type graduation struct {
	at   float64
	name string
}

// round marks an axis at round values, at most so many.
type round int

// ticks returns the marks between low and high.
func (n round) ticks(low, high float64) []graduation {
	raw := (high - low) / float64(n)
	if !(raw > 0) || math.IsInf(raw, 0) {
		return nil
	}
	step := math.Pow(10, math.Floor(math.Log10(raw)))
	for _, m := range [...]float64{1, 2, 5, 10} {
		if step*m >= raw*(1-1e-9) {
			step *= m
			break
		}
	}
	var ticks []graduation
	for k := math.Ceil(low / step); k*step <= high && len(ticks) <= int(n); k++ {
		ticks = append(ticks, graduation{k * step, strconv.FormatFloat(k*step+0, 'g', 6, 64)}) // + 0: no -0
	}
	return ticks
}

// decades marks a logarithmic axis at 1, 2 and 5 of each decade.
func decades(low, high float64) []graduation {
	var ticks []graduation
	for decade := math.Pow(10, math.Floor(math.Log10(low))); decade <= high; decade *= 10 {
		for _, m := range [...]float64{1, 2, 5} {
			if x := m * decade; x >= low*(1-1e-9) && x <= high*(1+1e-9) {
				ticks = append(ticks, graduation{x, fmt.Sprintf("%.4g", x)})
			}
		}
	}
	return ticks
}
