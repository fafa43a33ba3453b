package delivery

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"time"

	"dewclaw/adapters"
	"dewclaw/events"
)

// ErrPaused is the kind of the error of [Desk.Fetch] while the feed may not give
// anything: no grant is in force, or a person paused it.
var ErrPaused = errors.New("the feed is paused")

// Bounds of one page, and how often it is stored how far a recipient came.
const (
	maxPageBytes = 4 << 20
	noteEvery    = 5 * time.Second
)

// A fetched says how far the recipient of a feed that is fetched has come: the
// value of the key "<feed>.fetched".
type fetched struct {
	V     int          `json:"v"`
	Place events.Place `json:"place"` // it has asked for what comes from here on
	At    time.Time    `json:"at"`
}

// Fetch returns what the feed carries of the log from a place on, at most so many
// events: for a recipient that keeps its cursor itself. Asked again it gives the
// same events under the same ids, as long as rule and grants are the same; what it
// gives is judged by the rule and the grants of now, in the order of the log, and
// deletes are told as to every other recipient. Nothing from before the feed began
// is given. Deletes that stand before an event because it has another animal now
// are not counted, and come again with it until the event is had.
//
// Errors: of kind [ErrPaused]; of kind invalid if the place is behind the end of
// the log; of kind not found if there is no such feed.
func (d *Desk) Fetch(ctx context.Context, id string, from events.Place, most int) (adapters.Page, error) {
	f, err := d.feed(id)
	if err != nil {
		return adapters.Page{}, err
	}
	return f.fetch(ctx, from, most)
}

func (f *feed) fetch(ctx context.Context, from events.Place, most int) (adapters.Page, error) {
	v, away, err := f.mayFetch(ctx, from)
	if err != nil {
		return adapters.Page{}, err
	}
	end := events.Place{Position: v.seen + 1}
	if end.Before(from) {
		return adapters.Page{}, &events.Fault{
			Kind: events.ErrInvalid, Who: "feed " + f.cfg.ID, What: "after", Wanted: fmt.Sprintf("a place up to the end of the log, %d", v.seen),
			Got: fmt.Sprint(from.Position), Hints: []string{"begin anew, without after"},
		}
	}
	if len(v.history.Stretches) == 0 {
		return adapters.Page{Next: end, Seen: v.seen}, nil
	}
	if first := v.history.Stretches[0].From; from.Before(first) {
		from = first
	}
	p := adapters.Page{Next: from, Seen: v.seen}
	if from.Position > v.seen {
		return p, nil
	}
	s := openStream(ctx, v, f.d.o.Log, f.d.o.Finder, from, func(t time.Time) bool { return absent(away, t) })
	defer s.close()
	return p, fillPage(&p, s, most)
}

// mayFetch brings rule and grants up to date and returns what to judge by.
func (f *feed) mayFetch(ctx context.Context, from events.Place) (view, []absence, error) {
	if err := f.mine(ctx); err != nil {
		return view{}, nil, err
	}
	if err := f.take(ctx, false); err != nil {
		return view{}, nil, err
	}
	defer f.give()
	if err := f.load(ctx); err != nil {
		return view{}, nil, err
	}
	p := f.state.Paused
	if p == nil || p.By == byGrant {
		ok, err := f.allowed(ctx)
		if err != nil {
			return view{}, nil, err
		}
		if p = f.state.Paused; ok {
			p = nil
		}
	}
	if p != nil {
		return view{}, nil, &events.Fault{Kind: ErrPaused, Who: "feed " + f.cfg.ID, What: "it is paused: " + p.Why}
	}
	if err := f.noteFetched(ctx, from); err != nil {
		return view{}, nil, err
	}
	v := f.view
	v.seen, _ = f.d.o.Log.Last()
	v.history = f.history.copy()
	return v, slices.Clone(f.state.Absent), nil
}

// noteFetched notes how far the recipient has come, now and then on disk too: it
// is for people, and the recipient knows better.
func (f *feed) noteFetched(ctx context.Context, from events.Place) error {
	if !f.fetched.Place.Before(from) {
		return nil
	}
	old := f.fetched.At
	f.fetched = fetched{V: stateVersion, Place: from, At: f.now()}
	if f.fetched.At.Sub(old) < noteEvery {
		return nil
	}
	return f.store.save(ctx, f.store.key("fetched"), &f.fetched)
}

// fillPage takes events from the stream until the page is full or the log ends.
func fillPage(p *adapters.Page, s *stream, most int) error {
	size := 0
	for {
		l, err := s.peek()
		if err != nil {
			return err
		}
		if l == nil {
			p.Next = events.Place{Position: p.Seen + 1}
			return nil
		}
		if !l.gap {
			for ; s.at < len(l.parcels); s.at++ {
				q := &l.parcels[s.at]
				if len(p.Events) >= most || size >= maxPageBytes {
					return nil
				}
				if !q.settle(nil) {
					continue
				}
				for _, d := range q.old {
					p.Events, p.After = append(p.Events, *d.event), append(p.After, d.place)
					size += len(d.event.Data) + 640
					most++
				}
				p.Next = after(q.place, l.events)
				p.Events, p.After = append(p.Events, *q.event), append(p.After, p.Next)
				size += len(q.event.Data) + 640
			}
		}
		p.Next = events.Place{Position: l.at + 1}
		s.next()
	}
}
