package index

import (
	"slices"

	"dewclaw/events"
)

// A HeldState is what became of a held record.
type HeldState int

// The states of a held record. The zero value is not a state.
const (
	StillHeld HeldState = iota + 1
	Released
	Dropped
)

// String returns the state as people read it.
func (s HeldState) String() string {
	return [...]string{"unknown", "held", "released", "dropped"}[max(0, min(int(s), 3))]
}

// A Held is what the index knows of one held record; the record itself stands
// in the log.
type Held struct {
	ID      string
	Source  string
	State   HeldState
	Place   events.Place    // its entry, and its index among the held records of it
	Record  events.RecordID // record it belongs to; zero if that is not known
	Reasons int             // how many
	Fixed   events.Position // entry of the newest fix; 0 if it was never fixed
	Settled events.Position // entry that released or dropped it; 0 if it is held
}

const heldColumns = "id, source, state, position, idx, record, reasons, fixed, settled"

func (ix *Index) heldOf(row []value) Held {
	h := Held{
		ID: text(row[0]), Source: ix.sourceName(integer(row[1])), State: HeldState(integer(row[2])),
		Place:   events.Place{Position: events.Position(integer(row[3])), Index: int(integer(row[4]))},
		Reasons: int(integer(row[6])), Fixed: events.Position(integer(row[7])), Settled: events.Position(integer(row[8])),
	}
	if b := blob(row[5]); len(b) == len(h.Record) {
		h.Record = events.RecordID(b)
	}
	return h
}

// Held returns a held record; false if there was never one of this id.
func (ix *Index) Held(id string) (Held, bool, error) {
	ix.mu.Lock()
	defer ix.mu.Unlock()
	row, err := ix.d.prepared("SELECT " + heldColumns + " FROM held WHERE id = ?").first(id)
	if err != nil || row == nil {
		return Held{}, false, err
	}
	return ix.heldOf(row), true, nil
}

// HeldRecords returns up to limit held records in a state, in the order of the
// log, behind the place after; the zero place begins at the first.
func (ix *Index) HeldRecords(state HeldState, after events.Place, limit int) ([]Held, error) {
	ix.mu.Lock()
	defer ix.mu.Unlock()
	var out []Held
	err := ix.d.prepared("SELECT "+heldColumns+` FROM held WHERE state = ? AND (position > ? OR position = ? AND idx > ?)
		ORDER BY position, idx LIMIT ?`).each(func(row []value) error {
		out = append(out, ix.heldOf(row))
		return nil
	}, int(state), after.Position, after.Position, after.Index, limit)
	return out, err
}

// ReleasedOriginals returns the held records of a source that were released and
// belong to no record, in the order of the log: those that stand for a whole
// original are among them.
func (ix *Index) ReleasedOriginals(source string) ([]Held, error) {
	ix.mu.Lock()
	defer ix.mu.Unlock()
	var out []Held
	err := ix.d.prepared("SELECT "+heldColumns+" FROM held WHERE state = 2 AND record IS NULL AND source = ? ORDER BY position, idx").
		each(func(row []value) error {
			out = append(out, ix.heldOf(row))
			return nil
		}, ix.source(source))
	return out, err
}

// CountHeld returns how many records are held, of one source or, with "", of all.
func (ix *Index) CountHeld(source string) (int, error) {
	ix.mu.Lock()
	defer ix.mu.Unlock()
	sql, args := "SELECT count(*) FROM held WHERE state = 1", []any(nil)
	if source != "" {
		sql, args = sql+" AND source = ?", []any{ix.source(source)}
	}
	row, err := ix.d.prepared(sql).first(args...)
	if err != nil || row == nil {
		return 0, err
	}
	return int(integer(row[0])), nil
}

// HeldOf returns the ids of the records that are still held and belong to record r.
func (ix *Index) HeldOf(r events.RecordID) ([]string, error) {
	ix.mu.Lock()
	defer ix.mu.Unlock()
	var out []string
	err := ix.d.prepared("SELECT id FROM held WHERE record = ? AND state = 1 ORDER BY position, idx").each(func(row []value) error {
		out = append(out, text(row[0]))
		return nil
	}, r[:])
	return out, err
}

// AnySettled reports whether any held record of the source was released or dropped.
func (ix *Index) AnySettled(source string) (bool, error) {
	ix.mu.Lock()
	defer ix.mu.Unlock()
	row, err := ix.d.prepared("SELECT 1 FROM held WHERE source = ? AND state > 1 LIMIT 1").first(ix.source(source))
	return row != nil, err
}

// held takes in the records the entry holds. One that is known keeps its place.
func (a *application) held() error {
	put := a.ix.d.prepared("INSERT OR IGNORE INTO held(" + heldColumns + ") VALUES(?, ?, 1, ?, ?, ?, ?, 0, 0)")
	for i := range a.e.Held {
		h := &a.e.Held[i]
		var record []byte
		if id, err := events.ParseRecordID(h.Record); err == nil {
			record = id[:]
		}
		if err := put.exec(a.e.HeldKey(h.ID), a.source, a.e.At, i, record, len(h.Reasons)); err != nil {
			return err
		}
	}
	return nil
}

// Decisions returns the entries with decisions about a held record, ascending.
func (ix *Index) Decisions(id string) ([]events.Position, error) {
	ix.mu.Lock()
	defer ix.mu.Unlock()
	var out []events.Position
	err := ix.d.prepared("SELECT position FROM decided WHERE id = ? ORDER BY position").each(func(row []value) error {
		out = append(out, events.Position(integer(row[0])))
		return nil
	}, id)
	return out, err
}

// A Wait is a retraction that waits for a person.
type Wait struct {
	Entity   events.Entity
	Source   string
	Why      string
	Position events.Position // entry that said so
}

// Waits returns the retractions that wait for a person, in the order of the log,
// of one source or, with "", of all.
func (ix *Index) Waits(source string) ([]Wait, error) {
	ix.mu.Lock()
	defer ix.mu.Unlock()
	var out []Wait
	err := ix.d.prepared("SELECT entity, source, why, position FROM waits ORDER BY position, entity").each(func(row []value) error {
		w := Wait{events.Entity(text(row[0])), ix.sourceName(integer(row[1])), text(row[2]), events.Position(integer(row[3]))}
		if source == "" || w.Source == source {
			out = append(out, w)
		}
		return nil
	})
	return out, err
}

// Wait returns the waiting retraction of an entity; false if there is none.
func (ix *Index) Wait(e events.Entity) (Wait, bool, error) {
	ix.mu.Lock()
	defer ix.mu.Unlock()
	row, err := ix.d.prepared("SELECT source, why, position FROM waits WHERE entity = ?").first(string(e))
	if err != nil || row == nil {
		return Wait{}, false, err
	}
	return Wait{e, ix.sourceName(integer(row[0])), text(row[1]), events.Position(integer(row[2]))}, true, nil
}

// waits takes in the retractions that begin or cease to wait.
func (a *application) waits() error {
	for _, w := range a.e.Waits {
		if err := a.mark(w.Entity, func(s *Slot) { s.State |= Waits }); err != nil {
			return err
		}
		if err := a.ix.d.prepared("INSERT OR REPLACE INTO waits(entity, source, why, position) VALUES(?, ?, ?, ?)").
			exec(string(w.Entity), a.source, w.Why, a.e.At); err != nil {
			return err
		}
	}
	for _, e := range a.e.Back {
		if err := a.mark(e, func(s *Slot) { s.State &^= Waits }); err != nil {
			return err
		}
	}
	return a.noWait()
}

// noWait removes the waits that an event, a decision or the source ended.
func (a *application) noWait() error {
	ended := slices.Clone(a.e.Back)
	for id := range a.dirty {
		for i := range a.records[id].Slots {
			if s := &a.records[id].Slots[i]; s.Place.Position == a.e.At && s.State&Waits == 0 {
				ended = append(ended, id.Entity(s.Slot))
			}
		}
	}
	if row, err := a.ix.d.prepared("SELECT 1 FROM waits LIMIT 1").first(); err != nil || row == nil {
		return err
	}
	for _, e := range ended {
		if err := a.ix.d.prepared("DELETE FROM waits WHERE entity = ?").exec(string(e)); err != nil {
			return err
		}
	}
	return nil
}

// mark changes the state of one slot of a record and saves it.
func (a *application) mark(e events.Entity, change func(*Slot)) error {
	id, slot, err := e.Split()
	if err != nil {
		return err
	}
	r := a.records[id]
	if r == nil || !r.Known {
		found, err := a.ix.lookup(a.source, []events.RecordID{id}, nil)
		if err != nil {
			return err
		}
		r = &found[0]
		a.records[id] = r
	}
	s := r.Slot(slot)
	if s == nil {
		return nil
	}
	change(s)
	key := appendRecordKey(nil, a.source, id)
	return a.ix.d.prepared("INSERT OR REPLACE INTO records(k, v) VALUES(?, ?)").exec(key, r.append(nil, key))
}

// decide takes in what the decisions of the entry settle beside its events.
func (a *application) decide() error {
	list, err := decisions(a.e)
	if err != nil {
		return err
	}
	for _, d := range list {
		if d.Held != "" {
			if err := a.ix.d.prepared("INSERT OR IGNORE INTO decided(id, position) VALUES(?, ?)").exec(a.e.HeldKey(d.Held), a.e.At); err != nil {
				return err
			}
		}
		switch d.Action {
		case events.ActionFix:
			err = a.ix.d.prepared("UPDATE held SET fixed = ? WHERE id = ?").exec(a.e.At, a.e.HeldKey(d.Held))
		case events.ActionRelease:
			err = a.settle(d, Released)
		case events.ActionDrop:
			err = a.settle(d, Dropped)
		case events.ActionRefuse:
			err = a.refuse(d.Targets)
		case events.ActionChange:
			err = a.stands(d.Targets)
		}
		if err != nil {
			return err
		}
	}
	return nil
}

// settle notes what became of a held record, and the record its content went to.
func (a *application) settle(d *events.Decision, state HeldState) error {
	if err := a.ix.d.prepared("UPDATE held SET state = ?, settled = ? WHERE id = ?").exec(int(state), a.e.At, a.e.HeldKey(d.Held)); err != nil {
		return err
	}
	if state != Released || len(d.Targets) == 0 {
		return nil
	}
	id, _, err := d.Targets[0].Split()
	if err != nil {
		return err
	}
	return a.ix.d.prepared("UPDATE held SET record = ? WHERE id = ?").exec(id[:], a.e.HeldKey(d.Held))
}

func (a *application) refuse(targets []events.Entity) error {
	for _, e := range targets {
		if err := a.mark(e, func(s *Slot) { s.State = s.State&^Waits | Kept }); err != nil {
			return err
		}
		if err := a.ix.d.prepared("DELETE FROM waits WHERE entity = ?").exec(string(e)); err != nil {
			return err
		}
	}
	return nil
}

// stands notes that a person decided about the targets, if what they are stays:
// what their source says of them now was confirmed.
func (a *application) stands(targets []events.Entity) error {
	if len(a.e.Events) > 1 {
		return nil // they changed
	}
	for _, e := range targets {
		if err := a.mark(e, func(s *Slot) { s.State |= Decided }); err != nil {
			return err
		}
	}
	return nil
}
