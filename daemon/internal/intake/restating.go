package intake

import (
	"context"
	"fmt"
	"slices"
	"strings"

	"dewclaw/adapters"
	"dewclaw/events"
	"dewclaw/events/index"
)

// A restating is what an original that is read as new says of records that were
// known before: after a change of the mapping the same line may tell another
// fact, of another foot or code, and that is another entity. What it told before
// stays, for a group of rows does not state all there is of its record, and a
// person may have relied on it; so it is told, and a person withdraws it.
type restating struct {
	records map[events.RecordID]*restated
	order   []events.RecordID
	beyond  bool // there were more records than are looked at
}

// mostRestated bounds the records that are looked at: each takes some hundred bytes
// until the original ends, as its rows may come at any place.
const mostRestated = 50_000

// A restated is one of them: what lived of it before, and what is told now.
type restated struct {
	before []index.Slot
	told   map[events.Entity]struct{}
}

// see notes what a record says; known is what was known of it. Of one that states
// all there is under its key, what it no longer tells is retracted, and stays not.
func (a *restating) see(rec *adapters.Record, known *index.Record) {
	if rec.Whole {
		return
	}
	r := a.records[rec.ID]
	if r == nil {
		if !known.Known {
			return
		}
		if len(a.order) == mostRestated {
			a.beyond = true
			return
		}
		if a.records == nil {
			a.records = map[events.RecordID]*restated{}
		}
		r = &restated{before: slices.Clone(known.Slots), told: map[events.Entity]struct{}{}}
		a.records[rec.ID] = r
		a.order = append(a.order, rec.ID)
	}
	for i := range rec.Drafts {
		r.told[events.Entity(strings.Clone(string(rec.Drafts[i].Entity)))] = struct{}{}
	}
}

// mostStaying is how many facts that stay are told by their ids.
const mostStaying = 50

// notice tells how many facts are new beside those that stay; "" if none stays.
func (a *restating) notice(ctx context.Context, past *history, archive string) (string, error) {
	fresh := 0
	var stay []string
	for _, id := range a.order {
		r := a.records[id]
		var lost []*index.Slot
		for i := range r.before {
			s := &r.before[i]
			e := id.Entity(s.Slot)
			if _, ok := r.told[e]; ok {
				delete(r.told, e)
			} else if s.State&index.Live != 0 {
				lost = append(lost, s)
			}
		}
		fresh += len(r.told)
		for _, s := range lost {
			entry, err := past.entry(ctx, s.Place.Position)
			if err != nil {
				return "", err
			}
			// What a person released or put right comes of a decision, and is of
			// this original only if the record says something new.
			if entry.Archive == archive || entry.Cause == events.CauseDecision && len(r.told) > 0 {
				stay = append(stay, string(id.Entity(s.Slot)))
			}
		}
	}
	beyond := ""
	if a.beyond {
		beyond = fmt.Sprintf(" (of the first %d known records; the others were not looked at)", mostRestated)
	}
	if len(stay) == 0 && a.beyond {
		return "facts that were told before, are told no more and stay: none" + beyond, nil
	}
	if len(stay) == 0 {
		return "", nil
	}
	all, more := len(stay), beyond
	if all > mostStaying {
		stay, more = stay[:mostStaying], more+fmt.Sprintf(" (the first %d follow; dewclaw trace FILE:LINE shows those of a line)", mostStaying)
	}
	return fmt.Sprintf(
		"facts that are new on records that were known: %d; that were told before, are told no more and stay: %d%s. To withdraw those: for id in %s; do dewclaw correct $id --withdraw --who WHO --why WHY; done",
		fresh, all, more, strings.Join(stay, " ")), nil
}
