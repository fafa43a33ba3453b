package measures

import (
	"slices"

	"dewclaw/events"
	"dewclaw/events/herd"
	"dewclaw/events/worklist"
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

// wraps counts those that came off before they were late, as the measure due does.
// A vet's dressing stays on as the vet says and is not judged, nor is a wrap on an
// animal that was gone when it would have been late.
func (w *work) wraps(list []*herd.Device) {
	var t tally
	open, vets, timeless, left, gone, amended := 0, 0, 0, 0, 0, 0
	for _, d := range list {
		e, off := endOfWrap(d), dayOf(d.Off, never)
		c := w.cows[d.Animal]
		in := e.off(d)
		switch {
		case worklist.Dressed(d):
			vets++
			continue
		case e.unknown(d):
			timeless++
			continue
		case c != nil && !has(c.here, e.closes):
			left++
			continue
		case off >= w.period.to && e.closes >= w.period.to: // what comes behind the period is not known in it
			open++
			continue
		case off >= w.period.to:
			in = no
		case d.OffHow == foundGone && in != yes: // since when, nobody can tell
			gone++
			in = unclear
		}
		t.pair(madeOf(d), in == yes)
		t.crowd.add(d.Animal, in == yes, in == unclear)
		t.unclear += boolInt(in == unclear)
		amended += boolInt(e.amended)
	}
	f := w.shareRange("wraps.in-time", "wraps off before they were late", t.x, t.unclear, t.n, "wraps put on in the period")
	f.Section = "wraps"
	f.made(t.counted, t.rest).heads = t.crowd.heads()
	f.amended(amended)
	for _, n := range []struct {
		n    int
		what string
	}{{open, "on at the end of the period and not late yet: not counted"}, {vets, "vet dressings, which stay on as the vet says: not counted"},
		{timeless, "put on, or first seen, and nobody knows from when they are late: not counted"}, {left, "of animals that were not in the herd when they would have been late: not counted"},
		{gone, "found gone when they would have been late: since when, nobody can tell"}} {
		if n.n > 0 {
			f.note("%d %s", n.n, n.what)
		}
	}
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
	open, alone, left, doubtful := 0, 0, 0, 0
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
			t.crowd.add(c.Animal, true, false)
		case c.Claw != "unknown" && !w.has(c.Animal, c.Foot, otherClaw(c.Claw), first):
			alone++
		case first+day(w.q.Blocked) >= w.period.to:
			open++
		case first+day(w.q.Blocked) > w.lastDay(c.Animal, first):
			left++
		default:
			t.pair(firstSeen(c), false)
			t.crowd.add(c.Animal, false, false)
		}
	}
	w.leave("ulcers told of by records that contradict others", doubtful)
	f := w.share("ulcers.blocked", "ulcers whose other claw has a block", t.x, t.n, "ulcers first seen in the period")
	f.Section = "ulcers"
	f.made(t.counted, t.rest).heads = t.crowd.heads()
	if open > 0 {
		f.note("%d seen so late in the period that a block may follow: not counted", open)
	}
	if left > 0 {
		f.note("%d of animals that left before the days were over: not counted", left)
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
	open, off, left := 0, 0, 0
	for _, d := range list {
		on, until := dayOf(d.On, never), dayOf(d.Off, never)
		there := w.lastDay(d.Animal, on) + 1
		end := min(w.period.to, there) // on it nobody could see the block any more
		early := int(min(until, end)-on) < w.q.Early
		switch {
		case until < end && d.OffHow == foundGone:
			since := dayOf(d.Gone, until)
			lost := early || int(since-on) < w.q.Early
			open := !early && d.Gone == "" // on which of the days it was lost, nobody saw
			t.pair(madeOf(d), lost)
			t.crowd.add(d.Animal, lost, open)
			t.unclear += boolInt(open)
		case !early:
			t.pair(madeOf(d), false)
			t.crowd.add(d.Animal, false, false)
		case until < end:
			off++
		case there < w.period.to:
			left++
		default:
			open++
		}
	}
	f := w.shareRange("blocks.lost-early", "blocks lost early", t.x, t.unclear, t.n, "blocks put on in the period and watched so long, or lost before")
	f.Section = "blocks"
	f.made(t.counted, t.rest).heads = t.crowd.heads()
	if off > 0 {
		f.note("%d taken off or replaced before: not counted", off)
	}
	if open > 0 {
		f.note("%d on for less than that at the end of the period: not counted", open)
	}
	if left > 0 {
		f.note("%d on animals that left before: not counted", left)
	}
}
