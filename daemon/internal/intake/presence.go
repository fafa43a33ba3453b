package intake

import (
	"errors"
	"slices"

	"dewclaw/adapters"
	"dewclaw/events"
	"dewclaw/events/index"
)

// present remembers that the original has the record; for a complete source
// also which of its live events no row has had so far. known is what was known
// before this record.
func (r *reading) present(j joint, known *index.Record) error {
	if r.asOf == "" {
		if known.Known && (len(r.rule.steps) == 0 || j.overtakes) {
			return r.scratch.Put(j.rec.ID, nil)
		}
		return nil
	}
	return r.note(j.rec, known, j.continues && !j.overtakes)
}

// note remembers what a record of a complete source lacks. later tells that
// another row of it was noted before: only what both lack is missing.
func (r *reading) note(rec *adapters.Record, known *index.Record, later bool) error {
	missing := lacking(rec, known)
	if later {
		before, _, err := r.scratch.Get(rec.ID)
		if err != nil {
			return err
		}
		earlier := unpackMissing(before)
		missing = slices.DeleteFunc(missing, func(s events.Slot) bool { return !slices.Contains(earlier, s) })
	}
	return r.scratch.Put(rec.ID, packMissing(missing))
}

// lacking returns the slots of live events that no draft of rec has.
func lacking(rec *adapters.Record, known *index.Record) []events.Slot {
	var out []events.Slot
	for i := range known.Slots {
		if known.Slots[i].State&index.Live == 0 {
			continue
		}
		e := rec.ID.Entity(known.Slots[i].Slot)
		if !slices.ContainsFunc(rec.Drafts, func(d adapters.Draft) bool { return d.Entity == e }) {
			out = append(out, known.Slots[i].Slot)
		}
	}
	return out
}

// remember does for a record that an earlier run settled what the rest of the
// original needs: that it was there, and whether it waits.
func (r *reading) remember(p passing) error {
	rec := p.rec
	switch rec.Outcome {
	case adapters.Ignored:
		return nil
	case adapters.Held:
		return r.listHeld(rec.Held)
	}
	if err := r.current(rec, &situation{}); err != nil {
		return err
	}
	seen, ok, err := r.scratch.Get(rec.ID)
	if err != nil {
		return err
	}
	if isWaiting(seen) {
		earlier, err := unpackWaiting(seen)
		if err != nil {
			return err
		}
		joined, err := union(earlier, rec)
		if errors.Is(err, events.ErrInvalid) {
			return nil // it was held
		}
		if err != nil {
			return err
		}
		rec = joined
	}
	if line, waits := r.pending[rec.ID]; waits && line == rec.Line {
		v, err := packWaiting(rec)
		if err != nil {
			return err
		}
		return r.scratch.Put(rec.ID, v)
	}
	if r.asOf == "" {
		return r.scratch.Put(rec.ID, nil)
	}
	return r.note(rec, p.found, ok && !isWaiting(seen))
}
