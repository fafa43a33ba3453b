package herd_test

import (
	"fmt"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"

	"dewclaw/events"
	"dewclaw/events/herd"
)

func checked(animal, when, what, foot, claw, state string) *events.Check {
	return &events.Check{Common: on(animal, when), What: what, Foot: foot, Claw: claw, State: state}
}

func lost(animal, when, foot, claw, since string) *events.Claw {
	return &events.Claw{Common: on(animal, when), Foot: foot, Claw: claw, State: "absent", Cause: "amputated", Since: since}
}

func ordered(animal, when, what, foot string, more ...func(*events.Order)) *events.Order {
	o := &events.Order{Common: on(animal, when), What: what, Foot: foot, OrderedBy: "vet"}
	for _, m := range more {
		m(o)
	}
	return o
}

func due(t string) func(*events.Order)   { return func(o *events.Order) { o.Due = t } }
func until(t string) func(*events.Order) { return func(o *events.Order) { o.Until = t } }
func by(role string) func(*events.Order) { return func(o *events.Order) { o.OrderedBy = role } }
func cancelling(codes ...string) func(*events.Order) {
	return func(o *events.Order) { o.Cancels = codes }
}

// inAnyOrder tells a story six times, each source another time in another place.
func inAnyOrder(t *testing.T, facts []events.Payload, look func(*story)) {
	t.Helper()
	for seed := range uint64(6) {
		order := slices.Clone(facts)
		rand.New(rand.NewPCG(seed, 7)).Shuffle(len(order), func(i, k int) { order[i], order[k] = order[k], order[i] })
		s := newStory(t)
		s.roster("roster", "a", "2018-01-05", cow)
		for i, f := range order {
			s.fact(fmt.Sprint("source", i), f)
		}
		look(s)
	}
}

func TestChecks(t *testing.T) {
	tests := []struct {
		name  string
		facts []events.Payload
		want  []string // what worn tells, how it was last found, and how often
	}{
		{"a rocking block", []events.Payload{put(cow, "2026-02-01", "block", "RH", "inner"), checked(cow, "2026-02-08", "block", "RH", "inner", "on"),
			checked(cow, "2026-02-15", "block", "RH", "inner", "rocking")}, []string{"block RH inner 2026-02-01, rocking of 2"}},
		{"the worst of the newest day", []events.Payload{put(cow, "2026-02-01", "block", "RH", "inner"), checked(cow, "2026-02-08T07:00", "block", "RH", "inner", "loose"),
			checked(cow, "2026-02-08T18:00", "block", "RH", "inner", "on")}, []string{"block RH inner 2026-02-01, loose of 2"}},
		{"tightened since", []events.Payload{put(cow, "2026-02-01", "wrap", "RH", "none"), checked(cow, "2026-02-02", "wrap", "RH", "none", "loose"),
			checked(cow, "2026-02-03", "wrap", "RH", "none", "on")}, []string{"wrap RH none 2026-02-01, on of 2"}},
		{"found gone by a check", []events.Payload{put(cow, "2026-02-01", "block", "RH", "inner"), func() *events.Check {
			c := checked(cow, "2026-02-20", "block", "RH", "inner", "gone")
			c.Since = "2026-02-18"
			return c
		}()}, []string{"block RH inner 2026-02-01 found-gone 2026-02-20 since 2026-02-18"}},
		{"looked at on the day it was put on", []events.Payload{checked(cow, "2026-02-01", "block", "RH", "inner", "on"), put(cow, "2026-02-01", "block", "RH", "inner")},
			[]string{"block RH inner 2026-02-01, on of 1"}},
		{"looked at in the morning of the day it came off", []events.Payload{put(cow, "2026-02-01", "block", "RH", "inner"),
			checked(cow, "2026-03-01T07:00", "block", "RH", "inner", "worn"), off(cow, "2026-03-01", "block", "RH", "inner")},
			[]string{"block RH inner 2026-02-01 taken-off 2026-03-01, worn of 1"}},
		{"nobody told of putting it on: it is on all the same", []events.Payload{checked(cow, "2026-02-08", "wrap", "LH", "", "on")},
			[]string{"found wrap LH none 2026-02-08, on of 1"}},
		{"seen before it was put on: another one", []events.Payload{checked(cow, "2026-02-05", "block", "RH", "inner", "on"), put(cow, "2026-02-07", "block", "RH", "inner")},
			[]string{"found block RH inner 2026-02-05 replaced 2026-02-07, on of 1", "block RH inner 2026-02-07"}},
		{"found on, and taken off", []events.Payload{checked(cow, "2026-02-05", "block", "RH", "inner", "on"), off(cow, "2026-02-09", "block", "RH", "inner")},
			[]string{"found block RH inner 2026-02-05 taken-off 2026-02-09, on of 1"}},
		{"gone, and nobody told of it: nothing was there", []events.Payload{checked(cow, "2026-02-05", "block", "RH", "inner", "gone")}, nil},
		{"seen after it came off: it is on again", []events.Payload{put(cow, "2026-02-01", "block", "RH", "inner"), off(cow, "2026-03-01", "block", "RH", "inner"),
			checked(cow, "2026-03-05", "block", "RH", "inner", "on")}, []string{"block RH inner 2026-02-01 taken-off 2026-03-01", "found block RH inner 2026-03-05, on of 1"}},
		{"the claw is not told: the only block of the foot", []events.Payload{put(cow, "2026-02-01", "block", "RH", "inner"), checked(cow, "2026-02-05", "block", "RH", "", "rocking")},
			[]string{"block RH inner 2026-02-01, rocking of 1"}},
		{"the claw is not told: either block may rock", []events.Payload{put(cow, "2026-02-01", "block", "RH", "inner"), put(cow, "2026-02-01", "block", "RH", "outer"),
			checked(cow, "2026-02-05", "block", "RH", "", "rocking")}, []string{"block RH inner 2026-02-01, rocking of 1", "block RH outer 2026-02-01, rocking of 1"}},
		{"gone without a claw ends none of two", []events.Payload{put(cow, "2026-02-01", "block", "RH", "inner"), put(cow, "2026-02-01", "block", "RH", "outer"),
			checked(cow, "2026-02-05", "block", "RH", "", "gone")}, []string{"block RH inner 2026-02-01", "block RH outer 2026-02-01"}},
		{"a wound is no device", []events.Payload{checked(cow, "2026-02-05", "wound", "RH", "inner", "healing")}, nil},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			inAnyOrder(t, tt.facts, func(s *story) {
				var got []string
				devices := must(s.view().Devices(t.Context(), farm+"/"+cow))(t)
				for i, w := range worn(devices) {
					d := devices[i]
					if d.Found {
						w = "found " + w
					}
					if d.Gone != "" {
						w += " since " + d.Gone
					}
					if d.State != "" {
						w += fmt.Sprintf(", %s of %d", d.State, len(d.Checks))
					}
					got = append(got, w)
				}
				if !slices.Equal(got, tt.want) {
					t.Errorf("got %q, want %q", got, tt.want)
				}
			})
		})
	}
}

func TestWounds(t *testing.T) {
	tests := []struct {
		name  string
		facts []events.Payload
		want  string
	}{
		{"healing", []events.Payload{checked(cow, "2026-02-01", "wound", "RH", "outer", "not-healing"), checked(cow, "2026-02-08", "wound", "RH", "outer", "healing")},
			"RH outer 2026-02-01 to 2026-02-08 healing"},
		{"the worse of two on one day", []events.Payload{checked(cow, "2026-02-08T09:00", "wound", "RH", "outer", "not-healing"), checked(cow, "2026-02-08T17:00", "wound", "RH", "outer", "healing")},
			"RH outer 2026-02-08 to 2026-02-08 not-healing"},
		{"healed", []events.Payload{checked(cow, "2026-02-01", "wound", "RH", "outer", "healing"), checked(cow, "2026-02-20", "wound", "RH", "outer", "healed")}, ""},
		{"healed and not healed on one day: not healed", []events.Payload{checked(cow, "2026-02-20", "wound", "RH", "outer", "healing"), checked(cow, "2026-02-20", "wound", "RH", "outer", "healed")},
			"RH outer 2026-02-20 to 2026-02-20 healing"},
		{"open again", []events.Payload{checked(cow, "2026-02-01", "wound", "RH", "outer", "healing"), checked(cow, "2026-02-20", "wound", "RH", "outer", "healed"),
			checked(cow, "2026-03-20", "wound", "RH", "outer", "not-healing")}, "RH outer 2026-03-20 to 2026-03-20 not-healing"},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			inAnyOrder(t, tt.facts, func(s *story) {
				var got []string
				for _, w := range s.standing(cow, "").Wounds {
					got = append(got, fmt.Sprintf("%s %s %s to %s %s", w.Foot, w.Claw, w.First, w.Last, w.State))
				}
				if strings.Join(got, "; ") != tt.want {
					t.Errorf("got %q, want %q", got, tt.want)
				}
			})
		})
	}
}

func TestOrders(t *testing.T) {
	tests := []struct {
		name  string
		facts []events.Payload
		want  []string // every order there ever was
	}{
		{"nothing happened", []events.Payload{ordered(cow, "2026-02-01", "recheck", "RH", due("2026-03-01"))}, []string{"2026-02-01 recheck"}},
		{"rechecked", []events.Payload{ordered(cow, "2026-02-01", "recheck", "RH", due("2026-03-01")), examined(cow, "2026-03-02", "RH clear")},
			[]string{"2026-02-01 recheck done 2026-03-02"}},
		{"rechecked on the other foot", []events.Payload{ordered(cow, "2026-02-01", "recheck", "RH", due("2026-03-01")), examined(cow, "2026-03-02", "LH clear")},
			[]string{"2026-02-01 recheck"}},
		{"looked at too early", []events.Payload{ordered(cow, "2026-02-01", "recheck", "RH", due("2026-03-01")), examined(cow, "2026-02-10", "RH clear")},
			[]string{"2026-02-01 recheck early 2026-02-10"}},
		{"the examination it was ordered at does not count", []events.Payload{ordered(cow, "2026-02-01", "recheck", "RH"), examined(cow, "2026-02-01", "RH findings")},
			[]string{"2026-02-01 recheck"}},
		{"taken off", []events.Payload{put(cow, "2026-02-01", "wrap", "RH", "none"), ordered(cow, "2026-02-01", "take-off-wrap", "RH", due("2026-02-04")), off(cow, "2026-02-03", "wrap", "RH", "none")},
			[]string{"2026-02-01 take-off-wrap done 2026-02-03"}},
		{"one of two blocks off", []events.Payload{put(cow, "2026-02-01", "block", "RH", "inner"), put(cow, "2026-02-01", "block", "RH", "outer"),
			ordered(cow, "2026-02-01", "take-off-block", "RH"), off(cow, "2026-02-20", "block", "RH", "inner")}, []string{"2026-02-01 take-off-block"}},
		{"the new wrap is not the one that was ordered off", []events.Payload{put(cow, "2026-02-01", "wrap", "RH", "none"), ordered(cow, "2026-02-02", "take-off-wrap", "RH"),
			off(cow, "2026-02-03", "wrap", "RH", "none"), put(cow, "2026-02-03", "wrap", "RH", "none")}, []string{"2026-02-02 take-off-wrap done 2026-02-03"}},
		{"changed", []events.Payload{put(cow, "2026-02-01", "wrap", "RH", "none"), ordered(cow, "2026-02-01", "change-wrap", "RH", due("2026-02-03")), put(cow, "2026-02-03", "wrap", "RH", "none")},
			[]string{"2026-02-01 change-wrap done 2026-02-03"}},
		{"off, and no other wrap on", []events.Payload{put(cow, "2026-02-01", "wrap", "RH", "none"), ordered(cow, "2026-02-01", "change-wrap", "RH"), off(cow, "2026-02-03", "wrap", "RH", "none")},
			[]string{"2026-02-01 change-wrap"}},
		{"a vet came", []events.Payload{ordered(cow, "2026-02-01", "vet", "RH", by("trimmer")), byVet(examined(cow, "2026-02-02", "RH findings"))}, []string{"2026-02-01 vet done 2026-02-02"}},
		{"a vet looked at the block", []events.Payload{ordered(cow, "2026-02-01", "vet", "RH", by("farmer")), byVet(checked(cow, "2026-02-02", "block", "RH", "inner", "on"))},
			[]string{"2026-02-01 vet done 2026-02-02"}},
		{"a look at a block is no recheck", []events.Payload{ordered(cow, "2026-02-01", "recheck", "RH"), byVet(checked(cow, "2026-02-02", "block", "RH", "inner", "on"))},
			[]string{"2026-02-01 recheck"}},
		{"somebody else came", []events.Payload{ordered(cow, "2026-02-01", "vet", "RH", by("trimmer")), examined(cow, "2026-02-02", "RH findings")}, []string{"2026-02-01 vet"}},
		{"trimmed", []events.Payload{ordered(cow, "2026-02-01", "trim", "", due("2026-03-01")), func() *events.Examination {
			x := examined(cow, "2026-02-10", "RH clear")
			x.Feet[0].Trimmed = "preventive"
			return x
		}()}, []string{"2026-02-01 trim done 2026-02-10"}},
		{"a later order about the same wrap", []events.Payload{ordered(cow, "2026-02-01", "leave-wrap", "RH", until("2026-02-05")), ordered(cow, "2026-02-04", "take-off-wrap", "RH", due("2026-02-04"))},
			[]string{"2026-02-01 leave-wrap ended 2026-02-04", "2026-02-04 take-off-wrap"}},
		{"about the wrap of another foot", []events.Payload{ordered(cow, "2026-02-01", "leave-wrap", "RH", until("2026-02-05")), ordered(cow, "2026-02-04", "take-off-wrap", "LH")},
			[]string{"2026-02-01 leave-wrap", "2026-02-04 take-off-wrap"}},
		{"two of one day stand side by side", []events.Payload{ordered(cow, "2026-02-01", "leave-wrap", "RH", until("2026-02-05")), ordered(cow, "2026-02-01", "take-off-wrap", "RH", due("2026-02-03"))},
			[]string{"2026-02-01 leave-wrap", "2026-02-01 take-off-wrap"}},
		{"what a vet ordered a farmer does not lift", []events.Payload{ordered(cow, "2026-02-01", "recheck", "RH"), ordered(cow, "2026-02-04", "lift", "RH", cancelling("orders"), by("farmer"))},
			[]string{"2026-02-01 recheck", "2026-02-04 lift done 2026-02-04"}},
		{"a vet does", []events.Payload{ordered(cow, "2026-02-01", "recheck", "RH"), ordered(cow, "2026-02-04", "lift", "", cancelling("orders"))},
			[]string{"2026-02-01 recheck ended 2026-02-04", "2026-02-04 lift done 2026-02-04"}},
		{"what a farmer ordered anybody does", []events.Payload{ordered(cow, "2026-02-01", "separate", "", by("farmer")), ordered(cow, "2026-02-04", "lift", "", cancelling("orders"), by("trimmer"))},
			[]string{"2026-02-01 separate ended 2026-02-04", "2026-02-04 lift done 2026-02-04"}},
		{"a lift for one foot", []events.Payload{ordered(cow, "2026-02-01", "recheck", "RH"), ordered(cow, "2026-02-04", "lift", "LH", cancelling("orders"))},
			[]string{"2026-02-01 recheck", "2026-02-04 lift done 2026-02-04"}},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			inAnyOrder(t, tt.facts, func(s *story) {
				var got []string
				for _, o := range must(s.view().OrdersOf(t.Context(), farm+"/"+cow))(t) {
					w := o.Day + " " + o.What
					for _, x := range []struct{ name, day string }{{"done", o.Done}, {"early", o.Early}, {"ended", o.Ended}} {
						if x.day != "" {
							w += " " + x.name + " " + x.day
						}
					}
					got = append(got, w)
				}
				slices.Sort(got)
				if !slices.Equal(got, tt.want) {
					t.Errorf("got %q, want %q", got, tt.want)
				}
			})
		})
	}
}

func TestOrders_AreInForceFromTheirDayToTheirLast(t *testing.T) {
	s := newStory(t)
	s.roster("roster", "a", "2018-01-05", cow)
	s.fact("vet", ordered(cow, "2026-02-01", "separate", "", until("2026-02-10")))
	s.fact("vet", ordered(cow, "2026-02-02", "vet", "RH"))
	s.fact("vet", byVet(lesion(cow, "2026-02-06", "SU", "RH", "outer")))
	for day, want := range map[string]string{
		"2026-01-31": "", "2026-02-01": "separate", "2026-02-05": "separate vet", "2026-02-06": "separate", "2026-02-10": "separate", "2026-02-11": "", "": "",
	} {
		var got []string
		for _, o := range must(s.view().Orders(t.Context(), farm, day))(t) {
			got = append(got, o.What)
			if !o.Open(day) {
				t.Errorf("%+v is not open on %s", o, day)
			}
		}
		if strings.Join(got, " ") != want {
			t.Errorf("on %q: got %q, want %q", day, got, want)
		}
	}
	if o := s.standing(cow, "2026-02-03").Orders; len(o) != 2 {
		t.Errorf("on a past day she stood with %+v", o)
	}
}

func TestOrders_AndTheTimeOfAWrap(t *testing.T) {
	wrap := func() *events.Treatment {
		w := put(cow, "2026-02-01T08:00", "wrap", "RH", "none")
		w.Derived.DueOff, w.Derived.LateFrom = "2026-02-02T08:00:00+01:00", "2026-02-03T08:00:00+01:00"
		return w
	}
	tests := []struct {
		name  string
		facts []events.Payload
		want  string
	}{
		{"the default", nil, "2026-02-02T08:00:00+01:00 2026-02-03T08:00:00+01:00 false"},
		{"a vet leaves it on", []events.Payload{ordered(cow, "2026-02-01", "leave-wrap", "RH", until("2026-02-05"), cancelling("wrap-time"))}, "2026-02-05 2026-02-05 true"},
		{"without cancelling the default only an earlier time counts", []events.Payload{ordered(cow, "2026-02-01", "take-off-wrap", "RH", due("2026-02-05"))},
			"2026-02-02T08:00:00+01:00 2026-02-03T08:00:00+01:00 false"},
		{"an earlier time", []events.Payload{ordered(cow, "2026-02-01", "take-off-wrap", "RH", due("2026-02-01T20:00:00+01:00"))}, "2026-02-01T20:00:00+01:00 2026-02-01T20:00:00+01:00 false"},
		{"cancelled without another time: the default stays", []events.Payload{ordered(cow, "2026-02-01", "leave-wrap", "RH", cancelling("wrap-time"))},
			"2026-02-02T08:00:00+01:00 2026-02-03T08:00:00+01:00 false"},
		{"a later order takes the first one's place", []events.Payload{ordered(cow, "2026-02-01", "leave-wrap", "RH", until("2026-02-05"), cancelling("wrap-time")),
			ordered(cow, "2026-02-02", "leave-wrap", "RH", until("2026-02-08"), cancelling("wrap-time"))}, "2026-02-08 2026-02-08 true"},
		{"of two orders of one day the earlier time", []events.Payload{ordered(cow, "2026-02-01", "leave-wrap", "RH", until("2026-02-05"), cancelling("wrap-time")),
			ordered(cow, "2026-02-01", "leave-wrap", "RH", until("2026-02-08"), cancelling("wrap-time"))}, "2026-02-05 2026-02-05 true"},
		{"an order for the wrap before says nothing of this one", []events.Payload{put(cow, "2026-01-28", "wrap", "RH", "none"),
			ordered(cow, "2026-01-29", "leave-wrap", "RH", until("2026-02-28"), cancelling("wrap-time"))}, "2026-02-02T08:00:00+01:00 2026-02-03T08:00:00+01:00 false"},
		{"what a vet ordered a farmer does not move", []events.Payload{ordered(cow, "2026-02-01", "leave-wrap", "RH", until("2026-02-05"), cancelling("wrap-time")),
			ordered(cow, "2026-02-03", "leave-wrap", "RH", until("2026-02-20"), cancelling("wrap-time"), by("farmer"))}, "2026-02-05 2026-02-05 true"},
		{"what a farmer ordered a vet does", []events.Payload{ordered(cow, "2026-02-01", "leave-wrap", "RH", until("2026-02-20"), cancelling("wrap-time"), by("farmer")),
			ordered(cow, "2026-02-03", "leave-wrap", "RH", until("2026-02-05"), cancelling("wrap-time"))}, "2026-02-05 2026-02-05 true"},
		{"of another foot", []events.Payload{ordered(cow, "2026-02-01", "leave-wrap", "LH", until("2026-02-05"), cancelling("wrap-time"))},
			"2026-02-02T08:00:00+01:00 2026-02-03T08:00:00+01:00 false"},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			inAnyOrder(t, append([]events.Payload{wrap()}, tt.facts...), func(s *story) {
				open := must(s.view().OpenDevices(t.Context(), farm, ""))(t)
				if len(open) != 1 {
					t.Fatalf("got %q", worn(open))
				}
				due, late, lifted := open[0].Times()
				if got := fmt.Sprint(due, " ", late, " ", lifted); got != tt.want {
					t.Errorf("got %s, want %s", got, tt.want)
				}
			})
		})
	}
}

// That nothing can be found on a claw that is not there: anatomy.
func TestLostClaws_ContradictWhatIsToldOfThemLater(t *testing.T) {
	tests := []struct {
		name  string
		facts []events.Payload
		want  []string
	}{
		{"the lesion it was taken off for", []events.Payload{lesion(cow, "2026-02-01", "TN", "RH", "outer"), lost(cow, "2026-02-01", "RH", "outer", "")}, nil},
		{"a lesion before", []events.Payload{lesion(cow, "2026-01-01", "SU", "RH", "outer"), lost(cow, "2026-02-01", "RH", "outer", "")}, nil},
		{"a lesion after", []events.Payload{lesion(cow, "2026-03-01", "SU", "RH", "outer"), lost(cow, "2026-02-01", "RH", "outer", "")},
			[]string{"claw-gone: the outer claw of RH is told to be gone since 2026-02-01, and after that told of: SU on 2026-03-01"}},
		{"told late, gone before", []events.Payload{lesion(cow, "2026-01-01", "SU", "RH", "outer"), lost(cow, "2026-02-01", "RH", "outer", "2025-12-01")},
			[]string{"claw-gone: the outer claw of RH is told to be gone since 2025-12-01"}},
		{"a block after", []events.Payload{put(cow, "2026-03-01", "block", "RH", "outer"), checked(cow, "2026-03-08", "block", "RH", "outer", "rocking"), lost(cow, "2026-02-01", "RH", "outer", "")},
			[]string{"claw-gone: the outer claw of RH is told to be gone since 2026-02-01, and after that told of: a block on 2026-03-01 and a block that is rocking on 2026-03-08"}},
		{"on the claw that is left", []events.Payload{put(cow, "2026-03-01", "block", "RH", "inner"), lesion(cow, "2026-03-01", "SU", "RH", "inner"), lost(cow, "2026-02-01", "RH", "outer", "")}, nil},
		{"skin, and the wound", []events.Payload{lesion(cow, "2026-03-01", "DD", "RH", "outer"), checked(cow, "2026-03-01", "wound", "RH", "outer", "healing"), lost(cow, "2026-02-01", "RH", "outer", "")}, nil},
		{"which claw nobody says", []events.Payload{lesion(cow, "2026-03-01", "SU", "RH", "outer"), lost(cow, "2026-02-01", "RH", "unknown", "")}, nil},
		{"only the horn is gone", []events.Payload{lesion(cow, "2026-03-01", "SU", "RH", "outer"), func() *events.Claw {
			c := lost(cow, "2026-02-01", "RH", "outer", "")
			c.State, c.Cause = "capsule-lost", "injury"
			return c
		}()}, nil},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			inAnyOrder(t, tt.facts, func(s *story) {
				s.contradicts(tt.want...)
				claws := s.standing(cow, "").Claws
				if len(claws) != 1 || (len(claws[0].Doubts) > 0) != (len(tt.want) > 0) {
					t.Errorf("got %+v, want one claw, in doubt: %v", claws, len(tt.want) > 0)
				}
			})
		})
	}
}

func TestLostClaws_AreNoClawsFromTheDayAfter(t *testing.T) {
	first, second := lost(cow, "2026-02-01", "RH", "outer", ""), lost(cow, "2026-04-01", "RH", "outer", "2026-01-30")
	second.Cause = ""
	inAnyOrder(t, []events.Payload{first, second, lost(cow, "2026-03-01", "LF", "inner", "")}, func(s *story) {
		all := must(s.view().LostClaws(t.Context(), farm))(t)
		if len(all) != 2 || all[1].Since != "2026-01-30" || all[1].Cause != "amputated" || len(all[1].Events) != 2 {
			t.Fatalf("got %+v", all)
		}
		for day, want := range map[string]bool{"2026-01-29": false, "2026-01-30": false, "2026-01-31": true} {
			if got := all[1].Gone(day); got != want {
				t.Errorf("gone on %s: got %v, want %v", day, got, want)
			}
		}
	})
}

func TestGroups_AreOfTheFarm(t *testing.T) {
	s := newStory(t)
	n := 118
	bath := &events.Group{Common: events.Common{Occurred: events.Occurred{Date: "2026-02-01", Precision: "date"}}, What: "footbath", Pens: []string{"2"}, Product: "copper sulphate", Concentration: "5 %", Passed: &n}
	s.fact("barn", bath)
	s.fact("barn", &events.Visit{Common: events.Common{Occurred: bath.Occurred}, Purpose: "scoring"})
	s.fact("barn", lesion(cow, "2026-02-01", "SU", "RH", "outer"))
	got := must(s.view().Groups(t.Context(), farm, "2026-01-01", "2026-03-01"))(t)
	if len(got) != 1 || got[0].What != "footbath" || got[0].Concentration != "5 %" || got[0].Passed == nil || *got[0].Passed != 118 || !slices.Equal(got[0].Pens, []string{"2"}) {
		t.Errorf("got %+v", got)
	}
	if got := must(s.view().Groups(t.Context(), farm, "2026-02-02", "2026-03-01"))(t); len(got) != 0 {
		t.Errorf("after it: got %+v", got)
	}
	if all := must(s.view().Facts(t.Context(), herd.FactQuery{Farm: farm, Kinds: []events.Kind{events.KindGroup, events.KindVisit, events.KindLesion}}))(t); len(all) != 3 {
		t.Errorf("got %d facts, want the visit, the bath and the lesion", len(all))
	}
}
