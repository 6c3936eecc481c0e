package registers_test

import (
	"fmt"
	"math"
	"strconv"
	"strings"
	"testing"

	"stuntcell/emulator/dialect"
	"stuntcell/emulator/dialect/dialecttest"
	"stuntcell/emulator/dialect/registers"
	"stuntcell/emulator/instrument"
	"stuntcell/model"
)

func talk(_ testing.TB, b *instrument.Bench) dialect.Dialect { return registers.New(b) }

func TestConforms(t *testing.T) {
	dialecttest.Run(t, instrument.Stepped, talk,
		dialecttest.Sample{Request: "r 05\nr 00\n", Answer: "57CE\n0003\n"},
		dialecttest.Sample{Request: "w 00 FFFF\nr 00\nw 00 0001\nr 00\nw 00 8000\nr 00\n", Answer: "ok\n0003\nok\n0001\nok\n0003\n"},
		dialecttest.Sample{Request: "r 20\nr 0x1\nr 1\nw 01 0000\nw 00 1\nq 00\nr\n\n", Answer: "nak\nnak\nnak\nnak\nnak\nnak\nnak\nnak\n"},
		dialecttest.Sample{Request: "t 60\nt -1\nt 99999999999\n", Answer: "ok\nnak\nnak\n"},
		dialecttest.Sample{Request: strings.Repeat("r", 100) + "\nr 05\r\n", Answer: "nak\n57CE\n"})
}

func FuzzHear(f *testing.F) {
	dialecttest.Fuzz(f, instrument.Stepped, talk, "r 01\n", "w 7f FFFF\nr 00\n", "t 1000000\n", "r 02\nr 02\n")
}

// TestWords: at -1.4 A the shunt has -2.1 mV, in each range; what a driver must do gives the current back.
func TestWords(t *testing.T) {
	plan := model.Step{Kind: model.Discharge, Load: model.Load{Current: 1.4}, Ends: model.Ends{Time: 3600e9}}
	b := dialecttest.Bench(t, instrument.Stepped, plan)
	b.Advance(60e9)
	d := registers.New(b)
	ask := func(s string) string { return strings.TrimSpace(string(d.Hear([]byte(s+"\n"), nil))) }
	word := func(s string) uint16 {
		v, err := strconv.ParseUint(ask(s), 16, 16)
		if err != nil {
			t.Fatal(err)
		}
		return uint16(v)
	}
	for r := range 4 {
		ask(fmt.Sprintf("w 00 %04x", r))
		step := 6e-6 / float64(int(8)>>r)
		amps := float64(int16(word("r 01"))) * step / 1.5e-3
		if math.Abs(amps+1.4) > 0.02 {
			t.Errorf("range %d: %g A", r, amps)
		}
	}
	if amps := 0.002 * float64(int16(word("r 04"))); math.Abs(amps+1.4) > 0.02 {
		t.Errorf("current register: %g A", amps)
	}
	if c := float64(int16(word("r 03"))>>4) / 16; math.Abs(c-25) > 2 {
		t.Errorf("temperature register: %g degC", c)
	}
	ask("t 1")
	first, second := word("r 02"), word("r 02")
	if first&2 == 0 || second&2 != 0 {
		t.Errorf("new conversion: %04x, then %04x", first, second)
	}
	if v := 3e-3 * float64(first>>3); v < 12 || v > 13 {
		t.Errorf("bus register: %g V", v)
	}
}

// TestOverflowAndMute: the finest range overflows at a tenth of the shunt's rating, and a muted sensor says nothing for so many requests.
func TestOverflowAndMute(t *testing.T) {
	plan := model.Step{Kind: model.Discharge, Load: model.Load{Current: 20}, Ends: model.Ends{Time: 60e9}}
	b := dialecttest.Bench(t, instrument.Stepped, plan)
	b.Advance(1e9)
	d := registers.New(b)
	got := string(d.Hear([]byte("w 00 0000\nr 01\nw 7f 0002\nr 05\nr 05\nr 05\n"), nil))
	if got != "ok\n8000\nok\n57CE\n" {
		t.Errorf("%q", got)
	}
}
