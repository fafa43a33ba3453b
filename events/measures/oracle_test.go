package measures_test

import (
	"fmt"
	"slices"
	"sort"
	"time"

	"dewclaw/events"
)

// The oracle works figures out from raw events by trying every day and every
// animal, without any part of the program but the payloads: cuts of scales and
// parents of lesions stand here again. It knows what package herd must make of the
// events of [drawHerd], not more: animals are named by ear tag alone.

// A raw event is one event as a source told it.
type raw struct {
	entity events.Entity
	source string
	p      events.Payload
}

// A told figure is what the oracle counts.
type told struct{ x, unclear, n, days int }

func (t told) String() string { return fmt.Sprintf("%d +%d of %d in %d", t.x, t.unclear, t.n, t.days) }

type oracle struct {
	tells    bool // a roster tells a calving; if none does every animal is taken
	all      []raw
	from, to int
	least    int
	roster   map[string]*events.Animal
	out      map[string]told
	bad      map[events.Entity]bool
}

func dayNumber(s string) int {
	t, err := time.Parse(time.DateOnly, s)
	if err != nil {
		panic(err)
	}
	return int(t.Unix() / 86400)
}

func dayText(n int) string { return time.Unix(int64(n)*86400, 0).UTC().Format(time.DateOnly) }

func cowOf(r raw) string { return r.p.Base().Animal[0].Value }
func on(r raw) int       { return dayNumber(r.p.Base().Occurred.Date) }

// minute is the moment of an event in minutes, or -1 if only the day is known. All
// events are of one zone without a change of clocks.
func minute(r raw) int {
	o := r.p.Base().Occurred
	if o.Time == "" {
		return -1
	}
	var h, m int
	_, _ = fmt.Sscanf(o.Time, "%d:%d", &h, &m)
	return (dayNumber(o.Date)*24+h)*60 + m
}

// Cuts of the two scales: UK sheet of four points and Sprecher's five.
func lame(l *events.Locomotion) bool {
	if l.Scale == "mob4-uk" {
		return l.Score.String() >= "2"
	}
	return l.Score.String() >= "3"
}

func severeCut(l *events.Locomotion) bool {
	return l.Scale == "mob4-uk" && l.Score.String() == "3" || l.Scale == "loc5-posture" && l.Score.String() >= "4"
}

// gravity is 2 for severe by grade, 1 where the scale cannot tell.
func gravity(l *events.Locomotion) int {
	switch l.Scale + l.Score.String() {
	case "mob4-uk3", "loc5-posture5":
		return 2
	case "loc5-posture4":
		return 1
	}
	return 0
}

var parent = map[string]string{"SU": "U", "WLF": "WL"}

func classes(code string) []string {
	if p := parent[code]; p != "" {
		return []string{"any", code, p}
	}
	return []string{"any", code}
}

func work0(all []raw, from, to string, least int) map[string]told {
	o := &oracle{from: dayNumber(from), to: dayNumber(to), least: least, roster: map[string]*events.Animal{}, out: map[string]told{}, bad: map[events.Entity]bool{}}
	for _, r := range all {
		if a, ok := r.p.(*events.Animal); ok {
			o.roster[cowOf(r)] = a
			o.tells = o.tells || len(a.Calvings) > 0
		} else {
			o.all = append(o.all, r)
		}
	}
	for _, r := range o.all {
		if !o.present(cowOf(r), on(r)) {
			o.bad[r.entity] = true
		}
	}
	o.scores()
	o.cases()
	o.trims()
	o.wraps()
	o.due()
	return o.out
}

// present: in the herd, the day of leaving counted; true of a cow no roster knows.
func (o *oracle) present(cow string, d int) bool {
	a := o.roster[cow]
	return a == nil || (a.Entered == "" || d >= dayNumber(a.Entered)) && (a.Left == "" || d <= dayNumber(a.Left))
}

func (o *oracle) calved(cow string, d int) bool {
	a := o.roster[cow]
	if a == nil || !o.tells {
		return !o.tells
	}
	return slices.ContainsFunc(a.Calvings, func(c string) bool { return dayNumber(c) <= d })
}

func (o *oracle) milked(cow string, d int) bool {
	a := o.roster[cow]
	if a == nil || !o.tells || !o.calved(cow, d) {
		return !o.tells
	}
	last := 0
	for _, c := range a.Calvings {
		if n := dayNumber(c); n <= d {
			last = max(last, n)
		}
	}
	return a.DriedOff == "" || !(dayNumber(a.DriedOff) > last && dayNumber(a.DriedOff) <= d)
}

func (o *oracle) milking(cow string, d int) bool {
	return o.present(cow, d) && o.milked(cow, d)
}

// inMilkOrDried: in milk that day, or dried off on it.
func (o *oracle) inMilkOrDried(cow string, d int) bool {
	a := o.roster[cow]
	return o.milking(cow, d) || o.tells && o.present(cow, d) && o.milking(cow, d-1) && a != nil && a.DriedOff != "" && dayNumber(a.DriedOff) == d
}

func (o *oracle) cow(cow string, d int) bool {
	return o.present(cow, d) && o.calved(cow, d)
}

// counts: days of time at risk are those before the day of leaving.
func (o *oracle) counts(cow string, d int) bool {
	a := o.roster[cow]
	return a != nil && o.present(cow, d) && (a.Left == "" || d < dayNumber(a.Left))
}

// A seen is one cow scored on one day.
type seen struct {
	cow                  string
	day, gravity, minute int
	lame, cut, worn      bool
}

func (o *oracle) add(key string, x, unclear, n int) {
	t := o.out[key]
	o.out[key] = told{t.x + x, t.unclear + unclear, t.n + n, t.days}
}

func is(b bool) int {
	if b {
		return 1
	}
	return 0
}

func (o *oracle) scores() {
	at := map[string]*seen{}
	var list []*seen
	for _, r := range o.all {
		l, ok := r.p.(*events.Locomotion)
		if !ok || o.bad[r.entity] || !l.Score.IsSet() || on(r) < o.from-90 || on(r) > o.to {
			continue
		}
		k := cowOf(r) + fmt.Sprint(on(r))
		s := at[k]
		if s == nil {
			s = &seen{cow: cowOf(r), day: on(r), minute: 1 << 60, worn: o.wears(cowOf(r), on(r))}
			at[k] = s
			list = append(list, s)
		}
		s.lame, s.cut, s.gravity = s.lame || lame(l), s.cut || severeCut(l), max(s.gravity, gravity(l))
		if lame(l) {
			s.minute = min(s.minute, minute(r))
		}
	}
	sort.Slice(list, func(i, j int) bool {
		return list[i].cow < list[j].cow || list[i].cow == list[j].cow && list[i].day < list[j].day
	})
	o.sessions(list)
	o.episodes(list)
	o.waiting(list)
}

func (o *oracle) sessions(list []*seen) {
	var days []int
	everyone := map[string][]*seen{}
	for d := o.from; d <= o.to; d++ {
		var here []*seen
		for _, s := range list {
			if s.day == d && o.milking(s.cow, d) {
				here = append(here, s)
				everyone[s.cow] = append(everyone[s.cow], s)
			}
		}
		eligible := 0
		for c := range o.roster {
			eligible += is(o.milking(c, d))
		}
		if len(here) == 0 || len(here) < o.least && (eligible == 0 || 2*len(here) < eligible) { // half of an unknown number is not known
			continue
		}
		for _, s := range here {
			o.add("lameness/lame."+dayText(d), is(s.lame), 0, 1)
			o.add("lameness/severe."+dayText(d), is(s.gravity == 2), is(s.gravity == 1), 1)
			var before *seen
			for _, p := range list {
				if p.cow == s.cow && p.day < d {
					before = p
				}
			}
			sure := s.lame && (s.cut || before != nil && before.lame && d-before.day <= 21)
			o.add("confirmed/confirmed."+dayText(d), is(sure), 0, 1)
			if !s.worn {
				o.add("trend/lame."+dayText(d), is(s.lame), 0, 1)
			}
		}
		if n := len(days); n > 0 {
			o.between(list, days[n-1], d)
		}
		days = append(days, d)
	}
	for _, mine := range everyone {
		any, worst := false, 0
		for _, s := range mine {
			any, worst = any || s.lame, max(worst, s.gravity)
		}
		o.add("period/lame", is(any), 0, 1)
		o.add("period/severe", is(worst == 2), is(worst == 1), 1)
	}
}

func (o *oracle) between(list []*seen, first, second int) {
	key := "." + dayText(first) + "." + dayText(second)
	for _, k := range []string{"newly", "recovered", "still"} {
		o.add("change/"+k+key, 0, 0, 0)
	}
	for _, a := range list {
		for _, b := range list {
			if a.cow != b.cow || a.day != first || b.day != second || a.worn || b.worn || !o.milking(a.cow, first) || !o.milking(b.cow, second) {
				continue
			}
			if a.lame {
				o.add("change/recovered"+key, is(!b.lame), 0, 1)
				o.add("change/still"+key, is(b.lame), 0, 1)
			} else {
				o.add("change/newly"+key, is(b.lame), 0, 1)
			}
		}
	}
}

func (o *oracle) episodes(list []*seen) {
	cases, days := 0, 0
	for i, b := range list {
		// a, z: the two scores before b; nothing on at them, nor put on between them.
		if i < 2 || list[i-1].cow != b.cow || list[i-2].cow != b.cow {
			continue
		}
		a, z := list[i-2], list[i-1]
		if o.roster[b.cow] == nil || a.worn || z.worn || a.lame || z.lame || o.putOn(b.cow, a.day, z.day) <= z.day {
			continue
		}
		put := o.putOn(b.cow, z.day, b.day)
		for d := max(o.from, z.day); d <= o.to && d < min(b.day, put); d++ {
			days += is(o.counts(b.cow, d) && o.milked(b.cow, d))
		}
		cases += is(b.lame && !b.worn && put > b.day && b.day >= o.from && o.inMilkOrDried(b.cow, b.day))
	}
	o.out["episodes/episodes.year"] = told{x: cases, days: days}
}

// putOn returns the first day behind one and not behind another on which something
// was put on her feet, or a day that never comes.
func (o *oracle) putOn(cow string, behind, to int) int {
	best := 1 << 60
	for _, r := range o.all {
		if _, ok := r.p.(*events.Treatment); ok && cowOf(r) == cow && on(r) > behind && on(r) <= to {
			best = min(best, on(r))
		}
	}
	return best
}

func (o *oracle) waiting(list []*seen) {
	o.add("waiting/within", 0, 0, 0)
	for i, s := range list {
		if !s.lame || s.worn || s.day < o.from {
			continue
		}
		if i > 0 && list[i-1].cow == s.cow && list[i-1].lame && s.day-list[i-1].day <= 90 {
			continue
		}
		end := o.to + 1
		if a := o.roster[s.cow]; a != nil && a.Left != "" {
			end = min(end, dayNumber(a.Left)+1)
		}
		// The first day on which somebody looked at her feet, and of that day the first
		// hour, if one is told.
		best, bestTimed, bestMinute, answer := 1<<60, false, 0, ""
		for _, r := range o.all {
			looked := false
			switch p := r.p.(type) {
			case *events.Examination:
				looked = p.Outcome != "not-done"
			case *events.Lesion:
				looked = true
			case *events.Treatment:
				looked = p.What == "block"
			}
			if !looked || o.bad[r.entity] || cowOf(r) != s.cow || on(r) < s.day || on(r) >= end {
				continue
			}
			timed := minute(r) >= 0 && s.minute >= 0
			if timed && minute(r) < s.minute || on(r) > best {
				continue
			}
			if on(r) == best && (!timed || bestTimed && minute(r) >= bestMinute) {
				continue
			}
			best, bestTimed, bestMinute = on(r), timed, minute(r)
			first, last := 24*(on(r)-s.day-1), 24*(on(r)-s.day+1) // hours it can be
			switch {
			case timed && minute(r)-s.minute <= 48*60, !timed && last <= 48:
				answer = "yes"
			case timed, first >= 48:
				answer = "no"
			default:
				answer = "unclear"
			}
		}
		if answer == "" && end-s.day <= 2 {
			continue
		}
		o.add("waiting/within", is(answer == "yes"), is(answer == "unclear"), 1)
	}
}

// off returns the day a block or wrap came off, or a day that never comes; sure is
// false if she was not there then.
func (o *oracle) off(put raw) (best int, sure bool) {
	t := put.p.(*events.Treatment)
	best, sure = 1<<60, true
	for _, r := range o.all {
		if cowOf(r) != cowOf(put) || on(r) <= on(put) {
			continue
		}
		switch p := r.p.(type) {
		case *events.TakenOff:
			if p.What == t.What && p.Foot == t.Foot && p.Claw == t.Claw && on(r) < best {
				best, sure = on(r), !o.bad[r.entity]
			}
		case *events.Treatment:
			if p.What == t.What && p.Foot == t.Foot && p.Claw == t.Claw && on(r) < best {
				best, sure = on(r), true
			}
		}
	}
	return best, sure
}

func (o *oracle) wears(cow string, d int) bool {
	for _, r := range o.all {
		if _, ok := r.p.(*events.Treatment); ok && cowOf(r) == cow && on(r) <= d {
			if off, _ := o.off(r); d <= off {
				return true
			}
		}
	}
	return false
}

func (o *oracle) wraps() {
	o.add("devices/wraps.in-time", 0, 0, 0)
	for _, r := range o.all {
		t, ok := r.p.(*events.Treatment)
		if !ok || o.bad[r.entity] || t.What != "wrap" || on(r) < o.from || on(r) > o.to {
			continue
		}
		off, sure := o.off(r)
		late := on(r) + 2 // 48 hours, of a wrap of which only the day is known
		switch {
		case !sure:
			continue
		case off > o.to && late > o.to, !o.present(cowOf(r), late): // sold with it on, or since
			continue
		case off > o.to, off > late:
			o.add("devices/wraps.in-time", 0, 0, 1)
		case off == late:
			o.add("devices/wraps.in-time", 0, 1, 1)
		default:
			o.add("devices/wraps.in-time", 1, 0, 1)
		}
	}
}

func healed0(l *events.Lesion) bool { return l.Course == "healed" || l.Code == "DD" && l.Stage == "M0" }

// cases strings the days of each class on each claw together.
func (o *oracle) cases() {
	type key struct{ cow, foot, claw, class string }
	found, clear := map[key]map[int]bool{}, map[key]map[int]bool{}
	for _, r := range o.all {
		l, ok := r.p.(*events.Lesion)
		if !ok || o.bad[r.entity] {
			continue
		}
		c := classes(l.Code)
		k := key{cowOf(r), l.Foot, l.Claw, c[len(c)-1]}
		if l.Code == "DD" {
			k.claw = "none"
		}
		if found[k] == nil {
			found[k], clear[k] = map[int]bool{}, map[int]bool{}
		}
		if healed0(l) {
			clear[k][on(r)] = true
		} else {
			found[k][on(r)] = true
		}
	}
	for _, r := range o.all {
		e, ok := r.p.(*events.Examination)
		if !ok || o.bad[r.entity] || e.Outcome == "incomplete" {
			continue
		}
		for k := range found {
			for _, f := range e.Feet {
				if k.cow == cowOf(r) && k.foot == f.Foot && f.Examined == "yes" && f.Result == "clear" {
					clear[k][on(r)] = true
				}
			}
		}
	}
	days := 0
	for c := range o.roster {
		for d := o.from; d <= o.to; d++ {
			days += is(o.counts(c, d) && o.calved(c, d))
		}
	}
	for _, kind := range []string{"new.any", "again.any"} {
		o.out["cases/"+kind+".year"] = told{days: days}
	}
	for k := range found {
		open, last, n := false, 0, 0
		for d := o.from - 400; d <= o.to; d++ {
			switch {
			case found[k][d]:
				if !open || d-last > 42 {
					if n++; d >= o.from && o.roster[k.cow] != nil && o.cow(k.cow, d) {
						for _, class := range []string{"any", k.class} {
							for i, kind := range []string{"new.", "again."} {
								t := o.out["cases/"+kind+class+".year"]
								o.out["cases/"+kind+class+".year"] = told{x: t.x + is(i == 0 || n > 1), days: days}
							}
						}
					}
				}
				open, last = true, d
			case clear[k][d]:
				open = false
			}
		}
	}
}

// trims counts what was examined, and what was found on it.
func (o *oracle) trims() {
	type unit struct{ cow, foot, claw string }
	exams := map[events.Entity]raw{}
	examined := map[string]map[unit]bool{"animals": {}, "feet": {}, "claws": {}}
	having := map[string]map[unit]bool{} // level and class
	all := map[string]bool{"any": true}
	newest := map[unit]int{}
	put := func(level, class string, u unit) {
		if having[level+class] == nil {
			having[level+class] = map[unit]bool{}
		}
		having[level+class][u] = true
	}
	for _, r := range o.all {
		e, ok := r.p.(*events.Examination)
		if !ok || o.bad[r.entity] || on(r) < o.from || on(r) > o.to || !o.cow(cowOf(r), on(r)) || e.Outcome == "incomplete" || e.Outcome == "not-done" {
			continue
		}
		exams[r.entity] = r
		examined["animals"][unit{cowOf(r), "", ""}] = true
		for _, f := range e.Feet {
			if f.Examined != "yes" {
				continue
			}
			u := unit{cowOf(r), f.Foot, ""}
			examined["feet"][u] = true
			newest[u] = max(newest[u], on(r))
			for _, claw := range []string{"inner", "outer"} {
				if !o.lost(cowOf(r), f.Foot, claw, on(r)) {
					examined["claws"][unit{cowOf(r), f.Foot, claw}] = true
				}
			}
		}
	}
	stages := map[unit]map[string]bool{}
	for _, r := range o.all {
		l, ok := r.p.(*events.Lesion)
		if !ok || o.bad[r.entity] || healed0(l) {
			continue
		}
		e, ok := exams[l.Examination]
		if !ok {
			continue
		}
		for _, class := range classes(l.Code) {
			all[class] = true
			put("animals", class, unit{cowOf(r), "", ""})
			put("feet", class, unit{cowOf(r), l.Foot, ""})
			if l.Code != "DD" {
				put("claws", class, unit{cowOf(r), l.Foot, l.Claw})
			}
		}
		if u := (unit{cowOf(r), l.Foot, ""}); l.Code == "DD" && newest[u] == on(e) {
			if stages[u] == nil {
				stages[u] = map[string]bool{}
			}
			stages[u][l.Stage] = true
		}
	}
	for level, units := range examined {
		for class := range all {
			if level == "claws" && class == "DD" {
				continue
			}
			for u := range units {
				o.add("lesions/"+level+"."+class, is(having[level+class][u]), 0, 1)
			}
		}
	}
	animals := map[string]told{}
	for u := range examined["feet"] {
		active := stages[u]["M1"] || stages[u]["M2"] || stages[u]["M4.1"]
		unclear := !active && stages[u][""]
		o.add("dermatitis/active.feet", is(active), is(unclear), 1)
		t := animals[u.cow]
		animals[u.cow] = told{x: t.x | is(active), unclear: t.unclear | is(unclear)}
	}
	for _, t := range animals {
		o.add("dermatitis/active.animals", t.x, t.unclear&^t.x, 1)
	}
}

func (o *oracle) lost(cow, foot, claw string, d int) bool {
	for _, r := range o.all {
		if c, ok := r.p.(*events.Claw); ok && cowOf(r) == cow && c.Foot == foot && c.Claw == claw && d > on(r) && !o.bad[r.entity] {
			return true
		}
	}
	return false
}
