package emulator

import (
	"context"
	"errors"
	"fmt"
	"math/rand/v2"

	"stuntcell/emulator/link"
	"stuntcell/emulator/rig"
	"stuntcell/model"
)

// run is one run in progress.
type run struct {
	ctx   context.Context
	setup Setup
	link  link.Link
	rec   *Record

	truth   truth
	sensor  *rig.Sensor
	counter rig.Counter
	face    rig.Face
	jitter  *rand.Rand
	agenda  agenda

	interval     int64 // between readings, jitter aside [ns]
	life         int16
	load, charge bool      // contacts, as last seen
	steps        int       // ended steps that were recorded
	base         integrals // truth at the first reading
	text         int       // what the logger has said so far [bytes]
	file         string    // the log file that rows go to
	message      link.Message
	err          error // our own fault, met while the agenda was played
}

type integrals struct{ charge, energy, throughput float64 }

// What a logger may say in a run before it counts as a flood [bytes]: a share at once and so much a reading. A row of all
// four channels takes about 150.
const (
	floodAtOnce     = 16 << 20
	floodPerReading = 512
	saidCost        = 64
)

// Run plays the setup against the logger at the other end of l, which it starts and closes. A logger that fails is a result, in the
// record's Outcome; an error is ours, or the context's.
func Run(ctx context.Context, setup Setup, l link.Link) (*Record, error) {
	r := &run{ctx: ctx, setup: setup, link: l, rec: &Record{
		Greeting: greeting(&setup), Mine: map[string]int64{}, Cannot: map[string]bool{}, Can: map[string]bool{},
	}}
	if r.setup.Pack == nil || len(r.setup.Plan) == 0 {
		return nil, errors.New("emulator: a setup needs a pack and a plan")
	}
	if r.rec.Greeting.LogMS < 1 || r.rec.Greeting.ReadMS < 1 {
		return nil, errors.New("emulator: a setup needs times between readings and between rows of at least 1 ms")
	}
	err := r.play()
	closing := l.Close()
	var failure *link.Failure
	if err == nil && errors.As(closing, &failure) {
		r.fail(failure, len(r.rec.Readings.T))
		closing = nil
	}
	if err = errors.Join(err, closing); err != nil {
		return nil, fmt.Errorf("emulator: %w", err)
	}
	r.countReadings()
	return r.rec, nil
}

// play is the run between power-up and end. A failure of the logger ends it without an error.
func (r *run) play() error {
	if err := r.link.Start(r.ctx); err != nil {
		return err
	}
	r.message = link.Message{Kind: link.Greet, Greeting: r.rec.Greeting}
	a, err := r.exchange(-1)
	if a == nil {
		return err
	}
	r.rec.Outcome.Greeted = true
	if r.rec.Skipped = r.adopt(a); r.rec.Skipped != "" {
		return nil
	}
	if err := r.begin(); err != nil {
		return err
	}
	if f := r.heed(a, 0, -1); f != nil {
		r.fail(f, -1)
		return nil
	}
	return r.readings()
}

// begin makes the parts of the bench, as the setup is now that the logger's constants were adopted.
func (r *run) begin() error {
	s := &r.setup
	course, err := model.NewCourse(s.Pack, s.Plan, s.Options)
	if err != nil {
		return err
	}
	ambient := s.Options.Ambient
	if ambient == 0 {
		ambient = s.Pack.Cell.Reference
	}
	course.SetDraw(s.Rig.Wiring.Draw)
	r.truth = truth{course: course, window: s.Rig.Front.Window()}
	r.sensor = rig.NewSensor(s.Rig, ambient, s.Seed)
	r.counter = rig.NewCounter(s.Rig.Tick, ambient)
	r.face = rig.NewFace(s.Rig.Clock, ambient)
	r.jitter = rand.New(rand.NewPCG(s.Seed, 0x7177))
	r.interval = s.Rig.Readings.Interval()
	r.load, r.charge = course.Contacts()
	r.note(0, StepBegins, 0, "")
	return nil
}

// readings is the loop: play the truth to the next reading, hand it over, heed the answer.
func (r *run) readings() error {
	// The window of the first reading begins with the plan.
	for next := r.setup.Rig.Readings.Nominal; ; next += r.step() {
		if !r.advance(next) {
			break
		}
		n := r.read(next)
		r.message = link.Message{Kind: link.Read, Reading: r.reading(n)}
		a, err := r.exchange(n)
		if a == nil {
			return err
		}
		if f := r.heed(a, next, n); f != nil {
			r.fail(f, n)
			return nil
		}
	}
	if r.err != nil {
		return r.err
	}
	r.rec.Complete = true
	r.message = link.Message{Kind: link.End}
	n := len(r.rec.Readings.T)
	a, err := r.exchange(n)
	if a == nil {
		return err
	}
	if f := r.heed(a, r.truth.course.Now(), n); f != nil {
		r.fail(f, n)
	}
	return nil
}

// step draws the time to the next reading [ns].
func (r *run) step() int64 {
	j := r.setup.Rig.Readings.Jitter
	if j == 0 {
		return r.interval
	}
	return r.interval + r.jitter.Int64N(2*j+1) - j
}

// exchange sends r.message and returns the answer. Without one it returns nil: the logger has failed, which is recorded, or the
// error is ours. n is the reading that is being answered, -1 the greeting, their number the end.
func (r *run) exchange(n int) (*link.Answer, error) {
	err := r.link.Send(&r.message)
	var a *link.Answer
	if err == nil {
		a, err = r.link.Receive(r.ctx)
	}
	var failure *link.Failure
	if errors.As(err, &failure) {
		r.fail(failure, n)
		return nil, nil
	}
	if err != nil {
		return nil, err
	}
	return a, nil
}

// fail records how the logger failed and closes the account of the running step.
func (r *run) fail(f *link.Failure, n int) {
	r.rec.Outcome.Failure, r.rec.Outcome.Reading = f, n
	if r.truth.course == nil || r.truth.course.Done() {
		return
	}
	r.rec.Outcome.LoadClosed, r.rec.Outcome.ChargeClosed = r.truth.course.Contacts()
	r.truth.course.Stop()
	r.follow()
}

// heed takes down what the logger said in answer to reading n at instant t, and does it.
func (r *run) heed(a *link.Answer, t int64, n int) *link.Failure {
	rec := r.rec
	for i := range a.Said {
		s := &a.Said[i]
		r.text += len(s.Text) + saidCost
		if limit := floodAtOnce + floodPerReading*len(rec.Readings.T); r.text > limit {
			return &link.Failure{Kind: link.Garbled, Line: s.Text, Hint: "write rows once per log interval",
				Detail: fmt.Sprintf("more than %d MiB after %d readings", limit>>20, len(rec.Readings.T))}
		}
		switch s.Word {
		case link.Row:
			rec.Rows = append(rec.Rows, Row{Text: s.Text, After: n, Life: r.life, File: r.file})
		case link.LoadOn, link.LoadOff:
			r.said(t, n, SaidLoad, truth01(s.Word == link.LoadOn), "")
			r.order(t, model.Discharge, s.Word == link.LoadOn)
		case link.ChargeOn, link.ChargeOff:
			r.said(t, n, SaidCharge, truth01(s.Word == link.ChargeOn), "")
			r.order(t, model.Charge, s.Word == link.ChargeOn)
		case link.File:
			r.said(t, n, SaidFile, 0, s.Text)
			r.file = s.Text
		case link.Clock:
			r.said(t, n, SaidClock, s.Value, "")
			r.face.Set(t, s.Value)
		case link.Say:
			r.said(t, n, SaidText, 0, s.Text)
		case link.Mine, link.Cannot, link.Can:
			if n >= 0 {
				return &link.Failure{Kind: link.Garbled, Line: s.Text, Hint: "`mine`, `cannot` and `can` belong to the answer to the greeting"}
			}
		}
	}
	return nil
}

func truth01(b bool) int64 {
	if b {
		return 1
	}
	return 0
}

// order moves a contact after the relay's delay, if the running step hands it to the logger then.
func (r *run) order(t int64, kind model.StepKind, closed bool) {
	r.agenda.add(t+r.setup.Rig.Relay.Delay, func(int64) {
		if !r.handedOver(kind) {
			return
		}
		load, charge := r.truth.course.Contacts()
		if kind == model.Discharge {
			load = closed
		} else {
			charge = closed
		}
		r.truth.course.Switch(load, charge)
		r.follow()
	})
}

// handedOver says that the running step is of the kind and leaves its end to the logger.
func (r *run) handedOver(kind model.StepKind) bool {
	c := r.truth.course
	if c.Done() {
		return false
	}
	step := &r.setup.Plan[c.StepIndex()]
	return step.Kind == kind && step.Ends.Logger != 0
}

// advance plays the truth to an instant. It reports false if the plan ended before it, or at our own fault.
func (r *run) advance(to int64) bool {
	c := r.truth.course
	for c.Now() < to && !c.Done() && r.err == nil {
		r.truth.play(min(to, r.agenda.next()))
		r.follow()
		r.agenda.due(c.Now())
	}
	return c.Now() >= to && r.err == nil
}

// follow notes what moved since it was last called: ended steps, contacts.
func (r *run) follow() {
	c := r.truth.course
	for ended := c.Ended(); r.steps < len(ended); r.steps++ {
		e := &ended[r.steps]
		r.rec.Steps = append(r.rec.Steps, stepRun(r.setup.Plan, e))
		r.note(e.End, StepEnds, int64(r.steps), string(e.Why))
		if e.Plan+1 < len(r.setup.Plan) && e.Why != model.ByStop {
			r.note(e.End, StepBegins, int64(r.steps+1), "")
		}
	}
	load, charge := c.Contacts()
	if load != r.load {
		r.note(c.Now(), LoadMoves, truth01(load), "")
	}
	if charge != r.charge {
		r.note(c.Now(), ChargeMoves, truth01(charge), "")
	}
	r.load, r.charge = load, charge
}

// stepRun is the account of an executed step; its readings are counted as they come.
func stepRun(plan model.Plan, e *model.StepEnd) StepRun {
	return StepRun{
		Plan: e.Plan, Step: plan[e.Plan], Begin: e.Begin, End: e.End, Why: e.Why, First: 0, Last: -1,
		Charge: e.Charge, Energy: e.Energy, Throughput: e.Throughput, MinV: e.MinV, MaxV: e.MaxV, EndV: e.EndV, EndI: e.EndI,
	}
}

// countReadings gives each step its first and last reading.
func (r *run) countReadings() {
	for n, step := range r.rec.Readings.Step {
		s := &r.rec.Steps[step]
		if s.Last < 0 {
			s.First = n
		}
		s.Last = n
	}
}

// note records an event of the bench.
func (r *run) note(t int64, kind EventKind, value int64, text string) {
	r.said(t, len(r.rec.Readings.T), kind, value, text)
}

// said records an event that belongs to a reading.
func (r *run) said(t int64, n int, kind EventKind, value int64, text string) {
	r.rec.Events = append(r.rec.Events, Event{T: t, Reading: max(n, 0), Kind: kind, Value: value, Text: text})
}
