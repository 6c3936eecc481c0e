package quantity

import (
	"bytes"
	"fmt"
	"strings"
	"testing"
)

// readRig reads a small made-up file with every kind of reader.
func readRig(data []byte) error {
	doc := Read("rig.yaml", data)
	m := doc.Root()
	m.Text("rig")
	m.Quantity("shunt", Resistance, Positive())
	m.QuantityOr("noise", Voltage, NotNegative(), 0)
	m.NanosecondsOr("every", Between(1e-3, 3600), 1e9)
	m.IntOr("channels", 1, 4, 1)
	m.Bool("low")
	m.Words("cannot", "load", "clock")
	if tick, ok := m.Map("tick"); ok {
		tick.Int("bits", 8, 64)
		tick.Done()
	}
	for _, f := range m.List("levels") {
		f.WordOrValue([]string{"end", "floor"}, Voltage, CellVoltage)
	}
	m.Done()
	return doc.Err()
}

func TestDocumentReportsEverythingAtOnce(t *testing.T) {
	cases := []struct{ name, yaml, want string }{
		{"good", "rig: a\nshunt: 1.5 mohm\nlevels: [end, 10.5 V, 1.75 V/cell]\ntick: {bits: 32}\ncannot: load\nlow: true\n", ""},
		{"several", "rig: a\nshunt: -1 mohm\nchanels: 2\ntick: {bits: 99}\nlevels: [ends, 3 A, [1]]\n", `
rig.yaml:2:8: shunt: -1 mohm is out of range (expected more than 0 ohm)
rig.yaml:3:1: unknown key "chanels" in the file (expected one of cannot, channels, every, levels, low, noise, rig, shunt, tick; hint: channels?)
rig.yaml:4:14: bits is "99" (expected a whole number from 8 to 64)
rig.yaml:5:10: levels[1]: unknown word "ends" (expected one of end, floor; hint: end?)
rig.yaml:5:16: levels[2]: "3 A" is a current (expected a voltage or a voltage per cell, such as 75 mV or 1.75 V/cell)
rig.yaml:5:21: levels[3] is a list (expected one of end, floor, or a quantity, such as 75 mV or 1.75 V/cell)`},
		{"missing", "rig: a\n", `
rig.yaml:1:1: "shunt" is missing in the file (expected shunt)`},
		{"twice", "rig: a\nshunt: 1 ohm\nrig: b\n", `
rig.yaml:3:1: key "rig" twice (expected once, it stands in line 1)`},
		{"anchor", "rig: &x a\nshunt: 1 ohm\nnoise: *x\n", `
rig.yaml:1:6: anchor &x (expected the value itself; hint: anchors and aliases are not read; write the value twice)
rig.yaml:3:8: alias *x (expected the value itself; hint: anchors and aliases are not read; write the value twice)
rig.yaml:3:8: noise is "x" (expected a quantity, such as 75 mV)`},
		{"merge", "rig: a\nshunt: 1 ohm\n<<: {low: true}\n", `
rig.yaml:3:1: merge key << (expected the keys themselves)`},
		{"two documents", "rig: a\n---\nrig: b\n", `
rig.yaml:2:1: a second document begins (expected one document in a file)`},
		{"empty", "", `
rig.yaml:1:1: the file is empty (expected keys with values)`},
		{"list", "- a\n", `
rig.yaml:1:1: the file is a list (expected keys with values)`},
		{"no value", "rig:\nshunt: 1 ohm\n", `
rig.yaml:1:5: rig is empty (expected a text)`},
		{"tag", "rig: !x a\nshunt: 1 ohm\n", `
rig.yaml:1:6: tag !x (expected a plain value)`},
	}
	for _, c := range cases {
		got := ""
		if err := readRig([]byte(c.yaml)); err != nil {
			got = "\n" + err.Error()
		}
		if got != c.want {
			t.Errorf("%s:\ngot%s\nwant%s", c.name, got, c.want)
		}
	}
}

func TestDocumentSaysWhereTheSyntaxBreaks(t *testing.T) {
	err := readRig([]byte("rig: a\n  shunt: 1 ohm\n"))
	if err == nil || !strings.HasPrefix(err.Error(), "rig.yaml:2:1: ") {
		t.Errorf("got %v", err)
	}
}

func TestDocumentIsBounded(t *testing.T) {
	if err := readRig(bytes.Repeat([]byte("#"), MaxBytes+1)); err == nil || !strings.Contains(err.Error(), "1048577 bytes") {
		t.Errorf("a large file: %v", err)
	}
	if err := readRig([]byte("rig: " + strings.Repeat("[", 40) + strings.Repeat("]", 40))); err == nil || !strings.Contains(err.Error(), "nested too deep") {
		t.Errorf("a deep file: %v", err)
	}
	var many strings.Builder
	for i := range 500 {
		fmt.Fprintf(&many, "key%d: 1\n", i)
	}
	if err := readRig([]byte(many.String())); err == nil || strings.Count(err.Error(), "\n") > maxFound+1 {
		t.Errorf("500 unknown keys: %.200v", err)
	}
	bomb := "a: &a [x,x]\nb: &b [*a,*a]\nc: &c [*b,*b]\n"
	if err := readRig([]byte(bomb)); err == nil {
		t.Error("aliases were accepted")
	}
}

func FuzzDocument(f *testing.F) {
	for _, s := range []string{"rig: a\nshunt: 1 ohm\n", "rig: &x a\nb: *x\n", "{a: {b: [1, 2]}}", "- a\n---\nb", "<<: 1", "? [a]\n: b", "a: !!binary x", "\xff\xfe", "a: |\n  x"} {
		f.Add([]byte(s))
	}
	f.Fuzz(func(t *testing.T, data []byte) {
		if err := readRig(data); err != nil && err.Error() == "" {
			t.Fatal("an error without words")
		}
	})
}
