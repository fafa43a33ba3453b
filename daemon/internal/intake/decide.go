package intake

import (
	"dewclaw/adapters"
	"dewclaw/events"
	"dewclaw/events/index"
)

// An outcome is what becomes of a mapped record; it counts once.
type outcome uint8

const (
	duplicate outcome = iota // nothing of it is new
	accepted                 // something is recorded
	amended                  // something is amended
	waits                    // only the end of its original tells
)

// A situation is what a ruling depends on beside the record and what is known of it.
type situation struct {
	continues bool // an earlier row of the same original has the same record
	older     bool // complete source: a newer export was read for the record's day and scope
	overruled bool // and such an export would have retracted what it does not know
	ended     bool // the original was read to its end: nothing waits any more
}

// A step is one revision a record makes.
type step struct {
	draft  int // its content is that of this draft; -1: the last content
	slot   int // in the record as known; -1: the entity is new
	number int
	change events.Change
	before events.Place // of the revision before; not set if number is 1
	again  bool         // the revision before is the step before
}

// String returns the outcome as the log writes it; "" for a duplicate.
func (o outcome) String() string { return [...]string{"", "accepted", "amended", "waits"}[o] }

// word returns the outcome of a record that is settled, for people.
func (o outcome) word() string {
	if o == duplicate {
		return "duplicate"
	}
	return o.String()
}

// parseOutcome reads what String writes.
func parseOutcome(s string) outcome {
	switch s {
	case "accepted":
		return accepted
	case "amended":
		return amended
	}
	return duplicate
}

// A ruling is what becomes of one record. Its slices are reused by the next.
type ruling struct {
	outcome outcome
	sofar   outcome // what the steps come to; the outcome, unless it waits
	steps   []step
	guarded []int // slots that lack and whose retraction waits for a person
	unsure  []int // new drafts that a newer export would have retracted, and that wait for a person instead
	back    []int // slots whose waiting retraction is over: the source has them again
	slots   []int // of each draft; -1: new
}

// decide rules what becomes of a mapped record, given what is known of it. It
// is a pure function; see "Identity" in the package comment for the rules.
//
// guard tells whether the retraction of a slot must wait for a person; it is
// asked only for slots that are to be retracted.
func decide(r *ruling, rec *adapters.Record, known *index.Record, s situation, guard func(slot int) (bool, error)) error {
	r.outcome, r.steps, r.slots = duplicate, r.steps[:0], r.slots[:0]
	r.guarded, r.unsure, r.back = r.guarded[:0], r.unsure[:0], r.back[:0]
	anew, changed, undecided := false, false, false
	for i := range rec.Drafts {
		d := &rec.Drafts[i]
		at := slotIndex(known, d.Entity)
		r.slots = append(r.slots, at)
		if at < 0 {
			r.steps = append(r.steps, step{draft: i, slot: -1, number: 1, change: events.Recorded})
			anew = true
			if s.overruled {
				r.overrule(i, d)
			}
			continue
		}
		k := &known.Slots[at]
		live := k.State&index.Live != 0
		if s.older && (!s.continues || !live) {
			continue
		}
		switch {
		case k.Said == d.Digest && k.State&index.Gone == 0:
			if k.State&index.Waits != 0 {
				r.back = append(r.back, at)
			}
			continue
		case !s.ended && (k.Said == d.Digest || k.SaidBefore(d.Digest)):
			undecided = true
			continue
		}
		st := step{draft: i, slot: at, number: k.Revision + 1, change: events.Amended, before: k.Place}
		if live {
			changed = true
		} else {
			st.change = events.Recorded
			anew = true
		}
		r.steps = append(r.steps, st)
	}
	if rec.Whole && !s.continues && !s.older && known.Known {
		lacks, err := r.lacking(known, s.ended, guard)
		if err != nil {
			return err
		}
		undecided = undecided || lacks && !s.ended
	}
	switch {
	case changed:
		r.outcome = amended
	case anew:
		r.outcome = accepted
	}
	r.sofar = r.outcome
	if undecided {
		r.outcome = waits
	}
	return nil
}

// overrule retracts the entity that was just recorded, as the newer export
// would have done; a guarded one waits for a person instead.
func (r *ruling) overrule(i int, d *adapters.Draft) {
	if d.Guarded {
		r.unsure = append(r.unsure, i)
		return
	}
	r.steps = append(r.steps, step{draft: i, slot: -1, number: 2, change: events.Retracted, again: true})
}

// lacking finds the live slots that no draft has, and retracts them if the
// original has ended. One a person decided to keep, one that came with a row that
// was held, and one whose retraction waits already are left alone.
func (r *ruling) lacking(known *index.Record, ended bool, guard func(int) (bool, error)) (bool, error) {
	lacks := false
	for i := range known.Slots {
		k := &known.Slots[i]
		if k.State&index.Live == 0 || k.State&(index.Kept|index.Waits|index.FromHeld) != 0 || r.has(i) {
			continue
		}
		lacks = true
		if !ended {
			return true, nil
		}
		guarded, err := guard(i)
		if err != nil {
			return true, err
		}
		if guarded {
			r.guarded = append(r.guarded, i)
			continue
		}
		r.steps = append(r.steps, step{draft: -1, slot: i, number: k.Revision + 1, change: events.Retracted, before: k.Place})
	}
	return lacks, nil
}

func (r *ruling) has(slot int) bool {
	for _, s := range r.slots {
		if s == slot {
			return true
		}
	}
	return false
}

// slotIndex returns the place of an entity's slot in what is known of its
// record, or -1.
func slotIndex(known *index.Record, e events.Entity) int {
	if !known.Known {
		return -1
	}
	_, s, err := e.Split()
	if err != nil {
		return -1
	}
	for i := range known.Slots {
		if known.Slots[i].Slot == s {
			return i
		}
	}
	return -1
}
