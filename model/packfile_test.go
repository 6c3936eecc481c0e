package model

import (
	"strings"
	"testing"
)

const smallPack = `pack: mine
chemistry: agm
cells: 3
rated: {capacity: 4.5 Ah, time: 20 h, end: 1.75 V/cell}
`

func TestPackFromLittle(t *testing.T) {
	p, err := LoadPack("mine.yaml", []byte(smallPack))
	if err != nil {
		t.Fatal(err)
	}
	near(t, "end", p.Rated.End, 5.25, 1e-12)
	near(t, "full", p.Volts(p.Cell.OCV.At(1)), 6.444, 1e-9)
	if c := p.Cautions(); c[len(c)-1] != deference {
		t.Errorf("cautions end with %q", c[len(c)-1])
	}
}

func TestPackFileSaysWhatIsWrong(t *testing.T) {
	cases := []struct{ name, yaml, want string }{
		{"negative resistance", smallPack + "resistance: -22 mohm\n", `mine.yaml:5:13: resistance: -22 mohm is out of range (expected more than 0 ohm, at most 1 kohm)`},
		{"table out of order", smallPack + "ocv: [[0 %, 1.5 V], [50 %, 2 V], [40 %, 2.1 V]]\n", `mine.yaml:5:35: 40 % is not above the row before (expected rows in rising order)`},
		{"voltage that falls", smallPack + "ocv: [[0 %, 1.5 V], [50 %, 2 V], [100 %, 1.9 V]]\n", `mine.yaml:5:6: the voltage at rest does not rise with charge (expected each voltage above the one before)`},
		{"wrong unit", strings.Replace(smallPack, "4.5 Ah", "4.5 A", 1), `mine.yaml:4:19: capacity: "4.5 A" is a current (expected a charge, such as 7 Ah; hint: Ah?)`},
		{"no unit", strings.Replace(smallPack, "20 h", "20", 1), `mine.yaml:4:33: time: "20" has no unit (expected a unit, such as 20 h; hint: 20 s?)`},
		{"unknown chemistry", strings.Replace(smallPack, "agm", "amg", 1), `unknown word "amg"`},
		{"unknown key", smallPack + "colour: red\n", `mine.yaml:5:1: unknown key "colour"`},
		{"four pairs", smallPack + "pairs: [{drop: 1 mV, time: 1 s}, {drop: 1 mV, time: 2 s}, {drop: 1 mV, time: 3 s}, {drop: 1 mV, time: 4 s}]\n", `a fourth RC pair (expected at most three)`},
		{"no rating", "pack: mine\nchemistry: agm\ncells: 3\n", `"rated" is missing`},
		{"end above full", strings.Replace(smallPack, "1.75 V/cell", "2.4 V/cell", 1), `mine.yaml:4:8: mine: the rated end of 7.2 V is above what the pack shows under its rated current when full (at most 6.4`},
		{"end below empty", strings.Replace(smallPack, "1.75 V/cell", "0.8 V/cell", 1), `is below what the pack shows at rest when empty (more than 3.6 V would be possible)`},
		{"several", "pack: mine\nchemistry: agm\ncells: none\nrated: {capacity: 4.5, time: 20 h, end: 5 V}\n", "mine.yaml:3:8: cells is \"none\" (expected a whole number from 1 to 400)\nmine.yaml:4:19: capacity: \"4.5\" has no unit"},
	}
	for _, c := range cases {
		_, err := LoadPack("mine.yaml", []byte(c.yaml))
		if err == nil || !strings.Contains(err.Error(), c.want) {
			t.Errorf("%s:\ngot  %v\nwant %s", c.name, err, c.want)
		}
	}
}

func TestUnknownPackHasAHint(t *testing.T) {
	if _, err := PackByName("agm-12v-7ha"); err == nil || !strings.Contains(err.Error(), "agm-12v-7ah?") {
		t.Errorf("got %v", err)
	}
	if _, err := PackByName("../agm"); err == nil {
		t.Error("a path was taken for a name")
	}
}

func FuzzLoadPack(f *testing.F) {
	for _, name := range PackNames() {
		data, _ := PackFile(name)
		f.Add(data)
	}
	f.Add([]byte(smallPack + "resistance: 1 mohm\nocv: [[0 %, 1 V], [100 %, 2.2 V]]\nwhole: 150 %\nhysteresis: {half_gap: 10 mV, turns_over: 5 %}\n"))
	f.Fuzz(func(t *testing.T, data []byte) {
		p, err := LoadPack("fuzz.yaml", data)
		if err != nil {
			return
		}
		c, err := NewCourse(p, Plan{
			{Kind: Discharge, Load: Load{Current: p.Rated.Current()}, Ends: Ends{Time: 60 * second, Floor: p.Rated.End / 2}},
			{Kind: Rest, Ends: Ends{Time: second}}}, Options{})
		if err != nil {
			t.Fatal(err)
		}
		for n := 0; !c.Done(); n++ {
			s := c.Next(never)
			if v := s.Voltage(s.T1); v != v || n > 100000 {
				t.Fatalf("%g V after %d spans", v, n)
			}
		}
	})
}

// A list says of a pack what the solved pack says.
func TestDescribePack(t *testing.T) {
	if len(PackNames()) == 0 {
		t.Fatal("no packs on board")
	}
	for _, name := range PackNames() {
		p := mustPack(t, name)
		want := PackDescription{Name: name, Summary: p.Summary, Family: p.Family, Volts: p.Nominal(), Charge: p.Rated.Charge}
		if d, ok := DescribePack(name); !ok || d != want {
			t.Errorf("%+v, want %+v", d, want)
		}
	}
	if _, ok := DescribePack("no-such-pack"); ok {
		t.Error("it describes a pack that is not there")
	}
}
