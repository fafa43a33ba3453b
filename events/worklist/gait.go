package worklist

import (
	"fmt"
	"slices"
	"time"

	"dewclaw/events/herd"
)

// gait adds what her scores come to.
func (a *animal) gait() {
	if x := a.severe(); x == nil {
		a.lame()
	} else {
		a.add(severe, "severely lame: "+scoreWords(x)+"; "+a.severeWords(x)+": examine, vet", x.Day, a.within(x, a.set.SevereExamine))
	}
	if a.Since != "" {
		a.causeless()
		a.leaves()
	}
	a.lameAgain()
}

// severe returns the severe score that says most of those at which nobody looked,
// or nil. It stands, whatever was scored since, until she is examined or two sound
// days in a row take it back.
func (a *animal) severe() *herd.Scored {
	if x := worst(slices.Concat(a.Stands, a.Unseen)); x != nil && isSevere(x) {
		return x
	}
	return nil
}

// severeWords tells what came before and behind a severe score.
func (a *animal) severeWords(x *herd.Scored) string {
	s := ""
	if newest := worst(a.Scored); newest.Day != x.Day {
		s = "scored since: " + scoreWords(newest)
		if newest.Lame == "no" {
			s += ", and one sound day does not take it back"
		}
		s += "; "
	}
	if len(a.Unseen) > 0 && len(a.Stands) == 0 && a.Examined != nil && a.belongs(a.Unseen[0].Day) {
		return s + "examined " + a.Examined.Day + a.blockWords() + ", and so since"
	}
	return s + a.nobody()
}

// lame is about an animal that is not severely lame, unless somebody looked since.
func (a *animal) lame() {
	switch {
	case a.Since == "":
		a.lameBefore()
		return
	case len(a.Unseen) == 0:
		if x := worst(a.Scored); x != nil && isSevere(x) && !a.vetSince(x.Day, "") {
			a.add(severeSeen, fmt.Sprintf("severely lame: %s; examined %s, no vet has been told of since", scoreWords(x), a.Examined.Day), x.Day, "")
		}
		return
	}
	x := worst(a.Unseen)
	related := a.Examined != nil && a.belongs(a.Unseen[0].Day)
	switch {
	case related && a.soon(&a.Unseen[len(a.Unseen)-1]):
		a.add(lameAfterLook, fmt.Sprintf("lame: %s; examined %s%s: recheck", scoreWords(x), a.Examined.Day, a.blockWords()),
			a.Examined.Day, addDays(a.Examined.Day, a.set.NotImproving))
	case related:
		a.add(notImproving, fmt.Sprintf("not improving: %s, examined %s%s", scoreWords(x), a.Examined.Day, a.blockWords()),
			a.Examined.Day, addDays(a.Examined.Day, a.set.NotImproving))
	default:
		text := "lame: " + scoreWords(x) + ", " + a.nobody()
		if a.Sessions == 1 {
			text += " (one score, not confirmed by a second)"
		}
		a.add(lame, text, a.Unseen[0].Day, a.within(&a.Unseen[0], a.set.LameExamine))
	}
	if b := worst(a.Before); b != nil && b.Lame == "yes" && b.Scale == x.Scale && x.Value.Cmp(b.Value) > 0 {
		a.add(worse, fmt.Sprintf("getting worse: %s, after %s on %s", scoreWords(x), b.Value, b.Day), x.Day, a.within(x, a.set.LameExamine))
	}
}

// lameBefore is about an animal that was scored lame, at which nobody looked, and
// that one day since tells sound: that does not take the lame score back, unless it
// came soon after an examination.
func (a *animal) lameBefore() {
	if len(a.Stands) == 0 {
		return
	}
	first, x := &a.Stands[0], worst(a.Stands)
	if a.Examined != nil {
		if n, ok := daysBetween(a.Examined.Day, first.Day); ok && n <= a.set.NotImproving {
			return
		}
	}
	a.add(lame, fmt.Sprintf("lame: %s, %s; scored since: %s, and one sound day does not take it back", scoreWords(x), a.nobody(), scoreWords(worst(a.Scored))),
		first.Day, a.within(first, a.set.LameExamine))
}

// nobody says that nobody has looked, and since when if somebody ever did.
func (a *animal) nobody() string {
	if a.Examined == nil {
		return "nobody has looked"
	}
	return "nobody has looked since (last examined " + a.Examined.Day + ")"
}

// belongs reports whether a lame score behind the newest look belongs to what
// was looked at: it came soon after, and she was not scored sound in between.
func (a *animal) belongs(day string) bool {
	n, ok := daysBetween(a.Examined.Day, day)
	if !ok || n > a.set.NotImproving {
		return false
	}
	if a.Sessions == 1 && len(a.Before) > 0 && a.Before[0].Lame == "no" && a.Before[0].Day > a.Examined.Day {
		return false
	}
	return true
}

// soon reports whether a score came within the time in which a lame animal is to
// be examined, after the examination: too early to say that it did not help.
func (a *animal) soon(x *herd.Scored) bool {
	from, ok1 := a.moment(orDay(a.Examined.At, a.Examined.Day))
	to, ok2 := a.moment(orDay(x.At, x.Day))
	return ok1 && ok2 && to.Sub(from) <= a.set.LameExamine
}

// within returns when somebody should have looked, at the latest.
func (a *animal) within(x *herd.Scored, d time.Duration) string {
	t, ok := a.moment(orDay(x.At, x.Day))
	if !ok {
		return x.Day
	}
	if x.At == "" {
		return t.Add(d).Format(time.DateOnly) // the careful reading: from the beginning of the day
	}
	return t.Add(d).Format(time.RFC3339)
}

func orDay(at, day string) string {
	if at != "" {
		return at
	}
	return day
}

// blockWords tells of blocks she has on.
func (a *animal) blockWords() string {
	for _, d := range a.Devices {
		if d.What == "block" && d.Off == "" {
			return ", block on " + place(d.Foot, d.Claw)
		}
	}
	return ""
}

// causeless tells the vet of a lameness that the feet did not explain.
func (a *animal) causeless() {
	e := a.Examined
	if e == nil || e.Day < a.Since || e.Outcome != "no-cause-in-feet" && e.Outcome != "clear" {
		return
	}
	found := slices.ContainsFunc(a.Cases, func(c herd.Case) bool { return c.Last >= a.Since })
	if e.Outcome == "no-cause-in-feet" || !found {
		a.add(noCause, "lame since "+a.Since+", and her feet, examined "+e.Day+", show no cause", e.Day, "")
	}
}

// leaves warns of a lame animal that is to leave, or leaves that day.
func (a *animal) leaves() {
	x := a.Scored[0]
	for _, s := range a.Animal.Stays {
		if s.Left == "" || s.Left < a.day {
			continue
		}
		if n, ok := daysBetween(x.Day, s.Left); ok && n <= a.set.LeavingLame {
			a.add(leaving, fmt.Sprintf("lame (%s) and leaves %s: is she fit to travel? ask the vet; local law decides", scoreWords(worst(a.Scored)), s.Left), x.Day, s.Left)
		}
	}
}

// lameAgain tells the manager who is lame again and again, which is another
// thing than a chronic stage of digital dermatitis.
func (a *animal) lameAgain() {
	if a.Sessions >= 3 {
		if n, ok := daysBetween(a.Since, a.Scored[0].Day); ok && n >= a.set.ChronicSpan {
			a.add(chronic, fmt.Sprintf("lame again and again: at %d scored days in a row since %s", a.Sessions, a.Since), a.Since, "")
			return
		}
	}
	for _, b := range a.Begun {
		if len(b.First) < 3 || b.Class == "" {
			continue
		}
		if n, ok := daysBetween(b.First[2], a.day); ok && n <= a.set.ChronicCases {
			a.add(chronic, fmt.Sprintf("again and again: cases of %s began on three days since %s", b.Class, b.First[2]), b.First[2], "")
			return
		}
	}
}

// worst returns the score that tells most: severe before lame, the higher one of
// a scale, then the newer one; nil if there is none. Scores are sorted by day.
func worst(all []herd.Scored) *herd.Scored {
	var w *herd.Scored
	for i := range all {
		if x := &all[i]; w == nil || x.Scale == w.Scale && x.Value.Cmp(w.Value) >= 0 || x.Scale != w.Scale && weight(x) >= weight(w) {
			w = x
		}
	}
	return w
}

// weight compares scores of unlike scales.
func weight(x *herd.Scored) int {
	switch {
	case isSevere(x):
		return 2
	case x.Lame == "yes":
		return 1
	}
	return 0
}

// isSevere goes by the scale's own cut, or by the gait grade where that says so.
func isSevere(x *herd.Scored) bool { return x.Native == "yes" || x.Severe == "yes" }

func scoreWords(x *herd.Scored) string {
	s := fmt.Sprintf("score %s on %s, %s", x.Value, x.Scale, x.Day)
	if x.Limb != "" {
		s += ", spares " + x.Limb
	}
	if x.Severe == "undetermined" && x.Native == "" {
		s += ", may be severe: the scale cannot tell"
	}
	return s
}

// vetSince reports whether a vet told of her on or after a day: of the foot, or
// of the whole animal; "" is any foot.
func (a *animal) vetSince(day, foot string) bool {
	return slices.ContainsFunc(a.Feet, func(f herd.FootSeen) bool {
		return (foot == "" || f.Foot == "" || f.Foot == foot) && f.Vet != "" && f.Vet >= day
	})
}
