package readings_test

import (
	"fmt"
	"testing"

	"stuntcell/emulator/dialect"
	"stuntcell/emulator/dialect/dialecttest"
	"stuntcell/emulator/dialect/readings"
	"stuntcell/emulator/instrument"
)

// run has readings at 1.5 s, 2 s and 7 s.
func run() *readings.Run {
	return &readings.Run{T: []int64{15e8, 20e8, 70e8}, Line: func(line []byte, k int) []byte { return fmt.Appendf(line, "%d,2,3,4\n", k) }}
}

func talk(_ testing.TB, b *instrument.Bench) dialect.Dialect { return readings.New(b, run()) }

func TestConforms(t *testing.T) {
	dialecttest.Run(t, instrument.Real, talk, dialecttest.Sample{Request: "anything\n", Answer: ""})
}

// TestEachClientGetsTheRun: at its own time, and all of it, however late it is served.
func TestEachClientGetsTheRun(t *testing.T) {
	b := dialecttest.Bench(t, instrument.Real)
	for range 2 {
		begun := b.Now()
		d := readings.New(b, run())
		var got []byte
		for _, want := range []int64{0, 5e8, 55e8} {
			if at := d.Next() - begun; at != want {
				t.Errorf("a reading comes after %d ns, want %d", at, want)
			}
			b.Advance(d.Next() + 3e9)
			got = d.Speak(got)
		}
		if d.Next() != dialect.Never || string(got) != "0,2,3,4\n1,2,3,4\n2,2,3,4\n" {
			t.Errorf("%q", got)
		}
	}
}
