package logfile

import (
	"math"
	"math/big"
	"strconv"
	"strings"
	"testing"

	"pgregory.net/rapid"
)

// numberAgrees holds a number that we read against strconv, and its last place against exact arithmetic.
func numberAgrees(t interface {
	Errorf(string, ...any)
}, s string) {
	v, places, ok := parseNumber([]byte(s), false)
	want, err := strconv.ParseFloat(s, 64)
	if !ok {
		return // what we take is a subset: no inf, no fractions in hexadecimal
	}
	if whole, hex := strconv.ParseUint(s, 0, 64); hex == nil && strings.HasPrefix(strings.ToLower(s), "0x") {
		want, err = float64(whole), nil
	}
	plain := strings.Replace(s, "\u2212", "-", 1)
	if plain != s {
		want, err = strconv.ParseFloat(plain, 64)
	}
	if err != nil || v != want {
		t.Errorf("%q: %v, strconv says %v, %v", s, v, want, err)
	}
	if places < -300 || places > 300 || len(s) > 400 {
		return
	}
	exact, valid := new(big.Rat).SetString(plain)
	if !valid {
		t.Errorf("%q is no number to math/big", s)
		return
	}
	unit := new(big.Rat).SetInt(new(big.Int).Exp(big.NewInt(10), big.NewInt(int64(max(places, -places))), nil))
	if places < 0 {
		unit.Inv(unit)
	}
	if !exact.Mul(exact, unit).IsInt() {
		t.Errorf("%q is not a whole number of 10^%d", s, -places)
	}
}

func TestNumbers(t *testing.T) {
	for _, c := range []struct {
		text   string
		comma  bool
		value  float64
		places int
		ok     bool
	}{
		{"6.300", false, 6.3, 3, true}, {"-12", false, -12, 0, true}, {"+.5", false, 0.5, 1, true}, {"5.", false, 5, 0, true}, {"007", false, 7, 0, true},
		{"1.2e3", false, 1200, -2, true}, {"1E-3", false, 0.001, 3, true}, {"\u22121.4", false, -1.4, 1, true}, {"12,61", true, 12.61, 2, true},
		{"12,61", false, 0, 0, false}, {"12.61", true, 0, 0, false}, {"12,", true, 0, 0, false}, {"inf", false, 0, 0, false}, {"0x1p3", false, 0, 0, false}, {"0x01F4", false, 500, 0, true}, {"0xffffffff", true, 4294967295, 0, true}, {"0x", false, 0, 0, false}, {"0xffffffffffffffff", false, 0, 0, false}, {"1e999", false, 0, 0, false},
		{"1_000", false, 0, 0, false}, {"1 000", false, 0, 0, false}, {".", false, 0, 0, false}, {"", false, 0, 0, false}, {"--1", false, 0, 0, false},
		{"9007199254740993", false, 9007199254740992, 0, true}, // 2^53+1 rounds to even
		{"4294967296.123456789", false, 4294967296.123456789, 9, true},
	} {
		v, places, ok := parseNumber([]byte(c.text), c.comma)
		if ok != c.ok || ok && (v != c.value || places != c.places) {
			t.Errorf("%q comma %v: %v, %d, %v", c.text, c.comma, v, places, ok)
		}
	}
	for _, c := range []struct {
		text  string
		comma bool
		want  bool
	}{{"1,234.5", false, true}, {"1.234,5", true, true}, {"1 234", false, true}, {"1'234'567", false, true}, {"1\u202f234,5", true, true}, {"12,61", false, false}, {"1234", false, false}, {"1,23", false, false}, {"1,2345", false, false}} {
		if got := isGrouped([]byte(c.text), c.comma); got != c.want {
			t.Errorf("isGrouped(%q, %v) = %v", c.text, c.comma, got)
		}
	}
}

func TestNumbersAgree(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		v := rapid.Float64().Draw(t, "v")
		if math.IsInf(v, 0) || math.IsNaN(v) {
			return
		}
		for _, format := range []byte{'f', 'e', 'g', 'E'} {
			s := strconv.FormatFloat(v, format, rapid.IntRange(-1, 20).Draw(t, "digits"), 64)
			if got, _, ok := parseNumber([]byte(s), false); !ok {
				if x, err := strconv.ParseFloat(s, 64); err == nil && !math.IsInf(x, 0) {
					t.Errorf("%q was refused", s)
				}
			} else if want, _ := strconv.ParseFloat(s, 64); got != want {
				t.Errorf("%q: %v", s, got)
			}
			numberAgrees(t, s)
		}
	})
}
