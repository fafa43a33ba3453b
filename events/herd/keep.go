package herd

import (
	"bytes"
	"encoding/json"
	"fmt"

	"dewclaw/events"
)

// This file keeps what is no fact: statements, decisions, held records and
// retractions that wait.

// statement keeps a revision of a roster statement: what an earlier one named
// is the history of what the newest one says.
func (f *follower) statement(a *arrival, farm id, at events.Place) error {
	s := &f.s
	d, dated := parseDay(s.date)
	if !dated {
		d = a.day
	}
	f.farms[farm] = true
	return f.db.prepared("INSERT INTO statements(id, farm, entity, revision, retracted, source, day, data) VALUES(?,?,?,?,?,?,?,?)").
		exec(placeID(at), farm, string(s.entity), s.revision, bytes.Equal(s.change, retracted), a.source, d, s.data)
}

// decision keeps a decision about identities, and carries out what it says of
// held records and waiting retractions.
func (f *follower) decision(a *arrival, farm id, at events.Place) error {
	s := &f.s
	p, err := payload(events.KindDecision, s.data)
	if err != nil {
		return err
	}
	x := p.(*events.Decision)
	switch x.Action {
	case events.ActionReassign, events.ActionSwapFoot, events.ActionChange, events.ActionWithdraw:
		a.decided = true
		err = f.confirmed(x.Targets)
	case events.ActionSame, events.ActionNotSame:
		return f.identityDecision(a, farm, at)
	case events.ActionRelease, events.ActionDrop:
		err = f.db.prepared("UPDATE held SET settled=? WHERE id=?").exec(x.Action, a.e.HeldKey(x.Held))
	case events.ActionConfirm, events.ActionRefuse:
		for _, t := range x.Targets {
			if err == nil {
				err = f.db.prepared("DELETE FROM waits WHERE entity=?").exec(t)
			}
		}
	}
	return err
}

// confirmed takes out what the sources of facts said before they changed it.
func (f *follower) confirmed(targets []events.Entity) error {
	for _, t := range targets {
		if err := f.dropOld(oldMark([]byte(t)), func([]value) bool { return true }); err != nil {
			return err
		}
	}
	return nil
}

func (f *follower) identityDecision(a *arrival, farm id, at events.Place) error {
	s := &f.s
	if before, ok := s.place(at.Position); ok {
		if err := f.db.prepared("DELETE FROM decisions WHERE id=?").exec(placeID(before)); err != nil {
			return err
		}
	}
	f.farms[farm] = true
	if bytes.Equal(s.change, retracted) {
		return nil
	}
	return f.db.prepared("INSERT INTO decisions(id, farm, entity, recorded, data) VALUES(?,?,?,?,?)").
		exec(placeID(at), farm, string(s.entity), a.e.Time, s.data)
}

// held keeps the held records of the entry. One that was settled stays settled
// when the same row is read again.
func (f *follower) held(a *arrival) error {
	for i := range a.e.Held {
		b, err := json.Marshal(heldOf(a.e, &a.e.Held[i]))
		if err != nil {
			return fmt.Errorf("herd: keep held record %s: %w", a.e.Held[i].ID, err)
		}
		err = f.db.prepared("INSERT INTO held(farm, id, place, source, settled, data) VALUES(?,?,?,?,'',?) ON CONFLICT DO NOTHING").
			exec(a.farm, a.e.HeldKey(a.e.Held[i].ID), placeID(events.Place{Position: a.e.At}), a.source, string(b))
		if err != nil {
			return err
		}
	}
	return nil
}

func (f *follower) waits(a *arrival) error {
	for _, w := range a.e.Waits {
		err := f.db.prepared("INSERT INTO waits(entity, farm, source, why) VALUES(?,?,?,?) ON CONFLICT DO UPDATE SET why=excluded.why").
			exec(w.Entity, a.farm, a.source, w.Why)
		if err != nil {
			return err
		}
	}
	for _, e := range a.e.Back {
		if err := f.db.prepared("DELETE FROM waits WHERE entity=?").exec(e); err != nil {
			return err
		}
	}
	return nil
}
