package emulator_test

import (
	"bufio"
	"bytes"
	"math"
	"os/exec"
	"strconv"
	"strings"
	"testing"

	"stuntcell/emulator/link"
	"stuntcell/model/outside"
)

// published returns the sums of testdata/float32_accumulation.csv (computed outside; its head says how) by case.
func published(t *testing.T) map[string]float64 {
	t.Helper()
	rows, _ := outside.Table(t, "testdata/float32_accumulation.csv")
	sums := map[string]float64{}
	for _, row := range rows {
		sum, err := strconv.ParseFloat(row[2], 64)
		if err != nil {
			t.Fatal(err)
		}
		sums[row[0]] = sum
	}
	return sums
}

// A logger in C that sums Ah in single precision arrives at the published sums, one in double precision at the true ones.
func TestSinglePrecisionSums(t *testing.T) {
	sums := published(t)
	for _, tc := range []struct {
		name   string
		counts int32 // of 1 mA
		stepMS uint64
		n      int
		truth  float64 // [Ah]
	}{
		{"1 A at 1 s in Ah for 20 h", 1000, 1000, 72000, 20},
		{"5 A at 1 s in Ah for 20 h", 5000, 1000, 72000, 100},
		{"0.1 A at 0.1 s in Ah for 20 h", 100, 100, 720000, 2},
	} {
		want, ok := sums[tc.name]
		if !ok {
			t.Fatalf("the table has no %q", tc.name)
		}
		var in bytes.Buffer
		greet := link.Message{Kind: link.Greet, Greeting: link.Greeting{TickBits: 32, TickHz: 1000, ShuntNohm: 1e6, ShuntStepNV: 1000, BusStepUV: 3000,
			ShuntMax: 32767, BusMax: 20000, Channels: 1, ReadMS: int64(tc.stepMS), LogMS: 3600000}}
		in.Write(greet.Append(nil))
		var line []byte
		for i := range tc.n + 1 {
			m := link.Message{Kind: link.Read, Reading: link.Reading{Tick: uint64(i) * tc.stepMS, Shunt: tc.counts, Bus: 4000, Clock: link.NoClock}}
			line = m.Append(line[:0])
			in.Write(line)
		}
		input := in.Bytes()
		for source, sum := range map[string]float64{"mistake-float32-stall": want, "plain": tc.truth} {
			cmd := exec.Command(build(t, "../testdata/loggers/"+source+".c"))
			cmd.Stdin = bytes.NewReader(input)
			out, err := cmd.Output()
			if err != nil {
				t.Fatal(err)
			}
			last := ""
			for s := bufio.NewScanner(bytes.NewReader(out)); s.Scan(); {
				if row, ok := strings.CutPrefix(s.Text(), "row "); ok {
					last = row
				}
			}
			ah, err := strconv.ParseFloat(strings.Split(last+",,,", ",")[3], 64)
			if err != nil {
				t.Fatalf("%s: row %q", source, last)
			}
			// Five printed decimals.
			if math.Abs(ah-sum) > 0.6e-5 {
				t.Errorf("%s, %s: %v Ah, want %v", tc.name, source, ah, sum)
			}
		}
	}
}
