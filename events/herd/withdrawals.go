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

	Old    bool              // the source no longer tells of it, or of this animal, and nobody confirmed that
	Before []events.Medicine // what the record said before the source changed it to an earlier end, and nobody confirmed
}

// Milk returns what holds for milk: what is recorded or, until a person confirms
// that the source was right to change it, the latest end it ever named.
func (w *Withdrawal) Milk() events.Withdrawal {
	return w.holds(func(m *events.Medicine) events.Withdrawal { return m.Milk })
}

// Meat is Milk for meat.
func (w *Withdrawal) Meat() events.Withdrawal {
	return w.holds(func(m *events.Medicine) events.Withdrawal { return m.Meat })
}

func (w *Withdrawal) holds(of func(*events.Medicine) events.Withdrawal) events.Withdrawal {
	x := of(&w.Medicine)
	if x.State != "until" && x.State != "zero" {
		return x // unknown is behind every end
	}
	for i := range w.Before {
		if b := of(&w.Before[i]); later(b, x) {
			x = b
		}
	}
	return x
}

// Over reports whether milk and meat are both free on a day: nothing is withheld
// beyond the day before, and nothing is unknown. The day of an end still counts
// as withheld.
func (w *Withdrawal) Over(day string) bool {
	return free(w.Milk(), day) && free(w.Meat(), day)
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
	for _, x := range []events.Withdrawal{w.Milk(), w.Meat()} {
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

// withdrawals returns those of one animal, from its facts and their old
// revisions, sorted by day and event.
func withdrawals(facts, old []*Fact) (out []Withdrawal) {
	of := map[events.Entity]int{}
	for _, f := range slices.Concat(facts, old) {
		t, ok := f.Payload.(*events.Treatment)
		if !ok || !withheld(t) {
			continue
		}
		if i, ok := of[f.Entity]; ok {
			out[i].Before = append(out[i].Before, t.Medicine)
			continue
		}
		of[f.Entity] = len(out)
		out = append(out, Withdrawal{
			Event: f.Entity, Source: f.Source, Day: f.Day, At: f.At(), Foot: t.Foot, Claw: t.Claw,
			Medicine: t.Medicine, Doubts: f.Doubts, Old: f.state&stateOld != 0,
		})
	}
	slices.SortFunc(out, compareWithdrawals)
	return out
}

func compareWithdrawals(a, b Withdrawal) int {
	return cmp.Or(cmp.Compare(a.Animal, b.Animal), cmp.Compare(a.Day, b.Day), cmp.Compare(a.Event, b.Event))
}
