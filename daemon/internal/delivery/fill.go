package delivery

import (
	"context"
	"fmt"
	"slices"
	"time"

	"dewclaw/events"
)

// fill goes on making a batch from the log, the beat "read", and plans it when
// it is full, when its first event has waited long enough, or with once at the
// end of the log.
func (f *feed) fill(run, step context.Context, once bool) (pass, error) {
	full, err := f.collect(run, step)
	if err != nil {
		return pass{}, err
	}
	b := f.batch
	if b == nil {
		return f.rest(), nil
	}
	if b.empty() && b.holds == 0 {
		moved := f.state.Cursor.Before(b.next)
		if moved {
			f.state.Cursor = b.next
			f.passed()
			if err := f.save(step); err != nil {
				return pass{}, err
			}
		}
		f.batch = nil
		return f.rest(), nil
	}
	if !full && !once && !b.empty() {
		if wait := b.started.Add(f.cfg.Every).Sub(f.now()); wait > 0 {
			return pass{idle: true, wait: wait}, nil
		}
	}
	return pass{}, f.plan(step, b)
}

// rest is what a feed does that has nothing to send: it waits if it has seen
// the whole log, and looks now and then at what may change without the log.
func (f *feed) rest() pass {
	last, _ := f.d.o.Log.Last()
	return pass{idle: f.state.Cursor.Position > last && !f.roster && !f.lookDue(), wait: lookAgain}
}

// collect takes parcels from the log into the batch. It reports whether the
// batch must go now.
func (f *feed) collect(run, step context.Context) (bool, error) {
	f.d.o.Beat(BeatRead)
	for {
		if f.batch != nil && f.batch.full() {
			return true, nil
		}
		if f.stream == nil {
			if !f.open(run) {
				return false, nil
			}
		}
		l, err := f.stream.peek()
		switch {
		case err != nil:
			f.reset()
			return false, err
		case l == nil: // the end, as it was when the stream was opened
			f.stream.close()
			f.stream = nil
			if last, _ := f.d.o.Log.Last(); last > f.view.seen && (f.batch == nil || !f.batch.empty()) {
				continue
			}
			return false, nil
		case l.gap:
			if f.batch != nil && !(f.batch.empty() && f.batch.holds == 0) {
				return true, nil
			}
			return false, f.skip(step)
		}
		if err := f.awaitHerd(step, l.at); err != nil {
			return false, err
		}
		done, err := f.unload(step, l)
		if err != nil {
			f.reset()
			return false, err
		}
		if !done {
			return true, nil
		}
	}
}

// open opens the log behind what was collected; false if there is nothing new.
func (f *feed) open(run context.Context) bool {
	from := f.state.Cursor
	if f.batch != nil {
		from = f.batch.next
	}
	last, _ := f.d.o.Log.Last()
	if from.Position > last {
		return false
	}
	f.view.seen = last
	f.view.history = f.history.copy()
	away := slices.Clone(f.state.Absent)
	f.stream = openStream(run, f.view, f.d.o.Log, f.d.o.Finder, from, func(t time.Time) bool { return absent(away, t) })
	if f.batch == nil {
		f.batch = newBatch(f, f.layout, from)
	}
	return true
}

// copy returns a history that does not change.
func (h *history) copy() *history {
	return &history{Stretches: slices.Clone(h.Stretches), Prior: slices.Clone(h.Prior), PriorTo: h.PriorTo}
}

// unload moves the parcels of an entry into the batch; false if the batch is
// full before the entry is at its end.
func (f *feed) unload(ctx context.Context, l *leaf) (bool, error) {
	b, s := f.batch, f.stream
	if b == nil {
		b = newBatch(f, f.layout, f.state.Cursor)
		f.batch = b
	}
	if s.at == 0 && f.layout.byExamination() {
		for i := range l.parcels { // such an entry goes whole
			if b.clashes(&l.parcels[i]) {
				return false, nil
			}
		}
	}
	for s.at < len(l.parcels) {
		p := &l.parcels[s.at]
		if !f.layout.byExamination() && (b.full() || b.clashes(p)) {
			return false, nil
		}
		if err := b.add(ctx, p); err != nil {
			return false, err
		}
		s.at++
		b.last = p.place
		b.next = after(p.place, l.events)
	}
	if err := b.flush(); err != nil { // rows that wait hold their whole entry in memory
		return false, err
	}
	if l.events > 0 {
		b.last = events.Place{Position: l.at, Index: l.events - 1}
	} else {
		b.last = events.Place{Position: l.at}
	}
	b.next = events.Place{Position: l.at + 1}
	if l.roster && f.cfg.KnownAnimals {
		f.roster = true
		clear(f.known)
	}
	s.next()
	return true, nil
}

// after returns the place behind p in an entry of n events.
func after(p events.Place, n int) events.Place {
	if p.Index+1 < n {
		return events.Place{Position: p.Position, Index: p.Index + 1}
	}
	return events.Place{Position: p.Position + 1}
}

// skip goes over entries that were recorded without a grant in force. They are
// sent only if somebody asks for them.
func (f *feed) skip(ctx context.Context) error {
	from := f.state.Cursor
	if f.batch != nil && from.Before(f.batch.next) {
		from = f.batch.next
	}
	to := from
	for {
		l, err := f.stream.peek()
		if err != nil {
			f.reset()
			return err
		}
		if l == nil || !l.gap {
			break
		}
		to = events.Place{Position: l.at + 1}
		f.stream.next()
	}
	f.reset()
	if err := f.begin(ctx, stretch{From: from, Rule: f.view.rule, Skip: true}); err != nil {
		return err
	}
	if err := f.begin(ctx, stretch{From: to, Rule: f.view.rule}); err != nil {
		return err
	}
	f.log.Warn("feed goes over entries recorded without a grant",
		"from", from.Position, "to", to.Position-1, "hint", "dewclaw feed resume --gap "+f.cfg.ID)
	f.state.Cursor = to
	return f.save(ctx)
}

// plan stores what is about to be sent, the beat "plan".
func (f *feed) plan(ctx context.Context, b *batch) error {
	if err := b.flush(); err != nil {
		return err
	}
	p := &plan{
		Kind: planRange, From: b.from, To: b.next, Last: b.last, Seen: uint64(f.view.seen), Rule: f.view.rule, Layout: f.layout.id,
		Owners: b.owners.list(), Rows: b.rows, Deletes: b.deletes, Only: b.only, One: b.one(),
	}
	p.Name = FileName{Feed: f.cfg.ID, Generation: f.state.Generation, From: p.From, Last: p.Last, Redo: f.state.Redo}.String()
	f.batch = nil
	return f.commit(ctx, p, b)
}

// commit stores the plan and keeps the batch it stands for.
func (f *feed) commit(ctx context.Context, p *plan, b *batch) error {
	s, err := b.ship(p)
	if err != nil {
		return err
	}
	if err := f.storeMapping(ctx); err != nil {
		return err
	}
	f.d.o.Beat(BeatPlan)
	next := f.state
	next.Plan = p
	if err := f.store.save(ctx, f.store.key("state"), &next); err != nil {
		f.reset()
		return err
	}
	f.state, f.ready, f.again = next, s, false
	return nil
}

// flush brings every row that waits into its output, so that it is certain what
// goes and what stays behind.
func (b *batch) flush() error {
	for _, o := range []*output{b.main, b.drops} {
		if err := o.flush(); err != nil {
			return err
		}
	}
	return b.err
}

// storeMapping keeps the text of the mapping, so that a planned batch can be
// made again after the file has changed, and lets go of older ones.
func (f *feed) storeMapping(ctx context.Context) error {
	if f.layout.mapping == nil {
		return nil
	}
	key := f.store.mappingKey(f.layout.id.Mapping)
	if _, err := f.d.o.Bucket.Get(ctx, key); err == nil {
		return nil
	}
	old, err := f.store.own(ctx, "mapping")
	if err != nil {
		return err
	}
	if err := f.d.o.Bucket.Put(ctx, key, f.layout.source); err != nil {
		return fmt.Errorf("keep mapping: %w", err)
	}
	for _, k := range old {
		if err := f.store.remove(ctx, k); err != nil {
			return err
		}
	}
	return nil
}

// passed clears what held up to a place the cursor has passed.
func (f *feed) passed() {
	s := &f.state
	s.Redo = 0
	if !s.Cursor.Before(s.Doubt) {
		s.Doubt = events.Place{}
	}
	if c := s.Cut; c.Rows > 0 && !s.Cursor.Before(c.To) {
		s.Cut = cut{}
	}
	if r := s.Refused; r != nil && r.Place.Before(s.Cursor) {
		s.Refused = nil
	}
}
