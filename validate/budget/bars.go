package budget

import (
	"fmt"
	"io"
	"math"
	"strings"
)

// WriteSVG draws the contributions to the uncertainty of the charge as bars, the largest first; assumed ones are hatched, so that the picture
// reads in grey as well.
func (s *Stated) WriteSVG(w io.Writer) error {
	const left, wide, row, top = 240, 420, 24, 44
	most := 0.0
	lines := s.Lines
	if len(lines) > 16 {
		lines = lines[:16]
	}
	for _, l := range lines {
		most = math.Max(most, l.Charge)
	}
	high := top + row*len(lines) + 40
	var b strings.Builder
	p := func(format string, a ...any) { fmt.Fprintf(&b, format+"\n", a...) }
	p(`<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 %d %d" width="%d" height="%d" font-family="sans-serif" font-size="13" role="img">`, left+wide+120, high, left+wide+120, high)
	p(`<title>Uncertainty of a capacity, rig %s</title>`, xml(s.Rig))
	p(`<defs><pattern id="assumed" width="6" height="6" patternUnits="userSpaceOnUse" patternTransform="rotate(45)"><rect width="6" height="6" fill="#cfe0ee"/><rect width="2" height="6" fill="#114a7a"/></pattern></defs>`)
	p(`<rect width="100%%" height="100%%" fill="#fff"/><text x="10" y="20" font-weight="bold">%s</text>`, xml("Standard uncertainty of "+s.Charge.Stated+", by contribution"))
	for i, l := range lines {
		y := top + row*i
		fill := "#114a7a"
		if l.Assumed {
			fill = "url(#assumed)"
		}
		length := 0.0
		if most > 0 {
			length = wide * l.Charge / most
		}
		p(`<text x="%d" y="%d" text-anchor="end">%s</text><rect x="%d" y="%d" width="%.1f" height="%d" fill="%s" stroke="#114a7a"/><text x="%.1f" y="%d">%.3g mAh</text>`,
			left-8, y+16, xml(l.Name), left, y+3, length, row-6, fill, float64(left)+length+6, y+16, 1000*l.Charge)
	}
	p(`<text x="%d" y="%d" font-size="12">hatched: assumed (common practice), not known for this rig</text>`, left, high-14)
	p(`</svg>`)
	_, err := io.WriteString(w, b.String())
	return err
}

func xml(s string) string {
	return strings.NewReplacer("&", "&amp;", "<", "&lt;", ">", "&gt;", `"`, "&quot;").Replace(s)
}
