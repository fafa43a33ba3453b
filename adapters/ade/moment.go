package ade

import "strings"

// Moment brings a date-time of ADE into one of four forms, by which the built-in
// mapping reads it:
//
//	2026-03-02                  a day
//	2026-03-02T08:15:00Z        a moment; Z or an offset such as +01:00
//	2026-03-02T08:15:00.250Z    with milliseconds
//	2026-03-02T08:15:00         local time: no zone is told
//
// ADE has days in fields of date-time, and its own examples carry midnight
// without a zone. So midnight, in UTC or without a zone, is a day and nothing
// more: a moment that happens to be exactly that loses its time of day, which is
// less than every day of a farm west of Greenwich becoming the one before. Parts
// of a second beyond milliseconds are cut. What is none of these is returned as
// it is.
func Moment(s string) string {
	if len(s) < 10 || !isDay(s[:10]) {
		return s
	}
	if len(s) == 10 {
		return s
	}
	if s[10] != 'T' && s[10] != 't' && s[10] != ' ' {
		return s
	}
	clock, zone := s[11:], ""
	if i := strings.IndexAny(clock, "Zz+-"); i >= 0 {
		clock, zone = clock[:i], strings.ToUpper(clock[i:])
	}
	clock, part, _ := strings.Cut(clock, ".")
	if len(clock) == 5 {
		clock += ":00"
	}
	if len(clock) != 8 || strings.Trim(part, "0123456789") != "" {
		return s
	}
	part = strings.TrimRight(part[:min(len(part), 3)], "0")
	utc := zone == "Z" || zone == "+00:00" || zone == "-00:00" || zone == "+0000"
	if clock == "00:00:00" && part == "" && (utc || zone == "") {
		return s[:10]
	}
	if utc {
		zone = "Z"
	}
	if part != "" {
		clock += "." + (part + "000")[:3]
	}
	return s[:10] + "T" + clock + zone
}

// isDay reports whether s has the form of a day; whether there is such a day is
// for the mapping to say.
func isDay(s string) bool {
	for i, c := range []byte(s) {
		if i == 4 || i == 7 {
			if c != '-' {
				return false
			}
		} else if c < '0' || c > '9' {
			return false
		}
	}
	return true
}
