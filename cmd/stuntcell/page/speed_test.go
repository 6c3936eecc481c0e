package page_test

import (
	"fmt"
	"net/url"
	"testing"

	"stuntcell/cmd/stuntcell/page"
)

// twentyHours is a run of 20 h with a reading each second.
func twentyHours() bench {
	return bench{suite: []string{"twenty-hours.yaml"}, files: map[string]string{"twenty-hours.yaml": `scenario: twenty-hours
summary: Twenty hours at the rated current, a reading each second.
rig: {readings: {nominal: 1 s}}
plan: [{discharge: 0.05 C, ends: {time: 20 h, voltage: end}}]
`}}
}

// BenchmarkFirstView is the page that is opened first, warm: below 300 ms.
func BenchmarkFirstView(b *testing.B) {
	s := newServer(b, page.Options{})
	for b.Loop() {
		if w := get(s, "/rehearse"); w.Code != 200 {
			b.Fatal(w.Code)
		}
		get(s, "/static/style.css")
		get(s, "/rehearse/picture.svg?plan=discharge-20h")
	}
}

// BenchmarkChangedInput is what follows when an input of a run of 20 h at 1 Hz has changed: the page and its picture, below 150 ms.
func BenchmarkChangedInput(b *testing.B) {
	s := newServer(b, page.Options{Bench: twentyHours()})
	n := 0
	for b.Loop() {
		n++
		query := "?" + url.Values{"plan": {"twenty-hours.yaml"}, "ambient": {fmt.Sprintf("%.3f degC", 20+float64(n%1000)/100)}}.Encode()
		if w := get(s, "/rehearse"+query); w.Code != 200 {
			b.Fatalf("%.300s", w.Body)
		}
		if w := get(s, "/rehearse/picture.svg"+query); w.Code != 200 {
			b.Fatal(w.Code)
		}
	}
}

// BenchmarkCompared is the same with a second run beside it.
func BenchmarkCompared(b *testing.B) {
	s := newServer(b, page.Options{Bench: twentyHours()})
	n := 0
	for b.Loop() {
		n++
		query := "?" + url.Values{"plan": {"twenty-hours.yaml"}, "ambient": {fmt.Sprintf("%.3f degC", 20+float64(n%1000)/100)}, "beside-health": {"60 %"}}.Encode()
		if w := get(s, "/rehearse"+query); w.Code != 200 {
			b.Fatalf("%.300s", w.Body)
		}
		if w := get(s, "/rehearse/picture.svg"+query); w.Code != 200 {
			b.Fatal(w.Code)
		}
	}
}
