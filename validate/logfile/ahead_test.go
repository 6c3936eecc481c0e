package logfile

import (
	"fmt"
	"strings"
	"testing"

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
