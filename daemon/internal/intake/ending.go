package intake

import (
	"cmp"
	"context"
	"fmt"
	"maps"
	"slices"
	"strings"

	"dewclaw/adapters/mapping"
	"dewclaw/events"
	"dewclaw/events/index"
)

// finish does what only the end of a member can tell: it settles the records
// that waited, and for a complete source retracts what vanished.
func (r *reading) finish(ctx context.Context, end mapping.Ending, unread string) error {
	if r.n < r.skip {
		return nil // an earlier run went on to the next member
	}
	if err := r.settleWaiting(ctx); err != nil {
		return err
	}
	if r.asOf == "" {
		return nil
	}
	return r.vanish(ctx, end, unread)
}

// settleWaiting settles the records that waited for the end, in the order of
// their lines.
func (r *reading) settleWaiting(ctx context.Context) error {
	if r.single != nil {
		return r.settleMessage(ctx)
	}
	for r.waiting > 0 {
		if err := r.pace.flush(ctx); err != nil {
			return err
		}
		list, err := r.ix.FirstWaiting(r.src.ID, r.archive, 1024)
		if err != nil || len(list) == 0 {
			return err
		}
		for _, id := range list {
			if err := r.settleOne(ctx, id); err != nil {
				return err
			}
			if err := r.pace.after(ctx); err != nil {
				return err
			}
		}
	}
	return nil
}

// settleMessage settles the records of a message that waited for its end.
func (r *reading) settleMessage(ctx context.Context) error {
	for _, id := range r.order {
		v, _, err := r.scratch.Get(id)
		if err != nil {
			return err
		}
		if isWaiting(v) {
			if err := r.settleOne(ctx, id); err != nil {
				return err
			}
		}
	}
	r.order = nil
	return nil
}

func (r *reading) settleOne(ctx context.Context, id events.RecordID) error {
	v, _, err := r.scratch.Get(id)
	if err != nil {
		return err
	}
	if !isWaiting(v) {
		return fmt.Errorf("record %s of %s waits in the log and was not met in the original: %w", id, r.name, events.ErrCorrupt)
	}
	w, err := unpackWaiting(v)
	if err != nil {
		return err
	}
	if err := r.scratch.Put(id, nil); err != nil { // it waits no more
		return err
	}
	r.at = w.Waiting.At
	rec := &w.Record
	r.forgetStale()
	found, err := r.ix.Lookup(r.src.ID, []events.RecordID{id}, nil)
	if err != nil {
		return err
	}
	known, _, err := r.known(ctx, &found[0])
	if err != nil {
		return err
	}
	s := situation{ended: true, continues: w.Waiting.After || len(w.Waiting.Earlier) > 0}
	if err := r.current(rec, &s); err != nil {
		return err
	}
	if err := r.decide(ctx, rec, known, s); err != nil {
		return err
	}
	r.rule.outcome = max(r.rule.outcome, parseOutcome(w.Waiting.Outcome))
	p := passing{rec: rec, found: &found[0]}
	r.waiting--
	if n := draftSize(rec.Drafts); r.b.full(n) {
		if _, err := r.pace.room(ctx, n); err != nil {
			return err
		}
	}
	if reasons := r.violations(rec); len(reasons) > 0 {
		h, err := r.refusal(ctx, p, reasons)
		if err != nil {
			return err
		}
		r.b.settle(id)
		return r.hold(ctx, h)
	}
	r.b.settle(id)
	return r.put(ctx, p, joint{rec: rec, after: w.Waiting.After, missing: w.Missing}, known)
}

// vanish retracts what the export no longer has, list by list and day by day.
func (r *reading) vanish(ctx context.Context, end mapping.Ending, unread string) error {
	if err := r.pace.flush(ctx); err != nil {
		return err
	}
	for _, list := range r.lists() {
		if slices.Contains(r.listsRead, index.ListRead{List: list, Records: r.n}) {
			continue // an earlier run told of it
		}
		c := &events.Complete{AsOf: r.asOf, Scope: list.Scope}
		if r.inward.FarmByRow() {
			c.Farm = list.Farm
		}
		why := map[string]bool{}
		for _, day := range r.daysOf(list) {
			reason := r.whyNot(listingKey{list, day}, end, unread)
			if reason != "" {
				c.Other = append(c.Other, day)
				why[reason] = true
				continue
			}
			c.Days = append(c.Days, day)
			if err := r.vanishDay(ctx, list, day); err != nil {
				return err
			}
		}
		for _, w := range sortedKeys(why) {
			c.Why = strings.TrimPrefix(c.Why+"; "+w, "; ")
		}
		if len(c.Days)+len(c.Other) == 0 {
			continue
		}
		r.complete = append(r.complete, *c)
		if r.b.entry.Complete != nil {
			if err := r.endUnit(ctx); err != nil {
				return err
			}
		}
		r.b.entry.Complete = c
		r.b.records++
	}
	return nil
}

// endUnit ends what is being collected as a unit, and its entry.
func (r *reading) endUnit(ctx context.Context) error {
	if !r.b.empty() {
		if err := r.pace.after(ctx); err != nil {
			return err
		}
	}
	return r.pace.flush(ctx)
}

// whyNot says why what is missing on a day does not count as vanished; "" if it does.
func (r *reading) whyNot(k listingKey, end mapping.Ending, unread string) string {
	l := r.days[k]
	switch {
	case unread != "":
		return unread
	case !end.May:
		return end.Why
	case slices.ContainsFunc(r.vague, func(v listingKey) bool { return v.day == "" && v.mayBe(k) }):
		return "a row without a readable date is held"
	case l.held || slices.ContainsFunc(r.vague, func(v listingKey) bool { return v.mayBe(k) }):
		return "rows of a day are held"
	case l.older:
		return "a newer export of a day was read before"
	}
	return ""
}

// lists returns the lists of which the export has a day, sorted.
func (r *reading) lists() []index.List {
	set := map[index.List]bool{}
	for k := range r.days {
		if k.day != "" {
			set[k.list] = true
		}
	}
	return slices.SortedFunc(maps.Keys(set), func(a, b index.List) int {
		return cmp.Or(strings.Compare(a.Farm, b.Farm), strings.Compare(a.Scope, b.Scope))
	})
}

func (r *reading) daysOf(list index.List) []string {
	set := map[string]bool{}
	for k := range r.days {
		if k.list == list && k.day != "" {
			set[k.day] = true
		}
	}
	return sortedKeys(set)
}

func sortedKeys(m map[string]bool) []string {
	out := make([]string, 0, len(m))
	for k := range m {
		out = append(out, k)
	}
	slices.Sort(out)
	return out
}

// A vanished event is live in the index and in no row of the export.
type vanished struct {
	rec  index.Record
	slot int
}

// vanishDay retracts the live events of a day that no row had, or makes them
// wait for a person: each wrap, block or medicine, and all if they are too many
// at once.
func (r *reading) vanishDay(ctx context.Context, list index.List, day string) error {
	r.forgetStale()
	gone, live, err := r.vanishedOf(list, day)
	if err != nil || len(gone) == 0 {
		return err
	}
	brake := r.inward.Complete().Brake
	why := ""
	if len(gone) > brake || 2*len(gone) > live {
		why = fmt.Sprintf("%d of %d events of %s vanished at once; at most %d and half of a day do without a person", len(gone), live, day, brake)
	}
	size := 0
	last := make([]events.Event, len(gone))
	for i := range gone {
		k := &gone[i].rec.Slots[gone[i].slot]
		if last[i], err = r.content(ctx, k.Place); err != nil {
			return err
		}
		size += len(last[i].Data) + 400
	}
	if r.b.full(size) {
		if _, err := r.pace.room(ctx, size); err != nil {
			return err
		}
	}
	for i := range gone {
		if err := r.vanishOne(ctx, &gone[i], &last[i], why); err != nil {
			return err
		}
	}
	return r.pace.after(ctx)
}

func (r *reading) vanishOne(ctx context.Context, g *vanished, ev *events.Event, why string) error {
	k := g.rec.Slots[g.slot]
	must, err := guarded(ev)
	if err != nil {
		return err
	}
	switch {
	case why != "":
		r.wait(ev.Entity, why)
		return nil
	case must:
		r.wait(ev.Entity, whyGuarded)
		return nil
	}
	own := r.b.touch(&g.rec)
	r.b.records++
	return r.retract(ctx, own, slices.IndexFunc(own.Slots, func(s index.Slot) bool { return s.Slot == k.Slot }))
}

// vanishedOf returns the live events of a day that no row of the export had, in
// the order of their records, and how many live events the day has in all.
func (r *reading) vanishedOf(list index.List, day string) (gone []vanished, live int, err error) {
	var after events.RecordID
	for {
		page, err := r.ix.Day(index.Day{Source: r.src.ID, List: list, Day: day}, after, 512)
		if err != nil {
			return nil, 0, err
		}
		if len(page) == 0 {
			return gone, live, nil
		}
		for i := range page {
			missing, err := r.missing(&page[i])
			if err != nil {
				return nil, 0, err
			}
			for at := range page[i].Slots {
				k := &page[i].Slots[at]
				if k.State&index.Live == 0 {
					continue
				}
				live++
				if k.State&(index.Waits|index.Kept) == 0 && missing(k) {
					gone = append(gone, vanished{page[i], at})
				}
			}
		}
		after = page[len(page)-1].ID
	}
}

// missing returns which slots of a record no row of the export had.
func (r *reading) missing(rec *index.Record) (func(*index.Slot) bool, error) {
	v, seen, err := r.scratch.Get(rec.ID)
	if err != nil {
		return nil, err
	}
	_, released := r.released[rec.ID]
	lacks := unpackMissing(v)
	return func(k *index.Slot) bool {
		if released && k.State&index.FromHeld != 0 {
			return false // the row it came with is there
		}
		return !seen || slices.Contains(lacks, k.Slot)
	}, nil
}
