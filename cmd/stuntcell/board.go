package main

import (
	"bufio"
	"context"
	"fmt"
	"io"
	"strings"
	"time"

	"github.com/spf13/cobra"

	"stuntcell/emulator"
	"stuntcell/emulator/link"
	"stuntcell/scenarios"
)

// board is the flags that say at the end of which wire a real board is.
type board struct {
	port, connect string
	baud          int
	disconnected  bool
}

func (b *board) flags(cmd *cobra.Command) {
	f := cmd.Flags()
	f.StringVar(&b.port, "port", "", "prove the board on the serial line `DEV`")
	f.StringVar(&b.connect, "connect", "", "prove the board that listens at `HOST:PORT`")
	f.IntVar(&b.baud, "baud", 115200, "speed of --port")
	f.BoolVar(&b.disconnected, "battery-disconnected", false, "say that battery and charger are disconnected from the board")
}

func (b *board) chosen() bool { return b.port != "" || b.connect != "" }

// contender makes sure that no battery hangs on the board, and links to it.
func (b *board) contender(std streams, timeout time.Duration, columns map[string]string) (*contender, error) {
	if b.baud < 1 {
		return nil, usagef("", "--baud %d: expected a speed above zero", b.baud)
	}
	if err := b.confirm(std); err != nil {
		return nil, err
	}
	name, open := b.port, func(context.Context) (io.ReadWriteCloser, error) { return link.OpenSerial(b.port, b.baud) }
	if b.connect != "" {
		name, open = b.connect, func(ctx context.Context) (io.ReadWriteCloser, error) { return link.DialTCP(ctx, b.connect) }
	}
	to := func(known bool) link.Link {
		return link.NewBoard(link.BoardOptions{Open: open, Timeout: timeout, Known: known})
	}
	play := func(ctx context.Context, sc *scenarios.Scenario, _ string) (*emulator.Record, error) {
		return emulator.Run(ctx, sc.Setup, to(true))
	}
	first := func(ctx context.Context, suite []*scenarios.Scenario) error {
		if err := b.opening(ctx, std, to(false), suite); err != nil || len(suite) < 2 {
			return err
		}
		return beginsAnew(ctx, std, play, columns)
	}
	return &contender{name: name, alone: true, opening: first, play: play}, nil
}

// confirm asks whether battery and charger are disconnected: a board switches its real relay on invented readings.
func (b *board) confirm(std streams) error {
	if b.disconnected {
		return nil
	}
	fmt.Fprint(std.err, `The board will switch its real relay on readings that are invented.
Battery and charger must be disconnected from it: a load or charger that is
switched by invented readings can ruin a battery and start a fire. Its serial
line joins its ground to this computer's earth: nothing else that is earthed or
on mains may hang on it. Local codes, the maker's data and licensed practice
come first.
Are battery and charger disconnected? Type yes: `)
	answer, err := bufio.NewReader(io.LimitReader(std.in, 100)).ReadString('\n')
	if strings.TrimSpace(answer) == "yes" {
		return nil
	}
	if err != nil {
		fmt.Fprintln(std.err)
	}
	return usagef("in scripts: --battery-disconnected", "not started: nobody said that battery and charger are disconnected")
}
