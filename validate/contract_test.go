package validate_test

import (
	"context"
	"fmt"
	"path/filepath"
	"strconv"
	"strings"
	"testing"

	"github.com/rogpeppe/go-internal/txtar"

	"stuntcell/emulator"
	"stuntcell/emulator/link"
	"stuntcell/scenarios"
	"stuntcell/validate"
	"stuntcell/validate/verdict"
)

// scribe is a logger that only writes what a vector says, at the readings that it says.
type scribe struct {
	rows map[int][]string
	n    int
}

func (s *scribe) say(k int, a *link.Answer) {
	for _, r := range s.rows[k] {
		a.Row(r)
	}
}

func (s *scribe) Greet(_ *link.Greeting, a *link.Answer) {
	a.Tell(link.Cannot, "load")
	s.say(-1, a)
}
func (s *scribe) Read(_ *link.Reading, a *link.Answer)  { s.say(s.n, a); s.n++ }
func (s *scribe) Set(_ string, _ int64, _ *link.Answer) {}
func (s *scribe) End(a *link.Answer)                    {}

// TestJudgingContract runs the conformance vectors of testdata/contracts/judging: a small scenario, a log as it was written
// reading by reading, and what the verdict must say.
func TestJudgingContract(t *testing.T) {
	files, err := filepath.Glob("../testdata/contracts/judging/*.txtar")
	if err != nil || len(files) < 15 {
		t.Fatalf("%d vectors, %v", len(files), err)
	}
	for _, file := range files {
		t.Run(strings.TrimSuffix(filepath.Base(file), ".txtar"), func(t *testing.T) {
			ar, err := txtar.ParseFile(file)
			if err != nil {
				t.Fatal(err)
			}
			part := map[string]string{}
			for _, f := range ar.Files {
				part[f.Name] = string(f.Data)
			}
			sc, err := scenarios.Parse("scenario.yaml", []byte(part["scenario.yaml"]), scenarios.Env{})
			if err != nil {
				t.Fatal(err)
			}
			s := &scribe{rows: map[int][]string{}}
			for _, line := range strings.Split(strings.TrimSpace(part["log"]), "\n") {
				at, text, _ := strings.Cut(strings.TrimPrefix(line, "@"), " ")
				k, err := strconv.Atoi(at)
				if err != nil {
					t.Fatalf("%q: %v", line, err)
				}
				s.rows[k] = append(s.rows[k], text)
			}
			rec, err := emulator.Run(context.Background(), sc.Setup, link.NewInProcess(func(link.Store) link.Logger { return s }, 1))
			if err != nil {
				t.Fatal(err)
			}
			v := validate.Judge(sc, rec, validate.Options{Logger: "vector"})
			for _, want := range strings.Split(strings.TrimSpace(part["want"]), "\n") {
				if got := answer(v, want); got != want {
					t.Errorf("want %q, got %q\n%s", want, got, complaint(v))
				}
			}
		})
	}
}

// answer says what a verdict holds in the words of a want line.
func answer(v *verdict.Verdict, want string) string {
	word, rest, _ := strings.Cut(want, " ")
	tell := func(p *bool) string {
		if p == nil {
			return "null"
		}
		return strconv.FormatBool(*p)
	}
	switch word {
	case "pass":
		return "pass " + tell(v.Pass)
	case "check", "skipped":
		name, _, _ := strings.Cut(rest, " ")
		for _, c := range v.Checks {
			if c.Name == name && word == "check" {
				return "check " + name + " " + tell(c.Pass)
			} else if c.Name == name {
				return "skipped " + name + " " + c.Skipped
			}
		}
	case "first":
		for _, f := range v.Findings {
			return "first " + f.Cause
		}
	case "named":
		var names []string
		for _, f := range v.Findings {
			if f.Cause == rest {
				return want
			}
			names = append(names, f.Cause)
		}
		return "named " + strings.Join(names, ",")
	case "sign":
		return "sign " + v.Found.Sign
	case "zone":
		if v.Found.ZoneMin != nil {
			return fmt.Sprintf("zone %d", *v.Found.ZoneMin)
		}
	}
	return word + " nothing"
}
