package csv

import "strings"

// triggers are the characters that make a spreadsheet run a cell as a formula
// when it begins with one (OWASP ASVS 5.0, requirement 1.2.10; CWE-1236; the
// carriage return from the older OWASP page on CSV injection).
const triggers = "=+-@\t\r"

// guarded reports whether s begins with a trigger, apostrophes before it not
// counted.
func guarded(s string) bool {
	t := strings.TrimLeft(s, "'")
	return t != "" && strings.IndexByte(triggers, t[0]) >= 0
}

// Guard returns s as a spreadsheet shows it and does not run it: with one
// apostrophe before it if it begins with = + - @ TAB or CR, apostrophes before
// that not counted. A plain number such as -1 or -1,5 stays. [Unguard] takes
// every guarded text back.
func Guard(s string) string {
	if s == "" || !guarded(s) || negative(s) {
		return s
	}
	return "'" + s
}

// Unguard returns the text that [Guard] made s from.
func Unguard(s string) string {
	if s != "" && s[0] == '\'' && guarded(s) {
		return s[1:]
	}
	return s
}

// negative reports whether s is a minus and a number with one decimal mark.
func negative(s string) bool {
	whole, part, mark := strings.Cut(strings.Replace(s[1:], ",", ".", 1), ".")
	return s[0] == '-' && digits(whole) && (!mark || digits(part))
}

func digits(s string) bool {
	for i := 0; i < len(s); i++ {
		if s[i] < '0' || s[i] > '9' {
			return false
		}
	}
	return s != ""
}
