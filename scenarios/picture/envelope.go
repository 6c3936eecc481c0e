package picture

import "math"

// mostStretches is how many stretches an envelope keeps: about one for each dot across.
const mostStretches = 512

// Envelope keeps a course in bounded memory: of each of at most 512 equal stretches the first, the lowest, the highest and the last point, which is
// all that a line through every point would show. Its zero value is ready.
type Envelope struct {
	width     float64 // of a stretch
	stretches []stretch
}

type stretch struct {
	first, low, high, last Point
	any                    bool
}

// Add takes the value y at x, which must not be negative; what is not finite is left out.
func (e *Envelope) Add(x, y float64) {
	if !(x >= 0) || math.IsInf(x, 0) || math.IsNaN(y) || math.IsInf(y, 0) {
		return
	}
	if e.width == 0 {
		e.width = 1.0 / 64
	}
	for x/e.width >= mostStretches {
		e.halve()
	}
	k := int(x / e.width)
	for len(e.stretches) <= k {
		e.stretches = append(e.stretches, stretch{})
	}
	p := Point{x, y}
	e.stretches[k].join(stretch{p, p, p, p, true})
}

func (s *stretch) join(o stretch) {
	switch {
	case !o.any:
		return
	case !s.any:
		*s = o
		return
	}
	if o.first.X < s.first.X {
		s.first = o.first
	}
	if o.last.X >= s.last.X {
		s.last = o.last
	}
	if o.low.Y < s.low.Y {
		s.low = o.low
	}
	if o.high.Y > s.high.Y {
		s.high = o.high
	}
}

// halve joins each two stretches to one of twice the width.
func (e *Envelope) halve() {
	for k := 0; 2*k < len(e.stretches); k++ {
		s := e.stretches[2*k]
		if 2*k+1 < len(e.stretches) {
			s.join(e.stretches[2*k+1])
		}
		e.stretches[k] = s
	}
	e.stretches = e.stretches[:(len(e.stretches)+1)/2]
	e.width *= 2
}

// Points are the envelope as a line, its values multiplied by scale.
func (e *Envelope) Points(scale float64) []Point {
	points := make([]Point, 0, 2*len(e.stretches))
	for _, s := range e.stretches {
		if !s.any {
			continue
		}
		middle := [...]Point{s.low, s.high}
		if s.high.X < s.low.X {
			middle = [...]Point{s.high, s.low}
		}
		for k, p := range [...]Point{s.first, middle[0], middle[1], s.last} {
			// A stretch that only rises or falls is its two ends.
			if n := len(points); k == 0 || p.X != points[n-1].X || p.Y*scale != points[n-1].Y {
				points = append(points, Point{p.X, p.Y * scale})
			}
		}
	}
	return points
}
