package cause

import (
	"os"
	"strings"
	"testing"
)

// FuzzReadPage: no input ends the program, and what is accepted is whole.
func FuzzReadPage(f *testing.F) {
	for _, name := range []string{"tick-wrap", "hang", "unsafe-end"} {
		data, err := os.ReadFile("pages/" + name + ".yaml")
		if err != nil {
			f.Fatal(err)
		}
		f.Add(data)
	}
	f.Add([]byte("cause: [a]\napart: {x: y}\nscenarios: 7\n"))
	f.Fuzz(func(t *testing.T, data []byte) {
		p, err := readPage("x.yaml", data)
		if err == nil && (p.Name == "" || p.What == "" || p.Mend == "" || p.MendC == "" || p.String() == "") {
			t.Errorf("accepted, but not whole: %+v", p)
		}
		if err != nil && !strings.HasPrefix(err.Error(), "x.yaml:") {
			t.Errorf("an error without a place: %v", err)
		}
	})
}

func TestBadPagesAreNamedByPlace(t *testing.T) {
	good, err := os.ReadFile("pages/tick-wrap.yaml")
	if err != nil {
		t.Fatal(err)
	}
	for _, tc := range []struct{ old, new, want string }{
		{"cause: tick-wrap", "cause: tick-warp", "x.yaml:1:8:"},
		{"severity: F", "severity: B", "x.yaml:2:11:"},
		{"  signed-tick: tick-past-half", "  signed-tock: tick-past-half", `"signed-tock" is no cause`},
		{"  signed-tick: tick-past-half", "  signed-tick: tick-passed-half", "tick-past-half?"},
		{"c: |", "d: |", `"c" is missing`},
		{"cause: tick-wrap", "cause: tick-wrap\nprice: 3", `unknown key "price"`},
	} {
		_, err := readPage("x.yaml", []byte(strings.Replace(string(good), tc.old, tc.new, 1)))
		if err == nil || !strings.Contains(err.Error(), tc.want) {
			t.Errorf("%q: got %v, want %q", tc.new, err, tc.want)
		}
	}
}
