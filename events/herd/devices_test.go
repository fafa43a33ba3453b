package herd_test

import (
	"fmt"
	"math/rand/v2"
	"slices"
	"testing"

	"dewclaw/events"
	"dewclaw/events/herd"
)

// worn returns devices in short.
func worn(devices []herd.Device) (out []string) {
	for _, d := range devices {
		s := fmt.Sprintf("%s %s %s %s", d.What, d.Foot, d.Claw, d.On)
		if d.Off != "" {
			s += " " + d.OffHow + " " + d.Off
		}
		out = append(out, s)
	}
	return out
}

func TestDevices(t *testing.T) {
	tests := []struct {
		name  string
		facts []events.Payload
		want  []string
	}{
		{"off and on on one day", []events.Payload{
			put(cow, "2026-02-01", "block", "RH", "inner"), off(cow, "2026-03-01", "block", "RH", "inner"), put(cow, "2026-03-01", "block", "RH", "inner"),
		}, []string{"block RH inner 2026-02-01 taken-off 2026-03-01", "block RH inner 2026-03-01"}},
		{"on and off on one day by the clock", []events.Payload{
			put(cow, "2026-02-01T08:00", "wrap", "RH", "none"), off(cow, "2026-02-01T10:00", "wrap", "RH", "none"),
		}, []string{"wrap RH none 2026-02-01 taken-off 2026-02-01"}},
		{"on by the clock and off by the day: the device stays", []events.Payload{
			put(cow, "2026-02-01T08:00", "wrap", "RH", "none"), off(cow, "2026-02-01", "wrap", "RH", "none"),
		}, []string{"wrap RH none 2026-02-01"}},
		{"nothing ends by absence", []events.Payload{put(cow, "2019-02-01", "wrap", "RH", "none"), examined(cow, "2026-02-01", "RH clear")},
			[]string{"wrap RH none 2019-02-01"}},
		{"a new one takes the place of the old", []events.Payload{
			put(cow, "2026-02-01", "block", "RH", "inner"), put(cow, "2026-03-01", "block-thin-sole", "RH", "inner"),
		}, []string{"block RH inner 2026-02-01 replaced 2026-03-01", "block RH inner 2026-03-01"}},
		{"two claws, two blocks", []events.Payload{
			put(cow, "2026-02-01", "block-thin-sole", "RH", "inner"), put(cow, "2026-02-01", "block-thin-sole", "RH", "outer"), off(cow, "2026-03-01", "block", "RH", "outer"),
		}, []string{"block RH inner 2026-02-01", "block RH outer 2026-02-01 taken-off 2026-03-01"}},
		{"off without a claw ends the only one", []events.Payload{
			put(cow, "2026-02-01", "block", "RH", "inner"), put(cow, "2026-02-01", "block", "LH", "inner"), off(cow, "2026-03-01", "block", "RH", "unknown"),
		}, []string{"block LH inner 2026-02-01", "block RH inner 2026-02-01 taken-off 2026-03-01"}},
		{"off without a claw ends none of two", []events.Payload{
			put(cow, "2026-02-01", "block", "RH", "inner"), put(cow, "2026-02-01", "block", "RH", "outer"), off(cow, "2026-03-01", "block", "RH", "unknown"),
		}, []string{"block RH inner 2026-02-01", "block RH outer 2026-02-01"}},
		{"off without a foot ends the only one", []events.Payload{put(cow, "2026-02-01", "wrap", "RH", "none"), off(cow, "2026-02-03", "wrap", "", "")},
			[]string{"wrap RH none 2026-02-01 taken-off 2026-02-03"}},
		{"off on the other claw ends nothing", []events.Payload{put(cow, "2026-02-01", "block", "RH", "inner"), off(cow, "2026-03-01", "block", "RH", "outer")},
			[]string{"block RH inner 2026-02-01"}},
		{"found gone", []events.Payload{put(cow, "2026-02-01", "block", "RH", "inner"), func() *events.TakenOff {
			x := off(cow, "2026-03-01", "block", "RH", "inner")
			x.How, x.Since = "found-gone", "2026-02-20"
			return x
		}()}, []string{"block RH inner 2026-02-01 found-gone 2026-03-01"}},
		{"two sources of one block", []events.Payload{put(cow, "2026-02-01T08:00", "block", "RH", "inner"), put(cow, "2026-02-01", "block", "RH", "inner"),
			off(cow, "2026-03-01", "block", "RH", "inner"), off(cow, "2026-03-01T09:00", "block", "RH", "inner")},
			[]string{"block RH inner 2026-02-01 taken-off 2026-03-01"}},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			for seed := range uint64(6) {
				order := slices.Clone(tt.facts)
				rand.New(rand.NewPCG(seed, 1)).Shuffle(len(order), func(i, k int) { order[i], order[k] = order[k], order[i] })
				s := newStory(t)
				s.roster("roster", "a", "2018-01-05", cow)
				for i, f := range order {
					s.fact(fmt.Sprint("source", i), f)
				}
				got := worn(must(s.view().Devices(t.Context(), farm+"/"+cow))(t))
				if !slices.Equal(got, tt.want) {
					t.Errorf("seed %d: got %q, want %q", seed, got, tt.want)
				}
			}
		})
	}
}

func TestDevices_TheCarefulHourOfTwoReports(t *testing.T) {
	s := newStory(t)
	a, b := put(cow, "2026-02-01T08:00", "wrap", "RH", "none"), put(cow, "2026-02-01T09:00", "wrap", "RH", "none")
	a.Derived.DueOff, a.Derived.LateFrom = "2026-02-02T08:00:00+01:00", "2026-02-03T08:00:00+01:00"
	b.Derived.DueOff, b.Derived.LateFrom, b.PlannedOff = "2026-02-02T09:00:00+01:00", "2026-02-03T09:00:00+01:00", "2026-02-04"
	s.fact("vet", b)
	s.fact("chute", a)
	d := must(s.view().OpenDevices(t.Context(), farm, "2026-02-01"))(t)
	if len(d) != 1 || d[0].Due != a.Derived.DueOff || d[0].Late != a.Derived.LateFrom || d[0].Planned != "2026-02-04" || len(d[0].Sources) != 2 || len(d[0].Events) != 2 {
		t.Errorf("got %+v", d)
	}
}

func TestDevices_AreOnFromTheirDayToTheirLast(t *testing.T) {
	s := newStory(t)
	s.fact("chute", put(cow, "2026-02-01", "block", "RH", "inner"))
	s.fact("chute", off(cow, "2026-03-01", "block", "RH", "inner"))
	for day, want := range map[string]int{"2026-01-31": 0, "2026-02-01": 1, "2026-02-28": 1, "2026-03-01": 0, "": 0} {
		if got := must(s.view().OpenDevices(t.Context(), farm, day))(t); len(got) != want {
			t.Errorf("at the end of %q: got %d, want %d", day, len(got), want)
		}
	}
}

func TestScores_TellWhatSheWore(t *testing.T) {
	s := newStory(t)
	s.roster("roster", "a", "2018-01-05", cow)
	s.fact("chute", put(cow, "2026-02-01", "block", "RH", "inner"))
	s.fact("chute", off(cow, "2026-03-01", "block", "RH", "inner"))
	told := scored(cow, "2026-01-15", 1)
	told.WrapOn = "yes"
	denied := scored(cow, "2026-02-10", 1)
	denied.BlockOn = "no"
	for _, p := range []*events.Locomotion{scored(cow, "2026-01-31", 2), scored(cow, "2026-02-01", 2), scored(cow, "2026-03-01", 2), scored(cow, "2026-03-02", 2), told, denied} {
		s.fact("gait", p)
	}
	var got []string
	for _, x := range must(s.view().Scores(t.Context(), farm, "2026-01-01", "2026-03-02"))(t) {
		got = append(got, fmt.Sprint(x.Day[5:], x.On))
	}
	if want := []string{"01-15[wrap]", "01-31[]", "02-01[block]", "02-10[]", "03-01[block]", "03-02[]"}; !slices.Equal(got, want) {
		t.Errorf("got %q, want %q", got, want)
	}
	if got := must(s.view().Scores(t.Context(), farm, "2026-02-02", "2026-02-20"))(t); len(got) != 1 {
		t.Errorf("got %d scores in the window, want 1", len(got))
	}
}

func TestWithdrawals_UnknownStaysUnknown(t *testing.T) {
	s := newStory(t)
	give := func(source, when string, milk, meat events.Withdrawal) {
		m := put(cow, when, "medicine", "RH", "none")
		m.Medicine = events.Medicine{Name: "spray", Milk: milk, Meat: meat}
		s.fact(source, m)
	}
	until := func(d string) events.Withdrawal { return events.Withdrawal{State: "until", Until: d} }
	zero, unknown, none := events.Withdrawal{State: "zero"}, events.Withdrawal{State: "unknown"}, events.Withdrawal{}
	give("a", "2026-02-01", until("2026-02-05"), until("2026-02-10T18:00:00+01:00"))
	give("b", "2026-02-02", zero, zero)
	give("c", "2026-02-03", zero, unknown)
	give("d", "2020-02-04", none, none)
	for day, want := range map[string][]string{
		"2026-01-31": {"2020-02-04"},
		"2026-02-10": {"2020-02-04", "2026-02-01", "2026-02-03"},
		"2026-02-11": {"2020-02-04", "2026-02-03"},
		"2030-01-01": {"2020-02-04", "2026-02-03"},
	} {
		var got []string
		for _, w := range must(s.view().Withdrawals(t.Context(), farm, day))(t) {
			got = append(got, w.Day)
			if w.Over(day) {
				t.Errorf("%s: %+v is over", day, w)
			}
		}
		if !slices.Equal(got, want) {
			t.Errorf("%s: got %q, want %q", day, got, want)
		}
	}
	w := must(s.view().Withdrawals(t.Context(), farm, "2026-02-02"))(t)
	if w[0].Medicine.Milk != none || w[1].Medicine.Milk != until("2026-02-05") {
		t.Errorf("got %+v, want what was entered and nothing else", w)
	}
}
