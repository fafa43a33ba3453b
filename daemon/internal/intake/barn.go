package intake

import (
	"context"
	"fmt"
	"maps"
	"slices"
	"strings"

	"dewclaw/events"
)

// A Barn is whose entries a hub takes over.
type Barn struct {
	ID     string
	Farms  []string // it may send entries of these, and of no other
	Others []string // barns and sources beside which no farm may have a source of one id twice: see [Intake.Repeat]
}

// OwnFacts returns an error of kind invalid for a source of a barn: what a person
// decides about its facts is decided there, else two logs would give out one
// revision twice.
func OwnFacts(source string) error {
	barn := events.OfBarn(source)
	if barn == "" {
		return nil
	}
	return &events.Fault{
		Kind: events.ErrInvalid, What: "decision", Wanted: "one about what this daemon read itself", Got: "one about source " + source,
		Hints: []string{"decide it at barn " + barn + ": from there it comes here like everything else"},
	}
}

// After returns the newest entry of a barn's log that the hub has: its position
// there and its hash, or 0 and "" for none. This is the cursor of the way from a
// barn: it stands in the entries themselves.
func (in *Intake) After(ctx context.Context, barn, log string) (events.Position, string, error) {
	if err := in.catchUp(ctx, in.turn(barnKey(barn))); err != nil {
		return 0, "", err
	}
	in.forgetKin(barn)
	logs, err := in.Index.Barn(barn)
	if err != nil || logs[log] == 0 {
		return 0, "", err
	}
	e, err := in.ofBarn(ctx, logs[log], barn, log)
	if err != nil {
		return 0, "", err
	}
	return e.Barn.At, e.Barn.Hash, nil
}

// ofBarn returns the entry of the hub at a position, which must repeat one of a
// barn's log.
func (in *Intake) ofBarn(ctx context.Context, at events.Position, barn, log string) (*events.Entry, error) {
	e, err := in.Log.Get(ctx, at)
	if err != nil {
		return nil, err
	}
	if e.Barn == nil || e.Barn.ID != barn || e.Barn.Log != log {
		return nil, fmt.Errorf("log position %d is no entry of log %s of barn %s: %w", at, log, barn, events.ErrCorrupt)
	}
	return e, nil
}

// Repeat appends what entry e of a barn's log says as an entry of the hub: one for
// one, with its events, revisions, held records, counts and time. hash is the
// SHA-256 of its bytes. It must be the one behind what [Intake.After] returns; the
// caller has checked the chain. When it returns without an error the entry is on
// the disk, and the barn may be told: the beats append and known.
//
// Of an entry that the hub gave back to the barn the hub notes only that the barn has
// it: its own entry of before stands for it.
//
// Errors are of kind invalid for an entry that is not taken over, however often
// it is tried: of a log that goes on without what the hub has of the barn, of a farm that is not the barn's, of another version, or with a
// source that the same farm has at another barn or at the hub, so that the
// entities of both would be one. They are of kind corrupt if it revises what the
// hub does not have, and those of the log and the index.
func (in *Intake) Repeat(ctx context.Context, b *Barn, e *events.Entry, hash string) (events.Position, error) {
	if err := in.mayRepeat(b, e, hash); err != nil {
		return 0, err
	}
	k, err := in.kinOf(ctx, b.ID, e.Log)
	if err != nil {
		return 0, err
	}
	if e.Returned != nil {
		return in.repeatReturned(ctx, b, k, e, hash)
	}
	if err := k.mayGoOn(b, e); err != nil {
		return 0, err
	}
	own := *e
	own.Barn = &events.Barn{ID: b.ID, Log: e.Log, At: e.At, Hash: hash}
	own.Events = make([][]byte, len(e.Events))
	for i := range e.Events {
		var err error
		if own.Events[i], err = e.MoveBefore(i, func(ev *events.Event) (events.Position, error) { return in.hasBefore(&own, ev) }); err != nil {
			return 0, err
		}
	}
	return in.commit(ctx, &own, nil, in.turn(barnKey(b.ID)))
}

// hasBefore returns where the hub has the revision before an event.
func (in *Intake) hasBefore(own *events.Entry, ev *events.Event) (events.Position, error) {
	rec, slot, err := ev.Entity.Split()
	if err != nil {
		return 0, err
	}
	found, err := in.Index.Lookup(own.SourceKey(), []events.RecordID{rec}, nil)
	if err != nil {
		return 0, err
	}
	s := found[0].Slot(slot)
	if s == nil || s.Revision != ev.Revision-1 || s.Place.Index != ev.Before.Index {
		return 0, &events.Fault{
			Kind: events.ErrCorrupt, Who: "barn " + own.Barn.ID, Where: fmt.Sprintf("position %d", own.Barn.At),
			What: "event " + ev.ID(), Wanted: "the revision before it in the log of the hub", Got: "none, or another",
		}
	}
	return s.Place.Position, nil
}

// mayRepeat refuses what a hub must not take over.
func (in *Intake) mayRepeat(b *Barn, e *events.Entry, hash string) error {
	bad := func(what, wanted, got string, hints ...string) error {
		return &events.Fault{
			Kind: events.ErrInvalid, Who: "barn " + b.ID, Where: fmt.Sprintf("position %d", e.At), What: what, Wanted: wanted, Got: got, Hints: hints,
		}
	}
	if e.Barn != nil {
		return bad("entry", "one that the barn made", "one of barn "+e.Barn.ID+", which it took over itself", "connect that barn to this hub")
	}
	bytes, err := e.Append(nil)
	if err != nil {
		return err
	}
	if e.V != events.EntryVersion || events.EntryHash(bytes) != hash {
		return bad("entry", "one that can be repeated byte for byte", "one with something else in it", "hub and barn are of different versions: update the older one")
	}
	farms, err := farmsOf(e)
	if err != nil {
		return err
	}
	for _, farm := range farms {
		if !slices.Contains(b.Farms, farm) {
			return bad("farm", "one of "+strings.Join(b.Farms, ", "), fmt.Sprintf("%q", farm), "if the barn may send what is of this farm: add it to hub.barns."+b.ID+".farms")
		}
	}
	for _, other := range b.Others {
		if e.Source != "" && in.Index.HasSource(other+e.Source) {
			return bad("source "+e.Source, "an id that no other source of its farms has", "that of "+other+e.Source,
				"facts of both would be taken for the same: set one of the barns up with another source id")
		}
	}
	return nil
}

// farmsOf returns the farms an entry is about, sorted. Of a source whose rows name
// the farm, a record that is held may be of any, and a decision about one of which
// the farm cannot be read names none.
func farmsOf(e *events.Entry) ([]string, error) {
	farms := map[string]bool{}
	for ev, err := range e.All() {
		if err != nil {
			return nil, err
		}
		if ev.Farm == "" && AboutHeld(ev.Kind, ev.Data) {
			continue
		}
		farms[ev.Farm] = true
	}
	for i := range e.Held {
		if farm := e.Held[i].Farm; farm != "" {
			farms[farm] = true
		}
	}
	if e.Defaults.Farm != "" {
		farms[e.Defaults.Farm] = true
	} else if len(e.Held) > 0 {
		for farm := range e.Zones {
			farms[farm] = true
		}
	}
	return slices.Sorted(maps.Keys(farms)), nil
}

// AboutHeld reports whether an event is what a person settled of a held record. Only
// of these a log has some without a farm: of records of which none can be read, and
// of all of a source that tells of several farms, in logs of before held records
// named theirs.
func AboutHeld(kind events.Kind, data []byte) bool {
	if kind != events.KindDecision {
		return false
	}
	p, err := events.DecodePayload(kind, data)
	if err != nil {
		return false
	}
	d, ok := p.(*events.Decision)
	return ok && d.Held != "" && slices.Contains([]string{events.ActionFix, events.ActionRelease, events.ActionDrop}, d.Action)
}

// A barnCheck is how far the entries of one barn's log were checked.
type barnCheck struct {
	last mark
	at   map[events.Position]events.Position // of the barn, by that of the hub
}

type mark struct {
	at   events.Position
	hash string
}

// repeats makes the bytes of a barn's entry again from the one of the hub and
// holds them to its hash, and to the entry before it.
func (v *verifier) repeats(ctx context.Context, e *events.Entry) error {
	c := v.barns[e.Barn.Log]
	if c == nil {
		c = &barnCheck{last: mark{0, events.NoEntry}, at: map[events.Position]events.Position{}}
		v.barns[e.Barn.Log] = c
	}
	if e.Barn.At != c.last.at+1 {
		v.differ(e, 0, "position in the log of barn "+e.Barn.ID, fmt.Sprint(c.last.at+1), fmt.Sprint(e.Barn.At))
	}
	says, at := e, e.At
	if e.Barn.Same > 0 {
		var err error
		if at = e.Barn.Same; at >= e.At {
			v.differ(e, 0, "entry that says the same", "one before this", fmt.Sprint(at))
			return nil
		}
		if says, err = v.d.Log.Get(ctx, at); err != nil {
			return err
		}
	}
	own := *says
	own.Barn, own.Returned, own.Log, own.At, own.Prev = nil, e.Returned, e.Barn.Log, e.Barn.At, c.last.hash
	own.Events = make([][]byte, len(says.Events))
	for i := range says.Events {
		var err error
		if own.Events[i], err = says.MoveBefore(i, func(ev *events.Event) (events.Position, error) { return c.at[ev.Before.Position], nil }); err != nil {
			return err
		}
	}
	b, err := own.Append(nil)
	if err != nil {
		return err
	}
	if got := events.EntryHash(b); got != e.Barn.Hash {
		v.differ(e, 0, "entry of barn "+e.Barn.ID, "bytes of the hash "+e.Barn.Hash, got)
	}
	c.last, c.at[at] = mark{e.Barn.At, e.Barn.Hash}, e.Barn.At
	v.report.Repeated++
	v.report.Counts = v.report.Counts.Add(e.Counts)
	return nil
}
