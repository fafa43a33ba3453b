package main

import (
	"context"

	"dewclaw/events"
	"dewclaw/events/herd"
)

// herdView opens a view of the read model that has every entry the log had when
// it was asked for. While the daemon follows the log it waits for that; else it
// reads the rest itself. The caller closes the view.
func (e *engine) herdView(ctx context.Context) (*herd.View, error) {
	last, _ := e.log.Last()
	var err error
	if e.follows {
		err = e.herd.WaitFor(ctx, last)
	} else {
		err = e.herd.CatchUp(ctx)
	}
	if err != nil {
		return nil, err
	}
	return e.herd.View(ctx)
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
