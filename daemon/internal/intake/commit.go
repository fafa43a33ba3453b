package intake

import (
	"context"
	"errors"
	"fmt"

	"dewclaw/events"
	"dewclaw/events/index"
	"dewclaw/events/streamlog"
)

// maxMoves is how often an entry is appended anew because other daemons were first.
const maxMoves = 50

// Commit appends an entry, brings the index up to it and tells Committed: the
// beats append and known. It is for entries that follow from no source's turn;
// the caller vouches that no two of them concern the same entity at once.
// Errors are those of the log and the index. An error of the index after the
// append leaves an entry that stands.
func (in *Intake) Commit(ctx context.Context, e *events.Entry) (events.Position, error) {
	return in.commit(ctx, e, nil, nil)
}

// commit appends an entry of a source's turn; t is nil if it follows from none. An
// entry that another daemon appended meanwhile changes nothing for this one if it
// is of another source: then this one goes behind it. If it is of the same source,
// what this one says may not be so any more: nothing is appended, and whoever took
// the turn works it out anew. That is what keeps a daemon that was stopped for a
// while, and goes on when another one has taken over its source, from writing
// anything twice.
func (in *Intake) commit(ctx context.Context, e *events.Entry, x *index.Extra, t *turn) (at events.Position, err error) {
	in.commits.Lock()
	defer in.commits.Unlock()
	in.Beat(BeatAppend)
	for tries := 0; ; tries++ {
		if err := in.follow(ctx); err != nil {
			return 0, err
		}
		if strange, is := in.strange[turnKey(e)]; is && t != nil && strange >= t.next {
			return 0, &events.Fault{
				Kind: events.ErrUnavailable, Who: "source " + turnKey(e), What: fmt.Sprintf("another daemon wrote of it, at log position %d", strange),
				Hints: []string{"nothing is lost: what was not committed is worked out anew from there"},
			}
		}
		if at, err = in.Log.Append(ctx, e); err == nil {
			break
		}
		if !errors.As(err, new(*streamlog.TailMovedError)) || tries == maxMoves {
			return 0, fmt.Errorf("append to the log: %w", err)
		}
	}
	in.Beat(BeatIndex)
	// The entry stands: what follows must not be cut short by the caller.
	if err := in.Index.Apply(context.WithoutCancel(ctx), e, x); err != nil {
		return at, err
	}
	if in.Committed != nil {
		in.Committed(e)
	}
	return at, nil
}

// turnKey names whose turn an entry follows from: of a source, or of a barn.
func turnKey(e *events.Entry) string {
	if e.Barn != nil {
		return barnKey(e.Barn.ID)
	}
	return e.Source
}

func barnKey(id string) string { return "barn " + id }

// follow brings the index up to the log and notes of which sources there was more
// than it knew. The caller holds commits.
func (in *Intake) follow(ctx context.Context) error {
	done := in.Index.Applied()
	if last, _ := in.Log.Last(); done >= last {
		return nil
	}
	for e, err := range in.Log.Read(ctx, done+1) {
		if err != nil {
			return err
		}
		if err := in.Index.Apply(ctx, e, nil); err != nil {
			return err
		}
		in.strange[turnKey(e)] = e.At
	}
	return nil
}

// CatchUp brings the index up to the log, to which other daemons may have written.
// Errors are those of the log and the index.
func (in *Intake) CatchUp(ctx context.Context) error {
	if last, _ := in.Log.Last(); in.Index.Applied() >= last {
		return nil
	}
	in.commits.Lock()
	defer in.commits.Unlock()
	return in.follow(ctx)
}

// catchUp does so at the beginning of a turn: an entry may stand that the index has
// not taken in, after an error between the two or from another daemon.
func (in *Intake) catchUp(ctx context.Context, t *turn) error {
	err := in.CatchUp(ctx)
	t.next = in.Index.Applied() + 1
	return err
}
