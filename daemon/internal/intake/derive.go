package intake

import (
	"context"
	"errors"
	"fmt"
	"iter"
	"time"

	"dewclaw/events"
)

// A derivation is a reading that is worked out again, a unit at a time: in step
// with the entries of the log, whatever stands between them.
type derivation struct {
	r     *reading
	next  func() (struct{}, bool)
	stop  func()
	err   error
	ended bool
	lost  bool // it is out of step: nothing more can be compared
	sum   events.Counts
}

// derive begins a derivation. Its work is done by next, which returns false at
// the end.
func derive(ctx context.Context, r *reading) *derivation {
	d := &derivation{r: r}
	d.next, d.stop = iter.Pull(func(yield func(struct{}) bool) {
		defer r.close()
		r.pace = stepper{yield, r}
		d.err = r.read(ctx)
	})
	return d
}

// A stepper is the pace of a derivation: it stops after each unit, and the
// verifier decides where entries close.
type stepper struct {
	yield func(struct{}) bool
	r     *reading
}

// errOutOfStep means that the log closed its entries elsewhere.
var errOutOfStep = errors.New("out of step with the log")

func (s stepper) room(context.Context, int) (bool, error) { return false, nil }
func (s stepper) settle(context.Context) error            { return nil }

func (s stepper) after(context.Context) error {
	if !s.yield(struct{}{}) {
		return errStopped
	}
	return nil
}

func (s stepper) flush(context.Context) error {
	if !s.r.b.empty() {
		return errOutOfStep
	}
	return nil
}

// original compares an entry of an original with what comes of it.
func (v *verifier) original(ctx context.Context, e *events.Entry) error {
	key := e.Source + "\x00" + e.Archive
	d := v.open[key]
	if e.From == nil {
		if d != nil {
			d.stop()
		}
		src, err := v.source(e)
		if err != nil {
			return err
		}
		if d, err = v.begin(ctx, e, src); err != nil {
			return err
		}
		v.open[key] = d
	}
	if d == nil {
		v.differ(e, 0, "original", "an entry that begins to read it", "one that goes on")
		return nil
	}
	if d.lost {
		return nil
	}
	if err := v.advance(e, d); err != nil || d.r.b == nil {
		return err
	}
	d.r.bodies = nil
	for _, b := range e.To.Bodies { // only the log has its key
		d.r.bodies = append(d.r.bodies, events.Body{SHA256: e.Archive, Key: b.Key})
	}
	derived := d.r.entry(d.ended)
	v.compare(e, derived)
	v.report.Counts = v.report.Counts.Add(derived.Counts)
	d.sum = d.sum.Add(derived.Counts)
	d.r.closed()
	if d.r.start == 0 {
		d.r.start = e.At
	}
	if d.r.memberFrom == 0 {
		d.r.memberFrom = e.At
	}
	if d.ended {
		v.counts[key] = d.sum
		delete(v.open, key)
	}
	return nil
}

// begin begins the derivation of the original of an entry.
func (v *verifier) begin(ctx context.Context, e *events.Entry, src *Source) (*derivation, error) {
	r := v.in.newReading(src, e.Archive, e.Name)
	var err error
	if r.job.Received, err = time.Parse(time.RFC3339, e.Received); err != nil {
		return nil, fmt.Errorf("received: %w: %w", err, events.ErrCorrupt)
	}
	r.deriving = true
	r.again = e.AsOf == e.Received
	r.message.Message, r.job.Message = e.Message, e.Message
	r.message.Stream, r.message.Sequence = e.To.Stream, e.To.Sequence
	return derive(ctx, r), nil
}

// advance derives on until what was derived is as much as the entry says; for
// the last entry of an original, to its end.
func (v *verifier) advance(e *events.Entry, d *derivation) error {
	for e.To.End || d.r.b == nil || !reached(e, d.r) {
		if _, ok := d.next(); !ok {
			d.ended = true
			break
		}
		if d.r.done > e.To.Records {
			break
		}
	}
	switch {
	case d.err != nil && !errors.Is(d.err, errOutOfStep):
		return d.err
	case d.err != nil || d.ended != e.To.End || d.r.done != e.To.Records:
		d.lost = true
		v.differ(e, d.r.doneAt, "records read", fmt.Sprintf("%d, end %v", d.r.done, d.ended), fmt.Sprintf("%d, end %v", e.To.Records, e.To.End))
	}
	return nil
}

// reached reports whether as much was derived as the entry says.
func reached(e *events.Entry, r *reading) bool {
	b := &r.b.entry
	return r.done >= e.To.Records && len(r.b.settled) >= len(e.To.Settled) && len(b.Events) >= len(e.Events) &&
		len(b.Waits) >= len(e.Waits) && len(b.Held) >= len(e.Held) && (e.Complete == nil || b.Complete != nil) &&
		b.Counts.Read >= e.Counts.Read && !r.b.empty()
}

// messages compares an entry of packed messages with what comes of them.
func (v *verifier) messages(ctx context.Context, e *events.Entry) error {
	src, err := v.source(e)
	if err != nil {
		return err
	}
	pack, err := v.d.Archive.OpenPack(e.Archive)
	if err != nil {
		v.differ(e, 0, "archive "+e.Archive, "a pack of messages", err.Error())
		return nil
	}
	defer func() { _ = pack.Close() }()
	b := newBuilder(false, v.in.Sizes.Records)
	var bodies []events.Body
	for i := range pack.Len() {
		m, err := pack.Message(i)
		if err != nil {
			return err
		}
		r := v.in.newReading(src, "", m.Name)
		r.message.Message, r.body, r.job.Message = m.ID, m.Body, m.ID
		r.job.Received = m.Received.UTC().Truncate(time.Millisecond)
		r.single, r.pace, r.deriving = map[events.RecordID]struct{}{}, still{}, true
		before := b.entry.Counts
		err = r.takeInto(ctx, b)
		r.close()
		if err != nil {
			return err
		}
		if len(e.To.Bodies) > 0 {
			bodies = append(bodies, events.Body{SHA256: digest(m.Body), Counts: minus(b.entry.Counts, before)})
		}
	}
	for i := range min(len(bodies), len(e.To.Bodies)) { // only the log has the keys
		bodies[i].Key = e.To.Bodies[i].Key
	}
	derived := b.close(nil, &events.Cursor{Stream: e.To.Stream, Sequence: e.To.Sequence, Ranges: e.To.Ranges, Bodies: bodies})
	derived.Archive, derived.Time = e.Archive, e.Time
	v.compare(e, derived)
	v.report.Counts = v.report.Counts.Add(derived.Counts)
	return nil
}
