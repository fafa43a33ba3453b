package herd

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"slices"
	"strings"

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
// when the same row is read again. One of which the farm cannot be read is kept
// with each that it may be of.
func (f *follower) held(a *arrival) error {
	for i := range a.e.Held {
		h := &a.e.Held[i]
		farm, maybe := a.e.FarmOf(h)
		says, farms := heldOf(a.e, h, farm), []string{farm}
		if farm == "" {
			if says = mayBeOf(a.e, h); len(maybe) > 0 {
				farms = maybe
			}
		}
		b, err := json.Marshal(says)
		if err != nil {
			return fmt.Errorf("herd: keep held record %s: %w", h.ID, err)
		}
		for _, farm := range farms {
			n, err := f.name([]byte(farm))
			if err != nil {
				return err
			}
			err = f.db.prepared("INSERT INTO held(farm, id, place, source, settled, data) VALUES(?,?,?,?,'',?) ON CONFLICT DO NOTHING").
				exec(n, a.e.HeldKey(h.ID), placeID(events.Place{Position: a.e.At}), a.source, string(b))
			if err != nil {
				return err
			}
		}
	}
	return nil
}

func (f *follower) waits(a *arrival) error {
	for _, w := range a.e.Waits {
		farm, err := f.farmOfWait(a, w.Entity)
		if err != nil {
			return err
		}
		if farm == a.farm && a.e.Defaults.Farm == "" {
			f.whose = true
		}
		err = f.db.prepared("INSERT INTO waits(entity, farm, source, why) VALUES(?,?,?,?) ON CONFLICT DO UPDATE SET why=excluded.why").
			exec(w.Entity, farm, a.source, w.Why)
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

// farmOfWait returns the farm of a fact that waits: that of its entry. The entry of
// a source that tells of several farms has none; then it is that of the roster
// statement it is about, and of other facts settleWaits finds it.
func (f *follower) farmOfWait(a *arrival, e events.Entity) (id, error) {
	if a.e.Defaults.Farm != "" {
		return a.farm, nil
	}
	for farm := range a.e.Zones {
		n, err := f.name([]byte(farm))
		if err != nil {
			return 0, err
		}
		row, err := f.db.prepared("SELECT 1 FROM statements WHERE farm=? AND entity=?").first(n, e)
		if err != nil || row != nil {
			return n, err
		}
	}
	return a.farm, nil
}

// mostAsked is how many facts are looked for in one go through them.
const mostAsked = 500

// settleWaits finds the farms of the facts that wait and of which none is known
// yet. Facts have no index by entity, as nothing else looks them up so: all of them
// are gone through, once for what came since the last commit.
func (f *follower) settleWaits(ctx context.Context) error {
	if !f.whose {
		return nil
	}
	none, err := f.name(nil)
	if err != nil {
		return err
	}
	var waiting []string
	err = f.db.prepared("SELECT entity FROM waits WHERE farm=?").each(func(row []value) error {
		waiting = append(waiting, textOf(row[0]))
		return nil
	}, none)
	if err != nil {
		return err
	}
	for some := range slices.Chunk(waiting, mostAsked) {
		args := make([]any, len(some))
		for i, e := range some {
			args[i] = []byte(e)
		}
		farms := map[string]id{}
		q := f.db.prepare("SELECT f.entity, n.farm FROM facts f JOIN namings n ON n.id = f.naming WHERE f.entity IN (?" + strings.Repeat(",?", len(some)-1) + ")")
		err := q.within(ctx, func(row []value) error {
			farms[string(blobOf(row[0]))] = id(intOf(row[1]))
			return nil
		}, args...)
		if err := errors.Join(err, q.close()); err != nil {
			return err
		}
		for e, farm := range farms {
			if err := f.db.prepared("UPDATE waits SET farm=? WHERE entity=?").exec(farm, e); err != nil {
				return err
			}
		}
	}
	f.whose = false
	return nil
}
