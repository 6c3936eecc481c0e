package page_test

import (
	"context"
	"fmt"
	"io"
	"maps"
	"net"
	"net/http"
	"net/http/httptest"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
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
	// faulty says that reading a scenario panics.
	faulty bool
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
	if b.faulty {
		panic("out of order")
	}
	if text, ok := b.files[name]; ok {
		return scenarios.Parse(name, []byte(text), env)
	}
	return scenarios.ByName(name, env)
}

func (b bench) Pack(name string) (*model.Pack, error) {
	return model.PackByName(b.onlyNames(name))
}

func (b bench) Rig(name string) (rig.Rig, error) { return rig.ByName(b.onlyNames(name)) }

// onlyNames panics at what may be the name of a file: the real bench would open it.
func (bench) onlyNames(name string) string {
	if strings.ContainsAny(name, "./") {
		panic("the page hands on " + name)
	}
	return name
}

func (b bench) Own() string { return b.own }

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
