package page_test

import (
	"bytes"
	"fmt"
	"io"
	"mime/multipart"
	"net/http/httptest"
	"strings"
	"testing"

	"stuntcell/cmd/stuntcell/page"
)

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
