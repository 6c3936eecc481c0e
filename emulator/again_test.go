package emulator_test

import (
	"context"
	"testing"

	"stuntcell/emulator"
	"stuntcell/emulator/link"
)

// TestAgainWithAnother: a logger that sets its clock, dies or has constants of its own changes what it is shown; it is played anew.
func TestAgainWithAnother(t *testing.T) {
	s := setup(t, "", discharge(1, 10*minute))
	before := run(t, s, echoes())
	for name, other := range map[string]func() scripted{
		"as before": echoes,
		"sets its clock": func() scripted {
			n := 0
			l := echoes()
			said := l.read
			l.read = func(r *link.Reading, a *link.Answer) {
				if said(r, a); n == 100 {
					a.State(link.Clock, "", 1e9)
				}
				n++
			}
			return l
		},
		"dies": func() scripted {
			n := 0
			return scripted{read: func(*link.Reading, *link.Answer) {
				if n++; n == 100 {
					panic("dead")
				}
			}}
		},
		"has a shunt of its own": func() scripted {
			l := echoes()
			l.greet = func(a *link.Answer) { a.State(link.Mine, "shunt_nohm", 3_000_000) }
			return l
		},
	} {
		t.Run(name, func(t *testing.T) {
			got, err := emulator.Again(context.Background(), before, s, func() link.Link {
				l := other()
				return link.NewInProcess(func(link.Store) link.Logger { return l }, s.Seed)
			})
			if err != nil {
				t.Fatal(err)
			}
			if !got.Equal(run(t, s, other())) {
				t.Error("another record than that of a run")
			}
			if handed := &got.Readings.T[0] == &before.Readings.T[0]; handed != (name == "as before") {
				t.Errorf("readings were handed on: %v", handed)
			}
		})
	}
}
