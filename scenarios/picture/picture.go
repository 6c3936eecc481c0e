package picture

import (
	"bytes"
	"fmt"
	"image/color"
	"io"
	"math"
	"slices"
	"strings"

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
	axisHeight  = 22 * vg.Length(1)
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
