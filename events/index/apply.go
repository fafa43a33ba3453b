package index

import (
	"bytes"
	"fmt"
	"slices"
	"strings"
	"time"

	"dewclaw/events"
)

// An application is one entry on its way into the tables.
type application struct {
	ix      *Index
	e       *events.Entry
	x       *Extra
	source  uint32
	reading events.Position
	records map[events.RecordID]*Record
	dirty   map[events.RecordID]struct{}
	was     map[events.RecordID]dayOfRecord // before this entry, complete sources only
}

// A dayOfRecord is where a record stands among the days of a complete source.
type dayOfRecord struct {
	list [8]byte
	day  string
}

// apply writes entry e, which follows the one applied last. The caller holds
// the lock and rolls back after an error.
func (ix *Index) apply(e *events.Entry, x *Extra) error {
	if !ix.d.open {
		ix.since = ix.o.Now()
	}
	if err := ix.d.begin(); err != nil {
		return err
	}
	a := &application{
		ix: ix, e: e, x: x, reading: e.At,
		records: map[events.RecordID]*Record{}, dirty: map[events.RecordID]struct{}{},
		was: map[events.RecordID]dayOfRecord{},
	}
	if err := a.run(); err != nil {
		return fmt.Errorf("apply log position %d: %w", e.At, err)
	}
	ix.applied, ix.prev = e.At, e.Prev
	ix.pending++
	if ix.pending >= maxPending || ix.o.Now().Sub(ix.since) >= maxOpen {
		return ix.flush()
	}
	return nil
}

func (a *application) run() error {
	if err := a.repeats(); err != nil {
		return err
	}
	if a.e.Source == "" {
		return nil // a grant, or a decision about no source's facts: nothing to know again
	}
	var err error
	if a.source, err = a.ix.numberSource(a.e.SourceKey()); err != nil {
		return err
	}
	for _, f := range []func() error{
		a.cursor, a.touches, a.raws, a.saveRecords, a.held, a.waits, a.complete, a.decide,
	} {
		if err := f(); err != nil {
			return err
		}
	}
	return nil
}

// touches applies the events of the entry to their records.
func (a *application) touches() error {
	touches := a.x.Touches
	if touches == nil && len(a.e.Events) > 0 {
		var err error
		if touches, err = Derive(a.e); err != nil {
			return err
		}
	}
	if len(touches) != len(a.e.Events) {
		return fmt.Errorf("%d touches for %d events", len(touches), len(a.e.Events))
	}
	if err := a.load(touches); err != nil {
		return err
	}
	confirmed, err := a.confirmed()
	if err != nil {
		return err
	}
	for i := range touches {
		if t := &touches[i]; t.Kind != events.KindDecision {
			a.touch(t, i, confirmed)
		}
	}
	return nil
}

// load fetches the records the entry says something about.
func (a *application) load(touches []Touch) error {
	var ids []events.RecordID
	want := func(id events.RecordID, fresh bool) {
		if _, ok := a.records[id]; ok {
			return
		}
		a.records[id] = &Record{ID: id}
		if !fresh {
			ids = append(ids, id)
		}
	}
	for i := range touches {
		if touches[i].Kind != events.KindDecision {
			want(touches[i].Record, touches[i].Fresh)
		}
	}
	for i := range a.x.Raw {
		want(a.x.Raw[i].Record, false)
	}
	for _, id := range a.x.Unraw {
		want(id, false)
	}
	found, err := a.ix.lookup(a.source, ids, nil)
	if err != nil {
		return err
	}
	for i := range found {
		a.records[found[i].ID] = &found[i]
	}
	return nil
}

// confirmed returns the entities whose retraction a decision of the entry confirms.
func (a *application) confirmed() (map[events.Entity]bool, error) {
	list, err := decisions(a.e)
	if err != nil {
		return nil, err
	}
	out := map[events.Entity]bool{}
	for _, d := range list {
		if d.Action == events.ActionConfirm {
			for _, t := range d.Targets {
				out[t] = true
			}
		}
	}
	return out, nil
}

func (a *application) touch(t *Touch, index int, confirmed map[events.Entity]bool) {
	r := a.records[t.Record]
	a.dirty[t.Record] = struct{}{}
	if a.e.AsOf != "" {
		if _, ok := a.was[t.Record]; !ok {
			a.was[t.Record] = dayOfRecord{r.list, r.Day}
		}
		r.complete, r.list, r.Day = true, t.List.hash(), t.Day
	}
	place := events.Place{Position: a.e.At, Index: index}
	if a.e.Cause == events.CauseDecision {
		r.Decide(t, place, confirmed[t.Record.Entity(t.Slot)])
		return
	}
	r.Say(t, place, a.reading)
}

// Say changes the record as an event of its source does, which stands at place
// in an entry of the given reading.
func (r *Record) Say(t *Touch, place events.Place, reading events.Position) {
	s, fresh := r.at(t)
	s.Revision, s.Place = t.Revision, place
	r.Reading = reading
	s.said(t, fresh)
}

// Decide changes the record as an event behind a decision does; confirmed tells
// that the decision confirms a retraction.
func (r *Record) Decide(t *Touch, place events.Place, confirmed bool) {
	s, fresh := r.at(t)
	s.Revision, s.Place = t.Revision, place
	s.decided(t, fresh, confirmed)
}

func (r *Record) at(t *Touch) (s *Slot, fresh bool) {
	r.Known = true
	if s = r.Slot(t.Slot); s == nil {
		r.Slots = append(r.Slots, Slot{Slot: t.Slot, Kind: t.Kind})
		return &r.Slots[len(r.Slots)-1], true
	}
	return s, false
}

// said is what a source's own entry does to a slot.
func (s *Slot) said(t *Touch, fresh bool) {
	if t.Change == events.Retracted {
		s.State = s.State&^(Live|Waits|Kept|Decided) | Gone
		if fresh {
			s.Said = t.Digest
		}
		return
	}
	if !fresh && s.Said != t.Digest {
		if old := Short(s.Said); !slices.Contains(s.Older, old) {
			s.Older = append(s.Older, old)
		}
		s.Older = slices.DeleteFunc(s.Older, func(o uint64) bool { return o == Short(t.Digest) })
	}
	s.Said, s.State = t.Digest, Live
}

// decided is what a person's decision does to a slot. What its source last said
// stays, so that the source saying it again changes nothing.
func (s *Slot) decided(t *Touch, fresh, confirmed bool) {
	if fresh {
		s.Said = t.Digest
	} else {
		s.State |= Decided
	}
	switch {
	case t.Change == events.Recorded:
		s.State = s.State&^(Gone|Withdrawn) | Live | FromHeld
	case t.Change == events.Amended:
		s.State = s.State&^(Gone|Withdrawn) | Live
	case confirmed:
		s.State = s.State&^(Live|Waits|Decided) | Gone
	default:
		s.State = s.State&^(Live|Waits) | Withdrawn
	}
}

// saveRecords writes the changed records in the order of their keys, and moves
// those of complete sources to their days.
func (a *application) saveRecords() error {
	ids := make([]events.RecordID, 0, len(a.dirty))
	for id := range a.dirty {
		ids = append(ids, id)
	}
	slices.SortFunc(ids, func(x, y events.RecordID) int { return bytes.Compare(x[:], y[:]) })
	put := a.ix.d.prepared("INSERT OR REPLACE INTO records(k, v) VALUES(?, ?)")
	for _, id := range ids {
		a.ix.key = appendRecordKey(a.ix.key[:0], a.source, id)
		a.ix.scratch = a.records[id].append(a.ix.scratch[:0], a.ix.key)
		if err := put.exec(a.ix.key, a.ix.scratch); err != nil {
			return err
		}
		if was, ok := a.was[id]; ok {
			if err := a.move(a.records[id], was); err != nil {
				return err
			}
		}
	}
	return nil
}

func (a *application) move(r *Record, was dayOfRecord) error {
	if was.day == r.Day && was.list == r.list {
		return nil
	}
	if was.day != "" {
		k := append(appendDayKey(nil, a.source, was.list, was.day), r.ID[:]...)
		if err := a.ix.d.prepared("DELETE FROM days WHERE k = ?").exec(k); err != nil {
			return err
		}
	}
	if r.Day == "" {
		return nil
	}
	k := append(appendDayKey(nil, a.source, r.list, r.Day), r.ID[:]...)
	return a.ix.d.prepared("INSERT OR IGNORE INTO days(k) VALUES(?)").exec(k)
}

// complete notes as of when each day of a complete source was read.
func (a *application) complete() error {
	if a.e.AsOf == "" || a.e.Cause == events.CauseDecision {
		return nil
	}
	asOf, err := millis(a.e.AsOf)
	if err != nil {
		return err
	}
	days := map[dayOfRecord]bool{}
	for id := range a.was {
		if r := a.records[id]; r.Day != "" {
			days[dayOfRecord{r.list, r.Day}] = false
		}
	}
	if c := a.e.Complete; c != nil {
		list := listOf(a.e).hash()
		for _, d := range c.Other {
			days[dayOfRecord{list, d}] = false
		}
		for _, d := range c.Days {
			days[dayOfRecord{list, d}] = true
		}
	}
	put := a.ix.d.prepared(`INSERT INTO exports(k, newest, whole) VALUES(?, ?, ?)
		ON CONFLICT(k) DO UPDATE SET newest = max(newest, excluded.newest), whole = max(whole, excluded.whole)`)
	for d, whole := range days {
		wholeAt := int64(0)
		if whole {
			wholeAt = asOf
		}
		if err := put.exec(appendDayKey(nil, a.source, d.list, d.day), asOf, wholeAt); err != nil {
			return err
		}
	}
	return nil
}

// millis reads a time of an entry as milliseconds since 1970.
func millis(s string) (int64, error) {
	t, err := time.Parse(time.RFC3339, s)
	if err != nil {
		return 0, fmt.Errorf("time %q: %w", strings.ToValidUTF8(s, "?"), events.ErrCorrupt)
	}
	return t.UnixMilli(), nil
}
