package main

import (
	"context"
	"errors"
	"fmt"
	"io"

	"dewclaw/daemon/internal/api"
	"dewclaw/events"
)

// The exit codes of every command; the README has the same table.
const (
	exitFine    = 0 // done; records that were held do not change that
	exitError   = 1 // an error that is none of the others, or the thing asked for is not there
	exitUsage   = 2 // wrong command, option or argument form
	exitInvalid = 3 // config, mapping or argument refused
	exitLocked  = 4 // another process holds the data folder and no daemon answers
	exitCorrupt = 5 // stored bytes are not what was written
)

// errUsage is a mistake in how a command was called.
var errUsage = errors.New("usage")

// exitCode is the one place where kinds of errors become exit codes. Of several
// joined errors the gravest counts. A command that was stopped on a signal is
// fine if it is the daemon, which returns nil then; any other was cut short.
func exitCode(err error) int {
	switch {
	case err == nil:
		return exitFine
	case errors.Is(err, events.ErrCorrupt):
		return exitCorrupt
	case errors.Is(err, events.ErrLocked):
		return exitLocked
	case errors.Is(err, errUsage):
		return exitUsage
	case errors.Is(err, events.ErrInvalid):
		return exitInvalid
	default: // not found, unavailable, canceled, and bugs
		return exitError
	}
}

// report tells a person what went wrong: one line for each error, its hints
// below it.
func report(w io.Writer, err error) {
	for _, e := range api.Split(err) {
		if errors.Is(e, context.Canceled) {
			fmt.Fprintln(w, "dewclaw: stopped before the end; what was committed stands")
			continue
		}
		fmt.Fprintln(w, safe(e.Error()))
		for _, h := range events.Hints(e) {
			fmt.Fprintln(w, "hint: "+safe(h))
		}
	}
}
