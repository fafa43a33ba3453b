package delivery

import (
	"context"
	"errors"

	"dewclaw/events"
)

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
	v := view{rule: r, waits: f.cfg.KnownAnimals, layout: f.layout, history: f.history.copy()}
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
			if !p.settle(f.attic.has) {
				continue
			}
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
		p := s.parts[0]
		if b.main.rows > 0 && b.drops.rows > 0 {
			p = s.parts[1]
		}
		t.Name, t.Sample = p.Name, string(p.Body[:min(len(p.Body), 4096)])
		for i := range p.Events {
			t.Sample += string(p.Events[i].AppendCloudEvent(nil)) + "\n"
		}
	}
	return nil
}
