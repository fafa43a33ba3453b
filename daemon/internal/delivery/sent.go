package delivery

import (
	"context"
	"fmt"
	"slices"
	"strings"

	"dewclaw/events"
)

// Sent tells what became of one event in each feed.
type Sent struct {
	Feed       string `json:"feed"`
	State      string `json:"state"` // sent, confirmed, refused (by the recipient, who got it), planned, waiting, parked, overtaken, not sent, not yet, not carried or skipped
	Generation int    `json:"generation"`
	Why        string `json:"why,omitempty"`
}

// Sent tells for each feed what became of the event at p, by the rule that held
// there: what the recipient got of it, and not when.
func (d *Desk) Sent(ctx context.Context, p events.Place) ([]Sent, error) {
	l := lookup{log: d.o.Log}
	var out []Sent
	for _, f := range d.feeds {
		if err := f.take(ctx, false); err != nil {
			return nil, err
		}
		s, err := f.sent(ctx, &l, p)
		f.give()
		if err == nil && (s.State == "sent" || s.State == "planned") {
			err = f.saidOf(ctx, p, &s)
		}
		if err != nil {
			return nil, err
		}
		out = append(out, s)
	}
	return out, nil
}

// saidOf adds what the recipient said of an event it got.
func (f *feed) saidOf(ctx context.Context, p events.Place, s *Sent) error {
	a, ok, err := f.answer(ctx, letter{p, false})
	if ok {
		s.State, s.Why = a.Outcome, a.Reason
	}
	if err != nil {
		return err
	}
	if a, ok, err = f.answer(ctx, letter{p, true}); ok {
		s.Why = strings.TrimPrefix(strings.Join([]string{s.Why, "its delete, when it got another animal: " + strings.TrimSuffix(a.Outcome+", "+a.Reason, ", ")}, "; "), "; ")
	}
	return err
}

func (f *feed) sent(ctx context.Context, l *lookup, p events.Place) (Sent, error) {
	s := Sent{Feed: f.cfg.ID}
	if err := f.load(ctx); err != nil {
		return s, err
	}
	s.Generation = f.state.Generation
	e, err := l.event(ctx, p)
	if err != nil {
		return s, err
	}
	at := f.history.at(p)
	settled := p.Before(f.state.Cursor)
	if !settled && (at == nil || at.Rule == nil) {
		at = &stretch{Rule: f.lawyer.rule(f.now())}
	}
	r := renderer{view: view{rule: f.lawyer.rule(f.now()), history: f.history.copy(), layout: f.layout}, lookup: *l}
	match := false
	if at != nil && at.Rule != nil {
		if _, match, err = at.Rule.match(e, f.layout.writer); err != nil {
			return s, err
		}
	}
	for before := e.Before; !match && before != nil; {
		had, err := r.held(ctx, before)
		if err != nil {
			return s, err
		}
		if had == nil {
			break
		}
		_, never, err := f.neverWent(ctx, had.Place)
		if err != nil {
			return s, err
		}
		match, before = !never, had.Before
	}
	var o *owner
	for _, x := range f.attic.byEntity[e.Entity] {
		if slices.ContainsFunc(x.Items, func(it item) bool { return it.Place == p }) {
			o = x
		}
	}
	switch {
	case !match || at == nil:
		s.State = "not carried"
	case o != nil:
		s.State, s.Why = map[bool]string{true: "parked", false: "waiting"}[o.Parked], o.Why
	case settled && at.Skip:
		s.State = "skipped"
	case settled:
		s.State = "sent"
		by, never, err := f.neverWent(ctx, p)
		switch {
		case err != nil:
			return s, err
		case never && by > 0:
			s.State, s.Why = "overtaken", fmt.Sprintf("by revision %d, while it stayed behind; it was never sent", by)
		case never:
			s.State, s.Why = "not sent", "it stayed behind, and nothing of it was left to send when its turn came"
		}
	case f.state.Plan != nil && p.Before(f.state.Plan.To):
		s.State = "planned"
	default:
		s.State = "not yet"
	}
	return s, nil
}
