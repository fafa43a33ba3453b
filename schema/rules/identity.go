package rules

import (
	"strings"

	"dewclaw/events"
	"dewclaw/schema/codes"
)

func (s *Settings) judgeIdentifiers(c *events.Common) {
	for _, id := range c.Animal {
		switch id.Scheme {
		case codes.Transponder:
			s.judgeTransponder(c, id.Value)
		case codes.EarTag:
			s.judgeEarTag(c, id.Value)
		}
	}
}

func (s *Settings) judgeTransponder(c *events.Common, given string) {
	n, problem := codes.ParseTransponder(given)
	if problem != nil {
		return
	}
	for _, m := range s.MisusedTransponders {
		if n == m {
			s.note(c, TransponderMisused, n)
		}
	}
	if prefix := int(n[0]-'0')*100 + int(n[1]-'0')*10 + int(n[2]-'0'); !codes.KnownPrefix(prefix) {
		s.note(c, PrefixUnknown, n[:3]+" in "+n)
	}
	if len(given) <= longestWritten {
		return // digits alone do not tell the rest of the code
	}
	code, told, _ := codes.ReadTransponder(given)
	switch {
	case !told:
		return
	case !code.Animal:
		s.note(c, TagNotAnimal, n)
	}
	if code.Retag > 0 {
		s.note(c, TagReplaced, n+", replaced "+times(code.Retag))
	}
}

// longestWritten is longer than 15 digits with a separator between any two, and
// shorter than the telegram or frame of a reader, but for a frame in raw bytes.
const longestWritten = 29

func times(n int) string {
	if n == 1 {
		return "once"
	}
	return string(rune('0'+n)) + " times"
}

// judgeEarTag names the letters that were read as others. Only GR, GB and US
// begin such a tag.
func (s *Settings) judgeEarTag(c *events.Common, given string) {
	if len(given) < 2 {
		return
	}
	switch strings.ToUpper(given[:2]) {
	case "GR", "GB", "US":
		if tag, problem := codes.ReadEarTag(given); problem == nil && tag.Rule != "" {
			s.note(c, CountryLetters, tag.Rule+" ("+given+")")
		}
	}
}

// judgeClock names days and times that clocks write when they know nothing.
func (s *Settings) judgeClock(c *events.Common) {
	o := &c.Occurred
	if len(o.Date) < 4 {
		return
	}
	for _, year := range s.ResetYears {
		if o.Date[:4] == year {
			s.note(c, ClockReset, o.Date)
		}
	}
	if o.Time != "" && isMidnight(o.Time) {
		s.note(c, Midnight, o.Date+" "+o.Time)
	}
}

func isMidnight(clock string) bool {
	switch clock {
	case "00:00", "00:00:00", "00:00:00.000":
		return true
	}
	return false
}
