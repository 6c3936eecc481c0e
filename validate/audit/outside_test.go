package audit

import (
	"bytes"
	"math"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"testing"
)

// The trapezoid of a log by two programs that have nothing to do with us, on the same file.
func TestSumsByOutsidePrograms(t *testing.T) {
	b := newBench(41)
	b.tick, b.elapsed, b.clock, b.comma, b.temp, b.power, b.split = false, true, false, false, false, false, false
	text := b.text()
	file := filepath.Join(t.TempDir(), "log.csv")
	if err := os.WriteFile(file, []byte(text), 0o644); err != nil {
		t.Fatal(err)
	}
	r := run(t, strings.NewReader(text), Options{})
	want := float64(r.Sign) * (r.In - r.Out)
	for _, c := range []struct{ program, script string }{
		{"mawk", `NR>1 { if (NR>2) q += ($3+i)/2*($1-t); t=$1; i=$3 } END { printf "%.9f\n", q }`},
		{"mlr", ""},
	} {
		path, err := exec.LookPath(c.program)
		if err != nil {
			if os.Getenv("STUNTCELL_REQUIRE") == "all" {
				t.Errorf("%s is missing", c.program)
			}
			t.Logf("%s is missing: not compared", c.program)
			continue
		}
		args := []string{"-F,", c.script, file}
		if c.program == "mlr" {
			args = []string{"--icsv", "--onidx", "--ofmt", "%.9f", "put", "-q",
				`begin{@q=0.0;@n=0} t=float(${t (s)}); i=float(${I (A)}); if(@n>0){@q+=(i+@i)/2*(t-@t)} @t=t;@i=i;@n+=1; end{emit @q}`, file}
		}
		var out, errs bytes.Buffer
		cmd := exec.Command(path, args...)
		cmd.Stdout, cmd.Stderr = &out, &errs
		if err := cmd.Run(); err != nil {
			t.Fatalf("%s: %v\n%s", c.program, err, errs.String())
		}
		got, err := strconv.ParseFloat(strings.TrimSpace(out.String()), 64)
		if err != nil {
			t.Fatalf("%s: %v", c.program, err)
		}
		t.Logf("%s: %.9g A·s, ours %.9g", c.program, got, want)
		if math.Abs(got-want) > 1e-6*math.Max(1, math.Abs(want)) {
			t.Errorf("%s: %.9g A·s, ours %.9g", c.program, got, want)
		}
	}
}
