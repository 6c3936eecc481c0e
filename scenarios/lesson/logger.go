package lesson

import "stuntcell/emulator/link"

// loggerKind says which logger sits on the other end of a run.
type loggerKind string

const (
	// silent only looks. Steps end by their own ends.
	silent loggerKind = "silent"
	// latching opens the load when the voltage has been below the level for the hold, for good.
	latching loggerKind = "latching"
	// forgetful opens the load below the level and closes it above: it does not remember that it has stopped.
	forgetful loggerKind = "forgetful"
)

var loggerKinds = []string{string(silent), string(latching), string(forgetful)}

// switcher is a logger that keeps no log and at most switches the load.
type switcher struct {
	kind           loggerKind
	step           float64 // [V] of a bus count
	level          float64 // [V]
	hold           int64   // [readings] below the level before it acts
	below          int64
	open, finished bool
}

// newLogger makes the logger of a run.
func newLogger(kind loggerKind) func(link.Store) link.Logger {
	return func(link.Store) link.Logger { return &switcher{kind: kind} }
}

// Greet implements [link.Logger].
func (s *switcher) Greet(g *link.Greeting, _ *link.Answer) {
	s.step, s.level = float64(g.BusStepUV)*1e-6, float64(g.CutoffMV)*1e-3
	s.hold = g.CutoffHoldMS / max(g.ReadMS, 1)
}

// Read implements [link.Logger].
func (s *switcher) Read(r *link.Reading, a *link.Answer) {
	if s.kind == silent || s.level == 0 || s.finished || r.Bus == link.Failed {
		return
	}
	if float64(r.Bus)*s.step >= s.level {
		s.below = 0
		if s.open {
			s.open = false
			a.Do(link.LoadOn)
		}
		return
	}
	s.below++
	if s.below <= s.hold || s.open {
		return
	}
	s.open = s.kind == forgetful
	s.finished = s.kind == latching
	a.Do(link.LoadOff)
}

// Set implements [link.Logger].
func (*switcher) Set(string, int64, *link.Answer) {}

// End implements [link.Logger].
func (*switcher) End(*link.Answer) {}

var _ link.Logger = (*switcher)(nil)
