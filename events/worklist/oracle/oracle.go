package oracle

import (
	"fmt"
	"slices"
	"strconv"
	"time"

	"dewclaw/events"
)

// A judge works out the list of one day.
type judge struct {
	day    string
	at     time.Time
	zone   *time.Location
	next   string // next visit
	roster bool
	*animal
	out []string

	sick     []sick
	sickened bool
}

// Due returns for each animal what should be on the list for everyone, by ear
// tag: lines of tier, code and when the window closes, sorted. Animals of which
// nothing should be on it are left out. at is the moment the list counts to.
func Due(all []events.Event, day, next string, at time.Time, zone *time.Location) (map[string][]string, error) {
	animals, rosters, err := read(all, day)
	if err != nil {
		return nil, err
	}
	out := map[string][]string{}
	for tag, a := range animals {
		j := &judge{day: day, at: at, zone: zone, next: next, roster: rosters > 0, animal: a}
		j.leaving()
		if a.there(day) && (a.roster != nil || len(a.facts) > 0) {
			j.medicines()
			j.scores()
			j.chronic()
			j.lesions()
			j.devices()
			j.orders()
			j.looks()
			if j.roster && a.roster != nil {
				j.routine()
			}
		}
		if len(j.out) > 0 {
			slices.Sort(j.out)
			out[tag] = j.out
		}
	}
	return out, nil
}

func (a *animal) there(day string) bool {
	r := a.roster
	return r == nil || (r.Entered == "" || r.Entered <= day) && (r.Left == "" || day <= r.Left)
}

func (j *judge) say(tier, code, closes string) {
	j.out = append(j.out, fmt.Sprint(tier, " ", code, " ", closes))
}

func (j *judge) medicines() {
	for i := range j.facts {
		t := j.facts[i].treatment()
		if t == nil || t.What != "medicine" {
			continue
		}
		open, unknown := false, false
		for _, w := range []events.Withdrawal{t.Medicine.Milk, t.Medicine.Meat} {
			switch w.State {
			case "zero":
			case "until":
				open = open || w.Until[:10] >= j.day
			default:
				unknown = true
			}
		}
		switch given := j.facts[i].moment(); {
		case !open && !unknown:
		case j.animal.roster == nil:
			j.say("now", "medicine-unknown-animal", given)
		case unknown:
			j.say("now", "withdrawal-unknown", given)
		default:
			j.say("today", "withdrawal", "")
		}
	}
}

// leaving judges withdrawals that are open on the day she leaves. Behind that day
// they are told as long as they would be open; one that nobody knows, for 60 days.
func (j *judge) leaving() {
	r := j.animal.roster
	if r == nil || r.Left == "" {
		return
	}
	for i := range j.facts {
		t := j.facts[i].treatment()
		if t == nil || t.What != "medicine" {
			continue
		}
		end := ""
		for _, w := range []events.Withdrawal{t.Medicine.Milk, t.Medicine.Meat} {
			switch w.State {
			case "zero":
			case "until":
				end = max(end, w.Until[:10])
			default:
				end = max(end, plus(r.Left, 60))
			}
		}
		switch {
		case end < r.Left || end < j.day:
		case r.Left < j.day:
			j.say("now", "withdrawal-leaving", "")
		default:
			j.say("now", "withdrawal-leaving", r.Left)
		}
	}
}

// A scored is a score that tells lame or not.
type scored struct {
	*fact
	l            *events.Locomotion
	lame, severe bool
}

func (j *judge) scored() (out []scored) {
	for i := range j.facts {
		if l := j.facts[i].score(); l != nil {
			n, _ := strconv.ParseFloat(l.Score.String(), 64)
			lame := map[string]float64{"mob4-uk": 2, "loc5-posture": 3}[l.Scale]
			severe := map[string]float64{"mob4-uk": 3, "loc5-posture": 4}[l.Scale]
			out = append(out, scored{&j.facts[i], l, n >= lame, n >= severe})
		}
	}
	return out
}

func isLook(f *fact) bool {
	if e := f.exam(); e != nil {
		return e.Outcome != "not-done"
	}
	return f.touches("") || f.p.Base().Role == "vet" && blind(f)
}

// behind reports whether x happened after y; on one day only if both times say so.
func behind(x, y *fact) bool {
	if x.day != y.day {
		return x.day > y.day
	}
	return x.at != "" && y.at != "" && x.at > y.at
}

func (j *judge) within(f *fact, hours int) string {
	t := j.when(f.moment()).Add(time.Duration(hours) * time.Hour)
	if f.at == "" {
		return t.Format(time.DateOnly)
	}
	return t.Format(time.RFC3339)
}

// more reports whether a score tells at least as much as another.
func more(a, b scored) bool {
	if a.l.Scale == b.l.Scale {
		return a.l.Score.Cmp(b.l.Score) >= 0
	}
	rank := func(s scored) int {
		switch {
		case s.severe:
			return 2
		case s.lame:
			return 1
		}
		return 0
	}
	return rank(a) >= rank(b)
}

func (j *judge) scores() {
	all := j.scored()
	n := len(all)
	if n == 0 {
		return
	}
	open := j.open(all)
	worst, severe := worstOf(open), false
	if severe = len(open) > 0 && worst.severe; severe {
		j.say("now", "severe", j.within(worst.fact, 24))
	}
	if !all[n-1].lame {
		look := j.last(isLook)
		soon := look != nil && len(open) > 0 && days(look.day, open[0].day) <= 14
		if len(open) > 0 && !severe && !soon {
			j.say("today", "lame", j.within(open[0].fact, 48))
		}
		return
	}
	run := n
	for run > 0 && all[run-1].lame {
		run--
	}
	look := j.last(isLook)
	var unseen []scored
	for _, s := range all[run:] {
		if look == nil || behind(s.fact, look) {
			unseen = append(unseen, s)
		}
	}
	newest := all[n-1]
	j.travel(newest)
	j.noCause(all[run].day, look)
	if severe {
		return
	}
	if len(unseen) == 0 {
		vet := j.any(func(f *fact) bool {
			return f.p.Base().Role == "vet" && f.day >= newest.day && (f.touches("") || blind(f))
		})
		if newest.severe && !vet {
			j.say("today", "severe-seen", "")
		}
		return
	}
	worst = worstOf(unseen)
	// She belongs to what was examined if that was not long before, and nobody
	// found her sound between.
	same := look != nil && days(look.day, unseen[0].day) <= 14
	if same && n-run == 1 && n > 1 && all[n-2].day > look.day {
		same = false
	}
	last := unseen[len(unseen)-1]
	switch {
	case same && j.when(last.moment()).Sub(j.when(look.moment())) <= 48*time.Hour:
		j.say("this visit", "lame-after-look", plus(look.day, 14))
	case same:
		j.say("this visit", "not-improving", plus(look.day, 14))
	default:
		j.say("today", "lame", j.within(unseen[0].fact, 48))
	}
	if n > 1 {
		b := all[n-2]
		if b.lame && b.l.Scale == worst.l.Scale && worst.l.Score.Cmp(b.l.Score) > 0 {
			j.say("today", "worse", j.within(worst.fact, 48))
		}
	}
}

// open returns the lame scores that stand: nobody looked since, and no two sound
// scores in a row came since.
func (j *judge) open(all []scored) (out []scored) {
	look := j.last(isLook)
	for i, s := range all {
		stands := s.lame && (look == nil || behind(s.fact, look))
		for k := i + 1; k+1 < len(all); k++ {
			stands = stands && (all[k].lame || all[k+1].lame)
		}
		if stands {
			out = append(out, s)
		}
	}
	return out
}

// worstOf returns the score that tells most, of equal ones the last.
func worstOf(all []scored) (worst scored) {
	for i, s := range all {
		if i == 0 || more(s, worst) {
			worst = s
		}
	}
	return worst
}

// blind reports whether a vet's record names no foot.
func blind(f *fact) bool {
	e := f.exam()
	if e != nil {
		return e.Outcome != "not-done" && len(e.Feet) == 0
	}
	l, t := f.lesion(), f.treatment()
	x, off := f.p.(*events.TakenOff)
	return l != nil && l.Foot == "" || t != nil && t.Foot == "" || off && x.Foot == ""
}

func (j *judge) travel(newest scored) {
	r := j.animal.roster
	if r != nil && r.Left != "" && r.Left >= j.day && days(newest.day, r.Left) <= 7 {
		j.say("today", "lame-leaving", r.Left)
	}
}

func (j *judge) noCause(since string, look *fact) {
	if look == nil || look.day < since {
		return
	}
	x := j.last(func(f *fact) bool { return f.exam() != nil && f.exam().Outcome != "not-done" })
	if x == nil || x.day != look.day {
		return
	}
	found := slices.ContainsFunc(j.cases(), func(c sick) bool { return c.seen[len(c.seen)-1] >= since })
	if o := x.exam().Outcome; o == "no-cause-in-feet" || o == "clear" && !found {
		j.say("this visit", "no-cause", "")
	}
}

func (j *judge) chronic() {
	all := j.scored()
	n, run := len(all), len(all)
	for run > 0 && all[run-1].lame {
		run--
	}
	if n-run >= 3 && days(all[run].day, all[n-1].day) >= 42 {
		j.say("planned", "chronic", "")
		return
	}
	begun := map[string][]string{}
	for _, c := range j.cases() {
		begun[c.class] = append(begun[c.class], c.seen[0])
	}
	for _, list := range begun {
		slices.Sort(list)
		list = slices.Compact(list) // days, not claws of one trim
		if k := len(list); k >= 3 && days(list[k-3], j.day) <= 365 {
			j.say("planned", "chronic", "")
			return
		}
	}
}
