// Package outside is what tests share that compare with parts which are not ours: programs, interpreters, reference timings.
package outside

import (
	"encoding/csv"
	"os"
	"os/exec"
	"slices"
	"testing"
)

// Missing skips a test that lacks an outside part, or fails it where all must be there (STUNTCELL_REQUIRE=all).
func Missing(t testing.TB, what string) {
	t.Helper()
	if os.Getenv("STUNTCELL_REQUIRE") == "all" {
		t.Fatalf("%s is missing, and STUNTCELL_REQUIRE=all is set", what)
	}
	t.Skip(what + " is missing")
}

// Program returns where a program is; a test without it ends.
func Program(t testing.TB, name string) string {
	t.Helper()
	path, err := exec.LookPath(name)
	if err != nil {
		Missing(t, name)
	}
	return path
}

// Python returns the system's interpreter if it has the modules, parted by commas; a test without them ends.
func Python(t testing.TB, modules string) string {
	t.Helper()
	const python = "/usr/bin/python3"
	if exec.Command(python, "-c", "import "+modules).Run() != nil {
		Missing(t, "Python with "+modules)
	}
	return python
}

// Table reads a CSV file of published or independently computed values, whose sources stand in its comments: the rows under the header, and the
// header itself, whose names say what the columns are.
func Table(t testing.TB, file string) (rows [][]string, header []string) {
	t.Helper()
	f, err := os.Open(file)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	r := csv.NewReader(f)
	r.Comment = '#'
	all, err := r.ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	if len(all) < 2 {
		t.Fatalf("%s has no rows", file)
	}
	return all[1:], all[0]
}

// Ratios reports the least and the median of a benchmark's ratios to a reference, each measured beside it in the same run.
func Ratios(b *testing.B, of string, ratios []float64) {
	slices.Sort(ratios)
	b.ReportMetric(ratios[0], of+"-min")
	b.ReportMetric(ratios[len(ratios)/2], of+"-median")
}
