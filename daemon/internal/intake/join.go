package intake

import (
	"context"
	"encoding/json"
	"slices"

	"dewclaw/adapters"
	"dewclaw/adapters/mapping"
	"dewclaw/events"
	"dewclaw/events/index"
)

// A joint is a record together with what earlier rows of the same original said
// of it.
type joint struct {
	rec       *adapters.Record
	continues bool // there were such rows
	overtakes bool // and they waited for the end of the original
	overtaken events.Waiting
	after     bool          // some of them were settled by themselves
	earlier   []int         // places of those that waited
	sofar     outcome       // what those that waited came to
	missing   []events.Slot // of a complete source: live events that those settled by themselves lack
}

// join looks for earlier rows of the same original with the same record. What
// waits is joined to rec, where rec does not say otherwise; the examination of
// what does not wait is merged: it goes on further down.
func (r *reading) join(ctx context.Context, rec *adapters.Record, known *index.Record, touched bool) (joint, error) {
	j := joint{rec: rec}
	if !known.Known {
		return j, nil
	}
	seen, ok, err := r.scratch.Get(rec.ID)
	if err != nil {
		return j, err
	}
	if isWaiting(seen) {
		return overtake(seen, rec)
	}
	if !ok && !touched {
		return j, nil
	}
	return r.goOn(ctx, rec, known, touched, seen)
}

// overtake joins a record to the one that waited before it.
func overtake(seen []byte, rec *adapters.Record) (joint, error) {
	w, err := unpackWaiting(seen)
	if err != nil {
		return joint{rec: rec}, err
	}
	j := joint{
		continues: true, overtakes: true, overtaken: w.Waiting, after: w.Waiting.After, earlier: append(w.Waiting.Earlier, w.Waiting.At), missing: w.Missing,
		sofar: parseOutcome(w.Waiting.Outcome),
	}
	j.rec, err = union(&w.Record, rec)
	return j, err
}

// goOn merges the examination of a record with what its source said of it in
// rows of this original that were settled by themselves.
func (r *reading) goOn(ctx context.Context, rec *adapters.Record, known *index.Record, touched bool, seen []byte) (joint, error) {
	j := joint{rec: rec, continues: true, after: true, missing: unpackMissing(seen)}
	at := examinationOf(rec)
	if at < 0 {
		return j, nil
	}
	slot := slotIndex(known, rec.Drafts[at].Entity)
	if slot < 0 || known.Slots[slot].State&index.Live == 0 {
		return j, nil
	}
	before, err := r.saidContent(ctx, &known.Slots[slot])
	if err != nil {
		return j, err
	}
	data := before.Data
	if !touched { // said by another original: its lines are not those of this one
		if data, err = here(data, rec.Drafts[at].Data); err != nil {
			return j, err
		}
	}
	merged, err := mapping.MergeExamination(data, rec.Drafts[at])
	if err != nil {
		return j, err
	}
	own := *rec
	own.Drafts = slices.Clone(rec.Drafts)
	own.Drafts[at] = merged
	j.rec = &own
	return j, nil
}

// here returns the data of an examination with the origin of another.
func here(data, place []byte) ([]byte, error) {
	x, err := events.DecodePayload(events.KindExamination, data)
	if err != nil {
		return nil, err
	}
	p, err := events.DecodePayload(events.KindExamination, place)
	if err != nil {
		return nil, err
	}
	x.Base().Origin = p.Base().Origin
	var enc events.Encoder
	out, _ := enc.Append(nil, x)
	return out, nil
}

// saidContent returns what the source last said of a slot.
func (r *reading) saidContent(ctx context.Context, s *index.Slot) (events.Event, error) {
	if s.Place.Position == 0 || s.State&index.Decided == 0 {
		return r.content(ctx, s.Place)
	}
	return r.in.past.said(ctx, s)
}

// union joins a record that waited with a later row of it: the later drafts
// hold, the examinations are merged.
func union(earlier, later *adapters.Record) (*adapters.Record, error) {
	own := *later
	own.Drafts = slices.Clone(later.Drafts)
	for i := range earlier.Drafts {
		e := &earlier.Drafts[i]
		at := slices.IndexFunc(own.Drafts, func(d adapters.Draft) bool { return d.Entity == e.Entity })
		switch {
		case at < 0:
			own.Drafts = append(own.Drafts, *e)
		case e.Kind == events.KindExamination:
			merged, err := mapping.MergeExamination(e.Data, own.Drafts[at])
			if err != nil {
				return nil, err
			}
			own.Drafts[at] = merged
		}
	}
	return &own, nil
}

func examinationOf(rec *adapters.Record) int {
	return slices.IndexFunc(rec.Drafts, func(d adapters.Draft) bool { return d.Kind == events.KindExamination })
}

// What a scratch holds of a record: nothing (it was seen, and lacks nothing), a
// record that waits, or the slots it lacks so far.
const (
	packedWaiting = 'w'
	packedMissing = 'm'
)

func isWaiting(v []byte) bool { return len(v) > 0 && v[0] == packedWaiting }

// A waitingRecord is a record as it waits in a scratch.
type waitingRecord struct {
	Waiting events.Waiting
	Record  adapters.Record
	DataLen []int         // of each draft: its data is the end of Open
	Missing []events.Slot // see joint
}

func packWaiting(j joint, waiting events.Waiting) ([]byte, error) {
	rec := j.rec
	w := waitingRecord{Record: *rec, Waiting: waiting, Missing: j.missing}
	w.Record.Drafts = slices.Clone(rec.Drafts)
	for i := range w.Record.Drafts {
		d := &w.Record.Drafts[i]
		w.DataLen = append(w.DataLen, len(d.Data))
		d.Data = nil
	}
	b, err := json.Marshal(&w)
	return append([]byte{packedWaiting}, b...), err
}

func unpackWaiting(v []byte) (*waitingRecord, error) {
	var w waitingRecord
	if err := json.Unmarshal(v[1:], &w); err != nil {
		return nil, err
	}
	for i := range w.Record.Drafts {
		d := &w.Record.Drafts[i]
		d.Data = d.Open[len(d.Open)-w.DataLen[i]:]
	}
	return &w, nil
}

func packMissing(slots []events.Slot) []byte {
	if len(slots) == 0 {
		return nil
	}
	b := []byte{packedMissing}
	for _, s := range slots {
		b = append(b, s[:]...)
	}
	return b
}

func unpackMissing(v []byte) []events.Slot {
	if len(v) == 0 || v[0] != packedMissing {
		return nil
	}
	var out []events.Slot
	for v = v[1:]; len(v) >= len(events.Slot{}); v = v[len(events.Slot{}):] {
		out = append(out, events.Slot(v[:len(events.Slot{})]))
	}
	return out
}
