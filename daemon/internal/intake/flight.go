package intake

import (
	"context"

	"dewclaw/events"
	"dewclaw/events/index"
)

// A flight is the pace of a reading that goes into the log: entries close when
// they are full, and one is appended and indexed while the next is collected.
type flight struct {
	in      *Intake
	r       *reading
	t       *turn
	receipt *Receipt
	done    chan error // of the entry in the air; nil if there is none
	entry   *events.Entry
}

// room closes the entry before something that it has no room for.
func (f *flight) room(ctx context.Context, size int) (bool, error) {
	if !f.r.b.full(size) {
		return false, nil
	}
	return true, f.closeEntry(ctx, false)
}

// flush closes the entry if there is anything in it, and waits for it.
func (f *flight) flush(ctx context.Context) error {
	if !f.r.b.empty() {
		if err := f.closeEntry(ctx, false); err != nil {
			return err
		}
	}
	return f.settle(ctx)
}

// after closes the entry when it has gone on for long enough, and gives way to a
// decision that wants its turn.
func (f *flight) after(ctx context.Context) error {
	if f.t.wanted.Load() > 0 {
		return f.giveWay(ctx)
	}
	b := f.r.b
	if b.records >= b.most || b.size >= events.MaxEntryBytes || b.read >= f.in.Sizes.Read {
		return f.closeEntry(ctx, false)
	}
	return nil
}

// giveWay lets a decision go first: everything is appended before, and what was
// looked up is looked up again afterwards.
func (f *flight) giveWay(ctx context.Context) error {
	if err := f.flush(ctx); err != nil {
		return err
	}
	f.t.release()
	f.t.take()
	f.r.moved = true
	return nil
}

// closeEntry sends the entry on its way and begins the next.
func (f *flight) closeEntry(ctx context.Context, end bool) error {
	if err := f.settle(ctx); err != nil {
		return err
	}
	e := f.r.entry(end)
	x := f.r.b.x
	f.receipt.Counts = f.receipt.Counts.Add(e.Counts)
	f.r.closed()
	f.entry, f.done = e, make(chan error, 1)
	go func(done chan<- error) { done <- f.send(ctx, e, &x) }(f.done)
	return nil
}

func (f *flight) send(ctx context.Context, e *events.Entry, x *index.Extra) error {
	_, err := f.in.commit(ctx, e, x, f.t)
	return err
}

// settle waits for the entry in the air.
func (f *flight) settle(context.Context) error {
	if f.done == nil {
		return nil
	}
	err := <-f.done
	f.done = nil
	if err != nil {
		return err
	}
	if f.r.start == 0 {
		f.r.start = f.entry.At
	}
	if f.r.memberFrom == 0 {
		f.r.memberFrom = f.entry.At
	}
	if f.receipt.First == 0 {
		f.receipt.First = f.entry.At
	}
	f.receipt.Last = f.entry.At
	f.receipt.Entries++
	f.entry = nil
	return nil
}
