package intake

import (
	"context"
	"fmt"
	"sync"

	"dewclaw/events"
	"dewclaw/events/index"
)

// A history reads events back from the log, some entries at a time.
type history struct {
	log interface {
		Get(ctx context.Context, p events.Position) (*events.Entry, error)
	}
	mu      sync.Mutex
	entries map[events.Position]*events.Entry
	order   []events.Position
}

// keptEntries is how many entries a history keeps: at most 0.5 MB each.
const keptEntries = 16

func newHistory(log interface {
	Get(ctx context.Context, p events.Position) (*events.Entry, error)
}) *history {
	return &history{log: log, entries: map[events.Position]*events.Entry{}}
}

func (h *history) entry(ctx context.Context, p events.Position) (*events.Entry, error) {
	h.mu.Lock()
	e := h.entries[p]
	h.mu.Unlock()
	if e != nil {
		return e, nil
	}
	e, err := h.log.Get(ctx, p)
	if err != nil {
		return nil, err
	}
	h.mu.Lock()
	defer h.mu.Unlock()
	if len(h.order) >= keptEntries {
		delete(h.entries, h.order[0])
		h.order = h.order[1:]
	}
	if _, ok := h.entries[p]; !ok {
		h.entries[p] = e
		h.order = append(h.order, p)
	}
	return e, nil
}

// event returns the event at a place of the log.
func (h *history) event(ctx context.Context, p events.Place) (events.Event, error) {
	e, err := h.entry(ctx, p.Position)
	if err != nil {
		return events.Event{}, err
	}
	if p.Index < 0 || p.Index >= len(e.Events) {
		return events.Event{}, fmt.Errorf("log position %d has no event %d: %w", p.Position, p.Index, events.ErrCorrupt)
	}
	return e.Event(p.Index)
}

// said returns the newest revision of a slot whose content is what its source
// last said: a person may have amended it since.
func (h *history) said(ctx context.Context, s *index.Slot) (events.Event, error) {
	ev, err := h.event(ctx, s.Place)
	for err == nil && ev.Before != nil && (events.StoredDigest(ev.Data) != s.Said || ev.Change == events.Retracted) {
		ev, err = h.event(ctx, *ev.Before)
	}
	return ev, err
}

// reopen writes an event as a mapping would have, so that a further revision of
// it can be stored. farm and scope are the defaults of the entry it goes to.
func reopen(ev *events.Event, d events.Defaults) []byte {
	env := events.Envelope{Kind: ev.Kind, Entity: ev.Entity, Subject: ev.Subject, Farm: ev.Farm, Visit: ev.Visit, Scope: ev.Scope}
	if env.Farm == d.Farm {
		env.Farm = ""
	}
	if env.Scope == d.Scope {
		env.Scope = ""
	}
	return events.AppendOpen(nil, env, ev.Data)
}
