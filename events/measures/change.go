package measures

import (
	"slices"

	"dewclaw/events"
)

// change makes newly lame, still lame and recovered between each two sessions of
// the period that follow each other.
func (w *work) change() {
	w.chooseBase(InMilk)
	w.makeLooks()
	sessions := w.herdSessions()
	for i := len(sessions) - 1; i > 0; i-- {
		w.between(sessions[i-1], sessions[i])
	}
	w.noSessions(len(sessions), 2)
}

func (w *work) between(first, second *session) {
	key := first.day.String() + "." + second.day.String()
	section := "from " + first.day.String() + " to " + second.day.String()
	then := map[string]*look{}
	for _, l := range first.looks {
		then[l.animal] = l
	}
	var newly, recovered, still tally
	worn, both, lost := 0, 0, len(first.looks)
	for _, l := range second.looks {
		p := then[l.animal]
		if p == nil {
			continue
		}
		lost--
		if p.worn || l.worn {
			worn++
			continue
		}
		both++
		pair := slices.Concat(p.entities(), l.entities())
		if p.lame {
			still.pair(pair, l.lame)
			recovered.pair(pair, !l.lame)
		} else {
			newly.pair(pair, l.lame)
		}
	}
	scale := scaleNames(slices.Concat(first.looks, second.looks))
	for _, x := range []struct {
		key, what, of string
		t             tally
	}{
		{"newly", "newly lame", "not lame at the first of the two sessions and scored at both", newly},
		{"recovered", "recovered", "lame at the first of the two sessions and scored at both", recovered},
		{"still", "still lame", "lame at the first of the two sessions and scored at both", still},
	} {
		f := w.share(x.key+"."+key, x.what, x.t.x, x.t.n, x.of)
		f.Section, f.Scale = section, scale
		f.made(x.t.counted, x.t.rest)
		if x.key != "newly" {
			f.Family = "was-lame." + key
		}
		f.covers(both, len(first.looks), "animals scored at the first of the two sessions").cautions()
		for _, s := range []*session{first, second} {
			if w.isPartial(s) {
				f.Partial = true
				f.caution("the session of %s saw %d of %d %s: chosen animals, not the herd", s.day, s.seen, s.eligible, w.report.Of)
			}
		}
		f.Notes = nil
		if worn > 0 {
			f.note("%d with a block or wrap on at one of the two sessions are not judged", worn)
		}
		if lost > 0 {
			f.note("%d of the first session were not scored at the second", lost)
		}
	}
}

// pair counts one animal with what it was made of.
func (t *tally) pair(made []events.Entity, counts bool) {
	t.n++
	if counts {
		t.x++
		t.counted = append(t.counted, made...)
	} else {
		t.rest = append(t.rest, made...)
	}
}

// episodes makes the rate of new episodes of lameness. An episode begins with a
// lame score of an animal that was sound, and a sound animal is one with so many
// not-lame scores in a row (two: Thomas et al. 2015; Daros et al. 2019). She is at
// risk from the last of these to the episode, or to her last score: behind it
// nobody would have seen her lame. Nor would anybody behind a block or wrap, which
// changes the gait: the day it goes on ends the time, and she is sound again when
// so many scores without one have said so.
func (w *work) episodes() {
	w.chooseBase(InMilk)
	w.makeLooks()
	w.parameter("not-lame scores in a row that make an animal sound", w.q.Sound)
	w.parameter("days before the period in which scores tell how she stood", history)
	whole := &atRisk{}
	parts := map[string]*atRisk{}
	put := w.putOn()
	worn := 0
	for looks := range eachAnimal(w.looks) {
		c := w.cows[looks[0].animal]
		if c == nil {
			continue // no roster tells when she was there
		}
		_, on := unworn(looks)
		worn += on
		w.follow(c, looks, put[c.ID], whole, parts)
	}
	w.leave("scores with a block or wrap on", worn)
	w.rates("episodes", "new episodes of lameness", whole.cases, whole.days, "cow-time sound, scored and present")
	w.evidence("episodes", whole)
	w.splitRates("episodes", "new episodes of lameness", "cow-time sound, scored and present", parts)
	w.ratesAddUp("episodes", partKeys("episodes", parts))
}

// An atRisk gathers cases and time at risk.
type atRisk struct {
	cases, days   int
	counted, rest []events.Entity
	ill, there    crowd // animals with a case, and those whose time it is
}

func (a *atRisk) heads() *heads { return &heads{n: len(a.there), counted: len(a.ill)} }

// putOn returns the days on which blocks and wraps went on, by animal. Those in doubt
// are among them: the careful reading.
func (w *work) putOn() map[string][]day {
	out := map[string][]day{}
	for i := range w.d.Devices {
		d := &w.d.Devices[i]
		out[d.Animal] = append(out[d.Animal], dayOf(d.On, never))
	}
	return out
}

// soundUntil returns the day until which what a look said holds: that of the next
// look, or that on which something was put on before it. Of what was on at the next
// look, and nobody told since when, it is the look's own day.
func (w *work) soundUntil(since, next *look, put []day) day {
	until := next.day
	if next.worn {
		until = since.day
	}
	first := never
	for _, d := range put {
		if since.day < d && (d < next.day || d == next.day && next.worn) {
			first = min(first, d)
		}
	}
	if first != never {
		return first
	}
	return until
}

// follow walks over the looks of one animal; put are the days on which something
// was put on her feet.
func (w *work) follow(c *cow, looks []*look, put []day, whole *atRisk, parts map[string]*atRisk) {
	base := c.atRisk(w.base)
	sound, run := false, 0
	var since *look // the look before, not lame and without anything on
	for _, l := range looks {
		if since != nil {
			until := w.soundUntil(since, l, put)
			if sound {
				w.timeAtRisk(c, and(base, []span{span{since.day, until}.and(w.period)}), since, whole, parts)
			}
			if until < l.day {
				sound, run = false, 0
			}
		}
		since = nil
		switch {
		case l.worn:
			sound, run = false, 0
		case l.lame:
			if sound && w.period.has(l.day) && w.counts(c.ID, l.day) {
				w.episode(c, l, whole, parts)
			}
			sound, run = false, 0
		default:
			since = l
			run++
			sound = run >= w.q.Sound
		}
	}
}

func (w *work) timeAtRisk(c *cow, spans []span, since *look, whole *atRisk, parts map[string]*atRisk) {
	n := days(spans)
	if n == 0 {
		return
	}
	whole.days += n
	whole.there.add(c.ID, true, false)
	whole.rest = append(append(whole.rest, since.entities()...), c.Statements...)
	w.splitDays(c, spans, parts)
}

// splitDays gives each day at risk to its part of the split.
func (w *work) splitDays(c *cow, spans []span, parts map[string]*atRisk) {
	if w.q.By == "" {
		return
	}
	for _, s := range spans {
		for d := s.from; d < s.to; d++ {
			p := partOf(parts, w.groupOf(c.ID, d, events.AsGiven{}))
			p.days++
			p.there.add(c.ID, true, false)
		}
	}
}

func partOf(parts map[string]*atRisk, g string) *atRisk {
	if parts[g] == nil {
		parts[g] = &atRisk{}
	}
	return parts[g]
}

func (w *work) episode(c *cow, l *look, whole *atRisk, parts map[string]*atRisk) {
	all := []*atRisk{whole}
	if w.q.By != "" {
		all = append(all, partOf(parts, w.groupOf(c.ID, l.day, l.pen)))
	}
	for _, a := range all {
		a.cases++
		a.ill.add(c.ID, true, false)
		a.counted = append(a.counted, l.entities()...)
	}
}
