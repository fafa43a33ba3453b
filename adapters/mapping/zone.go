package mapping

import (
	"fmt"
	"time"
	_ "time/tzdata" // the same zones on every machine

	"dewclaw/events"
)

// A zone turns local times into moments, with a memory of the days it has seen.
// Not for use by several goroutines at once.
type zone struct {
	name string
	loc  *time.Location
	days map[int64]*dayInfo

	clocks map[int]string // times of day as events have them
}

// A dayInfo is what is known of one local day.
type dayInfo struct {
	date   string // YYYY-MM-DD
	steady bool   // one offset holds from the day before to the day after
	offset int    // seconds, if steady
	text   string // the offset, if steady
}

// mostDays bounds the memory of a zone: over it, it starts anew.
const mostDays = 20_000

func newZone(name string) (*zone, error) {
	loc, err := time.LoadLocation(name)
	if err != nil || name == "" || name == "Local" {
		return nil, fmt.Errorf("zone %q is no IANA zone: %w", name, events.ErrInvalid)
	}
	return &zone{name: name, loc: loc, days: map[int64]*dayInfo{}, clocks: map[int]string{}}, nil
}

// day returns what is known of the day that many days after 1970-01-01.
func (z *zone) day(n int64, m *moment) *dayInfo {
	if d, ok := z.days[n]; ok {
		return d
	}
	if len(z.days) >= mostDays {
		clear(z.days)
	}
	d := new(dayInfo)
	if d.date = m.iso; d.date == "" {
		b := append(pad(make([]byte, 0, 10), m.year, 4), '-')
		b = append(pad(b, m.month, 2), '-')
		d.date = string(pad(b, m.day, 2))
	} else {
		d.date = string([]byte(d.date)) // not the block the text came in
	}
	from := time.Unix((n-1)*86400, 0).In(z.loc)
	_, d.offset = from.Zone()
	_, until := from.ZoneBounds()
	d.steady = (until.IsZero() || until.Unix() >= (n+2)*86400) && d.offset%60 == 0
	d.text = offsetText(d.offset)
	z.days[n] = d
	return d
}

// The answers of a zone to a local time that is not plain.
const (
	leftOut = "a time that exists"
	twice   = "a time that exists once"
)

// offset returns the offset from UTC at a local time, and its text. Of a local
// time that the clock change leaves out or has twice, it says so in wanted;
// overlap chooses between the two: hold, earlier or later.
func (z *zone) offset(d *dayInfo, local int64, overlap string) (seconds int, text, wanted string) {
	if d.steady {
		return d.offset, d.text, ""
	}
	before, after := z.at(local-86400), z.at(local+86400)
	fits := func(off int) bool { return z.at(local-int64(off)) == off }
	switch first, second := fits(before), fits(after); {
	case first && second && before != after:
		early, late := max(before, after), min(before, after) // a greater offset comes first
		switch overlap {
		case "earlier":
			return early, offsetText(early), ""
		case "later":
			return late, offsetText(late), ""
		}
		return 0, "", twice
	case first:
		after = before
	case !second:
		return 0, "", leftOut
	}
	if after%60 != 0 {
		return 0, "", "a time with an offset of whole minutes"
	}
	return after, offsetText(after), ""
}

// at returns the offset that holds at a moment.
func (z *zone) at(unix int64) int {
	_, off := time.Unix(unix, 0).In(z.loc).Zone()
	return off
}

// clock returns the time of day as events have it. The texts of whole minutes
// and seconds are remembered.
func (z *zone) clock(t *moment) string {
	n := (t.hour*60 + t.minute) * 60
	if t.prec != "minute" {
		n += t.second
	}
	if t.prec == "ms" {
		return string(append(appendClock(nil, t), '.')) + pad3(t.ms)
	}
	key := n<<1 | 1
	if t.prec == "minute" {
		key = n << 1
	}
	if s, ok := z.clocks[key]; ok {
		return s
	}
	s := string(appendClock(nil, t))
	z.clocks[key] = s
	return s
}

func pad3(n int) string { return string(pad(nil, n, 3)) }

func appendClock(b []byte, t *moment) []byte {
	b = append(pad(b, t.hour, 2), ':')
	b = pad(b, t.minute, 2)
	if t.prec == "minute" {
		return b
	}
	return pad(append(b, ':'), t.second, 2)
}

// utc returns the zone for what has none.
func utc() *zone {
	return &zone{name: "UTC", loc: time.UTC, days: map[int64]*dayInfo{}, clocks: map[int]string{}}
}
