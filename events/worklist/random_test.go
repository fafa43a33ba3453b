package worklist_test

import (
	"fmt"
	"maps"
	"math/rand/v2"
	"slices"
	"time"

	"dewclaw/events"
)

// A dice makes a random herd of a seed: cows with a roster or without, a year of
// examinations and scores, some of them corrected or taken back, in any order.
type dice struct {
	*rand.Rand
	farm   string
	lines  []line // of first revisions
	later  []line // amendments and retractions
	minute int    // of the next record: no two are alike, so that nothing looks like told twice
	rec    int
}

var firstDay = time.Date(2025, 1, 1, 0, 0, 0, 0, time.UTC)

func day(n int) string { return firstDay.AddDate(0, 0, n).Format(time.DateOnly) }

func (d *dice) chance(p float64) bool { return d.Float64() < p }

func one[T any](d *dice, list ...T) T { return list[d.IntN(len(list))] }

// herd makes a random herd of a farm.
func (d *dice) herd(farm string, cows int) {
	d.farm = farm
	for c := range cows {
		leaves := 400
		if d.chance(0.9) {
			leaves = d.roster(c)
		}
		for n := d.IntN(25); n < min(331, leaves); n += 1 + d.IntN(45) {
			if d.chance(0.5) {
				d.score(c, n)
			}
			if d.chance(0.5) {
				d.exam(c, n)
			}
			if d.chance(0.1) {
				d.order(c, n)
			}
			if d.chance(0.15) {
				d.between(c, n+1+d.IntN(5))
			}
		}
	}
}

// write writes everything into a log: records in any order, then what was changed.
func (d *dice) write() *writer {
	w := newWriter()
	d.Shuffle(len(d.lines), func(i, j int) { d.lines[i], d.lines[j] = d.lines[j], d.lines[i] })
	for _, list := range [][]line{d.lines, d.later} {
		entries := map[[2]string][]line{}
		for _, l := range list {
			k := [2]string{l.farm, l.source}
			if entries[k] = append(entries[k], l); d.chance(0.02) {
				w.put(entries[k]...)
				delete(entries, k)
			}
		}
		for _, k := range slices.SortedFunc(maps.Keys(entries), func(a, b [2]string) int { return slices.Compare(a[:], b[:]) }) {
			w.put(entries[k]...)
		}
	}
	return w
}

// roster writes a statement about a cow and returns the day she leaves.
func (d *dice) roster(c int) int {
	parity := d.IntN(4)
	a := &events.Animal{Common: events.Common{Animal: d.ids(c)}, Born: "2019-03-01", Sex: "female", Parity: &parity}
	if parity > 0 {
		a.Calvings = []string{day(d.IntN(300) - 250)}
	} else if d.chance(0.3) {
		a.Calvings = []string{day(d.IntN(200))}
	}
	for n := d.IntN(3); n > 0; n-- {
		a.Services = append(a.Services, day(d.IntN(360)-240))
	}
	slices.Sort(a.Services)
	a.Services = slices.Compact(a.Services)
	if d.chance(0.2) {
		a.ExpectedCalving = day(d.IntN(400))
	}
	if d.chance(0.3) {
		a.PlannedDryOff = day(d.IntN(340))
	}
	if d.chance(0.2) {
		a.DriedOff = day(d.IntN(300))
	}
	leaves := 400
	if d.chance(0.15) {
		leaves = one(d, 30+d.IntN(300), 330+d.IntN(5))
		a.Left = day(leaves)
	}
	d.lines = append(d.lines, line{farm: d.farm, source: "roster", record: fmt.Sprint("cow", c), payload: a})
	return leaves
}

func (d *dice) ids(c int) []events.Identifier {
	return []events.Identifier{{Scheme: "ear-tag", Value: tagOf(c)}}
}

// common makes what the events of a record share.
func (d *dice) common(c, n int) events.Common {
	x := events.Common{Animal: d.ids(c), Occurred: events.Occurred{Date: day(n), Precision: "date"}, Derived: events.Derived{Rules: "1"}}
	d.minute += 1 + d.IntN(3)
	if d.chance(0.8) {
		x.Occurred = events.Occurred{Date: day(n), Time: fmt.Sprintf("%02d:%02d:%02d", d.minute/3600%24, d.minute/60%60, d.minute%60), Offset: "+01:00", Zone: "Africa/Lagos", Precision: "second"}
	}
	return x
}

func (d *dice) add(source, slot string, p events.Payload) {
	d.lines = append(d.lines, line{farm: d.farm, source: source, record: fmt.Sprint("r", d.rec), slot: slot, payload: p})
}

// score writes a score, which a later revision may change or take back.
func (d *dice) score(c, n int) {
	d.rec++
	p := func(common events.Common) *events.Locomotion {
		l := &events.Locomotion{Common: common, Scale: one(d, "mob4-uk", "mob4-uk", "loc5-posture")}
		v := int64(d.IntN(4))
		lame, severe := v >= 2, v >= 3
		if l.Scale == "loc5-posture" {
			v += 1 + int64(d.IntN(2))
			lame, severe = v >= 3, v >= 4
		}
		l.Score = events.DecimalOf(v, 0)
		l.Derived.Lame, l.Derived.SevereNative = map[bool]string{true: "yes", false: "no"}[lame], map[bool]string{true: "yes", false: "no"}[severe]
		return l
	}
	common := d.common(c, n)
	d.add("scores", "s", p(common))
	switch {
	case d.chance(0.06):
		d.later = append(d.later, line{d.farm, "scores", fmt.Sprint("r", d.rec), "s", events.Amended, p(common)})
	case d.chance(0.04):
		l := d.lines[len(d.lines)-1]
		l.change = events.Retracted
		d.later = append(d.later, l)
	}
}

var feet = []string{"LF", "RF", "LH", "RH"}

// exam writes one animal on the chute.
func (d *dice) exam(c, n int) {
	d.rec++
	common := d.common(c, n)
	if d.chance(0.15) {
		common.Role = "vet"
	}
	x := &events.Examination{Common: common, Outcome: "clear", Restraint: "standing"}
	for range d.IntN(3) {
		x.Reasons = append(x.Reasons, one(d, "routine", "lame", "recheck", "dry-off"))
	}
	if d.chance(0.08) {
		x.Outcome, x.NotDone = "not-done", "refused"
		d.add("chute", "x", x)
		return
	}
	if d.chance(0.1) {
		x.Outcome = one(d, "incomplete", "no-cause-in-feet", "findings")
	}
	for _, f := range feet {
		if !d.chance(0.5) {
			continue
		}
		e := events.FootExam{Foot: f, Examined: "yes", Result: "clear", Trimmed: "preventive"}
		if d.chance(0.5) {
			e.Result = "findings"
			for k := range 1 + d.IntN(2) {
				d.lesion(common, f, fmt.Sprint("l", f, k))
			}
			if x.Outcome == "clear" {
				x.Outcome = "findings"
			}
		}
		d.treat(common, f)
		x.Feet = append(x.Feet, e)
	}
	if d.chance(0.1) {
		d.add("chute", "m", d.medicine(common))
	}
	d.add("chute", "x", x)
}

// between writes what is done to a cow without an examination, by whoever is there.
func (d *dice) between(c, n int) {
	d.rec++
	common := d.common(c, n)
	common.Role = one(d, "", "farmer", "farmer", "trimmer", "vet")
	foot := one(d, feet...)
	switch d.IntN(5) {
	case 0:
		d.add("barn", "t", &events.Treatment{Common: common, Foot: foot, Claw: "none", What: "topical"})
	case 1:
		d.add("barn", "t", &events.Treatment{Common: common, Foot: foot, Claw: "outer", What: "corrective-trim"})
	case 2:
		x := d.medicine(common)
		if d.chance(0.5) {
			x.Foot = ""
		}
		d.add("barn", "t", x)
	case 3:
		d.add("barn", "t", &events.Treatment{Common: common, Foot: foot, Claw: "none", What: "wrap"})
	case 4:
		d.add("barn", "o", &events.TakenOff{Common: common, Foot: foot, Claw: "none", What: "wrap", How: "taken-off"})
	}
}

func (d *dice) lesion(common events.Common, foot, slot string) {
	l := &events.Lesion{Common: common, Foot: foot, Claw: one(d, "inner", "outer", "outer"), Code: one(d, "SU", "SU", "U", "WL", "WLF", "SH", "TS", "TN", "DD", "DD", "DD", "IP")}
	if l.Code == "DD" || l.Code == "IP" {
		l.Claw = "none"
	}
	if l.Code == "DD" {
		l.Stage = one(d, "M1", "M2", "M2", "M4", "M0")
	}
	if d.chance(0.3) {
		l.Course = one(d, "new", "better", "same", "worse", "healed")
	}
	if d.chance(0.15) {
		l.Signs = []events.Sign{{Sign: one(d, "heat", "depth", "pain")}, {Sign: "swelling"}}
		l.Site = one(d, "", "", "fetlock")
	}
	l.DDAssociated = l.Code == "SU" && d.chance(0.1)
	d.add("chute", slot, l)
	if d.chance(0.04) {
		x := d.lines[len(d.lines)-1]
		x.change = events.Retracted
		d.later = append(d.later, x)
	}
}

// treat puts on blocks and wraps, and takes them off.
func (d *dice) treat(common events.Common, foot string) {
	claw := one(d, "inner", "outer")
	if d.chance(0.15) {
		d.add("chute", "ob"+foot, &events.TakenOff{Common: common, Foot: foot, Claw: claw, What: "block", How: one(d, "taken-off", "found-gone")})
	}
	if d.chance(0.2) {
		d.add("chute", "ow"+foot, &events.TakenOff{Common: common, Foot: foot, Claw: "none", What: "wrap", How: "taken-off"})
	}
	if d.chance(0.2) {
		t := &events.Treatment{Common: common, Foot: foot, Claw: claw, What: one(d, "block", "block-thin-sole")}
		if d.chance(0.2) {
			t.PlannedOff = plus(common.Occurred.Date, 10+d.IntN(40))
		}
		d.add("chute", "b"+foot, t)
		d.change(t, func(t *events.Treatment) {
			t.PlannedOff = one(d, "", plus(common.Occurred.Date, 10+d.IntN(40)))
		})
	}
	if d.chance(0.2) {
		t := &events.Treatment{Common: common, Foot: foot, Claw: "none", What: "wrap"}
		switch at := common.Occurred.RFC3339(); {
		case d.chance(0.1): // nothing derived: nobody knows when it is due
		case at == "":
			t.Derived.DueOff, t.Derived.LateFrom = plus(common.Occurred.Date, 1), plus(common.Occurred.Date, 2)
		default:
			on, _ := time.Parse(time.RFC3339, at)
			t.Derived.DueOff, t.Derived.LateFrom = on.Add(24*time.Hour).Format(time.RFC3339), on.Add(48*time.Hour).Format(time.RFC3339)
		}
		if d.chance(0.1) {
			t.Device.Purpose = "surgical"
		}
		d.add("chute", "w"+foot, t)
		d.change(t, func(t *events.Treatment) {
			n := d.IntN(4)
			t.Derived.DueOff, t.Derived.LateFrom = plus(common.Occurred.Date, n), plus(common.Occurred.Date, n+1+d.IntN(2))
			if d.chance(0.1) {
				t.Derived.DueOff, t.Derived.LateFrom = "", ""
			}
		})
	}
}

// change lets the source of what was added last change it, without a person's
// word, now and then more than once.
func (d *dice) change(t *events.Treatment, to func(*events.Treatment)) {
	l := d.lines[len(d.lines)-1]
	for d.chance(0.2) {
		x := *t
		to(&x)
		d.later = append(d.later, line{l.farm, l.source, l.record, l.slot, events.Amended, &x})
	}
}

// order writes an order that no record tells was done, and what its source makes
// of it later.
func (d *dice) order(c, n int) {
	d.rec++
	o := events.Order{Common: d.common(c, n), What: one(d, "not-trim", "not-trim", "separate", "other"), Foot: one(d, "", "RH"), Detail: "d"}
	say := func() *events.Order {
		x := o
		x.OrderedBy, x.Due, x.Until = one(d, "vet", "farmer"), one(d, "", day(n+d.IntN(60))), one(d, "", day(n+d.IntN(90)))
		return &x
	}
	d.add("orders", "o", say())
	for d.chance(0.4) {
		d.later = append(d.later, line{d.farm, "orders", fmt.Sprint("r", d.rec), "o", events.Amended, say()})
	}
}

func (d *dice) medicine(common events.Common) *events.Treatment {
	w := func() events.Withdrawal {
		switch d.IntN(4) {
		case 0:
			return events.Withdrawal{State: "zero"}
		case 1:
			return events.Withdrawal{State: "unknown"}
		case 2:
			return events.Withdrawal{State: "until", Until: plus(common.Occurred.Date, d.IntN(60))}
		}
		return events.Withdrawal{}
	}
	return &events.Treatment{Common: common, What: "medicine", Foot: one(d, feet...), Claw: "none", Medicine: events.Medicine{Name: "tetra", Milk: w(), Meat: w()}}
}

func plus(day string, n int) string {
	t, _ := time.Parse(time.DateOnly, day)
	return t.AddDate(0, 0, n).Format(time.DateOnly)
}
