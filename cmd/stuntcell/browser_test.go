package main

import (
	"fmt"
	"net/url"
	"os"
	"path/filepath"
	"strings"
	"testing"

	screen "github.com/chromedp/cdproto/emulation"
	"github.com/chromedp/chromedp"
	"github.com/chromedp/chromedp/kb"
)

// TestBrowser opens the page in a real browser and uses it as a person does: every view, by pointer, by keyboard alone and without script, narrow and wide,
// light, dark and on paper. Nothing may be written to the console as an error, nothing may be asked for that is not on the loopback, and axe-core
// finds no violation that is serious or critical. The pictures that it takes are in the folder that it names.
func TestBrowser(t *testing.T) {
	if testing.Short() {
		t.Skip("a browser takes its time")
	}
	t.Setenv("XDG_CONFIG_HOME", t.TempDir()) // where the progress of lessons is kept
	b := newBrowser(t)
	site := openSite(t, "127.0.0.1:0")

	t.Run("Start", func(t *testing.T) {
		tab := b.tab(t, 1280)
		tab.open(site.url)
		tab.see("h1", "stand-in battery")
		tab.accessible()
		tab.shot("start")
		tab.click(".ways a[href='/rehearse']")
		tab.see("h1", "Rehearse")
	})
	t.Run("Rehearse", func(t *testing.T) {
		tab := b.tab(t, 1280)
		tab.open(site.url + "rehearse")
		tab.see("#result", "7.000 Ah")
		tab.drawn()
		tab.accessible()
		tab.shot("rehearse")
		// The figures follow the inputs, and the address does.
		tab.choose("#pack", "agm-12v-100ah")
		tab.see("#result", "agm-12v-100ah")
		tab.enter("#rate", "0.1 C")
		tab.see("#result", "discharge 10 A")
		tab.see("#told", "discharge-20h lasts") // for those who hear the page
		tab.drawn()
		tab.address("rate=0.1+C")
		// What is wrong is said at its field, and what is right again is not.
		tab.enter("#health", "lots")
		tab.see("#health-wrong", "lots")
		tab.see("#told", "This cannot be run")
		tab.truth(`document.querySelector("#health").getAttribute("aria-invalid") === "true"`)
		tab.accessible()
		tab.shot("rehearse-wrong")
		tab.enter("#health", "80 %")
		tab.gone("#health-wrong", "lots")
		// A second run beside it.
		tab.click("summary")
		tab.enter("#beside-health", "50 %")
		tab.see("#result", "second - first")
		tab.drawn()
		tab.accessible()
		tab.shot("rehearse-compared")
		tab.click("#outlook")
		tab.see("#result", "How far the figures may move")
		tab.accessible()
		// The address opens the same view.
		again := b.tab(t, 1280)
		again.open(tab.where())
		again.see("#result", "second - first")
		again.see("#result", "--health '50 %'")
	})
	t.Run("Prove", func(t *testing.T) {
		tab := b.tab(t, 1280)
		tab.open(site.url + "prove")
		tab.see("h1", "Prove")
		tab.accessible()
		tab.shot("prove")
		tab.choose("#logger", "tick-wrap")
		tab.click("main form button[type=submit]")
		tab.see("#run", "Most likely")
		tab.see("#run", "FAIL")
		tab.accessible()
		tab.shot("prove-finished")
		tab.click("#rows tr a")
		tab.see(".verdict", "it wrote")
		tab.truth(`document.querySelectorAll(".verdict svg .truth").length > 0 && document.querySelectorAll(".verdict svg .logged").length > 0`)
		tab.accessible()
		tab.shot("prove-verdict")
	})
	t.Run("Stop", func(t *testing.T) {
		tab := b.tab(t, 1280)
		tab.open(site.url + "prove?scope=all")
		tab.click("main form button[type=submit]")
		tab.see("#count", "of")
		tab.until(`document.querySelectorAll("#rows tr").length > 0`)
		tab.accessible()
		tab.shot("prove-running")
		tab.click("#run form button")
		tab.see("#run", "it was stopped")
	})
	t.Run("Logs", func(t *testing.T) {
		log := filepath.Join(t.TempDir(), "run.csv")
		if err := os.WriteFile(log, hourOfOneAmpere(), 0o666); err != nil {
			t.Fatal(err)
		}
		tab := b.tab(t, 1280)
		tab.open(site.url + "logs")
		tab.accessible()
		tab.shot("logs")
		tab.enter("#cutoff", "11.9 V")
		tab.do(chromedp.SetUploadFiles(chromedp.CSS("#log"), []string{log}))
		tab.click("main form button[type=submit]")
		tab.see("#main", "1.0000 Ah")
		tab.drawn()
		tab.accessible()
		tab.shot("logs-audited")
		// A file that is dropped is taken as well.
		tab.open(site.url + "logs")
		tab.truth(`(() => {
			const data = new DataTransfer();
			data.items.add(new File(["time_s,V,A\n" + Array.from({length: 100}, (_, k) => 10 * k + ",12.5,-2").join("\n") + "\n"], "dropped.csv"));
			document.querySelector(".drop").dispatchEvent(new DragEvent("drop", {dataTransfer: data, bubbles: true, cancelable: true}));
			return true;
		})()`)
		tab.see("h1", "dropped.csv")
	})
	t.Run("Budget", func(t *testing.T) {
		tab := b.tab(t, 1280)
		tab.open(site.url + "budget")
		tab.see("#result", "shunt tolerance")
		tab.accessible()
		tab.shot("budget")
		tab.enter("#part-shunt", "0.05 %")
		tab.see("#result", "rig shop-50a")
		tab.address("part-shunt=0.05")
	})
	t.Run("Lessons", func(t *testing.T) {
		tab := b.tab(t, 1280)
		tab.open(site.url + "lessons")
		tab.accessible()
		tab.shot("lessons")
		tab.click("a[href='/lessons/two-clocks']")
		tab.see("h1", "Two clocks")
		tab.accessible()
		tab.shot("lesson-asked")
		tab.do(chromedp.Focus(chromedp.CSS("#answer")))
		tab.keys("6 min" + kb.Enter)
		tab.see("#main", "You said 6 min")
		tab.drawn()
		tab.accessible()
		tab.shot("lesson-told")
		tab.click("a[href='/lessons/two-clocks?try=on']")
		tab.see("#what", "A variation")
		tab.drawn()
		tab.accessible()
		tab.open(site.url + "lessons")
		tab.see("#main", "1 of")
	})
	t.Run("Keyboard", func(t *testing.T) { keyboardAlone(b.tab(t, 1280), site.url) })
	t.Run("WithoutScript", func(t *testing.T) { withoutScript(b.tab(t, 1280), site.url) })
	t.Run("Looks", func(t *testing.T) {
		for _, path := range []string{"", "rehearse?plan=charge-then-discharge&beside-ambient=0+degC", "prove?scope=picked", "logs", "budget", "lessons", "lessons/rate?answer=1"} {
			name, _, _ := strings.Cut(path, "?")
			if name = strings.ReplaceAll(name, "/", "-"); name == "" {
				name = "start"
			}
			tab := b.tab(t, 360)
			tab.open(site.url + path)
			tab.drawn()
			tab.narrow(360)
			tab.accessible()
			tab.shot(name + "-narrow")
			tab.wide(1600)
			tab.drawn()
			tab.narrow(1600)
			tab.shot(name + "-wide")
			tab.media("", "dark")
			tab.drawn()
			tab.accessible()
			tab.shot(name + "-dark")
			tab.media("print", "light")
			tab.drawn()
			tab.shot(name + "-print")
		}
	})
	t.Run("Restart", func(t *testing.T) {
		// A server of its own, which ends in mid run and is started again at the same place.
		mortal := openSite(t, "127.0.0.1:0")
		tab := b.tab(t, 1280)
		tab.rough.Store(true) // what a browser says of a server that has gone is no mistake of the page's
		tab.open(mortal.url + "prove?scope=all")
		tab.click("main form button[type=submit]")
		tab.until(`document.querySelectorAll("#rows tr").length > 0`)
		at := tab.where()
		mortal.close()
		tab.see("#count", "does not answer")
		u, err := url.Parse(at)
		if err != nil {
			t.Fatal(err)
		}
		openSite(t, u.Host)
		tab.see("h1", "This run is gone")
		tab.shot("prove-gone")
		tab.click("main a")
		tab.see("h1", "Prove a logger")
		tab.truth(`document.querySelector("input[name=scope][value=all]").checked`)
	})
}

// keyboardAlone rehearses and proves without a pointer.
func keyboardAlone(tab *tab, site string) {
	tab.open(site + "rehearse")
	// The first stop is a way past the navigation.
	tab.keys(kb.Tab)
	tab.truth(`document.activeElement.classList.contains("skip")`)
	tab.keys(kb.Enter)
	tab.truth(`document.activeElement.id === "main"`)
	// Each stop can be seen, and the form is reached in order.
	tab.keys(kb.Tab)
	for range 6 {
		tab.truth(`document.activeElement.closest(".ask") !== null`)
		tab.truth(`getComputedStyle(document.activeElement).outlineStyle !== "none"`)
		if tab.value(`document.activeElement.id`) == "rate" {
			break
		}
		tab.keys(kb.Tab)
	}
	tab.truth(`document.activeElement.id === "rate"`)
	tab.keys("0.1 C" + kb.Enter)
	tab.see("#result", "discharge 700 mA")
	tab.truth(`document.activeElement.id === "rate"`) // and stays there
	// Every region that scrolls can be reached.
	tab.truth(`[...document.querySelectorAll(".scroll, pre")].every((e) => e.tabIndex === 0)`)

	tab.open(site + "prove?logger=truncated-sum")
	tab.stepTo(`document.activeElement.matches("form button[type=submit]")`)
	tab.keys(kb.Enter)
	tab.see("#main", "Take it away")
	tab.stepTo(`document.activeElement.closest("#rows a") !== null`)
	tab.keys(kb.Enter)
	tab.see(".verdict", "mend")
}

// withoutScript uses the page with script switched off.
func withoutScript(tab *tab, site string) {
	tab.do(command(screen.SetScriptExecutionDisabled, screen.SetScriptExecutionDisabledParams{Value: true}))
	tab.open(site + "rehearse")
	tab.enter("#rate", "0.1 C")
	tab.click("main form button[type=submit]")
	tab.see("#result", "discharge 700 mA")
	tab.drawn()
	tab.open(site + "prove?logger=tick-wrap&scope=picked&scenario=tick-wrap-mid-discharge")
	tab.click("main form button[type=submit]")
	// The page comes again by itself until the run has ended.
	tab.see("#run", "Most likely")
	tab.click("#rows a")
	tab.see(".verdict", "should be")
	tab.shot("verdict-without-script")
}

// hourOfOneAmpere is a log of a discharge with 1 A for an hour.
func hourOfOneAmpere() []byte {
	b := []byte("time_s,V,A,Ah\n")
	for k := 0; k <= 360; k++ {
		b = fmt.Appendf(b, "%d,%.3f,-1.000,%.5f\n", 10*k, 12.6-0.002*float64(k), -float64(k)/360)
	}
	return b
}
