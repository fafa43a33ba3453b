package oracle

import (
	"cmp"
	"slices"
	"time"

	"dewclaw/events"
)

// A fact is the newest revision of an event.
type fact struct {
	ev   events.Event
	p    events.Payload
	said []events.Payload // what the revisions since it was last recorded said, the newest among them
	day  string
	at   string // RFC 3339, or ""
}

// An animal is one ear tag with everything told of it up to the day.
type animal struct {
	tag    string
	roster *events.Animal // nil if no roster has her
	facts  []fact
}

// read gathers the newest revisions, by animal.
func read(all []events.Event, day string) (out map[string]*animal, rosters int, err error) {
	revisions := map[events.Entity][]events.Event{}
	for _, e := range all {
		revisions[e.Entity] = append(revisions[e.Entity], e)
	}
	out = map[string]*animal{}
	for _, list := range revisions {
		slices.SortFunc(list, func(x, y events.Event) int { return cmp.Compare(x.Revision, y.Revision) })
		e := list[len(list)-1]
		if e.Change == events.Retracted {
			continue
		}
		var said []events.Payload
		for _, r := range list {
			p, err := r.Payload()
			if err != nil {
				return nil, 0, err
			}
			if r.Change != events.Amended {
				said = nil
			}
			said = append(said, p)
		}
		p := said[len(said)-1]
		c := p.Base()
		tag := c.Animal[0].Value
		if out[tag] == nil {
			out[tag] = &animal{tag: tag}
		}
		if r, ok := p.(*events.Animal); ok {
			out[tag].roster = r
			rosters++
		} else if c.Occurred.Date <= day {
			out[tag].facts = append(out[tag].facts, fact{e, p, said, c.Occurred.Date, c.Occurred.RFC3339()})
		}
	}
	for _, a := range out {
		slices.SortFunc(a.facts, func(x, y fact) int {
			return cmp.Or(cmp.Compare(x.day, y.day), cmp.Compare(x.at, y.at), cmp.Compare(x.ev.Entity, y.ev.Entity))
		})
	}
	return out, rosters, nil
}

// plus returns the day n days behind a day.
func plus(day string, n int) string {
	t, err := time.Parse(time.DateOnly, day)
	if err != nil {
		return ""
	}
	return t.AddDate(0, 0, n).Format(time.DateOnly)
}

// days counts from one day to another.
func days(from, to string) int {
	a, _ := time.Parse(time.DateOnly, from)
	b, _ := time.Parse(time.DateOnly, to)
	return int(b.Sub(a).Hours() / 24)
}

// when is a moment, or the beginning of a day.
func (j *judge) when(s string) time.Time {
	if len(s) == 10 {
		t, _ := time.ParseInLocation(time.DateOnly, s, j.zone)
		return t
	}
	t, _ := time.Parse(time.RFC3339, s)
	return t.In(j.zone)
}

func (f *fact) exam() *events.Examination { x, _ := f.p.(*events.Examination); return x }
func (f *fact) lesion() *events.Lesion    { x, _ := f.p.(*events.Lesion); return x }
func (f *fact) treatment() *events.Treatment {
	x, _ := f.p.(*events.Treatment)
	return x
}
func (f *fact) order() *events.Order      { x, _ := f.p.(*events.Order); return x }
func (f *fact) score() *events.Locomotion { x, _ := f.p.(*events.Locomotion); return x }

func (f *fact) moment() string { return cmp.Or(f.at, f.day) }

// touches reports whether a fact tells that a foot was looked at; any foot with
// foot "". So does an examination, a lesion, a corrective trim, a block put on, and
// what a vet wrote or a trimmer put on; a wrap renewed, what came off, and what
// anybody else gave or put on the skin do not.
func (f *fact) touches(foot string) bool {
	is := func(x string) bool { return x != "" && (foot == "" || x == foot) }
	if e := f.exam(); e != nil && e.Outcome != "not-done" {
		for _, x := range e.Feet {
			if x.Examined == "yes" && is(x.Foot) {
				return true
			}
		}
	}
	role := f.p.Base().Role
	switch p := f.p.(type) {
	case *events.Lesion:
		return is(p.Foot)
	case *events.TakenOff:
		return role == "vet" && is(p.Foot)
	case *events.Treatment:
		lifted := p.What == "corrective-trim" || p.What == "block" || p.What == "block-thin-sole"
		return (lifted || role == "vet" || role == "trimmer") && is(p.Foot)
	}
	return false
}

// any reports whether a fact is so.
func (a *animal) any(is func(f *fact) bool) bool {
	for i := range a.facts {
		if is(&a.facts[i]) {
			return true
		}
	}
	return false
}

// last returns the last fact that is so, or nil.
func (a *animal) last(is func(f *fact) bool) *fact {
	for i := len(a.facts) - 1; i >= 0; i-- {
		if is(&a.facts[i]) {
			return &a.facts[i]
		}
	}
	return nil
}

// first returns the earliest of what the revisions of a treatment say; "" if none
// says any.
func (f *fact) first(of func(t *events.Treatment) string) (out string) {
	for _, p := range f.said {
		if s := of(p.(*events.Treatment)); s != "" && (out == "" || s < out) {
			out = s
		}
	}
	return out
}
