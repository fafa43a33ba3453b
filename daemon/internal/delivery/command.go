package delivery

import (
	"context"
	"fmt"
	"slices"
	"strings"
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
	if err := f.mine(ctx); err != nil {
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
		f.changedElsewhere(err)
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
// subject names (see [Behind]), of every animal if it is "", and of one farm unless
// that is "". It returns of how many animals. Errors: of kind not found if there is
// nothing parked, of kind invalid if animals of several farms have that name.
func (d *Desk) Replay(ctx context.Context, id, animal, farm string) (int, error) {
	n := 0
	err := d.change(ctx, id, func(ctx context.Context, f *feed) error {
		var list []*owner
		var farms []string
		for _, o := range f.attic.list() {
			if !o.Parked || animal != "" && animal != o.Key && animal != o.Subject || farm != "" && farm != o.Farm {
				continue
			}
			if list = append(list, o); !slices.Contains(farms, o.Farm) {
				farms = append(farms, o.Farm)
			}
		}
		if animal != "" && len(farms) > 1 {
			slices.Sort(farms)
			return &events.Fault{
				Kind: events.ErrInvalid, Who: "feed " + id, What: animal, Wanted: "an animal of one farm", Got: "one each of farms " + strings.Join(farms, ", "),
				Hints: []string{fmt.Sprintf("say which: dewclaw feed replay %s %s --farm %s", id, animal, farms[0])},
			}
		}
		for _, o := range list {
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
		if farm != "" {
			got += " of farm " + farm
		}
		return &events.Fault{Kind: events.ErrNotFound, Who: "feed " + id, What: got, Hints: []string{"dewclaw feed show " + id}}
	})
	return n, err
}
