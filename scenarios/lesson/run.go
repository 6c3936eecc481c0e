package lesson

import (
	"context"
	"fmt"
	"math/rand/v2"

	"stuntcell/emulator"
	"stuntcell/emulator/link"
	"stuntcell/emulator/rig"
)

// Bounds of a lesson, so that one of one's own ends in seconds.
const (
	// MostRigs is how many rigs may be drawn for a run.
	MostRigs        = 5000
	maxRuns         = 8
	maxReadings     = 2_000_000 // of all runs
	maxDrawReadings = 2000      // of a run with drawn rigs
)

// runPlan is a run that is still to be played.
type runPlan struct {
	name   string
	setup  emulator.Setup
	logger loggerKind
	rigs   int // 0: the rig as it is; else so many drawn from its tolerances
}

// played is what a run was: one record, or one a drawn rig.
type played []*emulator.Record

// play plays a run.
func (p *runPlan) play(ctx context.Context) (played, error) {
	if p.rigs == 0 {
		rec, err := playOnce(ctx, p.setup, p.logger)
		return played{rec}, err
	}
	draws := rand.New(rand.NewPCG(p.setup.Seed, 0x1e55))
	all := make(played, 0, p.rigs)
	for i := range p.rigs {
		s := p.setup
		s.Rig = drawn(s.Rig, draws)
		s.Seed += uint64(i)
		rec, err := playOnce(ctx, s, p.logger)
		if err != nil {
			return nil, err
		}
		all = append(all, rec)
	}
	return all, nil
}

func playOnce(ctx context.Context, s emulator.Setup, kind loggerKind) (*emulator.Record, error) {
	rec, err := emulator.Run(ctx, s, link.NewInProcess(newLogger(kind), s.Seed))
	if err != nil {
		return nil, err
	}
	if !rec.Complete {
		return nil, fmt.Errorf("the plan did not run to its end: %v", rec.Outcome.Failure)
	}
	return rec, nil
}

// drawn is a rig whose parts lie anywhere within their tolerances, each place as likely as the next and each part for itself.
func drawn(r rig.Rig, draws *rand.Rand) rig.Rig {
	within := func(tolerance float64) float64 { return tolerance * (2*draws.Float64() - 1) }
	t := r.Tolerance
	r.Shunt.Error += within(t.Shunt)
	r.Front.ShuntGain += within(t.Gain)
	r.Front.ShuntOffset += within(t.Offset) + within(t.Thermal)
	r.Front.BusGain += within(t.BusGain)
	r.Front.BusOffset += within(t.BusOffset)
	r.Tick.PPM += 1e6 * within(t.Tick)
	return r
}

// undrawn names the first tolerance that a lesson does not draw, "" if there is none.
func undrawn(t rig.Tolerance) string {
	for _, x := range []struct {
		name string
		set  bool
	}{
		{"tempco", t.TempCo != 0}, {"ambient", t.Ambient != 0}, {"drift", t.Drift != 0}, {"lead", t.Lead != 0}, {"draw", t.Draw != 0},
		{"bypass", t.Bypass != 0}, {"reference", t.Reference != 0},
	} {
		if x.set {
			return x.name
		}
	}
	return ""
}
