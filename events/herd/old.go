package herd

import (
	"bytes"
	"hash/fnv"
	"slices"
	"strings"

	"dewclaw/events"
	"dewclaw/schema/codes"
)

// This file keeps what a source silently took back. A block, a wrap, a withdrawal
// or an order never ends because its record says something else now: the earlier
// revision stays beside the newest one until a person decides about the event,
// and both are shown.

// oldMark is the mark that the revisions of one entity have in common once an
// older one stays. Marks of examinations are positive.
func oldMark(entity []byte) int64 {
	h := fnv.New64a()
	h.Write(entity)
	return -(int64(h.Sum64()>>1) | 1)
}

// leave takes out the row of the revision before the one in s, or lets it stay as
// an old one. It returns the mark of the chain, 0 if there is none.
func (f *follower) leave(a *arrival, before id, row []value, naming id) (int64, error) {
	mark := min(intOf(row[2]), 0)
	amended := !a.decided && bytes.Equal(f.s.change, amended)
	if kind := events.Kind(f.s.kind); amended && (kind == events.KindTreatment || kind == events.KindOrder) {
		stays, err := f.takesBack(kind, blobOf(row[3]), id(intOf(row[0])) != naming)
		if err != nil {
			return 0, err
		}
		if stays {
			return f.keepOld(before, oldMark(f.s.entity), row)
		}
	}
	if err := f.db.prepared("DELETE FROM facts WHERE id=?").exec(before); err != nil {
		return 0, err
	}
	if mark == 0 || amended {
		return mark, nil
	}
	return 0, f.dropOld(mark, func([]value) bool { return true })
}

var amended = []byte(events.Amended)

// takesBack reports whether the treatment or order in s no longer says what one
// before it said, or says it of another animal.
func (f *follower) takesBack(kind events.Kind, data []byte, moved bool) (bool, error) {
	old, err := payload(kind, data)
	if err != nil {
		return false, err
	}
	now, err := payload(kind, f.s.body)
	if err != nil {
		return false, err
	}
	if o, ok := old.(*events.Order); ok {
		return moved || lessCareful(o, now.(*events.Order)), nil
	}
	x, y := old.(*events.Treatment), now.(*events.Treatment)
	if d := deviceOf(x); d != "" {
		if moved || !samePlace(x, y) || x.Occurred.Date != y.Occurred.Date || x.Derived.DueOff != y.Derived.DueOff || x.Derived.LateFrom != y.Derived.LateFrom || x.PlannedOff != y.PlannedOff {
			return true, nil
		}
	}
	if !withheld(x) {
		return false, nil
	}
	return moved || !withheld(y) || later(x.Medicine.Milk, y.Medicine.Milk) || later(x.Medicine.Meat, y.Medicine.Meat), nil
}

// lessCareful reports whether an order, as it is now, asks for less than it did,
// for the same later, or not so long; or whether it puts out of force what it
// did not, as a vet's order does that was somebody else's. Any other time of an order about a device, or of one that lifts
// something, may be one or the other.
func lessCareful(was, is *events.Order) bool {
	x, y := orderOf(&Fact{Payload: was}), orderOf(&Fact{Payload: is})
	switch {
	case !x.samePlace(&y), (x.By == vet) != (y.By == vet), !strings.Contains(y.Detail, x.Detail):
		return true
	case was.Occurred != is.Occurred && !afterwards(is.Occurred.Date, is.Occurred.RFC3339(), was.Occurred.Date, was.Occurred.RFC3339()):
		return true // what was done meanwhile would count for it now
	case !slices.Equal(x.Cancels, y.Cancels):
		return true
	case len(y.Cancels) > 0 || y.device() != "":
		return x.Due != y.Due || x.Until != y.Until
	}
	return x.Due != "" && (y.Due == "" || y.Due > x.Due) || y.Until != "" && (x.Until == "" || y.Until < x.Until)
}

func deviceOf(t *events.Treatment) string {
	if k := codes.Treatments().Get(t.What); k != nil {
		return k.Device
	}
	return ""
}

// samePlace reports whether two treatments put the same on the same claw.
func samePlace(x, y *events.Treatment) bool {
	return deviceOf(x) == deviceOf(y) && x.Foot == y.Foot && clawUnder(x) == clawUnder(y)
}

// clawUnder is the claw a device is on; a wrap is on the foot.
func clawUnder(t *events.Treatment) string {
	switch {
	case deviceOf(t) == "wrap":
		return "none"
	case t.Claw == "":
		return "unknown"
	}
	return t.Claw
}

// withheld reports whether a treatment may withhold milk or meat.
func withheld(t *events.Treatment) bool {
	return t.What == "medicine" || t.Medicine != (events.Medicine{})
}

// later reports whether a recorded end is behind what another says. An unknown
// one has no end: whoever fills it in takes nothing back.
func later(x, y events.Withdrawal) bool {
	return x.State == "until" && (y.State != "until" || x.Until > y.Until)
}

// keepOld lets a revision stay. One that said the same before goes: a source that
// says now this, now that, is kept once with each.
func (f *follower) keepOld(before id, mark int64, row []value) (int64, error) {
	err := f.dropOld(mark, func(o []value) bool { return o[1] == row[0] && bytes.Equal(blobOf(o[2]), blobOf(row[3])) })
	if err != nil {
		return 0, err
	}
	if f.building {
		f.olds[mark] = append(f.olds[mark], before)
	}
	return mark, f.db.prepared("UPDATE facts SET state = state | ?, mark = ? WHERE id=?").exec(stateOld, mark, before)
}

// dropOld takes out the old revisions with a mark of which which is true; it is
// given id, naming and data.
func (f *follower) dropOld(mark int64, which func([]value) bool) error {
	rows, err := f.oldRows(mark)
	if err != nil {
		return err
	}
	for _, row := range rows {
		if !which(row) {
			continue
		}
		f.touch(id(intOf(row[1])), 0)
		if err := f.db.prepared("DELETE FROM facts WHERE id=?").exec(row[0]); err != nil {
			return err
		}
	}
	return nil
}

// oldRows reads the old revisions with a mark. While the herd is being built
// there is no index, and the follower knows them.
func (f *follower) oldRows(mark int64) (rows [][]value, err error) {
	read := func(row []value) error {
		rows = append(rows, []value{row[0], row[1], row[2]})
		return nil
	}
	if !f.building {
		err = f.db.prepared("SELECT id, naming, data FROM facts WHERE mark=? AND state & ? <> 0").each(read, mark, stateOld)
		return rows, err
	}
	for _, n := range f.olds[mark] {
		if err := f.db.prepared("SELECT id, naming, data FROM facts WHERE id=?").each(read, n); err != nil {
			return nil, err
		}
	}
	return rows, nil
}
