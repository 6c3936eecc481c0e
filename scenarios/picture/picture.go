package picture

import (
	"bytes"
	"fmt"
	"image/color"
	"io"
	"math"
	"slices"
	"strconv"
	"strings"

	"gonum.org/v1/plot"
	"gonum.org/v1/plot/font"
	"gonum.org/v1/plot/plotter"
	"gonum.org/v1/plot/text"
	"gonum.org/v1/plot/vg"
	"gonum.org/v1/plot/vg/draw"
	"gonum.org/v1/plot/vg/vgimg"
	"gonum.org/v1/plot/vg/vgsvg"
)

// Picture is panels above one another over one axis.
type Picture struct {
	// Title stands above all.
	Title string
	// Axis names the horizontal axis and its unit, such as "current [A]". Empty: time, given in seconds and shown in s, min, h or d.
	Axis string
	// Log makes the horizontal axis logarithmic; all its values must be above 0.
	Log    bool
	Panels []Panel
	// Marks are instants at which something happens, drawn through all panels.
	Marks []Mark
	// Dark draws for a dark page.
	Dark bool
	// Width of the picture [points of 1/72 inch]; 0: DefaultWidth. A narrow one has fewer figures at its axis.
	Width float64
}

// Panel is one pair of axes.
type Panel struct {
	// Label names the vertical axis and its unit, such as "voltage [V]".
	Label  string
	Curves []Curve
	// Levels are horizontal lines with a name.
	Levels []Level
}

// Curve is one line of a panel. A panel's curves get strokes in their order; the first is the heaviest.
type Curve struct {
	// Name stands in the key of a panel with more than one curve. Empty: the curve needs no word there, as one whose like stands in the key of another panel.
	Name   string
	Points []Point
	// Like is the place, from 1, whose stroke the curve has, so that what is one thing looks the same in all panels; 0: its own place.
	Like int
	// Dots says that these are single values: each is drawn as a dot, and no line through them.
	Dots bool
}

// Point is a value Y at X.
type Point struct{ X, Y float64 }

// Level is a value that a curve is to be seen against.
type Level struct {
	Name string
	Y    float64
}

// Mark is an instant with a word or two, drawn in the uppermost panel.
type Mark struct {
	X    float64
	Name string
}

// DefaultWidth of a picture [points of 1/72 inch].
const DefaultWidth = 680

// Heights of the parts of a picture in points of 1/72 inch.
const (
	panelHeight = 150 * vg.Length(1)
	titleHeight = 22 * vg.Length(1)
	axisHeight  = 34 * vg.Length(1)
)

// stroke is how a curve is drawn: apart in hue, in lightness and in dash.
type stroke struct {
	light, dark color.RGBA
	width       vg.Length
	dash        []vg.Length
}

// strokes in the order of a panel's curves.
var strokes = [...]stroke{
	{rgb(0x11, 0x4a, 0x7a), rgb(0x8f, 0xc1, 0xf2), 1.6, nil},
	{rgb(0xc2, 0x57, 0x0c), rgb(0xff, 0xa8, 0x5c), 1.3, []vg.Length{5, 2}},
	{rgb(0x4d, 0x8a, 0x3a), rgb(0x9b, 0xdd, 0x86), 1.3, []vg.Length{1.5, 1.8}},
	{rgb(0x8a, 0x3a, 0x78), rgb(0xe6, 0x9a, 0xd6), 1.1, []vg.Length{8, 2, 1.5, 2}},
	{rgb(0x6b, 0x6b, 0x6b), rgb(0xc0, 0xc0, 0xc0), 1.1, []vg.Length{3, 3}},
	{rgb(0x00, 0x00, 0x00), rgb(0xff, 0xff, 0xff), 0.8, nil},
}

func rgb(r, g, b uint8) color.RGBA { return color.RGBA{r, g, b, 0xff} }

// palette is what is not a curve.
type palette struct{ paper, ink, faint color.RGBA }

func (p *Picture) palette() palette {
	if p.Dark {
		return palette{rgb(0x16, 0x1b, 0x22), rgb(0xe6, 0xe6, 0xe6), rgb(0x3c, 0x44, 0x50)}
	}
	return palette{rgb(0xff, 0xff, 0xff), rgb(0x1c, 0x1c, 0x1c), rgb(0xdd, 0xdd, 0xdd)}
}

// Write draws the picture as what the ending of the file's name says, .svg or .png. The error of another ending says what is expected.
func (p *Picture) Write(w io.Writer, file string) error {
	switch {
	case strings.HasSuffix(file, ".svg"):
		return p.SVG(w)
	case strings.HasSuffix(file, ".png"):
		return p.PNG(w)
	}
	return fmt.Errorf("%s: a picture is a .svg or a .png file", file)
}

// IsFile reports whether Write knows the ending of a file's name.
func IsFile(file string) bool {
	return strings.HasSuffix(file, ".svg") || strings.HasSuffix(file, ".png")
}

// SVG draws the picture as SVG, with its title for those who hear it.
func (p *Picture) SVG(w io.Writer) error {
	c := vgsvg.New(p.width(), p.height())
	if err := p.draw(draw.New(c)); err != nil {
		return err
	}
	var b bytes.Buffer
	if _, err := c.WriteTo(&b); err != nil {
		return err
	}
	head := `<g transform=`
	text := strings.Replace(b.String(), head, "<title>"+escape(p.Title)+"</title>\n"+head, 1)
	_, err := io.WriteString(w, attributes(text))
	return err
}

// attributes turns the style of each element into attributes of its own (SVG 2, 6.6): a page whose policy forbids styles inside of it can
// then show the picture. A font that is not everywhere gets those that stand in for it.
func attributes(svg string) string {
	var b strings.Builder
	b.Grow(len(svg))
	for {
		before, after, ok := strings.Cut(svg, `style="`)
		b.WriteString(before)
		if !ok {
			return b.String()
		}
		style, rest, _ := strings.Cut(after, `"`)
		for i, property := range strings.Split(style, ";") {
			name, value, _ := strings.Cut(property, ":")
			switch {
			case name == "font-family":
				value += ",Arial,Helvetica,sans-serif"
			case value == "normal":
				continue // as without it
			}
			if i > 0 {
				b.WriteByte(' ')
			}
			b.WriteString(name + `="` + value + `"`)
		}
		svg = rest
	}
}

// Inline is the picture as an svg element, to stand inside a page.
func (p *Picture) Inline() (string, error) {
	var b strings.Builder
	if err := p.SVG(&b); err != nil {
		return "", err
	}
	// What stands before the element belongs to a file.
	return b.String()[strings.Index(b.String(), "<svg"):], nil
}

// PNG draws the picture as PNG of 144 dots an inch.
func (p *Picture) PNG(w io.Writer) error {
	c := vgimg.PngCanvas{Canvas: vgimg.NewWith(vgimg.UseWH(p.width(), p.height()), vgimg.UseDPI(144))}
	if err := p.draw(draw.New(c)); err != nil {
		return err
	}
	_, err := c.WriteTo(w)
	return err
}

// Height of the picture [points of 1/72 inch].
func (p *Picture) Height() float64 { return float64(p.height()) }

func (p *Picture) width() vg.Length {
	if p.Width == 0 {
		return DefaultWidth
	}
	return vg.Length(p.Width)
}

func (p *Picture) height() vg.Length {
	return titleHeight + vg.Length(len(p.Panels))*panelHeight + axisHeight
}

// draw puts the panels on a canvas.
func (p *Picture) draw(c draw.Canvas) error {
	if len(p.Panels) == 0 {
		return fmt.Errorf("a picture without a panel")
	}
	colours := p.palette()
	c.SetColor(colours.paper)
	c.Fill(c.Rectangle.Path())
	low, high := p.span()
	scale, unit := 1.0, p.Axis
	if unit == "" {
		var name string
		scale, name = timeUnit(high)
		unit = "time [" + name + "]"
	}
	var plots [][]*plot.Plot
	for n := range p.Panels {
		plots = append(plots, []*plot.Plot{p.panel(n, colours, low/scale, high/scale, scale)})
	}
	last := plots[len(plots)-1][0]
	last.X.Label.Text = unit
	title := words(colours.ink, 12)
	title.XAlign, title.YAlign = text.XCenter, text.YTop
	c.FillText(title, vg.Point{X: c.Min.X + p.width()/2, Y: c.Max.Y - 5}, p.Title)
	body := draw.Crop(c, 8, -12, 4, -titleHeight)
	for n, canvases := range plot.Align(plots, draw.Tiles{Rows: len(plots), Cols: 1, PadY: 6}, body) {
		plots[n][0].Draw(canvases[0])
	}
	return nil
}

// span is from the leftmost to the rightmost value.
func (p *Picture) span() (low, high float64) {
	low, high = math.Inf(1), math.Inf(-1)
	for _, panel := range p.Panels {
		for _, c := range panel.Curves {
			for _, q := range c.Points {
				low, high = math.Min(low, q.X), math.Max(high, q.X)
			}
		}
	}
	switch {
	case !(low <= high): // nothing to show: an empty frame
		return 1, 2
	case low == high:
		return low, low + 1
	case p.Axis == "" && low < 0.05*high:
		low = 0
	}
	return low, high
}

// panel makes the plot of one panel.
func (p *Picture) panel(n int, colours palette, low, high, scale float64) *plot.Plot {
	q := plot.New()
	panel := &p.Panels[n]
	q.BackgroundColor = colours.paper
	for _, a := range [...]*plot.Axis{&q.X, &q.Y} {
		a.Label.TextStyle.Color, a.Label.TextStyle.Font = colours.ink, sans(10)
		a.Tick.Label.Color, a.Tick.Label.Font = colours.ink, sans(9)
		a.Color, a.Tick.Color = colours.ink, colours.ink
		a.Padding = 2
	}
	q.Y.Label.Padding = 4
	q.Y.Label.Text = panel.Label
	q.X.Tick.Marker, q.Y.Tick.Marker = round(max(3, 8*p.width()/DefaultWidth)), round(5)
	if p.Log {
		q.X.Scale, q.X.Tick.Marker = plot.LogScale{}, roundLog{}
	}
	if n < len(p.Panels)-1 {
		q.X.Tick.Marker = unnamed{q.X.Tick.Marker}
	}
	grid := plotter.NewGrid()
	grid.Vertical.Color, grid.Horizontal.Color = colours.faint, colours.faint
	q.Add(grid)
	bottom, top := p.reach(panel)
	for _, m := range p.Marks {
		line := &plotter.Line{XYs: plotter.XYs{{X: m.X / scale, Y: bottom}, {X: m.X / scale, Y: top}},
			LineStyle: draw.LineStyle{Color: colours.ink, Width: 0.5, Dashes: []vg.Length{1, 2}}}
		q.Add(line)
		if n == 0 && m.Name != "" {
			// Below the key, which is at the right end.
			q.Add(p.label(colours, m.X/scale, top-panel.keyRows()*keyRow*(top-bottom), text.YTop, m.Name))
		}
	}
	for _, l := range panel.Levels {
		line := &plotter.Line{XYs: plotter.XYs{{X: low, Y: l.Y}, {X: high, Y: l.Y}}, LineStyle: draw.LineStyle{Color: colours.ink, Width: 0.7, Dashes: []vg.Length{6, 3}}}
		q.Add(line)
		if l.Name != "" {
			q.Add(p.label(colours, low, l.Y, text.YBottom, l.Name))
		}
	}
	for k, c := range panel.Curves {
		if c.Like > 0 {
			k = c.Like - 1
		}
		line := p.curve(k, c, scale)
		q.Add(line)
		if len(panel.Curves) > 1 && c.Name != "" {
			q.Legend.Add(c.Name, line)
		}
	}
	q.Y.Min, q.Y.Max, q.X.Min, q.X.Max = bottom, top, low, high
	q.Legend.TextStyle.Color, q.Legend.TextStyle.Font = colours.ink, sans(9)
	q.Legend.Top, q.Legend.ThumbnailWidth = true, 24
	return q
}

// drawn is what can stand in a plot and in its key.
type drawn interface {
	plot.Plotter
	plot.Thumbnailer
}

// curve is a curve as its line, or as its dots, in the colour of its place.
func (p *Picture) curve(k int, c Curve, scale float64) drawn {
	line := p.line(k, c.Points, scale)
	if !c.Dots {
		return line
	}
	return &plotter.Scatter{XYs: line.XYs, GlyphStyle: draw.GlyphStyle{Color: line.Color, Radius: 2.2, Shape: draw.CircleGlyph{}}}
}

// line is a curve with the stroke of its place.
func (p *Picture) line(k int, points []Point, scale float64) *plotter.Line {
	s := strokes[k%len(strokes)]
	line := &plotter.Line{XYs: make(plotter.XYs, len(points)), LineStyle: draw.LineStyle{Color: s.light, Width: s.width, Dashes: s.dash}}
	if p.Dark {
		line.Color = s.dark
	}
	for i, at := range points {
		line.XYs[i].X, line.XYs[i].Y = at.X/scale, at.Y
	}
	return line
}

// label is a word to the right of a place.
func (p *Picture) label(colours palette, x, y float64, align text.YAlignment, name string) *plotter.Labels {
	style := words(colours.ink, 8)
	style.YAlign = align
	return &plotter.Labels{XYs: plotter.XYs{{X: x, Y: y}}, Labels: []string{" " + name}, TextStyle: []text.Style{style}}
}

// keyRow is the height of a row of a panel's key, as a share of the panel's.
const keyRow = 0.1

// keyRows is how many rows the key of a panel has.
func (p *Panel) keyRows() float64 {
	if len(p.Curves) < 2 {
		return 0
	}
	rows := 0.0
	for _, c := range p.Curves {
		if c.Name != "" {
			rows++
		}
	}
	return rows
}

// reach is the lowest and the highest that a panel shows, with a margin, and room above for its key and the names of the marks.
func (p *Picture) reach(panel *Panel) (bottom, top float64) {
	bottom, top = p.extent(panel)
	rows := panel.keyRows()
	if panel == &p.Panels[0] && slices.ContainsFunc(p.Marks, func(m Mark) bool { return m.Name != "" }) {
		rows++
	}
	return bottom, top + (top-bottom)*rows*keyRow/(1-rows*keyRow)
}

// extent is the lowest and the highest value of a panel, with a margin.
func (p *Picture) extent(panel *Panel) (bottom, top float64) {
	bottom, top = math.Inf(1), math.Inf(-1)
	for _, c := range panel.Curves {
		for _, q := range c.Points {
			bottom, top = math.Min(bottom, q.Y), math.Max(top, q.Y)
		}
	}
	for _, l := range panel.Levels {
		bottom, top = math.Min(bottom, l.Y), math.Max(top, l.Y)
	}
	if !(bottom <= top) {
		return 0, 1
	}
	// A course that stands still is drawn as a line in the middle, not as its own rounding.
	margin, size := 0.06*(top-bottom), math.Max(math.Abs(top), math.Abs(bottom))
	switch {
	case size == 0:
		margin = 0.5
	case top-bottom < 1e-4*size:
		margin = 0.1 * size
	}
	return bottom - margin, top + margin
}

func words(c color.Color, size vg.Length) text.Style {
	return text.Style{Color: c, Font: sans(size), Handler: plot.DefaultTextHandler}
}

func sans(size vg.Length) font.Font {
	return font.Font{Typeface: "Liberation", Variant: "Sans", Size: size}
}

// unnamed are the marks of an axis without their figures, for a panel that stands above another.
type unnamed struct{ plot.Ticker }

// Ticks returns the marks between low and high.
func (u unnamed) Ticks(low, high float64) []plot.Tick {
	ticks := u.Ticker.Ticks(low, high)
	for i := range ticks {
		ticks[i].Label = ""
	}
	return ticks
}

// round marks an axis at round values, at most so many.
type round int

// Ticks returns the marks between low and high.
func (n round) Ticks(low, high float64) []plot.Tick {
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
	var ticks []plot.Tick
	for k := math.Ceil(low / step); k*step <= high && len(ticks) <= int(n); k++ {
		ticks = append(ticks, plot.Tick{Value: k * step, Label: strconv.FormatFloat(k*step+0, 'g', 6, 64)}) // + 0: no -0
	}
	return ticks
}

// roundLog marks a logarithmic axis at 1, 2 and 5 of each decade.
type roundLog struct{}

// Ticks returns the marks between low and high.
func (roundLog) Ticks(low, high float64) []plot.Tick {
	var ticks []plot.Tick
	for decade := math.Pow(10, math.Floor(math.Log10(low))); decade <= high; decade *= 10 {
		for _, m := range [...]float64{1, 2, 5} {
			if x := m * decade; x >= low*(1-1e-9) && x <= high*(1+1e-9) {
				ticks = append(ticks, plot.Tick{Value: x, Label: fmt.Sprintf("%.4g", x)})
			}
		}
	}
	return ticks
}

// timeUnit is the unit in which a time of so many seconds reads best.
func timeUnit(seconds float64) (unit float64, name string) {
	switch {
	case seconds < 300:
		return 1, "s"
	case seconds < 3*3600:
		return 60, "min"
	case seconds < 96*3600:
		return 3600, "h"
	}
	return 86400, "d"
}

func escape(s string) string {
	return strings.NewReplacer("&", "&amp;", "<", "&lt;", ">", "&gt;", `"`, "&quot;").Replace(s)
}
