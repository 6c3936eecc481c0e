package picture

// Lighten thins the curves until all of them together have at most so many points, if they can be: each keeps, of each of a number of equal
// stretches, its first, lowest, highest and last point, so that a spike of one sample stays visible. The number is the same for all
// curves, so that they stay alike, and no fewer than 100.
func (p *Picture) Lighten(most int) {
	thin := make([][]Point, 0, 8)
	for stretches := mostStretches; ; stretches = max(stretches*3/4, 100) {
		sum := 0
		thin = thin[:0]
		for _, panel := range p.Panels {
			for _, c := range panel.Curves {
				points := lightened(c.Points, stretches)
				thin = append(thin, points)
				sum += len(points)
			}
		}
		if sum <= most || stretches == 100 {
			break
		}
	}
	k := 0
	p.Panels = append([]Panel(nil), p.Panels...)
	for n := range p.Panels {
		// The curves may be another picture's as well.
		curves := append([]Curve(nil), p.Panels[n].Curves...)
		for i := range curves {
			curves[i].Points = thin[k]
			k++
		}
		p.Panels[n].Curves = curves
	}
}

// lightened keeps of points in order of X the first, lowest, highest and last of each of so many stretches.
func lightened(points []Point, stretches int) []Point {
	if len(points) <= stretches {
		return points
	}
	first, last := points[0].X, points[len(points)-1].X
	width := (last - first) / float64(stretches)
	if !(width > 0) {
		return points
	}
	var out []Point
	for begin := 0; begin < len(points); {
		k := int((points[begin].X - first) / width)
		low, high, end := begin, begin, begin
		for ; end < len(points) && int((points[end].X-first)/width) == k; end++ {
			if points[end].Y < points[low].Y {
				low = end
			}
			if points[end].Y > points[high].Y {
				high = end
			}
		}
		at := -1
		for _, i := range [...]int{begin, min(low, high), max(low, high), end - 1} {
			if i != at {
				out = append(out, points[i])
			}
			at = i
		}
		begin = end
	}
	return out
}
