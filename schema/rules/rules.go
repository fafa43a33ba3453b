// Package rules works out what follows from a record alone: normalized
// identifiers, gait grades, when a wrap is due off, and advisories, which are
// values that are accepted but should make somebody look. It never judges one
// record by another, never holds one, and never changes what a record says.
//
// Start with [Apply]. Its thresholds are [Settings], whose defaults and sources
// stand in the code lists advisories and timings. A [Watch] counts what the
// records of one source have in common and says what makes its mapping or its
// clock suspect.
package rules

import (
	"dewclaw/events"
	"dewclaw/schema/codes"
)

// Version is the version of the rules. It counts up with every change that may
// derive or note something else from the same record.
const Version = "3"

// Apply fills Derived and Notes of every payload of one record, replacing what
// stood there. The record is everything that was read under one record key: the
// payloads may stand in any order, and each is judged beside the others. The
// same record and settings always give the same result. Derived.Rules is set
// where something was derived or noted. Values that break a rule of the schema
// are passed over: the check names them.
//
// Payloads share slices they were given (Derived.Animal, Derived.Gait); they
// must not be changed in place. Several goroutines may call Apply for different
// records. It is part of the beat "map", blocks on nothing but the first look-up
// of a time zone, and costs little when nothing applies.
func Apply(record []events.Payload, s *Settings) {
	var last identity
	v := viewOf(record)
	for i, p := range record {
		c := p.Base()
		c.Derived, c.Notes = events.Derived{}, nil
		c.Derived.Animal = last.of(c.Animal)
		if i == 0 {
			s.judgeIdentifiers(c)
			s.judgeClock(c)
		}
		switch p := p.(type) {
		case *events.Examination:
			s.judgeExamination(p, &v)
		case *events.Lesion:
			s.judgeLesion(p, &v)
		case *events.Treatment:
			s.judgeTreatment(p, &v)
		case *events.TakenOff:
			s.judgeSince(c, p.Since)
		case *events.Check:
			s.judgeCheck(p)
		case *events.Claw:
			s.judgeClaw(p)
		case *events.Order:
			s.judgeOrder(p)
		case *events.Group:
			s.judgeGroup(p)
		case *events.Locomotion:
			s.deriveGait(p)
		case *events.ClawMeasure:
			s.judgeMeasure(p, &v)
		}
		if c.Derived.Animal != nil || derives(&c.Derived) {
			c.Derived.Rules = Version
		}
	}
	if v.lesions > 1 {
		s.judgeTwice(record)
	}
}

func derives(d *events.Derived) bool {
	return d.Gait != nil || d.Lame != "" || d.SevereNative != "" || d.DueOff != ""
}

// Guarded reports whether p must not end because a source is silent about it: a
// wrap, a block, a medicine, or an order.
func Guarded(p events.Payload) bool {
	if p.Kind() == events.KindOrder {
		return true
	}
	t, ok := p.(*events.Treatment)
	if !ok {
		return false
	}
	if t.Medicine != (events.Medicine{}) {
		return true
	}
	e := codes.Treatments().Get(t.What)
	return e != nil && e.Guarded
}

// deriveGait derives gait interval, lame and severe from a score. A score that
// is no point of its scale, or a scale without cuts, says nothing.
func (s *Settings) deriveGait(l *events.Locomotion) {
	scale := codes.Locomotion().Get(l.Scale)
	if scale == nil {
		return
	}
	g := scale.Grade(l.Score, l.Cuts)
	d := &l.Derived
	d.Gait, d.Lame, d.Severe, d.SevereNative = g.Gait, g.Lame, g.Severe, g.SevereNative
	if l.Cuts.Severe.IsSet() {
		if problem := scale.CutsProblem(l.Cuts); problem != nil {
			s.note(&l.Common, CutsContradict, problem.Error())
		}
	}
}

// An identity remembers the normalized form of the identifiers of the payload
// before: payloads of one record mostly share them.
type identity struct {
	given      []events.Identifier
	normalized []events.Identifier
}

// of returns the normalized form of those identifiers whose given form differs
// from it, in their order; nil if there are none.
func (x *identity) of(given []events.Identifier) []events.Identifier {
	if len(given) == 0 {
		return nil
	}
	if len(given) == len(x.given) && &given[0] == &x.given[0] {
		return x.normalized
	}
	x.given, x.normalized = given, nil
	for _, id := range given {
		n, problem := codes.ParseIdentifier(id.Scheme, id.Value)
		if problem == nil && n != id.Value {
			x.normalized = append(x.normalized, events.Identifier{Scheme: id.Scheme, Value: n})
		}
	}
	return x.normalized
}
