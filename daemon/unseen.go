package main

import (
	"context"
	"fmt"
	"slices"

	"dewclaw/daemon/internal/quarantine"
)

// mostUrgent is how many urgent held records a list opens with by name.
const mostUrgent = 5

// unseenItem tells what a list cannot show because it is held.
type unseenItem struct {
	Held   int               `json:"held"`
	Urgent int               `json:"urgent"`
	Maybe  int               `json:"maybe,omitempty"` // of which the farm cannot be read, if it was asked for one
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
		if !isOf(&item, q.Farm) {
			continue
		}
		u.Held++
		if item.Farm == "" && q.Farm != "" {
			u.Maybe++ // what it says is perhaps nothing that the farm may be told
			continue
		}
		if item.Urgent == "" {
			continue
		}
		if u.Urgent++; len(u.First) < mostUrgent {
			u.First = append(u.First, item)
		}
	}
	return emit(u)
}

// isOf reports whether a held record is of a farm, or may be; farm "" is any. Which
// farms its source can tell of says its entry: the config has no sources of barns,
// and may have one no more.
func isOf(h *quarantine.Item, farm string) bool {
	return farm == "" || h.Farm == farm || h.Farm == "" && (len(h.Maybe) == 0 || slices.Contains(h.Maybe, farm))
}

// maybeWords says that held records may be of another farm.
func maybeWords(n int) string {
	return fmt.Sprintf("the farm of %d of them cannot be read, and may be another one", n)
}

// open prints what a list opens with: what it cannot show.
func (u *unseenItem) open(a *app) {
	if u.Held == 0 {
		return
	}
	a.printf("Not among these: %s (%s)", plural(u.Held, "held record", "held records"), a.hint("held list"))
	if u.Maybe > 0 {
		a.printf("; %s", maybeWords(u.Maybe))
	}
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
