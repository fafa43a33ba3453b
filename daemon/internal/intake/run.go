package intake

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"iter"
	"strconv"
	"time"

	"dewclaw/adapters"
	"dewclaw/adapters/mapping"
	"dewclaw/events"
	"dewclaw/events/index"
)

// An original is bytes in the archive, as they are read.
type original struct {
	archive string
	name    string
	body    []byte // of a message, which is archived in a pack; nil for anything else
	inward  *mapping.Inward
}

func (r *reading) original() original {
	return original{archive: r.archive, name: r.name, body: r.body, inward: r.inward}
}

// members yields the members of an original; close is called at the end.
func (in *Intake) members(ctx context.Context, o original) iter.Seq2[Member, error] {
	return func(yield func(Member, error) bool) {
		rd, size, closer, err := in.open(o)
		if err != nil {
			yield(Member{}, err)
			return
		}
		defer func() { _ = closer() }()
		if in.Unpack == nil {
			yield(Member{Reader: io.NewSectionReader(rd, 0, size)}, nil)
			return
		}
		for m, err := range in.Unpack(rd, size, o.name) {
			if ctx.Err() != nil {
				yield(Member{}, ctx.Err())
				return
			}
			if !yield(m, err) {
				return
			}
		}
	}
}

// read takes every member of the original in.
func (r *reading) read(ctx context.Context) error {
	if err := r.begin(); err != nil {
		return err
	}
	for m, err := range r.in.members(ctx, r.original()) {
		switch {
		case err != nil && (ctx.Err() != nil || errors.Is(err, events.ErrUnavailable) || errors.Is(err, events.ErrCorrupt)):
			return err
		case err != nil:
			err = r.spoiled(ctx, m.Name, err)
		case m.Ignored != "":
			r.notices = append(r.notices, fmt.Sprintf("%s: not read: %s", m.Name, m.Ignored))
		default:
			err = r.member(ctx, m)
		}
		if err != nil {
			return err
		}
	}
	return nil
}

// member takes one member in.
func (r *reading) member(ctx context.Context, m Member) error {
	dec, head, err := r.in.decoder(r.inward, m.Reader)
	if err != nil {
		if passing := transient(ctx, err); passing != nil {
			return passing
		}
		return r.spoiled(ctx, m.Name, err)
	}
	run, err := r.inward.Start(r.job, head)
	if err != nil {
		return r.spoiled(ctx, m.Name, err)
	}
	if err := r.beginMember(ctx); err != nil {
		return err
	}
	return r.rows(ctx, m.Name, run, dec)
}

// decoder opens a decoder for the layout of a mapping and reads its head.
func (in *Intake) decoder(m *mapping.Inward, rd io.Reader) (adapters.Decoder, adapters.Head, error) {
	layout := m.Layout()
	open := in.Decoders[layout.Format]
	if open == nil {
		return nil, adapters.Head{}, fmt.Errorf("no decoder for %q", layout.Format) // a bug of the wiring
	}
	dec, err := open(rd, layout)
	if err != nil {
		return nil, adapters.Head{}, err
	}
	head, err := dec.Head()
	return dec, head, err
}

// beginMember forgets what belongs to the member before: each is a file of its own.
func (r *reading) beginMember(ctx context.Context) error {
	r.membersRead++
	if r.membersRead == 1 {
		r.memberFrom = r.start
		return nil
	}
	if err := r.endUnit(ctx); err != nil {
		return err
	}
	if err := r.scratch.Close(); err != nil {
		return err
	}
	r.scratch = r.ix.Scratch(index.DefaultBounds)
	r.days, r.vague, r.released, r.asOf = map[listingKey]*listing{}, nil, nil, ""
	r.memberFrom = 0
	if r.n < r.skip {
		return r.findMember(ctx)
	}
	return nil
}

// findMember looks up in the log where an earlier run began with this member.
func (r *reading) findMember(ctx context.Context) error {
	for e, err := range r.in.Log.Read(ctx, r.start) {
		if err != nil {
			return err
		}
		if e.SourceKey() == r.src.ID && e.Archive == r.archive && e.From != nil && e.From.Records >= r.n {
			r.memberFrom = e.At
			return nil
		}
	}
	return nil
}

// transient returns err if it says nothing of the original itself.
func transient(ctx context.Context, err error) error {
	if ctx.Err() != nil {
		return ctx.Err()
	}
	if errors.Is(err, events.ErrUnavailable) || errors.Is(err, events.ErrCorrupt) {
		return err
	}
	return nil
}

// rows takes the rows of a member in and then does what its end tells.
func (r *reading) rows(ctx context.Context, name string, run *mapping.Run, dec adapters.Decoder) error {
	if r.raw == nil && r.inward.ByRow() && r.single == nil && !r.deriving {
		r.rawKey = r.mapping + " " + r.src.Zone
		if r.inward.FarmByRow() {
			r.rawKey = fmt.Sprint(r.mapping, " ", r.src.Farms) // sorted by farm
		}
		r.raw = r.ix.Raw(r.src.ID, r.rawKey)
		r.b.x.RawKey = r.rawKey
	}
	r.scope = run.Scope()
	start := func() mapper { return run.Mapper() }
	p := &pipe{source: r.src.ID, start: start, dec: dec, raw: r.raw, grouped: r.inward.Grouped(), panics: r.panicked, beat: r.in.Beat, size: r.in.Sizes.Rows}
	if r.single != nil {
		p.raw = nil
	}
	startPipe(ctx, p, r.workers())
	defer p.close()
	spare := &safeMapper{source: r.src.ID, start: start, panics: r.panicked}
	unread, before := "", r.n
	for b := range p.order {
		<-b.done
		if err := r.block(ctx, run, b, spare); err != nil {
			return err
		}
		if b.err == nil {
			continue
		}
		if err := transient(ctx, b.err); err != nil {
			return err
		}
		unread = "the original could not be read to its end"
		if err := r.spoiled(ctx, name, b.err); err != nil {
			return err
		}
	}
	if err := ctx.Err(); err != nil {
		return err
	}
	end := run.End()
	if unread == "" {
		r.odd(name, dec, end, r.n-before)
	}
	return r.finish(ctx, end, unread)
}

// odd notes what is odd of a member as a whole. It is told of files alone: a
// message is one of many. n is the number of its records.
func (r *reading) odd(name string, dec adapters.Decoder, end mapping.Ending, n int) {
	if r.single != nil {
		return
	}
	list := end.Notices
	if x, ok := dec.(adapters.Noticer); ok {
		list = append(list, x.Notices()...)
	}
	if end.Blank != "" && end.Rows == n { // else others were known again, and not mapped
		list = append(list, end.Blank)
	}
	if name != "" {
		name += ": "
	}
	for _, s := range list {
		r.notices = append(r.notices, name+s)
	}
}

func (r *reading) workers() int {
	if r.single != nil {
		return 1
	}
	return r.in.Workers
}

func (r *reading) panicked(value any, stack []byte) {
	r.in.Logger.Error("mapping panicked; the rows are held", "source", r.src.ID, "name", r.name,
		"mapping", r.inward.Name(), "panic", fmt.Sprint(value), "stack", string(stack))
}

// block takes one block in: one look-up for all its records, then each by itself.
func (r *reading) block(ctx context.Context, run *mapping.Run, b *block, spare *safeMapper) error {
	if err := r.speaksAs(run); err != nil {
		return err
	}
	if err := r.lookup(b); err != nil {
		return err
	}
	if r.progress != nil {
		r.progress(r.n)
	}
	return r.each(ctx, b, spare)
}

// each takes the records of a block in, in the order of their rows.
func (r *reading) each(ctx context.Context, b *block, spare *safeMapper) error {
	r.in.Beat(BeatCheck)
	// Every row of such a mapping is one record; of others only records are known.
	paired := r.inward.RowIsRecord() && len(b.records) == b.unknown()
	next := 0
	for i := range b.rows {
		switch {
		case b.known != nil && b.known[i] != (events.RecordID{}):
			if err := r.seenRow(ctx, b, i, spare); err != nil {
				return err
			}
		case paired:
			if err := r.one(ctx, &b.records[next], b, i); err != nil {
				return err
			}
			next++
		}
	}
	for ; next < len(b.records); next++ {
		if err := r.one(ctx, &b.records[next], b, -1); err != nil {
			return err
		}
	}
	return nil
}

// seenRow takes in a row that was known again before it was mapped. It is mapped
// after all if an earlier row of its record says something new or waits.
func (r *reading) seenRow(ctx context.Context, b *block, i int, spare *safeMapper) error {
	row, id := &b.rows[i], b.known[i]
	_, again := r.changed[id]
	_, pending := r.pending[id]
	seen, _, err := r.scratch.Get(id)
	if err != nil {
		return err
	}
	if !again && !pending && !isWaiting(seen) {
		return r.repeated(ctx, id, max(row.Line, row.LastLine))
	}
	for _, rec := range spare.mapRows(b.rows[i:i+1], nil) {
		if err := r.one(ctx, &rec, b, i); err != nil {
			return err
		}
	}
	return nil
}

// lookup asks for all records of a block at once.
func (r *reading) lookup(b *block) error {
	r.in.Beat(BeatKnown)
	r.blocks++
	r.forgetChanged()
	r.forgetStale()
	if r.moved {
		r.moved = false
		var err error
		if r.settled, err = r.ix.AnySettled(r.src.ID); err != nil {
			return err
		}
	}
	r.ids = r.ids[:0]
	for i := range b.records {
		if b.records[i].Outcome == adapters.Mapped {
			r.ids = append(r.ids, b.records[i].ID)
		}
	}
	var err error
	r.found, err = r.ix.Lookup(r.src.ID, r.ids, r.found[:0])
	r.nextFound = 0
	return err
}

// one takes one record of a block in. at is the row it was made of, -1 if that
// is not known.
func (r *reading) one(ctx context.Context, rec *adapters.Record, b *block, at int) error {
	p := passing{rec: rec}
	if at >= 0 {
		p.row = &b.rows[at]
	}
	if rec.Outcome == adapters.Mapped {
		if r.nextFound < len(r.found) && r.found[r.nextFound].ID == rec.ID {
			p.found = &r.found[r.nextFound]
			r.nextFound++
		} else {
			one, err := r.ix.Lookup(r.src.ID, []events.RecordID{rec.ID}, nil)
			if err != nil {
				return err
			}
			p.found = &one[0]
		}
	}
	if at >= 0 && b.digests != nil {
		p.digest = &b.digests[at]
	}
	return r.take(ctx, p)
}

// forgetChanged forgets changed records whose rows are out of every block that
// was looked up before they changed.
func (r *reading) forgetChanged() {
	depth := 2*r.in.Sizes.Read/r.in.Sizes.Rows + 4*r.in.Workers + 16 // an entry being built, one in the air, the pipe
	if len(r.changed) < 4096 {
		return
	}
	for id, at := range r.changed {
		if r.blocks-at > depth {
			delete(r.changed, id)
		}
	}
}

// speaksAs notes as of when an export of a complete source speaks: what the
// mapping read, or when it was received.
func (r *reading) speaksAs(run *mapping.Run) error {
	if !r.isComplete() || r.asOf != "" {
		return nil
	}
	r.asOf = run.AsOf()
	if r.asOf == "" || r.again {
		r.asOf = events.FormatTime(r.job.Received)
	}
	var err error
	r.asOfAt, err = time.Parse(time.RFC3339, r.asOf)
	return err
}

// spoiled holds an original, or a member of one, that cannot be read: one held
// record stands for it.
func (r *reading) spoiled(ctx context.Context, member string, cause error) error {
	r.n++
	r.at = r.n
	if r.n <= r.skip {
		return nil
	}
	h := r.spoiledHeld(member, cause)
	if err := r.hold(ctx, h); err != nil {
		return err
	}
	return r.taken(ctx)
}

func (r *reading) spoiledHeld(member string, cause error) *events.Held {
	key := r.archive
	if r.body != nil {
		key = r.message.Message
	}
	if member != "" {
		key += "/" + member
	}
	h := &events.Held{ID: events.HeldID(r.src.ID, []byte("original "+key)), Member: member, Message: r.message.Message, Reasons: ReasonsOf(cause)}
	if size, ok := r.in.Archive.Has(r.archive); ok {
		h.Large = int(size)
	}
	return h
}

// ReasonsOf makes reasons of an error that spoils an original.
func ReasonsOf(err error) []events.Reason {
	var header *mapping.HeaderError
	if errors.As(err, &header) {
		return []events.Reason{header.Reason()}
	}
	var f *events.Fault
	if errors.As(err, &f) {
		field := "file"
		if f.What != "" {
			field = f.What
		}
		wanted, got := f.Wanted, f.Got
		if wanted == "" {
			wanted = "an original that can be read"
		}
		if got == "" {
			got = f.Error()
		}
		return []events.Reason{{Field: field, Wanted: wanted, Got: got}}
	}
	return []events.Reason{{Field: "file", Wanted: "an original that can be read", Got: err.Error()}}
}

// open opens the bytes of an original.
func (in *Intake) open(o original) (io.ReaderAt, int64, func() error, error) {
	if o.body != nil {
		return bytes.NewReader(o.body), int64(len(o.body)), func() error { return nil }, nil
	}
	blob, err := in.Archive.Open(o.archive)
	if err != nil {
		return nil, 0, nil, err
	}
	return blob, blob.Size(), blob.Close, nil
}

// eachRow decodes one member of an original once more and calls f for its rows,
// until f returns io.EOF.
func (in *Intake) eachRow(ctx context.Context, o original, member string, f func(adapters.Row) error) error {
	for m, err := range in.members(ctx, o) {
		if err != nil && m.Name == "" {
			return err
		}
		if err != nil || m.Name != member || m.Ignored != "" {
			continue
		}
		dec, _, err := in.decoder(o.inward, m.Reader)
		for err == nil {
			var rows []adapters.Row
			rows, err = dec.Read(nil, readAtOnce)
			for i := range rows {
				if err := f(rows[i]); err == io.EOF {
					return nil
				} else if err != nil {
					return err
				}
			}
		}
		if err != io.EOF {
			return err
		}
		return nil
	}
	return &events.Fault{Kind: events.ErrNotFound, Where: o.name, What: "member " + strconv.Quote(member) + " is not in the original"}
}
