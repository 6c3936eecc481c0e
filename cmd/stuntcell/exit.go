package main

import (
	"context"
	"errors"
	"fmt"
	"strconv"
	"strings"

	"stuntcell/emulator/link"
)

// Exit statuses.
const (
	exitOK          = 0
	exitFailed      = 1   // a check failed; the verdicts are complete
	exitUsage       = 2   // usage, bad input, or something of ours that went wrong
	exitUnanswered  = 3   // the logger never answered a greeting
	exitInterrupted = 130 // as a shell counts an interrupt
)

// outcome is an end of a command that is no mistake of its use: all that is to be said has been said already.
type outcome string

func (o outcome) Error() string { return string(o) }

const (
	checksFailed outcome = "a check failed"
	interrupted  outcome = "interrupted"
)

// unanswered says that a logger never answered a greeting, and what it did instead.
type unanswered struct{ what string }

func (u unanswered) Error() string { return u.what }

// usageError is a command line that cannot be run.
type usageError struct {
	err     error
	hint    string
	command string // whose --help would tell
}

func (u usageError) Error() string { return u.err.Error() }
func (u usageError) Unwrap() error { return u.err }

// usagef makes a usage error with a hint.
func usagef(hint, format string, args ...any) error {
	return usageError{err: fmt.Errorf(format, args...), hint: hint}
}

// status turns the error of a command into the exit status of the process. Of several errors the gravest counts.
func status(err error) int {
	code := exitOK
	for _, e := range each(err) {
		var u unanswered
		switch {
		case errors.Is(e, interrupted), errors.Is(e, context.Canceled):
			return exitInterrupted
		case errors.As(e, &u):
			code = exitUnanswered
		case errors.Is(e, checksFailed):
			code = max(code, exitFailed)
		default:
			code = max(code, exitUsage)
		}
	}
	return code
}

// each takes joined errors apart.
func each(err error) []error {
	if err == nil {
		return nil
	}
	joined, ok := err.(interface{ Unwrap() []error })
	if !ok {
		return []error{err}
	}
	var all []error
	for _, e := range joined.Unwrap() {
		all = append(all, each(e)...)
	}
	return all
}

// complain writes what is to be said about the error of a command.
func complain(std streams, err error) {
	for _, e := range each(err) {
		var o outcome
		if errors.As(e, &o) || errors.Is(e, context.Canceled) {
			continue
		}
		message := inOurWords(e)
		var line *link.OpenError
		if errors.As(e, &line) || !hasPlace(message) { // a port's address looks like a place
			message = "stuntcell: " + message
		}
		fmt.Fprintln(std.err, message)
		if line != nil && line.Hint != "" {
			fmt.Fprintf(std.err, "  %s\n", line.Hint)
		}
		var u usageError
		if !errors.As(e, &u) {
			continue
		}
		if u.hint != "" {
			fmt.Fprintf(std.err, "  %s\n", u.hint)
		}
		if u.command != "" {
			fmt.Fprintf(std.err, "  %s --help explains it\n", u.command)
		}
	}
}

// hasPlace tells whether a message begins with file:line or file:line:column, which editors and CI look for at the start of a line.
func hasPlace(message string) bool {
	place, _, _ := strings.Cut(message, ": ")
	i := strings.LastIndexByte(place, ':')
	if i < 1 {
		return false
	}
	_, err := strconv.ParseUint(place[i+1:], 10, 32)
	return err == nil
}
