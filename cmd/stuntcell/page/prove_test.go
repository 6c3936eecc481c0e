package page_test

import (
	"bytes"
	"context"
	"io"
	"net/http"
	"strings"
	"sync"
	"testing"
	"time"

	"stuntcell/cmd/stuntcell/page"
)

func TestProveRunsALoggerToItsVerdict(t *testing.T) {
	s := newServer(t, page.Options{})
	want(t, get(s, "/prove?logger=tick-wrap&scope=picked&scenario=tick-wrap-mid-discharge"), 200, "stuntcell prove --defect tick-wrap tick-wrap-mid-discharge")
	want(t, get(s, "/prove?logger=nope"), 400, "no built-in logger")
	want(t, get(s, "/prove?scope=picked"), 400, "at least one")
	w := ask(s, "POST", "/prove/run", strings.NewReader("logger=tick-wrap&scope=picked&scenario=tick-wrap-mid-discharge&scenario=discharge-two-rates"), "Content-Type", form)
	want(t, w, 303)
	at := w.Header().Get("Location")
	path, _, _ := strings.Cut(at, "?")
	// The stream of events ends with the run.
	events := get(s, path+"/events").Body.String()
	if strings.Count(events, "event: verdict") != 2 || !strings.Contains(events, "event: end") {
		t.Errorf("events:\n%s", events)
	}
	// One that comes back sees only what it has missed.
	events = ask(s, "GET", path+"/events", nil, "Last-Event-ID", "0").Body.String()
	if strings.Count(events, "event: verdict") != 1 || !strings.Contains(events, "id: 1") {
		t.Errorf("events after the first:\n%s", events)
	}
	want(t, get(s, at), 200, "FAIL", "Most likely", "tick-wrap", "1 hold, 1 fail", "report.html")
	want(t, get(s, path+"/verdict/tick-wrap-mid-discharge"), 200, "it wrote", "should be", `class="truth"`, `class="logged"`, "Around")
	want(t, get(s, path+"/verdict/discharge-two-rates"), 200, "PASS")
	want(t, get(s, path+"/verdict/nope"), 404, "no verdict")
	for file, text := range map[string]string{"report.html": "<html", "junit.xml": "<testsuite", "verdicts.ndjson": `"schema":"stuntcell.verdict/1"`, "checks.csv": "tick-wrap-mid-discharge,charge,"} {
		want(t, get(s, path+"/file/"+file), 200, text)
	}
	want(t, get(s, path+"/verdict/tick-wrap-mid-discharge/course.csv"), 200, "logged_charge_As")
	want(t, get(s, path+"/verdict/tick-wrap-mid-discharge/course.svg"), 200, "tick-wrap")
	want(t, get(s, path+"/file/nope"), 404)
	want(t, get(s, "/prove"), 200, "2 of 2 scenarios")

	// After a restart the page says that the run is gone, and leads back to what it was started from.
	again := newServer(t, page.Options{})
	w = get(again, at)
	want(t, w, 404, "This run is gone", "/prove?logger=tick-wrap&amp;scenario=tick-wrap-mid-discharge")
	want(t, get(again, path+"/events"), 404)
}

func start(t *testing.T, s *page.Server, query string) string {
	t.Helper()
	w := ask(s, "POST", "/prove/run", strings.NewReader(query), "Content-Type", form)
	want(t, w, 303)
	return w.Header().Get("Location")
}

// until waits for a page to say something, as a person would.
func until(t *testing.T, s *page.Server, target, text string) {
	t.Helper()
	for range 1500 {
		if strings.Contains(get(s, target).Body.String(), text) {
			return
		}
		time.Sleep(20 * time.Millisecond)
	}
	t.Fatalf("%s never says %q", target, text)
}

func TestARunCanBeStopped(t *testing.T) {
	b := bench{wait: make(chan struct{})}
	s := newServer(t, page.Options{Bench: b})
	at := start(t, s, "logger=good&scope=picked&scenario=discharge-20h")
	path, query, _ := strings.Cut(at, "?")
	want(t, get(s, at), 200, "0 of 1 scenarios", `http-equiv="refresh"`, "Stop")
	want(t, ask(s, "POST", path+"/stop?"+query, nil), 303)
	want(t, get(s, at), 200, "it was stopped", "0 of 1 scenarios were finished")
}

func TestAClosedPageEndsItsRun(t *testing.T) {
	b := bench{wait: make(chan struct{})}
	o := page.Options{Bench: b, Limits: page.Limits{Linger: time.Second}}
	base := listen(t, o)
	r, err := http.Post(base+"/prove/run", form, strings.NewReader("logger=good&scope=picked&scenario=discharge-20h"))
	if err != nil {
		t.Fatal(err)
	}
	r.Body.Close()
	at := r.Request.URL
	ctx, closeTab := context.WithCancel(context.Background())
	req, _ := http.NewRequestWithContext(ctx, "GET", base+at.Path+"/events", nil)
	stream, err := http.DefaultClient.Do(req)
	if err != nil {
		t.Fatal(err)
	}
	time.Sleep(1500 * time.Millisecond) // longer than it lingers
	text := func() string {
		// Another page looks, without a stream of its own: through the list of runs, which does not count as looking at it.
		r, err := http.Get(base + "/prove")
		if err != nil {
			t.Fatal(err)
		}
		defer r.Body.Close()
		data, _ := io.ReadAll(r.Body)
		return string(data)
	}
	if strings.Contains(text(), "Nothing judged, 0 of 1") {
		t.Error("the run ended while its page was open")
	}
	closeTab()
	stream.Body.Close()
	for range 1500 {
		if strings.Contains(text(), "Nothing judged, 0 of 1") {
			r, err := http.Get(at.String())
			if err != nil {
				t.Fatal(err)
			}
			defer r.Body.Close()
			if data, _ := io.ReadAll(r.Body); !strings.Contains(string(data), "was closed") {
				t.Error("the run's page does not say why it ended")
			}
			return
		}
		time.Sleep(20 * time.Millisecond)
	}
	t.Error("the run goes on without anybody looking")
}

func TestARunIsLimited(t *testing.T) {
	b := bench{wait: make(chan struct{})}
	s := newServer(t, page.Options{Bench: b, Limits: page.Limits{RunTime: 2 * time.Second, Runs: 1}})
	at := start(t, s, "logger=good&scope=picked&scenario=discharge-20h")
	want(t, ask(s, "POST", "/prove/run", strings.NewReader("logger=good&scope=picked&scenario=discharge-20h"), "Content-Type", form), 503, "1 runs are under way")
	until(t, s, at, "took longer than 2s")

	s = newServer(t, page.Options{Limits: page.Limits{Readings: 1000}})
	at = start(t, s, "logger=good&scope=picked&scenario=discharge-20h")
	until(t, s, at, "the page runs at most 1000")
	want(t, get(s, "/rehearse?plan=discharge-20h"), 400, "at most 1000")

	s = newServer(t, page.Options{Limits: page.Limits{PlayTime: time.Nanosecond}})
	want(t, get(s, "/rehearse?plan=discharge-20h"), 503, "takes too long")
}

// Two tabs that start runs get each its own.
func TestTwoRunsAtOnce(t *testing.T) {
	s := newServer(t, page.Options{})
	var group sync.WaitGroup
	for _, logger := range []string{"good", "tick-wrap"} {
		at := start(t, s, "logger="+logger+"&scope=picked&scenario=tick-wrap-mid-discharge")
		group.Go(func() {
			path, _, _ := strings.Cut(at, "?")
			if events := get(s, path+"/events").Body.String(); strings.Contains(events, `"class":"fail"`) != (logger == "tick-wrap") {
				t.Errorf("%s: %s", logger, events)
			}
		})
	}
	group.Wait()
}

func TestAScenarioOfTheProject(t *testing.T) {
	b := bench{own: "./logger", suite: []string{"mine.yaml"}, files: map[string]string{"mine.yaml": "scenario: mine\nsummary: A short one.\nplan:\n  - {discharge: 0.2 C, ends: {time: 10 min}}\n"}}
	s := newServer(t, page.Options{Bench: b})
	want(t, get(s, "/rehearse?plan=mine.yaml"), 200, "A short one.")
	want(t, get(s, "/prove"), 200, `<option value="own" selected>own: the project&#39;s own: ./logger`)
	at := start(t, s, "logger=own&scope=picked&scenario=mine.yaml")
	until(t, s, at, "1 hold")
}

// A fault of our own in a run, or in a rehearsal, is said and does not take the server with it.
func TestAFaultOfOurOwnIsSaid(t *testing.T) {
	var notes bytes.Buffer
	s := newServer(t, page.Options{Bench: bench{faulty: true}, Notes: &notes})
	at := start(t, s, "logger=good&scope=picked&scenario=discharge-20h")
	until(t, s, at, "a fault of stuntcell&#39;s own: out of order")
	want(t, get(s, "/rehearse?plan=discharge-20h"), 400, "a fault of stuntcell&#39;s own")
	want(t, get(s, "/"), 200)
	s.Close()
	if !strings.Contains(notes.String(), "goroutine") {
		t.Errorf("nothing was noted: %q", notes.String())
	}
}
