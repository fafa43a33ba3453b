package mapping

import (
	"fmt"
	"math"
	"strconv"
	"strings"
	"time"

	"dewclaw/schema/codes"
)

// A layout reads and writes dates and times of day: see "Layouts" in the
// package comment.
type layout struct {
	text    string
	special string // day-number, day-number-1904, epoch, epoch-ms; else ""
	tokens  []layoutPart
	months  []string  // twelve words for MMM
	date    bool      // it has year, month and day
	clock   bool      // it has a time of day
	zoned   bool      // it has an offset, or is counted in UTC
	half    bool      // it has A
	prec    string    // minute, second or ms; "" without a time of day
	others  []*layout // tried in their order if this one does not fit; none of them special
}

// A layoutPart is one part of a layout; verb is 0 for text that stands for itself.
type layoutPart struct {
	verb byte
	text string
}

// The verbs of layouts, the longer before the shorter.
var verbs = []struct {
	text string
	verb byte
}{
	{"YYYY", 'Y'}, {"YY", 'y'}, {"MMM", 'b'}, {"MM", 'M'}, {"M", 'm'}, {"DD", 'D'}, {"D", 'd'},
	{"HH", 'H'}, {"H", 'k'}, {"hh", 'I'}, {"h", 'i'}, {"mm", 'N'}, {"ss", 'S'}, {"SSS", 'L'}, {"A", 'A'}, {"Z", 'Z'},
}

var englishMonths = []string{"Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec"}

// parseLayout reads a layout; the error says what is wrong with it.
func parseLayout(s string, months []string) (*layout, error) {
	l := &layout{text: s, months: months}
	if len(months) == 0 {
		l.months = englishMonths // from memory
	}
	switch s {
	case "day-number", "day-number-1904":
		l.special, l.date, l.clock, l.prec = s, true, true, "second"
		return l, nil
	case "epoch", "epoch-ms":
		l.special, l.date, l.clock, l.zoned, l.prec = s, true, true, true, "second"
		if s == "epoch-ms" {
			l.prec = "ms"
		}
		return l, nil
	}
	for rest := s; rest != ""; {
		if rest[0] == '\'' {
			text, after, ok := strings.Cut(rest[1:], "'")
			if !ok {
				return nil, fmt.Errorf("a text in '…' that does not end")
			}
			l.tokens = append(l.tokens, layoutPart{text: text})
			rest = after
			continue
		}
		t := layoutPart{text: rest[:1]}
		for _, v := range verbs {
			if strings.HasPrefix(rest, v.text) {
				t = layoutPart{v.verb, v.text}
				break
			}
		}
		if k := len(l.tokens); t.verb == 0 && k > 0 && l.tokens[k-1].verb == 0 {
			l.tokens[k-1].text += t.text
		} else {
			l.tokens = append(l.tokens, t)
		}
		rest = rest[len(t.text):]
	}
	return l, l.settle()
}

// settle works out what the layout has, and says what is missing or twice.
func (l *layout) settle() error {
	var count [128]int
	for _, t := range l.tokens {
		count[t.verb]++
	}
	year, month, day := count['Y']+count['y'], count['b']+count['M']+count['m'], count['D']+count['d']
	hour24, hour12, min, sec, ms := count['H']+count['k'], count['I']+count['i'], count['N'], count['S'], count['L']
	for _, n := range []int{year, month, day, hour24 + hour12, min, sec, ms, count['A'], count['Z']} {
		if n > 1 {
			return fmt.Errorf("a part that stands twice")
		}
	}
	l.date, l.clock, l.zoned, l.half = year+month+day == 3, hour24+hour12 == 1 && min == 1, count['Z'] == 1, count['A'] == 1
	switch {
	case !l.date && year+month+day > 0:
		return fmt.Errorf("a date without all of year, month and day")
	case !l.clock && hour24+hour12+min+sec+ms > 0:
		return fmt.Errorf("a time of day without hours and minutes")
	case !l.date && !l.clock:
		return fmt.Errorf("neither a date nor a time of day")
	case ms > sec:
		return fmt.Errorf("milliseconds without seconds")
	case hour12 != count['A']:
		return fmt.Errorf("hh or h without A, or A without them")
	case l.zoned && !(l.date && l.clock):
		return fmt.Errorf("an offset without date and time of day")
	}
	if l.clock {
		l.prec = [...]string{"minute", "second", "ms"}[sec+ms]
	}
	return nil
}

// A moment is what a layout read. Without a date year is 0.
type moment struct {
	year, month, day         int
	hour, minute, second, ms int
	clock                    bool   // a time of day is known
	prec                     string // of the time of day
	offset                   int    // seconds east of UTC, if zoned
	zoned                    bool
	iso                      string // the text itself, where it is YYYY-MM-DD
	clockText                string // the text itself, where it is as we write it
}

// seconds returns the local time in seconds since 1970-01-01T00:00:00, as if it
// were UTC.
func (m *moment) seconds() int64 {
	return days(m.year, m.month, m.day)*86400 + int64(m.hour)*3600 + int64(m.minute)*60 + int64(m.second)
}

// days returns the days from 1970-01-01 to a day of the proleptic Gregorian
// calendar.
func days(year, month, day int) int64 {
	// Years are taken to begin in March, so that the leap day comes last.
	y := int64(year)
	if month <= 2 {
		y--
	}
	era := floorDiv(y, 400)
	yearOfEra := y - era*400
	dayOfYear := int64((153*((month+9)%12)+2)/5 + day - 1)
	return era*146097 + yearOfEra*365 + yearOfEra/4 - yearOfEra/100 + dayOfYear - 719468
}

func floorDiv(a, b int64) int64 {
	q := a / b
	if a%b < 0 {
		q--
	}
	return q
}

// setSeconds is the way back.
func (m *moment) setSeconds(s int64) {
	t := time.Unix(s, 0).UTC()
	m.year, m.month, m.day = t.Year(), int(t.Month()), t.Day()
	m.hour, m.minute, m.second = t.Clock()
}

// parse reads s whole, by the first layout that fits. Reading is strict: no such
// day or time is no moment.
func (l *layout) parse(s string, mark byte) (moment, bool) {
	m, ok := l.parseOne(s, mark)
	for i := 0; !ok && i < len(l.others); i++ {
		m, ok = l.others[i].parseOne(s, mark)
	}
	return m, ok
}

func (l *layout) parseOne(s string, mark byte) (moment, bool) {
	if l.special != "" {
		return l.count(s, mark)
	}
	var m moment
	pm, hours := -1, 0
	rest := s
	for _, t := range l.tokens {
		ok := true
		switch t.verb {
		case 0:
			if !strings.HasPrefix(rest, t.text) {
				return m, false
			}
			rest = rest[len(t.text):]
		case 'Y':
			m.year, rest, ok = number(rest, 4, 4)
		case 'y':
			m.year, rest, ok = number(rest, 2, 2)
			m.year += 2000
		case 'M':
			m.month, rest, ok = number(rest, 2, 2)
		case 'm':
			m.month, rest, ok = number(rest, 1, 2)
		case 'b':
			m.month, rest, ok = l.monthWord(rest)
		case 'D':
			m.day, rest, ok = number(rest, 2, 2)
		case 'd':
			m.day, rest, ok = number(rest, 1, 2)
		case 'H', 'I':
			hours, rest, ok = number(rest, 2, 2)
		case 'k', 'i':
			hours, rest, ok = number(rest, 1, 2)
		case 'N':
			m.minute, rest, ok = number(rest, 2, 2)
		case 'S':
			m.second, rest, ok = number(rest, 2, 2)
		case 'L':
			m.ms, rest, ok = number(rest, 3, 3)
		case 'A':
			pm, rest, ok = halfDay(rest)
		case 'Z':
			m.offset, rest, ok = offset(rest)
		}
		if !ok {
			return m, false
		}
	}
	if rest != "" {
		return m, false
	}
	if l.half {
		if hours < 1 || hours > 12 {
			return m, false
		}
		hours = hours%12 + 12*pm
	}
	m.hour, m.clock, m.prec, m.zoned = hours, l.clock, l.prec, l.zoned
	if l.date && (m.year < 1900 || m.month < 1 || m.month > 12 || m.day < 1 || m.day > monthDays(m.year, m.month)) {
		return m, false
	}
	switch l.text {
	case "YYYY-MM-DD":
		m.iso = s
	case "YYYY-MM-DDTHH:mm:ss", "YYYY-MM-DD HH:mm:ss", "YYYY-MM-DDTHH:mm", "YYYY-MM-DD HH:mm":
		m.iso, m.clockText = s[:10], s[11:]
	}
	return m, m.hour < 24 && m.minute < 60 && m.second < 60
}

// number reads a number of least to most digits.
func number(s string, least, most int) (int, string, bool) {
	n, i := 0, 0
	for i < len(s) && i < most && s[i] >= '0' && s[i] <= '9' {
		n = n*10 + int(s[i]-'0')
		i++
	}
	return n, s[i:], i >= least
}

func (l *layout) monthWord(s string) (int, string, bool) {
	best, length := 0, 0
	for i, w := range l.months {
		if len(s) >= len(w) && strings.EqualFold(s[:len(w)], w) && len(w) > length {
			best, length = i+1, len(w)
		}
	}
	return best, s[length:], best > 0
}

func halfDay(s string) (int, string, bool) {
	if len(s) < 2 || s[1]|0x20 != 'm' {
		return 0, s, false
	}
	switch s[0] | 0x20 {
	case 'a':
		return 0, s[2:], true
	case 'p':
		return 1, s[2:], true
	}
	return 0, s, false
}

// offset reads Z, +01:00 or +0100.
func offset(s string) (int, string, bool) {
	if s != "" && s[0] == 'Z' {
		return 0, s[1:], true
	}
	if s == "" || s[0] != '+' && s[0] != '-' {
		return 0, s, false
	}
	h, rest, ok := number(s[1:], 2, 2)
	rest = strings.TrimPrefix(rest, ":")
	m, rest, ok2 := number(rest, 2, 2)
	n := h*3600 + m*60
	if s[0] == '-' {
		n = -n
	}
	return n, rest, ok && ok2 && h < 24 && m < 60
}

func monthDays(year, month int) int {
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

// Days from 1970-01-01 to day 0 of spreadsheets. In the 1900 system day 1 is
// 1900-01-01 and day 60 a 29 February 1900 that never was (ECMA-376 part 1,
// 18.17.4.1), so that from day 61 on day 0 is 1899-12-30. From memory.
const (
	zero1900  = -25569
	zero1904  = -24107
	first1900 = 61
	lastDay   = 2958465 // 9999-12-31
)

// count reads a number that counts days, seconds or milliseconds.
func (l *layout) count(s string, mark byte) (moment, bool) {
	d, p := codes.ParseNumber(s, codes.NumberForm{Mark: mark})
	if p != nil {
		return moment{}, false
	}
	m := moment{zoned: l.zoned}
	if l.special == "epoch" || l.special == "epoch-ms" {
		n, err := strconv.ParseInt(d.String(), 10, 64)
		if err != nil || n < 0 || n > 253402300799999 {
			return m, false
		}
		m.clock, m.prec = true, l.prec
		if l.special == "epoch-ms" {
			m.ms = int(n % 1000)
			n /= 1000
		}
		if n > 253402300799 { // 9999-12-31T23:59:59Z
			return m, false
		}
		m.setSeconds(n)
		return m, true
	}
	f, err := strconv.ParseFloat(d.String(), 64) // a fraction of a day is rounded to its second below
	if err != nil || f < 0 || f > lastDay+1 {
		return m, false
	}
	zero := int64(zero1900)
	if l.special == "day-number-1904" {
		zero = zero1904
	}
	whole := math.Floor(f)
	sec := int64(math.Round((f - whole) * 86400))
	m.clock, m.prec = !d.IsInt(), "second"
	if sec%60 == 0 {
		m.prec = "minute"
	}
	m.setSeconds((int64(whole)+zero)*86400 + sec)
	if whole == 0 { // a time of day alone
		m.year, m.month, m.day, m.clock = 0, 0, 0, true
		return m, sec < 86400
	}
	return m, zero == zero1904 || whole >= first1900
}

// append writes a moment in the layout.
func (l *layout) append(b []byte, m *moment) []byte {
	hour12 := (m.hour+11)%12 + 1
	for _, t := range l.tokens {
		switch t.verb {
		case 0:
			b = append(b, t.text...)
		case 'Y':
			b = pad(b, m.year, 4)
		case 'y':
			b = pad(b, m.year%100, 2)
		case 'b':
			b = append(b, l.months[m.month-1]...)
		case 'M':
			b = pad(b, m.month, 2)
		case 'm':
			b = pad(b, m.month, 1)
		case 'D':
			b = pad(b, m.day, 2)
		case 'd':
			b = pad(b, m.day, 1)
		case 'H':
			b = pad(b, m.hour, 2)
		case 'k':
			b = pad(b, m.hour, 1)
		case 'I':
			b = pad(b, hour12, 2)
		case 'i':
			b = pad(b, hour12, 1)
		case 'N':
			b = pad(b, m.minute, 2)
		case 'S':
			b = pad(b, m.second, 2)
		case 'L':
			b = pad(b, m.ms, 3)
		case 'A':
			b = append(b, "AP"[m.hour/12], 'M')
		case 'Z':
			b = append(b, offsetText(m.offset)...)
		}
	}
	return b
}

func pad(b []byte, n, width int) []byte {
	if width >= 4 && n < 1000 {
		b = append(b, '0')
	}
	if width >= 3 && n < 100 {
		b = append(b, '0')
	}
	if width >= 2 && n < 10 {
		b = append(b, '0')
	}
	return strconv.AppendInt(b, int64(n), 10)
}

// offsetText writes an offset from UTC as events have it: +01:00.
func offsetText(seconds int) string {
	sign := byte('+')
	if seconds < 0 {
		sign, seconds = '-', -seconds
	}
	b := append(make([]byte, 0, 6), sign)
	b = append(pad(b, seconds/3600, 2), ':')
	return string(pad(b, seconds/60%60, 2))
}
