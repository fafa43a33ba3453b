package intake

import (
	"context"
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
	return r.note(j, known)
}

// note remembers what a record of a complete source lacks: live events that
// neither it nor the rows before it have.
func (r *reading) note(j joint, known *index.Record) error {
	missing := lacking(j.rec, known)
	if j.after {
		missing = slices.DeleteFunc(missing, func(s events.Slot) bool { return !slices.Contains(j.missing, s) })
	}
	return r.scratch.Put(j.rec.ID, packMissing(missing))
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
func (r *reading) remember(ctx context.Context, p passing) error {
	rec := p.rec
	switch rec.Outcome {
	case adapters.Ignored:
		return nil
	case adapters.Held:
		h, known, err := r.ix.Held(rec.Held.ID)
		if err != nil {
			return err
		}
		if known && h.State != index.StillHeld {
			r.noteReleased(&h)
			return nil
		}
		return r.listHeld(rec.Held)
	}
	if err := r.current(rec, &situation{}); err != nil {
		return err
	}
	if w, ok := r.pending[rec.ID]; ok && (w.At == r.n || slices.Contains(w.Earlier, r.n)) {
		return r.waitsStill(ctx, p, w)
	}
	if r.asOf == "" {
		return r.scratch.Put(rec.ID, nil)
	}
	seen, ok, err := r.scratch.Get(rec.ID)
	if err != nil {
		return err
	}
	return r.note(joint{rec: rec, after: ok, missing: unpackMissing(seen)}, p.found)
}

// waitsStill puts a row back together with the rows of its record that an
// earlier run left waiting.
func (r *reading) waitsStill(ctx context.Context, p passing, w events.Waiting) error {
	seen, _, err := r.scratch.Get(p.rec.ID)
	if err != nil {
		return err
	}
	j := joint{rec: p.rec}
	switch {
	case isWaiting(seen):
		j, err = overtake(seen, p.rec)
	case w.After:
		j, err = r.goOn(ctx, p.rec, p.found, r.touched(p.found), seen)
	}
	if err != nil {
		return err
	}
	now := w
	now.At, now.Earlier = r.n, j.earlier
	v, err := packWaiting(j, now)
	if err != nil {
		return err
	}
	return r.scratch.Put(p.rec.ID, v)
}
