package main

import (
	"context"
	"fmt"
	"os"
	"os/signal"
	"syscall"
)

// interruptible returns a context that ends, with the cause [interrupted], at the first interrupt; a second one ends the
// process at once. Loggers that still run then lose their standard input, and on Linux they are told to die.
func interruptible(parent context.Context) (ctx context.Context, stop func()) {
	ctx, cancel := context.WithCancelCause(parent)
	signals := make(chan os.Signal, 2)
	signal.Notify(signals, os.Interrupt, syscall.SIGTERM, syscall.SIGHUP)
	go func() {
		if _, ok := <-signals; !ok {
			return
		}
		fmt.Fprintln(os.Stderr, "\nstuntcell: interrupted: it ends in good order (once more ends at once)")
		cancel(interrupted)
		if _, ok := <-signals; ok {
			os.Exit(exitInterrupted)
		}
	}()
	return ctx, func() {
		signal.Stop(signals)
		close(signals)
		cancel(nil)
	}
}
