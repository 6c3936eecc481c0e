package audit

import (
	"bytes"
	"encoding/csv"
	"errors"
	"fmt"
	"io"
	"os"
	"os/exec"
	"path/filepath"
	"runtime"
	"slices"
	"strconv"
	"testing"
	"time"

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

// readThrough reads a log and hands its batches on.
func readThrough(t testing.TB, in io.Reader, workers int, take func(*logfile.Table) error) {
	r := logfile.NewReader(in, logfile.Options{Workers: workers})
	for {
		batch, err := r.Next()
		if errors.Is(err, io.EOF) {
			return
		}
		if err == nil {
			err = take(batch)
		}
		if err != nil {
			t.Fatal(err)
		}
	}
}

// BenchmarkAudit reads and audits on one core, BenchmarkReadOnly only reads.
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
		readThrough(b, bytes.NewReader(data), 0, func(*logfile.Table) error { return nil })
	}
}

// BenchmarkAgainst audits a file with as many workers as there are processors, and lets others integrate charge and energy by
// trapezoid over the same file: mawk, miller, and the standard library's CSV reader. Each turn runs all of them one after the
// other; the metrics are the medians of how many times as long as the audit each took.
func BenchmarkAgainst(b *testing.B) {
	file := filepath.Join(b.TempDir(), "log.csv")
	if err := os.WriteFile(file, bigLog(2_000_000), 0o644); err != nil {
		b.Fatal(err)
	}
	child := func(name string, args ...string) func() {
		if _, err := exec.LookPath(name); err != nil {
			if os.Getenv("STUNTCELL_REQUIRE") == "all" {
				b.Fatalf("%s is missing", name)
			}
			b.Logf("%s is missing: not compared", name)
			return nil
		}
		return func() {
			if out, err := exec.Command(name, args...).CombinedOutput(); err != nil {
				b.Fatalf("%s: %v\n%s", name, err, out)
			}
		}
	}
	others := []struct {
		name string
		run  func()
	}{
		{"mawk", child("mawk", "-F,", `NR>2 {dt=$1-t; q+=(i+$3)/2*dt; e+=(i*v+$3*$2)/2*dt} {t=$1; v=$2; i=$3} END {print q/3600, e/3600}`, file)},
		{"mlr", child("mlr", "--icsv", "--onidx", "put", "-q",
			`begin{@q=0.0;@e=0.0;@n=0} t=float(${t (s)}); v=float(${U (V)}); i=float(${I (A)});
			if(@n>0){@q+=(i+@i)/2*(t-@t); @e+=(i*v+@i*@v)/2*(t-@t)} @t=t; @v=v; @i=i; @n+=1; end{emit (@q,@e)}`, file)},
		{"csv", func() { integrateByCSV(b, file) }},
	}
	ratios := make([][]float64, len(others))
	for b.Loop() {
		began := time.Now()
		f, err := os.Open(file)
		if err != nil {
			b.Fatal(err)
		}
		a := New(Options{})
		readThrough(b, f, runtime.GOMAXPROCS(0), a.Add)
		a.Finish()
		f.Close()
		ours := time.Since(began)
		for k, o := range others {
			if o.run != nil {
				began := time.Now()
				o.run()
				ratios[k] = append(ratios[k], float64(time.Since(began))/float64(ours))
			}
		}
	}
	for k, o := range others {
		if r := ratios[k]; len(r) > 0 {
			slices.Sort(r)
			b.ReportMetric(r[len(r)/2], o.name+"-times")
		}
	}
}

// integrateByCSV does what the scripts do, with encoding/csv and strconv.
func integrateByCSV(b *testing.B, file string) {
	f, err := os.Open(file)
	if err != nil {
		b.Fatal(err)
	}
	defer f.Close()
	r := csv.NewReader(f)
	r.ReuseRecord = true
	if _, err := r.Read(); err != nil {
		b.Fatal(err)
	}
	var last [3]float64
	q, e := 0.0, 0.0
	for first := true; ; first = false {
		cells, err := r.Read()
		if err == io.EOF {
			break
		}
		var now [3]float64
		for k := range now {
			if now[k], err = strconv.ParseFloat(cells[k], 64); err != nil {
				b.Fatal(err)
			}
		}
		if dt := now[0] - last[0]; !first {
			q += (now[2] + last[2]) / 2 * dt
			e += (now[1]*now[2] + last[1]*last[2]) / 2 * dt
		}
		last = now
	}
	if q >= 0 || e >= 0 {
		b.Fatal("nothing was discharged")
	}
}
