package intake

import (
	"context"
	"fmt"
	"slices"

	"dewclaw/events"
)

// This file is how a barn whose data folder was lost goes on: its new log, which has
// an id of its own, begins with what the hub has of it, entry by entry at the same
// positions, so that its sources know again what they read and the next revision of
// an entity is the next. The hub takes none of that over twice.

// A kin is what the hub knows of the other logs of a barn, while one log is read.
type kin struct {
	log    string
	others events.Position            // how far the longest of the others goes
	places map[kinKey]events.Position // while entries come back: where the hub has them
}

type kinKey struct {
	log string
	at  events.Position
}

func (in *Intake) forgetKin(barn string) {
	in.mu.Lock()
	defer in.mu.Unlock()
	delete(in.kins, barn)
}

// kinOf returns what is known beside a log of a barn. Nothing of it changes while
// that log is read.
func (in *Intake) kinOf(ctx context.Context, barn, log string) (*kin, error) {
	in.mu.Lock()
	k := in.kins[barn]
	in.mu.Unlock()
	if k != nil && k.log == log {
		return k, nil
	}
	k = &kin{log: log}
	logs, err := in.Index.Barn(barn)
	if err != nil {
		return nil, err
	}
	for other, at := range logs {
		if other == log {
			continue
		}
		e, err := in.ofBarn(ctx, at, barn, other)
		if err != nil {
			return nil, err
		}
		k.others = max(k.others, e.Barn.At)
	}
	in.mu.Lock()
	defer in.mu.Unlock()
	if in.kins == nil {
		in.kins = map[string]*kin{}
	}
	in.kins[barn] = k
	return k, nil
}

// mayGoOn refuses an entry of a log that does not have everything back.
func (k *kin) mayGoOn(b *Barn, e *events.Entry) error {
	k.places = nil
	if e.At > k.others {
		return nil
	}
	return &events.Fault{
		Kind: events.ErrInvalid, Who: "barn " + b.ID, Where: fmt.Sprintf("position %d", e.At), What: "log",
		Wanted: fmt.Sprintf("one that begins with the %d entries the hub has of this barn", k.others), Got: e.Log + ", which goes on without them",
		Hints: []string{
			"two logs of one barn have written since one of them was lost or copied",
			"if its data folder was lost: start the barn with an empty one, while the hub can be reached and without new: true",
			"if it was exchanged: put it back; or give the barn another id here and there: barns.ID, and barn: ID",
		},
	}
}

// repeatReturned notes that a barn has an entry back, and proves that it is the one
// the hub gave.
func (in *Intake) repeatReturned(ctx context.Context, b *Barn, k *kin, e *events.Entry, hash string) (events.Position, error) {
	bad := func(wanted, got string) error {
		return &events.Fault{
			Kind: events.ErrInvalid, Who: "barn " + b.ID, Where: fmt.Sprintf("position %d", e.At), What: "entry that the hub gave back", Wanted: wanted, Got: got,
			Hints: []string{"start the barn with an empty data folder, while the hub can be reached"},
		}
	}
	r := e.Returned
	if r.At != e.At {
		return 0, bad(fmt.Sprintf("one at its position %d", r.At), fmt.Sprint(e.At))
	}
	if k.places == nil {
		places := map[kinKey]events.Position{}
		for x, err := range in.Log.Read(ctx, 1) {
			if err != nil {
				return 0, err
			}
			if x.Barn != nil && x.Barn.ID == b.ID && x.Barn.Same == 0 {
				places[kinKey{x.Barn.Log, x.Barn.At}] = x.At
			}
		}
		k.places = places
	}
	at := k.places[kinKey{r.Log, r.At}]
	if at == 0 {
		return 0, bad("one that the hub has", fmt.Sprintf("position %d of log %s", r.At, r.Log))
	}
	has, err := in.ofBarn(ctx, at, b.ID, r.Log)
	if err != nil {
		return 0, err
	}
	was, err := r.There(e).Append(nil)
	if err != nil {
		return 0, err
	}
	if got := events.EntryHash(was); got != r.Hash || got != has.Barn.Hash {
		return 0, bad("the bytes of the hash "+has.Barn.Hash, got)
	}
	own := events.Entry{
		Cause: events.CauseReturned, Barn: &events.Barn{ID: b.ID, Log: e.Log, At: e.At, Hash: hash, Same: at}, Returned: r,
	}
	return in.commit(ctx, &own, nil, in.turn(barnKey(b.ID)))
}

// A Back is a part of what the hub has of a barn.
type Back struct {
	Of      events.Position // how many entries it has in all; 0 if it never heard of the barn
	Entries [][]byte        // as the barn wrote them, in order
}

// backBytes is how much of it goes together, but for the last entry.
const backBytes = 1 << 20

// A giving is where the hub has what it gives back, in the order of the barn.
type giving struct {
	at    []events.Position          // ascending, since later logs of a barn stand later
	prevs map[events.Position]string // of entries behind one that the barn had back itself
}

// GiveBack returns, at a hub, the entries of a barn behind a position as the barn
// wrote them: those of the longest of its logs. Errors are those of the log and the
// index, and of kind corrupt if an entry cannot be made again.
func (in *Intake) GiveBack(ctx context.Context, barn string, after events.Position) (Back, error) {
	in.mu.Lock()
	g := in.givings[barn]
	delete(in.givings, barn)
	in.mu.Unlock()
	if after == 0 || g == nil {
		var err error
		if g, err = in.giving(ctx, barn); err != nil {
			return Back{}, err
		}
	}
	out, size := Back{Of: events.Position(len(g.at))}, 0
	for at := after + 1; at <= out.Of && size < backBytes; at++ {
		b, err := in.asWritten(ctx, g, at)
		if err != nil {
			return Back{}, err
		}
		out.Entries = append(out.Entries, b)
		size += len(b)
	}
	if after+events.Position(len(out.Entries)) < out.Of {
		in.mu.Lock()
		defer in.mu.Unlock()
		if in.givings == nil {
			in.givings = map[string]*giving{}
		}
		in.givings[barn] = g
	}
	return out, nil
}

// giving looks through the log for the longest log of a barn.
func (in *Intake) giving(ctx context.Context, barn string) (*giving, error) {
	g := &giving{prevs: map[events.Position]string{}}
	if err := in.CatchUp(ctx); err != nil {
		return nil, err
	}
	logs, err := in.Index.Barn(barn)
	if err != nil || len(logs) == 0 {
		return g, err
	}
	longest, most := "", events.Position(0)
	for log, at := range logs {
		e, err := in.ofBarn(ctx, at, barn, log)
		if err != nil {
			return nil, err
		}
		if e.Barn.At > most || e.Barn.At == most && log < longest {
			longest, most = log, e.Barn.At
		}
	}
	before := map[string]*events.Barn{} // newest entry of each log
	for e, err := range in.Log.Read(ctx, 1) {
		if err != nil {
			return nil, err
		}
		if e.Barn == nil || e.Barn.ID != barn {
			continue
		}
		if p := before[e.Barn.Log]; e.Barn.Same == 0 && p != nil && p.Same > 0 {
			g.prevs[e.At] = p.Hash
		}
		before[e.Barn.Log] = e.Barn
		if e.Barn.Log != longest {
			continue
		}
		at := e.At
		if e.Barn.Same > 0 {
			at = e.Barn.Same
		}
		g.at = append(g.at, at)
	}
	if len(g.at) != int(most) || !slices.IsSorted(g.at) {
		return nil, fmt.Errorf("entries of log %s of barn %s: wanted %d in order, got %d: %w", longest, barn, most, len(g.at), events.ErrCorrupt)
	}
	return g, nil
}

// asWritten makes the bytes of the barn's entry at a position again.
func (in *Intake) asWritten(ctx context.Context, g *giving, at events.Position) ([]byte, error) {
	e, err := in.Log.Get(ctx, g.at[at-1])
	if err != nil {
		return nil, err
	}
	if e.Barn == nil || e.Barn.At != at {
		return nil, fmt.Errorf("log position %d is not position %d of a barn: %w", g.at[at-1], at, events.ErrCorrupt)
	}
	own := *e
	own.Barn, own.Log, own.At, own.Prev = nil, e.Barn.Log, at, g.prevs[e.At]
	switch {
	case own.Prev != "":
	case at == 1:
		own.Prev = events.NoEntry
	default:
		before, err := in.Log.Get(ctx, g.at[at-2])
		if err != nil {
			return nil, err
		}
		own.Prev = before.Barn.Hash
	}
	own.Events = make([][]byte, len(e.Events))
	for i := range e.Events {
		own.Events[i], err = e.MoveBefore(i, func(ev *events.Event) (events.Position, error) {
			n, ok := slices.BinarySearch(g.at, ev.Before.Position)
			if !ok {
				return 0, fmt.Errorf("log position %d: the revision before %s is not of that barn: %w", e.At, ev.ID(), events.ErrCorrupt)
			}
			return events.Position(n + 1), nil
		})
		if err != nil {
			return nil, err
		}
	}
	b, err := own.Append(nil)
	if err == nil && events.EntryHash(b) != e.Barn.Hash {
		err = fmt.Errorf("log position %d: it no longer gives the bytes that barn %s wrote: %w", e.At, e.Barn.ID, events.ErrCorrupt)
	}
	return b, err
}

// TakeBack appends, at a barn, an entry that the hub gave back: body as the barn wrote
// it once, one of so many. It must be the one behind the end of the log.
//
// Errors are of kind invalid for an entry that cannot stand there, and those of the
// log and the index.
func (in *Intake) TakeBack(ctx context.Context, body []byte, of events.Position) (events.Position, error) {
	e, err := events.ParseEntry(slices.Clone(body))
	if err != nil {
		return 0, fmt.Errorf("entry that the hub gives back: %w: %w", err, events.ErrInvalid)
	}
	if last, _ := in.Log.Last(); e.At != last+1 || of < e.At {
		return 0, &events.Fault{
			Kind: events.ErrInvalid, Who: "hub", What: "entry that it gives back", Wanted: fmt.Sprintf("position %d of %d", last+1, of), Got: fmt.Sprint(e.At),
			Hints: []string{"something was written to the log meanwhile: stop the daemon, put the data folder aside, and start again"},
		}
	}
	e.Returned = &events.Returned{Log: e.Log, At: e.At, Prev: e.Prev, Hash: events.EntryHash(body), Of: of}
	return in.commit(ctx, e, nil, nil)
}

// wasReturned reports whether the hub gave an entry back.
func (in *Intake) wasReturned(ctx context.Context, at events.Position) bool {
	e, err := in.Log.Get(ctx, at)
	return err == nil && e.Returned != nil
}

// returned holds an entry that the hub gave back to what it was before.
func (v *verifier) returned(e *events.Entry) error {
	b, err := e.Returned.There(e).Append(nil)
	if err != nil {
		return err
	}
	if got := events.EntryHash(b); got != e.Returned.Hash {
		v.differ(e, 0, "entry that the hub gave back", "bytes of the hash "+e.Returned.Hash, got)
	}
	v.report.Returned++
	return nil
}
