package streamlog

import (
	"errors"
	"fmt"

	"dewclaw/events"
)

// A TailMovedError says that the log has entries the caller of [Log.Append]
// does not know: another daemon appended (a log by URL), or an earlier append
// whose outcome was unknown had been stored after all. Nothing of the refused
// entry is stored. Read up to Position, work out identity from there and append
// again; the error is of kind [events.ErrUnavailable].
type TailMovedError struct {
	Position events.Position // the newest entry
	Hash     string          // its hash, in hex
}

// Error returns the position the tail moved to.
func (e *TailMovedError) Error() string {
	return fmt.Sprintf("log: the tail moved to position %d: entries unknown to this writer are there", e.Position)
}

// Unwrap returns [events.ErrUnavailable].
func (e *TailMovedError) Unwrap() error { return events.ErrUnavailable }

func unavailable(what string, err error) error {
	return &events.Fault{Kind: events.ErrUnavailable, Who: "log", What: what, Cause: err}
}

var errClosed = unavailable("closed", errors.New("the log is closed"))

// A flaw is a place where stored bytes are not what was written.
type flaw struct {
	from, to events.Position // entries that cannot be read; zero if no entry is known to be lost
	where    string          // file and byte, or stream
	what     string
	wanted   string
	got      string
	served   bool // the server had opened the store before it was met
}

func (f *flaw) Error() string {
	return fmt.Sprintf("%s: %s: wanted %s, got %s", f.where, f.what, f.wanted, f.got)
}

// place names positions and file for people.
func (f *flaw) place() string {
	switch {
	case f.from == 0:
		return f.where
	case f.from == f.to:
		return fmt.Sprintf("position %d, %s", f.from, f.where)
	}
	return fmt.Sprintf("positions %d to %d, %s", f.from, f.to, f.where)
}

// fault tells a flaw to a person: where, what is safe, what to do.
func (f *flaw) fault(hints ...string) *events.Fault {
	switch {
	case f.from > 2:
		hints = append(hints, fmt.Sprintf("safe: nothing was changed; entries 1 to %d are read as before, later ones as far as they are whole", f.from-1))
	case f.from == 2:
		hints = append(hints, "safe: nothing was changed; entry 1 is read as before, later ones as far as they are whole")
	default:
		hints = append(hints, "safe: nothing was changed; entries that are whole can be read")
	}
	hints = append(hints,
		"intake and feeds stay stopped; to see every damaged entry: dewclaw verify",
		"stop the daemon, copy the whole data folder away, then put back the log folder from a backup")
	return &events.Fault{
		Kind: events.ErrCorrupt, Who: "log", Where: f.place(), What: f.what, Wanted: f.wanted, Got: f.got, Hints: hints,
	}
}
