package schema

import "regexp"

// formats are the formats the fast check knows. Each says yes only where the
// schema library does.
var formats = map[string]func([]byte) verdict{
	"date":      fullDate,
	"date-time": dateTime,
}

// fullDate judges a full-date of RFC 3339.
func fullDate(b []byte) verdict {
	if len(b) != 10 || b[4] != '-' || b[7] != '-' {
		return no
	}
	y, ok1 := small(b[0:4])
	m, ok2 := small(b[5:7])
	d, ok3 := small(b[8:10])
	if !ok1 || !ok2 || !ok3 || m < 1 || m > 12 || d < 1 || d > daysIn(y, m) {
		return no
	}
	return yes
}

func daysIn(year, month int) int {
	switch month {
	case 4, 6, 9, 11:
		return 30
	case 2:
		if year%4 == 0 && (year%100 != 0 || year%400 == 0) {
			return 29
		}
		return 28
	}
	return 31
}

func small(b []byte) (int, bool) {
	n := 0
	for _, c := range b {
		if c < '0' || c > '9' {
			return 0, false
		}
		n = n*10 + int(c-'0')
	}
	return n, true
}

// dateTime judges a date-time of RFC 3339 in its usual form; of leap seconds and
// small letters it is unsure.
func dateTime(b []byte) verdict {
	if len(b) < 20 || b[10] != 'T' || fullDate(b[:10]) != yes || !clock(b[11:19], 8) {
		return unsure
	}
	rest := b[19:]
	if rest[0] == '.' {
		n := digits(rest, 1)
		if n == 0 {
			return unsure
		}
		rest = rest[1+n:]
	}
	if len(rest) == 1 && rest[0] == 'Z' || offset(rest) {
		return yes
	}
	return unsure
}

// clock reports whether b is a time of day: HH:MM (5 bytes), HH:MM:SS (8) or
// HH:MM:SS.mmm (12).
func clock(b []byte, size int) bool {
	if len(b) != size || !isClockPart(b, 0, '2', '3') || b[2] != ':' || !isClockPart(b, 3, '5', '9') {
		return false
	}
	if size > 5 && (b[5] != ':' || !isClockPart(b, 6, '5', '9')) {
		return false
	}
	return size <= 8 || b[8] == '.' && digits(b, 9) == 3
}

// isClockPart reports whether two digits at i are at most high, low.
func isClockPart(b []byte, i int, high, low byte) bool {
	return b[i] >= '0' && b[i+1] >= '0' && b[i+1] <= '9' && (b[i] < high || b[i] == high && b[i+1] <= low)
}

// offset reports whether b is an offset from -14:59 to +14:59.
func offset(b []byte) bool {
	return len(b) == 6 && (b[0] == '+' || b[0] == '-') && isClockPart(b, 1, '1', '4') && b[3] == ':' && isClockPart(b, 4, '5', '9')
}

func base32Text(b []byte, size int) bool {
	for _, c := range b {
		if (c < '0' || c > '9') && (c < 'a' || c > 'v') {
			return false
		}
	}
	return len(b) == size
}

func hexText(b []byte, size int) bool {
	for _, c := range b {
		if (c < '0' || c > '9') && (c < 'a' || c > 'f') {
			return false
		}
	}
	return len(b) == size
}

// patterns are the patterns the fast check knows without a regular expression;
// TestPatterns_AgreeWithTheirExpressions holds them to it.
var patterns = map[string]func([]byte) bool{
	`^[0-9a-v]{29}$`:                                       func(b []byte) bool { return base32Text(b, 29) },
	`^[0-9a-v]{21}$`:                                       func(b []byte) bool { return base32Text(b, 21) },
	`^[0-9a-f]{64}$`:                                       func(b []byte) bool { return hexText(b, 64) },
	`^[+-](0[0-9]|1[0-4]):[0-5][0-9]$`:                     offset,
	`^([01][0-9]|2[0-3]):[0-5][0-9]$`:                      func(b []byte) bool { return clock(b, 5) },
	`^([01][0-9]|2[0-3]):[0-5][0-9]:[0-5][0-9]$`:           func(b []byte) bool { return clock(b, 8) },
	`^([01][0-9]|2[0-3]):[0-5][0-9]:[0-5][0-9]\.[0-9]{3}$`: func(b []byte) bool { return clock(b, 12) },
}

func patternOf(expression string) func([]byte) bool {
	if f, ok := patterns[expression]; ok {
		return f
	}
	return regexp.MustCompile(expression).Match
}
