package picture

import (
	"bufio"
	"fmt"
	"io"
	"math"
	"strings"
)

// Size of a sketch [characters].
const (
	sketchRows   = 9
	sketchGutter = 10 // of the figures at the left
	sketchLeast  = 30 // columns
)

// inks are the characters of a panel's curves, in order.
const inks = "*o+x#="

// Text sketches the picture in characters, at most so many columns wide, for a terminal: a rough look that needs no viewer.
func (p *Picture) Text(w io.Writer, columns int) error {
	if len(p.Panels) == 0 {
		return fmt.Errorf("a picture without a panel")
	}
	low, high := p.span()
	scale, unit := 1.0, p.Axis
	if unit == "" {
		var name string
		scale, name = timeUnit(high)
		unit = "time [" + name + "]"
	}
	b := bufio.NewWriter(w)
	width := max(columns, sketchLeast) - sketchGutter - 1
	for n := range p.Panels {
		p.sketch(b, n, width, low, high)
	}
	left, right := figure(low/scale, (high-low)/scale), figure(high/scale, (high-low)/scale)
	room := max(1, width-len(left)-len(right))
	fmt.Fprintf(b, "%*s%s%s%s\n", sketchGutter+1, "", left, centred(clipped(unit, room-2), room), right)
	return b.Flush()
}

// sketch draws a panel: its label, its frame and its key.
func (p *Picture) sketch(b *bufio.Writer, n, width int, low, high float64) {
	panel := &p.Panels[n]
	bottom, top := p.extent(panel)
	grid := make([][]byte, sketchRows)
	for i := range grid {
		grid[i] = []byte(strings.Repeat(" ", width))
	}
	column := func(x float64) int { return place(p.along(x), p.along(low), p.along(high), width) }
	row := func(y float64) int { return sketchRows - 1 - place(y, bottom, top, sketchRows) }
	for _, m := range p.Marks {
		if m.X >= low && m.X <= high {
			for i := range grid {
				grid[i][column(m.X)] = ':'
			}
			if n == 0 {
				write(grid[0], column(m.X)+1, m.Name)
			}
		}
	}
	for _, l := range panel.Levels {
		copy(grid[row(l.Y)], strings.Repeat("-", width))
		write(grid[row(l.Y)], 1, " "+l.Name+" ")
	}
	// Dots are on top of lines, and the first of each on top of the others.
	for i := 2*len(panel.Curves) - 1; i >= 0; i-- {
		k := i % len(panel.Curves)
		c := &panel.Curves[k]
		if c.Dots != (i < len(panel.Curves)) {
			continue
		}
		ink := inks[k%len(inks)]
		for i, q := range c.Points {
			to := [2]int{column(q.X), row(q.Y)}
			from := to
			if i > 0 && !c.Dots {
				from = [2]int{column(c.Points[i-1].X), row(c.Points[i-1].Y)}
			}
			stroke := max(abs(to[0]-from[0]), abs(to[1]-from[1]), 1)
			for s := range stroke + 1 {
				x := from[0] + (to[0]-from[0])*s/stroke
				y := from[1] + (to[1]-from[1])*s/stroke
				grid[y][x] = ink
			}
		}
	}
	fmt.Fprintln(b, clipped(panel.Label+key(panel), sketchGutter+1+width))
	for i, line := range grid {
		tick := ""
		if i%(sketchRows/2) == 0 {
			tick = figure(top-(top-bottom)*float64(i)/(sketchRows-1), top-bottom)
		}
		fmt.Fprintf(b, "%*s %s\n", sketchGutter-1, tick, "|"+strings.TrimRight(string(line), " "))
	}
	fmt.Fprintf(b, "%*s+%s\n", sketchGutter, "", strings.Repeat("-", width))
}

// key names the curves of a panel that has several.
func key(panel *Panel) string {
	if len(panel.Curves) < 2 {
		return ""
	}
	var names []string
	for k := range panel.Curves {
		names = append(names, string(inks[k%len(inks)])+" "+panel.Curves[k].Name)
	}
	return ":  " + strings.Join(names, "   ")
}

// along is where a value lies along the axis: its logarithm on a logarithmic one.
func (p *Picture) along(x float64) float64 {
	if p.Log {
		return math.Log10(x)
	}
	return x
}

// place is the cell of n in which a value lies.
func place(x, low, high float64, n int) int {
	return min(max(int(math.Round((x-low)/(high-low)*float64(n-1))), 0), n-1)
}

// figure writes a value of an axis that spans so much: with the digits that the span asks for.
func figure(x, span float64) string {
	digits := 0
	if span > 0 {
		digits = max(0, min(6, 2-int(math.Floor(math.Log10(span)))))
	}
	s := fmt.Sprintf("%.*f", digits, x+0)
	for precision := 3; len(s) > sketchGutter-2 && precision > 0; precision-- {
		s = fmt.Sprintf("%.*g", precision, x)
	}
	return s
}

// write puts a text into a line as far as it fits.
func write(line []byte, at int, text string) {
	if at >= 0 && at < len(line) {
		copy(line[at:], text)
	}
}

func clipped(s string, most int) string {
	if r := []rune(s); len(r) > most {
		return string(r[:max(most, 0)])
	}
	return s
}

// centred puts a text in the middle of so many characters.
func centred(s string, width int) string {
	left := (width - len([]rune(s))) / 2
	return strings.Repeat(" ", max(left, 0)) + s + strings.Repeat(" ", max(width-left-len([]rune(s)), 0))
}

func abs(n int) int { return max(n, -n) }
