package emulator

import (
	"fmt"

	"stuntcell/emulator/link"
)

// A board that lives on the tested pack starts again when the pack has recovered by this share above its drop-out voltage, a while later
// (both invented). After so many starts it counts as a loop.
const (
	recovery  = 0.03
	bootDelay = 1e9
	maxStarts = 20
	// The drop-out is looked for in slices of this length once the pack is within a tenth of it [ns].
	dropoutSlice = 1e8
	// A pack that does not feed its board again within a day never will: the plan is stopped.
	longestDropout = 86400e9
)

// check says what is wrong with a fault: nil, or an error that names it.
func (f *Fault) check() error {
	if f.Only != Both && (f.Kind != FaultFailedRead || f.Only != Shunt && f.Only != Bus) {
		return fmt.Errorf("fault %s: only %q fails (expected %s or %s, of a %s)", f.Kind, f.Only, Shunt, Bus, FaultFailedRead)
	}
	switch f.Kind {
	case FaultPowerCut, FaultStall, FaultCardFail, FaultFailedRead:
		if f.For <= 0 {
			return fmt.Errorf("fault %s: it lasts %d ns (expected more than 0)", f.Kind, f.For)
		}
	case FaultSetting:
		if err := link.Check(f.Key, f.Value); err != nil {
			return fmt.Errorf("fault %s: %w", f.Kind, err)
		}
	case FaultCardFull, FaultClockSet, FaultRelayWeld, FaultRelayLeak, FaultTaperHeld:
	default:
		return fmt.Errorf("fault %q is none that the bench knows", f.Kind)
	}
	if f.At < 0 {
		return fmt.Errorf("fault %s: it begins %d ns before the plan", f.Kind, -f.At)
	}
	return nil
}

// plant enters a fault in the agenda.
func (r *run) plant(f Fault) {
	a := &r.agenda
	switch f.Kind {
	case FaultPowerCut:
		a.add(f.At, func(t int64) {
			if !r.powered {
				return // a board that has dropped out cannot lose its power again
			}
			r.cutPower(t, f.Torn)
			a.add(t+f.For, r.restorePower)
		})
	case FaultStall:
		a.add(f.At, func(t int64) {
			r.note(t, StallBegins, f.For, "")
			r.next = max(r.next, t+f.For)
			r.stalled = true
		})
	case FaultCardFail, FaultCardFull:
		a.add(f.At, func(t int64) {
			r.note(t, CardBegins, 0, "")
			r.cardFails++
		})
		if f.Kind == FaultCardFail {
			a.add(f.At+f.For, func(t int64) {
				r.note(t, CardBack, 0, "")
				r.cardFails--
			})
		}
	case FaultFailedRead:
		a.add(f.At, func(t int64) {
			r.note(t, SensorFails, 0, string(f.Only))
			r.failing(f.Only, 1)
		})
		a.add(f.At+f.For, func(t int64) {
			r.note(t, SensorBack, 0, string(f.Only))
			r.failing(f.Only, -1)
		})
	case FaultSetting:
		a.add(f.At, func(t int64) { r.change(t, f.Key, f.Value) })
	case FaultClockSet:
		a.add(f.At, func(t int64) {
			r.note(t, ClockIsSet, f.Value, "")
			r.face.Move(t, f.Value)
		})
	case FaultRelayWeld:
		a.add(f.At, func(t int64) {
			r.note(t, RelayWelds, 0, "")
			r.welded = true
		})
	case FaultRelayLeak:
		a.add(f.At, func(t int64) {
			r.note(t, RelayLeaks, 0, "")
			r.truth.course.SetLeak(f.Value2)
		})
	case FaultTaperHeld:
		a.add(f.At, func(t int64) {
			r.note(t, TaperHeld, 0, "")
			r.truth.course.HoldTaper(f.Value2)
		})
	}
}

// failing counts faults that make the shunt's or the bus's half of readings fail.
func (r *run) failing(only Half, n int) {
	if only != Bus {
		r.shuntFails += n
	}
	if only != Shunt {
		r.busFails += n
	}
}

// change tells the logger of a changed setting, unless it has said that it takes none.
func (r *run) change(t int64, key string, value int64) {
	if !r.powered || r.rec.Cannot["set"] {
		return
	}
	r.note(t, Setting, value, key)
	*r.greeting.Field(key) = value
	r.talk(link.Message{Kind: link.Set, Key: key, Value: value}, t, len(r.rec.Readings.T)-1)
}

// cutPower takes the logger's power and opens the relay, which falls back without current.
func (r *run) cutPower(t int64, torn bool) {
	c := r.truth.course
	r.note(t, PowerFails, truth01(torn), "")
	if err := r.link.Cut(torn); err != nil {
		r.err = err
		return
	}
	r.powered = false
	r.next = never
	r.before.load, r.before.charge = c.Contacts()
	r.before.step = c.StepIndex()
	c.Powered(false)
	c.SetDraw(0)
	c.Switch(r.welded && r.before.load, false)
	r.follow()
}

// restorePower starts the logger again where its files are. The tick restarts at 0; the relay goes back to where it stood unless
// another step has begun, which starts with the contact that it needs.
func (r *run) restorePower(t int64) {
	c := r.truth.course
	r.note(t, PowerBack, 0, "")
	if r.life++; r.life > maxStarts {
		r.stop(&link.Failure{Kind: link.Loop, Detail: fmt.Sprintf("%d starts", r.life)}, len(r.rec.Readings.T)-1)
		return
	}
	r.powered = true
	r.counter.Restart(t)
	if r.setup.Rig.Clock.Lost {
		r.face.Set(t, r.setup.Rig.Clock.Start)
	}
	r.setBuildTime(t)
	c.Powered(true)
	c.SetDraw(r.setup.Rig.Wiring.Draw)
	if !c.Done() {
		load, charge := r.before.load, r.before.charge
		if c.StepIndex() != r.before.step {
			load, charge = wanted(r.setup.Plan[c.StepIndex()].Kind)
		}
		c.Switch(load, charge)
	}
	r.follow()
	if err := r.link.Start(r.ctx); err != nil {
		r.err = err
		return
	}
	n := len(r.rec.Readings.T) - 1
	r.lockStep = n + 1 + lockStepFirst
	r.next = t + r.setup.Rig.Readings.Nominal
	r.talk(link.Message{Kind: link.Greet, Greeting: r.greeting}, t, n)
}

// setBuildTime sets the clock as firmware does that sets it to the second of its build at each start.
func (r *run) setBuildTime(t int64) {
	if b := r.setup.Rig.Clock.BuildTime; b != 0 {
		r.face.Set(t, b)
	}
}

// watchDropout ends the power of a board that lives on the tested pack when the pack's voltage is too low for it, and brings it back when
// the pack has recovered. Called after each stretch of truth where the board lives on the pack.
func (r *run) watchDropout(t int64, volts float64) {
	w := &r.setup.Rig.Wiring
	switch {
	case r.powered && volts < w.Dropout:
		r.drain()
		r.cutPower(t, false)
		r.dropped, r.droppedAt = true, t
	case r.dropped && volts > w.Dropout*(1+recovery):
		r.dropped = false
		r.agenda.add(t+bootDelay, r.restorePower)
	}
}
