package main

import (
	"context"
	"errors"
	"os"
	"sync"

	"dewclaw/adapters"
	httpx "dewclaw/adapters/http"
	"dewclaw/daemon/internal/config"
	"dewclaw/daemon/internal/delivery"
	"dewclaw/events"
)

// webhooks are the ways to recipients that are posted to. Each is kept while the
// engine is open: it remembers what was refused and what has arrived.
type webhooks struct {
	mu   sync.Mutex
	feed map[string]*httpx.Webhook
}

func (e *engine) webhook(f *config.Feed) (adapters.Sink, error) {
	e.hooks.mu.Lock()
	defer e.hooks.mu.Unlock()
	if w := e.hooks.feed[f.ID]; w != nil {
		return w, nil
	}
	c := f.Webhook
	w, err := httpx.NewWebhook(httpx.WebhookOptions{
		Who: "feed " + f.ID, URL: c.URL, Attempts: c.Attempts, Timeout: c.Timeout, CA: c.CA, Now: e.now,
		Secrets: func() ([][]byte, error) { return secretsOf(c.Secrets, e.getenv) },
	})
	if err != nil {
		return nil, err
	}
	if e.hooks.feed == nil {
		e.hooks.feed = map[string]*httpx.Webhook{}
	}
	e.hooks.feed[f.ID] = w
	return w, nil
}

// secretsOf reads secrets where the config says that they are. One that is not
// there makes its feed wait: it may come.
func secretsOf(list []config.Secret, getenv func(string) string) ([][]byte, error) {
	var out [][]byte
	for _, s := range list {
		v, err := s.Value(getenv, os.ReadFile)
		if err != nil {
			return nil, &events.Fault{Kind: events.ErrUnavailable, Where: s.String(), What: "key of the webhook", Cause: err}
		}
		out = append(out, v)
	}
	return out, nil
}

// nowhere is where the events of a feed go that its recipient fetches: they are
// there already.
type nowhere struct{}

var _ adapters.Sink = nowhere{}

func (nowhere) Send(context.Context, *adapters.Batch) error { return nil }
func (nowhere) Close() error                                { return nil }

// fetchedFeeds are the feeds whose recipients fetch, by id.
func (e *engine) fetchedFeeds(done <-chan struct{}) map[string]*httpx.Feed {
	out := map[string]*httpx.Feed{}
	for i := range e.project.config.Feeds {
		f := &e.project.config.Feeds[i]
		if f.Pull == nil || isADE(f) {
			continue
		}
		out[f.ID] = httpx.NewFeed(httpx.Feed{
			ID: f.ID, Log: e.log.ID(), Page: f.Pull.Page, Wait: e.log.Wait, Refuse: e.refuseFetch, Done: done,
			Fetch: func(ctx context.Context, from events.Place, most int) (adapters.Page, error) {
				return e.feeds.Fetch(ctx, f.ID, from, most)
			},
		})
	}
	return out
}

// refuseFetch says why a feed gives nothing now.
func (e *engine) refuseFetch(err error) httpx.Problem {
	switch {
	case errors.Is(err, delivery.ErrPaused):
		return httpx.NewProblem("paused", err.Error(), "ask the farm, or who runs the daemon")
	case errors.Is(err, context.Canceled), errors.Is(err, events.ErrUnavailable), errors.Is(err, events.ErrCorrupt):
		return httpx.NewProblem("unavailable", "nothing can be read from the log now")
	}
	e.logger.Error("answer a request", "error", err)
	return httpx.NewProblem("internal", "see the daemon's log")
}
