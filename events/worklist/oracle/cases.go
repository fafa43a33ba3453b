package oracle

import (
	"slices"
	"strings"
	"time"

	"dewclaw/events"
)

// classes are the classes of the codes the oracle knows (ICAR Claw Health Atlas,
// 2nd edition 2020; which is a kind of which is from memory).
var classes = map[string]string{"SU": "U", "TU": "U", "TN": "U", "U": "U", "WL": "WL", "WLF": "WL", "WLA": "WL", "DD": "DD", "SH": "SH", "IP": "IP", "TS": "TS"}

var ofFoot = map[string]bool{"DD": true, "IP": true}

// A sick is a case: the days it was seen on, and how it ended.
type sick struct {
	foot, claw, class string
	seen              []string
	open              bool
}

func heals(l *events.Lesion) bool { return l.Course == "healed" || l.Code == "DD" && l.Stage == "M0" }

// cases are worked out once.
func (j *judge) cases() []sick {
	if !j.sickened {
		j.sick, j.sickened = j.follow(), true
	}
	return j.sick
}

// follow goes through the days on which anything was told, for every foot, claw and class.
func (j *judge) follow() (out []sick) {
	type key struct{ foot, claw, class string }
	keys := map[key]bool{}
	keyOf := func(l *events.Lesion) key {
		k := key{l.Foot, l.Claw, classes[l.Code]}
		if ofFoot[l.Code] {
			k.claw = "none"
		}
		return k
	}
	for i := range j.facts {
		if l := j.facts[i].lesion(); l != nil {
			keys[keyOf(l)] = true
		}
	}
	if len(keys) == 0 {
		return nil
	}
	for k := range keys {
		var now *sick
		var mine []sick
		for n, first := range j.facts {
			d := first.day
			if n > 0 && j.facts[n-1].day == d {
				continue
			}
			found, well := false, false
			for i := range j.facts {
				f := &j.facts[i]
				if f.day != d {
					continue
				}
				if l := f.lesion(); l != nil && keyOf(l) == k {
					found, well = found || !heals(l), true
				}
				if e := f.exam(); e != nil && e.Outcome != "incomplete" {
					for _, x := range e.Feet {
						well = well || x.Foot == k.foot && x.Examined == "yes" && x.Result == "clear"
					}
				}
			}
			switch {
			case found && now != nil && days(now.seen[len(now.seen)-1], d) <= 42:
				now.seen = append(now.seen, d)
			case found:
				if now != nil {
					now.open = false
				}
				mine = append(mine, sick{k.foot, k.claw, k.class, []string{d}, true})
				now = &mine[len(mine)-1]
			case well && now != nil:
				now.open = false
				now = nil
			}
		}
		out = append(out, mine...)
	}
	return out
}

// lesions judges the open cases.
func (j *judge) lesions() {
	for _, c := range j.cases() {
		if !c.open {
			continue
		}
		last := c.seen[len(c.seen)-1]
		deep, hot, m2, horn, worse, same := false, false, false, false, false, false
		for i := range j.facts {
			l := j.facts[i].lesion()
			if l == nil || j.facts[i].day != last || heals(l) || l.Foot != c.foot || classes[l.Code] != c.class || !ofFoot[l.Code] && l.Claw != c.claw {
				continue
			}
			signs := map[string]bool{}
			for _, s := range l.Signs {
				signs[s.Sign] = true
			}
			deep = deep || l.Code == "TN" || signs["depth"] || signs["swelling"] && l.Site != ""
			hot = hot || l.Code == "IP" || signs["heat"] && signs["swelling"]
			m2, horn = m2 || l.Stage == "M2", horn || l.DDAssociated
			worse, same = worse || l.Course == "worse", same || l.Course == "same"
		}
		vet := j.any(func(f *fact) bool {
			return f.p.Base().Role == "vet" && f.day >= last && (f.touches(c.foot) || blind(f))
		})
		again := j.any(func(f *fact) bool { return f.day > last && f.touches(c.foot) })
		switch {
		case vet:
		case deep && j.examinedSince(c.foot, last):
			j.say("this visit", "deep", "")
		case hot && j.examinedSince(c.foot, last):
			j.say("this visit", "hot-swollen", "")
		case deep:
			j.say("now", "deep", last)
		case hot:
			j.say("now", "hot-swollen", last)
		}
		switch {
		case again:
		case worse:
			j.say("today", "worse", "")
		case same:
			j.say("this visit", "not-improving", "")
		}
		all := j.scored()
		if m2 && (worse || same || len(all) > 0 && all[len(all)-1].lame) {
			j.say("this visit", "dd-active", "")
		}
		if horn {
			j.say("this visit", "dd-horn", "")
		}
		if relieve(c.class) && !again && (plus(last, 28) <= j.day || plus(last, 35) < j.next) {
			j.say("planned", "recheck", plus(last, 35))
		}
	}
}

// examinedSince reports whether an examination that was read whole had the foot in
// hand on a later day.
func (j *judge) examinedSince(foot, day string) bool {
	return j.any(func(f *fact) bool {
		e := f.exam()
		return e != nil && e.Outcome != "incomplete" && f.day > day && f.touches(foot)
	})
}

func relieve(class string) bool { return class == "U" || class == "WL" }

// A thing is a block or wrap with the days it came on and off.
type thing struct {
	on, off *fact
	t       *events.Treatment
	how     string // taken-off, found-gone or replaced
}

// things follows every place through all facts.
func (j *judge) things() map[string][]thing {
	out := map[string][]thing{}
	for i := range j.facts {
		f := &j.facts[i]
		if x, ok := f.p.(*events.TakenOff); ok {
			end(out[placeOf(x.What, x.Foot, x.Claw)], f, x.How)
		}
		// What came off in a record came off before what it put on.
		if t := f.treatment(); t != nil && (t.What == "wrap" || strings.HasPrefix(t.What, "block")) {
			k := placeOf(t.What[:min(5, len(t.What))], t.Foot, t.Claw)
			for y := range j.facts {
				g := &j.facts[y]
				if x, ok := g.p.(*events.TakenOff); ok && g.day == f.day && placeOf(x.What, x.Foot, x.Claw) == k {
					end(out[k], g, x.How)
				}
			}
			end(out[k], f, "replaced")
			out[k] = append(out[k], thing{on: f, t: t})
		}
	}
	return out
}

func placeOf(what, foot, claw string) string {
	if what == "wrap" {
		claw = "none"
	}
	return what + foot + claw
}

func end(list []thing, f *fact, how string) {
	n := len(list)
	if n == 0 || list[n-1].off != nil || list[n-1].on.ev.Entity == f.ev.Entity {
		return
	}
	if list[n-1].on.day < f.day || how != "replaced" && behind(f, list[n-1].on) {
		list[n-1].off, list[n-1].how = f, how
	}
}

func (j *judge) devices() {
	for _, list := range j.things() {
		x := list[len(list)-1]
		switch {
		case x.off != nil && x.t.What != "wrap" && x.how == "found-gone":
			j.blockLost(x)
		case x.off != nil:
		case x.t.What == "wrap":
			j.wrap(x)
		default:
			j.block(x)
		}
	}
}

func (j *judge) wrap(x thing) {
	d := x.t.Derived
	if d.DueOff != "" { // of several ends nobody confirmed, the earliest
		d.DueOff = x.on.first(func(t *events.Treatment) string { return t.Derived.DueOff })
		d.LateFrom = x.on.first(func(t *events.Treatment) string { return t.Derived.LateFrom })
	}
	switch {
	case x.t.Role == "vet" || strings.Contains(x.t.Device.Purpose, "surgical"):
		j.say("today", "vet-dressing", x.t.PlannedOff)
	case d.DueOff == "":
		j.say("now", "wrap-unknown", x.on.moment())
	case !j.when(d.LateFrom).After(j.at):
		j.say("now", "wrap-late", d.LateFrom)
	default:
		from := j.when(d.DueOff)
		tier, code := "planned", "wrap-on"
		if j.milking(from, j.when(d.LateFrom)).Format(time.DateOnly) <= j.day {
			tier, code = "today", "wrap-due"
		}
		if from.Before(j.at) {
			from = j.at
		}
		j.say(tier, code, j.milking(from, j.when(d.LateFrom)).Format(time.RFC3339))
	}
}

// milking goes through all milkings around: the first from a moment on and before
// it is late, else the last before.
func (j *judge) milking(from, late time.Time) time.Time {
	var all []time.Time
	for d := -3; d <= 3; d++ {
		for _, h := range []int{6, 17} {
			y, m, day := from.AddDate(0, 0, d).Date()
			all = append(all, time.Date(y, m, day, h, 0, 0, 0, j.zone))
		}
	}
	for _, t := range all {
		if !t.Before(from) && t.Before(late) {
			return t
		}
	}
	best := all[0]
	for _, t := range all {
		if t.Before(from) {
			best = t
		}
	}
	return best
}

func (j *judge) block(x thing) {
	if r := j.animal.roster; r != nil {
		dry := r.DriedOff != "" && r.DriedOff > x.on.day && r.DriedOff <= j.day || r.PlannedDryOff == j.day || j.dryPassed() && r.PlannedDryOff > x.on.day
		if dry || slices.ContainsFunc(r.Calvings, func(c string) bool { return c > x.on.day && c <= j.day }) {
			j.say("this visit", "block-dry", "")
		}
	}
	planned := x.on.first(func(t *events.Treatment) string { return t.PlannedOff })
	switch {
	case planned != "" && planned[:10] <= j.day:
		j.say("planned", "block-off", planned[:10])
	case days(x.on.day, j.day) >= 42:
		j.say("planned", "block-long", plus(x.on.day, 42))
	case days(x.on.day, j.day) >= 28 || plus(x.on.day, 28) < j.next:
		j.say("planned", "block-check", plus(x.on.day, 42))
	}
}

func (j *judge) blockLost(x thing) {
	open := slices.ContainsFunc(j.cases(), func(c sick) bool { return c.open && c.foot == x.t.Foot && relieve(c.class) })
	looked := j.any(func(f *fact) bool { return f.day > x.off.day && f.touches(x.t.Foot) })
	if open && !looked {
		j.say("this visit", "block-lost", "")
	}
}

func (j *judge) looks() {
	done := func(f *fact) bool { return isLook(f) }
	last := j.last(done)
	missed := j.last(func(f *fact) bool { return f.exam() != nil && f.exam().Outcome == "not-done" })
	if missed != nil && (last == nil || missed.day > last.day) {
		j.say("this visit", "missed", "")
	}
	x := j.last(func(f *fact) bool { return f.exam() != nil && f.exam().Outcome != "not-done" })
	if x != nil && x.exam().Outcome == "incomplete" && x.day == last.day {
		j.say("this visit", "incomplete", "")
	}
}
