package main

import (
	"context"
	"errors"
	"fmt"
	"time"

	"stuntcell/emulator"
	"stuntcell/emulator/link"
	"stuntcell/scenarios"
	"stuntcell/scenarios/rehearsal"
	"stuntcell/validate"
)

// opening is the first words with a board, before any scenario: with load and charger reported open it shows whether the board answers,
// and how long an answer takes; from that, and from what the line's rate allows, follows how long the suite will take.
func (b *board) opening(ctx context.Context, std streams, to link.Link, suite []*scenarios.Scenario) error {
	o, err := link.Open(ctx, to)
	var f *link.Failure
	if errors.As(err, &f) {
		what := f.Error()
		if f.Hint != "" {
			what += "\n  " + f.Hint
		}
		return unanswered{"the board did not answer: " + what}
	}
	if err != nil {
		return err
	}
	if o.LoadClose {
		fmt.Fprintln(std.err, "Caution: the board closes its load as soon as it is powered, with nobody asking.\nMake sure that nothing hangs on its relay.")
	}
	readings, rows, err := traffic(suite)
	if err != nil {
		return err
	}
	line := time.Duration(0)
	if b.port != "" {
		line = lineTime(readings, rows, b.baud, o.Seals)
	}
	whole := max(line, time.Duration(readings)*o.Exchange)
	fmt.Fprintf(std.err, "%d readings in %d scenarios: about %s", readings, len(suite), roughly(whole))
	if line > 0 {
		fmt.Fprintf(std.err, "\n(the line alone needs %s at %d baud)", roughly(line), b.baud)
	}
	fmt.Fprintln(std.err, ".")
	return nil
}

// briefly is a plan that any logger passes which begins with nothing, and none that goes on where it stood.
const briefly = `
scenario: begins-anew
summary: Five minutes, once more from the start.
purpose: A board that keeps totals or time from one greeting to the next fails the second time.
plan:
  - {rest: 30 s}
  - {discharge: 0.5 C, ends: {time: 5 min}}
settings: {log: 30 s}
`

// beginsAnew plays a few minutes twice. A board that only goes on at the second greeting would be blamed in each further scenario for
// what it kept from the one before. One that fails the first time may have other faults, which the scenarios will tell, or have kept
// something already.
func beginsAnew(ctx context.Context, std streams, play func(context.Context, *scenarios.Scenario, string) (*emulator.Record, error), columns map[string]string) error {
	sc, err := scenarios.Parse("begins-anew", []byte(briefly), scenarios.Env{})
	if err != nil {
		return err
	}
	for again := range 2 {
		rec, err := play(ctx, sc, "")
		if err != nil {
			return err
		}
		v := validate.Judge(sc, rec, validate.Options{Columns: columns})
		if v.Pass == nil || *v.Pass {
			continue
		}
		if again == 0 {
			fmt.Fprint(std.err, "Caution: the board fails five plain minutes of discharge. If it does not restart\n"+
				"when its port is opened, nor begins anew at each greeting, then what it keeps\nfrom one scenario spoils the next.\n")
			return nil
		}
		return usagef("let it restart when its port is opened, or set totals, rows and time to nothing at each greeting",
			"the board does not begin anew: of the same five minutes played twice it passed the first and failed the second")
	}
	return nil
}

// traffic counts the readings of a suite and the rows that a logger will write.
func traffic(suite []*scenarios.Scenario) (readings, rows int64, err error) {
	for _, sc := range suite {
		course, err := rehearsal.Play(&sc.Setup, rehearsal.Options{})
		if err != nil {
			return 0, 0, fmt.Errorf("%s: %w", sc.Name, err)
		}
		n := course.End / sc.Setup.Rig.Readings.Interval()
		readings += n
		rows += min(n, course.End/max(1, sc.Setup.Settings.Log))
	}
	return readings, rows, nil
}

// What goes over the line [bytes]: a reading as `r 4294967295 -13653 20000 1772438400`, the answer `ok`, a row of the usual columns, and a
// seal in both directions. A byte takes ten bits: start, eight, stop.
const (
	readingBytes = 39
	answerBytes  = 3
	rowBytes     = 64
	sealBytes    = 2 * 20
	bitsPerByte  = 10
)

func lineTime(readings, rows int64, baud int, seals bool) time.Duration {
	each := int64(readingBytes + answerBytes)
	if seals {
		each += sealBytes
	}
	bits := bitsPerByte * (readings*each + rows*rowBytes)
	return time.Duration(float64(bits) / float64(baud) * float64(time.Second))
}

// roughly writes a duration as a person would say it.
func roughly(d time.Duration) string {
	switch {
	case d < time.Second:
		return "a second"
	case d < 2*time.Minute:
		return fmt.Sprintf("%d s", int(d.Round(time.Second).Seconds()))
	case d < 2*time.Hour:
		return fmt.Sprintf("%d min", int(d.Round(time.Minute).Minutes()))
	}
	return fmt.Sprintf("%.1f h", d.Hours())
}
