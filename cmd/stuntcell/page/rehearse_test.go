package page_test

import (
	"bytes"
	"encoding/csv"
	"encoding/xml"
	"fmt"
	"io"
	"regexp"
	"strconv"
	"strings"
	"testing"

	"stuntcell/cmd/stuntcell/page"
	"stuntcell/scenarios"
)

func TestRehearseShowsTheRunAndGivesItAway(t *testing.T) {
	s := newServer(t, page.Options{})
	// A twentieth of the capacity for 20 hours is what rated means: 7 Ah to 10.5 V, by the pack's own file.
	want(t, get(s, "/rehearse"), 200, "discharge-20h", "7.000 Ah", "10.505", "Limits that are crossed", "Before you connect anything",
		"stuntcell rehearse discharge-20h", "ended by time", "Local codes")
	want(t, get(s, "/rehearse?plan=discharge-20h&rate=0.1+C&ambient=10+degC&health=80+%25&pack=agm-12v-100ah&rig=shop-50a"), 200, "agm-12v-100ah",
		"--pack agm-12v-100ah --rig shop-50a --rate &#39;0.1 C&#39; --ambient &#39;10 degC&#39; --health &#39;80 %&#39;")
	// Brought back to the rated current and temperature a rated discharge at another rate is the rating again, by the same model.
	want(t, get(s, "/rehearse?plan=rated-discharge&rate=0.2+C"), 200, "of the rating, by the pack")
	want(t, get(s, "/rehearse?plan=discharge-20h&beside-health=50+%25"), 200, "second - first", "--health &#39;50 %&#39;")
	for query, said := range map[string]string{
		"rate=fast":                        "rate-wrong",
		"rate=-1+C":                        "out of range",
		"ambient=500+degC":                 "out of range",
		"health=130+%25":                   "out of range",
		"rate=1+A":                         "rate",
		"plan=discharge-2h":                "no plan",
		"pack=nope":                        "no pack",
		"beside-rig=nope":                  "no rig",
		"pack=a&pack=b":                    "stands 2 times",
		"plam=x":                           "plan?",
		"rate=%zz":                         "cannot be read",
		"rate=" + strings.Repeat("9", 300): "at most 200",
	} {
		want(t, get(s, "/rehearse?"+query), 400, said)
	}
	want(t, get(s, "/rehearse?plan=discharge-20h&outlook=on"), 200, "How far the figures may move", "65 %", "35 degC")
	want(t, get(s, "/rehearse?outlook=yes"), 400, "outlook")
	// A plan that would ruin the pack is refused with its limit.
	want(t, get(s, "/rehearse?plan=discharge-20h&rate=50+C"), 400, "limit")

	query := "?plan=discharge-20h&beside-rate=0.1+C"
	svg := get(s, "/rehearse/curves.svg"+query)
	want(t, svg, 200, "<title>discharge-20h", "truth of the second run")
	if svg.Header().Get("Content-Disposition") != "attachment; filename=discharge-20h.svg" {
		t.Errorf("%q", svg.Header().Get("Content-Disposition"))
	}
	rows, err := csv.NewReader(get(s, "/rehearse/curves.csv"+query).Body).ReadAll()
	if err != nil || len(rows) != 2002 || rows[0][0] != "t_s" {
		t.Fatalf("%d rows, %v", len(rows), err)
	}
	last := rows[len(rows)-1]
	number := func(s string) float64 {
		x, err := strconv.ParseFloat(s, 64)
		if err != nil {
			t.Fatal(err)
		}
		return x
	}
	if end, truth, counted := number(last[0]), number(last[3]), number(last[7]); end != 74400 || truth > -6.99 || truth < -7.01 || counted > -6.98 || counted < -7.02 {
		t.Errorf("the last row is %v: want the end at 74400 s with 7 Ah out, in truth and as counted", last)
	}
	want(t, get(s, "/rehearse/steps.csv"+query), 200, "step,kind,what", "discharge 350 mA")
	want(t, get(s, "/rehearse/curves-second.csv"+query), 200, "t_s,voltage_V")
	want(t, get(s, "/rehearse/sheet.html"+query), 200, "<html")
	want(t, get(s, "/rehearse/nothing.txt"+query), 404)
	// The scenario file is a scenario file, with the command line that makes it what was shown.
	file := get(s, "/rehearse/scenario.yaml?plan=discharge-20h&rate=0.1+C").Body.String()
	if !strings.HasPrefix(file, "# As it was shown: stuntcell rehearse discharge-20h.yaml --rate '0.1 C'\n") {
		t.Errorf("%.100s", file)
	}
	if _, err := scenarios.Parse("discharge-20h.yaml", []byte(file), scenarios.Env{}); err != nil {
		t.Error(err)
	}
}

// A mark of the picture stands where its instant is: the picture is parsed back, and the same map that takes the time of the axis' figures to their places
// takes the events' instants to the marks.
func TestMarksStandAtTheirInstants(t *testing.T) {
	s := newServer(t, page.Options{})
	html := get(s, "/rehearse?plan=discharge-20h").Body.String()
	svg := get(s, "/rehearse/picture.svg?plan=discharge-20h").Body.Bytes()
	type element struct {
		X    float64 `xml:"x,attr"`
		D    string  `xml:"d,attr"`
		Dash string  `xml:"stroke-dasharray,attr"`
		Text string  `xml:",chardata"`
	}
	var hours []element // figures of the time axis
	var marks []float64
	dec := xml.NewDecoder(bytes.NewReader(svg))
	for {
		token, err := dec.Token()
		if err == io.EOF {
			break
		}
		if err != nil {
			t.Fatal(err)
		}
		start, ok := token.(xml.StartElement)
		if !ok || start.Name.Local != "path" && start.Name.Local != "text" {
			continue
		}
		var e element
		if err := dec.DecodeElement(&e, &start); err != nil {
			t.Fatal(err)
		}
		var x0, x1 float64
		if n, _ := fmt.Sscanf(strings.NewReplacer("M", "", "L", " ", ",", " ").Replace(e.D), "%g %g %g", &x0, new(float64), &x1); e.Dash == "1,2" && n == 3 && x0 == x1 {
			marks = append(marks, x0)
		}
		if text := strings.TrimSpace(e.Text); text == "5" || text == "10" || text == "15" {
			hours = append(hours, e)
		}
	}
	// The figures of the axis stand centred: their left edges are apart by what the axis says, but for the width of a digit between 5 and 10. Two of equal width
	// give the scale.
	var ten, fifteen float64
	for _, e := range hours {
		switch e.Text {
		case "10":
			ten = e.X
		case "15":
			fifteen = e.X
		}
	}
	if ten == 0 || fifteen <= ten {
		t.Fatalf("the axis has no figures: %v", hours)
	}
	perHour := (fifteen - ten) / 5
	// Instants of the events' table: 0:10:00, 1:52:16, 18:12:16, 20:10:00.
	var at []float64
	for _, m := range regexp.MustCompile(`<td class="n">\d+</td><td class="n">(\d+):(\d\d):(\d\d)</td>`).FindAllStringSubmatch(html, -1) {
		h, _ := strconv.ParseFloat(m[1], 64)
		minutes, _ := strconv.ParseFloat(m[2], 64)
		seconds, _ := strconv.ParseFloat(m[3], 64)
		at = append(at, h+minutes/60+seconds/3600)
	}
	if len(at) < 4 || len(marks) < 4 {
		t.Fatalf("%d events, %d marks", len(at), len(marks))
	}
	// Each event has a mark in each of the four panels; all lie on one line x = a + perHour·t.
	origin := marks[0] - at[0]*perHour
	for _, hour := range at {
		found := false
		for _, x := range marks {
			found = found || abs(x-(origin+hour*perHour)) < 0.06 // the file has hundredths; the scale is from 5 h of 20
		}
		if !found {
			t.Errorf("no mark at %.4f h, where %.2f is expected; marks at %v", hour, origin+hour*perHour, marks)
		}
	}
	if got := (ten - origin) / perHour; abs(got-10) > 0.3 { // half the width of two digits
		t.Errorf("the marks' own axis has the figure of 10 h at %.2f h", got)
	}
}

func abs(x float64) float64 { return max(x, -x) }

// A real plan of weeks, drawn beside a second one, with all that is around it.
func TestThePageIsLight(t *testing.T) {
	if testing.Short() {
		t.Skip("it takes seconds")
	}
	b := bench{suite: []string{"fifty-days.yaml"}, files: map[string]string{"fifty-days.yaml": `scenario: fifty-days
summary: Fifty days of pulses and rest.
rig: {readings: {nominal: 20 s}}
plan:
  - steps:
      - {discharge: 0.05 C, ends: {time: 11 h, voltage: end}, pulse: {every: 2 h, on: 40 min, low: 20 %}}
      - {rest: 1 h}
      - {charge: 0.1 C, to: float, ends: {time: 12 h, current: taper}}
    repeat: 50
`}}
	s := newServer(t, page.Options{Bench: b})
	for _, query := range []string{"?plan=fifty-days.yaml", "?plan=fifty-days.yaml&beside-health=70+%25"} {
		html := get(s, "/rehearse"+query)
		want(t, html, 200, "Fifty days")
		picture := get(s, "/rehearse/picture.svg"+query)
		want(t, picture, 200)
		sum := html.Body.Len() + picture.Body.Len()
		for _, file := range []string{"style.css", "page.js", "icon.svg"} {
			sum += get(s, "/static/"+file).Body.Len()
		}
		t.Logf("%s: page %d bytes, picture %d, with style and script %d", query, html.Body.Len(), picture.Body.Len(), sum)
		if sum > 300_000 {
			t.Errorf("%s weighs %d bytes: at most 300,000", query, sum)
		}
	}
}
