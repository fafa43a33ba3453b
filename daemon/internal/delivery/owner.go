package delivery

import (
	"cmp"
	"context"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"slices"
	"time"

	"dewclaw/events"
)

// maxItems bounds what may stay behind of one animal: one value of the bucket
// must hold it.
const maxItems = 10_000

// An owner is an animal of which events stay behind: the value of a key
// "<feed>.animal.<hash>". Events without an animal are their own owner.
type owner struct {
	V       int                 `json:"v"`
	Key     string              `json:"key"` // hash: the end of the key
	Farm    string              `json:"farm"`
	Subject string              `json:"subject"`          // for people: scheme and identifier, or the entity
	Marks   []string            `json:"marks"`            // what it is known again by: farm, scheme, identifier
	IDs     []events.Identifier `json:"ids,omitempty"`    // of its first event
	Day     string              `json:"day,omitempty"`    // of its first event
	Parked  bool                `json:"parked,omitempty"` // refused; else it waits to be known
	Why     string              `json:"why"`              // the refusal in words, or what it waits for
	Since   time.Time           `json:"since"`            //
	Urgent  bool                `json:"urgent,omitempty"` // a medicine is among what stays behind
	Replay  bool                `json:"replay,omitempty"` // somebody asked to try again
	Items   []item              `json:"items,omitempty"`  // in the order of the log
}

// An item is one event that stays behind.
type item struct {
	Place  events.Place  `json:"p"`
	Entity events.Entity `json:"e"`
	Doubt  bool          `json:"d,omitempty"` // it may have arrived before it was refused
	Drop   bool          `json:"x,omitempty"` // it is a delete
}

// identify returns the owner of an event, without items.
func identify(f *fact) (*owner, error) {
	p, err := f.decoded()
	if err != nil {
		return nil, err
	}
	c := p.Base()
	o := &owner{V: stateVersion, Farm: f.Farm, Subject: f.Subject, IDs: c.Animal, Day: c.Occurred.Date}
	for _, list := range [][]events.Identifier{c.Animal, c.Derived.Animal} {
		for _, id := range list {
			o.mark(f.Farm + "|" + id.Scheme + ":" + events.Compact(id.Value))
		}
	}
	if f.Subject != "" {
		o.mark(f.Farm + "|" + f.Subject)
	}
	if len(o.Marks) == 0 {
		o.Subject = string(f.Entity)
	}
	slices.Sort(o.Marks)
	h := sha256.Sum256(fmt.Appendf(nil, "%s|%s", f.Farm, o.Subject))
	o.Key = hex.EncodeToString(h[:12])
	return o, nil
}

func (o *owner) mark(m string) {
	if !slices.Contains(o.Marks, m) {
		o.Marks = append(o.Marks, m)
	}
}

// add puts in items that are not there yet, in the order of the log.
func (o *owner) add(items ...item) {
	for _, it := range items {
		i, found := slices.BinarySearchFunc(o.Items, it.Place, func(x item, p events.Place) int { return comparePlaces(x.Place, p) })
		if !found {
			o.Items = slices.Insert(o.Items, i, it)
		}
	}
}

func comparePlaces(a, b events.Place) int {
	return cmp.Or(cmp.Compare(a.Position, b.Position), cmp.Compare(a.Index, b.Index))
}

// join takes in what is known of the same animal under another name.
func (o *owner) join(other *owner) {
	for _, m := range other.Marks {
		o.mark(m)
	}
	slices.Sort(o.Marks)
	if other.Parked && !o.Parked {
		o.Parked, o.Why = true, other.Why
	}
	if other.Since.Before(o.Since) {
		o.Since = other.Since
	}
	o.Urgent = o.Urgent || other.Urgent
	o.Replay = o.Replay || other.Replay
	o.add(other.Items...)
}

// An attic is everything of one feed that stays behind. It is kept in the
// bucket, one key an animal, and here whole: it is as large as what is wrong.
type attic struct {
	byKey    map[string]*owner
	byMark   map[string]*owner
	byEntity map[events.Entity][]*owner // several if revisions wait under several animals
}

func newAttic() *attic {
	return &attic{map[string]*owner{}, map[string]*owner{}, map[events.Entity][]*owner{}}
}

// loadAttic reads what stays behind of a feed.
func loadAttic(ctx context.Context, s *store) (*attic, error) {
	keys, err := s.own(ctx, "animal")
	if err != nil {
		return nil, err
	}
	a := newAttic()
	for _, k := range keys {
		o := new(owner)
		ok, err := s.load(ctx, k, o)
		if err != nil {
			return nil, err
		}
		if ok {
			a.put(o)
		}
	}
	return a, nil
}

func (a *attic) empty() bool { return len(a.byKey) == 0 }

func (a *attic) put(o *owner) {
	a.drop(o.Key)
	a.byKey[o.Key] = o
	for _, m := range o.Marks {
		a.byMark[m] = o
	}
	for _, it := range o.Items {
		if list := a.byEntity[it.Entity]; !slices.Contains(list, o) {
			a.byEntity[it.Entity] = append(list, o)
		}
	}
}

func (a *attic) drop(key string) {
	o := a.byKey[key]
	if o == nil {
		return
	}
	delete(a.byKey, key)
	for _, m := range o.Marks {
		if a.byMark[m] == o {
			delete(a.byMark, m)
		}
	}
	for _, it := range o.Items {
		list := slices.DeleteFunc(a.byEntity[it.Entity], func(x *owner) bool { return x == o })
		if a.byEntity[it.Entity] = list; len(list) == 0 {
			delete(a.byEntity, it.Entity)
		}
	}
}

// find returns the owners an event belongs to: those of its animal, and the one
// that already has a revision of it that was refused or is a delete. What waits
// under another animal until that is known is not waited for.
func (a *attic) find(o *owner, e events.Entity) []*owner {
	var out []*owner
	add := func(x *owner) {
		if x != nil && !slices.Contains(out, x) {
			out = append(out, x)
		}
	}
	for _, x := range a.byEntity[e] {
		if x.Parked || slices.ContainsFunc(x.Items, func(it item) bool { return it.Entity == e && it.Drop }) {
			add(x)
		}
	}
	add(a.byKey[o.Key])
	for _, m := range o.Marks {
		add(a.byMark[m])
	}
	return out
}

// take merges o into what already stays behind and returns the owner that has
// it now, and the keys of owners that are merged away.
func (a *attic) take(o *owner) (*owner, []string) {
	old := map[string]*owner{}
	for _, it := range o.Items {
		for _, x := range a.find(o, it.Entity) {
			old[x.Key] = x
		}
	}
	all := newAttic()
	for _, x := range old {
		all.put(x)
	}
	into := *o
	into.Marks, into.Items = slices.Clone(o.Marks), slices.Clone(o.Items)
	var gone []string
	for i, x := range all.list() {
		if i == 0 {
			into.Key, into.Farm, into.Subject, into.IDs, into.Day = x.Key, x.Farm, x.Subject, x.IDs, x.Day
			if x.Parked == into.Parked {
				into.Why = x.Why
			}
		} else {
			gone = append(gone, x.Key)
		}
		into.join(x)
		a.drop(x.Key)
	}
	a.put(&into)
	return &into, gone
}

// list returns the owners in the order in which they began to stay behind.
func (a *attic) list() []*owner {
	out := make([]*owner, 0, len(a.byKey))
	for _, o := range a.byKey {
		out = append(out, o)
	}
	slices.SortFunc(out, func(x, y *owner) int {
		return cmp.Or(comparePlaces(x.first(), y.first()), cmp.Compare(x.Key, y.Key))
	})
	return out
}

func (o *owner) first() events.Place {
	if len(o.Items) == 0 {
		return events.Place{}
	}
	return o.Items[0].Place
}

// errFull means that too much of one animal stays behind.
func errFull(feed string, o *owner) error {
	return &events.Fault{
		Kind: events.ErrUnavailable, Who: "feed " + feed, What: "animal " + o.Subject,
		Wanted: fmt.Sprintf("at most %d events that stay behind", maxItems), Got: "more",
		Hints: []string{"dewclaw feed show " + feed + "; then dewclaw feed replay " + feed},
	}
}

// isRefusal reports whether an error is about the event or batch itself, so
// that trying again changes nothing.
func isRefusal(err error) bool { return errors.Is(err, events.ErrInvalid) }
