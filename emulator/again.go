package emulator

import (
	"context"
	"maps"
	"slices"

	"stuntcell/emulator/link"
	"stuntcell/emulator/rig"
)

// Again is [Run] with another logger than the one that a record of the same setup is of. Where no logger can change the readings, those of
// the record are handed to this one, and the battery is not played once more; the two records then share them. What comes of it is
// what Run gives.
func Again(ctx context.Context, before *Record, setup Setup, connect func() link.Link) (*Record, error) {
	if fixed(before, &setup) {
		r := newRun(ctx, setup, connect())
		heard, err := r.hearAgain(before)
		if closing := r.link.Close(); err == nil && heard && closing == nil {
			return r.rec, nil
		}
		if err := ctx.Err(); err != nil {
			return nil, err
		}
		// It failed, or moved its clock, or is another in what it has built in: then the whole of it counts.
	}
	return Run(ctx, setup, connect())
}

// fixed says that the readings of a setup, and what the bench does beside them, are the same whatever a logger says.
func fixed(before *Record, s *Setup) bool {
	if !before.Complete || before.Outcome.Failure != nil || s.Rig.Wiring.OnPack {
		return false
	}
	for i := range s.Plan {
		if s.Plan[i].Ends.Logger != 0 {
			return false
		}
	}
	for _, f := range s.Faults {
		if f.Kind == FaultPowerCut || f.Kind == FaultSetting {
			return false // the logger is started anew, or asked something of its own
		}
	}
	return !slices.ContainsFunc(before.Events, func(e Event) bool { return e.Kind == SaidClock })
}

// hearAgain hands the readings of a record to the logger; false says that with this one they would be others, or that it failed.
func (r *run) hearAgain(before *Record) (bool, error) {
	if err := r.link.Start(r.ctx); err != nil {
		return false, err
	}
	hello := link.Message{Kind: link.Greet, Greeting: r.rec.Greeting}
	a, err := r.exchange(&hello, -1)
	if a == nil {
		return false, err
	}
	rec := r.rec
	rec.Outcome.Greeted = true
	if r.adopt(a) != "" || rec.Greeting != before.Greeting || !maps.Equal(rec.Mine, before.Mine) || !maps.Equal(rec.Cannot, before.Cannot) ||
		!maps.Equal(rec.Can, before.Can) {
		return false, nil
	}
	r.heed(a, 0, -1)
	rec.Readings, rec.Steps, rec.Complete = before.Readings, before.Steps, true
	r.counter = rig.NewCounter(r.setup.Rig.Tick, r.setup.ambient())
	for n, t := range rec.Readings.T {
		flags := rec.Readings.Flags[n]
		r.load, r.charge = flags&LoadClosed != 0, flags&ChargeClosed != 0
		r.talk(link.Message{Kind: link.Read, Reading: r.reading(n)}, t, n)
		if r.over() || r.setsClock {
			return false, r.err
		}
	}
	r.talk(link.Message{Kind: link.End}, rec.Steps[len(rec.Steps)-1].End, len(rec.Readings.T))
	// At one instant the bench has done its part before the logger answers.
	bench := slices.DeleteFunc(slices.Clone(before.Events), Event.said)
	rec.Events = append(bench, rec.Events...)
	sortEvents(rec.Events)
	return !r.over(), r.err
}
