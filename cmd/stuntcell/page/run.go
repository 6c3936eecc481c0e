package page

import (
	"context"
	"errors"
	"fmt"
	"runtime"
	"sync"
	"time"

	"stuntcell/scenarios"
	"stuntcell/scenarios/rehearsal"
	"stuntcell/validate/campaign"
	"stuntcell/validate/report"
	"stuntcell/validate/verdict"
)

// Why a run ended before its last scenario.
var (
	errStopped   = errors.New("it was stopped")
	errUnwatched = errors.New("the page that showed it was closed")
	errServerEnd = errors.New("the server ended")
)

// run is a logger on its way through scenarios, or what came of it.
type run struct {
	id     string
	state  proveState
	logger string // as verdicts name it
	names  []string
	begun  time.Time
	stop   context.CancelCauseFunc
	linger time.Duration

	mu       sync.Mutex
	verdicts []*verdict.Verdict // in order of names
	finished bool
	ended    string // why it ended early; empty: it did not
	changed  chan struct{}
	watchers int
	leave    *time.Timer // ends the run when nobody looks any more
}

// snapshot is a run at one instant.
type snapshot struct {
	verdicts []*verdict.Verdict
	finished bool
	ended    string
	changed  <-chan struct{} // closed at the next change
}

func (r *run) look() snapshot {
	r.mu.Lock()
	defer r.mu.Unlock()
	return snapshot{r.verdicts[:len(r.verdicts):len(r.verdicts)], r.finished, r.ended, r.changed}
}

// verdict finds that of a scenario.
func (r *run) verdict(scenario string) *verdict.Verdict {
	for _, v := range r.look().verdicts {
		if v.Scenario == scenario {
			return v
		}
	}
	return nil
}

// change lets the run change and wakes all who wait for that.
func (r *run) change(f func()) {
	r.mu.Lock()
	defer r.mu.Unlock()
	f()
	close(r.changed)
	r.changed = make(chan struct{})
}

// seen says that somebody looked at the run just now. A page without script asks again every two seconds.
func (r *run) seen() {
	r.mu.Lock()
	defer r.mu.Unlock()
	if r.watchers == 0 && !r.finished {
		r.leave.Reset(r.linger)
	}
}

// watch says that somebody looks on until the function that it returns is called.
func (r *run) watch() func() {
	r.mu.Lock()
	defer r.mu.Unlock()
	r.watchers++
	r.leave.Stop()
	return func() {
		r.mu.Lock()
		defer r.mu.Unlock()
		r.watchers--
		if r.watchers == 0 && !r.finished {
			r.leave.Reset(r.linger)
		}
	}
}

// facts is what reports say of a run.
func (r *run) facts(tool string, s snapshot) report.Run {
	return report.Run{Tool: tool, Logger: r.logger, Planned: len(r.names), Interrupted: s.ended != ""}
}

// begin starts a run, unless too many are under way.
func (s *Server) begin(state proveState, names []string) (*run, error) {
	s.starting.Lock()
	defer s.starting.Unlock()
	going := 0
	for _, r := range s.runs.all() {
		if !r.look().finished {
			going++
		}
	}
	if going >= s.Limits.Runs {
		return nil, problem{status: 503, Title: "Enough runs", Text: fmt.Sprintf("%d runs are under way, and no more are run at once.", going),
			Hint: "Stop one of them, or wait for its end.", Back: address("/prove", state.values()), BackText: "Back to what was chosen"}
	}
	ctx, stop := context.WithCancelCause(s.ctx)
	r := &run{id: s.runs.name(), state: state, logger: s.loggerName(state.Logger), names: names, begun: time.Now(), stop: stop,
		linger: s.Limits.Linger, changed: make(chan struct{})}
	// Whoever started it has as long to look at it for the first time.
	r.leave = time.AfterFunc(s.Limits.Linger, func() { stop(errUnwatched) })
	s.runs.put(r.id, r, func(r *run) bool { return r.look().finished })
	s.wg.Go(func() { s.play(ctx, r) })
	return r, nil
}

// play takes the logger through the scenarios.
func (s *Server) play(ctx context.Context, r *run) {
	defer r.stop(nil)
	late := fmt.Errorf("it took longer than %v, which is as long as a run on the page may take; stuntcell prove has no such limit", s.Limits.RunTime)
	ctx, cancel := context.WithTimeoutCause(ctx, s.Limits.RunTime, late)
	defer cancel()
	prove := func(ctx context.Context, i int) (*verdict.Verdict, error) {
		// Not s.slot: a run waits for its turn as long as it takes.
		select {
		case s.slots <- struct{}{}:
		case <-ctx.Done():
			return nil, context.Cause(ctx)
		}
		defer func() { <-s.slots }()
		var v *verdict.Verdict
		err := s.contained("prove "+r.names[i], func() (err error) {
			v, err = s.proveOne(ctx, r, r.names[i])
			return err
		})
		return v, err
	}
	err := campaign.Each(ctx, len(r.names), runtime.GOMAXPROCS(0), prove, func(_ int, v *verdict.Verdict) error {
		r.change(func() { r.verdicts = append(r.verdicts, v) })
		return nil
	})
	if cause := context.Cause(ctx); cause != nil {
		err = cause
	}
	if err != nil && s.ctx.Err() != nil {
		err = errServerEnd
	}
	r.change(func() {
		r.finished = true
		r.leave.Stop()
		if err != nil {
			r.ended = err.Error()
		}
	})
}

// proveOne runs one scenario. One that does not fit is a verdict that says so.
func (s *Server) proveOne(ctx context.Context, r *run, name string) (*verdict.Verdict, error) {
	skip := func(why string) *verdict.Verdict {
		return &verdict.Verdict{Schema: verdict.Schema, Tool: s.Tool, GoArch: runtime.GOARCH, Scenario: name, Logger: r.logger, Skipped: why,
			Checks: []verdict.Check{}, Blame: map[string]verdict.Blame{}, Findings: []verdict.Finding{}, NotCovered: []string{}}
	}
	sc, err := s.Bench.Scenario(name, s.Bench.Env())
	if err != nil {
		return skip("does not fit this pack or rig: " + firstLine(err)), nil
	}
	if why := s.tooMuch(sc); why != "" {
		return skip(why), nil
	}
	v, err := s.Bench.Prove(ctx, r.state.Logger, sc)
	if err != nil {
		return nil, fmt.Errorf("%s: %w", name, err)
	}
	// A file of the project is known by its own name here, so that its verdict can be found under it.
	v.Scenario = name
	return v, nil
}

// tooMuch says that a scenario has more readings than the page runs, or "".
func (s *Server) tooMuch(sc *scenarios.Scenario) string {
	c, err := rehearsal.Play(&sc.Setup, rehearsal.Options{})
	if err != nil {
		return firstLine(err)
	}
	if n := c.End / sc.Setup.Rig.Readings.Interval(); n > s.Limits.Readings {
		return fmt.Sprintf("%d readings: the page runs at most %d of a scenario; stuntcell prove runs it", n, s.Limits.Readings)
	}
	return ""
}
