package audit

import (
	"bytes"
	"errors"
	"fmt"
	"io"
	"testing"

	"stuntcell/validate/logfile"
)

// bigLog is a log of n rows of a steady discharge with noise, 31 bytes a row.
func bigLog(n int) []byte {
	var b bytes.Buffer
	b.WriteString("t (s),U (V),I (A),Q (Ah)\n")
	q := 0.0
	for k := range n {
		i := -1.4 + 0.002*float64(k*7919%11-5)
		q += i / 3600
		fmt.Fprintf(&b, "%d,%.3f,%.3f,%.4f\n", k, 12.6-1.5*float64(k)/float64(n), i, q)
	}
	return b.Bytes()
}

// BenchmarkAudit reads and audits; BenchmarkReadOnly only reads. Their ratio to mawk's trapezoid over the same file is what counts.
func BenchmarkAudit(b *testing.B) {
	data := bigLog(500_000)
	b.SetBytes(int64(len(data)))
	for b.Loop() {
		run(b, bytes.NewReader(data), Options{})
	}
}

func BenchmarkReadOnly(b *testing.B) {
	data := bigLog(500_000)
	b.SetBytes(int64(len(data)))
	for b.Loop() {
		r := logfile.NewReader(bytes.NewReader(data), logfile.Options{})
		for {
			if _, err := r.Next(); errors.Is(err, io.EOF) {
				break
			} else if err != nil {
				b.Fatal(err)
			}
		}
	}
}
