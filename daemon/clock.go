package main

import (
	"context"
	"fmt"
	"log/slog"
	"time"

	"dewclaw/events"
)

// earliest is a moment before which no clock is right: there was no dewclaw. A
// machine without a battery for its clock starts in 1970, or where it stood when
// it was built, until the network tells it the time.
var earliest = time.Date(2026, 1, 1, 0, 0, 0, 0, time.UTC)

// possible refuses a clock that cannot be right. Nothing is read by it: every
// record would be of the future, every grant not yet in force.
func possible(now time.Time) error {
	if !now.Before(earliest) {
		return nil
	}
	return &events.Fault{
		Kind: events.ErrUnavailable, What: "clock of this machine", Wanted: "a moment after " + earliest.Format(time.DateOnly),
		Got:   now.UTC().Format(time.RFC3339),
		Hints: []string{"set the clock, or let it be set over the network; until then nothing is read, and nothing is lost"},
	}
}

// clockEvery is how often a daemon that waits for its clock looks at it.
var clockEvery = time.Second

// awaitClock waits until the clock can be right. The error is that of the context.
func (a *app) awaitClock(logger *slog.Logger) error {
	for told := false; ; told = true {
		err := possible(a.now())
		if err == nil {
			return nil
		}
		if !told {
			logger.Warn("waits for the clock of this machine", "why", err.Error(), "hints", events.Hints(err))
		}
		if err := pause(a.ctx, clockEvery); err != nil {
			return err
		}
	}
}

// clockSlack is how far the clocks of two daemons on one log may be apart without
// a word.
const clockSlack = 10 * time.Minute

// compareClocks warns if the newest entry of the log was made later than it is
// now: this clock is wrong, or another one was. Nothing is decided by it, since
// what counts is the order of the log.
func (e *engine) compareClocks(ctx context.Context) error {
	at, _ := e.log.Last()
	if at == 0 {
		return nil
	}
	newest, err := e.log.Get(ctx, at)
	if err != nil {
		return err
	}
	made, err := time.Parse(time.RFC3339, newest.Time)
	if err != nil {
		return fmt.Errorf("time of entry %d: %w: %w", at, err, events.ErrCorrupt)
	}
	if now := e.now(); made.Sub(now) > clockSlack {
		e.logger.Warn("the clock is behind the log: it is wrong now, or was wrong before", "clock", now.UTC().Format(time.RFC3339), "newest entry", at, "made", newest.Time)
	}
	return nil
}
