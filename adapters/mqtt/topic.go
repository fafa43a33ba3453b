package mqtt

import (
	"strconv"
	"strings"
	"unicode/utf8"

	"dewclaw/events"
)

// checkTopic refuses what is no topic (MQTT 5.0, section 4.7). Wildcards are for
// those who read.
func checkTopic(who, what, s string, wildcards bool) error {
	ok := s != "" && len(s) < 1<<16 && utf8.ValidString(s) && !strings.ContainsRune(s, 0)
	levels := strings.Split(s, "/")
	for i, l := range levels {
		wild := l == "+" || l == "#" && i == len(levels)-1
		ok = ok && (wild && wildcards || !strings.ContainsAny(l, "+#"))
	}
	if ok && !strings.HasPrefix(s, "$share/") {
		return nil
	}
	wanted := "levels with / between them"
	if wildcards {
		wanted += "; + for one, # for the rest; no shared subscription, which keeps no order"
	}
	return &events.Fault{Kind: events.ErrInvalid, Who: who, What: what, Wanted: wanted, Got: strconv.Quote(s)}
}

// matches reports whether a topic is one that a filter asks for (MQTT 5.0,
// sections 4.7.1 and 4.7.2).
func matches(filter, topic string) bool {
	if strings.HasPrefix(topic, "$") && !strings.HasPrefix(filter, "$") {
		return false
	}
	f, t := strings.Split(filter, "/"), strings.Split(topic, "/")
	for i, l := range f {
		switch {
		case l == "#":
			return true
		case i >= len(t) || l != "+" && l != t[i]:
			return false
		}
	}
	return len(f) == len(t)
}

// level makes one level of a topic of a text: what may not stand in one is
// written as a percent sign and two hex digits.
func level(s string) string {
	var b strings.Builder
	for i := range len(s) {
		if c := s[i]; c < ' ' || c == '/' || c == '+' || c == '#' || c == '%' || c >= 0x7f {
			const hex = "0123456789ABCDEF"
			b.WriteByte('%')
			b.WriteByte(hex[c>>4])
			b.WriteByte(hex[c&15])
		} else {
			b.WriteByte(c)
		}
	}
	return b.String()
}

// label returns a topic that may be printed and stored.
func label(s string) string {
	for _, r := range s {
		if r == utf8.RuneError || !strconv.IsPrint(r) {
			return strconv.Quote(s)
		}
	}
	return s
}
