package report

import (
	"fmt"
	"html/template"
	"math"
	"strings"

	"stuntcell/validate/verdict"
)

// A picture is a panel of a page: curves over time on one pair of axes, as SVG inside the page. Colours come from the page's
// style, so that they suit light, dark and paper; curves differ in dash as well as in colour.
const (
	pictureWidth  = 640
	pictureHeight = 190
	marginLeft    = 64
	marginRight   = 12
	marginTop     = 10
	marginBottom  = 26
)

// curve is a series of a picture with the style class that draws it.
type curve struct {
	class string
	verdict.Series
}

// picture draws curves, all with the same unit, and a mark at an instant [s] if it lies inside.
func picture(title, unit string, scale float64, mark float64, curves ...curve) template.HTML {
	x0, x1, y0, y1 := math.Inf(1), math.Inf(-1), math.Inf(1), math.Inf(-1)
	for _, c := range curves {
		for i := range min(len(c.T), len(c.Y)) {
			x0, x1 = math.Min(x0, c.T[i]), math.Max(x1, c.T[i])
			y0, y1 = math.Min(y0, c.Y[i]*scale), math.Max(y1, c.Y[i]*scale)
		}
	}
	if !(x1 > x0) || math.IsInf(y1-y0, 0) || math.IsNaN(y1-y0) {
		return ""
	}
	if y0 == y1 {
		y0, y1 = y0-1, y1+1
	}
	pad := (y1 - y0) * 0.05
	y0, y1 = y0-pad, y1+pad
	px := func(x float64) float64 { return marginLeft + (x-x0)/(x1-x0)*(pictureWidth-marginLeft-marginRight) }
	py := func(y float64) float64 {
		return marginTop + (y1-y)/(y1-y0)*(pictureHeight-marginTop-marginBottom)
	}
	var b strings.Builder
	fmt.Fprintf(&b, `<svg viewBox="0 0 %d %d" role="img" aria-label="%s">`, pictureWidth, pictureHeight, template.HTMLEscapeString(title))
	for _, y := range ticks(y0, y1, 4) {
		fmt.Fprintf(&b, `<path class="grid" d="M%d %.1fH%d"/><text x="%d" y="%.1f" text-anchor="end">%s</text>`,
			marginLeft, py(y), pictureWidth-marginRight, marginLeft-6, py(y)+4, tickLabel(y, y1-y0))
	}
	for i := range 5 {
		x := x0 + (x1-x0)*float64(i)/4
		anchor := [...]string{"start", "middle", "middle", "middle", "end"}[i]
		fmt.Fprintf(&b, `<text x="%.1f" y="%d" text-anchor="%s">%s</text>`, px(x), pictureHeight-8, anchor, span(math.Round(x)))
	}
	fmt.Fprintf(&b, `<text x="4" y="%d">%s</text>`, marginTop+10, unit)
	if mark >= x0 && mark <= x1 {
		fmt.Fprintf(&b, `<path class="mark" d="M%.1f %dV%d"/>`, px(mark), marginTop, pictureHeight-marginBottom)
	}
	for _, c := range curves {
		fmt.Fprintf(&b, `<path class="%s" d="`, c.class)
		for i := range min(len(c.T), len(c.Y)) {
			fmt.Fprintf(&b, "%c%.1f %.1f", "ML"[min(i, 1)], px(c.T[i]), py(c.Y[i]*scale))
		}
		b.WriteString(`"/>`)
	}
	b.WriteString(`</svg>`)
	return template.HTML(b.String())
}

// ticks returns round values between low and high, about n.
func ticks(low, high float64, n int) []float64 {
	raw := (high - low) / float64(n)
	step := math.Pow(10, math.Floor(math.Log10(raw)))
	for _, m := range []float64{5, 2} {
		if raw >= m*step {
			step *= m
			break
		}
	}
	var ts []float64
	for k := math.Ceil(low / step); k*step <= high && len(ts) < 20; k++ {
		ts = append(ts, k*step)
	}
	return ts
}

// tickLabel writes a tick with as many decimals as the height of the picture asks for.
func tickLabel(y, height float64) string {
	decimals := min(max(1-int(math.Floor(math.Log10(height))), 0), 9)
	s := fmt.Sprintf("%.*f", decimals, y)
	if strings.Trim(s, "-0.") == "" {
		return "0"
	}
	if strings.Contains(s, ".") {
		s = strings.TrimRight(strings.TrimRight(s, "0"), ".")
	}
	if len(s) > 8 { // beside the picture there is no room for more
		return fmt.Sprintf("%.3g", y)
	}
	return s
}

// courses draws truth against log, and what the battery did, for one trace.
func courses(tr *verdict.Trace, mark float64) template.HTML {
	if tr == nil {
		return ""
	}
	return picture("Charge in Ah over time: truth and log", "Ah", 1.0/3600, mark, curve{"truth", tr.Charge}, curve{"logged", tr.Logged}) +
		picture("Current in A over time", "A", 1, mark, curve{"truth", tr.Current}) +
		picture("Voltage in V over time", "V", 1, mark, curve{"truth", tr.Voltage})
}
