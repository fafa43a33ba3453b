package measures_test

import (
	"strings"
	"testing"

	"dewclaw/events"
	"dewclaw/events/herd"
	"dewclaw/events/measures"
	"dewclaw/events/worklist"
)

// Windows in these tests are counted on a calendar from the default settings:
// blocks looked at from day 28 and off by day 42, rechecks from day 28 to 35, checks
// 10 to 3 days before drying off, 90 to 120 days in milk, heifers 56 to 42 days
// before calving (code list due, which has their sources). The period is March and
// April 2025. What counts as done is common practice, no source.

func device(n int, what, on, late, off, how string) herd.Device {
	d := herd.Device{Animal: cow(n, nil).ID, What: what, Foot: "LH", Claw: "outer", On: on, Late: late, Off: off, OffHow: how}
	d.Events = []events.Entity{events.Entity("put." + what + "." + d.Animal + "." + on)}
	if off != "" {
		d.OffBy = []events.Entity{events.Entity("off." + what + "." + d.Animal + "." + off)}
	}
	return d
}

// glance makes a look at feet as exam makes examinations.
func glance(n int, day, reason string, feet ...string) herd.Glance {
	f := exam(n, day, reason, feet...)
	return herd.Glance{Event: f.Entity, Animal: f.Animal, Day: day, Feet: feet, Whole: herd.LooksAtAnimal(f.Payload.(*events.Examination))}
}

func TestDue_WrapsAndBlocks(t *testing.T) {
	d := &measures.Data{Animals: append(cows(20), cow(21, func(a *herd.Animal) { a.Stays = []herd.Stay{{Left: "2025-03-06"}} }))}
	wrap := func(n int, on, late, off, how string) *herd.Device {
		d.Devices = append(d.Devices, device(n, "wrap", on, late, off, how))
		return &d.Devices[len(d.Devices)-1]
	}
	wrap(1, "2025-02-27", "2025-03-01", "2025-02-28", "taken-off") // the window closed in the period: in time
	wrap(2, "2025-03-05", "2025-03-07", "2025-03-07", "taken-off") // the hour decides, and nobody knows it
	wrap(3, "2025-03-05", "2025-03-07", "2025-03-09", "taken-off") // late
	wrap(4, "2025-03-05", "2025-03-07", "", "")                    // missed
	wrap(5, "2025-04-29", "2025-05-01", "", "")                    // closes behind the period
	wrap(6, "2025-03-05", "2025-03-07", "2025-03-20", "found-gone")
	w := wrap(7, "2025-03-05", "2025-03-07T10:00:00+01:00", "2025-03-07", "taken-off")
	w.OffAt = "2025-03-07T09:00:00+01:00" // an hour before
	w = wrap(8, "2025-03-05", "2025-03-07", "2025-03-06", "taken-off")
	w.Order = &herd.Order{Event: "o8", What: "take-off-wrap", Due: "2025-03-06"} // on the whole day that was ordered
	w = wrap(9, "2025-03-05", "2025-03-07", "2025-03-07", "taken-off")
	w.Order = &herd.Order{Event: "o9", What: "take-off-wrap", Due: "2025-03-06"} // a day behind it
	wrap(10, "2025-03-05", "2025-03-07", "", "").ByVet = true
	wrap(11, "2025-03-05", "", "", "")                      // since when?
	wrap(12, "2025-03-05", "2025-03-07", "", "").Old = true // taken back in silence
	wrap(21, "2025-03-05", "2025-03-07", "", "")            // she left the day before
	wrap(99, "2025-03-05", "2025-03-07", "", "")            // no roster knows her

	// Blocks of 1 February: looked at from 1 March, off by 15 March.
	block := func(n int, on, off, how string) *herd.Device {
		d.Devices = append(d.Devices, device(n, "block", on, "", off, how))
		return &d.Devices[len(d.Devices)-1]
	}
	b := block(1, "2025-02-01", "2025-03-20", "taken-off") // off late, looked at in time
	b.Checks = []herd.Check{{Event: "look1", Day: "2025-03-02"}}
	block(2, "2025-02-01", "2025-03-15", "taken-off")  // both on the last day
	block(3, "2025-02-01", "", "")                     // both missed
	block(4, "2025-02-01", "2025-02-11", "found-gone") // nothing left to do
	block(5, "2025-02-01", "2025-02-20", "taken-off")  // off in time, before a look was due
	b = block(6, "2025-02-01", "2025-04-01", "found-gone")
	b.Checks = []herd.Check{{Event: "look6", Day: "2025-02-15"}} // too soon; gone since when?
	block(7, "2025-02-20", "2025-03-12", "taken-off").Planned = "2025-03-10"
	block(8, "2025-02-01", "2025-03-05", "taken-off").Doubts = []string{herd.KindMirroredFoot}

	r := work(t, d, question(), "due")
	wants(t, r, map[string]string{
		"wrap-off.in-time":    "37.5..62.5 3/8", // 1, 7, 8; of 2 and 6 nobody can tell
		"wrap-off.late":       "25 2/8",         // 3, 9
		"wrap-off.missed":     "12.5 1/8",       // 4
		"block-check.in-time": "50 2/4",         // 1, 2 of 1, 2, 3, 6
		"block-check.late":    "25 1/4",         // 6: seen on 1 April, gone
		"block-check.missed":  "25 1/4",
		"block-off.in-time":   "33.33..50 2/6", // 2, 5 of 1, 2, 3, 5, 6, 7
		"block-off.late":      "33.33 2/6",     // 1, 7
		"block-off.missed":    "16.67 1/6",
		"animals.in-time":     "22.22..33.33 2/9", // 5, 8; of 2 it cannot be told,
	})
	// 3 wraps, and both sides of a block: two things of block 8.
	if n := leftOut(r, "contradict"); n != 3 {
		t.Errorf("%d left out as contradictory or taken back, wanted 3", n)
	}
	if n := leftOut(r, "no roster knows"); n != 1 {
		t.Errorf("%d left out of unknown animals, wanted 1", n)
	}
	notes := strings.Join(r.Figure("wrap-off.in-time").Notes, "\n")
	for _, s := range []string{"1 not counted: vet dressings", "1 not counted: put on, or first seen", "1 not counted: of animals that were not in the herd"} {
		if !strings.Contains(notes, s) {
			t.Errorf("the notes do not say %q:\n%s", s, notes)
		}
	}
	if f := r.Figure("block-check.in-time"); len(f.Events) != 4 || f.Events[0] != "look1" {
		t.Errorf("counted %v, wanted both blocks with the look at one and the end of the other", f.Events)
	}
	// Settings of the lists move the windows: off by day 60 is 2 April, and 6 was
	// lost before that.
	q := question()
	q.Lists = worklist.Defaults()
	q.Lists.BlockLong = 60
	wants(t, work(t, d, q, "due"), map[string]string{"block-off.late": "20 1/5"})
}

// Whose source changed its end and nobody confirmed that is in time up to the later
// end, whichever revision named it; so it is of what devices tells.
func TestDue_TheLaterEndHoldsUntilConfirmed(t *testing.T) {
	d := &measures.Data{Animals: cows(6)}
	wrap := func(n int, late, before, off string) {
		x := device(n, "wrap", "2025-03-05", late, off[:10], "taken-off")
		x.OffAt = off
		x.Before = []herd.Before{{Event: x.Events[0], On: "2025-03-05", Late: before}}
		d.Devices = append(d.Devices, x)
	}
	const first, second = "2025-03-07T10:00:00+01:00", "2025-03-08T10:00:00+01:00"
	wrap(1, second, first, "2025-03-07T18:00:00+01:00")
	wrap(2, first, second, "2025-03-07T18:00:00+01:00")
	wrap(3, first, second, "2025-03-08T10:00:00+01:00") // late at the later one too
	// Planned off on the 20th, then on the 30th.
	block := func(n int, planned, before, off string) {
		x := device(n, "block", "2025-03-01", "", off, "taken-off")
		x.Planned, x.Before = planned, []herd.Before{{Event: x.Events[0], On: "2025-03-01", Planned: before}}
		d.Devices = append(d.Devices, x)
	}
	block(1, "2025-03-30", "2025-03-20", "2025-03-25")
	block(2, "2025-03-20", "2025-03-30", "2025-03-25")
	block(3, "2025-03-20", "2025-03-30", "2025-03-31")
	// Put on on 1 March, then on the 11th: off by 12 April, or by the 22nd.
	x := device(4, "block", "2025-03-11", "", "2025-04-20", "taken-off")
	x.Before = []herd.Before{{Event: x.Events[0], On: "2025-03-01"}}
	d.Devices = append(d.Devices, x)
	r := work(t, d, question(), "due")
	wants(t, r, map[string]string{"wrap-off.in-time": "66.67 2/3", "block-off.in-time": "75 3/4", "block-check.in-time": "100 2/2"}) // 3 and 4
	for key, n := range map[string]string{"wrap-off.in-time": "of 3 the source", "block-off.in-time": "of 4 the source"} {
		if notes := strings.Join(r.Figure(key).Notes, "\n"); !strings.Contains(notes, n+" changed the end") {
			t.Errorf("%s: the notes do not say %q: %s", key, n, notes)
		}
	}
	r = work(t, d, question(), "devices")
	wants(t, r, map[string]string{"wraps.in-time": "66.67 2/3"})
	if notes := strings.Join(r.Figure("wraps.in-time").Notes, "\n"); !strings.Contains(notes, "of 3 the source changed the end") {
		t.Errorf("devices: %s", notes)
	}
}

func TestDue_Rechecks(t *testing.T) {
	ulcer := func(n int, days ...string) herd.Case {
		c := lesionCase(n, days[0], "", false)
		c.Seen = nil
		for _, d := range days {
			e := events.Entity("lesion." + c.Animal + "." + d)
			c.Seen = append(c.Seen, herd.Sighting{Day: d, Lesions: []herd.Found{{Code: "U", Reports: []herd.Report{{Entity: e}}}}})
			c.Last = d
		}
		return c
	}
	// Of 1 February: seen again from 1 to 8 March.
	d := &measures.Data{Animals: cows(10), Cases: []herd.Case{
		ulcer(1, "2025-02-01"), ulcer(2, "2025-02-01"), ulcer(3, "2025-02-01"), ulcer(4, "2025-02-01"),
		ulcer(5, "2025-02-01", "2025-02-21"), // from 21 to 28 March
		ulcer(6, "2025-02-01"), ulcer(7, "2025-02-01"), ulcer(8, "2025-02-01"),
		lesionCase(9, "2025-02-01", "", false),
	}}
	d.Cases[8].Class = "DD" // nothing to take weight off
	foot := d.Cases[0].Foot
	other := "RF"
	d.Looks = []herd.Glance{
		glance(1, "2025-03-08", "recheck", foot),  // the last day
		glance(2, "2025-03-09", "recheck", foot),  // late
		glance(3, "2025-03-05", "recheck", other), // another foot: missed
		glance(4, "2025-02-20", "recheck", foot),  // seen before: not due
		glance(5, "2025-02-21", "recheck", foot),
		glance(5, "2025-03-25", "recheck", foot),
	}
	d.Claws = []herd.LostClaw{{Animal: "c6", Foot: foot, Claw: d.Cases[5].Claw, State: "absent", Since: "2025-02-02"}}
	d.Orders = []herd.Order{{Animal: "c7", Event: "o7", Day: "2025-02-01", What: "recheck", Foot: foot, Due: "2025-03-20", Cancels: []string{"recheck-time"}, Done: "2025-03-20", DoneBy: "l7"}}
	r := work(t, d, question(), "due")
	wants(t, r, map[string]string{
		"recheck.in-time": "40 2/5", // 1 and the second of 5; of 1, 2, 3, 5, 8
		"recheck.late":    "20 1/5",
		"recheck.missed":  "40 2/5",
		"order.in-time":   "100 1/1", // of 7, which the order moved
	})
	if notes := strings.Join(r.Figure("recheck.in-time").Notes, "\n"); !strings.Contains(notes, "2 not counted: looked at before") ||
		!strings.Contains(notes, "1 not counted: the claw is gone") || !strings.Contains(notes, "1 not counted: an order named another time") {
		t.Errorf("notes: %s", notes)
	}
}

func TestDue_Orders(t *testing.T) {
	order := func(n int, what, due, done string) herd.Order {
		o := herd.Order{Animal: cow(n, nil).ID, Event: events.Entity("order." + cow(n, nil).ID), Day: "2025-03-01", What: what, Due: due, Done: done}
		if done != "" {
			o.DoneBy = events.Entity("done." + o.Animal)
		}
		return o
	}
	d := &measures.Data{Animals: cows(9), Orders: []herd.Order{
		order(1, "trim", "2025-03-20", "2025-03-10"),
		order(2, "vet", "2025-03-20", "2025-03-21"),
		order(3, "recheck", "2025-03-20", ""),
		order(4, "vet", "2025-03-20T12:00:00+01:00", "2025-03-20"), // before noon?
		order(5, "separate", "2025-03-20", ""),                     // no record tells
		order(6, "trim", "2025-03-20", ""),                         // taken back
		order(7, "trim", "2025-05-01", ""),
		order(8, "trim", "", ""),
		order(9, "not-trim", "2025-03-20", ""),
	}}
	d.Orders[5].Ended = "2025-03-11"
	r := work(t, d, question(), "due")
	wants(t, r, map[string]string{"order.in-time": "25..50 1/4", "order.late": "25 1/4", "order.missed": "25 1/4"})
	d.Orders[0].Doubts = []string{herd.KindTwoAnimals}
	wants(t, work(t, d, question(), "due"), map[string]string{"order.in-time": "0..33.33 0/3"})
}

func TestDue_ChecksOfALactation(t *testing.T) {
	at := func(n int, change func(*herd.Animal)) herd.Animal {
		return cow(n, func(a *herd.Animal) { a.Calvings = []string{"2024-06-01"}; change(a) })
	}
	d := &measures.Data{Animals: []herd.Animal{
		// Dry on 20 March: from 10 to 17 March.
		at(1, func(a *herd.Animal) { a.PlannedDryOff = "2025-03-20" }),
		at(2, func(a *herd.Animal) { a.PlannedDryOff = "2025-03-20" }),
		at(3, func(a *herd.Animal) { a.PlannedDryOff = "2025-03-20" }),
		at(4, func(a *herd.Animal) { a.PlannedDryOff = "2025-03-20" }),
		at(5, func(a *herd.Animal) { a.PlannedDryOff = "2025-03-20"; a.DryOffs = []string{"2025-03-12"} }),
		// Served on 10 August, 280 days: 17 May; 56 days before it 22 March: from 12 to 19 March.
		at(6, func(a *herd.Animal) { a.Services = []string{"2024-08-10", "2024-08-31"} }),
		// Calved on 1 December: from 1 to 31 March.
		cow(7, func(a *herd.Animal) { a.Calvings = []string{"2024-12-01"} }),
		cow(8, func(a *herd.Animal) { a.Calvings = []string{"2024-12-01"} }),
		cow(9, func(a *herd.Animal) { a.Calvings = []string{"2024-12-01"} }),
		cow(10, func(a *herd.Animal) { a.Calvings = []string{"2024-12-01"} }),
		// A heifer that may calve on 20 May: from 25 March to 8 April.
		cow(11, func(a *herd.Animal) { a.Calvings, a.Born, a.Services = nil, "2023-05-01", []string{"2024-08-13"} }),
		cow(12, func(a *herd.Animal) { a.Calvings, a.Born, a.Services = nil, "2023-05-01", []string{"2024-08-13"} }),
	}, Looks: []herd.Glance{
		glance(1, "2025-03-17", "dry-off", "LH"),
		glance(2, "2025-03-19", "dry-off", "LH"),
		glance(3, "2025-03-15", "lame", "LH"),    // a bad foot, not the animal
		glance(4, "2025-02-10", "routine", "LH"), // within 60 days
		glance(6, "2025-03-12", "dry-off", "LH"),
		glance(7, "2025-03-31", "routine", "LH"),
		glance(8, "2025-04-10", "routine", "LH"),
		glance(9, "2025-01-10", "routine", "LH"), // since she calved
		glance(11, "2025-03-24", "heifer", "LH"), // a day before it opens
		glance(12, "2025-03-25", "heifer", "LH"),
	}, Orders: []herd.Order{{Animal: "c10", Event: "o", Day: "2025-03-01", What: "not-trim", Until: "2025-04-30"}}}
	wants(t, work(t, d, question(), "due"), map[string]string{
		"pre-dry.in-time":       "50 2/4", // 1, 6 of 1, 2, 3, 6
		"pre-dry.late":          "25 1/4",
		"pre-dry.missed":        "25 1/4",
		"mid-lactation.in-time": "50 1/2",
		"mid-lactation.late":    "50 1/2",
		"heifer.in-time":        "50 1/2",
		"heifer.missed":         "50 1/2",
		"animals.in-time":       "50 4/8",
	})
}
