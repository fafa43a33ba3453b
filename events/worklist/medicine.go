package worklist

import (
	"fmt"

	"dewclaw/events"
	"dewclaw/events/herd"
)

// medicines adds withdrawals that are not over or unknown.
func (a *animal) medicines() {
	for i := range a.Withdrawals {
		w := &a.Withdrawals[i]
		if w.Over(a.day) || w.Day > a.day {
			continue
		}
		given := orDay(w.At, w.Day)
		text := fmt.Sprintf("%s given %s: milk %s; meat %s", medicineName(w), a.say(given), a.holdWords(w.Milk()), a.holdWords(w.Meat()))
		switch {
		case !a.Animal.Known:
			a.add(medicineUnknownAnimal, "medicine, and nobody knows which cow: "+text+": find her, withhold and ask the vet", given, given)
		case openEnded(w.Milk()) || openEnded(w.Meat()):
			a.add(withdrawalUnknown, text+": withhold and ask the vet", given, given)
		default:
			a.add(withdrawalOpen, text, given, "")
		}
	}
}

// leavesWithheld adds withdrawals that are open when she leaves, or were when she
// left and would still be. An unknown one is said for so many days behind the day
// she left, as nobody can tell when it ended.
func (a *animal) leavesWithheld() {
	left := a.leftOn()
	if left == "" {
		return
	}
	for i := range a.Withdrawals {
		w := &a.Withdrawals[i]
		if w.Day > a.day || w.Over(left) || left < a.day && !a.stillOpen(w, left) {
			continue
		}
		text, what, closes := "leaves "+left, "ask the vet before she goes", left
		if left < a.day {
			text, what, closes = "left "+left, "who has her is to know; ask the vet", ""
		}
		for _, x := range []struct {
			what string
			of   events.Withdrawal
		}{{"meat", w.Meat()}, {"milk", w.Milk()}} {
			if openEnded(x.of) || x.of.State == "until" && a.localDay(x.of.Until) >= max(left, a.day) {
				text += fmt.Sprintf(", %s %s", x.what, a.holdWords(x.of))
			}
		}
		given := orDay(w.At, w.Day)
		a.add(withdrawalLeaving, fmt.Sprintf("%s (%s given %s): %s", text, medicineName(w), a.say(given), what), given, closes)
	}
}

// stillOpen reports whether a withdrawal of an animal that left would be open.
func (a *animal) stillOpen(w *herd.Withdrawal, left string) bool {
	for _, x := range []events.Withdrawal{w.Milk(), w.Meat()} {
		if openEnded(x) && a.day <= addDays(left, a.set.LeftWithheld) || x.State == "until" && a.localDay(x.Until) >= a.day {
			return true
		}
	}
	return false
}

// leftOn returns the day she leaves, or left and did not come back; "" if nothing
// says so.
func (a *animal) leftOn() string {
	if n := len(a.Animal.Stays); n > 0 {
		return a.Animal.Stays[n-1].Left
	}
	return ""
}

func medicineName(w *herd.Withdrawal) string {
	if w.Medicine.Name == "" {
		return "medicine (name not told)"
	}
	return w.Medicine.Name
}

// openEnded reports whether nobody can tell when it is over.
func openEnded(w events.Withdrawal) bool {
	return w.State != "zero" && (w.State != "until" || len(w.Until) < len("2006-01-02"))
}

// holdWords tells what is withheld and until when.
func (a *animal) holdWords(w events.Withdrawal) string {
	switch {
	case w.State == "zero":
		return "none, as recorded"
	case openEnded(w):
		return "unknown"
	case a.localDay(w.Until) < a.day:
		return "over since " + a.say(w.Until)
	}
	return "withheld until " + a.say(w.Until)
}

// withheld returns the withdrawals that are not over.
func (a *animal) withheld() (out []Withheld) {
	for i := range a.Withdrawals {
		w := &a.Withdrawals[i]
		if w.Over(a.day) || w.Day > a.day {
			continue
		}
		x := Withheld{
			Medicine: medicineName(w), Given: orDay(w.At, w.Day), Milk: a.holdWords(w.Milk()), Meat: a.holdWords(w.Meat()),
			Unknown: openEnded(w.Milk()) || openEnded(w.Meat()),
		}
		if w.Old {
			x.Before = append(x.Before, "its source no longer tells of it; it holds until a person confirms")
		}
		for _, b := range w.Before {
			x.Before = append(x.Before, fmt.Sprintf("recorded before: milk %s; meat %s; now: milk %s; meat %s; the later end holds until a person confirms",
				a.holdWords(b.Milk), a.holdWords(b.Meat), a.holdWords(w.Medicine.Milk), a.holdWords(w.Medicine.Meat)))
		}
		out = append(out, x)
	}
	return out
}
