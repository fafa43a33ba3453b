package herd_test

import (
	"strings"
	"testing"

	"dewclaw/events"
	"dewclaw/events/herd"
)

const farm = "larkfield"

// A story is a log in the making and the herd over it.
type story struct {
	*testing.T
	log *memLog
	w   *writer
	h   *herd.Herd
	v   *herd.View // the newest one; older ones are closed
	n   int
}

func newStory(t *testing.T) *story {
	t.Helper()
	log := newMemLog("story")
	return &story{T: t, log: log, w: newWriter(log), h: openHerd(t, log)}
}

// ids reads "ear-tag:DE1 herd-number:31".
func ids(s string) (out []events.Identifier) {
	for f := range strings.FieldsSeq(s) {
		scheme, value, _ := strings.Cut(f, ":")
		out = append(out, events.Identifier{Scheme: scheme, Value: value})
	}
	return out
}

// on makes the common part of a fact: a day, and a time of day behind a T.
func on(animal, when string) events.Common {
	c := events.Common{Animal: ids(animal), Occurred: events.Occurred{Date: when, Precision: "date"}}
	if date, clock, ok := strings.Cut(when, "T"); ok {
		c.Occurred = events.Occurred{Date: date, Time: clock, Offset: "+01:00", Zone: "Europe/Berlin", Precision: "minute"}
	}
	return c
}

// roster writes a statement of a roster: the newest revision of its record.
func (s *story) roster(source, record, received, animal string, more ...func(*events.Animal)) {
	s.Helper()
	a := &events.Animal{Common: events.Common{Animal: ids(animal)}}
	for _, m := range more {
		m(a)
	}
	l := line{farm: farm, source: source, record: record, payload: a, change: events.Amended}
	if s.w.rev[l.entity()].Number == 0 {
		l.change = events.Recorded
	}
	s.w.put(received, l)
}

func left(day string) func(*events.Animal)    { return func(a *events.Animal) { a.Left = day } }
func entered(day string) func(*events.Animal) { return func(a *events.Animal) { a.Entered = day } }
func born(day string) func(*events.Animal)    { return func(a *events.Animal) { a.Born = day } }
func asOf(day string) func(*events.Animal) {
	return func(a *events.Animal) { a.Occurred = events.Occurred{Date: day, Precision: "date"} }
}

// fact writes facts of one record, each with a slot of its own, and returns their
// lines. The day they are received is that of the first.
func (s *story) fact(source string, all ...events.Payload) []line {
	s.Helper()
	s.n++
	return s.again(source, "r"+string(rune('a'+s.n/26))+string(rune('a'+s.n%26)), events.Recorded, all...)
}

func (s *story) again(source, record string, change events.Change, all ...events.Payload) (out []line) {
	s.Helper()
	for i, p := range all {
		out = append(out, line{farm: farm, source: source, record: record, slot: string(rune('0' + i)), change: change, payload: p})
	}
	s.w.put(all[0].Base().Occurred.Date, out...)
	return out
}

// correct writes what a person makes of lines of a source.
func (s *story) correct(action string, change events.Change, target line, p events.Payload) {
	s.Helper()
	by := target
	by.source, by.payload, by.change = "", p, change
	s.w.decide(farm, "2026-04-01", &events.Decision{Action: action, Targets: []events.Entity{target.entity()}}, about{line: by, target: &target})
}

func (s *story) view() *herd.View {
	s.Helper()
	if s.v != nil {
		_ = s.v.Close()
	}
	s.v = view(s.T, s.h)
	return s.v
}

// means fails unless identifiers mean an animal on a day: an id without its
// farm, "none", or "several".
func (s *story) means(animal, day, want string) {
	s.Helper()
	s.view()
	r := must(s.h.Resolve(s.Context(), farm, ids(animal), day))(s)
	got := string(r.State)
	if r.State == herd.Known {
		got = strings.TrimPrefix(r.Animal, farm+"/")
	}
	if got != want {
		s.Errorf("%s on %s: got %s, want %s", animal, day, got, want)
	}
}

// factsOf fails unless an animal has so many facts.
func (s *story) factsOf(animal string, want int) {
	s.Helper()
	got := must(s.view().Facts(s.Context(), herd.FactQuery{Animal: farm + "/" + animal}))(s)
	if len(got) != want {
		s.Errorf("%s: got %d facts, want %d", animal, len(got), want)
	}
}

// contradictions returns kind and words of each.
func (s *story) contradictions() (out []string) {
	s.Helper()
	for _, c := range must(s.view().Contradictions(s.Context(), farm))(s) {
		out = append(out, c.Kind+": "+c.Words)
	}
	return out
}

// contradicts fails unless these are the contradictions, each told by its
// beginning.
func (s *story) contradicts(want ...string) {
	s.Helper()
	got := s.contradictions()
	for i := range max(len(got), len(want)) {
		if i >= len(got) || i >= len(want) || !strings.HasPrefix(got[i], want[i]) {
			s.Errorf("got contradictions %q, want %q", got, want)
			return
		}
	}
}

func scored(animal, when string, score int64) *events.Locomotion {
	return &events.Locomotion{Common: on(animal, when), Scale: "mob4-uk", Score: events.DecimalOf(score, 0)}
}

func lesion(animal, when, code, foot, claw string, zones ...int) *events.Lesion {
	l := &events.Lesion{Common: on(animal, when), Code: code, Foot: foot, Claw: claw}
	if len(zones) > 0 {
		l.Zones = events.Zones{Map: "claw-zones-13", Numbers: zones}
	}
	return l
}

func examined(animal, when string, feet ...string) *events.Examination {
	x := &events.Examination{Common: on(animal, when), Outcome: "findings"}
	for _, f := range feet {
		foot, result, _ := strings.Cut(f, " ")
		x.Feet = append(x.Feet, events.FootExam{Foot: foot, Examined: "yes", Result: result})
	}
	return x
}

func put(animal, when, what, foot, claw string) *events.Treatment {
	return &events.Treatment{Common: on(animal, when), What: what, Foot: foot, Claw: claw}
}

func off(animal, when, what, foot, claw string) *events.TakenOff {
	return &events.TakenOff{Common: on(animal, when), What: what, Foot: foot, Claw: claw, How: "taken-off"}
}
