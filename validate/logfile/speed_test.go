package logfile

import (
	"bytes"
	"encoding/csv"
	"fmt"
	"io"
	"strings"
	"testing"
)

// longLog writes rows as a logger does: a tick, a clock, five numbers.
func longLog(rows int) []byte {
	var b bytes.Buffer
	b.WriteString("ms,datetime,V,A,W,Ah,Wh\n")
	for i := range rows {
		s := i % 86400
		fmt.Fprintf(&b, "%d,2026-03-%02d %02d:%02d:%02d,%.3f,%.4f,%.3f,%.4f,%.3f\n", i*1000, 1+i/86400%28, s/3600, s/60%60, s%60,
			12.6-float64(i%1000)/1000, -1.4-float64(i%77)/1e4, -17.64, -float64(i)*1.4/3600, -float64(i)*17.64/3600)
	}
	return b.Bytes()
}

// BenchmarkReader streams a log; BenchmarkEncodingCSV only cuts the same bytes into strings, with the standard library.
func BenchmarkReader(b *testing.B) {
	log := longLog(200_000)
	b.SetBytes(int64(len(log)))
	rows := 0
	for b.Loop() {
		r := NewReader(bytes.NewReader(log), Options{})
		rows = 0
		for {
			t, err := r.Next()
			if err == io.EOF {
				break
			}
			if err != nil {
				b.Fatal(err)
			}
			rows += len(t.Rows)
		}
	}
	if rows != 200_000 {
		b.Fatalf("%d rows", rows)
	}
	b.ReportMetric(float64(rows)*float64(b.N)/b.Elapsed().Seconds(), "rows/s")
}

func BenchmarkEncodingCSV(b *testing.B) {
	log := longLog(200_000)
	b.SetBytes(int64(len(log)))
	rows := 0
	for b.Loop() {
		r := csv.NewReader(bytes.NewReader(log))
		r.ReuseRecord = true
		rows = -1
		for {
			_, err := r.Read()
			if err == io.EOF {
				break
			}
			if err != nil {
				b.Fatal(err)
			}
			rows++
		}
	}
	b.ReportMetric(float64(rows)*float64(b.N)/b.Elapsed().Seconds(), "rows/s")
}

func BenchmarkParseLines(b *testing.B) {
	log := string(longLog(20_000))
	lines := strings.Split(strings.TrimSuffix(log, "\n"), "\n")
	b.SetBytes(int64(len(log)))
	for b.Loop() {
		if _, err := ParseLines(lines, Options{}); err != nil {
			b.Fatal(err)
		}
	}
	b.ReportMetric(20_000*float64(b.N)/b.Elapsed().Seconds(), "rows/s")
}
