package main

import (
	"context"
	"encoding/json"

	"dewclaw/events"
)

// waitItem is a retraction that waits for a person.
type waitItem struct {
	ID       string          `json:"id"` // newest revision of what would be retracted
	Source   string          `json:"source"`
	Why      string          `json:"why"` // it waits
	Position events.Position `json:"position"`
	Since    string          `json:"since"`
	Event    json.RawMessage `json:"event"`
}

// waits is the operation "held.waits": facts a complete source no longer has,
// which are not retracted before a person has looked.
func (e *engine) waits(ctx context.Context, q heldQuery, emit func(any) error) error {
	list, err := e.index.Waits(q.Source)
	if err != nil {
		return err
	}
	for _, w := range list {
		at, _, err := e.newest(ctx, w.Entity)
		if err != nil {
			return err
		}
		entry, err := e.log.Get(ctx, at.Position)
		if err != nil {
			return err
		}
		ev, err := entry.Event(at.Index)
		if err != nil {
			return err
		}
		if q.Farm != "" && ev.Farm != q.Farm {
			continue
		}
		said, err := e.log.Get(ctx, w.Position)
		if err != nil {
			return err
		}
		if err := emit(waitItem{ev.ID(), w.Source, w.Why, w.Position, said.Time, ev.AppendCloudEvent(nil)}); err != nil {
			return err
		}
	}
	return nil
}

// listWaits prints what "held list --waits" asks for.
func (c *heldListCommand) listWaits(a *app) error {
	q := heldQuery{Farm: c.Farm, Source: c.Source}
	if c.JSON {
		return items(a, "held.waits", q, func(raw json.RawMessage) error { return a.rawLine(raw) })
	}
	n, first := 0, ""
	err := items(a, "held.waits", q, func(w waitItem) error {
		if n++; n == 1 {
			first = w.ID
		}
		var e cloudEvent
		if err := json.Unmarshal(w.Event, &e); err != nil {
			return err
		}
		p, err := events.DecodePayload(e.kind(), e.Data)
		if err != nil {
			return err
		}
		var ids words
		for _, i := range p.Base().Animal {
			ids.add(i.Value)
		}
		a.printf("%s  source %s: %s %s, %s, of %s\n", safe(w.ID), safe(w.Source), e.kind(), safe(say(p)), safe(join(ids)), safe(when(p.Base().Occurred)))
		a.printf("    waits since log position %d, %s: %s\n", w.Position, safe(w.Since), safe(w.Why))
		return nil
	})
	if err != nil {
		return err
	}
	if n == 0 {
		a.printf("No retractions wait.\n")
		return nil
	}
	a.printf("\n%s for a person; until then the facts stand.\nit is right, retract it: %s\nit is wrong, keep it:    %s\n",
		plural(n, "retraction waits", "retractions wait"),
		a.hint("correct "+first+" --confirm --who WHO --why WHY"), a.hint("correct "+first+" --refuse --who WHO --why WHY"))
	return nil
}

// alsoWait says below a list of held records that retractions wait too.
func (c *heldListCommand) alsoWait(a *app) error {
	n := 0
	err := items(a, "held.waits", heldQuery{Farm: c.Farm, Source: c.Source}, func(waitItem) error { n++; return nil })
	if err == nil {
		a.waiting(n)
	}
	return err
}

// waiting says how many retractions wait, if any do.
func (a *app) waiting(n int) {
	if n > 0 {
		a.printf("%s for a person: %s\n", plural(n, "retraction waits", "retractions wait"), a.hint("held list --waits"))
	}
}
