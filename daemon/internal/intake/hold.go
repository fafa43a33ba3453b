package intake

import (
	"context"
	"fmt"
	"io"
	"slices"
	"strings"

	"dewclaw/adapters"
	"dewclaw/events"
	"dewclaw/events/index"
	"dewclaw/schema"
	"dewclaw/schema/rules"
)

// hold takes in a held record: it is new, held already, or a person settled it.
func (r *reading) hold(ctx context.Context, h *events.Held) error {
	id, err := r.heldAs(ctx, h.ID, heldRaw(h), h.Farm)
	if err != nil {
		return err
	}
	h.ID = id
	shorten(h)
	known, done, err := r.settledHeld(h.ID)
	if err != nil {
		return err
	}
	if done {
		r.account.tell(r.at, h.Line, h.LastLine, duplicate.word(), nil)
		return nil
	}
	r.account.tell(r.at, h.Line, h.LastLine, "held", h)
	if !known && r.b.full(heldSize(h)) {
		if _, err := r.pace.room(ctx, heldSize(h)); err != nil {
			return err
		}
	}
	if err := r.listHeld(h); err != nil {
		return err
	}
	if !known && !r.heldBefore(h.ID) {
		r.b.hold(h)
	}
	r.b.entry.Counts.Read++
	r.b.entry.Counts.Held++
	return nil
}

// heldBefore reports whether an entry that is on its way holds the record.
func (r *reading) heldBefore(id string) bool {
	for _, b := range r.stale {
		if _, ok := b.held[id]; ok {
			return true
		}
	}
	return false
}

// heldAs returns the id by which the log has a held record: its own or, if it was
// held before ids told what stands beside a row, the one of then. That one may be
// of an equal row of another farm, and is not this one then.
func (r *reading) heldAs(ctx context.Context, id string, raw []byte, farm string) (string, error) {
	was := events.HeldID(r.src.ID, raw)
	if was == id || len(raw) == 0 || !r.inward.FarmByRow() {
		return id, nil
	}
	if _, known, err := r.ix.Held(id); known || err != nil {
		return id, err
	}
	if _, known, err := r.ix.Held(was); !known || err != nil {
		return id, err
	}
	k, _, err := r.in.Kept(ctx, was)
	if err != nil {
		return id, err
	}
	of, err := r.in.FarmOf(ctx, k, nil)
	if err != nil || of != "" && of != farm {
		return id, err
	}
	return was, nil
}

// heldRaw returns the bytes a held record has its id of.
func heldRaw(h *events.Held) []byte {
	if h.RawBytes != nil {
		return h.RawBytes
	}
	return []byte(h.Raw)
}

// settledHeld counts a row whose held record a person released or dropped: it
// is a duplicate, and counts as present. known tells that it is held.
func (r *reading) settledHeld(id string) (known, done bool, err error) {
	h, known, err := r.ix.Held(id)
	if err != nil || !known || h.State == index.StillHeld {
		return known, false, err
	}
	r.noteReleased(&h)
	r.b.entry.Counts.Read++
	r.b.entry.Counts.Duplicate++
	return true, true, nil
}

// noteReleased notes that a record has a row that was held and is released.
func (r *reading) noteReleased(h *index.Held) {
	if h.State != index.Released || h.Record == (events.RecordID{}) {
		return
	}
	if r.released == nil {
		r.released = map[events.RecordID]struct{}{}
	}
	r.released[h.Record] = struct{}{}
}

// listHeld notes that a row of a complete source is held: its day, or every day
// if that cannot be read, does not count as whole; that of its farm, or of every
// farm if that cannot be read.
func (r *reading) listHeld(h *events.Held) error {
	if r.asOf == "" {
		return nil
	}
	list := r.listOf(h.Farm, h.Scope)
	if h.Seen.Date == "" || list.Farm == "" {
		if k := (listingKey{list, h.Seen.Date}); !slices.Contains(r.vague, k) {
			r.vague = append(r.vague, k)
		}
		return nil
	}
	l, err := r.listing(list, h.Seen.Date)
	if err == nil {
		l.held = true
	}
	return err
}

// screen refuses what is new and must not go into the log: what the schema does
// not allow, what no entry can hold, and rows whose held record a person settled.
func (r *reading) screen(ctx context.Context, p passing, j joint, known *index.Record) (stop bool, err error) {
	if len(r.rule.steps) == 0 {
		return false, nil // what waits is screened when it is settled
	}
	if r.settled && p.row != nil {
		raw := rawOf(p.row)
		id, err := r.heldAs(ctx, events.HeldIDBeside(r.src.ID, p.rec.Beside, raw), raw, p.rec.Farm)
		if err != nil {
			return true, err
		}
		_, done, err := r.settledHeld(id)
		if done || err != nil {
			if done {
				r.account.tell(r.at, j.rec.Line, j.rec.LastLine, duplicate.word(), nil)
			}
			return true, err
		}
	}
	reasons := r.violations(j.rec)
	if len(reasons) == 0 {
		return false, nil
	}
	h, err := r.refusal(ctx, p, reasons)
	if err != nil {
		return true, err
	}
	return true, r.hold(ctx, h)
}

// violations checks the drafts that would be stored.
func (r *reading) violations(rec *adapters.Record) []events.Reason {
	var reasons []events.Reason
	size := 0
	for _, st := range r.rule.steps {
		if st.draft < 0 || st.again {
			continue
		}
		d := &rec.Drafts[st.draft]
		size += len(d.Open) + revisionBytes
		for _, v := range schema.Check(d.Kind, d.Data) {
			reasons = append(reasons, v.Reason())
		}
	}
	if size > events.MaxEntryBytes {
		reasons = append(reasons, events.Reason{
			Field: "row", Wanted: fmt.Sprintf("a record that takes at most %d bytes as events", events.MaxEntryBytes),
			Got: fmt.Sprintf("%d bytes", size),
		})
	}
	return reasons
}

// refusal makes the held record of a mapped record that must not go into the log.
func (r *reading) refusal(ctx context.Context, p passing, reasons []events.Reason) (*events.Held, error) {
	var raw string
	if p.row != nil {
		raw = p.row.Text
	} else {
		rows, err := r.rowsOf(ctx, p.rec)
		if err != nil {
			return nil, err
		}
		texts := make([]string, len(rows))
		for i := range rows {
			texts[i] = rows[i].Text
		}
		raw = strings.Join(texts, "\n")
	}
	h := &events.Held{
		ID: events.HeldIDBeside(r.src.ID, p.rec.Beside, []byte(raw)), Line: p.rec.Line, LastLine: p.rec.LastLine, Member: p.rec.Member,
		Message: r.message.Message, Reasons: reasons, Record: p.rec.ID.String(), Scope: p.rec.Scope,
		Seen: events.Seen{Animal: p.rec.Animal, Date: p.rec.Day}, Raw: raw,
	}
	if r.inward.Language() > 1 {
		h.Farm = p.rec.Farm
	}
	return h, nil
}

// shorten leaves the original of a large held record to the archive.
func shorten(h *events.Held) {
	if n := len(h.Raw) + len(h.RawBytes); n > events.MaxHeldBytes {
		h.Large, h.Raw, h.RawBytes = max(h.Large, n), "", nil
	}
}

// rowsOf reads the rows of a record from the archive again. It is for the few
// records that are refused after they were mapped.
func (r *reading) rowsOf(ctx context.Context, rec *adapters.Record) ([]adapters.Row, error) {
	var out []adapters.Row
	err := r.in.eachRow(ctx, r.original(), rec.Member, func(row adapters.Row) error {
		if row.Line > max(rec.Line, rec.LastLine) {
			return io.EOF
		}
		if row.Line >= rec.Line && row.Fault == nil {
			out = append(out, row)
		}
		return nil
	})
	return out, err
}

// rawOf returns the bytes a row is held by.
func rawOf(row *adapters.Row) []byte {
	if row.Bytes != nil {
		return row.Bytes
	}
	return []byte(row.Text)
}

// guarded reports whether an event must not end because its source is silent.
func guarded(ev *events.Event) (bool, error) {
	if ev.Kind != events.KindTreatment && ev.Kind != events.KindOrder {
		return false, nil
	}
	p, err := ev.Payload()
	if err != nil {
		return false, err
	}
	return rules.Guarded(p), nil
}
