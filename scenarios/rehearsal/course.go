package rehearsal

import (
	"errors"
	"math"

	"stuntcell/emulator"
	"stuntcell/model"
)

// Course is what a plan does with a logger that stops exactly when it should.
type Course struct {
	Steps []model.StepEnd
	End   int64 // [ns]
	// Below is the first reading under the level of the step that the logger ends, StopDue when its hold has passed as
	// well [ns]; -1: never. On a charge both are the first reading at or under the taper.
	Below, StopDue int64
	// Store is where the energy went, if the plan uses a store.
	Store model.StoreAccount
}

// Options change how a course is played.
type Options struct {
	// Late lets the logger act so much after its stop is due [ns].
	Late int64
	// Never keeps the logger from acting at all, so that only the bench's own ends are left.
	Never bool
	// Most bounds the spans that are played; 0: twelve million, some seconds.
	Most int
	// Visit sees each span as it is played, at most the time between two readings long in a step that the logger ends.
	Visit func(s *model.Span)
}

// ErrTooLong says that a plan has more switching in it than can be played.
var ErrTooLong = errors.New("the plan switches too often for its length")

const maxSpans = 12_000_000

// Play runs the plan of a setup on its pack. Of the faults it plays those of relay and charger, since they change the course; the
// others need a logger. The rig's own draw is taken from the pack.
func Play(s *emulator.Setup, o Options) (*Course, error) {
	c, err := model.NewCourse(s.Pack, s.Plan, s.Options)
	if err != nil {
		return nil, err
	}
	if w := s.Rig.Wiring; w.Draw > 0 {
		c.SetDraw(w.Draw)
	}
	out := &Course{Below: -1, StopDue: -1}
	l := lookout{setup: s, interval: s.Rig.Readings.Interval()}
	most, spans := o.Most, 0
	if most == 0 {
		most = maxSpans
	}
	for !c.Done() {
		until := int64(math.MaxInt64)
		for _, f := range s.Faults {
			if f.At > c.Now() {
				until = min(until, f.At)
			} else {
				set(c, f)
			}
		}
		step := c.StepIndex()
		watching := s.Plan[step].Ends.Logger > 0
		if watching {
			until = min(until, (c.Now()/l.interval+1)*l.interval)
		}
		span := c.Next(until)
		if spans++; spans > most {
			return nil, ErrTooLong
		}
		if o.Visit != nil {
			o.Visit(&span)
		}
		if !watching || c.Done() || c.StepIndex() != step || c.Now()%l.interval != 0 || o.Never {
			continue
		}
		l.look(&span, s.Plan[step], out)
		if out.StopDue >= 0 && c.Now() >= out.StopDue+o.Late {
			c.Switch(false, false)
		}
	}
	out.Steps, out.End, out.Store = c.Ended(), c.Now(), c.Account()
	return out, nil
}

// set puts a fault that has begun into force.
func set(c *model.Course, f emulator.Fault) {
	switch f.Kind {
	case emulator.FaultRelayLeak:
		c.SetLeak(f.Value2)
	case emulator.FaultTaperHeld:
		c.HoldTaper(f.Value2)
	}
}

// lookout is the logger that does what it should: it sees readings without error and knows the hold.
type lookout struct {
	setup    *emulator.Setup
	interval int64
}

// look takes the reading at the end of a span.
func (l *lookout) look(s *model.Span, step model.Step, out *Course) {
	if out.StopDue >= 0 {
		return
	}
	if step.Kind == model.Charge {
		if s.Voltage(s.T1) >= step.Voltage*(1-1e-6) && s.Current(s.T1) <= l.setup.Settings.ChargeTaper {
			out.Below, out.StopDue = s.T1, s.T1
		}
		return
	}
	if l.bus(s) >= step.Ends.Logger {
		out.Below = -1
		return
	}
	if out.Below < 0 {
		out.Below = s.T1
	}
	if s.T1-out.Below >= l.setup.Settings.CutoffHold {
		out.StopDue = s.T1
	}
}

// bus is the voltage where the rig taps it [V].
func (l *lookout) bus(s *model.Span) float64 {
	w, i := l.setup.Rig.Wiring, s.Current(s.T1)
	v := s.Voltage(s.T1) + i*w.Lead
	if w.BusBehindShunt {
		v += i * l.setup.Rig.Shunt.Nominal
	}
	return v
}
