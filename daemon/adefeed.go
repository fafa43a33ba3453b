package main

import (
	"context"
	"errors"
	"net/http"

	"dewclaw/adapters/ade"
	httpx "dewclaw/adapters/http"
	"dewclaw/daemon/internal/config"
	"dewclaw/daemon/internal/delivery"
	"dewclaw/events"
)

// isADE reports whether a feed is fetched in the manner of ADE.
func isADE(f *config.Feed) bool { return f.Pull != nil && f.Format == config.ADE }

// adeFeeds answers for the feeds that are fetched in the manner of ADE.
func (e *engine) adeFeeds() http.Handler {
	return http.StripPrefix("/ade", ade.NewHandler(ade.HandlerOptions{
		Changes: changes{e}, Prefix: "/ade",
		Report: func(f *events.Fault) {
			e.logger.Warn("a change could not be given", "what", f.Error(), "hints", f.Hints)
		},
	}))
}

// changes are the feeds of an engine as ADE shows them.
type changes struct{ e *engine }

var _ ade.Changes = changes{}

// Datasets implements [ade.Changes]: the feeds that the token of the request may fetch.
func (c changes) Datasets(ctx context.Context) ([]ade.Dataset, error) {
	name, _ := ctx.Value(tokenName{}).(string)
	var out []ade.Dataset
	conf := c.e.project.config
	for i := range conf.Feeds {
		f := &conf.Feeds[i]
		if !isADE(f) || !mayFetch(conf, name, f) {
			continue
		}
		w, err := newADE(adeSettings(conf, f))
		if err != nil {
			return nil, err
		}
		out = append(out, ade.Dataset{Name: f.ID, Kinds: f.Kinds, Writer: w.(*ade.Writer)})
	}
	return out, nil
}

func mayFetch(c *config.Config, token string, f *config.Feed) bool {
	for i := range c.Tokens {
		if t := &c.Tokens[i]; t.Name == token {
			return t.MayFetch(f)
		}
	}
	return false
}

// After implements [ade.Changes].
func (c changes) After(ctx context.Context, feed, cursor string, n int) (ade.Page, error) {
	from := events.Place{Position: 1}
	if cursor != "" {
		var err error
		if from, err = httpx.ReadCursor(c.e.log.ID(), cursor); err != nil {
			return ade.Page{Again: true}, nil
		}
	}
	p, err := c.e.feeds.Fetch(ctx, feed, from, n)
	switch {
	case errors.Is(err, delivery.ErrPaused):
		return ade.Page{}, forbidden{err}
	case errors.Is(err, events.ErrInvalid): // behind the end of the log
		return ade.Page{Again: true}, nil
	case err != nil:
		return ade.Page{}, err
	}
	return ade.Page{Events: p.Events, Next: httpx.WriteCursor(c.e.log.ID(), p.Next)}, nil
}

// forbidden is an error that is answered with 403.
type forbidden struct{ error }

func (forbidden) Status() int     { return http.StatusForbidden }
func (f forbidden) Unwrap() error { return f.error }
