package scenarios

import (
	"flag"
	"io"
	"math"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/rogpeppe/go-internal/txtar"

	"stuntcell/emulator/rig"
	"stuntcell/model"
	"stuntcell/model/quantity"
)

var update = flag.Bool("update", false, "write the errors seen into the vectors")

// vectors lists the vectors of the four kinds of file; the directory and the name of the first file in each say which it is.
func vectors(t testing.TB) []string {
	t.Helper()
	var out []string
	for _, kind := range []string{"scenario", "project", "rig", "pack", "lesson"} {
		files, err := filepath.Glob("../testdata/contracts/" + kind + "/*.txtar")
		if err != nil || len(files) == 0 {
			t.Fatalf("no vectors of %s files (%v)", kind, err)
		}
		out = append(out, files...)
	}
	return out
}

// Each vector holds a scenario, project, rig, pack or lesson file and what its parser says of it, word for word; "accepted" if nothing.
func TestVectors(t *testing.T) {
	for _, file := range vectors(t) {
		t.Run(filepath.Base(filepath.Dir(file))+"/"+strings.TrimSuffix(filepath.Base(file), ".txtar"), func(t *testing.T) {
			a, err := txtar.ParseFile(file)
			if err != nil {
				t.Fatal(err)
			}
			if len(a.Files) != 2 || a.Files[1].Name != "want" {
				t.Fatal("want two files, the second named want")
			}
			name, data := a.Files[0].Name, a.Files[0].Data
			switch name {
			case ProjectFile:
				_, err = ParseProject(name, data, func(string) ([]byte, error) { return nil, os.ErrNotExist })
			case "scenario.yaml":
				_, err = Parse(name, data, Env{})
			case "rig.yaml":
				_, err = rig.Parse(name, data, rig.Rig{})
			case "lesson.yaml":
				_, err = ParseLesson(name, data, Env{})
			case "pack.yaml":
				_, err = model.LoadPack(name, data)
			default:
				t.Fatalf("no parser for %s", name)
			}
			got := "accepted\n"
			if err != nil {
				got = err.Error() + "\n"
			}
			if want := string(a.Files[1].Data); got != want {
				if *update {
					a.Files[1].Data = []byte(got)
					if err := os.WriteFile(file, txtar.Format(a), 0o666); err != nil {
						t.Fatal(err)
					}
					return
				}
				t.Errorf("got:\n%swant:\n%s", got, want)
			}
		})
	}
}

// FuzzParse looks for input that panics, hangs or is accepted as something that it does not say.
func FuzzParse(f *testing.F) {
	for _, name := range Names() {
		if name != theLongOne {
			f.Add(Source(name))
		}
	}
	for _, file := range vectors(f) {
		if a, err := txtar.ParseFile(file); err == nil {
			f.Add(a.Files[0].Data)
		}
	}
	f.Fuzz(func(t *testing.T, data []byte) {
		s, err := Parse("fuzz.yaml", data, Env{})
		if (s == nil) == (err == nil) {
			t.Fatalf("scenario %v with error %v", s, err)
		}
		if err != nil {
			return
		}
		if !quantity.IsName(s.Name) || len(s.Setup.Plan) == 0 || len(s.Setup.Plan) > maxSteps {
			t.Errorf("accepted a scenario named %q of %d steps", s.Name, len(s.Setup.Plan))
		}
		for i, p := range s.Setup.Plan {
			e := p.Ends
			if e.Time == 0 && e.Charge == 0 && e.Voltage == 0 && e.Logger == 0 {
				t.Errorf("step %d has no end", i+1)
			}
		}
	})
}

// FuzzParseLesson does the same for lesson files, and runs what is accepted and short.
func FuzzParseLesson(f *testing.F) {
	// Short ones only: what takes long is tried seldom.
	const most = 1000 // readings
	for _, l := range Lessons() {
		if l.Readings() <= most {
			f.Add(l.Source)
		}
	}
	for _, file := range vectors(f) {
		if a, err := txtar.ParseFile(file); err == nil && a.Files[0].Name == "lesson.yaml" {
			f.Add(a.Files[0].Data)
		}
	}
	f.Fuzz(func(t *testing.T, data []byte) {
		l, err := ParseLesson("fuzz.yaml", data, Env{})
		if (l == nil) == (err == nil) {
			t.Fatalf("lesson %v with error %v", l, err)
		}
		if err != nil || l.Readings() > most {
			return
		}
		out, err := l.Run(t.Context())
		if err != nil {
			return
		}
		if math.IsNaN(out.Answer.SI) || len(l.Predict.Choices) > 0 && out.RightChoice() == nil {
			t.Errorf("accepted a lesson whose answer is %v, of %d choices", out.Answer, len(l.Predict.Choices))
		}
		if err := out.Picture.Text(io.Discard, 80); err != nil {
			t.Error(err)
		}
	})
}

// FuzzParseProject does the same for project files.
func FuzzParseProject(f *testing.F) {
	f.Add([]byte("pack: agm-12v-7ah\nrig: {tick: {bits: 16}}\nlogger: ./logger\ncolumns: {Ah: charge Ah}\nsuite: [drip]\nlimits: iec-62660-2\n"))
	f.Fuzz(func(t *testing.T, data []byte) {
		p, err := ParseProject(ProjectFile, data, func(string) ([]byte, error) { return data, nil })
		if (p == nil) == (err == nil) {
			t.Fatalf("project %v with error %v", p, err)
		}
	})
}
