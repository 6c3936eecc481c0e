package page_test

import (
	"fmt"
	"net/url"
	"slices"
	"testing"
	"time"

	"stuntcell/cmd/stuntcell/page"
)

// The page's figures are medians: BenchmarkFirstView below 300 ms, BenchmarkChangedInput below 150 ms.

// median runs something as often as the benchmark asks for and reports the median of the times that it took.
func median(b *testing.B, do func(n int)) {
	var times []time.Duration
	for n := 0; b.Loop(); n++ {
		begun := time.Now()
		do(n)
		times = append(times, time.Since(begun))
	}
	slices.Sort(times)
	b.ReportMetric(float64(times[len(times)/2].Microseconds())/1000, "median-ms")
}

// twentyHours is a run of 20 h with a reading each second.
func twentyHours() bench {
	return bench{suite: []string{"twenty-hours.yaml"}, files: map[string]string{"twenty-hours.yaml": `scenario: twenty-hours
summary: Twenty hours at the rated current, a reading each second.
rig: {readings: {nominal: 1 s}}
plan: [{discharge: 0.05 C, ends: {time: 20 h, voltage: end}}]
`}}
}

// changed asks for a run that was not asked for before, and for its picture.
func changed(b *testing.B, s *page.Server, n int, more ...string) {
	state := url.Values{"plan": {"twenty-hours.yaml"}, "ambient": {fmt.Sprintf("%.3f degC", 20+float64(n%1000)/100)}}
	for i := 0; i+1 < len(more); i += 2 {
		state.Set(more[i], more[i+1])
	}
	for _, path := range []string{"/rehearse", "/rehearse/picture.svg"} {
		if w := get(s, path+"?"+state.Encode()); w.Code != 200 {
			b.Fatalf("%.300s", w.Body)
		}
	}
}

// BenchmarkFirstView is the page that is opened first, warm, with its style and its picture.
func BenchmarkFirstView(b *testing.B) {
	s := newServer(b, page.Options{})
	median(b, func(int) {
		for _, path := range []string{"/rehearse", "/static/style.css", "/static/page.js", "/rehearse/picture.svg?plan=discharge-20h"} {
			if w := get(s, path); w.Code != 200 {
				b.Fatal(w.Code)
			}
		}
	})
}

// BenchmarkChangedInput is what follows when an input of a run of 20 h at 1 Hz has changed: the page and its picture.
func BenchmarkChangedInput(b *testing.B) {
	s := newServer(b, page.Options{Bench: twentyHours()})
	median(b, func(n int) { changed(b, s, n) })
}

// BenchmarkCompared is the same with a second run beside it.
func BenchmarkCompared(b *testing.B) {
	s := newServer(b, page.Options{Bench: twentyHours()})
	median(b, func(n int) { changed(b, s, n, "beside-health", "60 %") })
}
