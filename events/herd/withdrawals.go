package herd

import (
	"cmp"
	"slices"

	"dewclaw/events"
)

// A Withdrawal is what one record of a medicine says of milk and meat. States
// are as recorded, code list withdrawals: until with its end, zero, unknown, or
// "" if nothing is stated. No time is ever supplied: what is unknown or not
// stated stays so, and the vet is to be asked.
type Withdrawal struct {
	Animal     string
	Known      bool // a roster has the animal
	Event      events.Entity
	Source     string
	Day        string // day the medicine was given
	At         string // RFC 3339 with local offset, or "" if only the day is known
	Foot, Claw string
	Medicine   events.Medicine // as entered
	Doubts     []string        // contradictions the record takes part in; it is shown all the same
}

// Over reports whether milk and meat are both free on a day: nothing is withheld
// beyond the day before, and nothing is unknown. The day of an end still counts
// as withheld.
func (w *Withdrawal) Over(day string) bool {
	return free(w.Medicine.Milk, day) && free(w.Medicine.Meat, day)
}

func free(w events.Withdrawal, day string) bool {
	switch w.State {
	case "zero":
		return true
	case "until":
		return len(w.Until) >= 10 && w.Until[:10] < day
	}
	return false
}

// lastDay returns the first day on which it is over, or never.
func (w *Withdrawal) lastDay() day {
	end := always
	for _, x := range []events.Withdrawal{w.Medicine.Milk, w.Medicine.Meat} {
		switch x.State {
		case "zero":
		case "until":
			d, ok := parseDay(x.Until)
			if !ok {
				return never
			}
			end = max(end, d+1)
		default:
			return never
		}
	}
	return end
}

// withdrawals returns those of one animal, sorted by day and event.
func withdrawals(facts []*Fact) (out []Withdrawal) {
	for _, f := range facts {
		t, ok := f.Payload.(*events.Treatment)
		if !ok || t.What != "medicine" && t.Medicine == (events.Medicine{}) {
			continue
		}
		out = append(out, Withdrawal{
			Event: f.Entity, Source: f.Source, Day: f.Day, At: f.At(), Foot: t.Foot, Claw: t.Claw,
			Medicine: t.Medicine, Doubts: f.Doubts,
		})
	}
	slices.SortFunc(out, compareWithdrawals)
	return out
}

func compareWithdrawals(a, b Withdrawal) int {
	return cmp.Or(cmp.Compare(a.Animal, b.Animal), cmp.Compare(a.Day, b.Day), cmp.Compare(a.Event, b.Event))
}
