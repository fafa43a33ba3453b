package nats_test

import (
	"context"
	"errors"
	"time"

	"dewclaw/adapters"
	"dewclaw/adapters/nats"
	"dewclaw/events"
)

// A source is read in batches; each delivery is settled when its batch is in the
// log.
func ExampleOpenSource() {
	s, err := nats.OpenSource(nats.SourceOptions{
		Who: "source scores", Subject: "scores.>", Durable: "dewclaw-scores",
		Server: nats.Server{URL: "nats://localhost:4222", Password: nats.Secret{File: "/run/secrets/nats"}, User: nats.Secret{Env: "NATS_USER"}},
	})
	if err != nil {
		return // the options: err says which one
	}
	defer s.Close()
	for ctx := context.Background(); ; {
		list, err := s.NextBatch(ctx, 512, 50*time.Millisecond)
		if errors.Is(err, events.ErrUnavailable) {
			time.Sleep(time.Second)
			continue
		}
		if err != nil {
			return
		}
		verdict := adapters.Taken // or NotTaken, if they could not be committed
		for _, d := range list {
			_ = d.Settle(ctx, verdict)
		}
	}
}
