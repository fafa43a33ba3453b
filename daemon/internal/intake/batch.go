package intake

import (
	"context"
	"errors"
	"fmt"
	"io"
	"time"

	"dewclaw/adapters"
	"dewclaw/adapters/mapping"
	"dewclaw/daemon/internal/archive"
	"dewclaw/events"
)

// maxPacked is the size up to which a message shares an entry and a pack with
// others. A larger one is read as a file is.
const maxPacked = 128 << 10

// A message is one delivery of a batch with its bytes.
type message struct {
	d       *adapters.Delivery
	body    []byte
	sha     string        // of a request body
	counts  events.Counts // of its records, once they are in the entry
	told    *account      // nil if nobody asks
	notices []string
}

// TakeBatch takes messages in, in one commit as far as they fit into an entry,
// and settles each. A message that is in the log already is settled and counts
// nothing. Large messages, and all of a complete source, are read one by one as
// files are. For the rest see [Intake.Take]. After an error those that were
// committed are settled as taken and the others as not taken.
func (in *Intake) TakeBatch(ctx context.Context, src *Source, ds []*adapters.Delivery) (Receipt, error) {
	t := in.turn(src.ID)
	t.take()
	defer t.release()
	receipt := Receipt{Source: src.ID}
	b := &batch{in: in, src: src, t: t, receipt: &receipt, b: newBuilder(false, in.Sizes.Records)}
	err := errors.Join(in.catchUp(ctx, t), in.keepMapping(ctx, src))
	for len(ds) > 0 && err == nil {
		if err = b.take(ctx, ds[0]); err == nil {
			ds = ds[1:]
		}
	}
	if err == nil {
		err = b.commit(ctx)
	}
	receipt.suspect(t, in.Rules)
	if err != nil {
		for _, m := range b.messages {
			in.acknowledge(ctx, m.d, adapters.NotTaken)
		}
		for _, d := range ds {
			in.acknowledge(ctx, d, adapters.NotTaken)
		}
	}
	receipt.Known = b.repeats > 0 && receipt.Entries == 0
	return receipt, err
}

// A batch collects messages for one entry.
type batch struct {
	in       *Intake
	src      *Source
	t        *turn
	receipt  *Receipt
	messages []message
	b        *builder
	last     uint64
	stream   string
	repeats  int // bodies that were read before
}

// take adds one message, or reads it by itself.
func (b *batch) take(ctx context.Context, d *adapters.Delivery) error {
	if !d.Body {
		taken, err := b.in.taken(ctx, b.src, d)
		if err != nil {
			return err
		}
		if taken || b.has(d) {
			b.in.acknowledge(ctx, d, adapters.Taken)
			return nil
		}
	}
	body, whole, err := read(ctx, d)
	if err != nil {
		return err
	}
	if !whole || b.src.Mapping.Complete() != nil {
		return b.alone(ctx, d)
	}
	m := message{d: d, body: body}
	if d.Body {
		if done, err := b.body(ctx, &m); done || err != nil {
			return err
		}
	}
	if b.stream != "" && b.stream != d.Stream {
		if err := b.commit(ctx); err != nil {
			return err
		}
	}
	return b.add(ctx, m)
}

func (b *batch) has(d *adapters.Delivery) bool {
	for _, m := range b.messages {
		if m.d.Stream == d.Stream && m.d.Sequence == d.Sequence {
			return true
		}
	}
	return false
}

// read reads a message; whole is false if it is too large to share an entry.
func read(ctx context.Context, d *adapters.Delivery) (body []byte, whole bool, err error) {
	rc, err := d.Open(ctx)
	if err != nil {
		return nil, false, err
	}
	body, err = io.ReadAll(io.LimitReader(rc, maxPacked+1))
	if err := errors.Join(err, rc.Close()); err != nil {
		return nil, false, fmt.Errorf("read message: %w: %w", err, events.ErrUnavailable)
	}
	if body == nil {
		body = []byte{}
	}
	return body, len(body) <= maxPacked, nil
}

// alone takes a message in as an original of its own.
func (b *batch) alone(ctx context.Context, d *adapters.Delivery) error {
	if err := b.commit(ctx); err != nil {
		return err
	}
	one, err := b.in.take(ctx, b.src, d, Options{}, b.t)
	if err != nil {
		return err
	}
	b.receipt.add(one)
	b.in.acknowledge(ctx, d, one.verdict())
	return nil
}

// add takes the records of a message into the entry. What does not fit goes into
// the next, and what does not fit there either is read as a file is.
func (b *batch) add(ctx context.Context, m message) error {
	r := b.reading(m)
	defer r.close()
	m.told = asks(m.d)
	r.account = m.told
	parts, err := r.mapAll(ctx)
	if err != nil {
		return err
	}
	size := measure(parts)
	if size.records > b.in.Sizes.Records || size.bytes > events.MaxEntryBytes {
		return b.alone(ctx, m.d)
	}
	if b.b.records+size.records > b.in.Sizes.Records || b.b.size+size.bytes > events.MaxEntryBytes {
		if err := b.commit(ctx); err != nil {
			return err
		}
	}
	before := b.b.entry.Counts
	if err := r.takeParts(ctx, parts, b.b); err != nil {
		return err
	}
	m.counts = minus(b.b.entry.Counts, before)
	b.receipt.Notices = append(b.receipt.Notices, r.notices...)
	m.notices = r.notices
	b.messages = append(b.messages, m)
	b.stream, b.last = m.d.Stream, max(b.last, m.d.Sequence)
	return nil
}

// reading returns a reading of one message.
func (b *batch) reading(m message) *reading {
	r := b.in.newReading(b.src, "", m.d.Name)
	r.message, r.body = *m.d, m.body
	if m.d.Body {
		r.message.Message = bodyID(m.sha)
	}
	r.job.Message = r.message.Message
	r.job.Received = m.d.Received.UTC().Truncate(time.Millisecond)
	r.single = map[events.RecordID]struct{}{}
	r.pace, r.watch = still{}, &b.t.watch
	return r
}

// A part is a member of a message, mapped.
type part struct {
	name   string
	run    *mapping.Run // nil if it could not be begun
	block  block
	spoilt error // why it could not be read, or not to its end
}

// mapAll decodes and maps a message without taking anything in.
func (r *reading) mapAll(ctx context.Context) ([]part, error) {
	var parts []part
	for m, err := range r.in.members(ctx, r.original()) {
		switch {
		case err != nil:
			parts = append(parts, part{name: m.Name, spoilt: err})
		case m.Ignored != "":
			r.notices = append(r.notices, fmt.Sprintf("%s: not read: %s", m.Name, m.Ignored))
		default:
			parts = append(parts, r.mapPart(m))
		}
		if n := len(parts); n > 0 && parts[n-1].spoilt != nil {
			if err := transient(ctx, parts[n-1].spoilt); err != nil {
				return nil, err
			}
		}
	}
	return parts, nil
}

func (r *reading) mapPart(m Member) part {
	p := part{name: m.Name}
	dec, head, err := r.in.decoder(r.inward, m.Reader)
	if err == nil {
		p.run, err = r.inward.Start(r.job, head)
	}
	if err != nil {
		p.spoilt = err
		return p
	}
	r.in.Beat(BeatMap)
	s := &safeMapper{source: r.src.ID, start: func() mapper { return p.run.Mapper() }, grouped: r.inward.Grouped(), panics: r.panicked}
	for err == nil {
		var rows []adapters.Row
		rows, err = readRows(dec, r.in.Sizes.Rows, r.panicked)
		p.block.records = s.mapRows(rows, p.block.records)
		p.block.rows = append(p.block.rows, rows...)
	}
	p.block.records = s.flush(p.block.records)
	if err != io.EOF {
		p.spoilt = err
	}
	return p
}

// takeInto maps a message and takes it into b.
func (r *reading) takeInto(ctx context.Context, b *builder) error {
	parts, err := r.mapAll(ctx)
	if err != nil {
		return err
	}
	return r.takeParts(ctx, parts, b)
}

func (r *reading) takeParts(ctx context.Context, parts []part, b *builder) (err error) {
	r.b = b
	if r.settled, err = r.ix.AnySettled(r.src.ID); err != nil {
		return err
	}
	for i := range parts {
		if err := r.takePart(ctx, &parts[i]); err != nil {
			return err
		}
	}
	return nil
}

// takePart takes a mapped member in and does what its end tells.
func (r *reading) takePart(ctx context.Context, p *part) error {
	if p.run == nil {
		return r.spoiled(ctx, p.name, p.spoilt)
	}
	if err := r.lookup(&p.block); err != nil {
		return err
	}
	if err := r.each(ctx, &p.block, nil); err != nil {
		return err
	}
	if p.spoilt != nil {
		if err := r.spoiled(ctx, p.name, p.spoilt); err != nil {
			return err
		}
	}
	return r.finish(ctx, p.run.End(), "")
}

// still is the pace of a message: its records fit into the entry.
type still struct{}

func (still) room(context.Context, int) (bool, error) { return false, nil }
func (still) flush(context.Context) error             { return nil }
func (still) after(context.Context) error             { return nil }
func (still) settle(context.Context) error            { return nil }

// A bound is what the records of a message can come to at most.
type bound struct{ records, bytes int }

// measure bounds what the records of a message can come to.
func measure(parts []part) bound {
	var out bound
	for i := range parts {
		if parts[i].spoilt != nil {
			out.records++
			out.bytes += 1024
		}
		for j := range parts[i].block.records {
			rec := &parts[i].block.records[j]
			out.records++
			out.bytes += draftSize(rec.Drafts)
			if rec.Held != nil {
				out.bytes += heldSize(rec.Held)
			}
		}
	}
	return out
}

// commit appends what was collected and settles the messages.
func (b *batch) commit(ctx context.Context) error {
	if len(b.messages) == 0 {
		return nil
	}
	pack := make([]archive.Message, len(b.messages))
	to := &events.Cursor{Stream: b.stream, Sequence: b.last}
	for i, m := range b.messages {
		if m.d.Body {
			pack[i] = archive.Message{ID: bodyID(m.sha), Name: m.d.Name, Received: m.d.Received, Body: m.body}
			to.Bodies = append(to.Bodies, events.Body{SHA256: m.sha, Key: m.d.Key, Counts: m.counts})
			continue
		}
		pack[i] = archive.Message{ID: m.d.Message, Name: m.d.Name, Received: m.d.Received, Body: m.body}
		to.Ranges = addRange(to.Ranges, m.d.Sequence)
	}
	b.in.Beat(BeatArchive)
	hash, _, err := b.in.Archive.PutPack(ctx, pack)
	if err != nil {
		return err
	}
	e := b.b.close(nil, to)
	e.Cause, e.Source, e.Mapping, e.Archive = events.CauseChunk, b.src.ID, b.src.Mapping.Digest(), hash
	e.Language, e.Name = b.src.Mapping.Language(), b.messages[0].d.Name
	e.Zones = b.src.zones()
	if !b.src.Mapping.FarmByRow() {
		e.Defaults.Farm = b.src.Farm
	}
	p, err := b.in.commit(ctx, e, &b.b.x, b.t)
	if err != nil {
		return err
	}
	b.receipt.add(Receipt{Archive: hash, Name: e.Name, Counts: e.Counts, First: p, Last: p, Entries: 1})
	done := b.messages
	b.messages, b.b, b.stream, b.last = nil, newBuilder(false, b.in.Sizes.Records), "", 0
	for _, m := range done {
		if m.told != nil {
			m.d.Tell(adapters.Account{SHA256: m.sha, Counts: m.counts, Last: p, Notices: m.notices, Fates: m.told.list(), More: m.told.more})
		}
		b.in.acknowledge(ctx, m.d, adapters.Taken)
	}
	return nil
}

// bodyID names a request body inside a pack and towards held records: half of its
// hash tells bodies apart.
func bodyID(sha string) string { return "body-" + sha[:32] }

// minus returns what was added to b to make a.
func minus(a, b events.Counts) events.Counts {
	return events.Counts{
		Read: a.Read - b.Read, Accepted: a.Accepted - b.Accepted, Duplicate: a.Duplicate - b.Duplicate, Amended: a.Amended - b.Amended,
		Held: a.Held - b.Held, Ignored: a.Ignored - b.Ignored, Retracted: a.Retracted - b.Retracted,
	}
}

// addRange adds a sequence to ascending runs.
func addRange(runs []events.Range, s uint64) []events.Range {
	at := len(runs)
	for at > 0 && runs[at-1].First > s {
		at--
	}
	if at > 0 && runs[at-1].Last+1 == s {
		runs[at-1].Last = s
		if at < len(runs) && runs[at].First == s+1 {
			runs[at-1].Last = runs[at].Last
			runs = append(runs[:at], runs[at+1:]...)
		}
		return runs
	}
	if at < len(runs) && runs[at].First == s+1 {
		runs[at].First = s
		return runs
	}
	runs = append(runs, events.Range{})
	copy(runs[at+1:], runs[at:])
	runs[at] = events.Range{First: s, Last: s}
	return runs
}

// add adds what became of a part to the whole.
func (r *Receipt) add(part Receipt) {
	r.Counts = r.Counts.Add(part.Counts)
	r.Entries += part.Entries
	if r.First == 0 {
		r.First = part.First
	}
	if part.Last != 0 {
		r.Last = part.Last
	}
	r.Name, r.Archive = part.Name, part.Archive
	r.Notices = append(r.Notices, part.Notices...)
	r.Complete = append(r.Complete, part.Complete...)
}
