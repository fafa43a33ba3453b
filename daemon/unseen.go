package main

import (
	"context"
	"slices"

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
		if !e.isOf(item.Source, q.Farm) {
			continue
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

// isOf reports whether a source may tell of a farm; farm "" is any. A source that
// the config no longer has may tell of each.
func (e *engine) isOf(source, farm string) bool {
	s := e.project.config.Source(source)
	return farm == "" || s == nil || s.Farm == farm || slices.Contains(s.Farms, farm)
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
	if n := u.Urgent - len(u.First); n > 0 {
		a.printf("and %d more\n", n)
	}
	a.printf("\n")
}
