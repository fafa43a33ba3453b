package delivery

import (
	"fmt"
	"slices"
	"strings"
	"time"

	"dewclaw/daemon/internal/config"
	"dewclaw/events"
)

// maxAbsences bounds how many times without a grant are remembered; the oldest
// become one.
const maxAbsences = 64

// A lawyer answers what the grants of the config allow a feed, on which day.
type lawyer struct {
	cfg   *config.Config
	feed  *config.Feed
	kinds []events.Kind
	zones map[string]*time.Location // by farm
	form  config.Format             // of the feed's writer; "" if it has none
}

func newLawyer(c *config.Config, f *config.Feed, kinds []events.Kind) (*lawyer, error) {
	l := &lawyer{cfg: c, feed: f, kinds: kinds, zones: map[string]*time.Location{}}
	for _, id := range f.Farms {
		farm := c.Farm(id)
		if farm == nil {
			return nil, &events.Fault{Kind: events.ErrInvalid, Who: "feed " + f.ID, What: "farm", Wanted: "a farm of the config", Got: id}
		}
		zone, err := time.LoadLocation(farm.Zone)
		if err != nil {
			return nil, &events.Fault{Kind: events.ErrInvalid, Who: "feed " + f.ID, What: "zone of farm " + id, Cause: err}
		}
		l.zones[id] = zone
	}
	return l, nil
}

// lack says which farm and kinds have no grant in force at the moment; "" if
// none.
func (l *lawyer) lack(at time.Time) string {
	for _, farm := range l.feed.Farms {
		day := at.In(l.zones[farm]).Format(time.DateOnly)
		var missing []string
		for _, k := range l.kinds {
			if !slices.ContainsFunc(l.cfg.Grants, func(g config.Grant) bool {
				return g.Fields != config.Rates && g.Covers(farm, l.feed.Recipient, k) && g.InForce(day)
			}) {
				missing = append(missing, string(k))
			}
		}
		if len(missing) > 0 {
			return fmt.Sprintf("no grant of farm %s lets recipient %s have %s on %s", farm, l.feed.Recipient, strings.Join(missing, ", "), day)
		}
	}
	return ""
}

// rule returns what the feed carries at the moment.
func (l *lawyer) rule(at time.Time) *rule {
	r := &rule{Kinds: l.kinds, Where: l.feed.Where, Not: l.feed.Without, Form: l.form}
	if l.feed.Fields == config.Pseudonyms {
		r.Fields = config.Pseudonyms
	}
	for i := range l.cfg.Grants {
		g := &l.cfg.Grants[i]
		zone := l.zones[g.Farm]
		if g.Recipient != l.feed.Recipient || zone == nil || g.Fields == config.Rates || !g.InForce(at.In(zone).Format(time.DateOnly)) {
			continue
		}
		r.Grants = append(r.Grants, consent{Farm: g.Farm, Kinds: g.Kinds, Period: g.Period, Fields: g.Fields})
	}
	return r
}

// pseudonyms reports whether the rule needs the key of pseudonyms.
func (r *rule) pseudonyms() bool {
	return r.Fields == config.Pseudonyms || slices.ContainsFunc(r.Grants, func(c consent) bool { return c.Fields == config.Pseudonyms })
}

// sameConsent reports whether a and b let the same leave.
func sameConsent(a, b *rule) bool {
	return (&rule{Fields: a.Fields, Grants: a.Grants}).same(&rule{Fields: b.Fields, Grants: b.Grants})
}

// days calls f for every moment between from and to at which a day begins in a
// farm's zone, at most some ten years of them, in order.
func (l *lawyer) days(from, to time.Time, f func(time.Time)) {
	var list []time.Time
	for _, zone := range l.zones {
		d := from.In(zone)
		for i := 1; i <= 3700; i++ {
			t := time.Date(d.Year(), d.Month(), d.Day()+i, 0, 0, 0, 0, zone)
			if !t.Before(to) {
				break
			}
			if t.After(from) {
				list = append(list, t)
			}
		}
	}
	slices.SortFunc(list, time.Time.Compare)
	for _, t := range list {
		f(t)
	}
}

// judge brings s up to now: since when there is no grant, or again one. It
// returns what lacks now, "" if nothing. A clock that went back, or comes back
// from where it was wrong, makes no time without a grant: the feed pauses while it
// lacks one, and what was recorded goes out afterwards.
func (l *lawyer) judge(s *state, now time.Time) string {
	if s.Granted.IsZero() && len(s.Absent) == 0 {
		s.Granted = now
	}
	if now.Before(s.Granted) && l.lack(now) != "" {
		return l.lack(now)
	}
	open := len(s.Absent) > 0 && s.Absent[len(s.Absent)-1].To.IsZero()
	since := s.Granted
	if open {
		since = s.Absent[len(s.Absent)-1].From
	}
	l.days(since, now, func(t time.Time) {
		switch lacks := l.lack(t) != ""; {
		case lacks && !open:
			s.Absent, open = append(s.Absent, absence{From: t}), true
		case !lacks && open && l.lack(t.Add(-time.Second)) != "": // a grant that begins on this day
			s.Absent[len(s.Absent)-1].To, open = t, false
		}
	})
	lack := l.lack(now)
	switch {
	case lack != "" && !open:
		s.Absent = append(s.Absent, absence{From: now})
	case lack == "":
		if open { // renewed by a changed config: from now on
			s.Absent[len(s.Absent)-1].To = now
		}
		s.Granted = now
	}
	if n := len(s.Absent); n > maxAbsences {
		s.Absent[n-maxAbsences].From = s.Absent[0].From
		s.Absent = slices.Delete(s.Absent, 0, n-maxAbsences)
	}
	return lack
}

// absent reports whether t lies in a time without a grant of which nobody has
// asked for what was recorded in it.
func absent(list []absence, t time.Time) bool {
	return slices.ContainsFunc(list, func(a absence) bool {
		return !a.Asked && !t.Before(a.From) && (a.To.IsZero() || t.Before(a.To))
	})
}

// grantWords names the grants behind a rule, for manifests.
func grantWords(c *config.Config, f *config.Feed, r *rule) string {
	var out []string
	for i := range c.Grants {
		g := &c.Grants[i]
		if g.Recipient != f.Recipient || !slices.Contains(f.Farms, g.Farm) || !slices.ContainsFunc(r.Grants, func(x consent) bool {
			return x.Farm == g.Farm && x.Fields == g.Fields && x.Period == g.Period && slices.Equal(x.Kinds, g.Kinds)
		}) {
			continue
		}
		s := fmt.Sprintf("%s: %s, %s, from %s", g.Farm, g.Purpose, g.Fields, g.From)
		if g.Until != "" {
			s += " until " + g.Until
		}
		out = append(out, s)
	}
	return strings.Join(out, "; ")
}
