package page_test

import (
	"io"
	"net"
	"net/http"
	"net/url"
	"strings"
	"testing"
	"time"

	"stuntcell/cmd/stuntcell/page"
)

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
		// Nor are those of packs and rigs: the bench of the test would panic.
		for _, target := range []string{"/rehearse?pack=", "/rehearse?rig=", "/rehearse?beside-pack=", "/budget?pack=", "/budget?rig=", "/logs?rig="} {
			want(t, get(s, target+url.QueryEscape(plan)), 400, "on board")
		}
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
	client := http.Client{Timeout: time.Minute}
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
	third.SetReadDeadline(time.Now().Add(time.Minute))
	b := make([]byte, 12)
	if _, err := io.ReadFull(third, b); err != nil || string(b) != "HTTP/1.0 200" {
		t.Errorf("%q, %v", b, err)
	}
}
