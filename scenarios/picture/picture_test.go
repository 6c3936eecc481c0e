package picture_test

import (
	"bytes"
	"encoding/xml"
	"image/png"
	"io"
	"math"
	"strconv"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"stuntcell/scenarios/picture"
)

// sine is a course over two hours with a spike of one sample.
func sine() *picture.Picture {
	var slow, fast picture.Envelope
	for t := 0.0; t <= 7200; t++ {
		y := math.Sin(t / 900)
		if t == 3600 {
			y = 5
		}
		slow.Add(t, y)
		fast.Add(t, math.Cos(t/900))
	}
	return &picture.Picture{
		Title: "a <course> & its mark",
		Panels: []picture.Panel{
			{Label: "voltage [V]", Curves: []picture.Curve{{Name: "truth", Points: slow.Points(1)}, {Name: "log", Points: fast.Points(1)}},
				Levels: []picture.Level{{Name: "end", Y: -0.5}}},
			{Label: "current [A]", Curves: []picture.Curve{{Points: fast.Points(2)}}},
		},
		Marks: []picture.Mark{{X: 3600, Name: "wrap"}},
	}
}

// path is what is drawn of one line in the coordinates of the file.
type path struct {
	D string `xml:"d,attr"`
}

// drawing is what a file draws, whatever it is grouped in.
type drawing struct {
	title string
	paths []path
	words []string
}

func parse(t *testing.T, data []byte) (d drawing) {
	t.Helper()
	dec := xml.NewDecoder(bytes.NewReader(data))
	for {
		token, err := dec.Token()
		if err == io.EOF {
			return d
		}
		if err != nil {
			t.Fatal(err)
		}
		start, ok := token.(xml.StartElement)
		if !ok {
			continue
		}
		var text string
		switch start.Name.Local {
		case "path":
			var p path
			if err := dec.DecodeElement(&p, &start); err != nil {
				t.Fatal(err)
			}
			d.paths = append(d.paths, p)
		case "title", "text":
			if err := dec.DecodeElement(&text, &start); err != nil {
				t.Fatal(err)
			}
			if start.Name.Local == "title" {
				d.title = text
			} else {
				d.words = append(d.words, text)
			}
		}
	}
}

// points are the corners of a path.
func (p path) points(t *testing.T) (points [][2]float64) {
	for _, s := range strings.FieldsFunc(p.D, func(r rune) bool { return r == 'M' || r == 'L' || r == 'Z' }) {
		x, y, ok := strings.Cut(s, ",")
		a, err1 := strconv.ParseFloat(x, 64)
		b, err2 := strconv.ParseFloat(y, 64)
		if !ok || err1 != nil || err2 != nil {
			t.Fatalf("path %q", p.D)
		}
		points = append(points, [2]float64{a, b})
	}
	return points
}

// A curve stands where its data are: the drawing is parsed back, and its corners are one linear map of the points away from them.
func TestCurvesStandWhereTheirDataAre(t *testing.T) {
	p := sine()
	var b bytes.Buffer
	if err := p.SVG(&b); err != nil {
		t.Fatal(err)
	}
	d := parse(t, b.Bytes())
	if d.title != p.Title {
		t.Errorf("title %q, want %q", d.title, p.Title)
	}
	said := strings.Join(d.words, "|")
	for _, want := range []string{"voltage [V]", "current [A]", "time [min]", "truth", "log", "end", "wrap"} {
		if !strings.Contains(said, want) {
			t.Errorf("the picture does not say %q: %s", want, said)
		}
	}
	wants := [][]picture.Point{p.Panels[0].Curves[0].Points, p.Panels[0].Curves[1].Points, p.Panels[1].Curves[0].Points}
	found := 0
	for _, line := range d.paths {
		if found == len(wants) {
			break
		}
		drawn, want := line.points(t), wants[found]
		if len(drawn) != len(want) {
			continue
		}
		found++
		if off := offLine(drawn, want); off > 0.01 {
			t.Errorf("curve %d is drawn %.3f points away from its data", found, off)
		}
	}
	if found != len(wants) {
		t.Errorf("found %d curves of %d", found, len(wants))
	}
}

// offLine is how far drawn corners are from the best linear map of the data, fixed by the extremes [points].
func offLine(drawn [][2]float64, data []picture.Point) float64 {
	lowX, highX, lowY, highY := 0, 0, 0, 0
	for i, p := range data {
		if p.X < data[lowX].X {
			lowX = i
		}
		if p.X > data[highX].X {
			highX = i
		}
		if p.Y < data[lowY].Y {
			lowY = i
		}
		if p.Y > data[highY].Y {
			highY = i
		}
	}
	kx := (drawn[highX][0] - drawn[lowX][0]) / (data[highX].X - data[lowX].X)
	ky := (drawn[highY][1] - drawn[lowY][1]) / (data[highY].Y - data[lowY].Y)
	worst := 0.0
	for i, p := range data {
		worst = math.Max(worst, math.Abs(drawn[lowX][0]+kx*(p.X-data[lowX].X)-drawn[i][0]))
		worst = math.Max(worst, math.Abs(drawn[lowY][1]+ky*(p.Y-data[lowY].Y)-drawn[i][1]))
	}
	return worst
}

func TestPNG(t *testing.T) {
	var b bytes.Buffer
	p := sine()
	p.Dark = true
	if err := p.Write(&b, "x.png"); err != nil {
		t.Fatal(err)
	}
	m, err := png.Decode(&b)
	if err != nil {
		t.Fatal(err)
	}
	if m.Bounds().Dx() != 1360 {
		t.Errorf("%d dots wide, want 680 pt at 144 dots an inch", m.Bounds().Dx())
	}
	if err := p.Write(io.Discard, "x.gif"); err == nil {
		t.Error("wrote a .gif")
	}
}

// What cannot be drawn well is drawn all the same, or refused; never a panic.
func TestOddPictures(t *testing.T) {
	one := []picture.Point{{X: 3, Y: 4}}
	flat := []picture.Point{{X: 1, Y: 2}, {X: 10, Y: 2}}
	for name, p := range map[string]*picture.Picture{
		"nothing in a panel": {Panels: []picture.Panel{{}}},
		"one point":          {Panels: []picture.Panel{{Curves: []picture.Curve{{Points: one}}}}},
		"a flat line":        {Panels: []picture.Panel{{Curves: []picture.Curve{{Points: flat}}}}},
		"zero all along":     {Panels: []picture.Panel{{Curves: []picture.Curve{{Points: []picture.Point{{}, {X: 5}}}}}}},
		"logarithmic":        {Axis: "current [A]", Log: true, Panels: []picture.Panel{{Curves: []picture.Curve{{Points: flat}}}}},
	} {
		if err := p.SVG(io.Discard); err != nil {
			t.Errorf("%s: %v", name, err)
		}
		if err := p.PNG(io.Discard); err != nil {
			t.Errorf("%s: %v", name, err)
		}
	}
	if err := (&picture.Picture{}).SVG(io.Discard); err == nil {
		t.Error("drew a picture without a panel")
	}
}

// An envelope forgets no extreme and grows no further than its stretches, whatever the course.
func TestEnvelopeKeepsExtremes(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		var e picture.Envelope
		low, high := math.Inf(1), math.Inf(-1)
		for range rapid.IntRange(1, 300).Draw(t, "n") {
			x, y := rapid.Float64Range(0, 1e7).Draw(t, "x"), rapid.Float64Range(-100, 100).Draw(t, "y")
			e.Add(x, y)
			low, high = math.Min(low, y), math.Max(high, y)
		}
		e.Add(5, math.NaN())
		e.Add(-1, 1e9)
		points := e.Points(1)
		gotLow, gotHigh, last := math.Inf(1), math.Inf(-1), 0.0
		for _, p := range points {
			if p.X < last {
				t.Fatalf("runs backwards at %v", p.X)
			}
			gotLow, gotHigh, last = math.Min(gotLow, p.Y), math.Max(gotHigh, p.Y), p.X
		}
		if gotLow != low || gotHigh != high || len(points) > 4*512 {
			t.Fatalf("%v to %v in %d points, want %v to %v in at most 2048", gotLow, gotHigh, len(points), low, high)
		}
	})
}

func BenchmarkSVG(b *testing.B) {
	p := sine()
	for b.Loop() {
		if err := p.SVG(io.Discard); err != nil {
			b.Fatal(err)
		}
	}
}

// A picture that is made lighter keeps the ends and the extremes of its curves, and their points are points that were there.
func TestLighten(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		var points []picture.Point
		was := map[picture.Point]bool{}
		x := 0.0
		for range rapid.IntRange(1, 3000).Draw(t, "points") {
			p := picture.Point{X: x, Y: rapid.Float64Range(-5, 5).Draw(t, "y")}
			x += float64(rapid.IntRange(0, 3).Draw(t, "step"))
			points, was[p] = append(points, p), true
		}
		extremes := func(points []picture.Point) (low, high float64) {
			low, high = math.Inf(1), math.Inf(-1)
			for _, p := range points {
				low, high = math.Min(low, p.Y), math.Max(high, p.Y)
			}
			return low, high
		}
		p := &picture.Picture{Panels: []picture.Panel{{Curves: []picture.Curve{{Points: points}}}}}
		most := rapid.IntRange(400, 4000).Draw(t, "most")
		p.Lighten(most)
		got := p.Panels[0].Curves[0].Points
		if len(got) > most && x > 0 {
			t.Fatalf("%d points: at most %d", len(got), most)
		}
		for i, q := range got {
			if !was[q] || i > 0 && q.X < got[i-1].X {
				t.Fatalf("point %d is %v, which was not there or is out of order", i, q)
			}
		}
		a, b := extremes(points)
		if c, d := extremes(got); a != c || b != d || got[0] != points[0] || got[len(got)-1] != points[len(points)-1] {
			t.Fatal("ends or extremes are lost")
		}
	})
}

// No element has a style of its own, which a page's policy would forbid, and a narrow picture is as narrow as asked for.
func TestSVGStandsInAnyPage(t *testing.T) {
	p := sine()
	p.Width = 340
	var b bytes.Buffer
	if err := p.SVG(&b); err != nil {
		t.Fatal(err)
	}
	svg := b.String()
	if strings.Contains(svg, "style=") || !strings.Contains(svg, `stroke="#114A7A"`) || !strings.Contains(svg, `font-family="Liberation Sans,Arial`) {
		t.Errorf("%.600s", svg)
	}
	if !strings.Contains(svg, `width="340pt" height="344pt"`) || p.Height() != 344 {
		t.Errorf("%.100s, height %v", svg, p.Height())
	}
}
