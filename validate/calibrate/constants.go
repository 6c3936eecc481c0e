package calibrate

import (
	"fmt"
	"math"
	"strings"

	"stuntcell/emulator/rig"
)

// Shift is the binary scale of the integer gain: 2^20, so that one step of it is below 1 ppm.
const Shift = 20

// Constants are a line in whole numbers: true = reading·Mul/2^Shift + Offset, in millionths of the unit.
type Constants struct {
	Quantity string `json:"quantity"`
	Meter    string `json:"meter"`
	Mul      int64  `json:"mul"`
	Shift    int    `json:"shift"`
	Offset   int64  `json:"offset_micro"` // uA or uV
	// GainPPM is the gain less one, for firmware that keeps it so.
	GainPPM int64 `json:"gain_ppm"`
	// Shunt is the shunt's value with the gain in it, for firmware that divides by it [nohm]; 0 for voltage.
	Shunt int64 `json:"shunt_nohm,omitempty"`
	// Adjust repeats the line's verdict: false makes the constants 1 and 0.
	Adjust bool   `json:"adjust"`
	Why    string `json:"why"`
}

// Integers rounds a line to whole numbers for a rig. A line that says not to adjust gives 1 and 0. The error names a line that whole numbers of this width
// cannot hold.
func (l *Line) Integers(r rig.Rig) (Constants, error) {
	c := Constants{Quantity: l.Quantity, Meter: l.Meter, Mul: 1 << Shift, Shift: Shift, Adjust: l.Adjust, Why: l.Why}
	if l.Quantity == "current" {
		c.Shunt = int64(math.Round(r.Shunt.Nominal * 1e9))
	}
	if !l.Adjust {
		return c, nil
	}
	if !(l.Gain > 0.1 && l.Gain < 10) || !(math.Abs(l.Offset) < 1000) {
		return c, fmt.Errorf("%s against %s: gain %.6g, offset %.6g %s: that is no correction but a wrong column, sign or unit", l.Quantity, l.meter.name(), l.Gain, l.Offset, l.Unit)
	}
	c.Mul = int64(math.Round(l.Gain * (1 << Shift)))
	c.Offset = int64(math.Round(l.Offset * 1e6))
	c.GainPPM = int64(math.Round((l.Gain - 1) * 1e6))
	if l.Quantity == "current" {
		c.Shunt = int64(math.Round(r.Shunt.Nominal / l.Gain * 1e9))
	}
	return c, nil
}

// Choose picks the line of a quantity whose constants are to be used: the one against meter name, or, without a name, the only one, or the one of smallest
// uncertainty if all agree. Meters that disagree need a name.
func Choose(lines []*Line, quantity, name string) (*Line, error) {
	var of []*Line
	for _, l := range lines {
		if l.Quantity == quantity && (name == "" || l.Meter == name) {
			of = append(of, l)
		}
	}
	if len(of) == 0 {
		return nil, nil
	}
	for _, a := range Compare(of) {
		if !(a.En <= 1) {
			return nil, fmt.Errorf("meters %s and %s %s: say which to use for the constants", a.A, a.B, a.Text)
		}
	}
	best := of[0]
	for _, l := range of[1:] {
		if l.worst() < best.worst() {
			best = l
		}
	}
	return best, nil
}

// worst is the largest U of the band relative to the largest reading.
func (l *Line) worst() float64 {
	u := 0.0
	for _, p := range l.Band {
		if p.Beyond == "" {
			u = math.Max(u, p.U)
		}
	}
	return u / math.Max(math.Abs(l.Low), math.Abs(l.High))
}

// Header returns a C header with the rig's constants and the corrections. source names the pairs file and its hash.
func Header(r rig.Rig, source string, all []Constants) string {
	var b strings.Builder
	p := func(format string, a ...any) { fmt.Fprintf(&b, format+"\n", a...) }
	p("/* Constants of rig %s. Made by stuntcell calibrate from %s. */", comment(r.Name), comment(source))
	p("#ifndef RIG_CONSTANTS_H")
	p("#define RIG_CONSTANTS_H")
	p("#include <stdint.h>")
	p("")
	p("#define RIG_SHUNT_NOHM    INT64_C(%d)   /* nominal */", int64(math.Round(r.Shunt.Nominal*1e9)))
	p("#define RIG_SHUNT_STEP_NV INT64_C(%d)   /* one count of the shunt channel */", int64(math.Round(r.Front.ShuntStep*1e9)))
	p("#define RIG_BUS_STEP_UV   INT64_C(%d)   /* one count of the voltage channel */", int64(math.Round(r.Front.BusStep*1e6)))
	p("#define RIG_TICK_BITS     %d", r.Tick.Bits)
	p("#define RIG_TICK_HZ       INT64_C(%d)", r.Tick.Hz)
	for _, c := range all {
		letter, unit, name := "I", "ua", "current"
		if c.Quantity == "voltage" {
			letter, unit, name = "V", "uv", "voltage"
		}
		p("")
		p("/* %s, against %s. %s", name, comment(Meter{Name: c.Meter}.name()), comment(c.Why))
		p("   true = reading * RIG_%s_MUL / 2^RIG_%s_SHIFT + RIG_%s_OFFSET_%s, reading with the nominal constants above", letter, letter, letter, strings.ToUpper(unit))
		if c.Shunt != 0 {
			p("   (or divide by %d nohm in place of RIG_SHUNT_NOHM and add the offset: one of the two, not both)", c.Shunt)
		}
		p("   gain %+d ppm */", c.GainPPM)
		p("#define RIG_%s_MUL    INT64_C(%d)", letter, c.Mul)
		p("#define RIG_%s_SHIFT  %d", letter, c.Shift)
		p("#define RIG_%s_OFFSET_%s INT64_C(%d)", letter, strings.ToUpper(unit), c.Offset)
		p("static inline int64_t rig_true_%s_%s(int64_t reading_%s)", name, unit, unit)
		p("{")
		p("    int64_t half = (INT64_C(1) << RIG_%s_SHIFT) / 2;", letter)
		p("    int64_t x = reading_%s * RIG_%s_MUL;", unit, letter)
		p("    return (x + (x < 0 ? -half : half)) / (INT64_C(1) << RIG_%s_SHIFT) + RIG_%s_OFFSET_%s;", letter, letter, strings.ToUpper(unit))
		p("}")
	}
	p("")
	p("#endif")
	return b.String()
}

// comment keeps a text from ending the comment that it stands in, or from seeming to begin another.
func comment(s string) string {
	return strings.NewReplacer("*/", "* /", "/*", "/ *", "\n", " ", "\r", " ", "\\", "/").Replace(s)
}
