package validate_test

import (
	"context"
	"slices"
	"testing"

	"stuntcell/emulator"
	"stuntcell/emulator/link"
	"stuntcell/validate/loggers"
)

// Readings that are handed on make the same record as the battery played once more, whatever the logger does.
func TestAgainIsRun(t *testing.T) {
	all := append(loggers.Defects(), loggers.Healthy()...)
	share := 20
	if testing.Short() {
		share = 100
	}
	handedOn := 0
	for i, sc := range library(t) {
		t.Run(sc.Name, func(t *testing.T) {
			run := func(build loggers.Build) *emulator.Record {
				rec, err := emulator.Run(context.Background(), sc.Setup, link.NewInProcess(build, sc.Setup.Seed))
				if err != nil {
					t.Fatal(err)
				}
				return rec
			}
			good := run(loggers.Good())
			kept := slices.Clone(good.Events)
			for k, d := range all {
				if (i+k)%share != 0 {
					continue
				}
				got, err := emulator.Again(context.Background(), good, sc.Setup, func() link.Link { return link.NewInProcess(d.New, sc.Setup.Seed) })
				if err != nil {
					t.Fatal(err)
				}
				if !got.Equal(run(d.New)) {
					t.Errorf("%s: another record", d.Name)
				}
				if len(got.Readings.T) > 0 && &got.Readings.T[0] == &good.Readings.T[0] {
					handedOn++
				}
			}
			if !slices.Equal(kept, good.Events) {
				t.Error("the record before was changed")
			}
		})
	}
	if handedOn == 0 {
		t.Error("no readings were handed on")
	}
	t.Logf("%d times", handedOn)
}
