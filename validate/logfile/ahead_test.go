package logfile

import (
	"bytes"
	"errors"
	"fmt"
	"io"
	"strings"
	"testing"
	"testing/iotest"

	"pgregory.net/rapid"
)

// TestAheadIsTheSame holds what workers read ahead, in pieces of any size, against the same log read line by line the long way: the
// same values to the last bit, in the same order, whatever stands between the rows.
func TestAheadIsTheSame(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		text := drawLog(t)
		want := asText(ParseLines(splitLines(text), Options{slow: true}))
		for workers := range 4 {
			opts := Options{Workers: workers, piece: rapid.IntRange(1, 400).Draw(t, "piece")}
			if got := asText(readAll(NewReader(strings.NewReader(text), opts))); got != want {
				t.Fatalf("%d workers, pieces of %d bytes:\n%s\nthe long way:\n%s\nof\n%s", workers, opts.piece, got, want, text)
			}
		}
	})
}

// A log of many buffers, however the input cuts it, is the same with workers and without; so is what is wrong with it.
func TestPrefetchIsTheSame(t *testing.T) {
	log := longLog(25_000)
	log = bytes.Replace(log, []byte("\n12000000,"), []byte("\n12000000x,"), 1)
	log = bytes.Replace(log, []byte("\n18000000,"), []byte("\nms,V,A\n17999000,12.000,-1.4000\nms,datetime,V,A,W,Ah,Wh\n18000000,"), 1)
	nul := bytes.Clone(log)
	nul[len(nul)-1000] = 0
	broken := errors.New("the card was pulled out")
	for name, open := range map[string]func() io.Reader{
		"whole":   func() io.Reader { return bytes.NewReader(log) },
		"pipe":    func() io.Reader { return io.MultiReader(bytes.NewReader(log)) },
		"half":    func() io.Reader { return iotest.HalfReader(bytes.NewReader(log)) },
		"EOF":     func() io.Reader { return iotest.DataErrReader(bytes.NewReader(log)) },
		"a NUL":   func() io.Reader { return bytes.NewReader(nul) },
		"failure": func() io.Reader { return io.MultiReader(bytes.NewReader(log[:1_200_000]), iotest.ErrReader(broken)) },
	} {
		want, wantErr := readAll(NewReader(open(), Options{}))
		got, err := readAll(NewReader(open(), Options{Workers: 2, large: 600 << 10}))
		if fmt.Sprint(err) != fmt.Sprint(wantErr) {
			t.Errorf("%s: %v, without workers %v", name, err, wantErr)
		} else if err == nil && asText(got, nil) != asText(want, nil) {
			t.Errorf("%s: another table with workers", name)
		}
	}
}

// drawLog writes a log with a clock, a tick, numbers and words, and now and then a line that is not like the others.
func drawLog(t *rapid.T) string {
	header := rapid.SampledFrom([]string{"ms,datetime,V,A,phase,Ah", "ms,date,time,V,A,Ah"}).Draw(t, "header")
	fraction := rapid.SampledFrom([]string{"", ".5", ".125"}).Draw(t, "fraction")
	eol := rapid.SampledFrom([]string{"\n", "\r\n", " \n"}).Draw(t, "eol")
	var b strings.Builder
	b.WriteString(header + eol)
	for k := range rapid.IntRange(20, 120).Draw(t, "rows") {
		second := k * 3600
		at := fmt.Sprintf("2026-03-%02d %02d:%02d:%02d%s", 1+second/86400%28, second/3600%24, k%60, second%60, fraction)
		volts := fmt.Sprintf("%.3f", 12.6-float64(k)/100)
		phase := ",rest,"
		if header == "ms,date,time,V,A,Ah" {
			at, phase = strings.Replace(at, " ", ",", 1), ","
		}
		switch rapid.IntRange(0, 40).Draw(t, "kind") {
		case 0:
			volts = "1.26e1"
		case 1:
			volts = "\"12.5\""
		case 2:
			volts = rapid.SampledFrom([]string{"", "nan", "-", "12,5", "x"}).Draw(t, "cell")
		case 3:
			b.WriteString(header + eol)
		case 4:
			b.WriteString("# a remark" + eol + eol)
		case 5:
			b.WriteString("s,U [mV],I [mA]" + eol + "1,12000,-1400" + eol + "2,12000,-1400" + eol + header + eol)
		case 6:
			at = strings.Replace(at, "2026-03", "31.03", 1)
		}
		fmt.Fprintf(&b, "%d,%s,%s,-%d.40%s%.4f%s", k*1000, at, volts, k%3, phase, float64(k)*-0.00039, eol)
	}
	return b.String()
}
