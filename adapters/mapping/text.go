package mapping

import (
	"strconv"
	"strings"
	"unicode/utf8"

	"dewclaw/schema/codes"
)

// few is how many words a message lists whole; of more it names the nearest.
const few = 8

// oneOf says which words were wanted.
func oneOf(what, got string, words []string) string {
	if len(words) <= few {
		return "one of " + strings.Join(words, ", ")
	}
	return what + " (nearest: " + strings.Join(codes.Nearest(got, words, 3), ", ") + ")"
}

// quote quotes a text of the source for a message: control characters are
// escaped and a long text is cut.
func quote(s string) string { return strconv.Quote(clip(s, 60)) }

func clip(s string, n int) string {
	if len(s) <= n {
		return s
	}
	for n > 0 && !utf8.RuneStart(s[n]) {
		n--
	}
	return s[:n] + "…"
}

// near returns the candidate a misspelt word may stand for, or "".
func near(word string, candidates []string) string {
	c := codes.Nearest(word, candidates, 1)
	if len(c) == 0 {
		return ""
	}
	// A good half of the letters must agree for a guess to help.
	same := 0
	rest := strings.ToLower(c[0])
	for _, r := range strings.ToLower(word) {
		if i := strings.IndexRune(rest, r); i >= 0 {
			same++
			rest = rest[i+utf8.RuneLen(r):]
		}
	}
	if 2*same <= max(utf8.RuneCountInString(word), utf8.RuneCountInString(c[0])) {
		return ""
	}
	return c[0]
}
