package main

import (
	"context"

	"dewclaw/daemon/internal/quarantine"
)

// mostUrgent is how many urgent held records a list opens with by name.
const mostUrgent = 5

// unseenItem tells what a list cannot show because it is held.
type unseenItem struct {
	Held   int               `json:"held"`
	Urgent int               `json:"urgent"`
	First  []quarantine.Item `json:"first,omitempty"` // of the urgent ones
}

// unseen is the operation "unseen": how many records are held, and which look
// urgent. A held record may hide a wrap, a medicine or a severely lame cow.
func (e *engine) unseen(ctx context.Context, q heldQuery, emit func(any) error) error {
	var u unseenItem
	for item, err := range e.quarantine.List(ctx, quarantine.Filter{Source: q.Source}) {
		if err != nil {
			return err
		}
		u.Held++
		if item.Urgent == "" {
			continue
		}
		if u.Urgent++; len(u.First) < mostUrgent {
			u.First = append(u.First, item)
		}
	}
	return emit(u)
}

// open prints what a list opens with: what it cannot show.
func (u *unseenItem) open(a *app) {
	if u.Held == 0 {
		return
	}
	a.printf("Not among these: %s (%s)", plural(u.Held, "held record", "held records"), a.hint("held list"))
	if u.Urgent == 0 {
		a.printf(".\n\n")
		return
	}
	a.printf("; %d may hide something urgent:\n", u.Urgent)
	s := newSheet("id", "animal as read", "day", "foot", "words", "why urgent")
	s.fold = 4
	for _, h := range u.First {
		s.row(h.ID, h.Seen.Animal, h.Seen.Date, h.Seen.Foot, h.Seen.Words, h.Urgent)
	}
	_ = s.print(a.stdout)
	a.printf("\n")
}
