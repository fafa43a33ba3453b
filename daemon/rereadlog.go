package main

import (
	"context"
	"fmt"
	"time"

	"dewclaw/events"
)

// How the log is read again while a daemon runs: how often, and how much of the
// time that may take. Opening reads a large log's newest block only, and a bit
// that turns later in an old one is met by nobody before verify.
const (
	rereadEvery = 24 * time.Hour
	rereadShare = 10 // one tenth of the time
)

// rereadLog reads the whole log again and again, slowly, and ends with what is
// damaged: intake and feeds then stop, as after any damage. A log by URL is its
// cluster's to look after; readers check what they get of it.
func (d *daemon) rereadLog(ctx context.Context) error {
	if d.e.project.config.Log.URL != "" {
		<-ctx.Done()
		return nil
	}
	for ctx.Err() == nil {
		last, _ := d.e.log.Last()
		began := time.Now()
		for _, err := range d.e.log.ReadRaw(ctx, 1, last) {
			if err != nil && ctx.Err() == nil {
				return fmt.Errorf("read the log again: %w", err)
			}
			if pause(ctx, (rereadShare-1)*time.Since(began)) != nil {
				return nil
			}
			began = time.Now()
		}
		if ctx.Err() == nil {
			d.e.logger.Debug("the log was read again, all of it is whole", "entries", events.Position(last))
		}
		_ = pause(ctx, rereadEvery)
	}
	return nil
}
