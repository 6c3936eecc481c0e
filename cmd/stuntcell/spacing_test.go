package main

import (
	"fmt"
	"testing"

	"stuntcell/scenarios"
)

// TestSpacingWithoutHeader: where nothing flows only the time of a log without a header can be told, and it tells how far apart the rows are.
func TestSpacingWithoutHeader(t *testing.T) {
	sc, err := scenarios.ByName("bench", scenarios.Env{})
	if err != nil {
		t.Fatal(err)
	}
	rec, err := readings(t.Context(), sc, nil)
	if err != nil {
		t.Fatal(err)
	}
	n := len(rec.Readings.T)
	lasts := int(float64(rec.Readings.T[n-1]-rec.Readings.T[0]) * 1e-9)
	for name, show := range map[string]func(s int) string{
		"unix":    func(s int) string { return fmt.Sprint(rec.Readings.Clock[0] + int64(s)) },
		"seconds": func(s int) string { return fmt.Sprint(s) },
		"minutes": func(s int) string { return fmt.Sprintf("%.3f", float64(s)/60) },
	} {
		var lines []string
		for s := 0; s < lasts; s += 15 {
			lines = append(lines, show(s)+",12.888,0.000,0.00000,0.0000")
		}
		if ms := (streamer{}).spacing(sc, rec, lines); ms != 15_000 {
			t.Errorf("%s: %d ms, want 15000", name, ms)
		}
	}
}
