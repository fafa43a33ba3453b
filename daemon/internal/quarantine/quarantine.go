package quarantine

import (
	"context"
	"errors"
	"fmt"
	"iter"
	"sync"
	"time"

	"dewclaw/daemon/internal/archive"
	"dewclaw/daemon/internal/intake"
	"dewclaw/events"
	"dewclaw/events/index"
)

// Deps are what a [Quarantine] works with.
type Deps struct {
	Intake  *intake.Intake
	Log     intake.Log
	Index   *index.Index
	Archive *archive.Archive
	Source  func(id string) *intake.Source // as it is configured now; nil if it is no more
	Now     func() time.Time

	// Decided returns the log position of a decision in force that says of two
	// animals what d says, 0 if there is none; nil if nobody can tell.
	Decided func(ctx context.Context, farm string, d *events.Decision) (events.Position, error)
}

// A Quarantine settles held records and corrects accepted events. Safe for use
// by several goroutines at once; what it settles waits for the turn of the source.
type Quarantine struct {
	d        Deps
	identity sync.Mutex // held while a decision about two animals is looked up and made
}

// New returns a Quarantine. Every field of d but Decided must be set.
func New(d Deps) *Quarantine { return &Quarantine{d: d} }

// An Item is one held record with what became of it.
type Item struct {
	events.Held
	State    string          `json:"state"`             // held, released or dropped
	Source   string          `json:"source"`            //
	Maybe    []string        `json:"maybe,omitempty"`   // farms it may be of, if its farm cannot be read
	Name     string          `json:"name"`              // of its original
	Archive  string          `json:"archive,omitempty"` // hash of its original
	Received string          `json:"received,omitempty"`
	Position events.Position `json:"position"`          // entry that holds it
	Fixed    string          `json:"fixed,omitempty"`   // the record as it is to be read, if it was fixed
	History  []Decided       `json:"history,omitempty"` // newest first; by Show only
	Urgent   string          `json:"urgent,omitempty"`  // what it may hide that cannot wait; "" if nothing can be seen
}

// Decided is one decision about a held record.
type Decided struct {
	Position events.Position     `json:"position"`
	Time     string              `json:"time"`
	Action   string              `json:"action"`
	Who      string              `json:"who"`
	Why      string              `json:"why"`
	Set      []events.Assignment `json:"set,omitempty"`
}

// A Filter says which held records are listed.
type Filter struct {
	Source string // "" for all
	State  string // "" for those that are still held, AnyState for all
}

// AnyState lists held records in any state.
const AnyState = "all"

// List yields held records in the order of the log. Errors: of kind invalid for
// a state there is not.
func (q *Quarantine) List(ctx context.Context, f Filter) iter.Seq2[Item, error] {
	return func(yield func(Item, error) bool) {
		states, err := statesOf(f.State)
		if err != nil {
			yield(Item{}, err)
			return
		}
		for _, s := range states {
			if !q.listState(ctx, s, f.Source, yield) {
				return
			}
		}
	}
}

func statesOf(s string) ([]index.HeldState, error) {
	all := []index.HeldState{index.StillHeld, index.Released, index.Dropped}
	switch s {
	case "":
		return all[:1], nil
	case AnyState:
		return all, nil
	}
	for _, x := range all {
		if x.String() == s {
			return []index.HeldState{x}, nil
		}
	}
	return nil, &events.Fault{Kind: events.ErrInvalid, What: "state", Wanted: "held, released, dropped or all", Got: fmt.Sprintf("%q", s)}
}

// page is how many held records are looked up together.
const page = 256

func (q *Quarantine) listState(ctx context.Context, s index.HeldState, source string, yield func(Item, error) bool) bool {
	var after events.Place
	for {
		list, err := q.d.Index.HeldRecords(s, after, page)
		if err != nil {
			return yield(Item{}, err)
		}
		for _, h := range list {
			after = h.Place
			if source != "" && h.Source != source {
				continue
			}
			item, _, err := q.item(ctx, h.ID)
			if !yield(item, err) || err != nil {
				return false
			}
		}
		if len(list) < page {
			return true
		}
	}
}

// item puts together what is known of a held record.
func (q *Quarantine) item(ctx context.Context, id string) (Item, *intake.Kept, error) {
	k, h, err := q.d.Intake.Kept(ctx, id)
	if err != nil {
		return Item{}, nil, err
	}
	item := Item{
		Held: k.Held, State: h.State.String(), Source: h.Source, Name: k.Entry.Name, Archive: k.Entry.Archive,
		Received: k.Entry.Received, Position: h.Place.Position,
	}
	item.ID = id
	item.Farm, item.Maybe = k.Entry.FarmOf(&k.Held)
	if item.Source == "" {
		item.Source = k.Entry.Source
	}
	if k.Fixed {
		item.Fixed = k.Raw
	}
	if h.State == index.StillHeld {
		item.Urgent, _ = q.urgent(ctx, k)
	}
	return item, k, nil
}

// Urgent says what a held record may hide that cannot wait; "" if nothing can be
// seen, or if it is settled. read is false if the record cannot be read now and may
// be later, as at a hub that waits for the original. Errors: of kind not found.
func (q *Quarantine) Urgent(ctx context.Context, id string) (hides string, read bool, err error) {
	k, h, err := q.d.Intake.Kept(ctx, id)
	if err != nil || h.State != index.StillHeld {
		return "", err == nil, err
	}
	hides, read = q.urgent(ctx, k)
	return hides, read, nil
}

// Show returns a held record whole: its original even if it is large, every
// reason, and who decided what about it. Errors: of kind not found.
func (q *Quarantine) Show(ctx context.Context, id string) (Item, error) {
	item, k, err := q.item(ctx, id)
	if err != nil {
		return item, err
	}
	if k.Held.Large > 0 && !k.OfOriginal() {
		item.Raw, err = q.d.Intake.RawOf(ctx, k)
		if err != nil && !(k.Entry.Elsewhere() && errors.Is(err, events.ErrNotFound)) {
			return item, err
		}
	}
	item.History, err = q.history(ctx, id)
	return item, err
}

// history returns the decisions about a held record, newest first. The index
// knows the entries of the newest fix and of what settled it; each fix names the
// one before.
func (q *Quarantine) history(ctx context.Context, id string) ([]Decided, error) {
	list, err := q.d.Index.Decisions(id)
	if err != nil {
		return nil, err
	}
	var out []Decided
	for i := len(list) - 1; i >= 0; i-- {
		e, err := q.d.Log.Get(ctx, list[i])
		if err != nil {
			return nil, err
		}
		d, err := intake.DecisionOf(e)
		if err != nil {
			return nil, err
		}
		out = append(out, Decided{e.At, e.Time, d.Action, d.Who, d.Why, d.Set})
	}
	return out, nil
}
