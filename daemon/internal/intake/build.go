package intake

import (
	"slices"

	"dewclaw/adapters"
	"dewclaw/events"
	"dewclaw/events/index"
)

// maxEntryRead is the most records an entry can be about: of duplicates, which
// are only counted, this many go by before the cursor moves.
const maxEntryRead = 16384

// A builder collects one entry and what the index is told along with it.
type builder struct {
	entry   events.Entry
	x       index.Extra
	states  map[events.RecordID]*index.Record // records it says something about, as they are known then
	held    map[string]struct{}
	waiting map[events.RecordID]events.Waiting // records that began to wait
	settled map[events.RecordID]struct{}
	renewed map[events.RecordID]struct{} // of waiting: they waited before this entry
	size    int                          // of events and held records as JSON
	records int                          // that put something in it
	read    int                          // records that went by since it began
	arena   []byte
	most    int // records an entry can have
}

func newBuilder(raw bool, most int) *builder {
	b := &builder{
		most:   most,
		states: map[events.RecordID]*index.Record{}, held: map[string]struct{}{},
		waiting: map[events.RecordID]events.Waiting{}, settled: map[events.RecordID]struct{}{}, renewed: map[events.RecordID]struct{}{},
	}
	b.x.Touches = make([]index.Touch, 0, 1024)
	if raw {
		b.x.Raw = make([]index.RawRow, 0, events.MaxEntryRecords)
	}
	return b
}

// empty reports whether nothing at all happened since it began.
func (b *builder) empty() bool { return b.read == 0 && b.records == 0 && len(b.settled) == 0 }

// full reports whether an entry of this size has to close before size bytes of
// one more record.
func (b *builder) full(size int) bool {
	return b.records > 0 && (b.records >= b.most || b.size+size > events.MaxEntryBytes)
}

// alloc returns n bytes of length zero that are nobody else's.
func (b *builder) alloc(n int) []byte {
	if cap(b.arena)-len(b.arena) < n {
		b.arena = make([]byte, 0, max(64<<10, n))
	}
	s := b.arena[len(b.arena) : len(b.arena) : len(b.arena)+n]
	b.arena = b.arena[:len(b.arena)+n]
	return s
}

// revisionBytes bounds what [events.AppendRevision] adds to an open event.
const revisionBytes = 120

// add appends one revision of an event. known is the record as the entry makes
// it: see builder.touch.
func (b *builder) add(open []byte, st step, t index.Touch, known *index.Record, reading events.Position) {
	rev := events.Revision{Number: st.number, Change: st.change}
	if st.number > 1 {
		before := st.before
		if st.again {
			before = events.Place{Index: len(b.entry.Events) - 1}
		}
		rev.Before = &before
	}
	ev := events.AppendRevision(b.alloc(len(open)+revisionBytes), open, rev)
	t.Revision, t.Change = st.number, st.change
	known.Say(&t, events.Place{Index: len(b.entry.Events)}, reading)
	b.entry.Events = append(b.entry.Events, ev)
	b.x.Touches = append(b.x.Touches, t)
	b.size += len(ev) + 1
	if st.change == events.Retracted {
		b.entry.Counts.Retracted++
	}
}

// touch returns the record for the entry to change: a copy of what is known.
func (b *builder) touch(known *index.Record) *index.Record {
	if own, ok := b.states[known.ID]; ok {
		return own
	}
	own := *known
	own.Slots = slices.Clone(known.Slots)
	b.states[known.ID] = &own
	return &own
}

// hold appends a held record unless the entry has it.
func (b *builder) hold(h *events.Held) {
	if _, ok := b.held[h.ID]; ok {
		return
	}
	b.held[h.ID] = struct{}{}
	b.entry.Held = append(b.entry.Held, *h)
	b.size += heldSize(h)
	b.records++
}

// heldSize estimates the JSON of a held record.
func heldSize(h *events.Held) int {
	n := 400 + len(h.Raw)*11/10 + len(h.RawBytes)*4/3
	for i := range h.Reasons {
		r := &h.Reasons[i]
		n += 60 + len(r.Field) + len(r.Column) + len(r.Wanted) + len(r.Got)
	}
	return n
}

// wait notes that a record waits from this entry on.
func (b *builder) wait(id events.RecordID, w events.Waiting) {
	b.waiting[id] = w
	if _, ok := b.settled[id]; ok {
		delete(b.settled, id)
		b.renewed[id] = struct{}{}
	}
}

// settle notes that a record waits no more. One that began to wait in this very
// entry was never waiting for the log, unless it had waited before.
func (b *builder) settle(id events.RecordID) {
	_, own := b.waiting[id]
	_, before := b.renewed[id]
	delete(b.waiting, id)
	if !own || before {
		b.settled[id] = struct{}{}
	}
}

// raw notes the row of a record, so that it is known before it is mapped next time.
func (b *builder) raw(d index.RawDigest, id events.RecordID) {
	b.x.Raw = append(b.x.Raw, index.RawRow{Digest: d, Record: id})
}

// unraw notes that a record has more than one row: none of them alone is it.
func (b *builder) unraw(id events.RecordID) {
	b.x.Raw = slices.DeleteFunc(b.x.Raw, func(r index.RawRow) bool { return r.Record == id })
	b.x.Unraw = append(b.x.Unraw, id)
}

// close returns the entry with the cursor members in a fixed order.
func (b *builder) close(from, to *events.Cursor) *events.Entry {
	e := &b.entry
	e.From, e.To = from, to
	for _, id := range sortedIDs(b.settled) {
		to.Settled = append(to.Settled, id.String())
	}
	for _, w := range b.waiting {
		to.Waiting = append(to.Waiting, w)
	}
	slices.SortFunc(to.Waiting, func(x, y events.Waiting) int { return x.At - y.At })
	return e
}

func sortedIDs[V any](m map[events.RecordID]V) []events.RecordID {
	ids := make([]events.RecordID, 0, len(m))
	for id := range m {
		ids = append(ids, id)
	}
	slices.SortFunc(ids, func(a, b events.RecordID) int { return slices.Compare(a[:], b[:]) })
	return ids
}

// draftSize bounds the JSON of the events of some drafts.
func draftSize(drafts []adapters.Draft) int {
	n := 0
	for i := range drafts {
		n += len(drafts[i].Open) + revisionBytes
	}
	return n
}
