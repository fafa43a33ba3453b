package herd

import (
	"cmp"
	"slices"

	"dewclaw/events"
)

// A Check is somebody looking at a block or wrap.
type Check struct {
	Event  events.Entity
	Source string
	Day    string
	At     string   `json:",omitempty"` // RFC 3339 with local offset, or "" if only the day is known
	State  string   // code list check-states
	ByVet  bool     `json:",omitempty"`
	Doubts []string `json:",omitempty"`
}

// A Wound is a wound of a foot that somebody looked at and did not find healed.
type Wound struct {
	Event  events.Entity // newest check that tells the state
	Foot   string        // "" if not told
	Claw   string        // "none" if the wound belongs to no claw, "unknown" if not told
	First  string        // day it was first looked at, since it was last found healed
	Last   string        // day it was last looked at
	At     string        `json:",omitempty"` // as At of a check
	State  string        // healing or not-healing: the worse of the newest day
	Doubts []string      `json:",omitempty"` // of the checks of the newest day
}

// Codes of the list check-states that the herd acts on.
const (
	stateGone   = "gone"
	stateHealed = "healed"
)

// worse says which of two states of one day counts: the more careful reading.
var worse = map[string]int{"on": 1, "worn": 2, "loose": 3, "rocking": 4, stateHealed: 1, "healing": 2, "not-healing": 3}

// see adds a check to the device it means. If several may be meant, each of them
// has it. On the day a device came off it may have been looked at before; what
// nobody told of putting on is a device all the same.
func see(out []*Device, m *move) []*Device {
	for _, fits := range []func(*Device) bool{
		func(d *Device) bool { return d.Off == "" && d.Foot == m.foot && d.Claw == m.claw },
		func(d *Device) bool { return d.Off == "" && alike(d.Foot, m.foot) && alike(d.Claw, m.claw) },
		func(d *Device) bool { return d.Off == m.day.String() && alike(d.Foot, m.foot) && alike(d.Claw, m.claw) },
	} {
		found := false
		for _, d := range out {
			if d.What == m.what && fits(d) {
				d.check(m)
				found = true
			}
		}
		if found {
			return out
		}
	}
	d := &Device{What: m.what, Foot: m.foot, Claw: m.claw, On: m.day.String(), Found: true, Sources: []string{m.f.Source}}
	d.check(m)
	return append(out, d)
}

func (d *Device) check(m *move) {
	c := m.f.Payload.(*events.Check)
	d.Checks = append(d.Checks, Check{m.f.Entity, m.f.Source, m.f.Day, m.f.At(), c.State, c.Role == vet, m.f.Doubts})
	if d.Found {
		d.Doubts = append(d.Doubts, m.f.Doubts...)
	}
}

// found settles how the device was last found.
func (d *Device) found() {
	newest := ""
	for _, c := range d.Checks {
		switch {
		case c.Day != newest:
			newest, d.State = c.Day, c.State
		case worse[c.State] > worse[d.State]:
			d.State = c.State
		}
	}
}

// wounds works out the wounds of one animal that are not healed, sorted by foot
// and claw.
func wounds(facts []*Fact) (out []Wound) {
	type place struct{ foot, claw string }
	open := map[place]*Wound{}
	for _, f := range facts {
		c, ok := f.Payload.(*events.Check)
		if !ok || c.What != "wound" {
			continue
		}
		k := place{c.Foot, cmp.Or(c.Claw, "unknown")}
		w := open[k]
		if c.State == stateHealed {
			if w != nil && w.Last < f.Day && len(f.Doubts) == 0 {
				delete(open, k)
			}
			continue
		}
		if w == nil {
			w = &Wound{Foot: k.foot, Claw: k.claw, First: f.Day}
			open[k] = w
		}
		if w.Last != f.Day {
			w.Last, w.State, w.Doubts = f.Day, "", nil
		}
		if worse[c.State] >= worse[w.State] {
			w.State, w.Event, w.At = c.State, f.Entity, f.At()
		}
		w.Doubts = append(w.Doubts, f.Doubts...)
	}
	for _, w := range open {
		slices.Sort(w.Doubts)
		w.Doubts = slices.Compact(w.Doubts)
		out = append(out, *w)
	}
	slices.SortFunc(out, func(a, b Wound) int { return cmp.Or(cmp.Compare(a.Foot, b.Foot), cmp.Compare(a.Claw, b.Claw)) })
	return out
}
