package page

import (
	"maps"
	"net/url"
	"os/exec"
	"reflect"
	"slices"
	"strings"
	"testing"

	"pgregory.net/rapid"
)

// typed draws what may be typed into a field, as it is kept: without blanks around it.
func typed() *rapid.Generator[string] {
	return rapid.Custom(func(t *rapid.T) string {
		s := rapid.OneOf(rapid.SampledFrom([]string{"", "0.2 C", "10 degC", "80 %", "agm-12v-7ah", "a&b=c;d+e%20", "<b>'\"", "µ ∞"}),
			rapid.StringOfN(rapid.RuneFrom([]rune("abcXYZ019 -_.%&=+;#?<>'\"\\/äΩ")), 0, 60, -1)).Draw(t, "typed")
		return strings.TrimSpace(s)
	})
}

// Each view's state survives its own address.
func TestStateSurvivesItsAddress(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		draw := func() conditions {
			c := conditions{Plan: typed().Draw(t, "plan"), Pack: typed().Draw(t, "pack"), Rate: typed().Draw(t, "rate"), Ambient: typed().Draw(t, "ambient"),
				Health: typed().Draw(t, "health"), Rig: typed().Draw(t, "rig")}
			return c
		}
		r := rehearseState{Run: draw(), Beside: draw(), Outlook: rapid.SampledFrom([]string{"", "on"}).Draw(t, "outlook")}
		if r.Run.Plan == "" {
			r.Run.Plan = firstPlan
		}
		same(t, r, r.values(), readRehearse)

		p := proveState{Logger: typed().Draw(t, "logger"), Scope: rapid.SampledFrom([]string{scopeShows, scopeAll, scopePicked}).Draw(t, "scope")}
		if p.Logger == "" {
			p.Logger = GoodLogger
		}
		for _, name := range rapid.SliceOfNDistinct(typed(), 0, 5, rapid.ID).Draw(t, "scenarios") {
			if name != "" {
				p.Scenarios = append(p.Scenarios, name)
			}
		}
		same(t, p, p.values(), readProve)

		l := logsState{Cutoff: typed().Draw(t, "cutoff"), Taper: typed().Draw(t, "taper"), Rig: typed().Draw(t, "rig"), Rated: typed().Draw(t, "rated"), Reference: typed().Draw(t, "reference"), Cell: typed().Draw(t, "cell")}
		same(t, l, l.values(), readLogs)

		e := lessonState{Answer: typed().Draw(t, "answer"), Try: rapid.SampledFrom([]string{"", "on"}).Draw(t, "try")}
		same(t, e, e.values(), readLesson)

		b := budgetState{Rig: "shop-50a", Pack: "agm-12v-7ah", Current: typed().Draw(t, "current"), Cutoff: typed().Draw(t, "cutoff"), Aim: typed().Draw(t, "aim"), Parts: map[string]string{}}
		for _, part := range parts() {
			if v := typed().Draw(t, part.Field); v != "" {
				b.Parts[part.Field] = v
			}
		}
		same(t, b, b.values(), readBudget)
	})
}

func same[S any](t *rapid.T, state S, values url.Values, read func(*query) S) {
	t.Helper()
	q := readQuery(values.Encode())
	got := read(q)
	if wrong := q.done(); len(wrong) > 0 {
		t.Fatalf("%q: %v", values.Encode(), wrong)
	}
	if !reflect.DeepEqual(got, state) {
		t.Fatalf("%q was read as %+v, want %+v", values.Encode(), got, state)
	}
}

// Whatever stands in an address, each view reads it or says what is wrong with it, and what it has read reads back the same.
func FuzzQuery(f *testing.F) {
	for _, s := range []string{"", "plan=discharge-20h&rate=0.2+C&beside-health=80+%25", "logger=good&scope=all&scenario=a&scenario=b", "cutoff=10.5+V&rig=x", "part-ohm=1+mohm&aim=1+%25",
		"a=%zz", "plan=a&plan=b", "&&&==", "%00=%ff", "look=dark-narrow&plan=x", strings.Repeat("a=b&", 3000), "rate=\xff"} {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, raw string) {
		rest, _ := readLook(raw)
		check(t, rest, readRehearse, rehearseState.values)
		check(t, rest, readProve, proveState.values)
		check(t, rest, readLogs, logsState.values)
		check(t, rest, readBudget, budgetState.values)
		check(t, rest, readLesson, lessonState.values)
	})
}

func check[S any](t *testing.T, raw string, read func(*query) S, values func(S) url.Values) {
	t.Helper()
	q := readQuery(raw)
	state := read(q)
	wrong := q.done()
	for field, text := range wrong {
		if text == "" || len(text) > 1000 {
			t.Fatalf("%q: of %q it is said %q", raw, field, text)
		}
	}
	if len(wrong) > 0 {
		return
	}
	again := readQuery(values(state).Encode())
	got := read(again)
	if wrong := again.done(); len(wrong) > 0 {
		t.Fatalf("%q became %q, which is refused: %v", raw, values(state).Encode(), wrong)
	}
	if !reflect.DeepEqual(got, state) {
		t.Fatalf("%q was read as %+v, and then as %+v", raw, state, got)
	}
}

// A command line that is shown is taken by a shell as the words that it was made of.
func TestCommandLineIsOneForAShell(t *testing.T) {
	sh, err := exec.LookPath("sh")
	if err != nil {
		t.Skip("no sh")
	}
	words := []string{"stuntcell", "rehearse", "a plan.yaml", "--rate", "0.2 C", "--health", "80 %", "it's", `"$HOME"`, "`id`", "", "a;b", "*"}
	out, err := exec.Command(sh, "-c", "set -- "+commandLine(words...)+`; for w; do printf '%s\n' "$w"; done`).Output()
	if err != nil {
		t.Fatal(err)
	}
	if got := strings.Split(strings.TrimSuffix(string(out), "\n"), "\n"); !slices.Equal(got, words) {
		t.Errorf("%q became %q", words, got)
	}
}

// The fields of the form and the keys that a state reads are the same.
func TestPartsHaveFields(t *testing.T) {
	seen := map[string]bool{}
	for _, p := range parts() {
		if seen[p.Field] || p.Label == "" || p.Example == "" {
			t.Errorf("%+v", p)
		}
		seen[p.Field] = true
		w := mistakes{}
		if w.quantityOf(p.Field, p.Example, p.kind, p.within); len(w) > 0 {
			t.Errorf("the example of %s is refused: %v", p.Field, w)
		}
	}
	if got := len(slices.Collect(maps.Keys(seen))); got != len(parts()) {
		t.Errorf("%d fields of %d parts", got, len(parts()))
	}
}
