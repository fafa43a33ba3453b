package backup

import (
	"context"
	"fmt"
	"iter"

	"dewclaw/events"
)

// A View is the log of a backup, to be read as any other: what verifies a log
// verifies a backup.
type View struct{ b *Backup }

// View returns the log of the backup. It reads the files of entries each time.
func (b *Backup) View() View { return View{b} }

// ID returns the id of the log.
func (v View) ID() string { return v.b.Log }

// Last returns the newest position of the backup and the hash of its entry.
func (v View) Last() (events.Position, string) { return v.b.Position, v.b.Hash }

// Read returns the entries from a position, each held to the chain. It ends at
// the first error.
func (v View) Read(ctx context.Context, from events.Position) iter.Seq2[*events.Entry, error] {
	return func(yield func(*events.Entry, error) bool) {
		at := events.Position(0)
		for body, err := range v.b.Bodies(ctx, v.b.Position) {
			if at++; err == nil && at < from {
				continue
			}
			var e *events.Entry
			if err == nil {
				e, err = events.ParseEntry(body)
			}
			if !yield(e, err) || err != nil {
				return
			}
		}
	}
}

// Get returns the entry at a position; the error is of kind not found behind the
// newest.
func (v View) Get(ctx context.Context, p events.Position) (*events.Entry, error) {
	for _, s := range v.b.Segments {
		if p < s.First || p > s.Last {
			continue
		}
		at := s.First
		for body, err := range v.b.segment(ctx, s) {
			if err != nil {
				return nil, err
			}
			if at == p {
				return events.ParseEntry(body)
			}
			at++
		}
	}
	return nil, &events.Fault{Kind: events.ErrNotFound, Who: "backup", What: "position", Wanted: fmt.Sprintf("1 to %d", v.b.Position), Got: fmt.Sprint(p)}
}

// Append refuses: a backup is not written to.
func (v View) Append(context.Context, *events.Entry) (events.Position, error) {
	return 0, &events.Fault{Kind: events.ErrInvalid, Who: "backup", Where: v.b.path, What: "append to a backup"}
}
