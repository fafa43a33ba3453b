package measures

import (
	"slices"

	"dewclaw/events"
	"dewclaw/events/herd"
)

// devices makes what became of wraps and blocks: wraps off before they were late,
// ulcers blocked, blocks lost early.
func (w *work) devices() {
	doubtful := 0
	var wraps, blocks []*herd.Device
	for i := range w.d.Devices {
		d := &w.d.Devices[i]
		inPeriod := w.period.has(dayOf(d.On, never))
		switch {
		case len(d.Doubts) > 0 || d.Old:
			if inPeriod {
				doubtful++
			}
		case d.What == "block":
			blocks = append(blocks, d)
		case inPeriod:
			wraps = append(wraps, d)
		}
	}
	w.leave("blocks and wraps told of by records that contradict others, or that their source silently took back", doubtful)
	w.wraps(wraps)
	w.ulcers(blocks)
	w.lostEarly(slices.DeleteFunc(blocks, func(d *herd.Device) bool { return !w.period.has(dayOf(d.On, never)) }))
}

// madeOf returns the events of a device.
func madeOf(d *herd.Device) []events.Entity { return slices.Concat(d.Events, d.OffBy) }

// wraps counts those that came off before they were late (see herd.Device). A
// wrap that a vet put on stays on as the vet says and is not judged.
func (w *work) wraps(list []*herd.Device) {
	var t tally
	open, vets, timeless, gone := 0, 0, 0, 0
	for _, d := range list {
		switch a := w.offInTime(d); {
		case d.ByVet:
			vets++
		case d.Late == "":
			timeless++
		case d.OffHow == "found-gone" && a == no:
			gone++ // since when, nobody can tell
			t.pair(madeOf(d), false)
			t.unclear++
		case a == unclear && dayOf(d.Off, never) >= w.period.to:
			open++
		default:
			t.pair(madeOf(d), a == yes)
			if a == unclear {
				t.unclear++
			}
		}
	}
	f := w.shareRange("wraps.in-time", "wraps off before they were late", t.x, t.unclear, t.n, "wraps put on in the period")
	f.Section = "wraps"
	f.made(t.counted, t.rest)
	for _, n := range []struct {
		n    int
		what string
	}{{open, "on at the end of the period and not late yet: not counted"}, {vets, "put on by a vet, who says how long: not counted"},
		{timeless, "without a time from which they are late: not counted"}, {gone, "found gone when they would have been late: since when, nobody can tell"}} {
		if n.n > 0 {
			f.note("%d %s", n.n, n.what)
		}
	}
}

// offInTime judges a wrap; unclear if only days are known and they are the same,
// or it is on and the period ends before it is late.
func (w *work) offInTime(d *herd.Device) answer {
	late := dayOf(d.Late, never)
	off := dayOf(d.Off, never)
	if off >= w.period.to { // what comes behind the period is not known in it
		if late < w.period.to {
			return no
		}
		return unclear
	}
	if h, ok := hours(d.OffAt, d.Late); ok {
		return answerOf(h > 0)
	}
	switch {
	case off < late:
		return yes
	case off > late:
		return no
	}
	return unclear
}

func answerOf(is bool) answer {
	if is {
		return yes
	}
	return no
}

// ulcers counts ulcers whose other claw got a block. Under-blocking is common:
// ulcers 9.2 %, blocks 2.2 % of cows (Ontario, pubmed 18832211).
func (w *work) ulcers(blocks []*herd.Device) {
	w.parameter("days within which an ulcer is to be blocked", w.q.Blocked)
	type foot struct{ animal, foot string }
	on := map[foot][]*herd.Device{}
	for _, d := range blocks {
		k := foot{d.Animal, d.Foot}
		on[k] = append(on[k], d)
	}
	var t tally
	open, alone, doubtful := 0, 0, 0
	for i := range w.d.Cases {
		c := &w.d.Cases[i]
		first := dayOf(c.First, never)
		if c.Class != "U" || !w.period.has(first) || !slices.Contains(claws, c.Claw) && c.Claw != "unknown" {
			continue
		}
		if len(c.Doubts) > 0 {
			doubtful++
			continue
		}
		by := blockFor(c, on[foot{c.Animal, c.Foot}], first, first+day(w.q.Blocked))
		switch {
		case by != nil:
			t.pair(append(firstSeen(c), by.Events...), true)
		case c.Claw != "unknown" && !w.has(c.Animal, c.Foot, otherClaw(c.Claw), first):
			alone++
		case first+day(w.q.Blocked) >= w.period.to:
			open++
		default:
			t.pair(firstSeen(c), false)
		}
	}
	w.leave("ulcers told of by records that contradict others", doubtful)
	f := w.share("ulcers.blocked", "ulcers whose other claw has a block", t.x, t.n, "ulcers first seen in the period")
	f.Section = "ulcers"
	f.made(t.counted, t.rest)
	if open > 0 {
		f.note("%d seen so late in the period that a block may follow: not counted", open)
	}
	if alone > 0 {
		f.note("%d on feet without another claw, where a block has no place: not counted", alone)
	}
}

func otherClaw(claw string) string {
	if claw == "inner" {
		return "outer"
	}
	return "inner"
}

// blockFor returns a block that is on another claw of the foot on one of the
// days; a claw that nobody wrote may be the other one.
func blockFor(c *herd.Case, blocks []*herd.Device, from, to day) *herd.Device {
	for _, d := range blocks {
		if dayOf(d.On, never) <= to && dayOf(d.Off, never) >= from && (d.Claw != c.Claw || c.Claw == "unknown") {
			return d
		}
	}
	return nil
}

// lostEarly counts blocks found gone before their time: glued soft wood is often
// lost from day 7 to 11 (N Z Vet J 2021, questionsmedicales.fr 33586623).
func (w *work) lostEarly(list []*herd.Device) {
	w.parameter("days before which a block is lost early", w.q.Early)
	var t tally
	open, off := 0, 0
	for _, d := range list {
		on, until := dayOf(d.On, never), dayOf(d.Off, never)
		watched := min(until, w.period.to)
		early := int(watched-on) < w.q.Early
		switch {
		case until < w.period.to && d.OffHow == "found-gone":
			since := dayOf(d.Gone, until)
			t.pair(madeOf(d), early || int(since-on) < w.q.Early)
			if !early && d.Gone == "" {
				t.unclear++ // on which of the days it was lost, nobody saw
			}
		case !early:
			t.pair(madeOf(d), false)
		case until < w.period.to:
			off++
		default:
			open++
		}
	}
	f := w.shareRange("blocks.lost-early", "blocks lost early", t.x, t.unclear, t.n, "blocks put on in the period and watched so long, or lost before")
	f.Section = "blocks"
	f.made(t.counted, t.rest)
	if off > 0 {
		f.note("%d taken off or replaced before: not counted", off)
	}
	if open > 0 {
		f.note("%d on for less than that at the end of the period: not counted", open)
	}
}
