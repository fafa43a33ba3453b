package measures

import (
	"cmp"
	"fmt"
	"slices"
	"strings"

	"dewclaw/events"
)

// notTold is the group of what nobody told.
const notTold = "not told"

// Splits lists what a measure can be split by, if it can.
func Splits() []string { return []string{ByParity, ByStage, BySeason, ByPen, ByFoot, ByZone} }

// stages of lactation; the day of calving is day 0 (some count it as 1; own
// choice). The limits are own choice without outside authority: the first 60 days,
// to 150, to 305 (the length lactations are reckoned in), and later.
var stages = []struct {
	to   int
	name string
}{{60, "0 to 60 days in milk"}, {150, "61 to 150 days in milk"}, {305, "151 to 305 days in milk"}, {1 << 30, "over 305 days in milk"}}

// seasons by month, without names: half of the world has them the other way round.
var seasons = [12]string{"Dec to Feb", "Dec to Feb", "Mar to May", "Mar to May", "Mar to May", "Jun to Aug", "Jun to Aug", "Jun to Aug", "Sep to Nov", "Sep to Nov", "Sep to Nov", "Dec to Feb"}

// groupOf returns the part of the split an animal is in on a day; pen is what the
// device wrote, for animals of which no roster tells. "" if nothing is split.
func (w *work) groupOf(animal string, d day, asGiven events.AsGiven) string {
	c := w.cows[animal]
	switch w.q.By {
	case ByParity:
		return parityGroup(c, d)
	case ByStage:
		return stageGroup(c, d)
	case BySeason:
		return seasons[monthOf(d)-1]
	case ByPen:
		pen := asGiven.Pen
		if c != nil && c.Pen(d.String()) != "" {
			pen = c.Pen(d.String())
		}
		if pen == "" {
			return "pen " + notTold
		}
		return "pen " + pen
	}
	return ""
}

func monthOf(d day) int {
	s := d.String()
	return int(s[5]-'0')*10 + int(s[6]-'0')
}

func parityGroup(c *cow, d day) string {
	if c == nil {
		return "parity " + notTold
	}
	n, ok := c.parity(d)
	switch {
	case !ok:
		return "parity " + notTold
	case n == 0:
		return "before the first calving"
	case n >= 4:
		return "parity 4 and more"
	}
	return fmt.Sprint("parity ", n)
}

func stageGroup(c *cow, d day) string {
	if c == nil {
		return "stage " + notTold
	}
	last, ok := c.lastCalving(d)
	switch {
	case !ok && c.Parity != nil && *c.Parity == 0:
		return "before the first calving"
	case !ok:
		return "stage " + notTold
	case !has(c.milk, d):
		return "dry"
	case last == beforeAll:
		return "in milk, days " + notTold
	}
	for _, s := range stages {
		if int(d-last) <= s.to {
			return s.name
		}
	}
	return ""
}

// groupOrder sorts parts of a split: those told first, stages as they follow.
func groupOrder(a, b string) int {
	rank := func(g string) int {
		for i, s := range stages {
			if g == s.name {
				return 10 + i
			}
		}
		for i, s := range seasons {
			if g == s {
				return 10 + i
			}
		}
		switch {
		case strings.HasSuffix(g, notTold):
			return 100
		case g == "before the first calving":
			return 0
		case g == "dry":
			return 50
		}
		return 20
	}
	return cmp.Or(cmp.Compare(rank(a), rank(b)), cmp.Compare(a, b))
}

func sortedGroups[V any](m map[string]V) []string {
	out := make([]string, 0, len(m))
	for g := range m {
		out = append(out, g)
	}
	slices.SortFunc(out, groupOrder)
	return out
}

// slug makes a part of a figure's key of a text.
func slug(s string) string {
	var b strings.Builder
	for _, r := range s {
		switch {
		case r >= 'a' && r <= 'z', r >= 'A' && r <= 'Z', r >= '0' && r <= '9', r == '-':
			b.WriteRune(r)
		case r == ' ' || r == ',':
			if n := b.Len(); n > 0 && b.String()[n-1] != '-' {
				b.WriteByte('-')
			}
		default:
			fmt.Fprintf(&b, "_%x", r)
		}
	}
	return b.String()
}
