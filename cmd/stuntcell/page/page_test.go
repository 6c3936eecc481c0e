package page_test

import (
	"bytes"
	"context"
	"encoding/csv"
	"encoding/xml"
	"fmt"
	"io"
	"maps"
	"mime/multipart"
	"net"
	"net/http"
	"net/http/httptest"
	"net/url"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strconv"
	"strings"
	"sync"
	"testing"
	"time"

	"go.uber.org/goleak"

	"stuntcell/cmd/stuntcell/page"
	"stuntcell/emulator"
	"stuntcell/emulator/link"
	"stuntcell/emulator/rig"
	"stuntcell/model"
	"stuntcell/model/outside"
	"stuntcell/scenarios"
	"stuntcell/scenarios/lesson"
	"stuntcell/validate"
	"stuntcell/validate/loggers"
	"stuntcell/validate/verdict"
)

func TestMain(m *testing.M) { goleak.VerifyTestMain(m) }

// bench is what is on board, and a logger that waits until it is let go.
type bench struct {
	suite []string
	files map[string]string
	own   string
	// wait, if not nil, holds every proof until it is closed.
	wait chan struct{}
	*learned
}

func (b bench) Env() scenarios.Env {
	return scenarios.Env{Open: func(name string) ([]byte, error) {
		if text, ok := b.files[name]; ok {
			return []byte(text), nil
		}
		return nil, os.ErrNotExist
	}}
}
func (b bench) Suite() []string { return b.suite }
func (b bench) Scenario(name string, env scenarios.Env) (*scenarios.Scenario, error) {
	if text, ok := b.files[name]; ok {
		return scenarios.Parse(name, []byte(text), env)
	}
	return scenarios.ByName(name, env)
}
func (b bench) Pack(name string) (*model.Pack, error) { return model.PackByName(name) }
func (b bench) Rig(name string) (rig.Rig, error)      { return rig.ByName(name) }
func (b bench) Own() string                           { return b.own }
func (b bench) Prove(ctx context.Context, logger string, sc *scenarios.Scenario) (*verdict.Verdict, error) {
	if b.wait != nil {
		select {
		case <-b.wait:
		case <-ctx.Done():
			return nil, context.Cause(ctx)
		}
	}
	build := loggers.Good()
	if d, ok := loggers.ByName(logger); ok {
		build = d.New
	}
	rec, err := emulator.Run(ctx, sc.Setup, link.NewInProcess(build, sc.Setup.Seed))
	if err != nil {
		return nil, err
	}
	return validate.Judge(sc, rec, validate.Options{Tool: "test", Logger: "built-in " + logger}), nil
}

// learned is what was predicted.
type learned struct {
	mu   sync.Mutex
	kept map[string]bool
}

func (b bench) Learned() (map[string]bool, error) {
	if b.learned == nil {
		return nil, nil
	}
	b.learned.mu.Lock()
	defer b.learned.mu.Unlock()
	return maps.Clone(b.learned.kept), nil
}

func (b bench) Predicted(l *lesson.Lesson, a lesson.Answer, o *lesson.Outcome) error {
	b.learned.mu.Lock()
	defer b.learned.mu.Unlock()
	b.learned.kept[l.Name] = o.Holds(a)
	return nil
}

func (b bench) Progress(w io.Writer) error {
	_, err := fmt.Fprintln(w, "lesson,title", len(b.learned.kept))
	return err
}

func newServer(t testing.TB, o page.Options) *page.Server {
	t.Helper()
	if o.Bench == nil {
		o.Bench = bench{}
	}
	o.Tool = "test"
	// The machine may be busy with other tests, and slow under the race detector.
	o.Limits.Wait = time.Minute
	if o.Limits.PlayTime == 0 {
		o.Limits.PlayTime = time.Minute
	}
	s, err := page.New(o)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(s.Close)
	return s
}

// listen serves a page on a port of the loopback and returns its address.
func listen(t testing.TB, o page.Options) string {
	t.Helper()
	s := newServer(t, o)
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	ctx, stop := context.WithCancel(context.Background())
	done := make(chan error, 1)
	go func() { done <- s.Serve(ctx, l) }()
	t.Cleanup(func() {
		http.DefaultTransport.(*http.Transport).CloseIdleConnections()
		stop()
		if err := <-done; err != nil {
			t.Error(err)
		}
	})
	return "http://" + l.Addr().String()
}

// ask sends a request to a server without a network.
func ask(s *page.Server, method, target string, body io.Reader, head ...string) *httptest.ResponseRecorder {
	r := httptest.NewRequest(method, target, body)
	r.Host = "127.0.0.1:8275"
	for i := 0; i+1 < len(head); i += 2 {
		if head[i] == "Host" {
			r.Host = head[i+1]
			continue
		}
		r.Header.Set(head[i], head[i+1])
	}
	w := httptest.NewRecorder()
	s.Handler().ServeHTTP(w, r)
	return w
}

func get(s *page.Server, target string) *httptest.ResponseRecorder {
	return ask(s, "GET", target, nil)
}

// want fails unless an answer has the status and holds all texts.
func want(t *testing.T, w *httptest.ResponseRecorder, status int, texts ...string) {
	t.Helper()
	if w.Code != status {
		t.Errorf("status %d, want %d: %.300s", w.Code, status, w.Body)
	}
	for _, text := range texts {
		if !strings.Contains(w.Body.String(), text) {
			t.Errorf("the answer does not say %q", text)
		}
	}
}

const form = "application/x-www-form-urlencoded"

func TestStrangersAreRefused(t *testing.T) {
	s := newServer(t, page.Options{})
	for _, c := range []struct {
		name, method string
		head         []string
		status       int
	}{
		{"the loopback", "GET", nil, 200},
		{"its name", "GET", []string{"Host", "localhost:8275"}, 200},
		{"without a port", "GET", []string{"Host", "localhost"}, 200},
		{"the other loopback", "GET", []string{"Host", "[::1]:8275"}, 200},
		{"all of 127", "GET", []string{"Host", "127.8.9.10:1"}, 200},
		{"a name that points here", "GET", []string{"Host", "evil.example:8275"}, 403},
		{"a name that begins like ours", "GET", []string{"Host", "localhost.evil.example"}, 403},
		{"a name that begins like an address", "GET", []string{"Host", "127.0.0.1.evil.example"}, 403},
		{"another machine's address", "GET", []string{"Host", "192.0.2.1:8275"}, 403},
		{"no name", "GET", []string{"Host", ""}, 403},
		{"a foreign page", "GET", []string{"Origin", "http://evil.example"}, 403},
		{"a page of another port", "GET", []string{"Origin", "http://127.0.0.1:1"}, 403},
		{"a page without an origin", "GET", []string{"Origin", "null"}, 403},
		{"our own page", "GET", []string{"Origin", "http://127.0.0.1:8275"}, 200},
		{"the same over TLS, which is another", "GET", []string{"Origin", "https://127.0.0.1:8275"}, 403},
		{"a link on a foreign page", "GET", []string{"Sec-Fetch-Site", "cross-site", "Sec-Fetch-Mode", "navigate"}, 200},
		{"an image on a foreign page", "GET", []string{"Sec-Fetch-Site", "cross-site", "Sec-Fetch-Mode", "no-cors"}, 403},
		{"a form on a foreign page", "POST", []string{"Sec-Fetch-Site", "cross-site", "Sec-Fetch-Mode", "navigate"}, 403},
		{"a form on a page of another port", "POST", []string{"Sec-Fetch-Site", "same-site", "Sec-Fetch-Mode", "navigate"}, 403},
		{"a form on a foreign page, in an old browser", "POST", []string{"Origin", "http://evil.example"}, 403},
	} {
		t.Run(c.name, func(t *testing.T) {
			target := "/"
			if c.method == "POST" {
				target = "/prove/run"
			}
			w := ask(s, c.method, target, strings.NewReader("logger=good"), append(c.head, "Content-Type", form)...)
			want(t, w, c.status)
		})
	}
}

func TestEveryAnswerForbidsWhatIsNotOurs(t *testing.T) {
	s := newServer(t, page.Options{})
	for _, target := range []string{"/", "/rehearse", "/prove", "/logs", "/budget", "/lessons", "/lessons/two-clocks?answer=6+min", "/lessons/two-clocks/picture.svg", "/static/page.js", "/nowhere", "/rehearse/picture.svg"} {
		w := get(s, target)
		policy := w.Header().Get("Content-Security-Policy")
		if !strings.Contains(policy, "default-src 'none'") || strings.Contains(policy, "unsafe") {
			t.Errorf("%s: policy %q", target, policy)
		}
		if w.Header().Get("X-Content-Type-Options") != "nosniff" {
			t.Errorf("%s: its type may be guessed", target)
		}
		// What the policy forbids must not be there: it would be missing.
		for _, bad := range []string{" style=", "<style", " onclick", " onload", "javascript:", "http://", "https://"} {
			text := strings.ReplaceAll(w.Body.String(), "http://www.w3.org/", "")
			if strings.Contains(text, bad) {
				t.Errorf("%s holds %q", target, bad)
			}
		}
	}
}

func TestPathsDoNotLeaveThePage(t *testing.T) {
	s := newServer(t, page.Options{})
	for _, target := range []string{
		"/static/../page.go", "/static/..%2fpage.go", "/static/%2e%2e/page.go", "/static/", "/static/style.css/../../page.go", "/etc/passwd", "/static//etc/passwd",
		"/rehearse/../../etc/passwd", "/rehearse/..%2f..%2fetc%2fpasswd", "/logs/..%2f..%2fetc%2fpasswd/report.txt", "/prove/run/..%2f/file/report.html",
	} {
		w := get(s, target)
		if w.Code == 200 || strings.Contains(w.Body.String(), "root:") || strings.Contains(w.Body.String(), "package page") {
			t.Errorf("%s: status %d, %.80s", target, w.Code, w.Body)
		}
	}
	want(t, get(s, "/static/style.css"), 200, ":root")
	// A plan is the name of one on board, never of a file.
	for _, plan := range []string{"/etc/passwd", "../../../etc/passwd", "x.yaml"} {
		want(t, get(s, "/rehearse?plan="+url.QueryEscape(plan)), 400, "no plan")
	}
}

func TestMarkupIsShownAsItIs(t *testing.T) {
	s := newServer(t, page.Options{})
	evil := `"><script>alert(1)</script><img src=x onerror=alert(1)>`
	for _, target := range []string{
		"/rehearse?plan=" + url.QueryEscape(evil), "/rehearse?pack=" + url.QueryEscape(evil), "/rehearse?rate=" + url.QueryEscape(evil),
		"/rehearse?" + url.QueryEscape(evil) + "=1", "/prove?logger=" + url.QueryEscape(evil), "/prove?scenario=" + url.QueryEscape(evil), "/prove?scope=" + url.QueryEscape(evil),
		"/budget?rig=" + url.QueryEscape(evil), "/budget?part-ohm=" + url.QueryEscape(evil), "/logs?cutoff=" + url.QueryEscape(evil), "/prove/run/" + url.PathEscape(evil), "/lessons/" + url.PathEscape(evil), "/lessons/two-clocks?answer=" + url.QueryEscape(evil), "/lessons/two-clocks?try=" + url.QueryEscape(evil),
	} {
		w := get(s, target)
		if w.Code < 400 || w.Code >= 500 {
			t.Errorf("%s: status %d", target, w.Code)
		}
		if body := w.Body.String(); strings.Contains(body, "<script>alert") || strings.Contains(body, "<img src=x") {
			t.Errorf("%s: its markup is in the page", target)
		}
	}
	// The name of a log is the user's as well, and its columns are.
	w := upload(s, evil+".csv", "time_s,V,"+`"<b>A</b> A"`+"\n0,12,-1\n1,12,-1\n2,12,-1\n")
	if w.Code == 303 {
		w = get(s, w.Header().Get("Location"))
	}
	if body := w.Body.String(); strings.Contains(body, "<script>alert") || strings.Contains(body, "<b>A") {
		t.Error("the markup of a log's name is in the page")
	}
}

func upload(s *page.Server, name, log string, fields ...string) *httptest.ResponseRecorder {
	var b bytes.Buffer
	m := multipart.NewWriter(&b)
	for i := 0; i+1 < len(fields); i += 2 {
		m.WriteField(fields[i], fields[i+1])
	}
	f, _ := m.CreateFormFile("log", name)
	io.WriteString(f, log)
	m.Close()
	return ask(s, "POST", "/logs", &b, "Content-Type", m.FormDataContentType())
}

func TestRehearseShowsTheRunAndGivesItAway(t *testing.T) {
	s := newServer(t, page.Options{})
	// A twentieth of the capacity for 20 hours is what rated means: 7 Ah to 10.5 V, by the pack's own file.
	want(t, get(s, "/rehearse"), 200, "discharge-20h", "7.000 Ah", "10.505", "Limits that are crossed", "Before you connect anything",
		"stuntcell rehearse discharge-20h", "ended by time", "Local codes")
	want(t, get(s, "/rehearse?plan=discharge-20h&rate=0.1+C&ambient=10+degC&health=80+%25&pack=agm-12v-100ah&rig=shop-50a"), 200, "agm-12v-100ah",
		"--pack agm-12v-100ah --rig shop-50a --rate &#39;0.1 C&#39; --ambient &#39;10 degC&#39; --health &#39;80 %&#39;")
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
	for range 200 {
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
	o := page.Options{Bench: b, Limits: page.Limits{Linger: 150 * time.Millisecond}}
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
	time.Sleep(400 * time.Millisecond) // longer than it lingers
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
	for range 100 {
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
	s := newServer(t, page.Options{Bench: b, Limits: page.Limits{RunTime: 100 * time.Millisecond, Runs: 1}})
	at := start(t, s, "logger=good&scope=picked&scenario=discharge-20h")
	want(t, ask(s, "POST", "/prove/run", strings.NewReader("logger=good&scope=picked&scenario=discharge-20h"), "Content-Type", form), 503, "1 runs are under way")
	until(t, s, at, "took longer than 100ms")

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

const csvLog = "time_s,V,A,Ah\n"

// aLog is a discharge of 1 A for an hour.
func aLog() string {
	var b strings.Builder
	b.WriteString(csvLog)
	for k := 0; k <= 360; k++ {
		fmt.Fprintf(&b, "%d,%.3f,-1.000,%.5f\n", 10*k, 12.6-0.002*float64(k), -float64(k)/360)
	}
	return b.String()
}

func TestALogIsAudited(t *testing.T) {
	s := newServer(t, page.Options{})
	w := upload(s, "run.csv", aLog(), "cutoff", "11.9 V", "rig", "shop-50a")
	want(t, w, 303)
	at := w.Header().Get("Location")
	// 1 A for 3600 s is 1 Ah.
	want(t, get(s, at), 200, "run.csv", "1.0000 Ah", "361", "stuntcell audit run.csv --cutoff &#39;11.9 V&#39; --rig shop-50a", "The capacity is")
	// 15 K below the reference at 0.6 %/K the pack holds 9 % less than there: 1/(1 - 0.09) = 1.0989 Ah, and of a rated 1.2 Ah that is 91.6 %.
	w = upload(s, "cold.csv", aLog(), "cutoff", "11.9 V", "cell", "10 degC", "reference", "25 degC", "rated", "1.2 Ah")
	want(t, w, 303)
	want(t, get(s, w.Header().Get("Location")), 200, "1.0989 Ah", "91.6 % of rated", "nothing is graded")
	path, _, _ := strings.Cut(at, "?")
	for file, text := range map[string]string{"picture.svg": "<svg", "curves.svg": "<svg", "phases.csv": "discharge,", "report.txt": "run.csv", "report.json": "stuntcell.audit/1", "sheet.html": "<html"} {
		want(t, get(s, path+"/"+file), 200, text)
	}
	want(t, get(s, path+"/nope"), 404)
	want(t, get(s, "/logs"), 200, "Audited before", "run.csv")
	want(t, get(newServer(t, page.Options{}), at), 404, "This audit is gone")

	want(t, upload(s, "x.csv", "this is no log\n"), 400, "log-wrong")
	want(t, upload(s, "x.csv", ""), 400)
	want(t, upload(s, "x.gz", "\x1f\x8b\x08\x00\x00\x00\x00\x00"), 400)
	want(t, upload(s, "x.csv", aLog(), "cutoff", "much"), 400, "cutoff-wrong")
	want(t, ask(s, "POST", "/logs", strings.NewReader("x=1"), "Content-Type", form), 400, "This is no form")
	want(t, ask(s, "POST", "/logs", strings.NewReader("garbage"), "Content-Type", "multipart/form-data; boundary=x"), 400)
}

// endless is a body without end.
type endless struct{ n int }

func (e *endless) Read(p []byte) (int, error) {
	const line = "1,12.000,-1.000,0.1\n"
	for i := range p {
		p[i] = line[(e.n+i)%len(line)]
	}
	e.n += len(p)
	return len(p), nil
}

func TestABodyThatIsTooLargeIsRefused(t *testing.T) {
	base := listen(t, page.Options{Limits: page.Limits{Log: 1 << 20}})
	head := "--x\r\nContent-Disposition: form-data; name=\"log\"; filename=\"big.csv\"\r\n\r\n" + csvLog
	body := func() io.Reader { return io.MultiReader(strings.NewReader(head), io.LimitReader(&endless{}, 1<<30)) }
	post := func(length int64) (int, string) {
		r, err := http.NewRequest("POST", base+"/logs", body())
		if err != nil {
			t.Fatal(err)
		}
		r.ContentLength = length
		r.Header.Set("Content-Type", "multipart/form-data; boundary=x")
		w, err := http.DefaultClient.Do(r)
		if err != nil {
			return 0, err.Error() // cut off while it was still sending
		}
		defer w.Body.Close()
		data, _ := io.ReadAll(w.Body)
		return w.StatusCode, string(data)
	}
	if code, text := post(1 << 30); code != 413 && code != 0 {
		t.Errorf("announced: %d %.200s", code, text)
	}
	if code, text := post(-1); code != 413 && code != 0 {
		t.Errorf("not announced: %d %.200s", code, text)
	}
	// The answer itself, where nothing is cut off.
	s := newServer(t, page.Options{Limits: page.Limits{Log: 1 << 20}})
	w := ask(s, "POST", "/logs", io.MultiReader(strings.NewReader(head), io.LimitReader(&endless{}, 8<<20)), "Content-Type", "multipart/form-data; boundary=x")
	want(t, w, 413, "At most 1 MB", "stuntcell audit")
	want(t, ask(s, "POST", "/prove/run", io.LimitReader(&endless{}, 1<<20), "Content-Type", form), 413)
}

// Connections that say nothing do not keep others out.
func TestFiveHundredConnections(t *testing.T) {
	base := listen(t, page.Options{})
	host := strings.TrimPrefix(base, "http://")
	var silent []net.Conn
	defer func() {
		for _, c := range silent {
			c.Close()
		}
	}()
	for range 500 {
		c, err := net.Dial("tcp", host)
		if err != nil {
			t.Fatal(err)
		}
		silent = append(silent, c)
	}
	client := http.Client{Timeout: 5 * time.Second}
	defer client.CloseIdleConnections()
	r, err := client.Get(base + "/static/icon.svg")
	if err != nil {
		t.Fatal(err)
	}
	r.Body.Close()
	if r.StatusCode != 200 {
		t.Errorf("status %d", r.StatusCode)
	}
}

// Beyond the bound a connection waits until another ends, and is then answered.
func TestConnectionsWaitTheirTurn(t *testing.T) {
	base := listen(t, page.Options{Limits: page.Limits{Connections: 2}})
	host := strings.TrimPrefix(base, "http://")
	dial := func() net.Conn {
		c, err := net.Dial("tcp", host)
		if err != nil {
			t.Fatal(err)
		}
		return c
	}
	first, second, third := dial(), dial(), dial()
	defer second.Close()
	defer third.Close()
	io.WriteString(third, "GET /static/icon.svg HTTP/1.0\r\nHost: localhost\r\n\r\n")
	third.SetReadDeadline(time.Now().Add(200 * time.Millisecond))
	if n, err := third.Read(make([]byte, 16)); err == nil {
		t.Fatalf("the third was answered with %d bytes beside two others", n)
	}
	first.Close()
	third.SetReadDeadline(time.Now().Add(5 * time.Second))
	b := make([]byte, 12)
	if _, err := io.ReadFull(third, b); err != nil || string(b) != "HTTP/1.0 200" {
		t.Errorf("%q, %v", b, err)
	}
}

func TestBudgetAddsTheParts(t *testing.T) {
	s := newServer(t, page.Options{})
	want(t, get(s, "/budget"), 200, "shunt tolerance", "assumed", "stuntcell budget shop-50a --pack agm-12v-7ah")
	state := "?rig=shop-50a&part-shunt=0.1+%25&part-ohm=2+mohm&aim=1+%25"
	want(t, get(s, "/budget"+state), 200, "0.1 %", "Aim of 1 %", "stuntcell budget shop-50a.yaml")
	for query, said := range map[string]string{"part-shunt=1+V": "part-shunt-wrong", "part-shunt=90+%25": "out of range", "current=-1+A": "out of range", "pack=x": "no pack", "rig=x": "no rig",
		"current=900+A": "limit", "part-nope=1": "unknown part"} {
		want(t, get(s, "/budget?"+query), 400, said)
	}
	for file, text := range map[string]string{"bars.svg": "<svg", "budget.csv": "contribution,u,unit", "budget.txt": "Uncertainty budget", "budget.json": `"charge_Ah"`} {
		want(t, get(s, "/budget/"+file+state), 200, text)
	}
	// The rig file holds what was typed, and is a whole rig.
	file := get(s, "/budget/rig.yaml"+state).Body.Bytes()
	r, err := rig.Parse("mine.yaml", file, rig.Rig{})
	if err != nil {
		t.Fatalf("%v in\n%s", err, file)
	}
	if r.Shunt.Nominal != 0.002 || r.Tolerance.Shunt != 0.001 || r.Front.ShuntMax != 13653 {
		t.Errorf("%+v", r)
	}
	want(t, get(s, "/budget/nope"+state), 404)
}

func TestALessonIsPredictedRunAndTold(t *testing.T) {
	b := bench{learned: &learned{kept: map[string]bool{}}}
	s := newServer(t, page.Options{Bench: b})
	want(t, get(s, "/lessons"), 200, "Two clocks", "0 of 1")
	// Before there is a prediction nothing is given away.
	w := get(s, "/lessons/two-clocks")
	want(t, w, 200, "How far apart are the two clocks", "Predict, and see")
	for _, early := range []string{"Why</h2>", "counter off by", "picture.svg"} {
		if strings.Contains(w.Body.String(), early) {
			t.Errorf("%q is shown before there is a prediction", early)
		}
	}
	w = ask(s, "POST", "/lessons/two-clocks", strings.NewReader("answer=6+min"), "Content-Type", form)
	want(t, w, 303)
	at := w.Header().Get("Location")
	// 0.5 % of 20 h is 360 s, and the other clock is 1.44 s late: 6 min.
	want(t, get(s, at), 200, "You said 6 min", "right", "Why</h2>", "360", "Resonator 0.5 %", "Run the variation", "Local codes", "stuntcell learn two-clocks --answer &#39;6 min&#39;", "The next lesson")
	want(t, get(s, "/lessons/two-clocks?answer=1+h"), 200, "not so")
	want(t, get(s, "/lessons/two-clocks?try=on"), 200, "A variation", "stuntcell learn two-clocks --try")
	want(t, get(s, "/lessons"), 200, "as predicted", "1 of ")
	want(t, get(s, "/lessons/progress.csv"), 200, "lesson,title 1")
	for file, text := range map[string]string{"picture.svg": "<svg", "curves.svg": "<svg", "figures.csv": "figure,value,unit", "sheet.html": "<html", "lesson.yaml": "lesson: two-clocks"} {
		want(t, get(s, "/lessons/two-clocks/"+file), 200, text)
	}
	want(t, get(s, "/lessons/two-clocks/nope"), 404)
	want(t, get(s, "/lessons/two-clock"), 404, "two-clocks?")
	want(t, get(s, "/lessons/two-clocks?answer=soon"), 400, "answer-wrong")
	want(t, ask(s, "POST", "/lessons/two-clocks", strings.NewReader("answer="), "Content-Type", form), 400, "a prediction is missing")
	// On a page that others can open nobody's progress is kept.
	s = newServer(t, page.Options{Bench: b, Open: true})
	want(t, ask(s, "POST", "/lessons/rate", strings.NewReader("answer=80+Ah"), "Content-Type", form), 303)
	want(t, get(s, "/lessons/progress.csv"), 404)
	if len(b.kept) != 1 {
		t.Errorf("%v was kept", b.kept)
	}
}

// Every lesson on board can be shown, with its picture.
func TestEveryLessonIsShown(t *testing.T) {
	if testing.Short() {
		t.Skip("it takes seconds")
	}
	s := newServer(t, page.Options{Bench: bench{learned: &learned{kept: map[string]bool{}}}})
	for _, name := range lesson.Names() {
		l, err := scenarios.Lesson(name)
		if err != nil {
			t.Fatal(err)
		}
		answer := "a"
		if len(l.Predict.Choices) == 0 {
			answer = "1"
		}
		want(t, get(s, "/lessons/"+name+"?answer="+answer), 200, "What came of it", "Why</h2>")
		want(t, get(s, "/lessons/"+name+"/picture.svg?answer="+answer+"&look=dark-narrow"), 200, "<svg")
	}
}

// Every view is HTML as a validator from elsewhere wants it, also with a mistake in its form.
func TestViewsByAValidator(t *testing.T) {
	if testing.Short() {
		t.Skip("it takes seconds")
	}
	validator := outside.Program(t, "html-validate")
	s := newServer(t, page.Options{Bench: bench{learned: &learned{kept: map[string]bool{"rate": true}}}})
	run := start(t, s, "logger=tick-wrap&scope=picked&scenario=tick-wrap-mid-discharge&scenario=discharge-two-rates")
	path, _, _ := strings.Cut(run, "?")
	// A page that comes again by itself is a nuisance to be avoided, says the validator, and rightly; but without script there is no other way to follow a run.
	running := regexp.MustCompile(`<noscript>.*</noscript>`).ReplaceAll(get(s, run).Body.Bytes(), nil)
	until(t, s, run, "Most likely")
	log := upload(s, "run.csv", aLog(), "cutoff", "11.9 V", "rig", "shop-50a", "rated", "1.2 Ah").Header().Get("Location")
	dir := t.TempDir()
	var files []string
	save := func(name string, data []byte) {
		file := filepath.Join(dir, name+".html")
		if err := os.WriteFile(file, data, 0o666); err != nil {
			t.Fatal(err)
		}
		files = append(files, file)
	}
	save("running", running)
	for name, target := range map[string]string{
		"start": "/", "rehearse": "/rehearse", "compared": "/rehearse?plan=charge-then-discharge&beside-ambient=0+degC&outlook=on", "wrong": "/rehearse?rate=x&beside-rig=y", "prove": "/prove",
		"picked": "/prove?scope=picked", "finished": run, "fails": path + "/verdict/tick-wrap-mid-discharge", "holds": path + "/verdict/discharge-two-rates", "gone": "/prove/run/x",
		"logs": "/logs", "audited": log, "budget": "/budget", "lessons": "/lessons", "asked": "/lessons/two-clocks", "told": "/lessons/rate?answer=1", "tried": "/lessons/rate?try=on", "nowhere": "/nowhere",
	} {
		save(name, get(s, target).Body.Bytes())
	}
	rules, err := filepath.Abs("../../../testdata/outside/htmlvalidate.json")
	if err != nil {
		t.Fatal(err)
	}
	if out, err := exec.Command(validator, append([]string{"--config", rules}, files...)...).CombinedOutput(); err != nil {
		t.Errorf("%v\n%s", err, out)
	}
}

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
