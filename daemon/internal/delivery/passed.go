package delivery

import (
	"context"
	"fmt"
	"slices"

	"dewclaw/events"
)

// This file remembers which revisions never went although the cursor is behind
// them: they stayed behind, and another revision of their event went instead, or
// nothing was left of them when their turn came. Everything else that is settled
// went, so that only these are stored.

// unsent are the revisions of one entry of the log that never went: the value of a
// key "<feed>.unsent.<position>".
type unsent struct {
	V          int         `json:"v"`
	Generation int         `json:"generation"` // a rewind judges everything anew
	By         map[int]int `json:"by"`         // by the index of the event: the revision that went instead, 0 for none
}

func (f *feed) unsentKey(p events.Position) string {
	return f.store.key("unsent", fmt.Sprintf("%012d", p))
}

// unsentOf returns what is stored of one entry in this generation.
func (f *feed) unsentOf(ctx context.Context, p events.Position) (*unsent, error) {
	var u unsent
	if _, err := f.store.load(ctx, f.unsentKey(p), &u); err != nil {
		return nil, err
	}
	if u.Generation != f.state.Generation || u.By == nil {
		u = unsent{By: map[int]int{}}
	}
	u.V, u.Generation = stateVersion, f.state.Generation
	return &u, nil
}

// noteUnsent stores that a revision never went.
func (f *feed) noteUnsent(ctx context.Context, at events.Place, by int) error {
	u, err := f.unsentOf(ctx, at.Position)
	if err != nil {
		return err
	}
	if now, ok := u.By[at.Index]; ok && now == by {
		return nil
	}
	u.By[at.Index] = by
	return f.store.save(ctx, f.unsentKey(at.Position), u)
}

// neverWent returns whether a settled revision never went, and which went instead.
func (f *feed) neverWent(ctx context.Context, at events.Place) (by int, ok bool, err error) {
	u, err := f.unsentOf(ctx, at.Position)
	if err != nil {
		return 0, false, err
	}
	by, ok = u.By[at.Index]
	return by, ok, nil
}

// noteReleased stores which revisions a list lets go of and does not send. One that
// may have arrived before it was refused is not among them.
func (f *feed) noteReleased(ctx context.Context, p *plan) error {
	leaving := map[events.Place]bool{}
	var quiet []item
	for i := range p.Releases {
		r := &p.Releases[i]
		o := f.attic.byKey[r.Key]
		if o == nil {
			continue
		}
		for _, it := range o.Items {
			if r.keeps(o, it, p.Kind) {
				continue
			}
			leaving[it.Place] = true
			if !it.Doubt && !slices.ContainsFunc(r.Sent, func(x listed) bool { return x.Place == it.Place }) {
				quiet = append(quiet, it)
			}
		}
	}
	l := lookup{log: f.d.o.Log, finder: f.d.o.Finder}
	for _, it := range quiet {
		by, err := f.overtaken(ctx, &l, it, leaving)
		if err == nil {
			err = f.noteUnsent(ctx, it.Place, by)
		}
		if err != nil {
			return err
		}
	}
	return nil
}
