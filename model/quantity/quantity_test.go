package quantity

import (
	"errors"
	"math"
	"strings"
	"testing"

	"pgregory.net/rapid"
)

func TestParseReadsUnitsIntoSI(t *testing.T) {
	cases := []struct {
		text string
		kind Kind
		want float64
	}{
		{"1.44 A", Current, 1.44}, {"75 mV", Voltage, 0.075}, {"20 h", Time, 72000}, {"0.2 C", Rate, 0.2},
		{"1.75 V/cell", CellVoltage, 1.75}, {"-40 ppm", Ratio, -40e-6}, {"0.2 %", Ratio, 0.002}, {"25 degC", Temperature, 298.15},
		{"1.5 mohm", Resistance, 0.0015}, {"6 uV", Voltage, 6e-6}, {"35 min", Time, 2100}, {"1 h 30 min", Time, 5400},
		{"1h30min", Time, 5400}, {"-40 min", Time, -2400}, {"-1 h 30 min", Time, -5400}, {"7Ah", Charge, 25200}, {"3 Wh", Energy, 10800},
		{"77 degF", Temperature, 298.15}, {"-0.035 ppm/K2", RatioPerKelvin2, -0.035e-6}, {"5 K", Difference, 5}, {"298 K", Temperature, 298},
		{"3 %/month", RatioPerTime, 0.03 / (30 * 86400)}, {"1e3 Hz", Frequency, 1000}, {"1E", 0, 0}, {"µV 3", 0, 0}, {"22 mΩ", Resistance, 0.022},
	}
	for _, c := range cases {
		if c.kind == 0 {
			if v, err := Parse(c.text); err == nil {
				t.Errorf("Parse(%q) = %v, want an error", c.text, v)
			}
			continue
		}
		v, err := Parse(c.text, c.kind)
		if err != nil {
			t.Errorf("Parse(%q): %v", c.text, err)
			continue
		}
		if v.Kind != c.kind || math.Abs(v.SI-c.want) > 1e-15*math.Max(1, math.Abs(c.want)) && math.Abs(v.SI/c.want-1) > 1e-12 {
			t.Errorf("Parse(%q) = %v %v, want %v", c.text, v.Kind, v.SI, c.want)
		}
	}
}

func TestParseTellsWhatIsWrong(t *testing.T) {
	cases := []struct {
		text   string
		kinds  []Kind
		reason Reason
		hint   string
	}{
		{"1.44", []Kind{Current}, NoUnit, "1.44 A?"},
		{"1.44 Q", []Kind{Current}, UnknownUnit, ""},
		{"75 mv", []Kind{Voltage}, UnknownUnit, "mV?"},
		{"3 ohmm", []Kind{Resistance}, UnknownUnit, "ohm?"},
		{"75 mV", []Kind{Current}, WrongKind, ""},
		{"7 A", []Kind{Charge}, WrongKind, "Ah?"},
		{"25 C", []Kind{Temperature}, WrongKind, "C is a rate; write degC for a temperature"},
		{"1.75 V", []Kind{CellVoltage}, WrongKind, "V/cell?"},
		{"1e999 A", []Kind{Current}, NotFinite, ""},
		{"1e308 kA", []Kind{Current}, NotFinite, ""},
		{"inf A", []Kind{Current}, NotFinite, ""},
		{"-nan", nil, NotFinite, ""},
		{"", []Kind{Current}, NotNumber, ""},
		{"five A", []Kind{Current}, NotNumber, ""},
		{"0x10 A", []Kind{Current}, UnknownUnit, ""},
		{"1_000 A", []Kind{Current}, UnknownUnit, ""},
		{"1 A 3 A", []Kind{Current}, UnknownUnit, ""},
		{"1 h x", []Kind{Time}, UnknownUnit, ""},
		{"1", []Kind{Ratio}, NoUnit, "100 %?"},
	}
	for _, c := range cases {
		_, err := Parse(c.text, c.kinds...)
		var e *Error
		if !errors.As(err, &e) {
			t.Errorf("Parse(%q): %v, want an *Error", c.text, err)
			continue
		}
		if e.Reason != c.reason || c.hint != "" && e.Hint != c.hint {
			t.Errorf("Parse(%q): reason %v, hint %q (%v); want reason %v, hint %q", c.text, e.Reason, e.Hint, e, c.reason, c.hint)
		}
	}
}

func TestRangeSaysWhatItAdmits(t *testing.T) {
	err := Positive().Check(Value{Resistance, -0.0015})
	if err == nil || err.Error() != "-1.5 mohm is out of range (expected more than 0 ohm)" {
		t.Errorf("got %v", err)
	}
	if err := (Range{}).Check(Value{Current, 5}); err != nil {
		t.Errorf("the zero Range refuses 5 A: %v", err)
	}
	if Above(0, 1).Holds(0) || !Above(0, 1).Holds(1) || !Between(0, 1).Holds(0) || Any().Holds(math.Inf(1)) {
		t.Error("bounds are wrong")
	}
}

func TestStringWritesWhatPeopleWrite(t *testing.T) {
	for text, want := range map[string]string{
		"7 Ah": "7 Ah", "7000 mAh": "7 Ah", "25 degC": "25 degC", "1.5 mohm": "1.5 mohm", "3600 s": "1 h", "0.2 %": "0.2 %", "-40 ppm": "-40 ppm",
	} {
		v, err := Parse(text)
		if err != nil {
			t.Fatal(err)
		}
		if got := v.String(); got != want {
			t.Errorf("%q is written %q, want %q", text, got, want)
		}
	}
}

// roundTrip fails if an accepted text is not re-encoded to one that reads as the same value.
func roundTrip(t interface{ Fatalf(string, ...any) }, text string) {
	v, err := Parse(text)
	if err != nil {
		return
	}
	back, err := Parse(v.String(), v.Kind)
	if err != nil || back != v {
		t.Fatalf("%q reads as %v (%v), its text %q as %v (%v)", text, v, v.SI, v.String(), back.SI, err)
	}
}

func TestEveryUnitRoundTrips(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		u := rapid.SampledFrom(units[:]).Draw(t, "unit")
		x := rapid.Float64().Draw(t, "x")
		if math.IsInf(u.toSI(x), 0) {
			return
		}
		roundTrip(t, strings.Replace(Value{u.kind, x}.String(), u.kind.Unit(), u.name, 1))
	})
}

func TestNanosecondsRefusesWhatDoesNotFit(t *testing.T) {
	if ns, err := (Value{Time, 0.1}).Nanoseconds(); ns != 100e6 || err != nil {
		t.Errorf("0.1 s is %d ns, %v", ns, err)
	}
	if _, err := (Value{Time, 1e11}).Nanoseconds(); err == nil {
		t.Error("3,000 years were accepted")
	}
}

func FuzzParse(f *testing.F) {
	for _, s := range []string{"1.44 A", "1 h 30 min", "1h30min", "-40 ppm", "25 degC", "1e999 A", "1.75 V/cell", "3 ", "+.5e-3 mV", "1 h -2 min", "\xff A"} {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, s string) { roundTrip(t, s) })
}
