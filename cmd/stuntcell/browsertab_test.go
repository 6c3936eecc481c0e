package main

import (
	"bufio"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"net/url"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"github.com/chromedp/cdproto/cdp"
	screen "github.com/chromedp/cdproto/emulation"
	"github.com/chromedp/cdproto/log"
	"github.com/chromedp/cdproto/network"
	"github.com/chromedp/cdproto/runtime"
	"github.com/chromedp/chromedp"
	"github.com/chromedp/chromedp/kb"

	"stuntcell/model/outside"
)

// site is the page as the command serves it.
type site struct {
	url   string
	close func()
}

// openSite runs the command.
func openSite(t *testing.T, addr string) *site {
	t.Helper()
	r, w, err := os.Pipe()
	if err != nil {
		t.Fatal(err)
	}
	ctx, stop := context.WithCancel(context.Background())
	done := make(chan error, 1)
	go func() {
		defer w.Close()
		done <- runPage(ctx, streams{out: w, err: os.Stderr}, pageOptions{addr: addr})
	}()
	line, err := bufio.NewReader(r).ReadString('\n')
	if err != nil {
		t.Fatalf("%v: %v", err, <-done)
	}
	s := &site{url: strings.TrimSpace(line)}
	s.close = sync.OnceFunc(func() {
		stop()
		if err := <-done; !errors.Is(err, interrupted) {
			t.Error(err)
		}
		r.Close()
	})
	t.Cleanup(s.close)
	return s
}

// browser is a browser with axe-core at hand, and the folder for its pictures.
type browser struct {
	ctx   context.Context
	axe   string
	shots string
}

func newBrowser(t *testing.T) *browser {
	t.Helper()
	program := outside.Program(t, "chromium")
	b := &browser{shots: os.Getenv("STUNTCELL_SHOTS")}
	if b.shots == "" {
		b.shots = filepath.Join(os.TempDir(), "stuntcell-page-shots")
	}
	if err := os.MkdirAll(b.shots, 0o777); err != nil {
		t.Fatal(err)
	}
	t.Logf("pictures are in %s", b.shots)
	axe := os.Getenv("STUNTCELL_AXE")
	if axe == "" {
		cache, err := os.UserCacheDir()
		if err != nil {
			t.Fatal(err)
		}
		axe = filepath.Join(cache, "stuntcell-ci", "node_modules", "axe-core", "axe.min.js")
	}
	data, err := os.ReadFile(axe)
	if err != nil {
		outside.Missing(t, fmt.Sprintf("axe-core (.ci/run packages gets it, STUNTCELL_AXE names its axe.min.js): %v", err))
	}
	b.axe = string(data)
	options := append(chromedp.DefaultExecAllocatorOptions[:],
		chromedp.ExecPath(program), chromedp.NoSandbox, chromedp.DisableGPU, chromedp.UserDataDir(t.TempDir()),
		// A name that is asked for is one that the page should not have asked for.
		chromedp.Flag("host-resolver-rules", "MAP * ~NOTFOUND , EXCLUDE 127.0.0.1"),
		chromedp.Flag("disable-component-update", true), chromedp.Flag("no-pings", true))
	ctx, cancel := context.WithTimeout(context.Background(), 4*time.Minute)
	t.Cleanup(cancel)
	ctx, cancel = chromedp.NewExecAllocator(ctx, options...)
	t.Cleanup(cancel)
	ctx, cancel = chromedp.NewContext(ctx)
	t.Cleanup(cancel)
	if err := chromedp.Do(ctx); err != nil {
		t.Fatalf("chromium does not start: %v", err)
	}
	b.ctx = ctx
	return b
}

// tab is a page of the browser that somebody looks at.
type tab struct {
	t     *testing.T
	b     *browser
	ctx   context.Context
	rough atomic.Bool // errors of the network are expected
}

// tab opens a tab of a width. What it does wrong fails the test.
func (b *browser) tab(t *testing.T, width int64) *tab {
	t.Helper()
	ctx, cancel := chromedp.NewContext(b.ctx)
	t.Cleanup(cancel)
	tab := &tab{t: t, b: b, ctx: ctx}
	// Not tab.do: a tab ends with the context in which it was first used.
	if err := chromedp.Do(ctx); err != nil {
		t.Fatal(err)
	}
	// What the tab tells of is listened to until the test has ended, and no longer.
	ctx, stop := context.WithCancel(ctx)
	var listeners sync.WaitGroup
	t.Cleanup(func() { stop(); listeners.Wait() })
	hear(tab, ctx, &listeners, network.RequestWillBeSent, func(e network.EventRequestWillBeSent) {
		u, err := url.Parse(e.Request.URL)
		if err != nil || u.Scheme != "data" && u.Hostname() != "127.0.0.1" {
			t.Errorf("it asks for %s", e.Request.URL)
		}
	})
	hear(tab, ctx, &listeners, runtime.ExceptionThrown, func(e runtime.EventExceptionThrown) {
		t.Errorf("script: %s", e.ExceptionDetails.Text)
	})
	hear(tab, ctx, &listeners, runtime.ConsoleAPICalled, func(e runtime.EventConsoleAPICalled) {
		if e.Type == runtime.ConsoleAPICalledTypeError || e.Type == runtime.ConsoleAPICalledTypeWarning {
			t.Errorf("console: %s", e.Args[0].Value)
		}
	})
	hear(tab, ctx, &listeners, log.EntryAdded, func(e log.EventEntryAdded) {
		// The answer to a form with a mistake in it is a 400, which the browser reports.
		told := tab.rough.Load() || strings.Contains(e.Entry.Text, "400 (Bad Request)")
		if e.Entry.Level == log.EntryLevelError && !told {
			t.Errorf("console: %s %s", e.Entry.Text, e.Entry.URL)
		}
	})
	tab.do(command(network.Enable, network.EnableParams{}), command(runtime.Enable, cdp.Empty{}), command(log.Enable, cdp.Empty{}))
	tab.wide(width)
	return tab
}

// hear hands each event of a tab to a function until ctx ends.
func hear[E any](tab *tab, ctx context.Context, all *sync.WaitGroup, event cdp.Event[E], take func(E)) {
	events := cdp.Events(ctx, chromedp.FromContext(tab.ctx).Target, event)
	all.Go(func() {
		for e, err := range events {
			if err != nil {
				return
			}
			take(e)
		}
	})
}

// command is an action that sends a command of the protocol.
func command[P, R any](c cdp.Command[P, R], params P) chromedp.Action[chromedp.Void] {
	return chromedp.Func(func(ctx context.Context, t *chromedp.Target) error {
		_, err := cdp.Call(ctx, t, c, params)
		return err
	})
}

// do does something within twenty seconds.
func (tab *tab) do(actions ...chromedp.Action[chromedp.Void]) {
	tab.t.Helper()
	ctx, cancel := context.WithTimeout(tab.ctx, 20*time.Second)
	defer cancel()
	if err := chromedp.Do(ctx, actions...); err != nil {
		tab.shot("failed")
		tab.t.Fatalf("%v at %s", err, tab.where())
	}
}

// gives does something that gives a value, within twenty seconds.
func gives[T any](tab *tab, action chromedp.Action[T]) T {
	tab.t.Helper()
	ctx, cancel := context.WithTimeout(tab.ctx, 20*time.Second)
	defer cancel()
	v, err := chromedp.Run(ctx, action)
	if err != nil {
		tab.shot("failed")
		tab.t.Fatalf("%v at %s", err, tab.where())
	}
	return v
}

func (tab *tab) open(address string) {
	tab.t.Helper()
	tab.do(chromedp.Navigate(address))
}

func (tab *tab) click(selector string) {
	tab.t.Helper()
	tab.do(chromedp.Click(chromedp.CSS(selector)))
}

// enter replaces what stands in a field and leaves it, as a person does who goes on.
func (tab *tab) enter(selector, text string) {
	tab.t.Helper()
	tab.do(chromedp.Focus(chromedp.CSS(selector)), chromedp.KeyEvent("a", chromedp.KeyModifiers(chromedp.ModifierCtrl)), chromedp.KeyEvent(kb.Delete), chromedp.KeyEvent(text+kb.Tab))
}

// choose chooses an entry of a list, as a pointer would.
func (tab *tab) choose(selector, value string) {
	tab.t.Helper()
	tab.truth(fmt.Sprintf(`(() => { const e = document.querySelector(%q); e.value = %q; e.dispatchEvent(new Event("change", {bubbles: true})); return e.value === %q; })()`, selector, value, value))
}

// keys presses keys, wherever the focus is.
func (tab *tab) keys(keys string) {
	tab.t.Helper()
	tab.do(chromedp.KeyEvent(keys))
}

// stepTo goes on by the tabulator until something holds.
func (tab *tab) stepTo(condition string) {
	tab.t.Helper()
	for range 150 {
		if tab.value(condition) == "true" {
			return
		}
		tab.keys(kb.Tab)
	}
	tab.t.Fatalf("the tabulator never comes to where %s", condition)
}

// see waits until an element says something.
func (tab *tab) see(selector, text string) {
	tab.t.Helper()
	tab.wait(selector, text, true)
}

// gone waits until an element does not say something any more.
func (tab *tab) gone(selector, text string) {
	tab.t.Helper()
	tab.wait(selector, text, false)
}

func (tab *tab) wait(selector, text string, want bool) {
	tab.t.Helper()
	tab.poll(fmt.Sprintf("%s says %q (%v)", selector, text, want), fmt.Sprintf(`(document.querySelector(%q)?.textContent ?? "").includes(%q) === %v`, selector, text, want))
}

// until waits until a condition holds.
func (tab *tab) until(condition string) {
	tab.t.Helper()
	tab.poll(condition, condition)
}

// poll asks again and again: a page may go over into another while it is asked.
func (tab *tab) poll(what, condition string) {
	tab.t.Helper()
	ctx, cancel := context.WithTimeout(tab.ctx, 30*time.Second)
	defer cancel()
	for {
		holds, err := chromedp.Run(ctx, chromedp.Evaluate[bool](condition))
		if err == nil && holds {
			return
		}
		if ctx.Err() != nil {
			tab.shot("failed")
			tab.t.Fatalf("never: %s, at %s (%v)", what, tab.where(), err)
		}
		time.Sleep(50 * time.Millisecond)
	}
}

// truth fails unless a condition holds.
func (tab *tab) truth(condition string) {
	tab.t.Helper()
	if got := tab.value(condition); got != "true" {
		tab.shot("failed")
		tab.t.Fatalf("%s: %s, at %s", condition, got, tab.where())
	}
}

// value is what an expression gives, as text.
func (tab *tab) value(expression string) string {
	tab.t.Helper()
	return fmt.Sprint(gives(tab, chromedp.Evaluate[any](expression)))
}

// where is the address of the tab.
func (tab *tab) where() string {
	at, err := chromedp.Run(tab.ctx, chromedp.Location())
	if err != nil {
		return err.Error()
	}
	return at
}

// address waits until the address holds something.
func (tab *tab) address(part string) {
	tab.t.Helper()
	tab.until(fmt.Sprintf(`location.href.includes(%q)`, part))
}

// drawn waits until every picture is there.
func (tab *tab) drawn() {
	tab.t.Helper()
	tab.until(`[...document.images].every((i) => i.complete && i.naturalWidth > 100)`)
}

// narrow fails if the page is wider than its window.
func (tab *tab) narrow(width int) {
	tab.t.Helper()
	if got := tab.value(`document.documentElement.scrollWidth`); got != fmt.Sprint(width) {
		tab.shot("failed")
		tab.t.Errorf("%s is %s px wide in a window of %d", tab.where(), got, width)
	}
}

func (tab *tab) wide(width int64) {
	tab.t.Helper()
	tab.do(command(screen.SetDeviceMetricsOverride, screen.SetDeviceMetricsOverrideParams{Width: width, Height: 900, DeviceScaleFactor: 1}))
}

func (tab *tab) media(medium, scheme string) {
	tab.t.Helper()
	tab.do(command(screen.SetEmulatedMedia, screen.SetEmulatedMediaParams{Media: medium, Features: []*screen.MediaFeature{{Name: "prefers-color-scheme", Value: scheme}}}))
}

// accessible fails for each violation that axe-core calls serious or critical.
func (tab *tab) accessible() {
	tab.t.Helper()
	tab.do(chromedp.Evaluate[chromedp.Void](tab.b.axe + ";0"))
	out := gives(tab, chromedp.Evaluate[string](`axe.run(document, {resultTypes: ["violations"]}).then((r) => JSON.stringify(r.violations.map((v) => ({id: v.id, impact: v.impact,
		help: v.help, nodes: v.nodes.slice(0, 3).map((n) => n.html.slice(0, 200) + " " + (n.failureSummary ?? ""))}))))`, chromedp.EvalAwaitPromise))
	var found []struct {
		ID, Impact, Help string
		Nodes            []string
	}
	if err := json.Unmarshal([]byte(out), &found); err != nil {
		tab.t.Fatal(err)
	}
	for _, v := range found {
		if v.Impact == "serious" || v.Impact == "critical" {
			tab.t.Errorf("%s: %s, %s: %s\n%s", tab.where(), v.Impact, v.ID, v.Help, strings.Join(v.Nodes, "\n"))
		} else {
			tab.t.Logf("%s: %s, %s: %s", tab.where(), v.Impact, v.ID, v.Help)
		}
	}
}

// shot takes a picture of the whole page.
func (tab *tab) shot(name string) {
	tab.t.Helper()
	ctx, cancel := context.WithTimeout(tab.ctx, 20*time.Second)
	defer cancel()
	png, err := chromedp.Run(ctx, chromedp.FullScreenshot(100))
	if err == nil {
		err = os.WriteFile(filepath.Join(tab.b.shots, name+".png"), png, 0o666)
	}
	if err != nil {
		tab.t.Logf("no picture %s: %v", name, err)
	}
}
