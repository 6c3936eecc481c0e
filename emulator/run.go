package emulator

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"math"
	"math/rand/v2"
	"slices"

	"stuntcell/emulator/link"
	"stuntcell/emulator/rig"
	"stuntcell/model"
)

const never = math.MaxInt64

// lockStepFirst is how many readings after a power-up are answered one by one before any is sent ahead.
const lockStepFirst = 10

// What a logger may say in a run before it counts as a flood [bytes]: a share at once and so much a reading. A row of all
// four channels takes about 150.
const (
	floodAtOnce     = 16 << 20
	floodPerReading = 512
	saidCost        = 64
)

// run is one run in progress.
type run struct {
	ctx   context.Context
	setup Setup
	link  link.Link
	rec   *Record

	truth   truth
	sensor  *rig.Sensor
	more    []*rig.Sensor // of further channels
	counter rig.Counter
	face    rig.Face
	jitter  *rand.Rand
	agenda  agenda

	next     int64 // instant of the next reading
	powered  bool
	life     int16
	greeting link.Greeting // as it is at the next power-up: settings may have changed
	ambient  float64       // [K]
	stalled  bool          // since the last reading
	// Faults that last.
	cardFails                int // faults at work
	shuntFails, busFails     int
	welded, damaged, dropped bool
	droppedAt                int64
	// before is how the contacts stood when the power went, and in which step.
	before struct {
		load, charge bool
		step         int
	}

	load, charge bool      // contacts, as last seen
	steps        int       // ended steps that were recorded
	expected     int       // readings, at most
	base, begun  integrals // truth at the first reading, at the beginning of the running step
	text         int       // what the logger has said so far [bytes]
	file         string    // the log file that rows go to

	// Readings that were sent and not answered are first to first+waiting-1, at most Ahead; reading n has its place n modulo that.
	ring           []link.Message
	first, waiting int
	lockStep       int  // readings below this index are not sent ahead
	setsClock      bool // the logger has set its clock: what it says changes readings

	err error // our own fault, met while the agenda was played
}

type integrals struct{ charge, energy, throughput float64 }

func (a integrals) minus(b integrals) integrals {
	return integrals{a.charge - b.charge, a.energy - b.energy, a.throughput - b.throughput}
}

// Run plays the setup against the logger at the other end of l, which it starts and closes. A logger that fails is a result, in the
// record's Outcome; an error is ours, or the context's.
//
// Readings are sent ahead of their answers where nothing that the logger says can change them: not among the first ten after a power-up,
// not in a step that the logger ends, not across anything that the bench does to it, and not any more once it has set its clock (the
// first time that it does so while readings are under way, those are not called back). The record is the same as in lock step.
func Run(ctx context.Context, setup Setup, l link.Link) (*Record, error) {
	r := newRun(ctx, setup, l)
	if err := r.check(); err != nil {
		return nil, err
	}
	err := r.play()
	closing := l.Close()
	var failure *link.Failure
	if err == nil && errors.As(closing, &failure) {
		r.stop(failure, len(r.rec.Readings.T))
		closing = nil
	}
	if err = errors.Join(err, closing); err != nil {
		return nil, err
	}
	r.finish()
	return r.rec, nil
}

func newRun(ctx context.Context, setup Setup, l link.Link) *run {
	return &run{ctx: ctx, setup: setup, link: l, powered: true, lockStep: lockStepFirst, rec: &Record{
		Greeting: greeting(&setup), Mine: map[string]int64{}, Cannot: map[string]bool{}, Can: map[string]bool{},
	}}
}

func (r *run) check() error {
	s := &r.setup
	if s.Pack == nil || len(s.Plan) == 0 {
		return errors.New("a setup needs a pack and a plan")
	}
	if r.rec.Greeting.LogMS < 1 || r.rec.Greeting.ReadMS < 1 {
		return errors.New("a setup needs times between readings and between rows of at least 1 ms")
	}
	for i := range s.Faults {
		if err := s.Faults[i].check(); err != nil {
			return err
		}
	}
	return nil
}

// play is the run between power-up and end. A failure of the logger ends it without an error.
func (r *run) play() error {
	if err := r.link.Start(r.ctx); err != nil {
		return err
	}
	hello := link.Message{Kind: link.Greet, Greeting: r.rec.Greeting}
	a, err := r.exchange(&hello, -1)
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
	r.heed(a, 0, -1)
	r.readings()
	if r.over() {
		return r.err
	}
	steps := r.rec.Steps
	r.rec.Complete = len(steps) > 0 && steps[len(steps)-1].Why != model.ByStop
	if r.powered {
		r.talk(link.Message{Kind: link.End}, r.truth.course.Now(), len(r.rec.Readings.T))
	}
	return r.err
}

// over says that the run has ended before its plan: the logger has failed, or we have.
func (r *run) over() bool { return r.err != nil || r.rec.Outcome.Failure != nil }

// begin makes the parts of the bench, as the setup is now that the logger's constants were adopted.
func (r *run) begin() error {
	s := &r.setup
	s.Plan = backstopped(s.Plan, s.Pack)
	course, err := model.NewCourse(s.Pack, s.Plan, s.Options)
	if err != nil {
		return err
	}
	r.ambient = s.ambient()
	course.SetDraw(s.Rig.Wiring.Draw)
	r.greeting = r.rec.Greeting
	r.truth = truth{course: course, window: s.Rig.Front.Window()}
	r.sensor = rig.NewSensor(s.Rig, r.ambient, s.Seed)
	for n := 2; n <= s.Rig.Channels; n++ {
		r.more = append(r.more, rig.NewSensor(s.Rig, r.ambient, s.Seed+uint64(n)))
	}
	r.rec.Readings.More = make([][]Counts, len(r.more))
	r.counter = rig.NewCounter(s.Rig.Tick, r.ambient)
	r.face = rig.NewFace(s.Rig.Clock, r.ambient)
	r.setBuildTime(0)
	r.jitter = rand.New(rand.NewPCG(s.Seed, 0x7177))
	r.ring = make([]link.Message, max(1, r.link.Ahead()))
	r.expected = expected(s)
	// A million is what it pays to make room for when they may not come.
	r.rec.Readings.grow(min(r.expected, 1<<20))
	for _, f := range s.Faults {
		r.plant(f)
	}
	r.load, r.charge = course.Contacts()
	r.note(0, StepBegins, 0, "")
	// The window of the first reading begins with the plan.
	r.next = s.Rig.Readings.Nominal
	return nil
}

// expected is how many readings the steps that have a time take at most.
func expected(s *Setup) int {
	total := 0.0
	for i := range s.Plan {
		total += float64(s.Plan[i].Ends.Time)
	}
	return int(min(total/float64(s.Rig.Readings.Interval()), 1<<40)) + 1
}

// backstopped gives each discharge that the logger ends a time that nothing but a contact that flaps for ever reaches: twice what the
// rated charge lasts at its current, and half a day.
func backstopped(plan model.Plan, pack *model.Pack) model.Plan {
	out := slices.Clone(plan)
	for i := range out {
		if e := &out[i].Ends; e.Logger != 0 && e.Time <= 0 {
			e.Time = int64(43200+2*lasts(pack, &out[i].Load)) * 1e9
		}
	}
	return out
}

// readings is the loop: play the truth to the next reading, hand it over, heed the answers.
func (r *run) readings() {
	for r.advance() {
		n := r.read(r.next)
		m := &r.ring[n%len(r.ring)]
		*m = link.Message{Kind: link.Read, Reading: r.reading(n)}
		if err := r.link.Send(m); err != nil {
			r.blame(err, n)
			return
		}
		r.first = n - r.waiting
		r.waiting++
		// Answers are taken by the half, so that neither side waits for each line of the other.
		if most := r.mayWait(n); r.waiting >= most {
			for r.waiting > most/2 {
				if !r.receive() {
					return
				}
			}
		}
		r.next += r.step()
	}
	r.drain()
}

// mayWait is how many readings may be unanswered after reading n was sent.
func (r *run) mayWait(n int) int {
	if n < r.lockStep || r.setsClock || r.handedOver(model.Discharge) || r.handedOver(model.Charge) {
		return 1
	}
	return len(r.ring)
}

// receive takes the answer to the oldest reading that has none; false says that the run is over.
func (r *run) receive() bool {
	a, err := r.link.Receive(r.ctx)
	n := r.first
	if err != nil {
		r.blame(err, n)
		return false
	}
	r.first++
	r.waiting--
	r.heed(a, r.rec.Readings.T[n], n)
	return !r.over()
}

// drain takes all answers that are still to come; false says that the run is over.
func (r *run) drain() bool {
	for r.waiting > 0 && !r.over() {
		r.receive()
	}
	return !r.over()
}

// step draws the time to the next reading [ns].
func (r *run) step() int64 {
	d := &r.setup.Rig.Readings
	if d.Jitter == 0 {
		return d.Interval()
	}
	return d.Interval() + r.jitter.Int64N(2*d.Jitter+1) - d.Jitter
}

// talk is one exchange in lock step, at instant t: what is said belongs to reading n.
func (r *run) talk(m link.Message, t int64, n int) {
	if r.over() {
		return
	}
	if a, err := r.exchange(&m, n); err != nil {
		r.err = err
	} else if a != nil {
		r.heed(a, t, n)
	}
}

// exchange sends a message and returns the answer. Without one it returns nil: the logger has failed, which is recorded, or the
// error is ours. n is the reading that is being answered, -1 the first greeting, their number the end.
func (r *run) exchange(m *link.Message, n int) (*link.Answer, error) {
	err := r.link.Send(m)
	var a *link.Answer
	if err == nil {
		a, err = r.link.Receive(r.ctx)
	}
	if err == nil {
		return a, nil
	}
	r.blame(err, n)
	return nil, r.err
}

// blame records an error of the link: the logger's failure, or our fault.
func (r *run) blame(err error, n int) {
	var failure *link.Failure
	if errors.As(err, &failure) {
		r.stop(failure, n)
		return
	}
	r.err = err
}

// stop records how the logger failed at reading n and closes the account of the running step there. Readings that were sent ahead
// and will never be answered are taken back.
func (r *run) stop(f *link.Failure, n int) {
	if r.rec.Outcome.Failure != nil {
		return
	}
	r.rec.Outcome.Failure, r.rec.Outcome.Reading = f, n
	c := r.truth.course
	if c == nil || r.rec.Complete {
		return
	}
	if last := min(n, len(r.rec.Readings.T)-1); last >= 0 {
		r.rec.Readings.truncate(last + 1)
	}
	r.rec.Outcome.LoadClosed, r.rec.Outcome.ChargeClosed = r.load, r.charge
	c.Stop()
	r.follow()
}

// heed takes down what the logger said in answer to reading n at instant t, and does it.
func (r *run) heed(a *link.Answer, t int64, n int) {
	rec := r.rec
	for i := range a.Said {
		s := &a.Said[i]
		r.text += len(s.Text) + saidCost
		if limit := floodAtOnce + floodPerReading*max(n, 0); r.text > limit {
			r.stop(&link.Failure{Kind: link.Garbled, Line: s.Text, Hint: "write rows once per log interval",
				Detail: fmt.Sprintf("more than %d MiB after %d readings", limit>>20, n+1)}, n)
			return
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
			r.setsClock = true
		case link.Say:
			r.said(t, n, SaidText, 0, s.Text)
		case link.Mine, link.Cannot, link.Can:
			// A logger says again at each power-up what it has said at the first.
			if n >= 0 && r.life == 0 {
				r.stop(&link.Failure{Kind: link.Garbled, Line: s.Text, Hint: "`mine`, `cannot` and `can` belong to the answer to the greeting"}, n)
				return
			}
		}
	}
}

func truth01(b bool) int64 {
	if b {
		return 1
	}
	return 0
}

// order moves a contact after the relay's delay, if the step hands it to the logger when it is given and when it is carried out.
func (r *run) order(t int64, kind model.StepKind, closed bool) {
	if !r.handedOver(kind) {
		return
	}
	step, life := r.truth.course.StepIndex(), r.life
	r.agenda.add(t+r.setup.Rig.Relay.Delay, func(int64) {
		c := r.truth.course
		if !r.powered || r.life != life || c.Done() || c.StepIndex() != step {
			return
		}
		load, charge := c.Contacts()
		if kind == model.Discharge {
			load = closed || r.welded && load
		} else {
			charge = closed
		}
		c.Switch(load, charge)
		r.follow()
	})
}

// handedOver says that the running step is of the kind and leaves its end to the logger.
func (r *run) handedOver(kind model.StepKind) bool {
	c := r.truth.course
	if c == nil || c.Done() {
		return false
	}
	step := &r.setup.Plan[c.StepIndex()]
	return step.Kind == kind && step.Ends.Logger != 0
}

// wanted is how the contacts stand at the beginning of a step.
func wanted(kind model.StepKind) (load, charge bool) {
	return kind == model.Discharge, kind == model.Charge
}

// advance plays the truth to the next reading. It reports false if the plan ended before it, or the run is over.
func (r *run) advance() bool {
	c := r.truth.course
	w := &r.setup.Rig.Wiring
	for c.Now() < r.next && !c.Done() && !r.over() {
		until := min(r.next, r.agenda.next())
		if until == never {
			// Nothing will bring the power back but the pack itself: look at it now and then.
			until = c.Now() + 60e9
		}
		if spans := r.truth.spans; w.Dropout > 0 && len(spans) > 0 && r.powered {
			if last := &spans[len(spans)-1]; last.Voltage(last.T1) < 1.1*w.Dropout {
				until = min(until, c.Now()+dropoutSlice)
			}
		}
		span := r.truth.play(until)
		if len(c.Ended()) > r.steps && !r.drain() {
			break
		}
		r.follow()
		if span.T1 > span.T0 && w.OnPack && w.Dropout > 0 {
			r.watchDropout(span.T1, span.Voltage(span.T1))
		}
		if r.agenda.next() <= c.Now() && r.drain() {
			r.agenda.due(c.Now(), r.over)
		}
		if r.dropped && c.Now()-r.droppedAt > longestDropout {
			c.Stop()
			r.follow()
		}
	}
	return c.Now() >= r.next && !r.over()
}

// follow notes what moved since it was last called: ended steps, contacts.
func (r *run) follow() {
	c := r.truth.course
	for ended := c.Ended(); r.steps < len(ended); r.steps++ {
		e := &ended[r.steps]
		done := stepRun(r.setup.Plan, e)
		if r.rec.Outcome.Failure != nil {
			r.untilNow(&done)
		}
		r.rec.Steps = append(r.rec.Steps, done)
		r.note(done.End, StepEnds, int64(r.steps), string(done.Why))
		if done.Why == model.ByStop {
			r.steps = len(ended)
			break
		}
		r.begun = integrals{r.truth.charge, r.truth.energy, r.truth.throughput}
		if e.Plan+1 >= len(r.setup.Plan) {
			continue
		}
		r.note(e.End, StepBegins, int64(r.steps+1), "")
		if !r.powered {
			c.Switch(r.welded && r.load, false)
		}
	}
	if r.rec.Outcome.Failure != nil {
		return // the truth may have been played further than the logger lived
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

// stepRun is the account of an executed step; its readings are counted at the end.
func stepRun(plan model.Plan, e *model.StepEnd) StepRun {
	return StepRun{
		Plan: e.Plan, Step: plan[e.Plan], Begin: e.Begin, End: e.End, Why: e.Why, First: 0, Last: -1,
		Charge: e.Charge, Energy: e.Energy, Throughput: e.Throughput, MinV: e.MinV, MaxV: e.MaxV, EndV: e.EndV, EndI: e.EndI,
	}
}

// untilNow makes the account of a step that the logger's failure stopped end at the last reading, whatever was played ahead.
func (r *run) untilNow(s *StepRun) {
	rd := &r.rec.Readings
	n := len(rd.T) - 1
	s.Why = model.ByStop
	if n < 0 || rd.T[n] < s.Begin {
		return
	}
	sum := integrals{rd.Charge[n], rd.Energy[n], rd.Throughput[n]}.minus(r.begun.minus(r.base))
	s.End, s.Charge, s.Energy, s.Throughput = rd.T[n], sum.charge, sum.energy, sum.throughput
	s.EndV, s.EndI = rd.MeanV[n], rd.MeanI[n]
	s.MinV, s.MaxV = s.EndV, s.EndV
	for ; n >= 0 && rd.T[n] > s.Begin; n-- {
		s.MinV, s.MaxV = min(s.MinV, rd.MeanV[n]), max(s.MaxV, rd.MeanV[n])
	}
}

// finish brings the record into its final form: readings counted by step, events in order of time.
func (r *run) finish() {
	for n, step := range r.rec.Readings.Step {
		s := &r.rec.Steps[step]
		if s.Last < 0 {
			s.First = n
		}
		s.Last = n
	}
	sortEvents(r.rec.Events)
}

// sortEvents brings events into the order of time, those of one instant into the order in which they were taken down.
func sortEvents(events []Event) {
	slices.SortStableFunc(events, func(a, b Event) int { return cmp.Compare(a.T, b.T) })
}

// note records an event of the bench.
func (r *run) note(t int64, kind EventKind, value int64, text string) {
	r.said(t, len(r.rec.Readings.T), kind, value, text)
}

// said records an event that belongs to a reading.
func (r *run) said(t int64, n int, kind EventKind, value int64, text string) {
	r.rec.Events = append(r.rec.Events, Event{T: t, Reading: max(n, 0), Kind: kind, Value: value, Text: text})
}
