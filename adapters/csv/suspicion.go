package csv

import (
	"fmt"
	"unicode/utf8"
)

// leastSuspect is how many characters of UTF-8 make a file declared otherwise
// suspect. One may be chance: "Ã¶" is text in windows-1252, though hardly of
// people (common practice, no source).
const leastSuspect = 2

// A suspicion looks whether all bytes over 0x7F of a file that is declared to
// have one byte a character are characters of UTF-8 (RFC 3629).
type suspicion struct {
	part   []byte // of a character that the block before began
	found  int    // characters
	bytes  int    // that they are made of
	broken bool
}

// add looks at the next bytes.
func (s *suspicion) add(b []byte) {
	for i := 0; i < len(b) && !s.broken; i++ {
		if b[i] < utf8.RuneSelf && len(s.part) == 0 {
			continue
		}
		s.part = append(s.part, b[i])
		if !utf8.FullRune(s.part) {
			continue
		}
		r, n := utf8.DecodeRune(s.part)
		s.broken = r == utf8.RuneError && n == 1
		s.found, s.bytes = s.found+1, s.bytes+len(s.part)
		s.part = s.part[:0]
	}
}

// Notices tells that the original looks like UTF-8 although another encoding is
// declared: see [adapters.Noticer].
func (d *Decoder) Notices() []string {
	if s := &d.suspect; s.broken || len(s.part) > 0 || s.found < leastSuspect {
		return nil
	}
	return []string{fmt.Sprintf(
		"all %d characters beyond ASCII are UTF-8, and would be %d others in %s as the mapping declares: if they read wrong, say \"encoding: utf-8\" under \"read\"",
		d.suspect.found, d.suspect.bytes, d.layout.Encoding)}
}
