package main

import (
	"context"
	"encoding/json"
	"errors"
	"strings"
	"time"

	"dewclaw/events"
	"dewclaw/events/streamlog"
)

// This file is both ends of a word of the hub: that it takes nothing more of a barn,
// and why. The barn goes on alone; without this word nobody there would know.

// askRefused is what a hub tells a barn.
const askRefused = "refused"

// A refusal is what the hub says; no reason: it takes what comes, as before.
type refusal struct {
	Why   string   `json:"why,omitempty"`
	Hints []string `json:"hints,omitempty"`
}

// How much of it a barn tells on, and how long a hub waits until it is heard.
const (
	mostRefusal = 4 << 10
	refusedWait = 5 * time.Second
)

// refuses tells the barn that nothing more of it is taken, or with nil that it is
// again: with the first entries too, for it may have been refused before the hub's
// config changed. A barn that is away is told at the next try.
func (t *takeover) refuses(ctx context.Context, why error) {
	if why == nil && t.taken {
		return
	}
	t.taken = false
	var r refusal
	if why != nil {
		r = refusal{why.Error(), events.Hints(why)}
	}
	b, err := json.Marshal(r)
	if err == nil {
		ctx, cancel := context.WithTimeout(ctx, refusedWait)
		defer cancel()
		_, err = t.log.Ask(ctx, askRefused, b)
	}
	if why == nil {
		t.taken = err == nil || errors.Is(err, streamlog.ErrNoAnswer) // an older version, which knows no refusal
	}
	if err != nil {
		t.e.logger.Debug("a barn does not hear whether it is refused", "barn", t.barn.ID, "error", err)
	}
}

// hearRefusal is the barn's end.
func (d *daemon) hearRefusal(_ context.Context, b []byte) ([]byte, error) {
	var r refusal
	if err := json.Unmarshal(b, &r); err != nil {
		return nil, err
	}
	const part = "hub"
	if r.Why == "" {
		d.e.health.say(part, nil)
		return nil, nil
	}
	if len(r.Why) > mostRefusal {
		r.Why = strings.ToValidUTF8(r.Why[:mostRefusal], "") + " …"
	}
	if len(r.Hints) > 4 {
		r.Hints = r.Hints[:4]
	}
	d.e.health.say(part, &events.Fault{
		Kind: events.ErrInvalid, Who: "hub", What: "it takes nothing more of this barn", Cause: errors.New(r.Why),
		Hints: append([]string{"everything is kept here, and sources are read as before"}, r.Hints...),
	})
	return nil, nil
}
