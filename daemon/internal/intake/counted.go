package intake

import (
	"context"
	"errors"
	"fmt"
	"slices"

	"dewclaw/adapters"
	"dewclaw/events"
)

// ErrRecount says that another reader of a source counted on from where this one
// began: what the source hands over must be counted anew, from where the log ends
// now. It comes as the cause of an error of kind [events.ErrUnavailable].
var ErrRecount = errors.New("another daemon took messages under the same numbers")

// taken reports whether a message is in the log. Of one that its source counts by
// itself the log must have that very message under the number.
func (in *Intake) taken(ctx context.Context, src *Source, d *adapters.Delivery) (bool, error) {
	taken, err := in.Index.Taken(src.ID, d.Stream, d.Sequence)
	if err != nil || !taken || !d.Counted {
		return taken, err
	}
	at, known, err := in.Index.At(src.ID, d.Stream, d.Sequence)
	if err != nil {
		return false, err
	}
	var ids []string
	if known {
		if ids, err = in.Messages(ctx, at); err != nil {
			return false, err
		}
	}
	if slices.Contains(ids, d.Message) {
		return true, nil
	}
	return false, &events.Fault{
		Kind: events.ErrUnavailable, Who: "source " + src.ID, What: fmt.Sprintf("message %d of %s", d.Sequence, d.Stream),
		Wanted: "one that follows what is in the log", Got: "a number that the log has for another one", Cause: ErrRecount,
		Hints: []string{"nothing is lost: what was not committed is handed over again and counted from where the log ends"},
	}
}

// Messages returns the transport identities of the messages of an entry, in their
// order; none if their bytes were lost with a data folder.
func (in *Intake) Messages(ctx context.Context, at events.Position) ([]string, error) {
	e, err := in.Log.Get(ctx, at)
	if err != nil {
		return nil, err
	}
	if e.Message != "" { // one that was read by itself
		return []string{e.Message}, nil
	}
	pack, err := in.Archive.OpenPack(e.Archive)
	if errors.Is(err, events.ErrNotFound) && in.wasReturned(ctx, at) {
		return nil, nil
	}
	if err != nil {
		return nil, err
	}
	defer func() { _ = pack.Close() }() // it was read only
	list := make([]string, pack.Len())
	for i := range list {
		m, err := pack.Message(i)
		if err != nil {
			return nil, err
		}
		list[i] = m.ID
	}
	return list, nil
}
