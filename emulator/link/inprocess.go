package link

import (
	"context"
	"errors"
	"fmt"
	"math/rand/v2"
)

// InProcess is a Link to a logger written in Go. A power cut drops the logger and makes a new one on the same store.
// A panic of the logger is its crash.
type InProcess struct {
	make   func(Store) Logger
	files  memory
	rand   *rand.Rand
	logger Logger
	asked  *Message
	answer Answer
}

// NewInProcess links to the loggers that factory makes: one at Start and one after each Cut, all on one store.
// The seed draws how much a torn file loses.
func NewInProcess(factory func(Store) Logger, seed uint64) *InProcess {
	return &InProcess{make: factory, files: memory{bytes: map[string][]byte{}}, rand: rand.New(rand.NewPCG(seed, 0x7042))}
}

// Start implements [Link].
func (p *InProcess) Start(context.Context) error {
	p.logger, p.asked = p.make(&p.files), nil
	return nil
}

// Send implements [Link].
func (p *InProcess) Send(m *Message) error {
	if p.logger == nil {
		return errors.New("link: sent to a logger without power")
	}
	if p.asked != nil {
		return errors.New("link: sent more than one message ahead")
	}
	p.asked = m
	return nil
}

// Receive implements [Link]. The message sent must not have changed since.
func (p *InProcess) Receive(ctx context.Context) (a *Answer, err error) {
	if err := ctx.Err(); err != nil {
		return nil, err
	}
	if p.asked == nil {
		return nil, errors.New("link: nothing was sent that could be answered")
	}
	m := p.asked
	p.asked = nil
	p.answer.Reset()
	defer func() {
		if v := recover(); v != nil {
			a, err = nil, &Failure{Kind: Crash, Detail: fmt.Sprintf("panic: %v", v)}
		}
	}()
	Deliver(p.logger, m, &p.answer)
	if l, ok := p.logger.(Failing); ok {
		if f := l.Failure(); f != nil {
			return nil, f
		}
	}
	return &p.answer, nil
}

// Deliver calls the method of l that m is meant for.
func Deliver(l Logger, m *Message, a *Answer) {
	switch m.Kind {
	case Greet:
		l.Greet(&m.Greeting, a)
	case Read:
		l.Read(&m.Reading, a)
	case Set:
		l.Set(m.Key, m.Value, a)
	case End:
		l.End(a)
	}
}

// Ahead implements [Link]: lock step.
func (p *InProcess) Ahead() int { return 1 }

// Cut implements [Link].
func (p *InProcess) Cut(torn bool) error {
	p.logger, p.asked = nil, nil
	if torn {
		p.files.tear(p.rand)
	}
	return nil
}

// Close implements [Link].
func (p *InProcess) Close() error {
	p.logger, p.asked = nil, nil
	return nil
}

// memory is a Store.
type memory struct {
	bytes map[string][]byte
	last  string
}

// Load implements [Store].
func (s *memory) Load(name string) []byte { return append([]byte(nil), s.bytes[name]...) }

// Save implements [Store].
func (s *memory) Save(name string, b []byte) {
	s.bytes[name] = append([]byte(nil), b...)
	s.last = name
}

// tear cuts the file that was saved last within its final 512 bytes.
func (s *memory) tear(r *rand.Rand) {
	if b := s.bytes[s.last]; len(b) > 0 {
		s.bytes[s.last] = b[:len(b)-tornLength(len(b), r)]
	}
}

// tornLength draws how many of the last 512 bytes of a file of n bytes a power cut loses: at least one.
func tornLength(n int, r *rand.Rand) int { return 1 + r.IntN(min(n, 512)) }
