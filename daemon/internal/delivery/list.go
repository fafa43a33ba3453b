package delivery

import (
	"context"
	"slices"

	"dewclaw/events"
)

// releases looks for what no longer has to stay behind: animals that a roster
// knows now, and parked events that somebody wants tried again. What it finds
// becomes a batch of its own at the place where the feed stands, and is planned.
func (f *feed) releases(ctx context.Context, once bool) (bool, error) {
	if f.attic.empty() {
		f.roster = false
		return false, nil
	}
	var late, replay []*owner
	look := f.roster || f.lookDue()
	if look {
		if err := f.awaitHerd(ctx, f.state.Cursor.Position-1); err != nil {
			return false, err
		}
		f.looked, f.roster = f.now(), false
	}
	if err := f.tidy(ctx); err != nil {
		return false, err
	}
	for _, o := range f.attic.list() {
		switch {
		case o.Replay:
			replay = append(replay, o)
		case !o.Parked && look:
			ok, err := f.isKnown(ctx, o.Farm, o.IDs, o.Day)
			if err != nil {
				f.roster = true
				return false, err
			}
			if ok {
				late = append(late, o)
			}
		}
	}
	kind, owners := planLate, late
	if len(late) == 0 {
		kind, owners = planReplay, replay
	} else if len(replay) > 0 || len(late) > maxOwners {
		f.roster = true
	}
	if len(owners) == 0 {
		return false, nil
	}
	if f.batch != nil { // what was collected and not planned comes after
		f.reset()
	}
	return true, f.planList(ctx, kind, owners)
}

// lookDue reports whether it is time to look for known animals although no
// roster statement went by: only where nothing comes before them any more.
func (f *feed) lookDue() bool {
	last, _ := f.d.o.Log.Last()
	return f.cfg.KnownAnimals && f.state.Cursor.Position > last && !f.attic.empty() && f.now().Sub(f.looked) >= lookAgain
}

// A lister makes a batch of what stayed behind, animal by animal in the order
// of the log. The first refusal of an animal keeps the rest of it behind.
type lister struct {
	releases []*release
	byKey    map[string]*release
	at       map[*parcel]*release
	behind   map[*release]events.Place // refused item
	items    map[*parcel]listed
}

func newLister() *lister {
	return &lister{byKey: map[string]*release{}, at: map[*parcel]*release{}, behind: map[*release]events.Place{}, items: map[*parcel]listed{}}
}

func (l *lister) release(key string) *release {
	r := l.byKey[key]
	if r == nil {
		r = &release{Key: key}
		l.byKey[key], l.releases = r, append(l.releases, r)
	}
	return r
}

func (l *lister) stopped(p *parcel) bool {
	r := l.at[p]
	at, ok := l.behind[r]
	return ok && !p.place.Before(at)
}

func (l *lister) stop(p *parcel, err error) {
	r := l.at[p]
	if at, ok := l.behind[r]; !ok || p.place.Before(at) {
		l.behind[r], r.Why = p.place, oneLine(err.Error())
	}
}

func (l *lister) sent(p *parcel) {
	if x, ok := l.items[p]; ok {
		r := l.at[p]
		r.Sent = append(r.Sent, x)
	}
}

// planList makes and plans the batch of a list.
func (f *feed) planList(ctx context.Context, kind planKind, owners []*owner) error {
	f.d.o.Beat(BeatRead)
	last, _ := f.d.o.Log.Last()
	v := f.view
	v.seen, v.history = last, f.history.copy()
	r := newRenderer(v, f.d.o.Log, f.d.o.Finder)
	b := newBatch(f, f.layout, f.state.Cursor)
	b.list, b.goes = newLister(), map[events.Place]bool{}
	through, newest := map[*release]events.Place{}, map[events.Entity]events.Place{}
	for _, o := range owners {
		if b.full() || len(b.list.releases) >= maxOwners {
			f.roster = f.roster || kind == planLate
			break
		}
		rel := b.list.release(o.Key)
		for _, x := range chosen(o, kind) {
			if _, refused := b.list.behind[rel]; refused || b.full() {
				f.roster = f.roster || !refused && kind == planLate
				break
			}
			if err := x.settle(ctx, &r.lookup); err != nil {
				return err
			}
			p, ok, err := r.again(ctx, x.listed)
			if err != nil {
				return err
			}
			if !ok {
				through[rel] = x.Place
				continue
			}
			if b.clashes(p) {
				f.roster = f.roster || kind == planLate
				break
			}
			through[rel] = x.Place
			if x.Place.Before(newest[p.entity]) { // a later revision goes with another animal
				continue
			}
			b.goes[x.Place], newest[p.entity] = true, x.Place
			if !p.settle(b.behind) {
				continue
			}
			b.list.at[p], b.list.items[p] = rel, x.listed
			for _, q := range p.old {
				b.list.at[q] = rel
			}
			if b.spoil(p); p.err != nil {
				b.list.stop(p, p.err)
				continue
			}
			if err := b.put(p); err != nil {
				return err
			}
		}
	}
	if err := b.flush(); err != nil {
		return err
	}
	p := &plan{
		Kind: kind, From: f.state.Cursor, To: f.state.Cursor, Last: f.state.Cursor, Seen: uint64(last), Rule: v.rule,
		Layout: f.layout.id, Rows: b.rows, Deletes: b.deletes, Only: b.only, One: b.one(),
	}
	for _, rel := range b.list.releases {
		rel.Through = through[rel]
		if at, ok := b.list.behind[rel]; ok {
			rel.Through = before(f.attic.byKey[rel.Key], at)
		}
		p.Releases = append(p.Releases, *rel)
	}
	p.Name = FileName{
		Feed: f.cfg.ID, Generation: f.state.Generation, Kind: string(kind), Number: f.state.Lists + 1, From: p.From, Redo: f.state.Redo,
	}.String()
	return f.commit(ctx, p, b)
}

// A choice is an item of a list that is sent, and the items it stands for.
type choice struct {
	listed
	first *item   // stands for the revisions from here on; nil for its own only
	doubt []*item // those of them that may have arrived, in order
}

// chosen returns the items of o that are sent. A replay sends only the newest
// revision of each entity: the refused one may be what was corrected since.
func chosen(o *owner, kind planKind) []choice {
	var out []choice
	for i := range o.Items {
		it := &o.Items[i]
		c := choice{listed: listed{Place: it.Place}}
		if kind == planReplay {
			if slices.ContainsFunc(o.Items[i+1:], func(x item) bool { return x.Entity == it.Entity }) {
				continue
			}
			for j := range o.Items[:i] {
				if x := &o.Items[j]; x.Entity == it.Entity {
					if c.first == nil {
						c.first = x
					}
					if x.Doubt {
						c.doubt = append(c.doubt, x)
					}
				}
			}
		}
		out = append(out, c)
	}
	return out
}

// settle decides which revision the choice is judged against.
func (c *choice) settle(ctx context.Context, l *lookup) error {
	if c.first == nil {
		return nil
	}
	f, err := l.event(ctx, c.first.Place)
	if err != nil {
		return err
	}
	if c.Before = f.Before; c.Before == nil {
		c.Before = &events.Place{}
	}
	for _, it := range c.doubt {
		c.Also = append(c.Also, *c.Before)
		c.Before = &it.Place
	}
	return nil
}

// before returns the last item of o before the place; zero if there is none.
func before(o *owner, at events.Place) events.Place {
	var p events.Place
	if o != nil {
		for _, it := range o.Items {
			if it.Place.Before(at) {
				p = it.Place
			}
		}
	}
	return p
}

// keeps reports whether an item stays behind. Of an event whose newest revision was
// refused, the revisions before it stay too: a replay has sent none of them.
func (r *release) keeps(o *owner, it item, kind planKind) bool {
	return r.Through.Before(it.Place) || kind == planReplay && slices.ContainsFunc(o.Items, func(x item) bool {
		return x.Entity == it.Entity && r.Through.Before(x.Place)
	})
}

// release takes what was sent out of its turn out of what stays behind.
func (f *feed) release(ctx context.Context, r *release, kind planKind) error {
	o := f.attic.byKey[r.Key]
	if o == nil {
		return nil
	}
	n := *o
	n.Items = nil
	for _, it := range o.Items {
		if r.keeps(o, it, kind) {
			n.Items = append(n.Items, it)
		}
	}
	if r.Why != "" {
		n.Parked, n.Why, n.Replay = true, r.Why, false
	}
	for _, it := range o.Items {
		if len(f.attic.byEntity[it.Entity]) > 1 { // another revision of it waits under another animal
			f.outrun[it.Entity] = true
		}
	}
	return f.keep(ctx, r.Key, &n)
}
