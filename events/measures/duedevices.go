package measures

import (
	"slices"

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
	e := endOfWrap(d)
	t := &dueThing{kind: wrapOff, animal: d.Animal, closes: e.closes, did: dayOf(d.Off, never), made: d.Events, by: d.OffBy, amended: e.amended}
	put := dayOf(d.On, never)
	switch {
	case worklist.Dressed(d):
		u.aside(wrapOff, u.putIn(put), "vet dressings put on in the period, which stay on as the vet says")
	case e.unknown(d):
		u.aside(wrapOff, u.putIn(put), "put on, or first seen, in the period, and nobody knows from when they are late")
	default:
		t.inTime = e.off(d)
		t.gone = d.OffHow == foundGone && t.inTime != yes
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

// block adds the look at one, and its coming off. A block lost before is no
// longer due (see measure devices).
func (u *duty) block(d *herd.Device) {
	e := u.endOfBlock(d)
	off := dayOf(d.Off, never)
	lost := off
	if d.OffHow == foundGone {
		lost = dayOf(d.Gone, off)
	}
	if !e.lifted && e.planned > e.from && lost >= e.from {
		u.checkBlock(d, e, off)
	}
	closes := e.longest
	if e.planned != never {
		closes = e.planned
	}
	t := &dueThing{kind: blockOff, animal: d.Animal, closes: closes, made: d.Events, amended: e.amended}
	t.done(off, d.OffBy...)
	if d.OffHow == foundGone {
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
func (u *duty) checkBlock(d *herd.Device, e blockEnd, off day) {
	t := &dueThing{kind: blockCheck, animal: d.Animal, closes: e.longest, made: d.Events, amended: e.putAgain}
	t.done(off, d.OffBy...)
	for _, c := range d.Checks {
		if at := dayOf(c.Day, never); at >= e.from && at < off && len(c.Doubts) == 0 {
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
			if t.did == closes && !isDay(due) {
				t.inTime = unclear // the hour it was done is not told
			}
			u.take(t, len(o.Doubts) > 0 || o.Old)
		}
	}
}
