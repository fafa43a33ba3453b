package measures

import (
	"slices"
	"time"

	"dewclaw/events"
	"dewclaw/events/herd"
	"dewclaw/events/worklist"
)

// devices adds wraps and blocks.
func (u *duty) devices() {
	for i := range u.d.Devices {
		if d := &u.d.Devices[i]; d.What == "wrap" {
			u.wrap(d)
		} else {
			u.block(d)
		}
	}
}

func unsure(d *herd.Device) bool { return len(d.Doubts) > 0 || d.Old }

// wrap adds one that was to come off before it is late. A vet's dressing stays on
// as the vet says.
func (u *duty) wrap(d *herd.Device) {
	_, late, lifted := worklist.Times(d)
	t := &dueThing{kind: wrapOff, animal: d.Animal, closes: dayOf(late, never), did: dayOf(d.Off, never), made: d.Events, by: d.OffBy}
	dayOnly := len(late) == len(time.DateOnly)
	if d.Order != nil && dayOnly { // late when the day that was ordered is over
		t.closes--
	}
	put := dayOf(d.On, never)
	switch {
	case worklist.Dressed(d):
		u.aside(wrapOff, u.putIn(put), "vet dressings put on in the period, which stay on as the vet says")
	case late == "" || d.Found && !lifted:
		u.aside(wrapOff, u.putIn(put), "put on, or first seen, in the period, and nobody knows from when they are late")
	default:
		t.inTime = offBy(d, t, late, d.Order != nil && dayOnly)
		t.gone = d.OffHow == "found-gone" && t.inTime != yes
		u.take(t, unsure(d))
	}
}

// putIn returns a day put on if it is in the period, so that what has no end is
// told of once, in the period in which it began.
func (u *duty) putIn(put day) day {
	if u.period.has(put) {
		return put
	}
	return never
}

// offBy judges a wrap by hours if both are known, by days if they differ. A whole
// day that was ordered counts to its end.
func offBy(d *herd.Device, t *dueThing, late string, whole bool) answer {
	if h, ok := hours(d.OffAt, late); ok {
		return answerOf(h > 0)
	}
	if t.did == t.closes && !whole {
		return unclear
	}
	return answerOf(t.did <= t.closes)
}

// block adds the look at one, and its coming off. A block lost before is no
// longer due (see measure devices).
func (u *duty) block(d *herd.Device) {
	window := u.set.BlockCheckWindow(d.OnFirst())
	from, longest := dayOf(window.From, never), dayOf(window.To, never)
	due, _, lifted := worklist.Times(d)
	if due == "" && !lifted {
		due = d.PlannedFirst()
	}
	planned, off := dayOf(due, never), dayOf(d.Off, never)
	lost := off
	if d.OffHow == "found-gone" {
		lost = dayOf(d.Gone, off)
	}
	if !lifted && planned > from && lost >= from {
		u.checkBlock(d, from, longest, off)
	}
	closes := longest
	if planned != never {
		closes = planned
	}
	t := &dueThing{kind: blockOff, animal: d.Animal, closes: closes, made: d.Events}
	t.done(off, d.OffBy...)
	if d.OffHow == "found-gone" {
		if lost <= closes {
			u.aside(blockOff, closes, "lost before they were to come off")
			return
		}
		t.gone = d.Gone == ""
	}
	u.take(t, unsure(d))
}

// checkBlock adds the look at a block that is on when it is due. Taking it off is
// looking at it.
func (u *duty) checkBlock(d *herd.Device, from, to, off day) {
	t := &dueThing{kind: blockCheck, animal: d.Animal, closes: to, made: d.Events}
	t.done(off, d.OffBy...)
	for _, c := range d.Checks {
		if at := dayOf(c.Day, never); at >= from && at < off && len(c.Doubts) == 0 {
			t.done(at, c.Event)
			break
		}
	}
	u.take(t, unsure(d))
}

// neverDone are orders of which no record can tell that they were carried out.
var neverDone = []string{"separate", "other"}

// given adds orders with a day by which they are due. Those about a wrap or block
// stand with it.
func (u *duty) given() {
	withDevice := map[events.Entity][]*herd.Order{}
	for i := range u.d.Devices {
		if o := u.d.Devices[i].Order; o != nil {
			withDevice[o.Event] = append(withDevice[o.Event], o)
		}
	}
	for i := range u.d.Orders {
		o := &u.d.Orders[i]
		due := o.DueFirst()
		closes := dayOf(due, never)
		ended := dayOf(o.Ended, never)
		switch {
		case due == "" || slices.ContainsFunc(withDevice[o.Event], o.Same) || slices.Contains([]string{"not-trim", "lift", "leave-wrap", "leave-block"}, o.What):
		case slices.Contains(neverDone, o.What):
			u.aside(ordered, closes, "orders of which no record tells that they were carried out")
		case ended <= closes && dayOf(o.Done, never) >= ended:
			u.aside(ordered, closes, "put out of force by another order before")
		default:
			t := &dueThing{kind: ordered, animal: o.Animal, closes: closes, made: []events.Entity{o.Event}}
			t.done(dayOf(o.Done, never))
			if o.DoneBy != "" {
				t.by = append(t.by, o.DoneBy)
			}
			if t.did == closes && len(due) > len(time.DateOnly) {
				t.inTime = unclear // the hour it was done is not told
			}
			u.take(t, len(o.Doubts) > 0 || o.Old)
		}
	}
}
