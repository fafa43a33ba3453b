package measures

import (
	"slices"

	"dewclaw/events"
)

// confirmed makes the confirmed point prevalence of each session: lame now and at
// the score before, or severely lame now by the scale's own cut (Daros et al. 2019,
// J Dairy Sci; guidance to call a cow lame on two scores in a row:
// animalhealthdigest.com 2022).
func (w *work) confirmed() {
	w.chooseBase(InMilk)
	w.makeLooks()
	w.parameter("days within which two lame scores confirm each other", w.q.Confirm)
	sessions := w.herdSessions()
	before := w.lookBefore()
	for _, s := range slices.Backward(sessions) {
		key := s.day.String()
		var t tally
		var once int
		for _, l := range s.looks {
			p := before[l]
			again := p != nil && int(l.day-p.day) <= w.q.Confirm
			sure := l.lame && (l.nativelySevere() || again && p.lame)
			t.add(l, sure)
			if sure && !l.nativelySevere() {
				t.counted = append(t.counted, p.entities()...)
			}
			if l.lame && !sure {
				once++
			}
		}
		f := w.share("confirmed."+key, "lame, confirmed", t.x, t.n, "scored")
		f.Section, f.Scale = "session of "+key, scaleNames(s.looks)
		f.made(t.counted, t.rest)
		if once > 0 {
			f.note("%d more are lame by this score alone: not confirmed, and to be examined all the same", once)
		}
		_, worn := unworn(s.looks)
		f.Worn = &worn
		w.ofSession(f, s)
	}
	w.noSessions(len(sessions), 1)
}

// lookBefore returns the look before each look of the same animal.
func (w *work) lookBefore() map[*look]*look {
	out := map[*look]*look{}
	for i, l := range w.looks {
		if i > 0 && w.looks[i-1].animal == l.animal {
			out[l] = w.looks[i-1]
		}
	}
	return out
}

// periodPrevalence makes the share of animals that were lame at least once.
func (w *work) periodPrevalence() {
	w.chooseBase(InMilk)
	w.makeLooks()
	parts := map[string]map[string]*animalTally{}
	whole := map[string]*animalTally{}
	others := map[string]bool{}
	scoredDays := map[day]bool{}
	for _, l := range w.looks {
		if !w.period.has(l.day) {
			continue
		}
		if !w.isIn(l.animal, l.day) {
			others[l.animal] = true
			continue
		}
		scoredDays[l.day] = true
		note(whole, l)
		if w.q.By != "" {
			g := w.groupOf(l.animal, l.day, l.pen)
			if parts[g] == nil {
				parts[g] = map[string]*animalTally{}
			}
			note(parts[g], l)
		}
	}
	w.leave("scored animals that are not among the "+w.report.Of+" by the rosters", len(others))
	seen := 0
	for a := range whole {
		if w.cows[a] != nil {
			seen++
		}
	}
	t, s, scores := sumOf(whole)
	f := w.share("lame", "lame at least once", t.x, t.n, "scored at least once")
	f.Scale = w.scalesIn()
	f.made(t.counted, t.rest).covers(seen, w.eligibleIn(), w.report.Of).cautions()
	if t.n > 0 {
		f.note("%s with scores, %.1f scored days an animal: this share rises with every further day and is not the share lame at one time", plural(len(scoredDays), "day"), float64(scores)/float64(t.n))
	}
	f = w.shareRange("severe", "severely lame at least once, by gait grade", s.x, s.unclear, s.n, "scored at least once")
	f.Scale = w.scalesIn()
	f.made(s.counted, s.rest)
	var keys []string
	for _, g := range sortedGroups(parts) {
		t, _, _ := sumOf(parts[g])
		f := w.share("lame."+slug(g), "lame at least once", t.x, t.n, "scored at least once")
		f.Section, f.Group, f.Scale = "by "+w.q.By, g, w.scalesIn()
		f.made(t.counted, t.rest).cautions()
		keys = append(keys, f.Key)
	}
	w.addsUp("lame", keys...)
	if w.q.By != "" {
		w.note("an animal counts in every part in which she was scored; parts need not add up to the whole")
	}
}

// scalesIn names the scales of the period.
func (w *work) scalesIn() string {
	var all []*look
	for _, l := range w.looks {
		if w.period.has(l.day) && w.isIn(l.animal, l.day) {
			all = append(all, l)
		}
	}
	return scaleNames(all)
}

// An animalTally is what the looks of one animal come to.
type animalTally struct {
	lame   bool
	severe int
	looks  int
	lamely []events.Entity // of the lame looks
	other  []events.Entity
}

func note(all map[string]*animalTally, l *look) {
	a := all[l.animal]
	if a == nil {
		a = &animalTally{}
		all[l.animal] = a
	}
	a.looks++
	a.severe = max(a.severe, l.severe)
	if l.lame {
		a.lame = true
		a.lamely = append(a.lamely, l.entities()...)
	} else {
		a.other = append(a.other, l.entities()...)
	}
}

// sumOf counts animals: lame, severely lame, and the looks at all of them.
func sumOf(all map[string]*animalTally) (lame, grave tally, looks int) {
	for _, a := range all {
		lame.n++
		grave.n++
		looks += a.looks
		lame.rest = append(lame.rest, a.other...)
		lame.counted = append(lame.counted, a.lamely...)
		if a.lame {
			lame.x++
		}
		switch a.severe {
		case severe:
			grave.x++
			grave.counted = append(grave.counted, a.lamely...)
		case maySevere:
			grave.unclear++
			grave.rest = append(grave.rest, a.lamely...)
		}
		grave.rest = append(grave.rest, a.other...)
	}
	return lame, grave, looks
}
