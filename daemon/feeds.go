package main

import (
	"context"
	"math/rand/v2"

	"dewclaw/adapters"
	"dewclaw/adapters/folder"
	"dewclaw/adapters/nats"
	"dewclaw/daemon/internal/config"
	"dewclaw/daemon/internal/delivery"
	"dewclaw/events"
	"dewclaw/events/index"
)

// bucketName is where cursors of feeds are kept, beside the log.
const bucketName = "feeds"

// openFeeds compiles the feeds of the config; nothing is sent before they run.
func (e *engine) openFeeds(ctx context.Context, _ openOptions) error {
	kept, err := e.log.Bucket(ctx, bucketName)
	if err != nil {
		return err
	}
	bucket := delivery.Bucket(kept)
	var hold func(context.Context, string) (context.Context, func(), error)
	var elsewhere func(context.Context, string) (string, error)
	if l := e.leases; l != nil {
		bucket = kept.Guard()
		hold = func(ctx context.Context, id string) (context.Context, func(), error) {
			if e.follows {
				return l.hold(ctx, feedLease(id))
			}
			return l.now(ctx, feedLease(id))
		}
		elsewhere = func(ctx context.Context, id string) (string, error) { return l.elsewhere(ctx, feedLease(id)) }
	}
	e.feeds, err = delivery.New(delivery.Options{
		Config: e.project.config, Log: e.log, Bucket: bucket, Hold: hold, Elsewhere: elsewhere, Finder: finder{e.index}, Known: e.herd,
		Sink: e.sink, Encoders: encoders, Writers: writers, Now: e.now, Jitter: rand.Float64, Getenv: e.getenv, Logger: e.logger, Beat: e.beat,
	})
	return err
}

// sink opens the way to the recipient of a feed.
func (e *engine) sink(_ context.Context, f *config.Feed) (adapters.Sink, error) {
	who := "feed " + f.ID
	if s := f.Stream; s != nil {
		return nats.OpenSink(nats.SinkOptions{
			Who: who, Server: natsServer(&s.Server, "dewclaw "+who, e.getenv), Prefix: s.Subject, Stream: s.Stream, Create: s.Create,
			Report: func(f *events.Fault) {
				e.logger.Warn("feed has something to say", "feed", who, "what", f.Error(), "hints", f.Hints)
			},
		})
	}
	if f.MQTT != nil {
		return e.mqttSink(f)
	}
	if f.Watermill != nil {
		return e.watermillSink(f)
	}
	switch {
	case f.Webhook != nil:
		return e.webhook(f)
	case f.Pull != nil:
		return nowhere{}, nil
	}
	return folder.OpenSink(folder.SinkOptions{Who: who, Dir: f.Folder, IDs: true})
}

// A finder finds the events of a record in the index.
type finder struct{ index *index.Index }

// Find implements [delivery.Finder].
func (f finder) Find(_ context.Context, id events.RecordID) ([]delivery.Found, error) {
	_, r, err := f.index.Find(id)
	if isNotFound(err) {
		return nil, nil
	}
	if err != nil {
		return nil, err
	}
	found := make([]delivery.Found, len(r.Slots))
	for i, s := range r.Slots {
		found[i] = delivery.Found{Entity: id.Entity(s.Slot), Place: s.Place}
	}
	return found, nil
}
