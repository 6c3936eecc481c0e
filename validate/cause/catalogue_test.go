package cause_test

import (
	"os"
	"reflect"
	"slices"
	"strings"
	"testing"
	"unicode/utf8"

	"stuntcell/model/quantity"
	"stuntcell/scenarios"
	"stuntcell/validate/cause"
)

func TestEveryCauseHasItsPageAndNoPageIsOver(t *testing.T) {
	files, err := os.ReadDir("pages")
	if err != nil {
		t.Fatal(err)
	}
	var named []string
	for _, f := range files {
		named = append(named, strings.TrimSuffix(f.Name(), ".yaml"))
	}
	want := slices.Sorted(slices.Values(scenarios.Causes()))
	if slices.Sort(named); !slices.Equal(named, want) {
		t.Errorf("pages are\n%q\ncauses are\n%q", named, want)
	}
	for k, p := range cause.Pages() {
		if p.Name != scenarios.Causes()[k] {
			t.Fatalf("page %d is of %s, want %s", k+1, p.Name, scenarios.Causes()[k])
		}
	}
	for _, name := range []string{"", "no-such-cause", "../catalogue", "tick-wrap.yaml", "/tick-wrap", "a/b", "."} {
		if p, ok := cause.Lookup(name); ok {
			t.Errorf("Lookup(%q) found %+v", name, p)
		}
	}
}

// A list says of a cause how its page begins.
func TestDescribe(t *testing.T) {
	for _, name := range cause.Names() {
		p, _ := cause.Lookup(name)
		if what, ok := cause.Describe(name); !ok || !strings.HasSuffix(what, ".") || !strings.HasPrefix(p.What, what) {
			t.Errorf("%s: %q", name, what)
		}
	}
	if _, ok := cause.Describe("no-such-cause"); ok {
		t.Error("it describes a cause that is not there")
	}
}

func TestPagesFitATerminal(t *testing.T) {
	for _, p := range cause.Pages() {
		for n, line := range strings.Split(p.String(), "\n") {
			if utf8.RuneCountInString(line) > 80 || strings.TrimRight(line, " ") != line || strings.Contains(line, "\t") {
				t.Errorf("%s: line %d does not fit 80 columns: %q", p.Name, n+1, line)
			}
		}
		for _, text := range []string{p.What, p.Looks, p.Costs, p.Mend, p.Told} {
			if strings.Contains(text, "\n") || !strings.HasSuffix(text, ".") || !strings.Contains(p.String(), text[:8]) {
				t.Errorf("%s: no line of whole sentences, or missing on the page: %q", p.Name, text)
			}
		}
		if len(p.Mend) > 200 || strings.Contains(p.Mend, ". ") {
			t.Errorf("%s: the mend is no single sentence: %q", p.Name, p.Mend)
		}
		// What is wrong stands above what is right, as a comment.
		if i := strings.Index(p.MendC, "// "); i != 0 {
			t.Errorf("%s: the mend in C does not begin with what is wrong:\n%s", p.Name, p.MendC)
		}
	}
}

// TestScenariosOfPages compares what pages say with what the library declares.
func TestScenariosOfPages(t *testing.T) {
	shown := map[string][]string{}
	for _, name := range scenarios.Names() {
		for _, c := range quantity.Read(name, scenarios.Source(name)).Root().Words("shows") {
			shown[c] = append(shown[c], name)
		}
	}
	// These show in any scenario, or in none that is not refused: no scenario declares them, and their pages name an example.
	anywhere := []string{"hang", "crash", "garbled-output", "unsafe-end"}
	for _, p := range cause.Pages() {
		if want := shown[p.Name]; !slices.Contains(anywhere, p.Name) && !slices.Equal(p.Scenarios, want) {
			t.Errorf("%s: the page names the scenarios %q, the library declares %q", p.Name, p.Scenarios, want)
		}
		if len(p.Scenarios) == 0 {
			t.Errorf("%s: no scenario shows it", p.Name)
		}
		if alone, _ := cause.Lookup(p.Name); !reflect.DeepEqual(alone, p) {
			t.Errorf("%s: Lookup and Pages differ", p.Name)
		}
		for _, n := range p.Apart {
			if n.Cause == p.Name {
				t.Errorf("%s: told from itself", p.Name)
			}
		}
	}
}

func TestTellsApart(t *testing.T) {
	for _, tc := range []struct{ a, b, want string }{
		{"nominal-dt", "truncated-dt", "readings-jittered"},         // JUDGING.md: halves, where nominal-dt gives 0
		{"rtc-as-dt", "rtc-trusting", "second-locked-load"},         // JUDGING.md: told by the first
		{"gain", "offset", "discharge-two-rates"},                   // several currents
		{"tick-wrap", "signed-tick", "tick-past-half"},              // nothing wraps there
		{"cutoff-late", "cutoff-wrong-level", "logger-ends-slowly"}, // slow and fast ends
	} {
		if got := cause.TellsApart(tc.a, tc.b); got != tc.want {
			t.Errorf("TellsApart(%s, %s) = %s, want %s", tc.a, tc.b, got, tc.want)
		}
	}
	pages := cause.Pages()
	for _, p := range pages {
		for _, n := range p.Apart {
			if ab, ba := cause.TellsApart(p.Name, n.Cause), cause.TellsApart(n.Cause, p.Name); ab != n.Scenario || ba != n.Scenario {
				t.Errorf("%s and %s are told apart by %q, or %q, their pages say %q; name a pair on one page only", p.Name, n.Cause, ab, ba, n.Scenario)
			}
		}
	}
	// Where no page names the pair: one that shows one of them and not the other, if there is one.
	for _, tc := range [][2]string{{"midnight-reset", "tiny"}, {"rig", "midnight-reset"}, {"", ""}, {"hang", "crash"}, {"restart-loss", "epoch-2038"},
		{"charge-late", "aliased"}, {"unexplained", "tick-wrap"}} {
		got := cause.TellsApart(tc[0], tc[1])
		if !slices.Contains(scenarios.Names(), got) {
			t.Errorf("TellsApart(%q, %q) = %q: no scenario of the library", tc[0], tc[1], got)
		}
		a, _ := cause.Lookup(tc[0])
		b, _ := cause.Lookup(tc[1])
		declared := slices.ContainsFunc(a.Apart, func(n cause.Neighbour) bool { return n.Cause == tc[1] })
		if !declared && len(a.Scenarios)+len(b.Scenarios) > 0 && slices.Contains(a.Scenarios, got) == slices.Contains(b.Scenarios, got) {
			t.Errorf("TellsApart(%q, %q) = %q, shown by %q and %q alike", tc[0], tc[1], got, a.Scenarios, b.Scenarios)
		}
	}
}

func TestMendOfIsNeverEmpty(t *testing.T) {
	for _, name := range append(cause.Names(), "unexplained", "", "../x") {
		if m := cause.MendOf(name); len(m) < 20 || strings.Contains(m, "\n") {
			t.Errorf("MendOf(%q) = %q", name, m)
		}
	}
	if got, want := cause.MendOf("rounded-sum"), "Keep the exact sum and round only a copy of it for printing."; got != want {
		t.Errorf("got %q, want %q", got, want)
	}
}
