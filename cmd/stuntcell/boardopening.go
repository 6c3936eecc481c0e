package main

import (
	"context"
	"errors"
	"fmt"
	"time"

	"stuntcell/emulator/link"
	"stuntcell/scenarios"
	"stuntcell/scenarios/rehearsal"
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
