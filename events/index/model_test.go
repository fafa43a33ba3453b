package index_test

import (
	"context"
	"fmt"
	"iter"
	"path/filepath"
	"testing"

	"dewclaw/events"
	"dewclaw/events/index"

	"pgregory.net/rapid"
)

// A fakeLog keeps entries in memory, as bytes with their hashes.
type fakeLog struct {
	id    string
	bytes [][]byte
}

func (l *fakeLog) ID() string { return l.id }

func (l *fakeLog) Last() (events.Position, string) {
	if len(l.bytes) == 0 {
		return 0, events.NoEntry
	}
	return events.Position(len(l.bytes)), events.EntryHash(l.bytes[len(l.bytes)-1])
}

func (l *fakeLog) Read(_ context.Context, from events.Position) iter.Seq2[*events.Entry, error] {
	return func(yield func(*events.Entry, error) bool) {
		for i := int(from) - 1; i < len(l.bytes); i++ {
			e, err := events.ParseEntry(l.bytes[i])
			if !yield(e, err) || err != nil {
				return
			}
		}
	}
}

// append gives e its place and keeps it.
func (l *fakeLog) append(t tb, e *events.Entry) *events.Entry {
	t.Helper()
	at, hash := l.Last()
	e.V, e.Log, e.At, e.Prev = events.EntryVersion, l.id, at+1, hash
	if e.Time == "" {
		e.Time = "2026-04-01T00:00:00Z"
	}
	b, err := e.Append(nil)
	if err != nil {
		t.Fatal(err)
	}
	l.bytes = append(l.bytes, b)
	return e
}

func open(t tb, path string, l index.Log) *index.Index {
	t.Helper()
	ix, err := index.Open(t.Context(), index.Options{Path: path, Log: l, Passing: true})
	if err != nil {
		t.Fatal(err)
	}
	return ix
}

// A fact is one event the generator makes: entity, content and what it does.
type fact struct {
	record events.RecordID
	slot   events.Slot
	text   string
	day    string
	rev    events.Revision
}

func (f fact) payload() *events.Lesion {
	p := &events.Lesion{Code: "SU", Description: f.text}
	if f.day != "" {
		p.Occurred = events.Occurred{Date: f.day, Precision: "date"}
	}
	return p
}

func (f fact) digest() events.Digest {
	var x events.Encoder
	return x.Digest(f.payload())
}

func (f fact) stored() []byte {
	var x events.Encoder
	data, _ := x.Append(nil, f.payload())
	open := events.AppendOpen(nil, events.Envelope{Kind: events.KindLesion, Entity: f.record.Entity(f.slot)}, data)
	return events.AppendRevision(nil, open, f.rev)
}

func record(hint, n int) events.RecordID {
	return events.RecordID{byte(hint >> 8), byte(hint), byte(n * 37), byte(n >> 8), byte(n)}
}

// A modelSlot is what the index must say of one event, worked out plainly.
type modelSlot struct {
	said  string
	older map[string]bool
	rev   int
	place events.Place
	state index.State
}

type model struct {
	slots   map[events.Entity]*modelSlot
	reading map[events.RecordID]events.Position
	raw     map[events.RecordID]index.RawDigest // row that is what the source last said
}

func (m *model) apply(e *events.Entry, facts []fact) {
	for i, f := range facts {
		ent := f.record.Entity(f.slot)
		s := m.slots[ent]
		fresh := s == nil
		if fresh {
			s = &modelSlot{older: map[string]bool{}}
			m.slots[ent] = s
		}
		s.rev, s.place = f.rev.Number, events.Place{Position: e.At, Index: i + len(e.Events) - len(facts)}
		gone := f.rev.Change == events.Retracted
		if e.Cause == events.CauseDecision {
			if fresh {
				s.said = f.text
			} else {
				s.state |= index.Decided
			}
			switch {
			case gone:
				s.state = s.state&^(index.Live|index.Waits) | index.Withdrawn
			case f.rev.Change == events.Recorded:
				s.state = s.state&^(index.Gone|index.Withdrawn) | index.Live | index.FromHeld
			default:
				s.state = s.state&^(index.Gone|index.Withdrawn) | index.Live
			}
			continue
		}
		m.reading[f.record] = e.At
		delete(m.raw, f.record)
		switch {
		case gone:
			s.state = s.state&^(index.Live|index.Waits|index.Kept|index.Decided) | index.Gone
			if fresh {
				s.said = f.text
			}
		default:
			if !fresh && s.said != f.text {
				s.older[s.said] = true
				delete(s.older, f.text)
			}
			s.said, s.state = f.text, index.Live
		}
	}
}

// TestIndex_AgreesWithAPlainModelAndWithItsRebuild applies random entries,
// closing and reopening now and then, and compares with a model in memory and,
// at the end, with an index that was built anew.
func TestIndex_AgreesWithAPlainModelAndWithItsRebuild(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		dir := tempDir(t)
		log := &fakeLog{id: "log-1"}
		path := filepath.Join(dir, "index.db")
		ix := open(t, path, log)
		m := &model{slots: map[events.Entity]*modelSlot{}, reading: map[events.RecordID]events.Position{}, raw: map[events.RecordID]index.RawDigest{}}
		raws := map[index.RawDigest]events.RecordID{}
		days := rapid.SampledFrom([]string{"", "2026-03-04", "2026-03-05"})
		for range rapid.IntRange(1, 25).Draw(t, "entries") {
			e := &events.Entry{Cause: events.CauseChunk, Source: rapid.SampledFrom([]string{"a", "b"}).Draw(t, "source")}
			if rapid.IntRange(0, 4).Draw(t, "decision") == 0 {
				e.Cause = events.CauseDecision
			}
			if e.Source == "b" {
				e.AsOf = "2026-03-10T00:00:00Z"
			}
			var facts []fact
			seen := map[events.Entity]bool{}
			for range rapid.IntRange(0, 12).Draw(t, "facts") {
				hint := rapid.IntRange(0, 2).Draw(t, "hint")
				if e.Source == "b" {
					hint += 10
				}
				f := fact{
					record: record(hint, rapid.IntRange(0, 20).Draw(t, "record")),
					slot:   events.Slot{byte(rapid.IntRange(0, 2).Draw(t, "slot"))},
					text:   rapid.SampledFrom([]string{"x", "y", "z 7"}).Draw(t, "text"),
					day:    days.Draw(t, "day"),
				}
				ent := f.record.Entity(f.slot)
				if seen[ent] {
					continue
				}
				seen[ent] = true
				f.rev = events.Revision{Number: 1, Change: events.Recorded}
				if s := m.slots[ent]; s != nil {
					f.rev.Number, f.rev.Before = s.rev+1, &s.place
					f.rev.Change = rapid.SampledFrom([]events.Change{events.Amended, events.Retracted, events.Recorded}).Draw(t, "change")
				}
				facts = append(facts, f)
			}
			for _, f := range facts {
				e.Events = append(e.Events, f.stored())
			}
			x := &index.Extra{RawKey: "k"}
			log.append(t, e)
			m.apply(e, facts)
			if e.Source == "a" && e.Cause == events.CauseChunk {
				x.Raw = rawRows(t, facts, len(log.bytes), raws, m)
			}
			if rapid.Bool().Draw(t, "given") {
				var err error
				if x.Touches, err = index.Derive(e); err != nil {
					t.Fatal(err)
				}
			}
			if err := ix.Apply(t.Context(), e, x); err != nil {
				t.Fatal(err)
			}
			switch rapid.IntRange(0, 9).Draw(t, "then") {
			case 0:
				if err := ix.Close(); err != nil {
					t.Fatal(err)
				}
				ix = open(t, path, log)
			case 1:
				if err := ix.Flush(); err != nil {
					t.Fatal(err)
				}
			}
			m.compare(t, ix)
			compareRaws(t, ix, raws, m)
		}
		if err := ix.Close(); err != nil {
			t.Fatal(err)
		}
		again := filepath.Join(dir, "again.db")
		if err := open(t, again, log).Close(); err != nil {
			t.Fatal(err)
		}
		if got, want := index.Dump(t, again), index.Dump(t, path); got != want {
			t.Fatalf("rebuilt:\n%s\nwant:\n%s", got, want)
		}
	})
}

// rawRows makes a raw row for each record the facts are about.
func rawRows(t *rapid.T, facts []fact, at int, raws map[index.RawDigest]events.RecordID, m *model) []index.RawRow {
	var out []index.RawRow
	seen := map[events.RecordID]bool{}
	for _, f := range facts {
		if seen[f.record] || rapid.IntRange(0, 3).Draw(t, "raw") == 0 {
			continue
		}
		seen[f.record] = true
		d, _ := index.Digest(nil, fmt.Sprint(f.record, at), nil)
		if rapid.Bool().Draw(t, "hook") {
			d[0] = 0
		}
		out = append(out, index.RawRow{Digest: d, Record: f.record})
		raws[d] = f.record
		m.raw[f.record] = d
	}
	return out
}

func (m *model) compare(t *rapid.T, ix *index.Index) {
	for ent, want := range m.slots {
		id, slot, err := ent.Split()
		if err != nil {
			t.Fatal(err)
		}
		source := "a"
		if id[1] >= 10 {
			source = "b"
		}
		// the whole neighbourhood at once, so that range scans are met
		var ids []events.RecordID
		for n := range 21 {
			ids = append(ids, record(int(id[1]), n))
		}
		got, err := ix.Lookup(source, ids, nil)
		if err != nil {
			t.Fatal(err)
		}
		var r *index.Record
		for i := range got {
			if got[i].ID == id {
				r = &got[i]
			}
		}
		if !r.Known {
			t.Fatalf("%s: not known", ent)
		}
		s := r.Slot(slot)
		if s == nil || s.Revision != want.rev || s.Place != want.place || s.State != want.state {
			t.Fatalf("%s: got %+v, want %+v", ent, s, want)
		}
		if s.Said != (fact{text: want.said, day: ""}).digest() && !anyDay(s.Said, want.said) {
			t.Fatalf("%s: what the source said is not %q", ent, want.said)
		}
	}
}

func anyDay(d events.Digest, text string) bool {
	for _, day := range []string{"2026-03-04", "2026-03-05"} {
		if (fact{text: text, day: day}).digest() == d {
			return true
		}
	}
	return false
}

// compareRaws holds that a row is known only if it is what the source last said.
func compareRaws(t *rapid.T, ix *index.Index, raws map[index.RawDigest]events.RecordID, m *model) {
	w := ix.Raw("a", "k")
	defer w.Close()
	var ds []index.RawDigest
	for d := range raws {
		ds = append(ds, d)
	}
	known := make([]events.RecordID, len(ds))
	if err := w.Lookup(ds, known); err != nil {
		t.Fatal(err)
	}
	for i, d := range ds {
		if known[i] != (events.RecordID{}) && (m.raw[known[i]] != d || raws[d] != known[i]) {
			t.Fatalf("row %x: known as %v, which is no longer what the source said", d, known[i])
		}
		if d[0] == 0 && m.raw[raws[d]] == d && known[i] != raws[d] {
			t.Fatalf("row %x leads to its segment and is not known", d)
		}
	}
	other := ix.Raw("a", "other mapping")
	defer other.Close()
	if err := other.Lookup(ds, known); err != nil {
		t.Fatal(err)
	}
}
