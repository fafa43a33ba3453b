package delivery

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"time"

	"dewclaw/events"
)

// change lets do change the feed in its turn: what it does now is interrupted.
// It works whether the feed runs or not.
func (d *Desk) change(ctx context.Context, id string, do func(context.Context, *feed) error) error {
	f, err := d.feed(id)
	if err != nil {
		return err
	}
	if err := f.take(ctx, true); err != nil {
		return err
	}
	defer f.give()
	if err := f.load(ctx); err != nil {
		return err
	}
	if err := do(ctx, f); err != nil {
		return err
	}
	f.show()
	f.poke()
	return nil
}

// Pause keeps a feed from sending until it is resumed, over restarts too. What
// is on its way may still arrive.
func (d *Desk) Pause(ctx context.Context, id, why string) error {
	return d.change(ctx, id, func(ctx context.Context, f *feed) error {
		if p := f.state.Paused; p != nil && p.By == byPerson {
			return nil
		}
		if why == "" {
			why = "paused by a person"
		}
		f.reset()
		return f.write(ctx, func(s *state) {
			s.Paused = &pause{By: byPerson, Why: oneLine(why), Since: f.now()}
		})
	})
}

// write changes the stored state, or nothing.
func (f *feed) write(ctx context.Context, do func(*state)) error {
	next := f.state
	do(&next)
	if err := f.store.save(ctx, f.store.key("state"), &next); err != nil {
		return err
	}
	f.state = next
	return nil
}

// Resume lets a paused feed go on, and a feed that waits before its next
// attempt try at once. With gap, what was recorded while no grant was in force
// is sent too: if the feed has gone over it already, it is rewound to there
// under a new generation.
func (d *Desk) Resume(ctx context.Context, id string, gap bool) error {
	return d.change(ctx, id, func(ctx context.Context, f *feed) error {
		f.attempt, f.retry, f.failure = 0, time.Time{}, nil
		err := f.write(ctx, func(s *state) {
			if p := s.Paused; p != nil && p.By != byGrant { // a grant that is not there cannot be resumed
				s.Paused = nil
			}
			s.Refusals, s.Refused = 0, nil
			if gap {
				s.Absent = slices.Clone(s.Absent)
				for i := range s.Absent {
					s.Absent[i].Asked = true
				}
			}
		})
		if err != nil || !gap {
			return err
		}
		f.reset()
		for _, x := range f.history.Stretches {
			if x.Skip {
				return f.rewind(ctx, x.From)
			}
		}
		return nil
	})
}

// Rewind lets a feed begin again at the log position, under a new generation:
// new file names, everything from there on once more by the filter and mapping
// of today. What the generation before sent from there on and this one does not
// carry is told as deleted. The error is of kind invalid if the feed has not
// been at the position.
func (d *Desk) Rewind(ctx context.Context, id string, to events.Position) error {
	return d.change(ctx, id, func(ctx context.Context, f *feed) error {
		p := events.Place{Position: max(to, 1)}
		if f.state.Cursor.Before(p) {
			return &events.Fault{
				Kind: events.ErrInvalid, Who: "feed " + id, What: "position", Wanted: fmt.Sprintf("at most %d, where the feed stands", f.state.Cursor.Position),
				Got: fmt.Sprint(to),
			}
		}
		return f.rewind(ctx, p)
	})
}

// rewind goes back to p. Each step may be repeated: the generation is counted
// up last.
func (f *feed) rewind(ctx context.Context, p events.Place) error {
	f.reset()
	f.ready, f.again = nil, false
	if err := f.forget(ctx, p); err != nil {
		return err
	}
	h := f.history.copy()
	last := h.last()
	var r *rule
	if last != nil {
		r = last.Rule
	}
	h.rewind(p, f.state.Cursor, r)
	if r == nil {
		h.Stretches = nil
	}
	if err := f.store.save(ctx, f.store.key("history"), h); err != nil {
		return err
	}
	f.history = *h
	f.view = view{} // the rule is adopted anew
	return f.write(ctx, func(s *state) {
		s.Generation++
		s.Cursor, s.Plan, s.Redo, s.Lists = p, nil, 0, 0
		s.Cut, s.Refused, s.Refusals = cut{}, nil, 0
	})
}

// Replay tries again to send what was refused: of the animal that key or
// subject names (see [Behind]), of every animal if it is "". It returns of how
// many animals. The error is of kind not found if there is nothing parked.
func (d *Desk) Replay(ctx context.Context, id, animal string) (int, error) {
	n := 0
	err := d.change(ctx, id, func(ctx context.Context, f *feed) error {
		for _, o := range f.attic.list() {
			if !o.Parked || animal != "" && animal != o.Key && animal != o.Subject {
				continue
			}
			again := *o
			again.Replay = true
			if err := f.keep(ctx, o.Key, &again); err != nil {
				return err
			}
			n++
		}
		if n > 0 {
			return nil
		}
		got := "nothing is parked"
		if animal != "" {
			got = fmt.Sprintf("nothing of %q is parked", animal)
		}
		return &events.Fault{Kind: events.ErrNotFound, Who: "feed " + id, What: got, Hints: []string{"dewclaw feed show " + id}}
	})
	return n, err
}

// A Trial is what [Desk.Test] found.
type Trial struct {
	Feed    string   `json:"feed"`
	Lacks   string   `json:"lacks,omitempty"`   // grants that are not in force today
	Grant   string   `json:"grant,omitempty"`   // those that are
	Reach   string   `json:"reach,omitempty"`   // why the recipient cannot be reached; "" if it can
	Events  int      `json:"events"`            // events looked at, from the cursor on
	Rows    int      `json:"rows"`              // rows they would make
	Refused []string `json:"refused,omitempty"` // why events would be parked, at most ten
	Name    string   `json:"name,omitempty"`    // with extension, of the file they would make
	Sample  string   `json:"sample,omitempty"`  // its beginning
}

// Bounds of a trial.
const (
	trialEvents = 2_000
	trialRows   = 20
)

// Test tries a feed without sending or storing anything: are its grants in
// force, does its recipient answer, and what would the next events look like.
// If the feed has nothing to send, the newest events are taken instead.
func (d *Desk) Test(ctx context.Context, id string) (Trial, error) {
	t := Trial{Feed: id}
	f, err := d.feed(id)
	if err != nil {
		return t, err
	}
	if err := f.take(ctx, true); err != nil {
		return t, err
	}
	defer f.give()
	defer f.poke()
	if err := f.load(ctx); err != nil {
		return t, err
	}
	now := f.now()
	t.Lacks = f.lawyer.lack(now)
	r := f.lawyer.rule(now)
	t.Grant = grantWords(d.o.Config, f.cfg, r)
	if err := f.reach(ctx); err != nil {
		t.Reach = oneLine(err.Error())
	}
	v := view{rule: r, layout: f.layout, history: f.history.copy()}
	if r.pseudonyms() {
		if v.key, err = f.pseudonymKey(); err != nil {
			return t, err
		}
	}
	return t, f.sample(ctx, v, &t)
}

func (f *feed) reach(ctx context.Context) error {
	ctx, cancel := context.WithTimeout(ctx, f.d.o.SendTimeout)
	defer cancel()
	s, err := f.d.o.Sink(ctx, f.cfg)
	if err != nil {
		return err
	}
	defer s.Close()
	if p, ok := s.(interface{ Probe(context.Context) error }); ok { // an optional ability
		return p.Probe(ctx)
	}
	return nil
}

// sample makes the rows of the next events and keeps none of them.
func (f *feed) sample(ctx context.Context, v view, t *Trial) error {
	last, _ := f.d.o.Log.Last()
	from := f.state.Cursor
	if from.Position > last {
		from = events.Place{Position: max(1, min(last, from.Position-1))}
	}
	v.seen = last
	r := newRenderer(v, f.d.o.Log, f.d.o.Finder)
	b := newBatch(f, v.layout, from)
	b.must = map[events.Place]bool{}
	for e, err := range f.d.o.Log.Read(ctx, from.Position) {
		if err != nil {
			return err
		}
		l := r.entry(ctx, e, 0)
		if l.err != nil {
			return l.err
		}
		t.Events += l.events
		for i := range l.parcels {
			p := &l.parcels[i]
			if p.err != nil {
				if len(t.Refused) < 10 {
					t.Refused = append(t.Refused, p.err.Error())
				}
				continue
			}
			if t.Rows++; t.Rows <= trialRows {
				if err := b.put(p); err != nil {
					return err
				}
			}
		}
		if t.Events >= trialEvents {
			break
		}
	}
	s, err := b.ship(&plan{Kind: planRange, Name: f.cfg.ID + "-test", Rule: v.rule})
	if err != nil {
		if errors.Is(err, events.ErrInvalid) {
			t.Refused = append(t.Refused, err.Error())
			return nil
		}
		return err
	}
	if len(s.parts) > 0 {
		t.Name = s.parts[0].Name
		t.Sample = string(s.parts[0].Body[:min(len(s.parts[0].Body), 4096)])
		for i := range s.parts[0].Events {
			t.Sample += string(s.parts[0].Events[i].AppendCloudEvent(nil)) + "\n"
		}
	}
	return nil
}

// Sent tells what became of one event in each feed.
type Sent struct {
	Feed       string `json:"feed"`
	State      string `json:"state"` // sent, planned, waiting, parked, not yet, not carried or skipped
	Generation int    `json:"generation"`
	Why        string `json:"why,omitempty"`
}

// Sent tells for each feed what became of the event at p, by the rule that held
// there: what the recipient got of it, and not when.
func (d *Desk) Sent(ctx context.Context, p events.Place) ([]Sent, error) {
	l := lookup{log: d.o.Log}
	var out []Sent
	for _, f := range d.feeds {
		if err := f.take(ctx, false); err != nil {
			return nil, err
		}
		s, err := f.sent(ctx, &l, p)
		f.give()
		if err != nil {
			return nil, err
		}
		out = append(out, s)
	}
	return out, nil
}

func (f *feed) sent(ctx context.Context, l *lookup, p events.Place) (Sent, error) {
	s := Sent{Feed: f.cfg.ID}
	if err := f.load(ctx); err != nil {
		return s, err
	}
	s.Generation = f.state.Generation
	e, err := l.event(ctx, p)
	if err != nil {
		return s, err
	}
	at := f.history.at(p)
	settled := p.Before(f.state.Cursor)
	if !settled && (at == nil || at.Rule == nil) {
		at = &stretch{Rule: f.lawyer.rule(f.now())}
	}
	r := renderer{view: view{rule: f.lawyer.rule(f.now()), history: f.history.copy(), layout: f.layout}, lookup: *l}
	match := false
	if at != nil && at.Rule != nil {
		if _, match, err = at.Rule.match(e); err != nil {
			return s, err
		}
	}
	if !match {
		had, _, err := r.held(ctx, e.Before)
		if err != nil {
			return s, err
		}
		match = had != nil
	}
	o := f.attic.byEntity[e.Entity]
	switch {
	case !match || at == nil:
		s.State = "not carried"
	case o != nil && slices.ContainsFunc(o.Items, func(it item) bool { return it.Place == p }):
		s.State, s.Why = map[bool]string{true: "parked", false: "waiting"}[o.Parked], o.Why
	case settled && at.Skip:
		s.State = "skipped"
	case settled:
		s.State = "sent"
	case f.state.Plan != nil && p.Before(f.state.Plan.To):
		s.State = "planned"
	default:
		s.State = "not yet"
	}
	return s, nil
}
