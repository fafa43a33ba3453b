package rules

import (
	"sync"
	"time"

	"dewclaw/events"
)

// stamp writes a moment in local time with its offset, to the second.
const stamp = "2006-01-02T15:04:05-07:00"

// deriveWrap derives when a wrap is due off and from when it is late: elapsed
// time after it was put on, so that a clock change shifts the local time. If only
// the day is known, it may have been put on at its very beginning: the days are
// those on which the wrap may be due and late at the earliest.
func (s *Settings) deriveWrap(t *events.Treatment) {
	o := &t.Occurred
	if on, ok := moment(o); ok {
		t.Derived.DueOff = on.Add(s.WrapDue).Format(stamp)
		t.Derived.LateFrom = on.Add(s.WrapLate).Format(stamp)
		return
	}
	day, err := time.Parse(time.DateOnly, o.Date)
	if err != nil {
		return
	}
	t.Derived.DueOff = day.Add(s.WrapDue).Format(time.DateOnly)
	t.Derived.LateFrom = day.Add(s.WrapLate).Format(time.DateOnly)
}

// moment returns the moment of a fact in its zone, or false if no time of day is
// known. Without a zone, or with one this machine does not know, the offset
// stands for the zone.
func moment(o *events.Occurred) (time.Time, bool) {
	text := o.RFC3339()
	if text == "" {
		return time.Time{}, false
	}
	at, err := time.Parse(time.RFC3339Nano, text)
	if err != nil {
		return time.Time{}, false
	}
	if zone := location(o.Zone); zone != nil {
		return at.In(zone), true
	}
	_, offset := at.Zone()
	return at.In(time.FixedZone("", offset)), true
}

// locations keeps what was loaded: loading a zone reads files.
var locations sync.Map // string → *time.Location; nil for one that is not known

func location(name string) *time.Location {
	if name == "" || name == "Local" { // Local is the zone of this machine
		return nil
	}
	if l, ok := locations.Load(name); ok {
		return l.(*time.Location)
	}
	l, err := time.LoadLocation(name)
	if err != nil {
		l = nil
	}
	locations.Store(name, l)
	return l
}
