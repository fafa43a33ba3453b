package herd

import (
	"cmp"
	"slices"
	"time"

	"dewclaw/events"
)

// A Standing is where an animal stands at the end of a day: the newest of what
// was told of her, in one piece, as lists need it. What is late, lame enough or
// due is not decided here.
//
// Facts in doubt settle nothing: an examination that contradicts another record
// is not among the looks. What they warn of stays: cases, devices, withdrawals,
// wounds, orders, lost claws and lame scores in doubt are there, with their Doubts.
type Standing struct {
	Animal Animal `json:"-"`
	Until  string `json:",omitempty"` // day of the newest fact of her; "" if there is none

	Examined *Look      `json:",omitempty"` // the newest look at a foot
	Checked  *Look      `json:",omitempty"` // the newest look at the animal; see [Look]
	Missed   []Look     `json:",omitempty"` // examinations behind Examined that were not carried out, oldest first
	Feet     []FootSeen `json:",omitempty"` // by foot; "" for what no foot was told of

	Scored   []Scored `json:",omitempty"` // scores of the newest day that tells lame or not
	Before   []Scored `json:",omitempty"` // those of the day before that
	Since    string   `json:",omitempty"` // the first of the scored days in a row that tell lame, up to the newest; "" if that does not
	Sessions int      `json:",omitempty"` // how many scored days those are
	Unseen   []Scored `json:",omitempty"` // the lame scores of those days behind the newest look
	Stands   []Scored `json:",omitempty"` // lame scores before those days, and behind the newest look, that no two sound days in a row took back

	Cases       []Case       `json:",omitempty"` // the newest of each class, foot and claw, with its newest sighting
	Begun       []Begun      `json:",omitempty"` // by class
	Devices     []Device     `json:",omitempty"` // on, and the one that came off last where none is on
	Wounds      []Wound      `json:",omitempty"` // looked at and not healed
	Orders      []Order      `json:",omitempty"` // in force on the day Until, or later
	Claws       []LostClaw   `json:",omitempty"` // absent, or without horn
	Withdrawals []Withdrawal `json:",omitempty"` // not over on the day Until
	Soles       []Sole       `json:",omitempty"` // newest of each claw
}

// A Look is somebody looking at feet of an animal. Beside examinations that
// were carried out, other records of a foot tell of one, as [TellsOfLook] says: not
// every source has examinations.
//
// A look at the animal is an examination that was not only about a foot that was
// known to be bad: one with a reason other than lame and recheck, or one of all
// four feet (common practice, no source).
type Look struct {
	Event     events.Entity
	Source    string
	Visit     events.Entity     `json:",omitempty"`
	Day       string            //
	At        string            `json:",omitempty"` // RFC 3339 with local offset, or "" if only the day is known
	Outcome   string            `json:",omitempty"` // code list outcomes
	NotDone   string            `json:",omitempty"` // code list not-done
	Reasons   []string          `json:",omitempty"` // code list reasons
	Restraint string            `json:",omitempty"` // code list restraints
	Feet      []events.FootExam `json:",omitempty"`
}

// A FootSeen is when a foot was last looked at.
type FootSeen struct {
	Foot    string
	Day     string        `json:",omitempty"` // of the newest look; "" if there is none
	At      string        `json:",omitempty"`
	Event   events.Entity `json:",omitempty"`
	Trimmed string        `json:",omitempty"` // day it was last trimmed, preventive or corrective
	Vet     string        `json:",omitempty"` // day a vet last told of it
	Exam    string        `json:",omitempty"` // day of the newest examination of it all of which was read
}

// A Scored is one locomotion score, as [Score] has it.
type Scored struct {
	Event   events.Entity
	Source  string
	Day     string
	At      string         `json:",omitempty"`
	Scale   string         //
	Value   events.Decimal //
	Gait    []int          `json:",omitempty"`
	Lame    string         `json:",omitempty"`
	Severe  string         `json:",omitempty"`
	Native  string         `json:",omitempty"`
	Limb    string         `json:",omitempty"`
	BlockOn string         `json:",omitempty"` // yes, no or unknown, as the record says
	WrapOn  string         `json:",omitempty"`
	Doubts  []string       `json:",omitempty"`
}

// A Begun tells on which days the newest cases of a class began, up to three, the
// newest first. What is found on several claws at one trim began once.
type Begun struct {
	Class string
	First []string
}

// A Sole is a measured thickness of the sole of one claw.
type Sole struct {
	Event      events.Entity
	Day        string
	Foot, Claw string
	MM         events.Decimal
}

const mostBegun = 3

// stand works out the standing of an animal from its facts and their old
// revisions, sorted by compareFacts, and from what was worked out of them.
func stand(facts, old []*Fact, cs []Case, ds []Device, ws []Withdrawal, os []Order) *Standing {
	s := &Standing{Wounds: wounds(facts), Claws: lostClaws(facts)}
	for _, f := range slices.Concat(facts, old) {
		s.Until = max(s.Until, f.Day)
	}
	s.look(facts)
	s.gaits(facts)
	s.cases(cs)
	s.devices(ds)
	until := dayOf(s.Until, always)
	for _, w := range ws {
		if w.lastDay() > until {
			s.Withdrawals = append(s.Withdrawals, w)
		}
	}
	for _, o := range os {
		if o.lastDay() > until {
			s.Orders = append(s.Orders, o)
		}
	}
	return s
}

// look fills what was looked at, and the soles.
func (s *Standing) look(facts []*Fact) {
	feet := map[string]*FootSeen{}
	soles := map[[2]string]Sole{}
	for _, f := range facts {
		if len(f.Doubts) > 0 {
			continue
		}
		switch p := f.Payload.(type) {
		case *events.Examination:
			s.examination(f, p, feet)
		case *events.Lesion:
			s.at(f, p.Foot, feet)
		case *events.Treatment:
			s.at(f, p.Foot, feet)
		case *events.Check:
			s.at(f, p.Foot, feet)
		case *events.TakenOff:
			s.at(f, p.Foot, feet)
		case *events.ClawMeasure:
			if p.What == "sole-thickness" && p.Value.IsSet() {
				soles[[2]string{p.Foot, p.Claw}] = Sole{f.Entity, f.Day, p.Foot, p.Claw, p.Value}
			}
		}
	}
	for _, x := range feet {
		s.Feet = append(s.Feet, *x)
	}
	slices.SortFunc(s.Feet, func(a, b FootSeen) int { return cmp.Compare(a.Foot, b.Foot) })
	for _, x := range soles {
		s.Soles = append(s.Soles, x)
	}
	slices.SortFunc(s.Soles, func(a, b Sole) int { return cmp.Or(cmp.Compare(a.Foot, b.Foot), cmp.Compare(a.Claw, b.Claw)) })
}

func foot(feet map[string]*FootSeen, name string) *FootSeen {
	if feet[name] == nil {
		feet[name] = &FootSeen{Foot: name}
	}
	return feet[name]
}

func (s *Standing) examination(f *Fact, p *events.Examination, feet map[string]*FootSeen) {
	l := &Look{
		Event: f.Entity, Source: f.Source, Visit: f.Visit, Day: f.Day, At: f.At(),
		Outcome: p.Outcome, NotDone: p.NotDone, Reasons: p.Reasons, Restraint: p.Restraint, Feet: p.Feet,
	}
	if p.Outcome == "not-done" {
		if e := s.Examined; e == nil || e.Day != l.Day || e.At != "" && l.At != "" {
			s.Missed = append(s.Missed, *l)
		}
		return
	}
	s.Examined, s.Missed = l, nil
	if LooksAtAnimal(p) {
		s.Checked = l
	}
	for _, x := range p.Feet {
		if x.Examined != "yes" {
			continue
		}
		seen := foot(feet, x.Foot)
		seen.Day, seen.At, seen.Event = l.Day, l.At, l.Event
		if x.Trimmed == "preventive" || x.Trimmed == "corrective" {
			seen.Trimmed = l.Day
		}
		if p.Role == vet {
			seen.Vet = l.Day
		}
		if p.Outcome != "incomplete" {
			seen.Exam = l.Day
		}
	}
	if p.Role == vet && len(p.Feet) == 0 {
		foot(feet, "").Vet = l.Day
	}
}

// LooksAtAnimal reports whether an examination was a look at the animal, and not
// only at a foot known to be bad; see [Look].
func LooksAtAnimal(p *events.Examination) bool {
	for _, r := range p.Reasons {
		if r != "lame" && r != "recheck" {
			return true
		}
	}
	n := 0
	for _, f := range p.Feet {
		if f.Examined == "yes" {
			n++
		}
	}
	return len(p.Reasons) == 0 || n == 4
}

// TellsOfLook reports whether a record tells that somebody looked at the foot it
// names: an examination that was carried out, a lesion, a corrective trim, a look at
// a wound, or a block put on, for which the foot was lifted. What a vet wrote does,
// and what a trimmer put on. A wrap put on or renewed, a block that was only looked
// at, what came off and what was given by anybody else do not: the farm does that
// without looking for what is wrong (common practice, no source).
func TellsOfLook(p events.Payload) bool {
	role := p.Base().Role
	switch p := p.(type) {
	case *events.Examination:
		return p.Outcome != "not-done"
	case *events.Lesion:
		return true
	case *events.Treatment:
		return treatmentLooks(p.What, role)
	case *events.Check:
		return checkLooks(p.What, role)
	case *events.TakenOff:
		return role == vet
	}
	return false
}

func treatmentLooks(what, role string) bool {
	switch what {
	case "corrective-trim", "block", "block-thin-sole":
		return true
	}
	return role == vet || role == "trimmer"
}

func checkLooks(what, role string) bool { return what == "wound" || role == vet }

// at notes what a record other than an examination tells of a look at a foot.
func (s *Standing) at(f *Fact, name string, feet map[string]*FootSeen) {
	if !TellsOfLook(f.Payload) {
		return
	}
	role := f.Payload.Base().Role
	if name == "" {
		if role == vet {
			foot(feet, "").Vet = f.Day
			s.lookedAt(f)
		}
		return
	}
	seen := foot(feet, name)
	seen.Day, seen.At, seen.Event = f.Day, f.At(), f.Entity
	if role == vet {
		seen.Vet = f.Day
	}
	s.lookedAt(f)
}

// lookedAt makes a record the newest look.
func (s *Standing) lookedAt(f *Fact) {
	if e := s.Examined; e != nil && e.Day == f.Day {
		if at := f.At(); at != "" {
			later := *e // the examination says more, but not when the last of the day was
			later.At = at
			s.Examined = &later
		}
		return
	}
	s.Examined, s.Missed = &Look{Event: f.Entity, Source: f.Source, Visit: f.Visit, Day: f.Day, At: f.At()}, nil
}

// A gaitDay is what the scores of one day tell.
type gaitDay struct {
	lame   bool
	scores []Scored
}

// gaits fills what the scores come to. A day tells lame if one of its scores
// does, whatever the others say; a score in doubt tells of no sound animal. One
// sound day does not take back a lame score at which nobody looked, two in a row do:
// observers differ, and so do the days of a cow (common practice, no source).
func (s *Standing) gaits(facts []*Fact) {
	var days []gaitDay
	for _, f := range facts {
		p, ok := f.Payload.(*events.Locomotion)
		lame := ok && p.Derived.Lame == "yes"
		if !ok || p.Derived.Lame == "" || !lame && len(f.Doubts) > 0 {
			continue
		}
		x := Scored{
			f.Entity, f.Source, f.Day, f.At(), p.Scale, p.Score, p.Derived.Gait, p.Derived.Lame, p.Derived.Severe, p.Derived.SevereNative,
			p.Limb, p.BlockOn, p.WrapOn, f.Doubts,
		}
		if n := len(days); n == 0 || days[n-1].scores[0].Day != f.Day {
			days = append(days, gaitDay{})
		}
		d := &days[len(days)-1]
		d.lame = d.lame || lame
		d.scores = append(d.scores, x)
	}
	n := len(days)
	if n > 0 {
		s.Scored = days[n-1].scores
	}
	if n > 1 {
		s.Before = days[n-2].scores
	}
	for n > 0 && days[n-1].lame {
		n--
		s.Since = days[n].scores[0].Day
		s.Sessions++
	}
	s.Unseen = s.unseen(days[n:])
	first, sound := n, 0
	for first > 0 && sound < 2 {
		first--
		if sound++; days[first].lame {
			sound = 0
		}
	}
	s.Stands = s.unseen(days[first:n])
}

// unseen returns the lame scores of some days behind the newest look.
func (s *Standing) unseen(days []gaitDay) (out []Scored) {
	for _, d := range days {
		for _, x := range d.scores {
			if x.Lame == "yes" && (s.Examined == nil || x.behind(s.Examined)) {
				out = append(out, x)
			}
		}
	}
	return out
}

// behind reports whether a score was given after a look. On one day it was so
// only if both have a time that says so: who scores a cow on the chute has
// looked at her.
func (x *Scored) behind(l *Look) bool { return afterwards(x.Day, x.At, l.Day, l.At) }

// afterwards reports whether a is behind b; each is a day with its moment, if
// that is known. On one day both moments must say so.
func afterwards(aDay, aAt, bDay, bAt string) bool {
	if aDay != bDay || aAt == "" || bAt == "" {
		return aDay > bDay
	}
	a, err1 := time.Parse(time.RFC3339Nano, aAt)
	b, err2 := time.Parse(time.RFC3339Nano, bAt)
	return err1 == nil && err2 == nil && a.After(b)
}

func (s *Standing) cases(all []Case) {
	begun := map[string][]string{}
	type key struct {
		caseKey
		doubtful bool
	}
	newest := map[key]int{}
	for i, c := range all {
		newest[key{caseKey{c.Foot, c.Class, c.Claw, c.Words}, len(c.Doubts) > 0}] = i
		if len(c.Doubts) == 0 {
			begun[c.Class] = append(begun[c.Class], c.First)
		}
	}
	for i, c := range all {
		if newest[key{caseKey{c.Foot, c.Class, c.Claw, c.Words}, len(c.Doubts) > 0}] == i {
			c.Seen = c.Seen[len(c.Seen)-1:]
			s.Cases = append(s.Cases, c)
		}
	}
	for class, first := range begun {
		slices.Sort(first)
		slices.Reverse(first)
		first = slices.Compact(first)
		s.Begun = append(s.Begun, Begun{class, first[:min(mostBegun, len(first))]})
	}
	slices.SortFunc(s.Begun, func(a, b Begun) int { return cmp.Compare(a.Class, b.Class) })
}

func (s *Standing) devices(all []Device) {
	type place struct{ what, foot, claw string }
	last := map[place]int{}
	for i, d := range all {
		p := place{d.What, d.Foot, d.Claw}
		if j, ok := last[p]; !ok || d.Off == "" || all[j].Off != "" && d.Off >= all[j].Off {
			last[p] = i
		}
	}
	for i, d := range all {
		if d.Off == "" || last[place{d.What, d.Foot, d.Claw}] == i {
			s.Devices = append(s.Devices, d)
		}
	}
}
