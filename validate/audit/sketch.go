package audit

import (
	"fmt"
	"io"
	"math"
	"strings"
)

// Sketch keeps the course of a log for a picture, in memory that does not grow with it: lowest and highest of each of at most 1024 stretches. Give its
// Row method to Options.Row.
type Sketch struct {
	width float64 // of a stretch [s]
	slots []slot
}

type slot struct {
	have             bool
	vlow, vhigh      float64
	ilow, ihigh      float64
	charge           float64 // at its end [A·s]
	haveV, haveI, ok bool
}

const mostSlots = 1024

// Row takes a row.
func (s *Sketch) Row(r Row) {
	if r.Out || r.Time < 0 {
		return
	}
	if s.width == 0 {
		s.width = 1.0 / 64
	}
	for r.Time/s.width >= mostSlots {
		s.halve()
	}
	k := int(r.Time / s.width)
	for len(s.slots) <= k {
		s.slots = append(s.slots, slot{})
	}
	c := &s.slots[k]
	if !math.IsNaN(r.Voltage) {
		if !c.haveV {
			c.vlow, c.vhigh, c.haveV = r.Voltage, r.Voltage, true
		}
		c.vlow, c.vhigh = math.Min(c.vlow, r.Voltage), math.Max(c.vhigh, r.Voltage)
	}
	if !math.IsNaN(r.Current) {
		if !c.haveI {
			c.ilow, c.ihigh, c.haveI = r.Current, r.Current, true
		}
		c.ilow, c.ihigh = math.Min(c.ilow, r.Current), math.Max(c.ihigh, r.Current)
	}
	c.charge, c.ok = r.Charge, true
}

// halve joins each two stretches.
func (s *Sketch) halve() {
	for k := 0; 2*k < len(s.slots); k++ {
		a := s.slots[2*k]
		if 2*k+1 < len(s.slots) {
			b := s.slots[2*k+1]
			if b.haveV && a.haveV {
				a.vlow, a.vhigh = math.Min(a.vlow, b.vlow), math.Max(a.vhigh, b.vhigh)
			} else if b.haveV {
				a.vlow, a.vhigh, a.haveV = b.vlow, b.vhigh, true
			}
			if b.haveI && a.haveI {
				a.ilow, a.ihigh = math.Min(a.ilow, b.ilow), math.Max(a.ihigh, b.ihigh)
			} else if b.haveI {
				a.ilow, a.ihigh, a.haveI = b.ilow, b.ihigh, true
			}
			if b.ok {
				a.charge, a.ok = b.charge, true
			}
		}
		s.slots[k] = a
	}
	s.slots = s.slots[:(len(s.slots)+1)/2]
	s.width *= 2
}

// panel is one of the picture's parts.
type panel struct {
	title string
	at    func(*slot) (low, high float64, ok bool)
}

// WriteSVG draws voltage, current and charge over time, one above the other. sign makes charge positive (Report.Sign). It is readable in grey.
func (s *Sketch) WriteSVG(w io.Writer, title string, sign int8) error {
	const wide, high, left, top, gap = 800, 170, 70, 48, 30
	g := float64(sign)
	order := func(a, b float64) (float64, float64) { return math.Min(a, b), math.Max(a, b) }
	panels := []panel{
		{"voltage [V]", func(c *slot) (float64, float64, bool) { return c.vlow, c.vhigh, c.haveV }},
		{"current [A], into the battery positive", func(c *slot) (float64, float64, bool) {
			a, b := order(g*c.ilow, g*c.ihigh)
			return a, b, c.haveI
		}},
		{"charge since the first row [Ah]", func(c *slot) (float64, float64, bool) { return g * c.charge / 3600, g * c.charge / 3600, c.ok }},
	}
	var b strings.Builder
	total := top + len(panels)*(high+gap) + 20
	fmt.Fprintf(&b, `<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 %d %d" width="%d" height="%d" font-family="sans-serif" font-size="12" role="img">`+"\n", wide+left+20, total, wide+left+20, total)
	fmt.Fprintf(&b, "<title>%s</title>\n<rect width=\"100%%\" height=\"100%%\" fill=\"#fff\"/>\n<text x=\"%d\" y=\"18\">%s</text>\n", escape(title), left, escape(title))
	span := float64(len(s.slots)) * s.width
	unit, name := timeUnit(span)
	for n, p := range panels {
		y0 := float64(top + n*(high+gap))
		low, up := math.Inf(1), math.Inf(-1)
		for k := range s.slots {
			if a, z, ok := p.at(&s.slots[k]); ok {
				low, up = math.Min(low, a), math.Max(up, z)
			}
		}
		if !(low <= up) {
			low, up = 0, 1
		}
		if up-low < 1e-9 {
			low, up = low-0.5, up+0.5
		}
		margin := 0.05 * (up - low)
		low, up = low-margin, up+margin
		y := func(v float64) float64 { return y0 + float64(high)*(up-v)/(up-low) }
		x := func(k float64) float64 { return left + float64(wide)*k/math.Max(1, float64(len(s.slots))) }
		fmt.Fprintf(&b, `<rect x="%d" y="%.1f" width="%d" height="%d" fill="none" stroke="#888"/>`+"\n", left, y0, wide, high)
		fmt.Fprintf(&b, `<text x="%d" y="%.1f">%s</text>`+"\n", left, y0-6, p.title)
		for _, v := range ticks(low, up, 5) {
			fmt.Fprintf(&b, `<path d="M%d %.1fH%d" stroke="#ddd"/><text x="%d" y="%.1f" text-anchor="end">%.6g</text>`+"\n", left, y(v), left+wide, left-6, y(v)+4, v)
		}
		if n == len(panels)-1 {
			for _, v := range ticks(0, span/unit, 8) {
				fmt.Fprintf(&b, `<text x="%.1f" y="%.1f" text-anchor="middle">%.6g</text>`+"\n", x(v*unit/s.width), y0+high+16, v)
			}
			fmt.Fprintf(&b, `<text x="%d" y="%.1f" text-anchor="end">time [%s]</text>`+"\n", left+wide, y0+high+32, name)
		}
		var d strings.Builder
		pen := "M"
		for k := range s.slots {
			a, z, ok := p.at(&s.slots[k])
			if !ok {
				continue
			}
			fmt.Fprintf(&d, "%s%.1f %.1f", pen, x(float64(k)+0.5), y(a))
			if z != a {
				fmt.Fprintf(&d, "V%.1f", y(z))
			}
			pen = "L"
		}
		fmt.Fprintf(&b, `<path d="%s" fill="none" stroke="#114a7a" stroke-width="1.5"/>`+"\n", d.String())
	}
	b.WriteString("</svg>\n")
	_, err := io.WriteString(w, b.String())
	return err
}

func timeUnit(span float64) (float64, string) {
	switch {
	case span < 300:
		return 1, "s"
	case span < 3*3600:
		return 60, "min"
	case span < 96*3600:
		return 3600, "h"
	}
	return 86400, "d"
}

// ticks returns at most n round values between low and high.
func ticks(low, high float64, n int) []float64 {
	raw := (high - low) / float64(n)
	if !(raw > 0) || !finite(raw) {
		return nil
	}
	step := math.Pow(10, math.Floor(math.Log10(raw)))
	for _, m := range [...]float64{1, 2, 5, 10} {
		if step*m >= raw {
			step *= m
			break
		}
	}
	var out []float64
	for k := math.Ceil(low / step); k*step <= high && len(out) <= n+1; k++ {
		out = append(out, k*step)
	}
	return out
}

func finite(x float64) bool { return !math.IsNaN(x) && !math.IsInf(x, 0) }

func escape(s string) string {
	return strings.NewReplacer("&", "&amp;", "<", "&lt;", ">", "&gt;", `"`, "&quot;").Replace(s)
}
