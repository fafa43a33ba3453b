package measures

import (
	"math"
	"time"

	"dewclaw/events"
)

// A day counts from 1970-01-01, which is 0.
type day int

// Bounds of time.
const (
	always day = math.MinInt32
	never  day = math.MaxInt32
)

// dayOf reads YYYY-MM-DD, or the day of an RFC 3339 text; what is no day is the
// given one.
func dayOf(s string, otherwise day) day {
	if len(s) < len(time.DateOnly) {
		return otherwise
	}
	year, ok1 := digits(s[:4])
	month, ok2 := digits(s[5:7])
	d, ok3 := digits(s[8:10])
	if !ok1 || !ok2 || !ok3 || s[4] != '-' || s[7] != '-' {
		return otherwise
	}
	t := time.Date(year, time.Month(month), d, 0, 0, 0, 0, time.UTC) // several times faster than time.Parse
	if t.Month() != time.Month(month) || t.Day() != d {
		return otherwise // 30 February
	}
	return day(t.Unix() / 86400)
}

func digits(s string) (n int, ok bool) {
	for _, c := range []byte(s) {
		if c < '0' || c > '9' {
			return 0, false
		}
		n = 10*n + int(c-'0')
	}
	return n, true
}

// String returns YYYY-MM-DD, or "" for a bound of time.
func (d day) String() string {
	if d == always || d == never {
		return ""
	}
	return time.Unix(int64(d)*86400, 0).UTC().Format(time.DateOnly)
}

// A span is a run of days, from included, to not.
type span struct{ from, to day }

func (s span) has(d day) bool  { return s.from <= d && d < s.to }
func (s span) days() int       { return max(0, int(s.to)-int(s.from)) }
func (s span) and(o span) span { return span{max(s.from, o.from), min(s.to, o.to)} }

// has reports whether one of the spans has a day.
func has(spans []span, d day) bool {
	for _, s := range spans {
		if s.has(d) {
			return true
		}
	}
	return false
}

// and returns the days that both have; the spans of each must not overlap.
func and(a, b []span) (out []span) {
	for _, x := range a {
		for _, y := range b {
			if s := x.and(y); s.days() > 0 {
				out = append(out, s)
			}
		}
	}
	return out
}

func days(spans []span) (n int) {
	for _, s := range spans {
		n += s.days()
	}
	return n
}

// Units of time at risk.
const (
	daysAYear  = 365.25
	daysAMonth = daysAYear / 12 // 30.4375
)

// hours returns the time from one moment to another, both RFC 3339 or "".
func hours(from, to string) (float64, bool) {
	if from == "" || to == "" {
		return 0, false
	}
	a, err1 := time.Parse(time.RFC3339, from)
	b, err2 := time.Parse(time.RFC3339, to)
	return b.Sub(a).Hours(), err1 == nil && err2 == nil
}

// checkPeriod returns the fault of a period that is none.
func checkPeriod(from, to string) error {
	a, b := dayOf(from, never), dayOf(to, always)
	if len(from) == len(time.DateOnly) && len(to) == len(time.DateOnly) && a <= b {
		return nil
	}
	return &events.Fault{
		Kind: events.ErrInvalid, Who: "measure", What: "period",
		Wanted: "a first and a last day as YYYY-MM-DD, the first not behind the last", Got: from + " to " + to,
	}
}
