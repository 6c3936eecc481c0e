package cause_test

import (
	"os"
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
	for _, p := range cause.Pages() {
		if len(p.Scenarios) == 0 {
			t.Errorf("%s: no scenario shows it", p.Name)
		}
		for k, s := range p.Scenarios {
			if !slices.Contains(scenarios.Names(), s) {
				t.Errorf("%s: the library has no scenario %q", p.Name, s)
			}
			if slices.Contains(p.Scenarios[:k], s) {
				t.Errorf("%s: names %s twice", p.Name, s)
			}
		}
		if first := p.Scenarios; len(shown[p.Name]) > 0 && !slices.Contains(shown[p.Name], first[0]) {
			t.Errorf("%s: its first scenario %s does not declare it; these do: %q", p.Name, first[0], shown[p.Name])
		}
		for _, s := range shown[p.Name] {
			if !slices.Contains(p.Scenarios, s) {
				t.Errorf("%s: scenario %s declares it, its page does not name it", p.Name, s)
			}
		}
		for _, n := range p.Apart {
			if !slices.Contains(scenarios.Names(), n.Scenario) || n.Cause == p.Name {
				t.Errorf("%s: told from %s by %q", p.Name, n.Cause, n.Scenario)
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
	names := append(cause.Names(), "unexplained", "")
	for _, a := range names {
		for _, b := range names {
			s := cause.TellsApart(a, b)
			if !slices.Contains(scenarios.Names(), s) {
				t.Errorf("TellsApart(%q, %q) = %q: no scenario of the library", a, b, s)
			}
			page, _ := cause.Lookup(a)
			other, _ := cause.Lookup(b)
			declared := func(p cause.Page, of string) bool {
				return slices.ContainsFunc(p.Apart, func(n cause.Neighbour) bool { return n.Cause == of })
			}
			switch {
			case declared(page, b) && declared(other, a):
				t.Errorf("%s and %s are told apart on both pages: one place is enough", a, b)
			case (declared(page, b) || declared(other, a)) && s != cause.TellsApart(b, a):
				t.Errorf("%s and %s depend on the order", a, b)
			}
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
