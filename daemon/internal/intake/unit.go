package intake

import (
	"context"
	"errors"
	"slices"

	"dewclaw/adapters"
	"dewclaw/events"
	"dewclaw/events/index"
)

// A passing is one record with what came along with it through the pipe.
type passing struct {
	rec    *adapters.Record
	found  *index.Record    // what the look-up of its block said; nil unless mapped
	row    *adapters.Row    // the row it was made of, if it is one row; else nil
	digest *index.RawDigest // of that row, if rows are known again before mapping
}

// take takes one record in: the beats known? and check, and what they come to.
func (r *reading) take(ctx context.Context, p passing) error {
	r.n++
	r.at = r.n
	r.line = max(r.line, p.rec.Line, p.rec.LastLine)
	if r.n <= r.skip {
		return r.remember(ctx, p)
	}
	var err error
	switch p.rec.Outcome {
	case adapters.Ignored:
		r.account.tell(r.n, p.rec.Line, p.rec.LastLine, "ignored", nil)
		r.b.entry.Counts.Read++
		r.b.entry.Counts.Ignored++
	case adapters.Held:
		err = r.hold(ctx, p.rec.Held)
	default:
		err = r.mapped(ctx, p)
	}
	if err != nil {
		return err
	}
	return r.taken(ctx)
}

// taken ends the unit of one record.
func (r *reading) taken(ctx context.Context) error {
	r.b.read++
	r.done, r.doneAt = r.n, r.line
	return r.pace.after(ctx)
}

// repeated takes in a row that is what the source last said of its record: it
// was not mapped.
func (r *reading) repeated(ctx context.Context, id events.RecordID, line int) error {
	r.n++
	r.line = max(r.line, line)
	if r.n <= r.skip {
		return r.scratch.Put(id, nil)
	}
	if err := r.scratch.Put(id, nil); err != nil {
		return err
	}
	r.b.entry.Counts.Read++
	r.b.entry.Counts.Duplicate++
	r.account.tell(r.n, line, 0, duplicate.word(), nil)
	return r.taken(ctx)
}

// overtaken counts a record that waited and that a later row carries: what it
// waited with is a duplicate.
func (r *reading) overtaken(id events.RecordID, sofar outcome) {
	r.b.settle(id)
	r.waiting--
	r.count(sofar)
}

// mapped rules on a mapped record and puts what it says into the entry.
func (r *reading) mapped(ctx context.Context, p passing) error {
	known, touched, err := r.known(ctx, p.found)
	if err != nil {
		return err
	}
	if r.restating != nil {
		r.restating.see(p.rec, known)
	}
	j, err := r.join(ctx, p.rec, known, touched)
	if errors.Is(err, events.ErrInvalid) { // it says another thing than the rows before
		h, err := r.refusal(ctx, p, ReasonsOf(err))
		if err != nil {
			return err
		}
		return r.hold(ctx, h)
	}
	if err != nil {
		return err
	}
	s := situation{continues: j.continues}
	if err := r.current(j.rec, &s); err != nil {
		return err
	}
	if err := r.decide(ctx, j.rec, known, s); err != nil {
		return err
	}
	if stop, err := r.screen(ctx, p, j, known); stop || err != nil {
		return err
	}
	if n := draftSize(j.rec.Drafts); len(r.rule.steps) > 0 && r.b.full(n) {
		if closed, err := r.pace.room(ctx, n); err != nil {
			return err
		} else if closed {
			if known, _, err = r.known(ctx, p.found); err != nil {
				return err
			}
			if err := r.decide(ctx, j.rec, known, s); err != nil {
				return err
			}
		}
	}
	if j.overtakes {
		r.account.tell(j.overtaken.At, j.overtaken.Line, 0, j.sofar.word(), nil)
		r.overtaken(j.rec.ID, j.sofar)
	}
	if r.single != nil {
		r.single[j.rec.ID] = struct{}{}
	}
	return r.put(ctx, p, j, known)
}

// current says how current the export is for the day of a record.
func (r *reading) current(rec *adapters.Record, s *situation) error {
	if r.asOf == "" {
		return nil
	}
	l, err := r.listing(r.listOf(rec.Farm, rec.Scope), rec.Day)
	if err != nil {
		return err
	}
	s.older, s.overruled = l.older, l.overruled
	return nil
}

// listOf returns the list that a row belongs to which names a farm, or none.
func (r *reading) listOf(farm, scope string) index.List {
	if !r.inward.FarmByRow() {
		farm = r.src.Farm
	}
	return index.List{Farm: farm, Scope: scope}
}

// decide fills r.rule for a record.
func (r *reading) decide(ctx context.Context, rec *adapters.Record, known *index.Record, s situation) error {
	return decide(&r.rule, rec, known, s, func(slot int) (bool, error) {
		ev, err := r.content(ctx, known.Slots[slot].Place)
		if err != nil {
			return false, err
		}
		return guarded(&ev)
	})
}

// put carries out the ruling.
func (r *reading) put(ctx context.Context, p passing, j joint, known *index.Record) error {
	id := j.rec.ID
	if r.raw != nil && known.Known && len(r.rule.steps) > 0 {
		r.changed[id] = r.blocks
	}
	if r.rule.outcome == waits {
		if err := r.putWaiting(j); err != nil {
			return err
		}
	} else {
		if err := r.present(j, known); err != nil {
			return err
		}
		if p.digest != nil && !j.continues && !known.HasRaw(*p.digest) {
			r.b.raw(*p.digest, id)
		}
		r.account.tell(r.at, j.rec.Line, j.rec.LastLine, r.rule.outcome.word(), nil)
		r.count(r.rule.outcome)
		if r.watch != nil && r.rule.outcome == accepted {
			r.watch.Add(p.rec.Sight, r.in.Rules)
		}
	}
	if j.continues && r.raw != nil {
		r.b.unraw(id)
	}
	r.backs(id, known)
	return r.store(ctx, j.rec, known)
}

// putWaiting makes a record wait for the end of the original.
func (r *reading) putWaiting(j joint) error {
	w := events.Waiting{
		Record: j.rec.ID.String(), Line: max(j.rec.Line, j.rec.LastLine), At: r.n, Earlier: j.earlier, After: j.after,
		Outcome: r.rule.sofar.String(),
	}
	r.b.wait(j.rec.ID, w)
	r.waiting++
	if r.single != nil {
		if j.overtakes { // it stands where its last row does
			r.order = slices.DeleteFunc(r.order, func(id events.RecordID) bool { return id == j.rec.ID })
		}
		r.order = append(r.order, j.rec.ID)
	}
	v, err := packWaiting(j, w)
	if err != nil {
		return err
	}
	return r.scratch.Put(j.rec.ID, v)
}

// backs notes the retractions that need no longer wait.
func (r *reading) backs(id events.RecordID, known *index.Record) {
	for _, at := range r.rule.back {
		r.b.entry.Back = append(r.b.entry.Back, id.Entity(known.Slots[at].Slot))
	}
	if len(r.rule.back) > 0 {
		r.b.records++
		own := r.b.touch(known)
		for _, at := range r.rule.back {
			own.Slots[at].State &^= index.Waits
		}
	}
}

// count counts a record that is settled.
func (r *reading) count(o outcome) {
	c := &r.b.entry.Counts
	c.Read++
	switch o {
	case amended:
		c.Amended++
	case accepted:
		c.Accepted++
	default:
		c.Duplicate++
	}
}

// store puts the steps of the ruling into the entry.
func (r *reading) store(ctx context.Context, rec *adapters.Record, known *index.Record) error {
	for _, i := range r.rule.unsure {
		r.wait(rec.Drafts[i].Entity, whyOverruled)
	}
	for _, at := range r.rule.guarded {
		r.wait(rec.ID.Entity(known.Slots[at].Slot), whyGuarded)
	}
	if len(r.rule.steps) == 0 {
		return nil
	}
	fresh := !known.Known
	own := r.b.touch(known)
	r.b.records++
	for _, st := range r.rule.steps {
		if st.draft < 0 {
			if err := r.retract(ctx, own, st.slot); err != nil {
				return err
			}
			continue
		}
		d := &rec.Drafts[st.draft]
		_, slot, err := d.Entity.Split()
		if err != nil {
			return err
		}
		t := index.Touch{Record: rec.ID, Slot: slot, Kind: d.Kind, Digest: d.Digest, Fresh: fresh}
		if r.asOf != "" {
			t.List, t.Day = r.listOf(rec.Farm, rec.Scope), rec.Day
		}
		r.b.add(d.Open, st, t, own, r.start)
	}
	return nil
}

// retract puts the retraction of a slot into the entry, with its last content.
func (r *reading) retract(ctx context.Context, own *index.Record, at int) error {
	k := own.Slots[at]
	ev, err := r.content(ctx, k.Place)
	if err != nil {
		return err
	}
	t := index.Touch{Record: own.ID, Slot: k.Slot, Kind: k.Kind, Digest: events.StoredDigest(ev.Data)}
	if r.asOf != "" {
		t.List, t.Day = index.List{Farm: ev.Farm, Scope: ev.Scope}, own.Day
	}
	r.b.add(reopen(&ev, r.defaults()), step{number: k.Revision + 1, change: events.Retracted, before: k.Place}, t, own, r.start)
	return nil
}

// wait notes a retraction that waits for a person.
func (r *reading) wait(e events.Entity, why string) {
	r.b.entry.Waits = append(r.b.entry.Waits, events.Wait{Entity: e, Why: why})
	r.b.records++
}

// Why a retraction waits.
const (
	whyGuarded   = "its source no longer has it; a wrap, a block or a medicine never ends by silence"
	whyOverruled = "a newer export of the source does not have it; a wrap, a block or a medicine never ends by silence"
)

// content returns the event at a place of the log, or of the entry that is
// being built if the place has no position.
func (r *reading) content(ctx context.Context, p events.Place) (events.Event, error) {
	if p.Position != 0 {
		return r.in.past.event(ctx, p)
	}
	e := events.Entry{
		Source: r.src.ID, Archive: r.archive, Defaults: r.defaults(),
		Time: events.FormatTime(r.job.Received), Events: r.b.entry.Events,
	}
	return e.Event(p.Index)
}
