package oracle

import (
	"slices"

	"dewclaw/events"
)

// routine judges the checks of an animal of the roster, and the guards.
func (j *judge) routine() {
	r := j.animal.roster
	calved := ""
	for _, c := range r.Calvings {
		if c <= j.day {
			calved = max(calved, c)
		}
	}
	calving := j.calving(r, calved)
	dry := r.DriedOff != "" && r.DriedOff <= j.day && r.DriedOff > calved
	stop := j.guard(r, calved, calving, dry)
	say := func(tier, code, closes string) {
		if stop {
			tier = "not now"
		}
		j.say(tier, code, closes)
	}
	checked := j.checked()
	heifer := calved == "" && r.Parity != nil && *r.Parity == 0
	if heifer {
		if calving != "" && plus(calving, -56) <= j.day && checked < plus(calving, -56) && calving >= j.day {
			say("routine", "heifer", plus(calving, -42))
		}
	} else {
		j.preDry(r, calved, calving, dry, checked, say)
		if calved != "" && !dry && checked < calved && days(calved, j.day) >= 90 && days(calved, j.day) <= 120 {
			say("planned", "mid-lactation", plus(calved, 120))
		}
	}
	seen := j.any(func(f *fact) bool { return isLook(f) })
	bad := slices.ContainsFunc(j.newestCases(), func(c sick) bool { return relieve(c.class) && days(c.seen[len(c.seen)-1], j.day) <= 365 })
	switch {
	case !seen && !heifer:
		say("routine", "never-examined", "")
	case !seen || checked != "" && days(checked, j.day) <= 90:
	case bad:
		say("routine", "high-risk", plus(checked, 90))
	case checked == "" || days(checked, j.day) > 210:
		say("routine", "overdue", plus(checked, 210))
	}
}

// newestCases are the last case of each foot, claw and class.
func (j *judge) newestCases() (out []sick) {
	for _, c := range j.cases() {
		i := slices.IndexFunc(out, func(x sick) bool { return x.foot == c.foot && x.claw == c.claw && x.class == c.class })
		switch {
		case i < 0:
			out = append(out, c)
		case out[i].seen[0] < c.seen[0]:
			out[i] = c
		}
	}
	return out
}

// calving is the earliest day she may calve, by 280 days from any service since
// she calved, or as expected; what is more than 21 days past is no longer.
func (j *judge) calving(r *events.Animal, calved string) string {
	var all []string
	if r.ExpectedCalving != "" && (calved == "" || days(calved, r.ExpectedCalving) >= 200) {
		all = append(all, r.ExpectedCalving)
	}
	for _, s := range r.Services {
		if s > calved && s <= j.day {
			all = append(all, plus(s, 280))
		}
	}
	best := ""
	for _, d := range all {
		if days(d, j.day) <= 21 && (best == "" || d < best) {
			best = d
		}
	}
	return best
}

// guard reports whether routine trimming is stopped.
func (j *judge) guard(r *events.Animal, calved, calving string, dry bool) bool {
	switch {
	case calving != "" && days(j.day, calving) < 28,
		calving == "" && dry,
		calved != "" && days(calved, j.day) < 21,
		r.PlannedDryOff == j.day, r.DriedOff == j.day,
		j.any(func(f *fact) bool { return f.order() != nil && f.order().What == "not-trim" && j.inForce(f) }):
		return true
	}
	return false
}

// checked is the last day somebody looked at the animal and not only at a foot
// that was known to be bad.
func (j *judge) checked() string {
	f := j.last(func(f *fact) bool {
		e := f.exam()
		if e == nil || e.Outcome == "not-done" {
			return false
		}
		feet := 0
		for _, x := range e.Feet {
			if x.Examined == "yes" {
				feet++
			}
		}
		other := slices.ContainsFunc(e.Reasons, func(r string) bool { return r != "lame" && r != "recheck" })
		return other || len(e.Reasons) == 0 || feet == 4
	})
	if f == nil {
		return ""
	}
	return f.day
}

func (j *judge) preDry(r *events.Animal, calved, calving string, dry bool, checked string, say func(tier, code, closes string)) {
	if j.dryPassed() && (checked == "" || days(checked, r.PlannedDryOff) > 60) {
		say("this visit", "dry-passed", "")
	}
	off := r.PlannedDryOff
	if off == "" || off < calved {
		if calving == "" {
			return
		}
		off = plus(calving, -56)
	}
	if dry || off < j.day || checked != "" && days(checked, j.day) <= 60 {
		return
	}
	switch to := plus(off, -3); {
	case to < j.next:
		say("this visit", "pre-dry", to)
	case plus(off, -10) <= j.day:
		say("planned", "pre-dry", to)
	}
}

// dryPassed reports whether the day of a planned dry-off of this lactation is over
// and none was recorded.
func (j *judge) dryPassed() bool {
	r, calved := j.animal.roster, ""
	for _, c := range r.Calvings {
		if c <= j.day {
			calved = max(calved, c)
		}
	}
	dried := r.DriedOff > calved && r.DriedOff <= j.day
	return r.PlannedDryOff > calved && r.PlannedDryOff < j.day && !dried
}
