package link

import (
	"context"
	"time"
)

// Opening is what the first words with a board have shown.
type Opening struct {
	Exchange  time.Duration // of real time for one reading and its answer
	LoadClose bool          // the board closes its load although nothing was asked of it
	Seals     bool          // it can seq
}

// openingReadings is how many readings an opening takes.
const openingReadings = 8

// Open greets a board before the first scenario, with load and charger reported as open, shows it a resting battery for a few readings,
// and ends that test. Nothing in it asks for a switching. An error that is a *Failure is the board's.
func Open(ctx context.Context, l Link) (o Opening, err error) {
	if err := l.Start(ctx); err != nil {
		return o, err
	}
	defer func() {
		if e := l.Close(); err == nil {
			err = e
		}
	}()
	ask := func(m Message) error {
		if err := l.Send(&m); err != nil {
			return err
		}
		a, err := l.Receive(ctx)
		if err != nil {
			return err
		}
		for _, s := range a.Said {
			o.LoadClose = o.LoadClose || s.Word == LoadOn
			o.Seals = o.Seals || s.Word == Can && s.Text == "seq"
		}
		return nil
	}
	// A resting 12.6 V on a 1.5 mohm shunt, and no cutoff that it could fall below.
	g := Greeting{TickBits: 32, TickHz: 1000, ShuntNohm: 1_500_000, ShuntStepNV: 6000, BusStepUV: 3000, ShuntMax: 13653, BusMax: 20000,
		Channels: 1, ReadMS: 1000, LogMS: 60_000}
	if err := ask(Message{Kind: Greet, Greeting: g}); err != nil {
		return o, err
	}
	begun := time.Now()
	for n := range openingReadings {
		r := Reading{Tick: uint64(1500 + 1000*n), Bus: 4200, Clock: 1772438400 + int64(n), Load: Off, Charge: Off}
		if err := ask(Message{Kind: Read, Reading: r}); err != nil {
			return o, err
		}
	}
	o.Exchange = time.Since(begun) / openingReadings
	return o, ask(Message{Kind: End})
}
