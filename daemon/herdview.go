package main

import (
	"context"
	"errors"
	"fmt"
	"time"

	"dewclaw/events"
	"dewclaw/events/herd"
)

// herdView opens a view of the read model that has every entry the log had when
// it was asked for. While the daemon follows the log it waits for that, and gives up
// with an error of kind unavailable if the read model cannot follow; else it reads
// the rest itself. The caller closes the view.
func (e *engine) herdView(ctx context.Context) (*herd.View, error) {
	last, _ := e.log.Last()
	var err error
	if e.follows {
		err = e.followed(ctx, last)
	} else {
		err = e.herd.CatchUp(ctx)
	}
	if err != nil {
		return nil, err
	}
	return e.herd.View(ctx)
}

// partReadModel is the read model as a part of the daemon's health.
const partReadModel = "read model"

// followed waits until the read model has a position.
func (e *engine) followed(ctx context.Context, last events.Position) error {
	for {
		waiting, cancel := context.WithTimeout(ctx, time.Second)
		err := e.herd.WaitFor(waiting, last)
		cancel()
		if !errors.Is(err, context.DeadlineExceeded) || ctx.Err() != nil {
			return err
		}
		if why := e.health.wrong(partReadModel); why != "" {
			return &events.Fault{
				Kind: events.ErrUnavailable, Who: partReadModel, What: fmt.Sprintf("it stands at log position %d", e.herd.At()),
				Wanted: fmt.Sprint(last), Got: why, Hints: []string{"nothing is lost: it goes on when that is mended; a list without the newest records is not made"},
			}
		}
	}
}

// decidedBefore returns the log position of a decision in force that says of two
// animals of a farm what d says, 0 if there is none.
func (e *engine) decidedBefore(ctx context.Context, farm string, d *events.Decision) (events.Position, error) {
	v, err := e.herdView(ctx)
	if err != nil {
		return 0, err
	}
	defer v.Close()
	return v.Decided(ctx, farm, d)
}
