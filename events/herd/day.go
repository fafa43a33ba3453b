package herd

import (
	"math"
	"time"
)

// A day counts from 1970-01-01, which is 0.
type day int32

// Bounds of time. A span from always to never holds on every day.
const (
	always day = math.MinInt32
	never  day = math.MaxInt32
)

// parseDay reads YYYY-MM-DD. Days of a month are not checked beyond 1 to 31: the
// schema did that before anything was stored.
func parseDay[T string | []byte](s T) (day, bool) {
	if len(s) < 10 || s[4] != '-' || s[7] != '-' {
		return 0, false
	}
	y, ok1 := digits(s[:4])
	m, ok2 := digits(s[5:7])
	d, ok3 := digits(s[8:10])
	if !ok1 || !ok2 || !ok3 || m < 1 || m > 12 || d < 1 || d > 31 {
		return 0, false
	}
	// Days of the civil calendar, counted in years that begin in March.
	if m <= 2 {
		y--
	}
	era := y / 400
	yoe := y - era*400
	doy := (153*((m+9)%12)+2)/5 + d - 1
	doe := yoe*365 + yoe/4 - yoe/100 + doy
	return day(era*146097 + doe - 719468), true
}

func digits[T string | []byte](s T) (int, bool) {
	n := 0
	for i := 0; i < len(s); i++ {
		if s[i] < '0' || s[i] > '9' {
			return 0, false
		}
		n = n*10 + int(s[i]-'0')
	}
	return n, true
}

// dayOf is parseDay for texts of which nothing else is known; what is no day is
// the given one.
func dayOf(s string, otherwise day) day {
	if d, ok := parseDay(s); ok {
		return d
	}
	return otherwise
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
func (s span) empty() bool     { return s.from >= s.to }
func (s span) and(o span) span { return span{max(s.from, o.from), min(s.to, o.to)} }
func (s span) meets(o span) bool {
	return !s.and(o).empty()
}

// gap returns how many days lie between a and b, whichever comes first.
func gap(a, b day) int {
	if a > b {
		a, b = b, a
	}
	return int(b) - int(a)
}
