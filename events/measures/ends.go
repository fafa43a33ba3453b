package measures

import (
	"slices"
	"time"

	"dewclaw/events/herd"
	"dewclaw/events/worklist"
)

// foundGone is how a device came off that nobody took off, code list taken-off-how.
const foundGone = "found-gone"

// A wrapEnd is when a wrap must have come off. Of ends that its sources changed,
// and nobody confirmed, the later one holds: until then it was in place by right.
type wrapEnd struct {
	late    string // from when it is late, RFC 3339 or a day; "" if nothing says
	closes  day    // last day on which it comes off in time, or on which that cannot be told
	whole   bool   // late is a day that was ordered, which counts to its end
	lifted  bool   // an order names the time alone
	amended bool   // its sources changed the end
}

func endOfWrap(d *herd.Device) (e wrapEnd) {
	_, e.late, e.lifted = worklist.Times(d)
	ordered := d.Order != nil && isDay(e.late)
	if end := d.Later(); end != "" {
		e.amended = true
		ordered = d.Order != nil && isDay(end) && end != d.Late &&
			!slices.ContainsFunc(d.Before, func(b herd.Before) bool { return b.Late == end })
		if e.late = end; ordered {
			e.late = (dayOf(end, never) + 1).String() // late when the day is over
		}
	}
	e.closes, e.whole = dayOf(e.late, never), ordered
	if ordered {
		e.closes--
	}
	return e
}

func isDay(s string) bool { return len(s) == len(time.DateOnly) }

// unknown reports whether nobody knows from when the wrap is late.
func (e wrapEnd) unknown(d *herd.Device) bool { return e.late == "" || d.Found && !e.lifted }

// off judges a wrap that came off, by hours if both are known, by days if they
// differ. A whole day that was ordered counts to its end.
func (e wrapEnd) off(d *herd.Device) answer {
	if h, ok := hours(d.OffAt, e.late); ok {
		return answerOf(h > 0)
	}
	off := dayOf(d.Off, never)
	if off == e.closes && !e.whole {
		return unclear
	}
	return answerOf(off <= e.closes)
}

// A blockEnd is when a block is looked at and comes off; see [wrapEnd] for what
// its sources changed.
type blockEnd struct {
	from, longest day  // it is looked at between them
	planned       day  // as ordered or planned; never if nobody did
	lifted        bool // an order names the time alone
	amended       bool // its sources changed the end
	putAgain      bool // they changed the day it was put on
}

func (u *duty) endOfBlock(d *herd.Device) (e blockEnd) {
	first, last := d.OnFirst(), d.On
	for _, b := range d.Before {
		last = max(last, b.On)
	}
	e.from, e.longest = dayOf(u.set.BlockCheckWindow(first).From, never), dayOf(u.set.BlockCheckWindow(last).To, never)
	var due string
	due, _, e.lifted = worklist.Times(d)
	if due == "" && !e.lifted {
		due = d.PlannedFirst()
	}
	later := d.Later()
	if later != "" {
		due = later
	}
	e.planned, e.putAgain = dayOf(due, never), first != last
	e.amended = later != "" || e.planned == never && e.putAgain
	return e
}
