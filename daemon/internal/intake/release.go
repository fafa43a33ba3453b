package intake

import (
	"context"
	"errors"
	"fmt"
	"io"
	"slices"
	"strconv"
	"strings"
	"time"

	"dewclaw/adapters"
	"dewclaw/adapters/mapping"
	"dewclaw/events"
	"dewclaw/events/index"
	"dewclaw/schema"
)

// A Kept is a held record with where it was read.
type Kept struct {
	Held  events.Held
	Entry *events.Entry // that holds it; its events are not used
	Raw   string        // the record as it is to be read: the original, or as it was fixed
	Fixed bool          // Raw is not the original
}

// OfOriginal reports whether the held record stands for a whole original, or a
// member of one, that could not be read.
func (k *Kept) OfOriginal() bool {
	return k.Held.Line == 0 && k.Held.Raw == "" && k.Held.RawBytes == nil
}

// Release reads a held record in after all, by the mapping of src, and puts the
// decision and what follows from it into the log: the events of the record, which
// join the examination they were held out of. Targets of the decision are filled
// in. A record that is still refused is an error of kind invalid with every
// reason, and nothing is settled.
func (in *Intake) Release(ctx context.Context, src *Source, k *Kept, s Settlement) (Settled, error) {
	if err := in.keepMapping(ctx, src); err != nil {
		return Settled{}, err
	}
	s.Source = src.ID
	return in.decide(ctx, s, func(ctx context.Context, d *desk) error {
		d.entry.Language = src.Mapping.Language()
		d.entry.Mapping, d.entry.Archive, d.entry.Name = src.Mapping.Digest(), k.Entry.Archive, k.Entry.Name
		d.entry.Received, d.entry.AsOf, d.entry.Message = k.Entry.Received, k.Entry.AsOf, k.Entry.Message
		d.entry.Zones = src.zones()
		defaults, farm, err := in.release(ctx, src, k, d.decision, d)
		if d.entry.Defaults = defaults; farm != "" {
			d.farm = farm
		}
		return err
	})
}

// ReleaseOriginal reads an original anew that one held record stands for: the
// decision first, then the original as [Intake.Take] reads one, from the archive.
// If it is still refused as a whole, nothing is settled. Whoever is stopped
// between the two leaves an original that [Intake.Finish] and
// [Intake.FinishRelease] read.
func (in *Intake) ReleaseOriginal(ctx context.Context, src *Source, k *Kept, s Settlement) (Settled, Receipt, error) {
	if err := in.readable(ctx, src, k); err != nil {
		return Settled{}, Receipt{}, err
	}
	done, err := in.Settle(ctx, s)
	if err != nil {
		return done, Receipt{}, err
	}
	t := in.turn(src.ID)
	t.take()
	defer t.release()
	receipt, err := in.readReleased(ctx, src, k, t)
	return done, receipt, err
}

// FinishRelease reads an original that was released and, because whoever did so
// was stopped, was not read, or not to its end. It returns false if it was.
func (in *Intake) FinishRelease(ctx context.Context, src *Source, k *Kept, h *index.Held) (Receipt, bool, error) {
	t := in.turn(src.ID)
	t.take()
	defer t.release()
	o, known, err := in.Index.Original(src.ID, k.Entry.Archive)
	switch {
	case err != nil:
		return Receipt{}, false, err
	case !known || o.Reading < h.Settled:
		receipt, err := in.readReleased(ctx, src, k, t)
		return receipt, true, err
	case !o.Cursor.End:
		receipt := Receipt{Source: src.ID, Name: o.Name, Archive: o.Archive}
		return receipt, true, in.resume(ctx, src, o, t, &receipt)
	}
	return Receipt{}, false, nil
}

// released reads the originals of a source that were released and not read.
func (in *Intake) released(ctx context.Context, src *Source, t *turn) ([]Receipt, error) {
	list, err := in.Index.ReleasedOriginals(src.ID)
	if err != nil {
		return nil, err
	}
	var out []Receipt
	for _, h := range list {
		k, _, err := in.Kept(ctx, h.ID)
		if err != nil {
			return out, err
		}
		o, known, err := in.Index.Original(src.ID, k.Entry.Archive)
		if err != nil {
			return out, err
		}
		if !k.OfOriginal() || known && o.Reading > h.Settled {
			continue
		}
		receipt, err := in.readReleased(ctx, src, k, t)
		if errors.Is(err, events.ErrNotFound) && k.Entry.Returned != nil {
			continue
		}
		if err != nil {
			return out, fmt.Errorf("read %s, which was released: %w", k.Entry.Name, err)
		}
		out = append(out, receipt)
	}
	return out, nil
}

// readReleased reads an original whose release stands in the log; the turn is taken.
func (in *Intake) readReleased(ctx context.Context, src *Source, k *Kept, t *turn) (Receipt, error) {
	receipt := Receipt{Source: src.ID, Name: k.Entry.Name, Archive: k.Entry.Archive}
	if err := errors.Join(in.catchUp(ctx, t), in.keepMapping(ctx, src)); err != nil {
		return receipt, err
	}
	o, received, err := in.keptOriginal(src, k)
	if err != nil {
		return receipt, err
	}
	r := in.newReading(src, k.Entry.Archive, k.Entry.Name)
	r.body = o.body
	r.job.Received, r.job.Message = received, k.Held.Message
	r.message.Message = k.Held.Message
	return receipt, in.fly(ctx, r, t, &receipt)
}

// readable checks that the mapping can begin to read the original.
func (in *Intake) readable(ctx context.Context, src *Source, k *Kept) error {
	o, received, err := in.keptOriginal(src, k)
	if err != nil {
		return err
	}
	for m, err := range in.members(ctx, o) {
		if err != nil && m.Name == "" {
			return err
		}
		if err != nil || m.Name != k.Held.Member || m.Ignored != "" {
			continue
		}
		_, head, err := in.decoder(src.Mapping, m.Reader)
		if err != nil {
			return err
		}
		job := mapping.Job{Source: src.ID, Farm: src.Farm, Zone: src.Zone, Farms: src.Farms, Received: received, Rules: in.Rules}
		_, err = src.Mapping.Start(job, head)
		return err
	}
	return &events.Fault{Kind: events.ErrInvalid, Who: "held " + k.Held.ID, Where: k.Entry.Name, What: "it still cannot be unpacked"}
}

// Try maps a held record as [Intake.Release] would and returns the reasons why it
// is still refused, nil if it is not.
func (in *Intake) Try(ctx context.Context, src *Source, k *Kept) ([]events.Reason, error) {
	recs, _, err := in.mapKept(ctx, src, k)
	if err != nil {
		return nil, err
	}
	return refusals(recs), nil
}

// refusals returns the reasons of the records that are held, or one if nothing
// came out at all.
func refusals(recs []adapters.Record) []events.Reason {
	var reasons []events.Reason
	mapped := false
	for i := range recs {
		switch recs[i].Outcome {
		case adapters.Held:
			reasons = append(reasons, recs[i].Held.Reasons...)
		case adapters.Mapped:
			mapped = true
			for j := range recs[i].Drafts {
				d := &recs[i].Drafts[j]
				for _, v := range schema.Check(d.Kind, d.Data) {
					reasons = append(reasons, v.Reason())
				}
			}
		}
	}
	if len(reasons) == 0 && !mapped {
		why := "nothing the mapping has an event for"
		for i := range recs {
			if recs[i].Why != "" {
				why = "ignored by the mapping: " + recs[i].Why
			}
		}
		reasons = append(reasons, events.Reason{Field: "row", Wanted: "a record", Got: why})
	}
	return reasons
}

// release works out what follows from the release of a held record, and returns
// the farm that it is of as it reads now.
func (in *Intake) release(
	ctx context.Context, src *Source, k *Kept, dec *events.Decision, out shelf,
) (defaults events.Defaults, farm string, err error) {
	recs, defaults, err := in.mapKept(ctx, src, k)
	if err != nil {
		return defaults, "", err
	}
	if reasons := refusals(recs); len(reasons) > 0 {
		f := &events.Fault{Kind: events.ErrInvalid, Who: "held " + k.Held.ID, Where: k.Entry.Name, What: "still refused: " + reasons[0].String()}
		for _, r := range reasons[1:] {
			f.Hints = append(f.Hints, "also "+r.String())
		}
		f.Hints = append(f.Hints, "put it right with: dewclaw held fix "+k.Held.ID, "or change the mapping of source "+src.ID)
		return defaults, "", f
	}
	farm = defaults.Farm
	for i := range recs {
		if recs[i].Outcome != adapters.Mapped {
			continue
		}
		if recs[i].Farm != "" {
			farm = recs[i].Farm
		}
		if err := in.releaseRecord(ctx, src, k, &recs[i], dec, out); err != nil {
			return defaults, "", err
		}
	}
	return defaults, farm, nil
}

func (in *Intake) releaseRecord(
	ctx context.Context, src *Source, k *Kept, rec *adapters.Record, dec *events.Decision, out shelf,
) error {
	found, err := in.Index.Lookup(src.ID, []events.RecordID{rec.ID}, nil)
	if err != nil {
		return err
	}
	known := &found[0]
	for i := range rec.Drafts {
		dec.Targets = append(dec.Targets, rec.Drafts[i].Entity)
	}
	if err := in.rejoin(ctx, k, rec, known); err != nil {
		return err
	}
	var r ruling
	err = decide(&r, rec, known, situation{continues: true, ended: true}, nil)
	if err != nil {
		return err
	}
	for _, st := range r.steps {
		d := &rec.Drafts[st.draft]
		if same, err := in.isNewest(ctx, known, st, d); err != nil {
			return err
		} else if !same {
			out.add(d.Open, d.Entity, st)
		}
	}
	return nil
}

// isNewest reports whether a draft is what the newest revision says already,
// because a person put it so.
func (in *Intake) isNewest(ctx context.Context, known *index.Record, st step, d *adapters.Draft) (bool, error) {
	if st.slot < 0 || known.Slots[st.slot].State&index.Live == 0 {
		return false, nil
	}
	ev, err := in.past.event(ctx, known.Slots[st.slot].Place)
	return err == nil && events.StoredDigest(ev.Data) == d.Digest, err
}

// rejoin merges the examination of a released row with the one its record has.
// If no other row of it is held, it is no longer incomplete.
func (in *Intake) rejoin(ctx context.Context, k *Kept, rec *adapters.Record, known *index.Record) error {
	at := examinationOf(rec)
	if at < 0 {
		return nil
	}
	slot := slotIndex(known, rec.Drafts[at].Entity)
	if slot < 0 || known.Slots[slot].State&index.Live == 0 {
		return nil
	}
	ev, err := in.past.event(ctx, known.Slots[slot].Place)
	if err != nil {
		return err
	}
	merged, err := mapping.MergeExamination(ev.Data, rec.Drafts[at])
	if err != nil {
		return err
	}
	held, err := in.Index.HeldOf(rec.ID)
	if err != nil {
		return err
	}
	if held = slices.DeleteFunc(held, func(id string) bool { return id == k.Held.ID }); len(held) == 0 {
		if merged, err = in.whole(ctx, rec, known, merged); err != nil {
			return err
		}
	}
	rec.Drafts[at] = merged
	return nil
}

// whole settles the outcome of an examination none of whose rows is held any more.
func (in *Intake) whole(ctx context.Context, rec *adapters.Record, known *index.Record, d adapters.Draft) (adapters.Draft, error) {
	p, err := events.DecodePayload(events.KindExamination, d.Data)
	if err != nil {
		return d, err
	}
	x := p.(*events.Examination)
	if x.Outcome != outcomeIncomplete {
		return d, nil
	}
	feet, err := in.feetWithFindings(ctx, rec, known)
	if err != nil {
		return d, err
	}
	x.Outcome = "clear"
	if len(feet) > 0 {
		x.Outcome = "findings"
	}
	for i := range x.Feet {
		f := &x.Feet[i]
		if f.Examined == "yes" && f.Result == "unknown" {
			f.Result = "clear"
			if feet[f.Foot] {
				f.Result = "findings"
			}
		}
	}
	head := d.Open[:len(d.Open)-len(d.Data)]
	var enc events.Encoder
	open, digest := enc.Append(slices.Clone(head), x)
	d.Open, d.Data, d.Digest = open, open[len(head):], digest
	return d, nil
}

const outcomeIncomplete = "incomplete"

// feetWithFindings returns the feet at which the record has a finding, the
// released one included; "" for a finding without a foot.
func (in *Intake) feetWithFindings(ctx context.Context, rec *adapters.Record, known *index.Record) (map[string]bool, error) {
	feet := map[string]bool{}
	add := func(data []byte) error {
		p, err := events.DecodePayload(events.KindLesion, data)
		if err == nil {
			feet[p.(*events.Lesion).Foot] = true
		}
		return err
	}
	for i := range rec.Drafts {
		if rec.Drafts[i].Kind == events.KindLesion {
			if err := add(rec.Drafts[i].Data); err != nil {
				return nil, err
			}
		}
	}
	for i := range known.Slots {
		if s := &known.Slots[i]; s.Kind == events.KindLesion && s.State&index.Live != 0 {
			ev, err := in.past.event(ctx, s.Place)
			if err != nil {
				return nil, err
			}
			if err := add(ev.Data); err != nil {
				return nil, err
			}
		}
	}
	return feet, nil
}

// mapKept maps a held record by the mapping of src.
func (in *Intake) mapKept(ctx context.Context, src *Source, k *Kept) ([]adapters.Record, events.Defaults, error) {
	r := in.newReading(src, k.Entry.Archive, k.Entry.Name)
	defer r.close()
	o, received, err := in.keptOriginal(src, k)
	if err != nil {
		return nil, events.Defaults{}, err
	}
	r.job.Received, r.job.Message = received, k.Held.Message
	head, rows, err := in.keptRows(ctx, o, k)
	if err != nil {
		return nil, events.Defaults{}, err
	}
	run, err := src.Mapping.Start(r.job, head)
	if err != nil {
		return nil, events.Defaults{}, err
	}
	r.scope = run.Scope()
	s := &safeMapper{source: src.ID, start: func() mapper { return run.Mapper() }, grouped: src.Mapping.Grouped(), panics: r.panicked}
	return s.flush(s.mapRows(rows, nil)), r.defaults(), nil
}

// keptOriginal finds the original a held record was read from, and when that was
// first received.
func (in *Intake) keptOriginal(src *Source, k *Kept) (original, time.Time, error) {
	o := original{archive: k.Entry.Archive, name: k.Entry.Name, inward: src.Mapping}
	if k.Entry.Received != "" {
		t, err := time.Parse(time.RFC3339, k.Entry.Received)
		return o, t, err
	}
	pack, err := in.Archive.OpenPack(k.Entry.Archive)
	if err != nil {
		return o, time.Time{}, err
	}
	defer func() { _ = pack.Close() }()
	i, ok := pack.Index(k.Held.Message)
	if !ok {
		return o, time.Time{}, &events.Fault{Kind: events.ErrCorrupt, Where: "archive " + k.Entry.Archive, What: "message " + strconv.Quote(k.Held.Message), Wanted: "the message in the pack", Got: "none of that id"}
	}
	m, err := pack.Message(i)
	o.body, o.name = m.Body, m.Name
	return o, m.Received.UTC().Truncate(time.Millisecond), err
}

// keptRows decodes the raw text of a held record in the place of its row, with
// the head or document of its original.
func (in *Intake) keptRows(ctx context.Context, o original, k *Kept) (adapters.Head, []adapters.Row, error) {
	layout := o.inward.Layout()
	if k.Held.Large > 0 && !k.Fixed {
		return in.originalRows(ctx, o, &k.Held)
	}
	if layout.Format == "csv" {
		return in.csvRows(ctx, o, k)
	}
	layout.Each = ""
	rows, err := in.decodeText(layout, k.Raw)
	if err != nil {
		return adapters.Head{}, nil, err
	}
	if o.inward.Layout().Each != "" && len(rows) == 1 {
		if _, was, err := in.originalRows(ctx, o, &k.Held); err != nil {
			return adapters.Head{}, nil, err
		} else if len(was) == 1 {
			rows[0].Doc, rows[0].DocText = was[0].Doc, was[0].DocText
		}
	}
	for i := range rows {
		place(&rows[i], &k.Held, i)
		rows[i].First = false
	}
	return adapters.Head{}, rows, nil
}

// place gives a row the place of the held record.
func place(r *adapters.Row, h *events.Held, i int) {
	r.Line, r.LastLine, r.Member, r.Path = h.Line+i, h.LastLine, h.Member, h.Path
	if i > 0 || h.LastLine <= r.Line {
		r.LastLine = 0
	}
}

// originalRows reads the rows of a held record from its original.
func (in *Intake) originalRows(ctx context.Context, o original, h *events.Held) (adapters.Head, []adapters.Row, error) {
	head, err := in.headOf(ctx, o, h.Member)
	if err != nil {
		return head, nil, err
	}
	var out []adapters.Row
	err = in.eachRow(ctx, o, h.Member, func(row adapters.Row) error {
		if row.Line > max(h.Line, h.LastLine) {
			return io.EOF
		}
		if row.Line >= h.Line && row.Path == h.Path {
			out = append(out, row)
		}
		return nil
	})
	return head, out, err
}

// headOf returns the head of a member of an original.
func (in *Intake) headOf(ctx context.Context, o original, member string) (adapters.Head, error) {
	return in.common.head(in, ctx, o, member)
}

// readHead reads the head of a member of an original.
func (in *Intake) readHead(ctx context.Context, o original, member string) (adapters.Head, error) {
	for m, err := range in.members(ctx, o) {
		if err != nil && m.Name == "" {
			return adapters.Head{}, err
		}
		if err == nil && m.Name == member && m.Ignored == "" {
			_, head, err := in.decoder(o.inward, m.Reader)
			return head, err
		}
	}
	return adapters.Head{}, fmt.Errorf("member %q: %w", member, events.ErrNotFound)
}

// csvRows decodes one or more lines under the head of their original.
func (in *Intake) csvRows(ctx context.Context, o original, k *Kept) (adapters.Head, []adapters.Row, error) {
	head, err := in.headOf(ctx, o, k.Held.Member)
	if err != nil {
		return head, nil, err
	}
	layout := o.inward.Layout()
	layout.Encoding, layout.Titles, layout.Header, layout.Columns = "utf-8", 0, false, head.Columns
	rows, err := in.decodeText(layout, k.Raw)
	for i := range rows {
		place(&rows[i], &k.Held, i)
		rows[i].First = false
	}
	return head, rows, err
}

// decodeText decodes rows that are text already.
func (in *Intake) decodeText(layout adapters.Layout, text string) ([]adapters.Row, error) {
	open := in.Decoders[layout.Format]
	dec, err := open(strings.NewReader(text+"\n"), layout)
	if err == nil {
		_, err = dec.Head()
	}
	var rows []adapters.Row
	for err == nil {
		rows, err = dec.Read(rows, blockRows)
	}
	if err != io.EOF {
		return nil, err
	}
	return rows, nil
}
